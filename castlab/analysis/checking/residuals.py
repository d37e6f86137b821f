"""What a fit leaves over, casting by casting: residuals, leverage, and the change that leaving one casting out makes.

Every kind of response is put on the scale on which it was fitted (working response and weights) with the batch variance
found there; deleting a casting then needs no new fit (Christensen, Pearson and Johnson, Technometrics 34, 1992, 38-45;
without batches these are Cook's distance, leverage and studentised residuals, Cook and Weisberg 1982). Residuals of
counts, grades and passes are randomised quantile residuals (Dunn and Smyth, JCGS 5, 1996, 236-244), seeded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from castlab.analysis.models import likelihood, linear
from castlab.analysis.models.chosen import Chosen
from castlab.analysis.reading.castings import Castings
from castlab.analysis.reading.coding import Design
from castlab.errors import FitError

SEED = 1996
ALPHAS = 1000
"""Dispersions between which the scatter of all castings is interpolated: the ends of the search are right to 1e-4."""


@dataclass(frozen=True)
class Left:
    """What the fit leaves, one value per casting; `moved` (castings, coefficients) and `error` of the fit without each."""

    expected: np.ndarray
    quantile: np.ndarray
    """Standard normal where the model holds; batches' own deviations are taken off."""
    tail: np.ndarray
    """Chance of a casting at least as far out, both sides, not randomised."""
    plain: np.ndarray
    """Response less what the factors expect, in standard deviations, batches' own deviations left in."""
    leverage: np.ndarray
    cook: np.ndarray
    coef: np.ndarray
    moved: np.ndarray
    error: np.ndarray
    """Standard errors of all coefficients (first row), then without each casting."""
    phi: float
    """Scatter of castings over what the kind of response scatters by itself (a variance for measures)."""
    batch_variance: float
    batch_student: np.ndarray
    """Each batch's mean beyond the settings in its standard errors (empty without batches)."""
    usual_weight: float
    """Mean weight of a casting on the scale of the fit (1 for measures)."""
    df: float


def of(castings: Castings, design: Design, chosen: Chosen) -> Left:
    """Residuals and deletion diagnostics of a fit."""
    X, codes, way = design.X, castings.codes, _way(castings)
    unit = float(np.std(castings.y)) if way == "measure" else 1.0  # of any size: judged in standard deviations
    y, coef = castings.y / unit, np.asarray(chosen.model.coef, dtype=float) / unit
    eta = X @ coef
    with np.errstate(all="ignore"):
        cuts = _cuts(eta - coef[0], y) if way == "grade" else np.zeros(0)
        z, w = _working(way, eta, y, castings.offset, cuts, coef[0])
        phi, tau = _variances(X, z, codes, w)
        r = y - eta if way == "measure" else z - eta
        effect = np.zeros(len(y))
        if codes is not None and tau > 0:
            s, total = np.bincount(codes, w), np.bincount(codes, w * r)
            effect = (tau * total / (phi + tau * s))[codes]
        df = _df(X, codes)
        moved, error, leverage, cook, student, batch_student = _deletion(X, r, w, codes, phi, tau, coef)
        if way == "count":
            alone = np.einsum("ij,ij->i", X, moved) + _effect_of_others(r, w, codes, phi, tau)
            quantile, tail = _of_counts(y, np.exp(np.clip(castings.offset + alone, -20, 20)), df)
        else:
            quantile, tail = _quantiles(way, eta + effect, y, cuts, coef[0], student, df)
    spread = np.sqrt(w / max(phi, 1e-12))
    return Left(
        expected=np.asarray(chosen.mean(unit * eta)), quantile=quantile, tail=tail, plain=r * spread, leverage=leverage, cook=cook,
        coef=unit * coef, moved=unit * moved, error=unit * error, phi=unit**2 * phi, batch_variance=unit**2 * tau, batch_student=batch_student, usual_weight=float(w.mean()), df=df,
    )  # fmt: skip


def _way(castings: Castings) -> str:
    return "pass" if castings.kind == "grade" and len(castings.grades) == 2 else castings.kind


def _cuts(eta: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Thresholds between grades that go with this line."""
    odds = likelihood.ProportionalOdds(eta[:, None], y)
    return likelihood.maximise(odds, fixed={odds.cuts: 1.0}).theta[: odds.cuts]


def _bounds(cuts: np.ndarray, eta: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    ends = np.concatenate([[-np.inf], cuts, [np.inf]])
    at = y.astype(int)
    return special.expit(ends[at] - eta), special.expit(ends[at + 1] - eta)


def _working(
    way: str, eta: np.ndarray, y: np.ndarray, offset: np.ndarray, cuts: np.ndarray, first: float
) -> tuple[np.ndarray, np.ndarray]:
    """Working response and weights on the scale of the line."""
    if way == "measure":
        return y - eta.mean(), np.ones(len(y))
    if way == "count":
        mu = np.exp(np.clip(offset + eta, -20, 20))
        return eta + (y - mu) / mu, mu
    if way == "pass":
        mu = special.expit(eta)
        w = np.maximum(mu * (1 - mu), 1e-6)
        return eta + (y - mu) / w, w
    lower, upper = _bounds(cuts, eta - first, y)
    line = eta - first
    ends = special.expit(np.concatenate([[-np.inf], cuts, [np.inf]])[None, :] - line[:, None])
    w = np.maximum(np.sum(np.diff(ends, axis=1) * (ends[:, 1:] + ends[:, :-1] - 1) ** 2, axis=1), 1e-6)
    return eta + (upper + lower - 1) / w, w


def _variances(X: np.ndarray, z: np.ndarray, codes: np.ndarray | None, w: np.ndarray) -> tuple[float, float]:
    try:
        found = linear.fit(X, z, codes, w)
    except (FitError, np.linalg.LinAlgError):
        return 1.0, 0.0
    return max(float(found.phi), 1e-12), float(found.batch_variance)


def _df(X: np.ndarray, codes: np.ndarray | None) -> float:
    if codes is None:
        return float(len(X) - X.shape[1])
    return float(linear.strata(X, codes).df_within)


def _deletion(
    X: np.ndarray, r: np.ndarray, w: np.ndarray, codes: np.ndarray | None, phi: float, tau: float, coef: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Coefficients and standard errors without each casting, leverage, Cook's distance, studentised residuals of castings
    and of batches."""
    n, p = X.shape
    one = w / phi
    inverse, diagonal = one[:, None] * X, one.copy()
    scaled = one * r
    if codes is not None:
        s = np.bincount(codes, one)
        pull = tau / (1 + tau * s)
        sums = np.zeros((len(s), p))
        np.add.at(sums, codes, inverse)
        inverse = inverse - one[:, None] * (pull[:, None] * sums)[codes]
        scaled = scaled - one * (pull * np.bincount(codes, scaled))[codes]
        diagonal = diagonal - one**2 * pull[codes]
    cov = np.linalg.pinv(X.T @ inverse, hermitian=True)
    shift = inverse @ cov  # (n, p): change of the coefficients per unit of mean shift
    inside = np.maximum(diagonal - np.einsum("ij,ij->i", shift, inverse), 1e-12)
    left = scaled - shift @ (X.T @ scaled)
    of_batches = np.zeros(0)
    if codes is not None:
        drawn = sums / (1 + tau * s)[:, None]
        own = s / (1 + tau * s)
        room = own - np.einsum("ij,jk,ik->i", drawn, cov, drawn)
        safe = room > 1e-6 * own
        of_batches = np.where(safe, np.bincount(codes, left) / np.sqrt(np.where(safe, room, 1.0)), 0.0)
    moved = -shift * (left / inside)[:, None]
    student = left / np.sqrt(inside)
    cook = np.einsum("ij,jk,ik->i", moved, X.T @ inverse, moved) / p
    scale = (r @ scaled - student**2) / max(n - p - 1, 1) / max(r @ scaled / max(n - p, 1), 1e-12)
    variance = np.diag(cov)[None, :] + shift**2 / inside[:, None]
    error = np.sqrt(np.vstack([np.diag(cov), variance * np.maximum(scale, 1e-9)[:, None]]))
    return coef[None, :] + moved, error, 1 - inside / one, cook, student, of_batches


def _effect_of_others(r: np.ndarray, w: np.ndarray, codes: np.ndarray | None, phi: float, tau: float) -> np.ndarray:
    """The deviation of each casting's batch as the other castings of the batch show it."""
    if codes is None or tau <= 0:
        return np.zeros(len(r))
    s, total = np.bincount(codes, w)[codes] - w, np.bincount(codes, w * r)[codes] - w * r
    return tau * total / (phi + tau * np.maximum(s, 0))


def _quantiles(
    way: str, eta: np.ndarray, y: np.ndarray, cuts: np.ndarray, first: float, student: np.ndarray, df: float
) -> tuple[np.ndarray, np.ndarray]:
    """Quantile residuals and the chance of a casting so far out, of measures, passes and grades."""
    if way == "measure":
        if df < 2:
            return student, np.ones(len(y))
        outside = student * np.sqrt((df - 1) / np.maximum(df - student**2, 1e-6))
        log_tail = stats.t.logsf(np.abs(outside), df - 1)
        return np.sign(outside) * stats.norm.isf(np.exp(log_tail)), np.exp(np.log(2) + log_tail)
    if way == "pass":
        mu = special.expit(eta)
        return _randomised(np.where(y > 0, 1 - mu, 0.0), np.where(y > 0, 1.0, 1 - mu))
    return _randomised(*_bounds(cuts, eta - first, y))


def _of_counts(y: np.ndarray, mu: np.ndarray, df: float) -> tuple[np.ndarray, np.ndarray]:
    """As `_quantiles` for counts, negative binomial where the other castings scatter more than Poisson counts would.

    `mu` is what is expected of each casting by the fit to the others.
    """
    square, wanted = (y - mu) ** 2, max(df - 1, 1.0)
    grid = np.concatenate([[0.0], np.geomspace(1e-6, 100, ALPHAS)])
    every = np.array([np.sum(square / (mu + alpha * mu**2)) for alpha in grid])
    low, high = np.zeros(len(y)), np.full(len(y), 100.0)
    for _ in range(40):
        alpha = (low + high) / 2
        more = np.interp(alpha, grid, every) - square / (mu + alpha * mu**2) > wanted
        low, high = np.where(more, alpha, low), np.where(more, high, alpha)
    size = 1 / np.maximum(high, 1e-6)
    chance = size / (size + mu)
    return _randomised(stats.nbinom.cdf(y - 1, size, chance), stats.nbinom.cdf(y, size, chance))


def _randomised(lower: np.ndarray, upper: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A seeded place between P(Y < y) and P(Y <= y) as a normal quantile, and the chance of a casting so far out."""
    drawn = np.random.default_rng(SEED).uniform(size=len(lower))
    u = np.clip(lower + drawn * (upper - lower), 1e-12, 1 - 1e-12)
    return stats.norm.ppf(u), np.minimum(1.0, 2 * np.minimum(upper, 1 - lower))
