"""Counts, passes and grades as responses of a linear model: working responses and weights on the link scale, for many
responses at once, with some coefficients held at given values.

Passes and grades use the efficient score of the logistic and the proportional odds model (McCullagh, JRSS B 42, 1980,
109-142), counts without batches that of the Poisson model with its scatter estimated (quasi-likelihood; Wedderburn,
Biometrika 61, 1974, 439-447). Counts in batches use log(y + 1) instead of y: what a batch does multiplies the counts of all
its castings, so it is the logarithm that scatters evenly between batches (Anscombe, Biometrika 35, 1948, 246-254). It is set
against what it would be on average if counts were Poisson about log means that scatter as these castings' do (normally, with
the variance that the scatter of log(y + 1) shows; `scatter`), which keeps ratios right where counts are few and where batches
differ much. The logarithm alone does not: set against Poisson counts without more scatter, ratios of 4 come out as 3.5 where
means are 1 to 3 and batches differ by a standard deviation of 1.

A test of one effect holds it at the value tested while the others are fitted: then neither weights nor working responses
lean towards the effect that the data happen to show, which is what makes the usual tests of a fitted quasi-likelihood too
bold or too shy in small samples (the score test; Breslow, JASA 85, 1990, 565-571).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special, stats

ONE = 1.0
"""Added to counts before their logarithm is taken. Less gives zeros more say than they deserve and costs power (with 1/2,
0.92 instead of 0.95 of what one who knows the model reaches); more leans towards the counts themselves."""
RIDGE = 1e-4
"""Precision that slopes are given before the data, so that fits stay finite where a setting has one outcome only."""
WEAK = 0.25
"""The same for the other effects where one effect of grades is tested: as if they came from a normal distribution with
standard deviation 2 on the log odds scale. With a dozen castings the others' fitted effects are else too large by half, and
scatter seems less than it is."""
FINITE = 1 / 16
"""The same for the estimates of grades whose likelihood has no maximum: a standard deviation of 4, which leaves estimates
about where Firth's bias reduction leaves those of passes (8 to 60 castings in two groups that separate: 4.4 to 8.2)."""
_LEAST_LINE, _MOST_LINE, _POINTS = -9.0, 12.0, 1051
"""Log means of the table of log(y + 1); for larger ones it is the log mean itself to 3e-5."""
_MOST_APART, _APARTS = 2.0, 101
"""Standard deviations of log means in the table, to which those of castings are rounded; more than the largest, some seven
times more or less, is not told from few castings."""
_NODES, _SHARES = np.polynomial.hermite_e.hermegauss(5)
_REFINED = 4
_ITERATIONS = 200
_CLOSE = 1e-8
_SCORING = 6
"""Steps of grades on the expected information, which goes safely from afar; then on that seen, which ends sooner."""


@dataclass(frozen=True)
class Working:
    """Per response (R) and casting (n): the line without offset, what is left of the working response, its weights, and
    how far apart neighbouring outcomes lie in left times weight, squared: 1 for passes and counts, less for grades."""

    line: np.ndarray
    left: np.ndarray
    weight: np.ndarray
    grain: np.ndarray
    coef: np.ndarray
    converged: np.ndarray


def respond(
    kind: str, X: np.ndarray, Y: np.ndarray, offset: np.ndarray, held: np.ndarray, values: np.ndarray,
    precision: float = RIDGE, apart: np.ndarray | None = None,
) -> Working:  # fmt: skip
    """Fit the coefficients that are not held, castings taken as independent, and return the working responses.

    Parameters
    ----------
    kind : "count", "log count", "pass" or "grade"
    X : (n, p) design matrix, intercept first
    Y : (R, n) counts, 0 or 1, or grades 0, 1, ... without gaps in each row
    offset : (n,) log exposure of counts, else zeros
    held : (R, p) bool, which coefficients are held
    values : (R, p) at which values
    precision : that slopes are given before the data
    apart : (R,) standard deviation of the log means of castings about their line, for log counts; 0 by default
    """
    if kind == "grade":
        found = np.empty((4, *Y.shape))  # line, left, weight, grain
        coef, converged = np.zeros(held.shape), np.zeros(len(Y), dtype=bool)
        top = Y.max(axis=1).astype(int)
        for most in np.unique(top):
            rows = top == most
            part = _grades(X, Y[rows], held[rows], values[rows], int(most), precision)
            found[:, rows] = part.line, part.left, part.weight, part.grain
            coef[rows], converged[rows] = part.coef, part.converged
        return Working(found[0], found[1], found[2], found[3], coef, converged)
    if kind in ("count", "log count"):
        start = np.log((Y.sum(axis=1) + 0.5) / np.exp(offset).sum())
        if kind == "count":
            return _one_line(X, (Y,), offset, held, values, start, _counts)
        apart = np.zeros(len(Y)) if apart is None else apart
        return _one_line(X, (np.log(Y + ONE), apart), offset, held, values, start, _log_counts)
    share = (Y.sum(axis=1) + 0.5) / (Y.shape[1] + 1)
    return _one_line(X, (Y,), offset, held, values, special.logit(share), _passes, precision)


def weakly(X: np.ndarray, Y: np.ndarray) -> np.ndarray:
    """Coefficients (S, p) of grades (S, n) kept finite where the likelihood has no maximum; nan where the search did not end."""
    none = np.zeros((len(Y), X.shape[1]))
    found = respond("grade", X, Y, np.zeros(len(X)), none > 0, none, FINITE)
    return np.where(found.converged[:, None], found.coef, np.nan)


Pieces = Callable[..., tuple[np.ndarray, np.ndarray]]
"""From the line (R, n) and what is known of these responses: left and weight."""


def _counts(line: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Working residual and weight of counts at this log mean."""
    mean = np.exp(np.clip(line, -20, 50))
    return (y - mean) / mean, mean


def _passes(line: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Working residual and weight of passes at this logit."""
    mean = special.expit(line)
    weight = np.maximum(mean * (1 - mean), 1e-9)
    return (y - mean) / weight, weight


def _log_counts(line: np.ndarray, seen: np.ndarray, apart: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Working residual and weight of log(y + 1) where log means lie about the line with standard deviations `apart` (R,)."""
    mean, slope = _looked_up(line, apart, 0, 1)
    return (seen - mean) / slope, slope**2


def scatter(line: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """How much log means scatter about these lines (R, n), if log(y + 1) of a casting has this variance (R,), on average:
    (R,) standard deviations, 0 where Poisson counts alone would vary as much."""

    def shown(apart: np.ndarray) -> np.ndarray:
        return np.asarray(_looked_up(line, apart, 2)[0].mean(axis=1))

    luck = shown(np.zeros(len(line)))
    wanted = np.maximum(variance - luck, 0.0)
    apart = np.sqrt(wanted)
    for _ in range(_REFINED):
        apart = np.minimum(apart * np.sqrt(wanted / np.maximum(shown(apart) - luck, 1e-12)), _MOST_APART)
    return apart


def _looked_up(line: np.ndarray, apart: np.ndarray, *rows: int) -> list[np.ndarray]:
    """These rows of `_table` at log means that lie `apart` (R,) about the line (R, n)."""
    place = (np.clip(line, _LEAST_LINE, _MOST_LINE) - _LEAST_LINE) * ((_POINTS - 1) / (_MOST_LINE - _LEAST_LINE))
    left = np.minimum(place.astype(int), _POINTS - 2)
    part = place - left
    left += np.rint(np.minimum(apart, _MOST_APART) * ((_APARTS - 1) / _MOST_APART)).astype(int)[:, None] * _POINTS
    found = []
    for row in rows:
        table = _table()[row]
        low = table.take(left)
        found.append(low + part * (table.take(left + 1) - low))
        if row == 0 and line.max() > _MOST_LINE:  # without a step at the end, across which a search would never settle
            found[-1] += np.maximum(line - _MOST_LINE, 0.0)
    return found


@cache
def _table() -> np.ndarray:
    """Mean of log(Y + 1), its slope along the line, and its variance, Y Poisson about log means that lie normally about a
    line: (3, standard deviations times lines)."""
    lines = np.linspace(_LEAST_LINE, _MOST_LINE, _POINTS)
    alone = np.stack([lines + np.exp(-lines) / 2, 1 - np.exp(-lines) / 2, np.exp(-lines)])  # its series, to 1e-6
    for i, mu in enumerate(np.exp(lines[lines < 7])):
        counts = np.arange(int(mu + 10 * np.sqrt(mu) + 25))
        chance = stats.poisson.pmf(counts, mu)
        logs = np.log(counts + ONE)
        mean = chance @ logs
        alone[:, i] = mean, chance @ ((counts - mu) * logs), chance @ (logs - mean) ** 2
    found = np.zeros((3, _APARTS, _POINTS))
    for node, share in zip(_NODES, _SHARES / _SHARES.sum(), strict=True):
        at = lines + node * np.linspace(0, _MOST_APART, _APARTS)[:, None]
        mean, slope, variance = (np.interp(at, lines, row) for row in alone)
        mean, slope = np.where(at > _MOST_LINE, at, mean), np.maximum(slope, 1e-4)
        found += share * np.stack([mean, slope, variance + mean**2])
    found[2] -= found[0] ** 2
    return found.reshape(3, -1)


def _one_line(
    X: np.ndarray, seen: tuple[np.ndarray, ...], offset: np.ndarray, held: np.ndarray, values: np.ndarray,
    start: np.ndarray, pieces: Pieces, precision: float = RIDGE,
) -> Working:  # fmt: skip
    """Iterated weighted least squares of one line; the responses still moving are taken on. `seen`: what `pieces` needs of
    each response, (R, ...)."""
    coef = np.where(held, values, 0.0)
    coef[:, 0] = np.where(held[:, 0], coef[:, 0], start - coef[:, 1:] @ X[:, 1:].mean(axis=0))
    converged = np.zeros(len(coef), dtype=bool)
    moving = np.arange(len(coef))
    prior = np.diag([1e-9, *np.full(X.shape[1] - 1, precision)])
    for _ in range(_ITERATIONS):
        fix, now = held[moving], coef[moving]
        left, weight = pieces(offset + now @ X.T, *(part[moving] for part in seen))
        step = _step(crossed(X, weight) + prior, (weight * left) @ X - now @ prior, fix)
        coef[moving] = now + step
        done = np.abs(step).max(axis=1) < _CLOSE
        converged[moving[done]] = True
        moving = moving[~done]
        if not len(moving):
            break
    line = coef @ X.T
    left, weight = pieces(offset + line, *seen)
    return Working(line, left, weight, np.ones_like(line), coef, converged)


def crossed(X: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """X'WX for each row of weights."""
    n, p = X.shape
    return (weight @ (X[:, :, None] * X[:, None, :]).reshape(n, p * p)).reshape(len(weight), p, p)


def _step(information: np.ndarray, gradient: np.ndarray, held: np.ndarray) -> np.ndarray:
    """Newton step of the coefficients that are free, not more than 1.5 in any."""
    free = ~held
    information = np.where(free[:, :, None] & free[:, None, :], information, np.eye(held.shape[1]) * held[:, None, :])
    step = np.linalg.solve(information, np.where(free, gradient, 0.0)[:, :, None])[:, :, 0]
    return step * np.minimum(1.0, 1.5 / np.maximum(np.abs(step).max(axis=1), 1e-300))[:, None]


def logistic_ratio(
    X: np.ndarray, Y: np.ndarray, held: np.ndarray, values: np.ndarray, penalised: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Log likelihood of logistic regression with coefficients `held` at `values` (R, p), and the coefficients; with the
    penalty of Firth (Biometrika 80, 1993, 27-38) in the rows that are `penalised`, as `castlab.analysis.models.likelihood` has it
    for one response."""
    share = (Y.sum(axis=1) + 0.5) / (Y.shape[1] + 1)
    coef = np.where(held, values, 0.0)
    coef[:, 0] = np.where(held[:, 0], coef[:, 0], special.logit(share) - coef[:, 1:] @ X[:, 1:].mean(axis=0))
    moving = np.arange(len(Y))
    for _ in range(_ITERATIONS):
        mean, information, leverage = _logistic(X, coef[moving], penalised[moving])
        gradient = (Y[moving] - mean + leverage * (0.5 - mean)) @ X
        step = _step(information, gradient, held[moving])
        coef[moving] += step
        moving = moving[np.abs(step).max(axis=1) > 1e-8]
        if not len(moving):
            break
    _, information, _ = _logistic(X, coef, penalised)
    line = coef @ X.T
    value = np.sum(Y * line - np.logaddexp(0, line), axis=1)
    value += np.where(penalised, 0.5 * np.linalg.slogdet(information)[1], 0.0)
    value[moving] = np.nan
    return value, coef


def _logistic(X: np.ndarray, coef: np.ndarray, penalised: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    mean = special.expit(coef @ X.T)
    weight = mean * (1 - mean)
    information = crossed(X, weight) + 1e-12 * np.eye(X.shape[1])
    leverage = weight * np.sum((X @ np.linalg.inv(information)) * X, axis=2)
    return mean, information, np.where(penalised[:, None], leverage, 0.0)


def _grades(X: np.ndarray, Y: np.ndarray, held: np.ndarray, values: np.ndarray, most: int, precision: float) -> Working:
    """Proportional odds with `most` thresholds by Fisher scoring; the intercept is taken up by the thresholds."""
    many = len(Y)
    y = Y.astype(int)
    slopes, p = X[:, 1:], X.shape[1] - 1
    below = np.stack([np.less_equal(Y, j).mean(axis=1) for j in range(most)], axis=1)
    theta = np.concatenate([special.logit(below), np.where(held, values, 0.0)[:, 1:]], axis=1)
    theta[:, :most] += (theta[:, most:] @ slopes.mean(axis=0))[:, None]
    fixed = np.concatenate([np.zeros((many, most), dtype=bool), held[:, 1:]], axis=1)
    prior = np.diag([*np.full(most, 1e-9), *np.full(p, precision)])
    converged, moving = np.zeros(many, dtype=bool), np.arange(many)
    for turn in range(_ITERATIONS):
        now = theta[moving]
        gradient, information = score(slopes, y[moving], now, most, seen=turn >= _SCORING)
        step = _step(information + prior, gradient - now @ prior, fixed[moving])
        gaps = np.diff(now[:, :most], axis=1)
        if gaps.size:  # thresholds keep their order: no gap shrinks by more than half a step
            shrinking = np.diff(step[:, :most], axis=1) / gaps
            step *= np.minimum(1.0, 0.7 / np.maximum(-shrinking.min(axis=1), 1e-300))[:, None]
        theta[moving] = now + step
        done = np.abs(step).max(axis=1) < _CLOSE
        converged[moving[done]] = True
        moving = moving[~done]
        if not len(moving):
            break
    line = theta[:, most:] @ slopes.T
    cumulated, steep, chance = cells(line, theta[:, :most])
    upper = np.take_along_axis(cumulated, y[:, :, None] + 1, 2)[:, :, 0]
    lower = np.take_along_axis(cumulated, y[:, :, None], 2)[:, :, 0]
    weight = np.maximum(np.sum(chance * (cumulated[:, :, 1:] + cumulated[:, :, :-1] - 1) ** 2, axis=2), 1e-9)
    cut = steep[:, :, 1:-1]  # how often a casting lies at each border between grades
    grain = np.sum(cut * (chance[:, :, 1:] + chance[:, :, :-1]) ** 2, axis=2) / np.sum(cut, axis=2)
    coef = np.concatenate([np.zeros((many, 1)), theta[:, most:]], axis=1)
    return Working(line, (upper + lower - 1) / weight, weight, grain, coef, converged)


def cells(line: np.ndarray, cuts: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """P(Y <= j) with 0 and 1 at the ends, their slopes, and the chance of each grade: (R, n, grades + 1 or grades)."""
    inner = special.expit(cuts[:, None, :] - line[:, :, None])
    end = np.zeros((*line.shape, 1))
    cumulated = np.concatenate([end, inner, end + 1], axis=2)
    return cumulated, cumulated * (1 - cumulated), np.maximum(np.diff(cumulated, axis=2), 1e-12)


def score(slopes: np.ndarray, y: np.ndarray, theta: np.ndarray, most: int, seen: bool) -> tuple[np.ndarray, np.ndarray]:
    """Gradient of thresholds and slopes, and their information: as `seen`, or expected."""
    cumulated, steep, chance = cells(theta[:, most:] @ slopes.T, theta[:, :most])
    many, p = len(theta), slopes.shape[1]
    lean = np.diff(steep, axis=2) / chance  # minus the slope of the log chance of each grade along the line
    mine = np.equal(y[:, :, None], np.arange(most + 1))
    own, cut = mine / chance, steep[:, :, 1:-1]
    gradient = np.empty((many, most + p))
    gradient[:, :most] = np.sum(cut * (own[:, :, :-1] - own[:, :, 1:]), axis=1)
    gradient[:, most:] = -np.sum(mine * lean, axis=2) @ slopes
    if seen:
        bend = cut * (1 - 2 * cumulated[:, :, 1:-1])
        upper, lower = own[:, :, :-1], own[:, :, 1:]
        diagonal = cut**2 * (upper**2 + lower**2) - bend * (upper - lower)
        beside = -cut[:, :, :-1] * cut[:, :, 1:] * own[:, :, 1:-1] ** 2
        mixed = -cut * (mine[:, :, :-1] | mine[:, :, 1:])
        weight = np.sum(mine * (steep[:, :, 1:] + steep[:, :, :-1]), axis=2)
    else:
        diagonal = cut**2 * (1 / chance[:, :, :-1] + 1 / chance[:, :, 1:])
        beside = -cut[:, :, :-1] * cut[:, :, 1:] / chance[:, :, 1:-1]
        mixed = cut * np.diff(lean, axis=2)
        weight = np.sum(lean**2 * chance, axis=2)
    information = np.zeros((many, most + p, most + p))
    at = np.arange(most)
    information[:, at, at] = diagonal.sum(axis=1)
    information[:, at[:-1], at[1:]] = information[:, at[1:], at[:-1]] = beside.sum(axis=1)
    cross = np.swapaxes(mixed, 1, 2) @ slopes
    information[:, :most, most:], information[:, most:, :most] = cross, np.swapaxes(cross, 1, 2)
    information[:, most:, most:] = crossed(slopes, weight)
    return gradient, information
