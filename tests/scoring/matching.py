"""How finds are matched with the truth, one to one: a find's centre lies within half the true radius."""

from __future__ import annotations

import numpy as np


def matched(
    true_x: np.ndarray, true_y: np.ndarray, true_diameter: np.ndarray, x: np.ndarray, y: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Places of the true circles that were found, and of the finds that found them."""
    from scipy.optimize import linear_sum_assignment

    if not len(true_x) or not len(x):
        return np.empty(0, int), np.empty(0, int)
    radius = np.asarray(true_diameter)[:, None] / 2
    apart = np.hypot(np.asarray(true_x)[:, None] - x, np.asarray(true_y)[:, None] - y) / radius
    i, j = linear_sum_assignment(np.where(apart <= 0.5, apart, 1e6))
    good = apart[i, j] <= 0.5
    return i[good], j[good]


def tally(true: np.ndarray, found: np.ndarray, least: float, visible: np.ndarray | None = None) -> tuple[int, int, int]:
    """Hits, misses and false finds among circles of at least `least` across; rows are x, y, diameter.

    A find of a true circle that is smaller, or not `visible` (bool; None: all are), is neither hit nor false: only what
    has no true circle at all is false.
    """
    i, j = matched(true[:, 0], true[:, 1], true[:, 2], found[:, 0], found[:, 1])
    large = true[:, 2] >= least
    if visible is not None:
        large &= visible
    hits = int(large[i].sum())
    loose = np.ones(len(found), bool)
    loose[j] = False
    return hits, int(large.sum()) - hits, int((loose & (found[:, 2] >= least)).sum())


def f1(hits: int, misses: int, false: int) -> float:
    """Harmonic mean of precision and recall; 1 where there was nothing to find and nothing was found."""
    return 2 * hits / (2 * hits + misses + false) if hits + misses + false else 1.0
