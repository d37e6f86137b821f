"""Weighted linear model with one random effect (the batch), with tests that are honest in small samples.

z = X b + batch + error, error variance phi / w. Without batches this is weighted least squares with t and F. With
batches the two variances are estimated by REML, the covariance and the denominator degrees of freedom by Kenward and
Roger (Biometrics 53, 1997, 983-997), so that a factor set per batch is judged on the scatter between batches and a
factor set per casting on the scatter within them. The batch variance may come out below zero (castings of one cup less
alike than chance would make them); that keeps the tests equal to the classical split-plot and blocked analyses of
variance whenever the data are balanced, and their size right where batches hardly differ.

Every matrix needed is a combination of X'WX and the batch sums S_i = X_i'w_i, so the cost does not grow with batch size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from castlab.errors import FitError

_MOST = 12.0
LEAST = -7.0
"""Search range of log(1 + lambda s), s the largest batch's weight: the variance of a batch mean over what chance alone
would make it."""

NO_SCATTER = (
    "the castings fit the factors without any scatter, so there is nothing to judge the effects by; "
    "check that every casting was read for itself, use fewer factors or make more castings"
)


@dataclass(frozen=True)
class Uncertainty:
    """What Kenward and Roger need of the two estimated variances: unadjusted covariance, P matrices, their covariance."""

    cov: np.ndarray
    p: tuple[np.ndarray, np.ndarray]
    w: np.ndarray


@dataclass(frozen=True)
class LinearFit:
    """Coefficients with a small-sample covariance; error variance `phi` / weight."""

    coef: np.ndarray
    cov: np.ndarray
    phi: float
    batch_variance: float
    residual_df: float
    variances: Uncertainty | None = None

    def df(self, row: np.ndarray) -> float:
        """Denominator degrees of freedom of one linear combination."""
        if self.variances is None:
            return self.residual_df
        a1, _ = _spread(self.variances, row[None, :])
        return float(np.clip(2 / a1, 1, self.residual_df)) if a1 > 0 else self.residual_df

    def f_test(self, rows: np.ndarray) -> tuple[float, int, float, float]:
        """F, numerator df, denominator df and p-value of rows @ coef = 0."""
        rows = np.atleast_2d(rows)
        estimate, q = rows @ self.coef, len(rows)
        wald = float(estimate @ np.linalg.solve(rows @ self.cov @ rows.T, estimate)) / q
        scale, df = 1.0, self.residual_df
        if self.variances is not None:
            scale, df = (1.0, self.df(rows[0])) if q == 1 else self._kenward_roger(self.variances, rows)
        statistic = max(0.0, scale * wald)
        p = stats.chi2.sf(q * statistic, q) if np.isinf(df) else stats.f.sf(statistic, q, df)
        return statistic, q, df, float(p)

    def _kenward_roger(self, variances: Uncertainty, rows: np.ndarray) -> tuple[float, float]:
        """Scale of F and denominator df (Kenward and Roger 1997, section 3)."""
        q = len(rows)
        a1, a2 = _spread(variances, rows)
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        c = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / c, (q - g) / c, (q + 2 - g) / c
        mean = 1 / (1 - a2 / q)
        spread = (2 / q) * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
        rho = spread / (2 * mean**2)
        df = 4 + (q + 2) / (q * rho - 1)
        if not np.isfinite(df) or df <= 2 or mean <= 0:  # outside the approximation: the least df of the single rows
            return 1.0, min(self.df(row) for row in rows)
        return float(df / (mean * (df - 2))), float(min(df, self.residual_df))


def _spread(variances: Uncertainty, rows: np.ndarray) -> tuple[float, float]:
    """A1 and A2 of Kenward and Roger: how much the uncertain variances blur these combinations."""
    cov, w = variances.cov, variances.w
    middle = rows.T @ np.linalg.solve(rows @ cov @ rows.T, rows)
    parts = [middle @ cov @ p @ cov for p in variances.p]
    a1 = sum(w[i, j] * np.trace(parts[i]) * np.trace(parts[j]) for i in (0, 1) for j in (0, 1))
    a2 = sum(w[i, j] * np.trace(parts[i] @ parts[j]) for i in (0, 1) for j in (0, 1))
    return float(a1), float(a2)


def fit(
    X: np.ndarray,
    z: np.ndarray,
    codes: np.ndarray | None,
    weights: np.ndarray | None = None,
    least: float = LEAST,
    least_phi: float = 0.0,
) -> LinearFit:
    """Fit the model.

    Parameters
    ----------
    X : (n, p) design matrix of full column rank
    z : (n,) response or working response
    codes : (n,) batch number 0, 1, ... or None
    weights : (n,) error variance is phi / weights; equal by default
    least : lower end of the search range of log(1 + lambda s)
    least_phi : phi is not taken below this

    Raises
    ------
    FitError
        If no degrees of freedom, or no scatter at all, are left to judge the effects by.
    """
    w = np.ones(len(z)) if weights is None else weights
    n, p = X.shape
    if n <= p:
        raise FitError(
            f"{n} castings cannot carry {p} coefficients and leave something to judge them by; use fewer factors"
        )
    if codes is None:
        return _least_squares(X, z, w, least_phi)
    full = np.column_stack([X, z])
    total = full.T @ (w[:, None] * full)
    n_batches = int(codes.max()) + 1
    sums, s = np.zeros((n_batches, p + 1)), np.zeros(n_batches)
    np.add.at(sums, codes, w[:, None] * full)
    np.add.at(s, codes, w)
    sizes = np.bincount(codes, minlength=n_batches)

    def criterion(t: float) -> float:
        lam = np.expm1(t) / s.max()
        shrink = 1 + lam * s
        m = total - (sums.T * (lam / shrink)) @ sums
        try:
            chol = np.linalg.cholesky(m[:p, :p])
        except np.linalg.LinAlgError:
            return np.inf
        half = np.linalg.solve(chol, m[:p, p])
        rss = m[p, p] - half @ half
        if rss <= 1e-12 * total[p, p]:
            return np.inf
        return float(np.sum(np.log(shrink)) + 2 * np.sum(np.log(np.diag(chol))) + (n - p) * np.log(rss))

    grid = np.linspace(least, _MOST, 39)
    values = np.array([criterion(t) for t in grid])
    if not np.isfinite(values).any():
        raise FitError(NO_SCATTER)
    best = int(np.argmin(values))
    lower, upper = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    found = optimize.minimize_scalar(criterion, bounds=(lower, upper), method="bounded", options={"xatol": 1e-9})
    t = float(found.x) if found.fun <= values[best] else float(grid[best])
    return _solved(np.expm1(t) / s.max(), total, sums, s, sizes, n, p, least_phi)


def _least_squares(X: np.ndarray, z: np.ndarray, w: np.ndarray, least_phi: float) -> LinearFit:
    n, p = X.shape
    root = np.sqrt(w)
    q, r = np.linalg.qr(root[:, None] * X)
    coef = np.linalg.solve(r, q.T @ (root * z))
    rss = float(np.sum(w * (z - X @ coef) ** 2))
    if rss <= 1e-12 * float(np.sum(w * z**2)):
        raise FitError(NO_SCATTER)
    phi = rss / (n - p)
    inverse = np.linalg.inv(r)
    phi = max(phi, least_phi)
    return LinearFit(coef, phi * inverse @ inverse.T, phi, 0.0, float(n - p))


def _solved(
    lam: float, total: np.ndarray, sums: np.ndarray, s: np.ndarray, sizes: np.ndarray, n: int, p: int, least_phi: float
) -> LinearFit:
    shrink = 1 + lam * s
    m = total - (sums.T * (lam / shrink)) @ sums
    coef = np.linalg.solve(m[:p, :p], m[:p, p])
    phi = max(float(m[p, p] - m[:p, p] @ coef) / (n - p), least_phi)
    S, A, r, u = sums[:, :p], total[:p, :p], 1 / shrink, 1 / (phi * shrink)

    def weighted(d: np.ndarray) -> np.ndarray:
        return (S.T * d) @ S

    cov = phi * np.linalg.inv(m[:p, :p])
    P = (-weighted(u**2), -(A - weighted((1 - r**2) / s)) / phi**2)
    Q = {
        (0, 0): weighted(u**3 * s),
        (0, 1): weighted(u**3),
        (1, 1): (A - weighted((1 - r**3) / s)) / phi**3,
    }
    Q[1, 0] = Q[0, 1]
    trace = {
        (0, 0): np.sum((u * s) ** 2),
        (0, 1): np.sum(u**2 * s),
        (1, 1): np.sum(sizes - 1 + r**2) / phi**2,
    }
    information = np.empty((2, 2))
    for i, j in ((0, 0), (0, 1), (1, 1)):
        value = 0.5 * (trace[i, j] - 2 * np.sum(cov * Q[i, j]) + np.trace(cov @ P[i] @ cov @ P[j]))
        information[i, j] = information[j, i] = value
    w = np.linalg.pinv(information, hermitian=True)
    extra = sum(w[i, j] * (Q[i, j] - P[i] @ cov @ P[j]) for i in (0, 1) for j in (0, 1))
    adjusted = cov + 2 * cov @ extra @ cov
    if np.any(np.diag(adjusted) <= 0):
        adjusted = cov
    return LinearFit(coef, (adjusted + adjusted.T) / 2, phi, lam * phi, float(n - p), Uncertainty(cov, P, w))
