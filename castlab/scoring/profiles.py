"""A closer look at each circle that may be there: its edge followed all the way round, and what that says.

The light is read along rays from the centre; the edge found on each ray moves the centre and the radius to where they
fit best. Everything measured is a share of the way round, a ratio to the local noise, or a ratio to the radius.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from castlab.scoring.rings import Candidates, Level, suited


class _Spokes(NamedTuple):
    """How closely a circle is read: how many rays, and where along them, in radii."""

    rays: int
    reach: np.ndarray

    @property
    def step(self) -> float:
        """From one reading on a ray to the next."""
        return float(self.reach[1] - self.reach[0])

    @property
    def way(self) -> np.ndarray:
        """Direction of each ray."""
        return np.arange(self.rays) * (2 * np.pi / self.rays)


_CLOSE = np.linspace(0.35, 1.75, 29, dtype=np.float32)
_FAR = _Spokes(12, np.linspace(2.2, 4, 4, dtype=np.float32))
GLANCE, ROUGH, FULL = _Spokes(12, np.linspace(0.4, 1.7, 14, dtype=np.float32)), _Spokes(12, _CLOSE), _Spokes(24, _CLOSE)
_SOFT = 3.0
_CHUNK = 2000
_SHRUNK, _GROWN = 0.45, 1.6
"""How far a radius may go from that of its candidate. The slopes of a soft dot on calm ground point to its middle from far
out, so that its only candidate may be twice as wide as where it is steepest."""
HARDLY = 0.004
"""What the sieve says of a rough look, below which nobody looks closer."""

MEASURES = (
    "signed", "either", "covered", "gap", "wobble", "strength", "inside", "clutter", "alone", "small", "seen",
)  # fmt: skip


@dataclass(frozen=True)
class Looked:
    """Circles after a closer look: places and radii in pixels of the picture, measures as columns of `MEASURES`."""

    x: np.ndarray
    y: np.ndarray
    radius: np.ndarray
    contrast: np.ndarray
    seen: np.ndarray
    measures: np.ndarray

    def __len__(self) -> int:
        return len(self.x)

    def take(self, which: np.ndarray) -> Looked:
        """Some of them, in the order asked for."""
        parts = (self.x, self.y, self.radius, self.contrast, self.seen, self.measures)
        return Looked(*(part[which] for part in parts))


def look(
    steps: list[Level],
    found: Candidates,
    allowed: np.ndarray | None,
    sieve: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Looked:
    """Follow the edge of each candidate, only roughly of those that `sieve` drops by their measures (None: drops none);
    `allowed` marks the pixels of the picture that count (None: all)."""
    parts = []
    for place, level in enumerate(steps):
        here = np.flatnonzero(found.level == place)
        mask = level.counted(allowed)
        for start in range(0, len(here), _CHUNK):
            some = here[start : start + _CHUNK]
            parts.append(_follow(level, mask, found.x[some], found.y[some], found.radius[some], sieve))
    if not parts:
        empty = np.empty(0)
        return Looked(empty, empty, empty, empty, empty, np.empty((0, len(MEASURES))))
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    return Looked(*columns)


def look_again(steps: list[Level], one: Looked, allowed: np.ndarray | None) -> Looked:
    """Follow the edges of circles anew, along all rays and from where they have been found; in the same order."""
    place = suited(steps, one.radius)
    x, y, radius = one.x.copy(), one.y.copy(), one.radius.copy()
    contrast, seen, measures = one.contrast.copy(), one.seen.copy(), one.measures.copy()
    for number in np.unique(place):
        level, here = steps[number], place == number
        f = level.factor
        mask = level.counted(allowed)
        a, b, r = (part.astype(np.float32) for part in level.own(one.x[here], one.y[here], one.radius[here]))
        noise = level.noise_at(a, b)
        a, b, r = _fit(FULL, *_along_rays(level, mask, FULL, a, b, r), a, b, r, r, noise)
        x[here], y[here], radius[here] = (a + 0.5) * f - 0.5, (b + 0.5) * f - 0.5, r * f
        measures[here], contrast[here], seen[here] = _measure(FULL, level, mask, a, b, r, noise)
    return Looked(x, y, radius, contrast, seen, measures)


def _follow(
    level: Level,
    mask: np.ndarray | None,
    x: np.ndarray,
    y: np.ndarray,
    radius: np.ndarray,
    sieve: Callable[[np.ndarray], np.ndarray] | None,
) -> tuple[np.ndarray, ...]:
    x, y, radius = x.astype(np.float32), y.astype(np.float32), radius.astype(np.float32)
    noise = level.noise_at(x, y)
    first = radius
    light, valid = _along_rays(level, mask, GLANCE, x, y, radius)
    x, y, radius = _fit(GLANCE, light, valid, x, y, radius, first, noise)
    light, valid = _along_rays(level, mask, ROUGH, x, y, radius)
    if sieve is not None:
        worth = sieve(_measure(ROUGH, level, mask, x, y, radius, noise, (light, valid))[0]) >= HARDLY
        light, valid = light[worth], valid[worth]
        x, y, radius, first, noise = x[worth], y[worth], radius[worth], first[worth], noise[worth]
    x, y, radius = _fit(ROUGH, light, valid, x, y, radius, first, noise)
    # a radius that would go on beyond what its candidate stands for belongs to another candidate
    free = (radius > 1.02 * _SHRUNK * first) & (radius < 0.99 * _GROWN * first)
    x, y, radius, noise = x[free], y[free], radius[free], noise[free]
    measures, contrast, seen = _measure(FULL, level, mask, x, y, radius, noise)
    f = level.factor
    return (x + 0.5) * f - 0.5, (y + 0.5) * f - 0.5, radius * f, contrast, seen, measures


def _along_rays(
    level: Level, mask: np.ndarray | None, spokes: _Spokes, x: np.ndarray, y: np.ndarray, radius: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Light along the rays (circle, ray, step), and which readings lie on pixels that count (`mask`; None: all).

    Circles are in pixels of the level.
    """
    cos, sin = (part.astype(np.float32)[:, None] * spokes.reach for part in (np.cos(spokes.way), np.sin(spokes.way)))
    size = radius[:, None, None]
    return level.read(x[:, None, None] + size * cos, y[:, None, None] + size * sin, mask)


def _slopes(spokes: _Spokes, light: np.ndarray, radius: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slope of the light outward, and sideways, per pixel of the level."""
    sideways = (np.roll(light, -1, axis=1) - np.roll(light, 1, axis=1)) / (4 * np.pi / spokes.rays * spokes.reach)
    return _outward(spokes, light, radius), sideways / radius[:, None, None]


def _outward(spokes: _Spokes, light: np.ndarray, radius: np.ndarray) -> np.ndarray:
    plain = np.zeros_like(light)
    plain[:, :, 1:-1] = (light[:, :, 2:] - light[:, :, :-2]) / (2 * spokes.step)
    outward = plain.copy()
    outward[:, :, 1:-1] = 0.5 * plain[:, :, 1:-1] + 0.25 * (plain[:, :, 2:] + plain[:, :, :-2])
    return outward / radius[:, None, None]


def _fit(
    spokes: _Spokes,
    light: np.ndarray,
    valid: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    radius: np.ndarray,
    first: np.ndarray,
    noise: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Move each circle to where the edges found on its rays lie, by weighted least squares."""
    reach = spokes.reach
    part = _sharp(spokes, _outward(spokes, light, radius), valid, (_SOFT * noise[:, None, None]) ** 2)
    turn, best, _ = _edge(spokes, part)
    near = np.abs(reach - reach[best][:, None]) < 0.26
    strong = np.where(turn[:, None, None] == 0, np.abs(part), part * turn[:, None, None]) * near[:, None, :]
    at = strong.argmax(axis=2)
    weight = np.maximum(np.take_along_axis(strong, at[:, :, None], axis=2)[:, :, 0], 0) ** 2 + 1e-6
    basis = np.column_stack([np.ones(spokes.rays), np.cos(spokes.way), np.sin(spokes.way)])
    normal = np.einsum("ca,ai,aj->cij", weight, basis, basis) + 1e-3 * np.eye(3)
    right = (weight * reach[at]) @ basis
    answer = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    shift = np.clip(answer[:, 1:], -0.25, 0.25) * radius[:, None]
    grown = np.clip(radius * np.clip(answer[:, 0], 0.7, 1.4), _SHRUNK * first, _GROWN * first)
    return x + shift[:, 0].astype(np.float32), y + shift[:, 1].astype(np.float32), grown.astype(np.float32)


def _sharp(spokes: _Spokes, outward: np.ndarray, valid: np.ndarray, soft: np.ndarray) -> np.ndarray:
    """Slope as a share of the steepest on the same ray: each ray counts alike, and edges stay where they are steepest."""
    span = _between(spokes, 0.61, 1.49)
    steepest = np.abs(outward[:, :, span]).max(axis=2, keepdims=True)
    shares: np.ndarray = outward / np.sqrt(steepest**2 + soft) * valid
    return shares


def _between(spokes: _Spokes, low: float, high: float) -> slice:
    """The readings on a ray between two reaches."""
    first, last = np.searchsorted(spokes.reach, (low, high))
    return slice(int(first), int(last))


def _edge(spokes: _Spokes, part: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The sign of the outer edge (0: it changes round the ring), its place on the ray, and its mean share."""
    steps = len(spokes.reach)
    span = np.zeros(steps, bool)
    span[_between(spokes, 0.72, 1.36)] = True
    signed = part.mean(axis=1)
    either = np.abs(part).mean(axis=1)
    size = np.where(span, np.abs(signed), 0)
    peak = size.max(axis=1)
    # the outermost of the edges that are nearly as clear as the clearest: a rim has two
    clear = (size > 0.75 * peak[:, None]) & (size >= np.roll(size, 1, axis=1)) & (size >= np.roll(size, -1, axis=1))
    best = np.where(clear, np.arange(steps), -1).max(axis=1)
    best = np.where(best < 0, size.argmax(axis=1), best)
    turn = np.sign(np.take_along_axis(signed, best[:, None], axis=1)[:, 0])
    loose = np.where(span, either, 0)
    mixed = peak < 0.6 * loose.max(axis=1)
    best = np.where(mixed, loose.argmax(axis=1), best)
    return np.where(mixed, 0, turn), best, peak


def _measure(
    spokes: _Spokes,
    level: Level,
    mask: np.ndarray | None,
    x: np.ndarray,
    y: np.ndarray,
    radius: np.ndarray,
    noise: np.ndarray,
    read: tuple[np.ndarray, np.ndarray] | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The measures, the contrast, and the share of the way round that was seen; `read` is the light if it is known."""
    light, valid = read or _along_rays(level, mask, spokes, x, y, radius)
    reach = spokes.reach
    outward, sideways = _slopes(spokes, light, radius)
    soft = (_SOFT * noise[:, None, None]) ** 2
    turn, best, _ = _edge(spokes, _sharp(spokes, outward, valid, soft))
    columns = np.clip(best[:, None] + np.arange(-2, 3), 0, len(reach) - 1)
    every = np.arange(len(light))[:, None, None], np.arange(spokes.rays)[None, :, None], columns[:, None, :]
    steep, across, counted = outward[every], sideways[every], valid[every]
    size = steep**2 + across**2
    close = steep / np.sqrt(size + soft) * counted
    close_axial = (steep**2 - across**2) / np.sqrt(size * (size + soft) + 1e-20) * counted
    on = counted[:, :, 2]
    share = np.maximum(on.sum(axis=1), 1)
    seen = on.mean(axis=1)
    signed = np.abs(close.sum(axis=1)[:, 1:4]).max(axis=1) / share
    either = close_axial.sum(axis=1)[:, 1:4].max(axis=1) / share
    with_turn = np.where(turn[:, None, None] == 0, np.abs(close), close * turn[:, None, None])
    top = np.where(turn[:, None] == 0, close_axial.max(axis=2), with_turn.max(axis=2))
    held = (top > 0.4) & on
    covered = held.sum(axis=1) / share
    gap = _longest(~held & on) / spokes.rays
    heavy = np.maximum(with_turn, 0) ** 2 + 1e-6
    middle = (heavy * reach[columns][:, None, :]).sum(axis=2) / heavy.sum(axis=2)
    mean = (middle * held).sum(axis=1) / np.maximum(held.sum(axis=1), 1)
    wobble = np.sqrt((((middle - mean[:, None]) ** 2) * held).sum(axis=1) / np.maximum(held.sum(axis=1), 1))
    edge = (np.abs(steep).max(axis=2) * on).sum(axis=1) / share
    strength = np.log(edge / noise + 1e-3)
    inner, outer = _between(spokes, 0, 0.79), _between(spokes, 1.21, 1.59)
    body = _mean(light[:, :, inner], valid[:, :, inner] * reach[inner])
    light_out, valid_out = light[:, :, outer], valid[:, :, outer]
    round_about = _mean(light_out, valid_out)
    rough = np.sqrt(_mean((light_out - round_about[:, None, None]) ** 2, valid_out))
    rim = _between(spokes, 0.71, 1.04)
    rim_light = _mean(light[:, :, rim], valid[:, :, rim])
    stands_out = np.where(np.abs(rim_light - round_about) > np.abs(body - round_about), rim_light, body) - round_about
    fluctuation = np.abs(outward[:, :, outer]).mean(axis=(1, 2)) + np.abs(sideways[:, :, outer]).mean(axis=(1, 2))
    clutter = np.log((fluctuation + 0.1 * noise) / (edge + 1e-9))
    inside = np.log(np.abs(stands_out) / (rough + 0.3 * noise) + 0.05)
    alone = np.log(np.abs(stands_out) / (_restless(level, mask, x, y, radius) + 0.3 * noise) + 0.05)
    small = np.log(radius * level.factor)
    measures = np.column_stack([signed, either, covered, gap, wobble, strength, inside, clutter, alone, small, seen])
    return measures, _contrast(spokes, light, valid), seen


def _restless(level: Level, mask: np.ndarray | None, x: np.ndarray, y: np.ndarray, radius: np.ndarray) -> np.ndarray:
    """How much the light varies well away from each circle, an even slope apart: a highlight or a stroke of print has
    more of its kind near it, a dot that stands alone has not."""
    light, valid = _along_rays(level, mask, _FAR, x, y, radius)
    half = _FAR.rays // 2
    across, both = 0.5 * (light[:, :half] + light[:, half:]), valid[:, :half] & valid[:, half:]
    middle = _mean(across, both)[:, None, None]
    spread: np.ndarray = np.sqrt(_mean((across - middle) ** 2, both))
    return spread


def _mean(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Weighted mean over the rays and the readings on them."""
    mean: np.ndarray = (values * weight).sum(axis=(1, 2)) / np.maximum(weight.sum(axis=(1, 2)), 1e-6)
    return mean


def _contrast(spokes: _Spokes, light: np.ndarray, valid: np.ndarray) -> np.ndarray:
    """Light of the middle or of the rim, whichever stands out more, less that well outside, away from soft edges."""
    zones = (_between(spokes, 0, 0.54), _between(spokes, 0.76, 0.94), _between(spokes, 1.41, 2))
    means = [_mean(light[:, :, zone], valid[:, :, zone]) for zone in zones]
    middle, rim = means[0] - means[2], means[1] - means[2]
    return np.where(np.abs(rim) > np.abs(middle), rim, middle)


def _longest(missing: np.ndarray) -> np.ndarray:
    """Longest run of rays without an edge, round the ring."""
    twice = np.concatenate([missing, missing], axis=1)
    run = np.zeros(len(missing), int)
    longest = np.zeros(len(missing), int)
    for column in twice.T:
        run = np.where(column, run + 1, 0)
        longest = np.maximum(longest, run)
    return np.minimum(longest, missing.shape[1])
