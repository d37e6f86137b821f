"""Which of the candidate circles are bubbles: a probability for each, and the choice among those that overlap.

All is taught on rendered pictures whose bubbles are known; the numbers are in judge.npz. A sieve of two small hidden
layers sees the measures of `profiles` and drops what is plainly nothing. The judge sees the light round a circle (`views`;
two networks taught differently, whose mean odds err less than those of either):
first as if it stood alone, then again knowing which of that light the surer circles nearby account for, so that strokes of
print and gaps between bubbles are told from a bubble that its neighbours overlap. What it says is set right by how often it
was right, and by the company that a circle keeps. Nothing here reads pixels.
"""

from __future__ import annotations

import io
from functools import lru_cache
from importlib import resources
from typing import NamedTuple

import numpy as np

from castlab.scoring import views
from castlab.scoring.profiles import Looked

SURE = 0.5
"""Probability from which a circle counts as a bubble."""
SIEVED = 0.01
"""Circles below this probability are not looked at again."""
DOUBTFUL = 0.02
"""Circles below this probability are not told of."""
_RESIZED = 0.8
_NEARBY, _LIKE_SIZE = 7.0, 0.53
"""Company: how far from a circle, in its radii, and how unlike in the logarithm of the radius."""
_CHUNK = 1000


class Network(NamedTuple):
    """Two layers along the rays, what all rays say pooled, two layers more: log odds, and what the log radius lacks.

    Each ray is seen with its two neighbours, and all share the weights `first` and `second` (3, given, told); the pooled
    values do not change when the circle is turned.
    """

    first: np.ndarray
    first_offset: np.ndarray
    second: np.ndarray
    second_offset: np.ndarray
    third: np.ndarray
    third_offset: np.ndarray
    last: np.ndarray
    last_offset: np.ndarray

    @staticmethod
    def rays(given: np.ndarray, weights: np.ndarray, offset: np.ndarray) -> np.ndarray:
        """One layer along the rays (n, rays, told)."""
        told = given @ weights[1] + offset
        told += np.roll(given @ weights[0], 1, axis=1)
        told += np.roll(given @ weights[2], -1, axis=1)
        return np.maximum(told, 0, out=told)

    @staticmethod
    def pool(told: np.ndarray) -> tuple[np.ndarray, dict[int, tuple[np.ndarray, np.ndarray, np.ndarray]]]:
        """Mean, most, and the size of the first two waves round the circle; the waves themselves too."""
        count = told.shape[1]
        waves = {}
        for order in (1, 2):
            way = (2 * np.pi * order * np.arange(count) / count).astype(np.float32)
            cos, sin = (
                np.einsum("nrh,r->nh", told, np.cos(way)) / count,
                np.einsum("nrh,r->nh", told, np.sin(way)) / count,
            )
            waves[order] = cos, sin, np.sqrt(cos**2 + sin**2 + 1e-6)
        return np.concatenate([told.mean(axis=1), told.max(axis=1), waves[1][2], waves[2][2]], axis=1), waves

    def __call__(self, view: np.ndarray, measures: np.ndarray) -> np.ndarray:
        """Log odds and correction of the log radius (n, 2)."""
        two = self.rays(self.rays(view, self.first, self.first_offset), self.second, self.second_offset)
        joined = np.concatenate([self.pool(two)[0], measures], axis=1)
        three = np.maximum(joined @ self.third + self.third_offset, 0)
        out: np.ndarray = three @ self.last + self.last_offset
        return out


@lru_cache(maxsize=1)
def _taught() -> dict[str, np.ndarray]:
    packed = resources.files("castlab.scoring").joinpath("judge.npz").read_bytes()
    with np.load(io.BytesIO(packed)) as numbers:
        return {name: numbers[name] for name in numbers}


def terms(measures: np.ndarray, centre: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """The measures in units of their spread, held within three."""
    plain: np.ndarray = np.clip((measures - centre) / scale, -3, 3).astype(np.float32)
    return plain


def sieve(measures: np.ndarray) -> np.ndarray:
    """Probability that each circle is a bubble from its few measures alone; `measures` as in `profiles.MEASURES`."""
    taught = _taught()
    layer = terms(measures, taught["centre"], taught["scale"])
    for n in range(2):
        layer = np.tanh(layer @ taught[f"sieve_weights_{n}"] + taught[f"sieve_offset_{n}"])
    return _probability((layer @ taught["sieve_weights_2"] + taught["sieve_offset_2"])[:, 0])


def judge(view: np.ndarray, claims: np.ndarray, measures: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How sure it is that each circle is a bubble (0 to 1), and by what its radius is to be multiplied.

    `view` and `claims` are those of `views.unrolled` and `views.claimed`.
    """
    taught = _taught()
    networks = [Network(*one) for one in zip(*(taught[name] for name in Network._fields), strict=True)]
    known = terms(measures, taught["centre"], taught["scale"])
    told = []
    for n in range(0, len(view), _CHUNK):
        some = slice(n, n + _CHUNK)
        seen = np.concatenate([view[some], claims[some]], axis=2)
        told.append(np.mean([network(seen, known[some]) for network in networks], axis=0))
    out = np.concatenate(told) if told else np.empty((0, 2), np.float32)
    return _probability(out[:, 0].astype(float)), np.exp(np.clip(out[:, 1].astype(float), -_RESIZED, _RESIZED))


def calibrated(one: Looked, sure: np.ndarray) -> np.ndarray:
    """How likely each chosen circle is right, by how often such circles were right elsewhere.

    `sure` is what `judge` said of `one`, the circles that `choose` keeps.
    """
    *weights, offset = _taught()["calibration"].astype(float)
    return _probability(evidence(one, sure) @ weights + offset)


def evidence(one: Looked, sure: np.ndarray) -> np.ndarray:
    """What tells how likely a circle is right: the log odds of `sure`, then the company it keeps (n, 3).

    The company are the logarithms of 1 and the number of circles of like size nearby, of those that are doubted and of those
    that are not. Bubbles keep company; a round letter stands among letters that are doubted.
    """
    places = np.column_stack([one.x, one.y])
    own, other = views.near(places, places, _NEARBY * one.radius)
    alike = (own != other) & (np.abs(np.log(one.radius[other] / one.radius[own])) < _LIKE_SIZE)
    counted = sure >= SURE
    company = [np.bincount(own[alike & which[other]], minlength=len(one)) for which in (~counted, counted)]
    return np.column_stack([np.log(sure / (1 - sure)), *np.log1p(company)])


def _probability(score: np.ndarray) -> np.ndarray:
    probability: np.ndarray = 1 / (1 + np.exp(-np.clip(score, -30, 30)))
    return probability


def choose(seen: Looked, sure: np.ndarray) -> np.ndarray:
    """The places of the circles to keep: the surest first, none that is the same thing as one already kept."""
    from scipy.spatial import cKDTree

    worth = np.flatnonzero(sure >= DOUBTFUL)
    if not len(worth):
        return worth
    radius = seen.radius[worth]
    # of two circles equally sure the larger one explains more of the picture: a highlight lies inside its bubble
    order = worth[np.argsort(-(np.log(sure[worth] / (1 - sure[worth] + 1e-6)) + _LARGER * np.log(radius)))]
    places = np.column_stack([seen.x, seen.y])
    tree = cKDTree(places[order])
    dropped = np.zeros(len(order), bool)
    kept = []
    largest = float(radius.max())
    for rank, place in enumerate(order):
        if dropped[rank]:
            continue
        kept.append(place)
        close = np.array(tree.query_ball_point(places[place], seen.radius[place] + largest))
        close = close[close > rank]
        if len(close):
            other = order[close]
            apart = np.hypot(*(places[other] - places[place]).T)
            dropped[close[_same(apart, seen.radius[place], seen.radius[other])]] = True
    return np.array(kept, dtype=int)


_LARGER = 0.3
_SHARED = 0.55


def _same(apart: np.ndarray, one: float, other: np.ndarray) -> np.ndarray:
    """Whether two circles share so much of the smaller one that they are not two bubbles."""
    small, large = np.minimum(one, other), np.maximum(one, other)
    with np.errstate(invalid="ignore", divide="ignore"):
        a = np.arccos(np.clip((apart**2 + small**2 - large**2) / (2 * apart * small), -1, 1))
        b = np.arccos(np.clip((apart**2 + large**2 - small**2) / (2 * apart * large), -1, 1))
        lens = small**2 * (a - np.sin(2 * a) / 2) + large**2 * (b - np.sin(2 * b) / 2)
    lens = np.where(apart >= small + large, 0, np.where(apart <= large - small, np.pi * small**2, lens))
    shared: np.ndarray = lens > _SHARED * np.pi * small**2
    return shared
