"""Checks of a fit against published examples and reference libraries.

Stack loss: Brownlee, Statistical Theory and Methodology (1965), as shipped with statsmodels; influence measures against
statsmodels. Longley's data (JASA 62, 1967), the example of Cook, Technometrics 19 (1977): R 4.2.2, sort(cooks.distance(
lm(Employed ~ ., longley))) ends with 0.2441929 (1950), 0.4666826 (1962), 0.6139168 (1951). Curvature: Montgomery,
Design and Analysis of Experiments, example of a 2 x 2 plan with five center points (yield of a chemical process; data
and the F of 0.06 looked up in Montgomery and Runger, Applied Statistics and Probability for Engineers, example S14-2);
R: anova(lm(y ~ A * B), lm(y ~ A * B + I(A^2))) gives F = 0.06331 on 1 and 4 degrees of freedom, p = 0.8137408. Scatter
that grows: Breusch and Pagan in Koenker's form against statsmodels. Uniformity: Dunn and Smyth, JCGS 5 (1996).
Separation: the quasi-separated rows with which test_pass_outside.py checks R's logistf (Heinze and Ploner).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.diagnostic import het_breuschpagan

from castlab.analysis import fit_factors
from castlab.analysis.checking import residuals
from castlab.analysis.checking.residuals import Left
from castlab.analysis.models import separation


def left_of(frame: pd.DataFrame, response: str, factors: list[str], **options: object) -> Left:
    fit = fit_factors(frame, response, factors, **options)
    return residuals.of(fit._castings, fit._design, fit._chosen)


def test_leverage_cooks_distance_and_studentised_residuals_are_those_of_statsmodels():
    data = sm.datasets.stackloss.load_pandas().data
    factors = list(data.columns[1:])
    left = left_of(data, "STACKLOSS", factors, kind="measure")
    known = sm.OLS(data["STACKLOSS"], sm.add_constant(data[factors])).fit().get_influence()
    np.testing.assert_allclose(left.cook, known.cooks_distance[0], rtol=1e-9)
    np.testing.assert_allclose(left.leverage, known.hat_matrix_diag, rtol=1e-9)
    student = stats.t.ppf(stats.norm.cdf(left.quantile), left.df - 1)
    np.testing.assert_allclose(student, known.resid_studentized_external, rtol=1e-6)


def test_the_influential_years_of_longleys_data_are_cooks():
    data = sm.datasets.longley.load_pandas().data
    left = left_of(data, "TOTEMP", list(data.columns[1:]), kind="measure")
    cook = pd.Series(left.cook, index=data["YEAR"].astype(int)).sort_values(ascending=False)
    assert list(cook.index[:3]) == [1951, 1962, 1950]
    assert cook.iloc[:3].to_list() == pytest.approx([0.6139168382, 0.4666825970, 0.2441929179], rel=1e-6)


def test_leaving_out_a_casting_in_one_step_is_the_generalised_least_squares_fit_without_it():
    rng = np.random.default_rng(1)
    codes = np.repeat(np.arange(6), 4)
    data = pd.DataFrame({"batch_id": codes, "a": rng.permutation(np.arange(6) % 2)[codes], "b": rng.integers(0, 2, 24)})
    data["size_mm"] = rng.normal(size=6)[codes] + rng.normal(size=24)
    fit = fit_factors(data, "size_mm", ["a", "b"])
    left = residuals.of(fit._castings, fit._design, fit._chosen)
    V = left.phi * np.eye(24) + left.batch_variance * np.equal.outer(codes, codes)

    def squares(keep: np.ndarray) -> np.ndarray:
        X, inverse = fit._design.X[keep], np.linalg.inv(V[np.ix_(keep, keep)])
        return np.linalg.solve(X.T @ inverse @ X, X.T @ inverse @ data["size_mm"].to_numpy()[keep])

    for out in (0, 5, 23):
        without = squares(np.arange(24) != out) - squares(np.arange(24) >= 0)
        np.testing.assert_allclose(left.moved[out] - left.coef, without, rtol=1e-8, atol=1e-12)


def test_curvature_by_center_points_is_montgomerys():
    data = pd.DataFrame(
        {
            "time": [-1, 1, -1, 1, 0, 0, 0, 0, 0],
            "heat": [-1, -1, 1, 1, 0, 0, 0, 0, 0],
            "yield_pct": [39.3, 40.9, 40.0, 41.5, 40.3, 40.5, 40.7, 40.2, 40.6],
        }
    )
    checks = fit_factors(data, "yield_pct", ["time", "heat"], interactions=2).checks()
    row = checks.table.set_index("check").loc["straight lines"]
    assert row["finding"] == "fine"
    assert row["number"] == pytest.approx(0.8137408, abs=1e-6)
    assert "time and heat" in row["sentence"]


def test_a_bend_has_the_p_value_of_the_square_in_statsmodels():
    rng = np.random.default_rng(4)
    temp = np.repeat([20.0, 24.0, 28.0, 32.0], 5)
    data = pd.DataFrame({"temp_c": temp, "haze_pct": 0.02 * (temp - 26) ** 2 + rng.normal(0, 0.5, 20)})
    number = fit_factors(data, "haze_pct", ["temp_c"]).checks().table.set_index("check").loc["straight lines", "number"]
    known = sm.OLS(data["haze_pct"], np.column_stack([np.ones(20), temp, temp**2])).fit().pvalues.iloc[2]
    assert number == pytest.approx(known, rel=1e-6)


def test_growing_scatter_has_the_p_value_of_breusch_and_pagan():
    data = sm.datasets.stackloss.load_pandas().data
    fit = fit_factors(data, "STACKLOSS", ["AIRFLOW"], kind="measure")
    left = residuals.of(fit._castings, fit._design, fit._chosen)
    number = fit.checks().table.set_index("check").loc["spread", "number"]
    known = het_breuschpagan(left.quantile, np.column_stack([np.ones(len(data)), left.expected]))[1]
    assert number == pytest.approx(known, rel=1e-9)


@pytest.mark.parametrize("kind", ["count", "pass", "grade"])
def test_randomised_quantile_residuals_of_the_right_model_are_normal(kind):
    rng = np.random.default_rng(8)
    x = rng.normal(size=600)
    eta = 0.8 * x
    y = {
        "count": lambda: rng.negative_binomial(4, 4 / (4 + np.exp(1.2 + eta))),
        "pass": lambda: rng.random(600) < 1 / (1 + np.exp(-eta)),
        "grade": lambda: np.digitize(eta + rng.logistic(size=600), [-1.5, 0.0, 1.5]),
    }[kind]()
    left = left_of(pd.DataFrame({"x": x, "y": y}), "y", ["x"], kind=kind)
    assert stats.kstest(left.quantile, "norm").pvalue > 0.05
    assert left.quantile.std() == pytest.approx(1, abs=0.08)


def test_the_data_on_which_logistf_was_checked_separate_on_one_column_only():
    data = pd.read_csv(Path(__file__).parent / "data" / "separated.csv")
    X = np.column_stack([np.ones(len(data)), data[["separator", "x1", "x2", "x3"]]])
    found = separation.direction(X, data["y"].to_numpy(), "pass")
    assert found is not None
    assert np.argmax(np.abs(found[1:])) == 0
    assert separation.direction(X[:, [0, 2, 3, 4]], data["y"].to_numpy(), "pass") is None
