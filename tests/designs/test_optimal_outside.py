"""Optimal plans and plans for curves against published values and reference libraries.

Sources
-------
- NIST/SEMATECH e-Handbook of Statistical Methods, 5.5.2.1 "D-optimal designs": one factor of five settings with a bend,
  two of two settings, 12 runs, D-efficiency 68.2558 (the number from memory; that of the 3 x 2 x 2 factorial, computed
  here).
- D-optimal measure of a quadratic in one variable, a third of the runs at -1, 0 and 1 (any text on optimal designs); in
  two, |M| = 1.14e-2 (Atkinson and Donev, Optimum Experimental Designs, 1992; the number from memory, and computed here
  with scipy for weights of corners, edges and the centre; optimal by Kiefer and Wolfowitz, Canadian Journal of
  Mathematics 12, 1960, since no variance in the square exceeds the 6 coefficients).
- Box and Behnken, Technometrics 2, 1960, 455-475: numbers of runs, and rotatable plans of 4 and 7 factors.
- NIST/SEMATECH e-Handbook, 5.3.3.6.4: runs of central composite and Box-Behnken plans (from memory; parts counted
  here).
- Variances of a balanced split-plot: Montgomery, Design and Analysis of Experiments, chapter on nested and split-plot
  designs: 4 (batch variance / batches + casting variance / castings) and 4 casting variance / castings.
- statsmodels, generalised least squares, and scipy.optimize (L-BFGS-B) as reference libraries.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize

from castlab.designs import Factor, plan_trials
from castlab.designs.exchange import best_measure


def numbers(k: int) -> list[Factor]:
    return [Factor(f"x{j}", -1, 1) for j in range(k)]


def quadratic(points: np.ndarray) -> np.ndarray:
    k = points.shape[1]
    crossed = [points[:, a] * points[:, b] for a in range(k) for b in range(a + 1, k)]
    return np.column_stack([np.ones(len(points)), points, *crossed, points**2])


def test_the_handbook_example_reaches_its_published_efficiency():
    factors = [Factor("x1", [-1, -0.5, 0, 0.5, 1]), Factor("x2", [-1, 1]), Factor("x3", [-1, 1])]
    plan = plan_trials(factors, 12, goal="curve", interactions=0)
    factorial = np.array([(a, b, c) for a in (-1, 0, 1) for b in (-1, 1) for c in (-1, 1)], dtype=float)
    for x in (factorial, plan.table[["x1", "x2", "x3"]].to_numpy()):
        X = np.column_stack([np.ones(12), x, x[:, 0] ** 2])
        assert 100 * np.linalg.det(X.T @ X) ** (1 / 5) / 12 == pytest.approx(68.25575036930731, rel=1e-10)
    assert plan.d_efficiency == pytest.approx(1, abs=1e-4)


def test_the_best_measure_of_a_quadratic_is_the_published_one():
    line = np.linspace(-1, 1, 21)
    one = np.column_stack([np.ones(21), line, line**2])
    assert best_measure(one) == pytest.approx(np.log(4 / 27), abs=3e-4)
    square = quadratic(np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)], dtype=float))
    corners = np.abs(square[:, 1:3]).sum(axis=1)

    def loss(weights: np.ndarray) -> float:
        each = np.choose(corners.astype(int), [1 - 4 * weights.sum(), weights[1], weights[0]])
        return -np.linalg.slogdet(square.T @ (each[:, None] * square))[1]

    best = optimize.minimize(loss, [0.14, 0.08], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-14})
    assert best.x == pytest.approx([0.1458, 0.0802], abs=5e-5)
    assert np.exp(-best.fun) == pytest.approx(1.14e-2, abs=5e-5)
    each = np.choose(corners.astype(int), [1 - 4 * best.x.sum(), best.x[1], best.x[0]])
    everywhere = quadratic(np.array([(a, b) for a in line for b in line]))
    covariance = np.linalg.inv(square.T @ (each[:, None] * square))
    assert np.einsum("ij,jk,ik->i", everywhere, covariance, everywhere).max() == pytest.approx(6, abs=1e-4)
    assert -best.fun <= best_measure(square) <= -best.fun + 6e-4  # a bound from above


def test_fourteen_runs_of_three_factors_come_within_a_hundredth_of_a_long_continuous_search():
    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        x = flat.reshape(14, 3)
        X = quadratic(x)
        M = X.T @ X + 1e-9 * np.eye(10)
        G = 2 * X @ np.linalg.inv(M)
        slope = G[:, 1:4] + 2 * x * G[:, 7:10]
        for column, (a, b) in zip((4, 5, 6), ((0, 1), (0, 2), (1, 2)), strict=True):
            slope[:, a] += G[:, column] * x[:, b]
            slope[:, b] += G[:, column] * x[:, a]
        return -np.linalg.slogdet(M)[1], -slope.ravel()

    rng = np.random.default_rng(0)
    starts = rng.uniform(-1, 1, (24, 42))
    best = max(-optimize.minimize(loss, s, jac=True, method="L-BFGS-B", bounds=[(-1, 1)] * 42).fun for s in starts)
    plan = plan_trials(numbers(3), 14, goal="curve")
    X = quadratic(plan.table[["x0", "x1", "x2"]].to_numpy())
    assert np.exp((np.linalg.slogdet(X.T @ X)[1] - best) / 10) >= 0.99


@pytest.mark.parametrize(("k", "runs"), [(3, 15), (4, 27), (5, 46), (6, 54), (7, 62)])
def test_box_behnken_plans_have_the_published_runs_and_no_corner(k, runs):
    centres = {3: 3, 4: 3, 5: 6, 6: 6, 7: 6}[k]
    plan = plan_trials(numbers(k), runs, goal="curve", using="box-behnken")
    x = plan.table[list(plan.factors)].to_numpy()
    off = x[np.abs(x).sum(axis=1) > 0]
    assert len(x) - len(off) == centres
    assert set(np.abs(off).sum(axis=1)) == ({2.0} if k < 6 else {3.0})
    pairs = off.T @ off
    assert np.allclose(pairs, pairs[0, 0] * np.eye(k))


@pytest.mark.parametrize(("k", "runs"), [(4, 27), (7, 62)])
def test_box_behnken_plans_of_four_and_seven_factors_are_rotatable(k, runs):
    plan = plan_trials(numbers(k), runs, goal="curve", using="box-behnken")
    X = quadratic(plan.table[list(plan.factors)].to_numpy())
    inverse = np.linalg.inv(X.T @ X)
    rng = np.random.default_rng(3)
    points = rng.normal(size=(20, k))
    rows = quadratic(points / np.linalg.norm(points, axis=1, keepdims=True))
    variance = np.einsum("ij,jk,ik->i", rows, inverse, rows)
    assert np.allclose(variance, variance[0])


@pytest.mark.parametrize(("k", "factorial"), [(2, 4), (3, 8), (4, 16), (5, 16), (6, 32)])
def test_central_composite_plans_have_the_published_parts(k, factorial):
    plan = plan_trials(numbers(k), factorial + 2 * k + 4, goal="curve", using="central composite")
    at_rim = np.abs(plan.table[list(plan.factors)].to_numpy()).sum(axis=1)
    assert [int(np.sum(at_rim == level)) for level in (k, 1, 0)] == [factorial, 2 * k, 4]


def test_effects_of_a_balanced_split_plot_have_the_textbook_variances():
    factors = [Factor("resin_c", 22, 32), Factor("pour", ["stream", "ladle"]), Factor("cure_c", 40, 60)]
    plan = plan_trials(factors, 24, per_batch=["resin_c"], batch_size=4, batch_scatter=2.0)
    known = plan.precision.set_index("effect")
    assert known.loc["resin_c", "standard_error"] == pytest.approx(2 * np.sqrt(2 / 6 + 1 / 24))
    assert known.loc["pour", "standard_error"] == pytest.approx(2 * np.sqrt(1 / 24))
    assert known.loc["resin_c", "df"] == 6 - 2
    assert known.loc["pour", "df"] == 24 - 6 - 2


def test_precision_is_that_of_generalised_least_squares_with_molds_fitted():
    factors = [Factor("resin_c", 22, 32), Factor("pour", ["stream", "ladle"]), Factor("cure_c", 40, 60)]
    plan = plan_trials(
        factors, 14, per_batch=["resin_c"], batch_size=4, blocks=3, batch_scatter=0.7, interactions=[("pour", "cure_c")]
    )
    t = plan.table
    x = np.column_stack(
        [
            np.where(t["resin_c"] == 32, 0.5, -0.5),
            np.where(t["pour"] == "ladle", 0.5, -0.5),
            np.where(t["cure_c"] == 60, 0.5, -0.5),
        ]
    )
    molds = np.equal.outer(t["mold"].to_numpy(), t["mold"].unique()[1:]).astype(float)
    X = np.column_stack([np.ones(14), x, x[:, 1] * x[:, 2], molds])
    V = np.eye(14) + 0.7 * np.equal.outer(t["batch"].to_numpy(), t["batch"].to_numpy())
    reference = np.sqrt(np.diag(sm.GLS(np.arange(14.0), X, sigma=V).fit().normalized_cov_params))
    assert plan.precision["standard_error"].tolist() == pytest.approx(reference[1:5].tolist())
