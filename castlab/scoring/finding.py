"""From light to bubbles: candidates, the closer look, the choice. Everything in pixels; no scale, no words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from castlab.scoring import judging, profiles, rings, surroundings


@dataclass(frozen=True)
class Found:
    """Distinct circles with the probability that each is a bubble; places and radii in pixels, `seen` a share."""

    x: np.ndarray
    y: np.ndarray
    radius: np.ndarray
    contrast: np.ndarray
    seen: np.ndarray
    sure: np.ndarray

    def where(self, which: np.ndarray) -> Found:
        """Some of them."""
        return Found(*(part[which] for part in (self.x, self.y, self.radius, self.contrast, self.seen, self.sure)))


def find(light: np.ndarray, smallest: float, largest: float, allowed: np.ndarray | None = None) -> Found:
    """All distinct circles with diameters from about `smallest` to `largest` pixels, doubtful ones among them.

    Parameters
    ----------
    light
        One plane of light, 0 to 1 (float32), rows x columns.
    smallest, largest
        Diameters, pixels.
    allowed
        Pixels that count (bool, like `light`); None for all.
    """
    steps = rings.levels(light, largest / 2)
    some = rings.candidates(steps, max(0.8 * smallest / 2, 1.2), largest / 2)
    if allowed is not None:
        factor = 2.0**some.level
        rows = np.clip(np.rint((some.y + 0.5) * factor - 0.5).astype(int), 0, allowed.shape[0] - 1)
        columns = np.clip(np.rint((some.x + 0.5) * factor - 0.5).astype(int), 0, allowed.shape[1] - 1)
        some = some.take(np.flatnonzero(allowed[rows, columns]))
    looked = profiles.look(steps, some, allowed)
    first = judging.alone(looked.measures)
    inside = (looked.x >= -0.5) & (looked.x < light.shape[1]) & (looked.y >= -0.5) & (looked.y < light.shape[0])
    first = np.where(inside & (2 * looked.radius <= 1.15 * largest), first, 0)
    kept = judging.choose(looked, first)
    one = looked.take(kept)
    around = surroundings.unexplained(steps, one.x, one.y, one.radius, first[kept])
    sure = judging.together(first[kept], around)
    return Found(one.x, one.y, one.radius, one.contrast, one.seen, sure)
