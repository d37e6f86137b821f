"""Dots that stand alone, so far out of the light round them that nothing need be taught to see them.

A dot curves the light in every direction, an edge or a line in one only: the smaller of the two principal curvatures (the
eigenvalues of the second derivatives of the blurred light) tells dots from both. A dot is plain where that curvature is far
above what the ground shows at the same scale, and nothing round about comes near it, so that whatever has its like nearby
(print, crushed stone, highlights) is not plain. The bounds are castlab's own: common practice, no source.
"""

from __future__ import annotations

import numpy as np

from castlab.scoring.profiles import Looked
from castlab.scoring.rings import Level, suited

_CELL = 0.5
"""From one reading of the light to the next, in radii."""
_DOWN, _ACROSS = np.mgrid[-16:17, -16:17].astype(np.float32) * _CELL
_APART = np.hypot(_DOWN, _ACROSS)
_MIDDLE, _ABOUT = _APART < 0.8, (_APART > 2.5) & (_APART < 8)
_BLUR = 0.7 / _CELL
"""Standard deviation, in readings, of the blur that answers most to a soft dot: its radius over the root of two."""
_ROUND = 0.6
"""Least ratio of the principal curvatures: of soft dots about 1.6 times as long as wide."""
_FAINT = 0.02
"""Least contrast, a share of full white: on a ground without any grain, white or black throughout, the blocks of a JPEG show."""
_GROUND, _STRONG = 75, 20.0
"""A dot curves the light at least so many times as much as this per cent of the ground about it."""
_LIKE = 0.3
"""Most that anything round about may curve the light, as a share of the dot."""
_SEEN = 0.8
_EDGE = 1.5
"""What a bubble that is counted does to the light ends so many of its radii from its middle."""
_INSIDE = 1.2
"""A dot this many times smaller than a bubble, and no more of its radii from its middle, is one of its highlights."""


def plain(steps: list[Level], one: Looked, counted: np.ndarray, allowed: np.ndarray | None) -> np.ndarray:
    """Which circles are dots that anyone would see (bool), of those that are not `counted` (bool) already.

    Parameters
    ----------
    steps
        As in `rings.levels`.
    one
        Distinct circles, pixels.
    counted
        Those that are taken for bubbles; what lies in a larger one of these is no dot of its own.
    allowed
        Pixels that count; None for all.
    """
    found = np.zeros(len(one), bool)
    doubted = np.flatnonzero(~counted & (np.abs(one.contrast) > _FAINT))
    place = suited(steps, one.radius)
    bubbles = one.take(np.flatnonzero(counted))
    for number in np.unique(place[doubted]):
        here = doubted[place[doubted] == number]
        found[here] = _stands_out(steps[number], one.take(here), bubbles, allowed)
    for n in np.flatnonzero(found):
        held = np.hypot(one.x - one.x[n], one.y - one.y[n]) < _INSIDE * one.radius
        found[n] = not (held & counted & (one.radius > _INSIDE * one.radius[n])).any()
    return found


def _stands_out(level: Level, one: Looked, bubbles: Looked, allowed: np.ndarray | None) -> np.ndarray:
    x, y, radius = (part[:, None, None] for part in level.own(one.x, one.y, one.radius))
    light, valid = level.read(x + radius * _ACROSS, y + radius * _DOWN, level.counted(allowed))
    smaller, larger = _curvatures(light)
    found = valid[:, _ABOUT].mean(axis=1) > _SEEN
    for n in np.flatnonzero(found):
        top = smaller[n][_MIDDLE].argmax()
        dot, about = smaller[n][_MIDDLE][top], valid[n] & _ABOUT
        found[n] = dot > _ROUND * larger[n][_MIDDLE][top] and dot > _STRONG * np.percentile(smaller[n][about], _GROUND)
        if found[n]:
            about &= ~_covered(one.x[n], one.y[n], one.radius[n], bubbles)
            found[n] = smaller[n][about].max(initial=0) < _LIKE * dot
    return found


def _covered(x: float, y: float, radius: float, bubbles: Looked) -> np.ndarray:
    """Which readings about a dot lie in or on a bubble."""
    reach = _EDGE * bubbles.radius
    near = np.hypot(bubbles.x - x, bubbles.y - y) < _APART.max() * radius + reach
    across, down, reach = (part[near, None, None] for part in (bubbles.x - x, bubbles.y - y, reach))
    covered: np.ndarray = (np.hypot(radius * _ACROSS - across, radius * _DOWN - down) < reach).any(axis=0)
    return covered


def _curvatures(light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How much the blurred light curves along its principal axes: the smaller, nought where they differ in sign, and the larger."""
    from scipy import ndimage

    def second(down: int, across: int) -> np.ndarray:
        found: np.ndarray = ndimage.gaussian_filter(light, (0, _BLUR, _BLUR), order=(0, down, across), mode="nearest")
        return found

    xx, yy, xy = second(0, 2), second(2, 0), second(1, 1)
    mean, half = np.abs(xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    return np.maximum(mean - half, 0), mean + half
