"""Where a picture may hold circles: how well the light's slope points to or from a centre, all the way round a ring.

The slope of each pixel counts by its direction, not its strength, so that a faint bubble answers like a strong one.
Each octave of sizes is sought on a picture reduced until its radii are a few pixels, in tiles, by Fourier transforms.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

SMALLEST_PX = 3.0
"""Diameter below which a bubble is not told from grain."""

TOP = 8.0
"""Radii sought on one reduced picture end here, in its pixels."""
_STEP = 2.0 ** (1 / 3)
_TILE = 320
_MARGIN = 16
_SLOPE_BLUR = 0.8
_SOFT = 3.0
"""A slope of this many times the noise counts as half a direction."""
_THRESHOLD = 0.33
_RARE = 3.5
"""An answer must also stand out this many times from what grain alone gives at its radius."""
_EDGED = 3.0
"""Mean slope on a ring, in units of the local noise (grain alone: 1.25), below which nobody looks closer."""
_BLOCK = 64
_CALM = 2.7
_FEW = 3
"""A tile is passed over if fewer patches than this, of 4 x 4 pixels, have a mean slope of `_CALM` times the noise."""


@dataclass(frozen=True)
class Level:
    """A picture reduced `factor` times, smoothed, with the local noise of its slopes."""

    factor: int
    smooth: np.ndarray
    noise: np.ndarray

    def noise_at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Noise of the slope near points given in pixels of this level."""
        rows = np.clip((y / _BLOCK).astype(int), 0, self.noise.shape[0] - 1)
        columns = np.clip((x / _BLOCK).astype(int), 0, self.noise.shape[1] - 1)
        found: np.ndarray = self.noise[rows, columns]
        return found

    def read(
        self, across: np.ndarray, down: np.ndarray, mask: np.ndarray | None, margin: float = 0.0
    ) -> tuple[np.ndarray, np.ndarray]:
        """Light at points given in pixels of this level, and which of them count: inside the picture, or no more than
        `margin` beyond its outermost pixels, and on the mask."""
        from scipy import ndimage

        height, width = self.smooth.shape
        valid = (across >= -margin) & (across <= width - 1 + margin) & (down >= -margin) & (down <= height - 1 + margin)
        if mask is not None:
            rows = np.clip(np.rint(down).astype(np.int32), 0, min(mask.shape[0], height) - 1)
            columns = np.clip(np.rint(across).astype(np.int32), 0, min(mask.shape[1], width) - 1)
            valid &= mask[rows, columns]
        light = ndimage.map_coordinates(self.smooth, [down, across], order=1, mode="nearest", output=np.float32)
        return light, valid


@dataclass(frozen=True)
class Candidates:
    """Circles that may be there: `x`, `y`, `radius` in pixels of the level at place `level`; `answer` from 0 to 1."""

    level: np.ndarray
    x: np.ndarray
    y: np.ndarray
    radius: np.ndarray
    answer: np.ndarray

    def take(self, which: np.ndarray) -> Candidates:
        """Some of them."""
        return Candidates(*(part[which] for part in (self.level, self.x, self.y, self.radius, self.answer)))


def levels(picture: np.ndarray, largest_radius: float) -> list[Level]:
    """The picture and its halvings, as many as circles up to `largest_radius` (pixels) need."""
    from scipy import ndimage

    found: list[Level] = []
    now, factor = picture, 1
    while True:
        smooth = ndimage.gaussian_filter(now, _SLOPE_BLUR, mode="nearest")
        found.append(Level(factor, smooth, _noise(smooth, factor)))
        if largest_radius / factor <= TOP or min(now.shape) < 16:
            return found
        rows, columns = now.shape[0] // 2 * 2, now.shape[1] // 2 * 2
        cut = now[:rows, :columns]
        now = 0.25 * (cut[::2, ::2] + cut[1::2, ::2] + cut[::2, 1::2] + cut[1::2, 1::2])
        factor *= 2


def radii(place: int, smallest: float, largest: float) -> np.ndarray:
    """The radii sought on the level at `place`, in its pixels; `smallest` and `largest` in pixels of the picture."""
    low = smallest / 2**place if place == 0 else max(TOP / 2, smallest / 2**place)
    high = min(TOP, largest / 2**place)
    if high < low:
        return np.empty(0)
    steps = max(int(np.rint(np.log(high / low) / np.log(_STEP))), 1)
    return np.geomspace(low, high, steps + 1)


def candidates(steps: list[Level], smallest: float, largest: float) -> Candidates:
    """Every ring that answers locally best, at all levels; radii in pixels of the picture."""
    parts: list[tuple[int, np.ndarray]] = []
    for place, level in enumerate(steps):
        sought = radii(place, smallest, largest)
        if len(sought):
            parts.extend((place, _tile(level, top, left, sought)) for top, left in _corners(level.smooth.shape))
    table = np.concatenate([part for _, part in parts]) if parts else np.empty((0, 4))
    place_of = np.concatenate([np.full(len(part), place) for place, part in parts]) if parts else np.empty(0, int)
    return Candidates(place_of, table[:, 0], table[:, 1], table[:, 2], table[:, 3])


def slopes(smooth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slope along x and along y."""
    across = np.zeros_like(smooth)
    down = np.zeros_like(smooth)
    across[:, 1:-1] = 0.5 * (smooth[:, 2:] - smooth[:, :-2])
    down[1:-1] = 0.5 * (smooth[2:] - smooth[:-2])
    return across, down


def _noise(smooth: np.ndarray, factor: int) -> np.ndarray:
    """Slope noise by blocks: a low quantile of the slopes, which bubbles that fill up to two thirds do not move."""
    from scipy import ndimage

    found = np.empty((int(np.ceil(smooth.shape[0] / _BLOCK)), int(np.ceil(smooth.shape[1] / _BLOCK))), np.float32)
    for i in range(found.shape[0]):
        for j in range(found.shape[1]):
            block = smooth[i * _BLOCK : (i + 1) * _BLOCK + 2, j * _BLOCK : (j + 1) * _BLOCK + 2]
            # every other pixel of every other row: its neighbours say the same
            across = 0.5 * (block[1:-1:2, 2::2] - block[1:-1:2, :-2:2])
            down = 0.5 * (block[2::2, 1:-1:2] - block[:-2:2, 1:-1:2])
            if not across.size:
                found[i, j] = np.nan
                continue
            # what slopes across the whole block is uneven light, not grain
            size = np.hypot(across - _rank(across, 0.5), down - _rank(down, 0.5))
            found[i, j] = _rank(size, 0.3) / 0.8446
    usual = float(np.nanmedian(found))
    found = np.where(np.isnan(found), usual, found)
    found = ndimage.median_filter(found, 3, mode="nearest")
    floor = max(0.25 * usual, 0.0006 / factor)
    return np.maximum(found, floor).astype(np.float32)


def _rank(values: np.ndarray, share: float) -> float:
    """The value that a share of all does not exceed."""
    place = int(share * (values.size - 1))
    return float(np.partition(values, place, axis=None)[place])


def spread(level: Level, top: int, left: int, shape: tuple[int, ...]) -> np.ndarray:
    """The noise of each pixel of a block."""
    rows = np.clip((top + np.arange(shape[0])) // _BLOCK, 0, level.noise.shape[0] - 1)
    columns = np.clip((left + np.arange(shape[1])) // _BLOCK, 0, level.noise.shape[1] - 1)
    spread: np.ndarray = level.noise[np.ix_(rows, columns)]
    return spread


def _corners(shape: tuple[int, ...]) -> list[tuple[int, int]]:
    inner = _TILE - 3 * _MARGIN
    return [(top, left) for top in range(0, shape[0], inner) for left in range(0, shape[1], inner)]


@lru_cache(maxsize=4)
def _frequencies(rows: int, columns: int) -> tuple[np.ndarray, ...]:
    ky = 2 * np.pi * np.fft.fftfreq(rows)[:, None]
    kx = 2 * np.pi * np.fft.rfftfreq(columns)[None, :]
    size = np.hypot(kx, ky)
    size[0, 0] = 1.0
    cos, sin = kx / size, ky / size
    parts = (size, cos, sin, cos**2 - sin**2, 2 * cos * sin)
    return tuple(part.astype(np.float32) for part in parts)


@lru_cache(maxsize=64)
def _ring(rows: int, columns: int, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Fourier transforms of a soft ring of unit vectors pointing outward, and of their double angles."""
    from scipy.special import jv

    size = _frequencies(rows, columns)[0]
    grid = np.linspace(0, float(size.max()) + 0.01, 4096)
    soft = np.exp(-0.5 * (grid * 0.12 * radius) ** 2)
    one = np.interp(size, grid, jv(1, grid * radius) * soft).astype(np.float32)
    two = np.interp(size, grid, -jv(2, grid * radius) * soft).astype(np.float32)
    one[0, 0] = two[0, 0] = 0
    return one, two


def _tile(level: Level, top: int, left: int, sought: np.ndarray) -> np.ndarray:
    """Columns x, y, radius, answer of the best rings whose centres lie in one tile."""
    from scipy import fft

    smooth = level.smooth
    height, width = smooth.shape[0], smooth.shape[1]
    inner = _TILE - 3 * _MARGIN
    bottom, right = min(top + inner, height), min(left + inner, width)
    y0, x0 = max(top - _MARGIN, 0), max(left - _MARGIN, 0)
    block = smooth[y0 : min(bottom + _MARGIN, height), x0 : min(right + _MARGIN, width)]
    across, down = slopes(block)
    across2, down2 = across * across, down * down
    size2 = across2 + down2
    noise = spread(level, y0, x0, block.shape)
    size = np.sqrt(size2)
    clear = size / noise
    if _calm(clear):
        return np.empty((0, 4))
    weight = 1 / np.sqrt(size2 + (_SOFT * noise) ** 2)
    share = weight / np.maximum(size, 1e-12)
    double_cos = (across2 - down2) * share
    double_sin = 2 * across * down * share
    # one shape for all tiles of a large picture, so that the rings are transformed once
    shape = tuple(_TILE if side > _TILE // 2 else fft.next_fast_len(side + _MARGIN, real=True) for side in block.shape)
    _, cos, sin, cos2, sin2 = _frequencies(*shape)
    flow = fft.rfft2(across * weight, shape) * cos + fft.rfft2(down * weight, shape) * sin
    flow *= 1j
    axes = fft.rfft2(double_cos, shape) * cos2 + fft.rfft2(double_sin, shape) * sin2
    inside = (slice(0, block.shape[0]), slice(0, block.shape[1]))
    signed = np.empty((len(sought), *block.shape), np.float32)
    either = np.empty_like(signed)
    for n, radius in enumerate(sought):
        one, two = _ring(*shape, float(radius))
        signed[n] = fft.irfft2(flow * one, shape)[inside]
        either[n] = fft.irfft2(axes * two, shape)[inside]
    np.abs(signed, out=signed)
    found = []
    for stack, other in ((signed, either), (either, signed)):
        n, y, x = _peaks(stack)
        # each is looked at once, where it answers better
        keep = (
            (stack[n, y, x] >= 0.8 * other[n, y, x])
            & (y + y0 >= top)
            & (y + y0 < bottom)
            & (x + x0 >= left)
            & (x + x0 < right)
        )
        n, y, x = n[keep], y[keep], x[keep]
        keep = _edged(clear, x, y, sought[n])
        n, y, x = n[keep], y[keep], x[keep]
        found.append(np.column_stack([x + x0, y + y0, sought[n], stack[n, y, x]]))
    return np.concatenate(found)


def _calm(clear: np.ndarray) -> bool:
    """Whether nothing in a tile stands out; `clear` is the slope in units of the noise."""
    rows, columns = clear.shape[0] // 4, clear.shape[1] // 4
    patches = clear[: 4 * rows, : 4 * columns].reshape(rows, 4, columns, 4).mean(axis=(1, 3))
    return int((patches > _CALM).sum()) < _FEW


def _edged(clear: np.ndarray, x: np.ndarray, y: np.ndarray, radius: np.ndarray) -> np.ndarray:
    """Whether the slopes on a ring, in units of the local noise, are more than grain."""
    way = np.arange(16) * (np.pi / 8)
    total = np.zeros(len(x), np.float32)
    for angle in way:
        rows = _within(np.rint(y + radius * np.sin(angle)).astype(np.int32), clear.shape[0])
        columns = _within(np.rint(x + radius * np.cos(angle)).astype(np.int32), clear.shape[1])
        total += clear[rows, columns]
    return total > _EDGED * len(way)


def _peaks(stack: np.ndarray) -> tuple[Any, Any, Any]:
    """Places in the stack above the thresholds and not below any neighbour in place or in radius."""
    chance = np.median(np.abs(stack[:, ::5, ::5]), axis=(1, 2)) / 0.6745
    limit = np.maximum(_THRESHOLD, _RARE * chance)
    depth, rows, columns = stack.shape
    places = [np.flatnonzero(plane > least) for plane, least in zip(stack, limit, strict=True)]
    n = np.repeat(np.arange(depth), [len(place) for place in places])
    y, x = np.divmod(np.concatenate(places), columns)
    for dn, dy, dx in _NEIGHBOURS:
        beside = stack[_within(n + dn, depth), _within(y + dy, rows), _within(x + dx, columns)]
        keep = stack[n, y, x] >= beside
        n, y, x = n[keep], y[keep], x[keep]
    return n, y, x


def _within(place: np.ndarray, size: int) -> np.ndarray:
    """Places held inside an axis; `numpy.clip` takes several times as long on short arrays."""
    return np.minimum(np.maximum(place, 0), size - 1)


_NEIGHBOURS = sorted(
    ((n, y, x) for n in (-1, 0, 1) for y in (-1, 0, 1) for x in (-1, 0, 1) if (n, y, x) != (0, 0, 0)),
    key=lambda step: sum(map(abs, step)),
)
