"""Pictures that scikit-image carries, counted by hand (data/counted_by_hand.csv says how), and some with nothing round."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

_TABLE = pd.read_csv(Path(__file__).with_name("data") / "counted_by_hand.csv", comment="#")
COUNTED = tuple(dict.fromkeys(_TABLE.picture))
NOTHING_ROUND = ("brick", "gravel", "page", "checkerboard")
"""Bricks, crushed stone, print with its round bowls, and a chessboard."""
LEAST_PX = {"moon": 8.0, "hubble_deep_field": 3.5}
"""Where there are smaller things that are not all listed, or too small to be counted: the smallest diameter that counts, pixels."""
_PARTS = {"hubble_deep_field": (slice(0, 220), slice(0, 240))}


def picture(name: str) -> np.ndarray:
    """The picture, or the part of it that was counted."""
    from skimage import data

    whole: np.ndarray = getattr(data, name)()
    return whole[_PARTS[name]] if name in _PARTS else whole


def truth(name: str) -> tuple[np.ndarray, np.ndarray]:
    """x, y, diameter of the round things in pixels, and which count (bool); the others are neither right nor wrong to find."""
    rows = _TABLE[_TABLE.picture == name]
    return rows[["x", "y", "diameter"]].to_numpy(float), rows.counts.to_numpy(bool)


def reach(true: np.ndarray, counts: np.ndarray) -> tuple[float, float]:
    """Smallest and largest diameter to seek, pixels: somewhat beyond those that count."""
    return max(0.6 * true[counts, 2].min(), 3.0), 1.6 * true[counts, 2].max()
