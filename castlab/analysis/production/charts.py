"""Control charts: for each point what is usual, the limits, and how far out it is as a normal score. Words are elsewhere.

Two ways to set limits. "three sigma" is the textbook's: the centre plus and minus three standard deviations taken as
known. "probability" leaves 0.00135 on each side, as three sigma does for a normal distribution, of the distribution that
a new point has when centre and spread are known only from the few points of the baseline. A point of the baseline is
judged by its distribution given the baseline's total, its spread taken as known: it had a part in setting it. Scores of such distributions are the Q statistics of Quesenberry,
Journal of Quality Technology 23 (1991) 213-224.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import special, stats

from castlab.errors import FitError, InputError

TAIL = 0.00135
"""Chance beyond each limit: that of a normal distribution beyond three standard deviations."""
D2 = 2 / np.sqrt(np.pi)
"""Mean of the range of two normal values, in standard deviations (1.128)."""
METHODS = ("probability", "three sigma")

Draw = Callable[[np.random.Generator, int], tuple[np.ndarray, np.ndarray]]


@dataclass(frozen=True)
class Chart:
    """One value per point in each array. `chance`: of a point at least so far out, both sides."""

    value: np.ndarray
    centre: np.ndarray
    low: np.ndarray
    high: np.ndarray
    score: np.ndarray
    chance: np.ndarray
    draw: Draw
    """(generator, charts) -> scores and beyond of so many steady charts with these limits."""
    dispersion: float = 1.0
    """Scatter of the baseline's points over what the Poisson or binomial distribution gives, as a ratio of standard
    deviations (counts and shares); Laney, Quality Engineering 14 (2002) 531-537, calls it sigma z."""

    @property
    def beyond(self) -> np.ndarray:
        """+1 above, -1 below, 0 inside the limits."""
        return beyond(self.value, self.low, self.high)


def beyond(value: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """+1 where the value lies above its limits, -1 below, 0 inside; arrays that broadcast. Rounding alone is no alarm."""
    slack = 1e-9 * (1 + np.abs(value))
    return (value > high + slack).astype(int) - (value < low - slack).astype(int)


def check_method(method: str) -> None:
    """Raises `InputError` for a method that is not known."""
    if method not in METHODS:
        raise InputError(f"method is {method!r}; accepted: {', '.join(METHODS)}")


def moving_sigma(values: np.ndarray) -> float:
    """Standard deviation from the mean moving range of neighbours, so that a shift does not hide itself."""
    return float(np.abs(np.diff(values)).mean() / D2)


def moving_df(points: int) -> float:
    """Degrees of freedom of `moving_sigma`: those of a chi distribution with the same relative variance."""
    k = points - 1
    share = 2 * np.pi / 4 - 1  # variance of one moving range over its squared mean
    beside = np.sqrt(3) / 2 + np.pi / 12 - 1  # covariance of neighbouring ones
    return float(k**2 / (2 * (share * k + 2 * beside * (k - 1))))


def scatter(values: np.ndarray, inside: np.ndarray, method: str) -> tuple[float, float]:
    """Standard deviation that the baseline shows and its degrees of freedom.

    From moving ranges where the baseline is all there is, since it may hold the change looked for; the ordinary one,
    which is surer, where a baseline was chosen as steady and new points follow it.
    """
    if inside.all() or method == "three sigma":
        return moving_sigma(values[inside]), moving_df(int(inside.sum()))
    return float(values[inside].std(ddof=1)), inside.sum() - 1.0


def counts(count: np.ndarray, exposure: np.ndarray, baseline: np.ndarray, method: str) -> Chart:
    """Counts, or rates where exposures differ; over-dispersed ones get wider limits ("probability" only).

    "three sigma": the c and u charts. "probability": Poisson given the baseline's total, or negative binomial with the
    dispersion that the points of the baseline show.
    """
    total, size = count[baseline].sum(), exposure[baseline].sum()
    if total == 0 and method == "three sigma":
        raise FitError(
            "the baseline holds no counts above 0, so three-sigma limits are all 0; use method='probability'"
        )
    mean = total / size * exposure
    sigma, df = scatter((count - mean) / np.sqrt(np.maximum(mean, 1e-9)), baseline, method) if total else (1.0, np.inf)
    if method == "three sigma":
        return _normal(count / exposure, mean / exposure, np.sqrt(mean) / exposure, sigma, least=0.0)
    excess = max(1.0, sigma) ** 2
    # a new point: mean known from total + 1/2 events (gamma with Jeffreys prior); a baseline point: part of a known total
    level = np.where(baseline, mean, (total + 0.5) / size * exposure)
    ratio = np.where(baseline, excess, excess * (1 + exposure / size))
    if excess == 1 and total:
        share = exposure / size
        inside = stats.binom(int(total), np.where(baseline, share, 0.5))
        outside = _negative_binomial(level, np.where(baseline, 2.0, ratio))
        chart = _discrete(count, exposure, mean, _Either(baseline, inside, outside))
    else:
        law = _negative_binomial(np.maximum(level, 1e-9), np.maximum(ratio, 1 + 1e-9))
        chart = _discrete(count, exposure, mean, law, np.where(baseline | (excess == 1), np.inf, df))
    return replace(chart, dispersion=sigma)


def shares(failed: np.ndarray, made: np.ndarray, baseline: np.ndarray, method: str) -> Chart:
    """Share of castings that failed, batch by batch.

    "three sigma": the p chart. "probability": hypergeometric within the baseline, beta-binomial after it, or
    beta-binomial throughout with the dispersion that the batches of the baseline show.
    """
    bad, size = int(failed[baseline].sum()), int(made[baseline].sum())
    p = bad / size
    if method == "three sigma" and p in (0.0, 1.0):
        raise FitError(
            f"{bad} of {size} castings of the baseline failed, so three-sigma limits have no width; use method='probability'"
        )
    sigma, df = 1.0, np.inf
    if 0 < p < 1:
        sigma, df = scatter((failed - p * made) / np.sqrt(made * p * (1 - p)), baseline, method)
    if method == "three sigma":
        return _normal(failed / made, np.full(len(made), p), np.sqrt(p * (1 - p) / made), sigma, least=0.0, most=1.0)
    alike = 0.0
    if sigma > 1 and made[baseline].mean() > 1:
        alike = min(0.9, (sigma**2 - 1) / (made[baseline].mean() - 1))
    a, b = bad + 0.5, size - bad + 0.5
    new = 1 / (1 + a + b)
    rho = np.where(baseline, alike, alike + (1 - alike) * new)
    level = np.where(baseline, np.clip(p, 0.5 / size, 1 - 0.5 / size), a / (a + b))
    spread = np.maximum(rho, 1e-6)
    outside = stats.betabinom(made.astype(int), level * (1 - spread) / spread, (1 - level) * (1 - spread) / spread)
    law: _Law = outside
    if alike == 0:
        inside = stats.hypergeom(size, bad, np.where(baseline, made, 0).astype(int))
        law = _Either(baseline, inside, outside)
    chart = _discrete(failed, made, p * made, law, np.where(baseline | (alike == 0), np.inf, df))
    return replace(chart, dispersion=sigma)


def measures(
    value: np.ndarray, scale: np.ndarray, baseline: np.ndarray, method: str, sigma: np.ndarray, df: float
) -> Chart:
    """Single values or batch means, with the standard deviation of each and its degrees of freedom.

    "three sigma": the centre plus and minus three of them. "probability": prediction limits by Student's t.
    `scale` weighs the points for the centre.
    """
    weights = scale[baseline] / scale[baseline].sum()
    centre = np.full(len(value), float(weights @ value[baseline]))
    if method == "three sigma":
        return _normal(value, centre, sigma, 1.0)
    of_centre = float(np.sqrt(weights**2 @ sigma[baseline] ** 2))
    own = np.zeros(len(value))
    own[baseline] = weights
    spread = np.sqrt(np.maximum(np.where(baseline, sigma**2 * (1 - 2 * own), sigma**2) + of_centre**2, 1e-300))
    t = (value - centre) / spread
    law = stats.t(np.where(baseline, np.inf, df))
    wide = law.isf(TAIL) * spread

    def draw(rng: np.random.Generator, charts: int) -> tuple[np.ndarray, np.ndarray]:
        scores = rng.standard_normal((charts, len(value)))
        return scores, _outside(scores)

    tail = law.sf(np.abs(t))
    return Chart(value, centre, centre - wide, centre + wide, -np.sign(t) * stats.norm.ppf(tail), 2 * tail, draw)


def gaps(gap: np.ndarray, events: int, size: float, still_open: np.ndarray, whole: bool, method: str) -> Chart:
    """Castings (or exposure) from one failure to the next: geometric, or exponential when `whole` is False.

    `events` failures in a baseline of `size`. "three sigma": 0.00135 limits with the rate taken as known;
    "probability": with the rate known from so few failures. An open gap only counts once it is above its limit.
    """
    a, b = events + 0.5, size - events + 0.5

    def above(t: np.ndarray) -> np.ndarray:
        """Chance that a gap is longer than t."""
        if method == "three sigma":
            return (1 - events / size) ** t if whole else np.exp(-events * t / size)
        return np.exp(special.betaln(a, b + t) - special.betaln(a, b)) if whole else (size / (size + t)) ** a

    if whole:
        chances = above(np.arange(400 * int(np.ceil(size / events)) + 2))
        low, high = float((chances >= 1 - TAIL).sum()), float((chances > TAIL).sum())
        upper, lower = above(gap - 1), 1 - above(gap)
        middle = (above(gap - 1) + above(gap)) / 2
    else:
        ends = np.array([1 - TAIL, TAIL])
        far = -np.log(ends) / events if method == "three sigma" else ends ** (-1 / a) - 1
        low, high = (float(v) for v in size * far)
        upper, lower = above(gap), 1 - above(gap)
        middle = upper
    centre, n = size / events, len(gap)
    score = np.where(still_open, np.nan, _on_its_side(stats.norm.isf(np.clip(middle, 1e-15, 1 - 1e-15)), gap, centre))

    def draw(rng: np.random.Generator, charts: int) -> tuple[np.ndarray, np.ndarray]:
        drawn = rng.geometric(events / size, (charts, n)) if whole else rng.exponential(size / events, (charts, n))
        shown = stats.norm.isf(
            np.clip((above(drawn - 1) + above(drawn)) / 2 if whole else above(drawn), 1e-15, 1 - 1e-15)
        )
        return _on_its_side(shown, drawn, centre), beyond(drawn, np.full(n, low), np.full(n, high))

    lows = np.where(still_open, 0.0, low)
    chance = np.where(still_open, upper, np.minimum(1, 2 * np.minimum(upper, lower)))
    return Chart(gap, np.full(n, centre), lows, np.full(n, high), score, chance, draw)


def _on_its_side(score: np.ndarray, value: np.ndarray, centre: np.ndarray | float) -> np.ndarray:
    """The score where the value lies on the side of the usual that it says, else 0: the usual itself is on neither side, nor
    is what lies between it and the middle of a skew distribution."""
    return np.where(np.isclose(value, centre) | ((value - centre) * score < 0), 0.0, score)


_Law = Any
"""A frozen scipy distribution, or two of them."""


@dataclass(frozen=True)
class _Either:
    """One distribution for the points of the baseline, another for the rest."""

    baseline: np.ndarray
    inside: _Law
    outside: _Law

    def __getattr__(self, name: str) -> Callable[..., np.ndarray]:
        def both(*args: object, **kwargs: object) -> np.ndarray:
            return np.where(
                self.baseline, getattr(self.inside, name)(*args, **kwargs), getattr(self.outside, name)(*args, **kwargs)
            )

        return both


def _negative_binomial(mean: np.ndarray, ratio: np.ndarray) -> _Law:
    """Negative binomial with this mean and ratio of variance to mean (above 1)."""
    return stats.nbinom(mean / (ratio - 1), 1 / ratio)


def _discrete(
    count: np.ndarray, size: np.ndarray, mean: np.ndarray, law: _Law, df: np.ndarray | float = np.inf
) -> Chart:
    """Chart of whole numbers over their size, from their distribution; scores are of the middle of each step.

    Where the dispersion was estimated, with `df` degrees of freedom, a score is referred to Student's t, so that limits
    lie as far out as they do for measures.
    """
    tail = stats.norm.sf(stats.t.isf(TAIL, df))
    at_most, less = law.cdf(count), law.cdf(count - 1)

    def score(value: np.ndarray, below: np.ndarray, up_to: np.ndarray) -> np.ndarray:
        found = stats.norm.ppf(np.clip((below + up_to) / 2, 1e-15, 1 - 1e-15))
        # what comes more often than not is on neither side: rows of it are no news
        return np.where(up_to - below > 0.5, 0.0, _on_its_side(found, value, mean))

    def draw(rng: np.random.Generator, charts: int) -> tuple[np.ndarray, np.ndarray]:
        drawn = law.rvs(size=(charts, len(count)), random_state=rng)
        scores = score(drawn, law.cdf(drawn - 1), law.cdf(drawn))
        return scores, beyond(drawn, law.ppf(TAIL), law.ppf(1 - TAIL))

    plain = score(count, less, at_most)
    scores = np.sign(plain) * stats.norm.isf(stats.t.sf(np.abs(plain), df))
    one_side = stats.norm.isf(np.clip(np.minimum(at_most, 1 - less), 1e-300, 0.5))
    chance = np.minimum(1, 2 * stats.t.sf(one_side, df))
    return Chart(count / size, mean / size, law.ppf(tail) / size, law.isf(tail) / size, scores, chance, draw)


def _normal(
    value: np.ndarray, centre: np.ndarray, sigma: np.ndarray, dispersion: float, least: float = -np.inf, most: float = np.inf
) -> Chart:  # fmt: skip
    """The textbook's chart: three standard deviations either way, no lower than a count or share can be."""
    score = (value - centre) / sigma

    def draw(rng: np.random.Generator, charts: int) -> tuple[np.ndarray, np.ndarray]:
        scores = rng.standard_normal((charts, len(value)))
        return scores, _outside(scores)

    low, high = np.maximum(centre - 3 * sigma, least), np.minimum(centre + 3 * sigma, most)
    return Chart(value, centre, low, high, score, 2 * stats.norm.sf(np.abs(score)), draw, dispersion)


def _outside(scores: np.ndarray) -> np.ndarray:
    return (scores > 3).astype(int) - (scores < -3).astype(int)
