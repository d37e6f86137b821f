"""Counts and grades whose answer rests on a likelihood, for many responses on one design at once: those without batches
from `many.FEW` residual degrees of freedom on, and those whose settings tell the outcomes apart so that no effect has an
end. What answers is what `count_fit` and `grade_fit` choose for one response.

Rests on `castlab.analysis.models.likelihoods` for the maxima.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import stats

from castlab.analysis.models import count_fit, likelihoods, linear, many, working

Found = tuple[np.ndarray, np.ndarray, np.ndarray]
"""(S, q) estimates, (S, q) p-values of no effect, (S,) whether there is an answer."""


def ran_off(kind: str, X: np.ndarray, Y: np.ndarray) -> np.ndarray:
    """Which of these counts or grades (S, n) have no finite estimate."""
    far = np.zeros(len(Y), dtype=bool)
    if kind == "count":
        return likelihoods.maximise(likelihoods.Poisson(X, Y)).ran_off(1)
    for rows, odds in _by_grades(X, Y):
        far[rows] = likelihoods.maximise(odds).ran_off(odds.cuts)
    return far


def unbatched(kind: str, X: np.ndarray, Y: np.ndarray, cols: np.ndarray) -> Found:
    """Counts or grades (S, n) without batches, by their likelihood; see the module."""
    return _counts(X, Y, cols) if kind == "count" else _grades(X, Y, cols)


def _counts(X: np.ndarray, Y: np.ndarray, cols: np.ndarray) -> Found:
    df = len(X) - X.shape[1]
    best = likelihoods.maximise(likelihoods.Poisson(X, Y))
    far = best.ran_off(1)
    phi = _dispersion(X, Y, best.theta, df)
    estimate, variance = best.theta.copy(), np.maximum(phi, 1.0)[:, None] * best.variance()
    over = np.flatnonzero(~far & (stats.chi2.sf(phi * df, df) < count_fit.OVERDISPERSED))
    if len(over):
        negative = likelihoods.NegativeBinomial(X, Y[over], best.theta[over])
        coef, _, cov, good = negative.fitted()
        estimate[over[good]] = coef[good]
        variance[over[good]] = np.diagonal(cov[good], axis1=1, axis2=2)
    t = np.abs(estimate[:, cols]) / np.sqrt(variance[:, cols])
    p = 2 * stats.t.sf(t, np.where(phi > 1, df, np.inf)[:, None])
    found = estimate[:, cols], p, ~far
    return _with(found, far, lambda rows: reduced_counts(X, Y[rows], None, cols))


def _dispersion(X: np.ndarray, Y: np.ndarray, coef: np.ndarray, df: int) -> np.ndarray:
    mean = np.exp(coef @ X.T)
    return np.asarray(np.sum((Y - mean) ** 2 / mean, axis=1) / df)


def reduced_counts(X: np.ndarray, Y: np.ndarray, split: linear.Strata | None, cols: np.ndarray) -> Found:
    """Counts (S, n) that ran off: bias-reduced Poisson, likelihood ratios judged on the castings, or on the batches."""
    reduced = likelihoods.Poisson(X, Y, penalised=True)
    best = likelihoods.maximise(reduced)
    df = len(X) - X.shape[1]
    wide = np.maximum(_dispersion(X, Y, best.theta, df), 1.0)
    judged = np.where(wide > 1, df, np.inf)
    if split is not None:
        first = np.eye(len(split.sizes))[split.codes]
        total, expected = Y @ first, np.exp(best.theta @ X.T) @ first
        wide = np.maximum(wide, np.sum((total - expected) ** 2 / expected, axis=1) / split.df_between)
        judged = np.full(len(Y), float(split.df_between))
    p = np.empty((len(Y), len(cols)))
    for k, col in enumerate(cols):
        root = np.sqrt(_ratio(reduced, best, int(col)) / wide)
        p[:, k] = 2 * stats.t.sf(root, judged)
    return best.theta[:, cols], p, best.converged


def _ratio(model: likelihoods.Likelihoods, best: likelihoods.Maxima, col: int) -> np.ndarray:
    """Likelihood-ratio chi-square of this parameter being zero."""
    held = np.arange(best.theta.shape[1]) == col
    alone = likelihoods.maximise(model, np.where(held, 0.0, best.theta), held)
    value = alone.value
    if not alone.converged.all():
        again = likelihoods.maximise(model, np.where(held, 0.0, model.start()), held)
        value = np.where(alone.converged, value, again.value)
    return np.maximum(2 * (best.value - value), 0.0)


def _grades(X: np.ndarray, Y: np.ndarray, cols: np.ndarray) -> Found:
    """Proportional odds and its likelihood ratios."""
    estimate, p = np.full((2, len(Y), len(cols)), np.nan)
    far = np.zeros(len(Y), dtype=bool)
    for rows, odds in _by_grades(X, Y):
        best = likelihoods.maximise(odds)
        far[rows] = best.ran_off(odds.cuts)
        estimate[rows] = best.theta[:, odds.cuts - 1 + cols]
        for k, col in enumerate(cols):
            p[rows, k] = stats.chi2.sf(_ratio(odds, best, odds.cuts - 1 + int(col)), 1)
    return _with((estimate, p, ~far), far, lambda rows: _weak_grades(X, Y[rows], cols))


def _weak_grades(X: np.ndarray, Y: np.ndarray, cols: np.ndarray) -> Found:
    """Grades (S, n) that ran off: estimates under a weak prior, each effect tested with it held."""
    coef, response = working.weakly(X, Y), many.Response("grade", X, Y, None, np.zeros(len(X)))
    p, ok = response.tests(cols, np.zeros(len(cols)))
    return coef[:, cols], p, ok & response.around(np.arange(len(Y)), coef).ok


def _by_grades(X: np.ndarray, Y: np.ndarray) -> list[tuple[np.ndarray, likelihoods.ProportionalOdds]]:
    """Responses with as many grades together."""
    top = Y.max(axis=1).astype(int)
    groups = [np.flatnonzero(top == most) for most in np.unique(top)]
    return [(rows, likelihoods.ProportionalOdds(X[:, 1:], Y[rows], int(top[rows[0]]))) for rows in groups]


def _with(found: Found, far: np.ndarray, otherwise: Callable[[np.ndarray], Found]) -> Found:
    """With another answer for those `far`."""
    rows = np.flatnonzero(far)
    if len(rows):
        for whole, part in zip(found, otherwise(rows), strict=True):
            whole[rows] = part
    return found
