"""Dots that stand alone, so far out of the light round them that nothing need be taught to see them.

A blob is told from its ground as in any significance test: by its contrast over the scatter of like patches round it. Here
the largest of those patches counts instead of their scatter, so that whatever has its like nearby (print, crushed stone,
highlights) is not plain, and grain must be far below the contrast too. The bounds are castlab's own: common practice, no source.
"""

from __future__ import annotations

import numpy as np

from castlab.scoring.profiles import Looked, Spokes, along_rays
from castlab.scoring.rings import Level, suited

_SPOKES = Spokes(24, np.arange(0.1, 3.9, 0.2, dtype=np.float32))
_REACH = _SPOKES.reach
_BODY, _ROUND, _WHOLE = _REACH < 0.7, (_REACH > 0.4) & (_REACH < 1.4), _REACH < 1.8
_AROUND = (_REACH > 1.8) & (_REACH < 2.8), _REACH > 2.8
_GRAIN = 40.0
"""Least contrast, in units of the noise of the slopes (about nine times the grain of a pixel)."""
_LIKE = 0.3
"""Most that any patch round about may differ from the ground, as a share of the contrast."""
_UNEVEN = 0.2
"""Most that the light may vary round the dot at one distance, as a share of the contrast."""
_LONG = 1.3
"""Largest ratio of the axes by second moments of the light out to 1.8 radii: of soft dots about 1.6 times as long as wide."""
_SEEN = 0.8
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
    doubted = np.flatnonzero(~counted)
    place = suited(steps, one.radius)
    for number in np.unique(place[doubted]):
        here = doubted[place[doubted] == number]
        found[here] = _stands_out(steps[number], one.take(here), allowed)
    for n in np.flatnonzero(found):
        held = np.hypot(one.x - one.x[n], one.y - one.y[n]) < _INSIDE * one.radius
        found[n] = not (held & counted & (one.radius > _INSIDE * one.radius[n])).any()
    return found


def _stands_out(level: Level, one: Looked, allowed: np.ndarray | None) -> np.ndarray:
    x, y, radius = level.own(one.x, one.y, one.radius)
    light, valid = along_rays(level, level.counted(allowed), _SPOKES, x, y, radius)
    found = valid.mean(axis=(1, 2)) > _SEEN
    light, valid, noise = light[found], valid[found], level.noise_at(x[found], y[found])
    patches = np.concatenate([_patches(light, valid, zone) for zone in _AROUND], axis=1)
    ground = np.nanmedian(patches, axis=1)
    body = (light * _REACH)[:, :, _BODY].mean(axis=(1, 2)) / _REACH[_BODY].mean()
    contrast = body - ground
    like = np.nanmax(np.abs(patches - ground[:, None]), axis=1) / np.abs(contrast)
    uneven = np.sqrt(light[:, :, _ROUND].var(axis=1).mean(axis=1)) / np.abs(contrast)
    long = _length(np.maximum((light - ground[:, None, None]) * np.sign(contrast)[:, None, None], 0))
    found[found] = (np.abs(contrast) > _GRAIN * noise) & (like < _LIKE) & (uneven < _UNEVEN) & (long < _LONG)
    return found


def _length(light: np.ndarray) -> np.ndarray:
    """Ratio of the axes of each dot, by the second moments of its light (the ground taken off) about its centroid."""
    weight = (light * _REACH)[:, :, _WHOLE]
    weight /= weight.sum(axis=(1, 2), keepdims=True) + 1e-9
    way = _SPOKES.way[:, None]
    place = np.stack([np.cos(way) * _REACH[_WHOLE], np.sin(way) * _REACH[_WHOLE]])
    middle = np.einsum("nij,aij->na", weight, place)
    spread = np.einsum("nij,aij,bij->nab", weight, place, place) - middle[:, :, None] * middle[:, None, :]
    least, most = np.linalg.eigvalsh(spread).T
    ratio: np.ndarray = np.sqrt(np.maximum(most, 0) / np.maximum(least, 1e-9))
    return ratio


def _patches(light: np.ndarray, valid: np.ndarray, zone: np.ndarray) -> np.ndarray:
    """Means over patches about as large as the dot, two rays wide; nan where nothing counts."""
    cut, on = light[:, :, zone], valid[:, :, zone]
    pairs = (len(light), _SPOKES.rays // 2, 2 * cut.shape[2])
    number = on.reshape(pairs).sum(axis=2)
    means: np.ndarray = np.where(number, (cut * on).reshape(pairs).sum(axis=2) / np.maximum(number, 1), np.nan)
    return means
