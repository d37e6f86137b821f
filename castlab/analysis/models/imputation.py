"""Plausible true responses, given what was recorded of them and the settings and batches of the castings.

A latent linear model with a batch effect stands behind every kind of response: a measure is the latent value itself, a
count is Poisson with its exponential as mean (so that counts may be over-dispersed), grades and pass are the latent value
cut into steps (ordered probit). Its coefficients and variances are drawn along with the true responses by Gibbs and
Metropolis steps (Tanner and Wong, JASA 82, 1987, 528-540; for grades Albert and Chib, JASA 88, 1993, 669-679), so the
draws carry the uncertainty of the model too, as multiple imputation needs (Rubin 1987, chapter 4). The analysis itself
never rests on this model where the response is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import cast

import numpy as np
from scipy import linalg, special

from castlab.analysis.reading.known import Known, MeasureReadings

SETTLE = 400
"""Sweeps before the first draw."""
BETWEEN = 20
"""Sweeps between draws."""
LONG = 1000
"""Castings from which this takes seconds, so that a bar tells how far it is."""
_POINTS = 240
"""Possible true counts looked at per casting; thinned out where there are more."""
_SLOPES = {"count": 2.5, "measure": 10.0, "grade": 1.5, "pass": 1.5}
"""Prior standard deviation of an effect: of counts on the log scale (e to the 2.5 is twelve times as many), of measures in
standard deviations, of grades and pass on the probit scale. Wide, but it keeps effects finite where a setting was never
counted to the end, or where plausible results separate."""


Chain = Iterator[tuple[np.ndarray, np.ndarray]]
"""Sweep after sweep, the true responses and the state of the readings."""


@dataclass
class _Latent:
    """The linear model behind the responses: z = X b + batch + error, with conjugate draws of its parts."""

    X: np.ndarray
    codes: np.ndarray | None
    spread: float | None
    """Error variance where it is fixed (grades, pass), else None."""
    kind: str
    rng: np.random.Generator
    b: np.ndarray = field(init=False)
    error: float = field(init=False)
    batch: float = field(init=False)

    def __post_init__(self) -> None:
        self.p = self.X.shape[1]
        self.b = np.zeros(self.p + (0 if self.codes is None else int(self.codes.max()) + 1))
        self.gram = self.information(np.ones(len(self.X)))
        self.error = self.spread or 0.1
        self.batch = 0.1

    def prior(self) -> np.ndarray:
        """Prior precision of every coefficient: vague for the level, weak for effects."""
        found = np.full(len(self.b), 1 / self.batch)
        level = 1e-4 if self.spread is None else 1 / (2 * _SLOPES[self.kind]) ** 2
        found[0], found[1 : self.p] = level, 1 / _SLOPES[self.kind] ** 2
        return found

    @property
    def line(self) -> np.ndarray:
        return self.along(self.b)

    def along(self, b: np.ndarray) -> np.ndarray:
        """The line that these coefficients and batches make."""
        fixed = self.X @ b[: self.p]
        return fixed if self.codes is None else fixed + b[self.p :][self.codes]

    def sums(self, z: np.ndarray) -> np.ndarray:
        """Sums of these values over castings, weighted by the columns of X, and over each batch."""
        if self.codes is None:
            return self.X.T @ z
        return np.concatenate([self.X.T @ z, np.bincount(self.codes, z)])

    def information(self, weight: np.ndarray) -> np.ndarray:
        """Sums of squares and products of all columns, batches too, with these weights of the castings."""
        found = np.diag(np.concatenate([np.zeros(self.p), self.sums(weight)[self.p :]]))
        found[: self.p] = np.array([self.sums(weight * column) for column in self.X.T])
        found[self.p :, : self.p] = found[: self.p, self.p :].T
        return found

    def sweep(self, z: np.ndarray) -> None:
        """Draw coefficients, then variances, given the latent values."""
        root = linalg.cholesky(self.gram / self.error + np.diag(self.prior()), lower=True, check_finite=False)
        half = linalg.solve_triangular(root, self.sums(z) / self.error, lower=True, check_finite=False)
        noise = self.rng.normal(size=len(half))
        self.b = linalg.solve_triangular(root.T, half + noise, check_finite=False)
        if self.spread is None:
            apart = z - self.line
            self.error = _variance(apart, self.rng)
        if self.codes is not None:
            self.batch = _variance(self.b[self.p :], self.rng)


_USUAL = 0.04
"""Scatter (as a variance, on the scale of one for grades and measures, of a log for counts) that a variance is drawn
toward with the weight of one observation, so that it neither vanishes nor runs off with few castings."""


def _variance(apart: np.ndarray, rng: np.random.Generator) -> float:
    return float((_USUAL + apart @ apart) / rng.chisquare(1 + len(apart)))


def draw(
    X: np.ndarray,
    codes: np.ndarray | None,
    kind: str,
    known: Known,
    *,
    offset: np.ndarray,
    grades: int = 2,
    draws: int = 30,
    seed: int = 0,
) -> tuple[np.ndarray, np.ndarray]:
    """Draws of all true responses.

    Parameters
    ----------
    X : (n, p)
        Design matrix, intercept first.
    codes : (n,) or None
        Batch number of each casting.
    kind : {"count", "measure", "grade", "pass"}
    known : Known
        What was recorded.
    offset : (n,)
        Log of the exposure of counts.
    grades : int
        Number of grades (2 for pass).
    draws, seed : int

    Returns
    -------
    (draws, n), (draws, parameters)
        True responses, and the parameters of the readings that go with them.
    """
    rng = np.random.default_rng(seed)
    if kind == "count":
        chain = _counts(X, codes, known, offset, rng)
    elif kind == "measure":
        chain = _measures(X, codes, known, rng)
    else:
        chain = _steps(X, codes, known, grades, rng)
    from tqdm.auto import tqdm

    truths, states = [], []
    sweeps = range(1, SETTLE + draws * BETWEEN + 1)
    for sweep in tqdm(sweeps, desc="true responses", leave=False, disable=len(X) < LONG):
        truth, state = next(chain)
        if sweep > SETTLE and (sweep - SETTLE) % BETWEEN == 0:
            truths.append(truth.copy())
            states.append(state)
    return np.array(truths), np.array(states)


def _measures(X: np.ndarray, codes: np.ndarray | None, known: Known, rng: np.random.Generator) -> Chain:
    first = known.first()
    middle, unit = float(np.mean(first)), float(np.std(first)) or 1.0
    low, high = (known.low - middle) / unit, (known.high - middle) / unit
    latent = _Latent(X, codes, None, "measure", rng)
    latent.error = 0.5
    truth, hidden = (first - middle) / unit, ~known.exact
    state = np.empty(0) if known.readings is None else known.readings.start()
    while True:
        mean, precision = latent.line, np.full(len(truth), 1 / latent.error)
        if known.readings is not None:
            state = known.readings.renew(state, middle + unit * truth, rng)
            read, sure = cast(MeasureReadings, known.readings).normal(state)
            sure = sure * unit**2
            mean = (mean * precision + sure * (read - middle) / unit) / (precision + sure)
            precision = precision + sure
        drawn = _between(mean, 1 / np.sqrt(precision), low, high, rng)
        truth = np.where(hidden, drawn, truth)
        latent.sweep(truth)
        yield middle + unit * truth, state


def _steps(X: np.ndarray, codes: np.ndarray | None, known: Known, grades: int, rng: np.random.Generator) -> Chain:
    """Grades and pass: the latent value cut at thresholds, the first of them zero."""
    n = len(X)
    latent = _Latent(X, codes, 1.0, "grade", rng)
    truth = np.clip(known.first(), 0, grades - 1).astype(int)
    below = np.cumsum(np.bincount(truth, minlength=grades) + 0.5)[:-1] / (n + 0.5 * grades)
    cuts = special.ndtri(below)
    latent.b[0] = -cuts[0]
    cuts = cuts - cuts[0]
    usual, loose = cuts.copy(), np.array([_SLOPES["grade"]])  # prior of thresholds, or an empty end grade would run off
    support = np.tile(np.arange(grades, dtype=float), (n, 1))
    outside = (support < known.low[:, None]) | (support > known.high[:, None])
    state = np.empty(0) if known.readings is None else known.readings.start()
    while True:
        if known.readings is not None:
            state = known.readings.renew(state, truth.astype(float), rng)
            seen = known.readings.log_density(state, support)
        else:
            seen = np.zeros(support.shape)
        edges = np.concatenate([[-np.inf], cuts, [np.inf]])
        steps = np.diff(special.ndtr(edges[None, :] - latent.line[:, None]), axis=1)
        truth = _pick(np.where(outside, -np.inf, seen + np.log(np.maximum(steps, 1e-300))), rng)
        z = _between(latent.line, np.ones(n), edges[truth], edges[truth + 1], rng)
        for k in range(1, len(cuts)):  # thresholds lie between the latent values that they part
            least = max(np.max(z[truth == k], initial=-np.inf), cuts[k - 1])
            most = min(np.min(z[truth == k + 1], initial=np.inf), cuts[k + 1] if k + 1 < len(cuts) else np.inf)
            cuts[k] = _between(usual[[k]], loose, np.array([least]), np.array([most]), rng)[0]
        latent.sweep(z)
        yield truth.astype(float), state


def _counts(
    X: np.ndarray, codes: np.ndarray | None, known: Known, offset: np.ndarray, rng: np.random.Generator
) -> Chain:
    """Counts: Poisson around the exponential of the latent value."""
    latent = _Latent(X, codes, None, "count", rng)
    truth, hidden = known.first().astype(float), np.flatnonzero(~known.exact)
    z = np.log(truth + 0.5) - offset
    latent.b[0] = z.mean()
    latent.error = latent.batch = max(float(np.var(z)) / 2, 0.05)
    support, weights = _possible(known, hidden)
    part = None if known.readings is None else known.readings.take(~known.exact)
    state = np.empty(0) if part is None else part.start()
    base = weights + support * offset[hidden, None] - special.gammaln(support + 1)
    table, last, sweep = base, np.full(1, np.nan), 0
    while True:
        if part is not None:
            state = part.renew(state, truth[hidden], rng)
            if state is not last:
                table, last = base + part.log_density(state, support), state
        at = _pick(table + support * z[hidden, None], rng)
        truth[hidden] = support[np.arange(len(hidden)), at]
        latent.sweep(z)
        line = latent.line
        for _ in range(3):
            step = rng.normal(size=len(z)) * 2.0 / np.sqrt(truth + 0.5 + 1 / latent.error)
            moved = z + step
            gain = truth * step - np.exp(np.minimum(moved + offset, 50)) + np.exp(z + offset)
            gain -= ((moved - line) ** 2 - (z - line) ** 2) / (2 * latent.error)
            z = np.where(np.log(rng.random(len(z))) < gain, moved, z)
        # Coefficients and latent values move together, or a small scatter would hold both in place
        if sweep <= SETTLE and sweep % 100 == 0:
            information = latent.information(truth + 0.5) + np.diag(latent.prior())
            jump = linalg.inv(linalg.cholesky(information, lower=True)).T * (2.0 / np.sqrt(len(information)))
        change = jump @ rng.normal(size=len(latent.b))
        moved = z + latent.along(change)
        gain = float(truth @ (moved - z) - np.sum(np.exp(np.minimum(moved + offset, 50)) - np.exp(z + offset)))
        prior = latent.prior()
        gain -= float(np.sum(prior * ((latent.b + change) ** 2 - latent.b**2))) / 2
        if np.log(rng.random()) < gain:
            z, latent.b = moved, latent.b + change
        sweep += 1
        yield truth, state


def _possible(known: Known, hidden: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(hidden, k) possible true counts and the log of how many counts each stands for."""
    first, low, high = known.first()[hidden], known.low[hidden], known.high[hidden]
    least = np.maximum(np.ceil(low), 0)
    if known.readings is None:
        most = np.where(np.isfinite(high), np.floor(high), 12 * first + 60)
    else:
        least = np.maximum(least, np.floor(np.maximum(np.sqrt(first) - 5, 0) ** 2 / 4))
        most = np.minimum(high, np.ceil(2 * (np.sqrt(first) + 5) ** 2))
    span = np.max(most - least) + 1
    if span <= _POINTS:
        steps = np.arange(span)
    elif known.readings is None:  # the likely ones lie just beyond the limit
        near = np.arange(_POINTS // 2)
        steps = np.unique(np.round(np.concatenate([near, np.geomspace(_POINTS // 2, span, _POINTS // 2)])))
    else:
        steps = np.unique(np.round(np.linspace(0, span, _POINTS)))
    support = least[:, None] + steps
    gaps = np.gradient(steps) if len(steps) > 1 else np.ones(1)
    return support, np.where(support > most[:, None], -np.inf, np.log(gaps))


def _pick(log_chance: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One column per row, with these log chances (unscaled)."""
    chance = np.exp(log_chance - log_chance.max(axis=1, keepdims=True))
    total = np.cumsum(chance, axis=1)
    wanted = rng.random(len(total)) * total[:, -1]
    return np.minimum((total < wanted[:, None]).sum(axis=1), total.shape[1] - 1)


def _between(
    mean: np.ndarray, sd: np.ndarray, low: np.ndarray, high: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Normal draws between limits, by the inverse distribution on the side where it keeps its digits."""
    a, b = (low - mean) / sd, (high - mean) / sd
    flip = a > 0
    a, b = np.where(flip, -b, a), np.where(flip, -a, b)
    lower, upper = special.ndtr(a), special.ndtr(b)
    at = special.ndtri(np.clip(lower + rng.random(len(mean)) * (upper - lower), 1e-300, 1 - 1e-16))
    at = np.clip(at, a, b)
    return mean + sd * np.where(flip, -at, at)
