"""Likelihoods for small data: logistic, Poisson and proportional odds, maximised by Newton steps with any coefficients
held fixed, so that tests are likelihood-ratio tests and intervals are profile likelihood.

Logistic and Poisson may carry the bias-reducing penalty of Firth (Biometrika 80, 1993, 27-38): half the log determinant
of the information. It keeps estimates finite when the data separate; intervals and tests are then profile penalised
likelihood (Heinze and Schemper, Statistics in Medicine 21, 2002, 2409-2419). The proportional odds model follows
McCullagh (JRSS B 42, 1980, 109-142).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import special

FAR = 12.0
"""A coefficient beyond this (over one reported step, on the log scale) counts as run off to infinity."""

SLOW = 8
"""Newton steps on the information after which the true curvature is worth its cost."""


class Likelihood(Protocol):
    """What `maximise` needs: value, gradient and information at a parameter vector."""

    def start(self) -> np.ndarray:
        """Where to begin, (d,)."""

    def at(self, theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Log likelihood, gradient (d,) and information (d, d) at `theta` (d,)."""


@dataclass(frozen=True)
class Maximum:
    """Where a likelihood is largest."""

    theta: np.ndarray
    value: float
    information: np.ndarray
    converged: bool

    @property
    def cov(self) -> np.ndarray:
        """Covariance of theta, (d, d): the inverse of the information."""
        return np.linalg.pinv(self.information, hermitian=True)


@dataclass(frozen=True)
class Logistic(Likelihood):
    """Bernoulli responses y (n,) with logit X b; `penalised` adds Firth's penalty."""

    X: np.ndarray
    y: np.ndarray
    penalised: bool

    def start(self) -> np.ndarray:
        theta = np.zeros(self.X.shape[1])
        theta[0] = special.logit((self.y.sum() + 0.5) / (len(self.y) + 1))
        return theta

    def at(self, theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        eta = self.X @ theta
        mu = special.expit(eta)
        value = float(np.sum(self.y * eta - np.logaddexp(0, eta)))
        return _penalise(self.X, value, self.y - mu, 0.5 - mu, mu * (1 - mu), self.penalised)


@dataclass(frozen=True)
class Poisson(Likelihood):
    """Counts y (n,) with log mean offset + X b; `penalised` adds Firth's penalty."""

    X: np.ndarray
    y: np.ndarray
    offset: np.ndarray
    penalised: bool = True

    def start(self) -> np.ndarray:
        theta = np.zeros(self.X.shape[1])
        theta[0] = np.log((self.y.sum() + 0.5) / np.exp(self.offset).sum())
        return theta

    def at(self, theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        eta = self.offset + self.X @ theta
        if np.max(eta) > 50:
            return -np.inf, np.zeros_like(theta), np.eye(len(theta))
        mu = np.exp(eta)
        value = float(np.sum(self.y * eta - mu))
        return _penalise(self.X, value, self.y - mu, np.full(len(mu), 0.5), mu, self.penalised)


def _penalise(
    X: np.ndarray, value: float, residual: np.ndarray, slope: np.ndarray, w: np.ndarray, penalised: bool
) -> tuple[float, np.ndarray, np.ndarray]:
    information = X.T @ (w[:, None] * X)
    if penalised:
        sign, logdet = np.linalg.slogdet(information)
        if sign <= 0:
            return -np.inf, np.zeros(X.shape[1]), np.eye(X.shape[1])
        leverage = w * np.einsum("ij,ji->i", X, np.linalg.solve(information, X.T))
        value, residual = value + 0.5 * logdet, residual + leverage * slope
    return value, X.T @ residual, information


@dataclass(frozen=True)
class ProportionalOdds(Likelihood):
    """Grades y (n,) coded 0..k: logit P(Y <= j) = threshold_j - X b, X without intercept.

    Parameters are the k thresholds, then the coefficients; a positive coefficient means higher grades.
    """

    X: np.ndarray
    y: np.ndarray

    @property
    def cuts(self) -> int:
        """How many cut points part the grades."""
        return int(self.y.max())

    def start(self) -> np.ndarray:
        below = np.array([(self.y <= j).mean() for j in range(self.cuts)])
        return np.concatenate([special.logit(np.clip(below, 0.01, 0.99)), np.zeros(self.X.shape[1])])

    def bounds(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """P(Y <= y) and P(Y <= y - 1) per casting."""
        alpha = np.concatenate([[-np.inf], theta[: self.cuts], [np.inf]])
        eta, y = self.X @ theta[self.cuts :], self.y.astype(int)
        return special.expit(alpha[y + 1] - eta), special.expit(alpha[y] - eta)

    def at(self, theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        k, size = self.cuts, len(theta)
        if np.any(np.diff(theta[:k]) <= 1e-10):
            return -np.inf, np.zeros(size), np.eye(size)
        upper, lower = self.bounds(theta)
        p = upper - lower
        if np.any(p <= 1e-300):
            return -np.inf, np.zeros(size), np.eye(size)
        y = self.y.astype(int)
        cut = np.arange(k)
        hi, lo = (y[:, None] == cut).astype(float), (y[:, None] - 1 == cut).astype(float)
        d_hi, d_lo = np.hstack([hi, -self.X]), np.hstack([lo, -self.X])
        f_hi, f_lo = upper * (1 - upper), lower * (1 - lower)
        slopes = (f_hi[:, None] * d_hi - f_lo[:, None] * d_lo) / p[:, None]
        bend_hi, bend_lo = f_hi * (1 - 2 * upper) / p, f_lo * (1 - 2 * lower) / p
        information = slopes.T @ slopes - d_hi.T @ (bend_hi[:, None] * d_hi) + d_lo.T @ (bend_lo[:, None] * d_lo)
        return float(np.sum(np.log(p))), slopes.sum(axis=0), information


def maximise(model: Likelihood, start: np.ndarray | None = None, fixed: dict[int, float] | None = None) -> Maximum:
    """Maximise by Newton steps with step halving; `fixed` holds parameters at given values.

    Steps use the information; where that converges slowly (penalised likelihoods, whose information leaves the penalty
    out) they go on with the curvature of the gradient itself.
    """
    theta = model.start() if start is None else start.copy()
    for at, value in (fixed or {}).items():
        theta[at] = value
    free = np.array([i for i in range(len(theta)) if i not in (fixed or {})], dtype=int)
    value, gradient, information = model.at(theta)
    if not np.isfinite(value) and start is not None:
        return maximise(model, None, fixed)
    for iteration in range(60):
        if not np.isfinite(value):
            break
        curvature = information[np.ix_(free, free)]
        if iteration >= SLOW:
            curvature = _curvature(model, theta, gradient, free, curvature)
        step = np.linalg.lstsq(curvature, gradient[free], rcond=1e-13)[0]
        if not len(free) or step @ gradient[free] < 1e-14 or np.max(np.abs(gradient[free])) < 1e-9:
            return Maximum(theta, value, information, True)
        step *= min(1.0, 4 / np.max(np.abs(step)))
        for _ in range(30):
            trial = theta.copy()
            trial[free] += step
            new = model.at(trial)
            if new[0] >= value - 1e-12 * max(1.0, abs(value)):
                break
            step /= 2
        else:
            return Maximum(theta, value, information, bool(np.max(np.abs(gradient[free])) < 1e-4))
        theta = trial
        value, gradient, information = new
        if np.max(np.abs(theta)) > 4 * FAR:
            break
    return Maximum(theta, value, information, False)


def _curvature(
    model: Likelihood, theta: np.ndarray, gradient: np.ndarray, free: np.ndarray, otherwise: np.ndarray
) -> np.ndarray:
    """Minus the derivative of the gradient by differences, if that is a maximum's curvature."""
    rows = []
    for i in free:
        move = np.zeros_like(theta)
        move[i] = 1e-6
        rows.append((gradient - model.at(theta + move)[1])[free] / 1e-6)
    found = (np.array(rows) + np.array(rows).T) / 2
    return found if np.all(np.isfinite(found)) and np.linalg.eigvalsh(found)[0] > 1e-9 else otherwise


def ran_off(best: Maximum, coefs: Sequence[int]) -> list[int]:
    """Which of these coefficients went to infinity (the data separate), or all if the search failed."""
    far = [j for j in coefs if abs(best.theta[j]) > FAR]
    if best.converged and not far and _regular(best.information):
        return []
    return far or [int(max(coefs, key=lambda j: abs(best.theta[j])))]


def _regular(information: np.ndarray) -> bool:
    eigenvalues = np.linalg.eigvalsh(information)
    return bool(eigenvalues[0] > 1e-8 * eigenvalues[-1] and eigenvalues[0] > 1e-6)


def ratio_statistic(model: Likelihood, best: Maximum, cols: Sequence[int]) -> float:
    """Likelihood-ratio chi-square of these coefficients being zero."""
    start = best.theta.copy()
    held = maximise(model, start, dict.fromkeys(cols, 0.0))
    if not held.converged:
        held = maximise(model, None, dict.fromkeys(cols, 0.0))
    return max(0.0, 2 * (best.value - held.value))


def profile_interval(model: Likelihood, best: Maximum, j: int, cut: float) -> tuple[float, float]:
    """Values of coefficient j whose likelihood-ratio statistic stays below `cut`; infinite where it never reaches it."""
    step = np.sqrt(cut * best.cov[j, j])
    return _end(model, best, j, cut, -step), _end(model, best, j, cut, step)


def _end(model: Likelihood, best: Maximum, j: int, cut: float, step: float) -> float:
    along = best.cov[:, j] / best.cov[j, j]
    last = best.theta

    def excess(value: float) -> float:
        nonlocal last
        held = maximise(model, last + along * (value - last[j]), {j: value})
        if held.converged:
            last = held.theta
        return 2 * (best.value - held.value) - cut

    inner, below = float(best.theta[j]), -cut
    for _ in range(40):
        outer = inner + step
        above = excess(outer)
        if not np.isfinite(above):
            step /= 2
        elif above > 0:
            return _crossing(excess, inner, below, outer, above)
        else:
            inner, below = outer, above
        if abs(inner - best.theta[j]) > 4 * FAR:
            break
    return float(np.copysign(np.inf, step))


def _crossing(excess: Callable[[float], float], inner: float, below: float, outer: float, above: float) -> float:
    """Where `excess` crosses zero, by false position with halving (Illinois); the ends are not looked at again, since a
    profile found along another path may differ in its last digits."""
    side = 0
    middle = outer
    for _ in range(60):
        middle = outer - above * (outer - inner) / (above - below)
        found = excess(middle)
        if abs(outer - inner) < 1e-6 or abs(found) < 1e-7 or not np.isfinite(found):
            break
        if found > 0:
            outer, above = middle, found
            below = below / 2 if side > 0 else below
            side = 1
        else:
            inner, below = middle, found
            above = above / 2 if side < 0 else above
            side = -1
    return middle
