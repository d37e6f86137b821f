"""What is seen round a circle, unrolled: light and slopes along rays, and what other circles already account for.

Everything is made independent of brightness, contrast and size, so that a judge taught on some pictures can see others.
"""

from __future__ import annotations

import numpy as np

from castlab.scoring.rings import Level, suited

RAYS = 24
REACH = np.linspace(0.1, 2.0, 20, dtype=np.float32)
"""Where the light is read along a ray, in radii."""
CHANNELS = 3 * len(REACH)
"""Light, slope outward and slope sideways at each reach of a ray."""
_SOFT = 3.0
"""A slope of this many times the noise counts as half a direction; light within it is hardly a contrast."""
_CHUNK = 1000
_CLAIMS = 0.3
"""Probability from which a circle accounts for what lies in it."""
_INSIDE = 1.08
_TWIN_APART, _TWIN_SIZE = 0.5, 0.4
"""Circles nearer than this share of the larger radius, and as near in the logarithm of size, are one and the same."""


def unrolled(
    steps: list[Level], x: np.ndarray, y: np.ndarray, radius: np.ndarray, allowed: np.ndarray | None
) -> np.ndarray:
    """The view of each circle (n, rays, channels; float32); pixels that do not count are nought."""
    seen = np.zeros((len(x), RAYS, CHANNELS), np.float32)
    place = suited(steps, radius)
    for number in np.unique(place):
        level = steps[number]
        mask = level.counted(allowed)
        here = np.flatnonzero(place == number)
        for start in range(0, len(here), _CHUNK):
            some = here[start : start + _CHUNK]
            seen[some] = _read(level, mask, *level.own(x[some], y[some], radius[some]))
    return seen


def claimed(x: np.ndarray, y: np.ndarray, radius: np.ndarray, sure: np.ndarray) -> np.ndarray:
    """How surely each reading of each view lies within another circle (n, rays, reaches; 0 to 1)."""
    told = np.zeros((len(x), RAYS, len(REACH)), np.float32)
    likely = np.flatnonzero(sure >= _CLAIMS)
    if not len(likely):
        return told
    places = np.column_stack([x, y])
    one, other = near(places, places[likely], REACH[-1] * radius + _INSIDE * radius[likely].max())
    other = likely[other]
    apart = np.hypot(x[one] - x[other], y[one] - y[other])
    twin = (apart < _TWIN_APART * np.maximum(radius[one], radius[other])) & (
        np.abs(np.log(radius[one] / radius[other])) < _TWIN_SIZE
    )
    reached = apart < REACH[-1] * radius[one] + _INSIDE * radius[other]
    one, other = one[reached & ~twin], other[reached & ~twin]
    across, down = _rays()
    for start in range(0, len(one), 4 * _CHUNK):
        a, b = one[start : start + 4 * _CHUNK], other[start : start + 4 * _CHUNK]
        dx = (x[a] - x[b])[:, None, None] + radius[a][:, None, None] * across
        dy = (y[a] - y[b])[:, None, None] + radius[a][:, None, None] * down
        inside = (dx**2 + dy**2 < (_INSIDE * radius[b][:, None, None]) ** 2) * sure[b].astype(np.float32)[:, None, None]
        first = np.flatnonzero(np.r_[True, a[1:] != a[:-1]])
        told[a[first]] = np.maximum(told[a[first]], np.maximum.reduceat(inside, first, axis=0))
    return told


def near(places: np.ndarray, others: np.ndarray, reach: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Each place (n, 2) with each of the others within its reach: the numbers of both, those of one place together."""
    from scipy.spatial import cKDTree

    found = cKDTree(others).query_ball_point(places, reach)
    one = np.repeat(np.arange(len(places)), [len(some) for some in found])
    return one, np.concatenate([np.asarray(some, int) for some in found]) if len(one) else np.empty(0, int)


def _rays() -> tuple[np.ndarray, np.ndarray]:
    """Where a circle of radius 1 is read, from its centre (rays, reaches)."""
    way = np.arange(RAYS, dtype=np.float32) * np.float32(2 * np.pi / RAYS)
    return np.cos(way)[:, None] * REACH, np.sin(way)[:, None] * REACH


def _read(level: Level, mask: np.ndarray | None, x: np.ndarray, y: np.ndarray, radius: np.ndarray) -> np.ndarray:
    x, y, radius = (part.astype(np.float32) for part in (x, y, radius))
    cos, sin = _rays()
    size = radius[:, None, None]
    across, down = x[:, None, None] + size * cos, y[:, None, None] + size * sin
    light, valid = level.read(across, down, mask, margin=0.5)
    soft = _SOFT * level.noise_at(x, y)[:, None, None]
    outward = np.gradient(light, float(REACH[1] - REACH[0]), axis=2) / size
    sideways = (np.roll(light, -1, axis=1) - np.roll(light, 1, axis=1)) / (4 * np.pi / RAYS * REACH * size)
    steep = np.sqrt(outward**2 + sideways**2 + soft**2)
    away = valid & (REACH > 1.25)
    ground = _mean(light, away)
    spread = np.sqrt(_mean((light - ground) ** 2, valid & (REACH < 1.35)) + soft**2)
    shade = np.clip((light - ground) / spread, -3, 3)
    parts = np.concatenate([shade, outward / steep, sideways / steep], axis=2)
    seen: np.ndarray = parts * np.tile(valid, (1, 1, 3))
    return seen


def _mean(values: np.ndarray, where: np.ndarray) -> np.ndarray:
    mean: np.ndarray = (values * where).sum(axis=(1, 2), keepdims=True) / np.maximum(
        where.sum(axis=(1, 2), keepdims=True), 1
    )
    return mean
