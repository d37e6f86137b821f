"""A closer look at each circle that may be there: its edge followed all the way round, and what that says.

The light is read along rays from the centre; the edge found on each ray moves the centre and the radius to where they
fit best. Everything measured is a share of the way round, a ratio to the local noise, or a ratio to the radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from castlab.scoring.rings import Candidates, Level

RAYS = 24
_REACH = np.linspace(0.35, 1.75, 29, dtype=np.float32)
"""Where the light is read along a ray, in radii."""
_STEP = float(_REACH[1] - _REACH[0])
_SOFT = 3.0
_CHUNK = 2000
_SIGNED, _EITHER = 0.4, 0.6
"""Mean share of the slope along the edge, of one sign or of any, below which nobody looks a second time."""

MEASURES = (
    "signed", "either", "covered", "gap", "wobble", "strength", "inside", "clutter", "small", "seen",
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


def look(steps: list[Level], found: Candidates, allowed: np.ndarray | None) -> Looked:
    """Follow the edge of each candidate; `allowed` marks the pixels of the picture that count (None: all)."""
    parts = []
    for place, level in enumerate(steps):
        here = np.flatnonzero(found.level == place)
        mask = None if allowed is None else allowed[:: level.factor, :: level.factor]
        for start in range(0, len(here), _CHUNK):
            some = here[start : start + _CHUNK]
            parts.append(_follow(level, mask, found.x[some], found.y[some], found.radius[some]))
    if not parts:
        empty = np.empty(0)
        return Looked(empty, empty, empty, empty, empty, np.empty((0, len(MEASURES))))
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    return Looked(*columns)


def _follow(
    level: Level, mask: np.ndarray | None, x: np.ndarray, y: np.ndarray, radius: np.ndarray
) -> tuple[np.ndarray, ...]:
    x, y, radius = x.astype(np.float32), y.astype(np.float32), radius.astype(np.float32)
    noise = level.noise_at(x, y)
    first = radius.copy()
    light, valid = _read(level, mask, x, y, radius)
    worth = _edged(light, valid, radius, noise)
    light, valid = light[worth], valid[worth]
    x, y, radius, first, noise = x[worth], y[worth], radius[worth], first[worth], noise[worth]
    x, y, radius = _fit(light, valid, x, y, radius, first, noise)
    light, valid = _read(level, mask, x, y, radius)
    x, y, radius = _fit(light, valid, x, y, radius, first, noise)
    # a radius that would go on beyond what its candidate stands for belongs to another candidate
    free = (radius > 0.61 * first) & (radius < 1.59 * first)
    x, y, radius, noise = x[free], y[free], radius[free], noise[free]
    light, valid = _read(level, mask, x, y, radius)
    measures, contrast, seen = _measure(light, valid, radius, noise, level.factor)
    f = level.factor
    return (x + 0.5) * f - 0.5, (y + 0.5) * f - 0.5, radius * f, contrast, seen, measures


def _read(
    level: Level, mask: np.ndarray | None, x: np.ndarray, y: np.ndarray, radius: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Light along the rays (candidate, ray, step), and which readings lie on pixels that count."""
    way = np.arange(RAYS) * (2 * np.pi / RAYS)
    reach = (radius[:, None] * _REACH).astype(np.float32)
    across = x[:, None, None] + reach[:, None, :] * np.cos(way, dtype=np.float32)[None, :, None]
    down = y[:, None, None] + reach[:, None, :] * np.sin(way, dtype=np.float32)[None, :, None]
    return level.read(across, down, mask)


def _slopes(light: np.ndarray, radius: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slope of the light outward, and sideways, per pixel of the level."""
    sideways = (np.roll(light, -1, axis=1) - np.roll(light, 1, axis=1)) / (4 * np.pi / RAYS * _REACH)
    return _outward(light, radius), sideways / radius[:, None, None]


def _outward(light: np.ndarray, radius: np.ndarray) -> np.ndarray:
    plain = np.zeros_like(light)
    plain[:, :, 1:-1] = (light[:, :, 2:] - light[:, :, :-2]) / (2 * _STEP)
    outward = plain.copy()
    outward[:, :, 1:-1] = 0.5 * plain[:, :, 1:-1] + 0.25 * (plain[:, :, 2:] + plain[:, :, :-2])
    return outward / radius[:, None, None]


def _fit(
    light: np.ndarray,
    valid: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    radius: np.ndarray,
    first: np.ndarray,
    noise: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Move each circle to where the edges found on its rays lie, by weighted least squares."""
    part = _sharp(_outward(light, radius), valid, (_SOFT * noise[:, None, None]) ** 2)
    turn, best, _ = _edge(part)
    near = (_REACH[None, :] > _REACH[best][:, None] - 0.26) & (_REACH[None, :] < _REACH[best][:, None] + 0.26)
    strong = np.where(turn[:, None, None] == 0, np.abs(part), part * turn[:, None, None]) * near[:, None, :]
    at = strong.argmax(axis=2)
    weight = np.maximum(np.take_along_axis(strong, at[:, :, None], axis=2)[:, :, 0], 0) ** 2 + 1e-6
    where = _REACH[at]
    way = np.arange(RAYS) * (2 * np.pi / RAYS)
    basis = np.column_stack([np.ones(RAYS), np.cos(way), np.sin(way)])
    normal = np.einsum("ca,ai,aj->cij", weight, basis, basis) + 1e-3 * np.eye(3)
    right = np.einsum("ca,ca,ai->ci", weight, where, basis)
    answer = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    shift = np.clip(answer[:, 1:], -0.25, 0.25) * radius[:, None]
    grown = np.clip(radius * np.clip(answer[:, 0], 0.7, 1.4), 0.6 * first, 1.6 * first)
    return x + shift[:, 0].astype(np.float32), y + shift[:, 1].astype(np.float32), grown.astype(np.float32)


def _sharp(outward: np.ndarray, valid: np.ndarray, soft: np.ndarray) -> np.ndarray:
    """Slope as a share of the steepest on the same ray: each ray counts alike, and edges stay where they are steepest."""
    span = (_REACH > 0.6) & (_REACH < 1.5)
    steepest = np.where(span, np.abs(outward), 0).max(axis=2, keepdims=True)
    shares: np.ndarray = outward / np.sqrt(steepest**2 + soft) * valid
    return shares


def _edged(light: np.ndarray, valid: np.ndarray, radius: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Which circles have an edge most of the way round."""
    span = (_REACH > 0.72) & (_REACH < 1.36)
    part = _sharp(_outward(light, radius), valid, (_SOFT * noise[:, None, None]) ** 2)[:, :, span]
    worth: np.ndarray = np.abs(part.mean(axis=1)).max(axis=1) > _SIGNED
    worth |= np.abs(part).mean(axis=1).max(axis=1) > _EITHER
    return worth


def _edge(part: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The sign of the outer edge (0: it changes round the ring), its place on the ray, and its mean share."""
    span = (_REACH > 0.72) & (_REACH < 1.36)
    signed = part.mean(axis=1)
    either = np.abs(part).mean(axis=1)
    size = np.where(span, np.abs(signed), 0)
    peak = size.max(axis=1)
    # the outermost of the edges that are nearly as clear as the clearest: a rim has two
    clear = (size > 0.75 * peak[:, None]) & (size >= np.roll(size, 1, axis=1)) & (size >= np.roll(size, -1, axis=1))
    best = np.where(clear, np.arange(len(_REACH)), -1).max(axis=1)
    best = np.where(best < 0, size.argmax(axis=1), best)
    turn = np.sign(np.take_along_axis(signed, best[:, None], axis=1)[:, 0])
    loose = np.where(span, either, 0)
    mixed = peak < 0.6 * loose.max(axis=1)
    best = np.where(mixed, loose.argmax(axis=1), best)
    return np.where(mixed, 0, turn), best, peak


def _measure(
    light: np.ndarray, valid: np.ndarray, radius: np.ndarray, noise: np.ndarray, factor: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    outward, sideways = _slopes(light, radius)
    soft = (_SOFT * noise[:, None, None]) ** 2
    size = outward**2 + sideways**2
    part = outward / np.sqrt(size + soft) * valid
    axial = (outward**2 - sideways**2) / np.sqrt(size * (size + soft) + 1e-20) * valid
    turn, best, _ = _edge(_sharp(outward, valid, soft))
    columns = np.clip(best[:, None] + np.arange(-2, 3), 0, len(_REACH) - 1)
    close = np.take_along_axis(part, columns[:, None, :].repeat(RAYS, 1), axis=2)
    close_axial = np.take_along_axis(axial, columns[:, None, :].repeat(RAYS, 1), axis=2)
    on = np.take_along_axis(valid, columns[:, None, :].repeat(RAYS, 1), axis=2)[:, :, 2]
    share = np.maximum(on.sum(axis=1), 1)
    seen = on.mean(axis=1)
    signed = np.abs(close.sum(axis=1)[:, 1:4]).max(axis=1) / share
    either = close_axial.sum(axis=1)[:, 1:4].max(axis=1) / share
    with_turn = np.where(turn[:, None, None] == 0, np.abs(close), close * turn[:, None, None])
    top = np.where(turn[:, None] == 0, close_axial.max(axis=2), with_turn.max(axis=2))
    held = (top > 0.4) & on
    covered = held.sum(axis=1) / share
    gap = _longest(~held & on) / RAYS
    heavy = np.maximum(with_turn, 0) ** 2 + 1e-6
    middle = (heavy * _REACH[columns][:, None, :]).sum(axis=2) / heavy.sum(axis=2)
    mean = (middle * held).sum(axis=1) / np.maximum(held.sum(axis=1), 1)
    wobble = np.sqrt((((middle - mean[:, None]) ** 2) * held).sum(axis=1) / np.maximum(held.sum(axis=1), 1))
    steep = np.abs(np.take_along_axis(outward, columns[:, None, :].repeat(RAYS, 1), axis=2)).max(axis=2)
    edge = (steep * on).sum(axis=1) / share
    strength = np.log(edge / noise + 1e-3)
    inner, outer = _REACH < 0.8, (_REACH > 1.2) & (_REACH < 1.6)
    weight_in, weight_out = valid[:, :, inner] * _REACH[inner], valid[:, :, outer] * 1.0
    body = (light[:, :, inner] * weight_in).sum(axis=(1, 2)) / np.maximum(weight_in.sum(axis=(1, 2)), 1e-6)
    round_about = (light[:, :, outer] * weight_out).sum(axis=(1, 2)) / np.maximum(weight_out.sum(axis=(1, 2)), 1e-6)
    rough = np.sqrt(
        (((light[:, :, outer] - round_about[:, None, None]) ** 2) * weight_out).sum(axis=(1, 2))
        / np.maximum(weight_out.sum(axis=(1, 2)), 1e-6)
    )
    rim = (_REACH > 0.7) & (_REACH < 1.05)
    rim_light = (light[:, :, rim] * valid[:, :, rim]).sum(axis=(1, 2)) / np.maximum(
        valid[:, :, rim].sum(axis=(1, 2)), 1e-6
    )
    contrast = np.where(np.abs(rim_light - round_about) > np.abs(body - round_about), rim_light, body) - round_about
    fluctuation = np.abs(outward[:, :, outer]).mean(axis=(1, 2)) + np.abs(sideways[:, :, outer]).mean(axis=(1, 2))
    clutter = np.log((fluctuation + 0.1 * noise) / (edge + 1e-9))
    inside = np.log(np.abs(contrast) / (rough + 0.3 * noise) + 0.05)
    small = np.log(radius * factor)
    contrast = _contrast(light, valid)
    measures = np.column_stack([signed, either, covered, gap, wobble, strength, inside, clutter, small, seen])
    return measures, contrast, seen


def _contrast(light: np.ndarray, valid: np.ndarray) -> np.ndarray:
    """Light of the middle or of the rim, whichever stands out more, less that well outside, away from soft edges."""
    zones = (_REACH < 0.55, (_REACH > 0.75) & (_REACH < 0.95), _REACH > 1.4)
    means = [
        (light[:, :, zone] * valid[:, :, zone]).sum(axis=(1, 2)) / np.maximum(valid[:, :, zone].sum(axis=(1, 2)), 1)
        for zone in zones
    ]
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
