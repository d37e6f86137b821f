"""From light to bubbles: candidates, the closer look, the choice. Everything in pixels; no scale, no words."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from castlab.scoring import dots, judging, profiles, rings, views

_LOOKS = 2
"""Times each circle is judged: alone, then among the others."""
PLAIN = 0.7
"""How sure a dot is that the judge doubts and anyone would see."""


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
    steps, one, sure = distinct(light, smallest, largest, allowed)
    sure = judging.calibrated(one, sure)
    sure[dots.plain(steps, one, sure >= judging.SURE, allowed)] = PLAIN
    return Found(one.x, one.y, one.radius, one.contrast, one.seen, sure)


def distinct(
    light: np.ndarray, smallest: float, largest: float, allowed: np.ndarray | None = None
) -> tuple[list[rings.Level], profiles.Looked, np.ndarray]:
    """The picture's levels, its distinct circles, and what the judge says of each, alone and among the others; as `find`."""
    steps = rings.levels(light, largest / 2)
    some = rings.candidates(steps, max(0.8 * smallest / 2, 1.2), largest / 2)
    if allowed is not None:
        factor = 2.0**some.level
        rows = np.clip(np.rint((some.y + 0.5) * factor - 0.5).astype(int), 0, allowed.shape[0] - 1)
        columns = np.clip(np.rint((some.x + 0.5) * factor - 0.5).astype(int), 0, allowed.shape[1] - 1)
        some = some.take(np.flatnonzero(allowed[rows, columns]))
    looked = profiles.look(steps, some, allowed, judging.sieve)
    inside = (looked.x >= -0.5) & (looked.x < light.shape[1]) & (looked.y >= -0.5) & (looked.y < light.shape[0])
    worth = inside & (2 * looked.radius <= 1.15 * largest) & (judging.sieve(looked.measures) >= judging.SIEVED)
    looked = looked.take(np.flatnonzero(worth))
    sized, sure = judged(looked, views.unrolled(steps, looked.x, looked.y, looked.radius, allowed))
    one, sure = _again(steps, sized, sure, allowed)
    kept = judging.choose(one, sure)
    return steps, one.take(kept), sure[kept]


def _again(
    steps: list[rings.Level], sized: profiles.Looked, sure: np.ndarray, allowed: np.ndarray | None
) -> tuple[profiles.Looked, np.ndarray]:
    """The circles worth keeping, looked at a second time from where they were found: what both looks say, meant."""
    kept = judging.choose(sized, sure)
    first, before = sized.take(kept), sure[kept]
    second = profiles.look_again(steps, first, allowed)
    second, after = judged(second, views.unrolled(steps, second.x, second.y, second.radius, allowed))
    x, y = 0.5 * (first.x + second.x), 0.5 * (first.y + second.y)
    both = replace(second, x=x, y=y, radius=np.sqrt(first.radius * second.radius))
    odds = np.sqrt(before / (1 - before) * after / (1 - after))
    return both, odds / (1 + odds)


def judged(looked: profiles.Looked, view: np.ndarray) -> tuple[profiles.Looked, np.ndarray]:
    """The circles with better radii, and how sure each is, seen alone and then among the surer ones."""
    sized, sure = looked, np.zeros(len(looked))
    for _ in range(_LOOKS):
        claims = views.claimed(sized.x, sized.y, sized.radius, sure)
        sure, factor = judging.judge(view, claims, looked.measures)
        sized = replace(looked, radius=looked.radius * factor)
    return sized, sure
