"""Which of the candidate circles are bubbles: a probability for each, and the choice among those that overlap.

Both are taught on rendered castings whose bubbles are known; their numbers are in judge.json. The first, a network of
two small hidden layers, sees a circle alone (the measures of `profiles`); the second, a logistic regression, sees what
stands around it as well (`surroundings`): print and straight edges have strokes beside them that no circle explains. Nothing here reads pixels.
"""

from __future__ import annotations

import json
from functools import lru_cache
from importlib import resources

import numpy as np

from castlab.scoring.profiles import Looked

SURE = 0.5
"""Probability from which a circle counts as a bubble."""
DOUBTFUL = 0.02
"""Circles below this probability are not looked at again."""


@lru_cache(maxsize=1)
def _taught() -> dict[str, np.ndarray]:
    text = resources.files("castlab.scoring").joinpath("judge.json").read_text(encoding="utf-8")
    return {name: np.asarray(values, dtype=float) for name, values in json.loads(text).items()}


def terms(measures: np.ndarray, centre: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """The measures in units of their spread, held within three."""
    plain: np.ndarray = np.clip((measures - centre) / scale, -3, 3)
    return plain


def alone(measures: np.ndarray) -> np.ndarray:
    """Probability that each circle is a bubble, seen alone; `measures` as in `profiles.MEASURES`."""
    taught = _taught()
    layer = terms(measures, taught["alone_centre"], taught["alone_scale"])
    for n in range(2):
        layer = np.tanh(layer @ taught[f"alone_weights_{n}"] + taught[f"alone_offset_{n}"])
    return _probability((layer @ taught["alone_weights_2"] + taught["alone_offset_2"])[:, 0])


def together(first: np.ndarray, around: np.ndarray) -> np.ndarray:
    """Probability that each is a bubble, from what was thought of it alone and what `surroundings` found."""
    taught = _taught()
    return _probability(both(first, around) @ taught["together_weights"] + taught["together_intercept"])


def both(first: np.ndarray, around: np.ndarray) -> np.ndarray:
    """The columns that the second judgement rests on: log odds alone, and the edges nearby that nothing explains."""
    return np.column_stack([np.log((first + 1e-6) / (1 - first + 1e-6)), around])


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
