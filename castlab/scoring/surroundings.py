"""What stands round a circle that no circle explains: strokes of print and straight edges betray a false find."""

from __future__ import annotations

import numpy as np

from castlab.scoring.rings import TOP, Level, slopes, spread

_CLEAR = 5.0
"""A slope of this many times the local noise is a stroke or an edge."""
_LIKELY = 0.3
_BANDS = ((1.2, 1.5), (1.5, 2.0), (2.0, 3.0))
"""Rings that are looked at, in radii."""
_WAYS = 24


def unexplained(steps: list[Level], x: np.ndarray, y: np.ndarray, radius: np.ndarray, sure: np.ndarray) -> np.ndarray:
    """Share of each of three rings round each circle that holds edges outside all likely circles (n x 3)."""
    found = np.zeros((len(x), len(_BANDS)))
    place = np.clip(np.ceil(np.log2(np.maximum(radius, 1e-3) / TOP)), 0, len(steps) - 1).astype(int)
    for number in np.unique(place):
        level, here = steps[number], np.flatnonzero(place == number)
        f = level.factor
        cx, cy, cr = (x + 0.5) / f - 0.5, (y + 0.5) / f - 0.5, radius / f
        edges = _edges(level)
        likely = sure >= _LIKELY
        _rub_out(edges, cx[likely], cy[likely], cr[likely])
        found[here] = _shares(edges, cx[here], cy[here], cr[here])
    return found


def _edges(level: Level) -> np.ndarray:
    across, down = slopes(level.smooth)
    size = across**2 + down**2
    clear: np.ndarray = size > (_CLEAR * spread(level, 0, 0, size.shape)) ** 2
    return clear


def _rub_out(edges: np.ndarray, x: np.ndarray, y: np.ndarray, radius: np.ndarray) -> None:
    from skimage.draw import disk

    for cx, cy, r in zip(x, y, radius, strict=True):
        edges[disk((cy, cx), 1.15 * r + 1.5, shape=edges.shape)] = False


def _shares(edges: np.ndarray, x: np.ndarray, y: np.ndarray, radius: np.ndarray) -> np.ndarray:
    way = np.arange(_WAYS) * (2 * np.pi / _WAYS)
    columns = []
    for low, high in _BANDS:
        total = np.zeros(len(x))
        reaches = np.linspace(low, high, 4)
        for reach in reaches:
            across = np.rint(x[:, None] + reach * radius[:, None] * np.cos(way)).astype(int)
            down = np.rint(y[:, None] + reach * radius[:, None] * np.sin(way)).astype(int)
            inside = (across >= 0) & (down >= 0) & (across < edges.shape[1]) & (down < edges.shape[0])
            hit = edges[np.clip(down, 0, edges.shape[0] - 1), np.clip(across, 0, edges.shape[1] - 1)] & inside
            total += hit.sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
        columns.append(total / len(reaches))
    return np.column_stack(columns)
