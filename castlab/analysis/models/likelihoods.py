"""The likelihoods of `castlab.analysis.models.likelihood` for many responses on one design at once, with its steps and
its ends, so that each gets the maximum that it gets there alone; and the negative binomial.

The pieces of proportional odds, the sums over castings and the step of the free coefficients are those of
`castlab.analysis.models.working`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import special

from castlab.analysis.models import likelihood, working

_TURNS, _HALVINGS = 60, 30
_FARTHEST_STEP = 4.0
LEAST_ALPHA = 1e-4
"""Dispersion of the negative binomial below which it is the Poisson model."""
_LEAST_START, _MOST_START = 1e-3, 10.0

At = tuple[np.ndarray, np.ndarray, np.ndarray]
"""Value (R,), gradient (R, d) and information (R, d, d)."""


class Likelihoods(Protocol):
    """What `maximise` needs: a place to start each response, (S, d), and the pieces of the responses `rows` at theta."""

    def start(self) -> np.ndarray:
        """Where to begin, (S, d)."""

    def at(self, theta: np.ndarray, rows: np.ndarray) -> At:
        """Values, gradients and informations of the responses `rows` (R,) at `theta` (R, d)."""


@dataclass(frozen=True)
class Maxima:
    """Where each likelihood is largest: (S, d), (S,), (S, d, d) and (S,)."""

    theta: np.ndarray
    value: np.ndarray
    information: np.ndarray
    converged: np.ndarray

    def ran_off(self, first: int) -> np.ndarray:
        """Which have no finite maximum (the data separate): a coefficient from `first` on is far out, or nothing holds it."""
        far = np.abs(self.theta[:, first:]).max(axis=1) > likelihood.FAR
        usable = self.converged & ~far & np.isfinite(self.information).all(axis=(1, 2))
        held = np.where(usable[:, None, None], self.information, np.eye(self.theta.shape[1]))
        values = np.linalg.eigvalsh(held)
        return ~usable | (values[:, 0] <= 1e-8 * values[:, -1]) | (values[:, 0] <= 1e-6)

    def variance(self) -> np.ndarray:
        """(S, d) variances of the coefficients."""
        return np.diagonal(np.linalg.pinv(self.information, hermitian=True), axis1=1, axis2=2)


@dataclass(frozen=True)
class Poisson(Likelihoods):
    """Counts Y (S, n) with log mean X b; `penalised` adds Firth's penalty."""

    X: np.ndarray
    Y: np.ndarray
    penalised: bool = False

    def start(self) -> np.ndarray:
        theta = np.zeros((len(self.Y), self.X.shape[1]))
        theta[:, 0] = np.log((self.Y.sum(axis=1) + 0.5) / len(self.X))
        return theta

    def at(self, theta: np.ndarray, rows: np.ndarray) -> At:
        line, y = theta @ self.X.T, self.Y[rows]
        mean = np.exp(np.minimum(line, 50))
        value, residual = np.sum(y * line - mean, axis=1), y - mean
        information = working.crossed(self.X, mean)
        if self.penalised:
            sign, size = np.linalg.slogdet(information)
            value = np.where(sign > 0, value + 0.5 * size, -np.inf)
            inverse = np.linalg.inv(np.where((sign > 0)[:, None, None], information, np.eye(theta.shape[1])))
            residual = residual + 0.5 * mean * np.sum((self.X @ inverse) * self.X, axis=2)
        return np.where(line.max(axis=1) > 50, -np.inf, value), residual @ self.X, information


@dataclass(frozen=True)
class NegativeBinomial(Likelihoods):
    """Counts Y (S, n) with log mean X b and variance mean + alpha mean squared (NB2); the last parameter is log alpha."""

    X: np.ndarray
    Y: np.ndarray
    coef: np.ndarray
    """(S, p) where to start, such as the Poisson maximum."""
    offset: np.ndarray | float = 0.0
    """(n,) log exposure."""

    def start(self) -> np.ndarray:
        mean = np.exp(self.offset + self.coef @ self.X.T)
        alpha = np.sum((self.Y - mean) ** 2 - mean, axis=1) / np.sum(mean**2, axis=1)
        return np.column_stack([self.coef, np.log(np.clip(alpha, _LEAST_START, _MOST_START))])

    def at(self, theta: np.ndarray, rows: np.ndarray) -> At:
        y, p = self.Y[rows], self.X.shape[1]
        line, log_alpha = self.offset + theta[:, :p] @ self.X.T, np.clip(theta[:, p:], -25, 25)
        mean, size = np.exp(np.minimum(line, 50)), np.exp(-log_alpha)
        spread = 1 + mean / size
        value = special.gammaln(y + size) - special.gammaln(size) - (y + size) * np.log(spread) + y * (line + log_alpha)
        left = (y - mean) / spread
        more = special.psi(size) - special.psi(y + size) + np.log(spread)
        gradient = np.column_stack([left @ self.X, np.sum(size * more + left, axis=1)])
        bend = size**2 * (special.zeta(2, size) - special.zeta(2, y + size))
        bend += size * more + left - (mean + left) / spread
        information = np.empty((len(theta), p + 1, p + 1))
        information[:, :p, :p] = working.crossed(self.X, mean * (1 + y / size) / spread**2)
        cross, own = (left * (mean / size) / spread) @ self.X, bend.sum(axis=1)
        known = np.sum(cross * np.linalg.solve(information[:, :p, :p], cross[:, :, None])[:, :, 0], axis=1)
        rises = own - known <= 1e-3 * np.abs(own)  # no maximum near: a step that goes up all the same
        information[:, :p, p] = information[:, p, :p] = np.where(rises[:, None], 0.0, cross)
        information[:, p, p] = np.where(rises, np.abs(own) + 1e-9, own)
        return value.sum(axis=1), gradient, information

    def fitted(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """(S, p) coefficients, (S,) alpha, (S, p, p) covariance from the expected information with alpha taken as known, and
        (S,) whether there is such a maximum."""
        best = maximise(self)
        coef, alpha = best.theta[:, :-1], np.exp(best.theta[:, -1])
        good = best.converged & (alpha > LEAST_ALPHA) & (np.abs(coef[:, 1:]).max(axis=1, initial=0) <= likelihood.FAR)
        mean = np.exp(self.offset + coef @ self.X.T)
        information = working.crossed(self.X, mean / (1 + alpha[:, None] * mean))
        usable = np.isfinite(information).all(axis=(1, 2))
        information[~usable] = np.eye(coef.shape[1])
        return coef, alpha, np.linalg.pinv(information, hermitian=True), good & usable


@dataclass(frozen=True)
class ProportionalOdds(Likelihoods):
    """Grades Y (S, n) coded 0..cuts, all of them in use in each row: logit P(Y <= j) = threshold_j - X b, X without
    intercept; first the thresholds, then the coefficients."""

    X: np.ndarray
    Y: np.ndarray
    cuts: int

    def start(self) -> np.ndarray:
        below = np.stack([np.less_equal(self.Y, j).mean(axis=1) for j in range(self.cuts)], axis=1)
        return np.hstack([special.logit(np.clip(below, 0.01, 0.99)), np.zeros((len(self.Y), self.X.shape[1]))])

    def at(self, theta: np.ndarray, rows: np.ndarray) -> At:
        y = self.Y[rows].astype(int)
        ordered = np.all(np.diff(theta[:, : self.cuts], axis=1) > 1e-10, axis=1)
        theta = np.where(ordered[:, None], theta, self.start()[rows])
        gradient, information = working.score(self.X, y, theta, self.cuts, seen=True)
        _, _, chance = working.cells(theta[:, self.cuts :] @ self.X.T, theta[:, : self.cuts])
        value = np.log(np.take_along_axis(chance, y[:, :, None], 2)[:, :, 0]).sum(axis=1)
        return np.where(ordered, value, -np.inf), gradient, information


def maximise(model: Likelihoods, start: np.ndarray | None = None, held: np.ndarray | None = None) -> Maxima:
    """Maximise each by Newton steps with step halving.

    Parameters
    ----------
    model : the likelihoods of S responses
    start : (S, d) where to start; the model's own place by default
    held : (d,) bool, which parameters stay where they start; none by default

    Examples
    --------
    >>> X = np.column_stack([np.ones(4), [0, 0, 1, 1]])
    >>> found = maximise(Poisson(X, np.array([[1.0, 3, 8, 8], [2, 2, 1, 1]])))
    >>> np.exp(found.theta[:, 1]).round(6).tolist(), found.converged.tolist()
    ([4.0, 0.5], [True, True])
    """
    theta = model.start() if start is None else start.copy()
    many, d = theta.shape
    fixed = np.zeros(d, dtype=bool) if held is None else held
    every = np.arange(many)
    value, gradient, information = model.at(theta, every)
    converged = np.zeros(many, dtype=bool)
    moving = every[np.isfinite(value)]
    for turn in range(_TURNS):
        if not len(moving):
            break
        slope, curved = np.where(fixed, 0.0, gradient[moving]), information[moving]
        if turn >= likelihood.SLOW and getattr(model, "penalised", False):
            curved = _curvature(model, theta[moving], gradient[moving], moving, curved)
        steepest = np.abs(slope).max(axis=1)
        step = _step(curved, slope, fixed)
        done = (np.sum(step * slope, axis=1) < 1e-14) | (steepest < 1e-9)
        converged[moving[done]] = True
        moving, step, steepest = moving[~done], step[~done], steepest[~done]
        trying = np.arange(len(moving))
        for _ in range(_HALVINGS):
            if not len(trying):
                break
            rows = moving[trying]
            there = theta[rows] + step[trying]
            new = model.at(there, rows)
            better = new[0] >= value[rows] - 1e-12 * np.maximum(1, np.abs(value[rows]))
            theta[rows[better]] = there[better]
            for old, found in zip((value, gradient, information), new, strict=True):
                old[rows[better]] = found[better]
            trying = trying[~better]
            step[trying] /= 2
        converged[moving[trying]] = steepest[trying] < 1e-4
        stays = np.abs(theta[moving]).max(axis=1) <= 4 * likelihood.FAR
        stays[trying] = False
        moving = moving[stays]
    return Maxima(theta, value, information, converged)


def _step(information: np.ndarray, gradient: np.ndarray, held: np.ndarray) -> np.ndarray:
    """Newton step of the parameters that are free, not more than `_FARTHEST_STEP` in any."""
    free = ~held
    curved = np.where(free[:, None] & free[None, :], information, np.diag(held.astype(float)))
    size = np.abs(np.diagonal(curved, axis1=1, axis2=2)).max(axis=1)
    curved = curved + (1e-13 * size + 1e-300)[:, None, None] * np.eye(len(held))
    step = np.linalg.solve(curved, gradient[:, :, None])[:, :, 0]
    return np.asarray(step * np.minimum(1.0, _FARTHEST_STEP / np.maximum(np.abs(step).max(axis=1), 1e-300))[:, None])


def _curvature(
    model: Likelihoods, theta: np.ndarray, gradient: np.ndarray, rows: np.ndarray, otherwise: np.ndarray
) -> np.ndarray:
    """Minus the derivative of the gradient by differences, where that is a maximum's curvature."""
    found = np.empty_like(otherwise)
    for j in range(theta.shape[1]):
        move = np.zeros(theta.shape[1])
        move[j] = 1e-6
        found[:, j] = (gradient - model.at(theta + move, rows)[1]) / 1e-6
    found = (found + np.swapaxes(found, 1, 2)) / 2
    usable = np.isfinite(found).all(axis=(1, 2))
    usable &= np.linalg.eigvalsh(np.where(usable[:, None, None], found, 0.0))[:, 0] > 1e-9
    return np.where(usable[:, None, None], found, otherwise)
