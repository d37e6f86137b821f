"""Where a picture may hold circles: how well the light's slope points to or from a centre, all the way round a ring.

The slope of each pixel counts by its direction, not its strength, so that a faint bubble answers like a strong one.
Each octave of sizes is sought on a picture reduced until its radii are a few pixels, in tiles, by Fourier transforms.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

SMALLEST_PX = 3.0
"""Diameter below which a bubble is not told from grain."""

TOP = 8.0
"""Radii sought on one reduced picture end here, in its pixels."""
_STEP = 2.0 ** (1 / 3)
_TILE = 480
"""Most rows and columns of a tile without its margins."""
_MARGIN = 16
_GRAIN = 0.36
"""The most that grain alone answers, at a radius of one pixel (measured on white noise: it falls with the radius); in a
picture that is all edges the middle answer would measure those."""
_SOME = 7
"""Every so many answers tell what grain gives."""
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

    def own(self, x: np.ndarray, y: np.ndarray, radius: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Circles given in pixels of the picture, in pixels of this level."""
        return (x + 0.5) / self.factor - 0.5, (y + 0.5) / self.factor - 0.5, radius / self.factor

    def counted(self, allowed: np.ndarray | None) -> np.ndarray | None:
        """The pixels of this level that count, by those of the picture; None for all."""
        return None if allowed is None else allowed[:: self.factor, :: self.factor]

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
        noise = _noise(smooth, factor)
        if found:
            # a halved picture has no more grain than the one that it was made from
            noise = np.minimum(noise, float(np.median(found[-1].noise)))
        found.append(Level(factor, smooth, noise))
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


def suited(steps: list[Level], radius: np.ndarray) -> np.ndarray:
    """The places of the levels on which circles of these radii (pixels of the picture) are looked at."""
    return np.clip(np.ceil(np.log2(np.maximum(radius, 1e-3) / TOP)), 0, len(steps) - 1).astype(int)


def candidates(steps: list[Level], smallest: float, largest: float) -> Candidates:
    """Every ring that answers locally best, at all levels; radii in pixels of the picture."""
    parts: list[tuple[int, np.ndarray]] = []
    for place, level in enumerate(steps):
        sought = radii(place, smallest, largest)
        if len(sought):
            boxes, shape = _tiles(level.smooth.shape)
            parts.extend((place, _tile(level, box, shape, sought)) for box in boxes)
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

    tops, lefts = (np.arange(0, size, _BLOCK) for size in smooth.shape)
    tall, wide = (min(_BLOCK + 2, size) for size in smooth.shape)
    # the last blocks reach back, so that all are whole
    tops, lefts = np.minimum(tops, smooth.shape[0] - tall), np.minimum(lefts, smooth.shape[1] - wide)
    columns = lefts[:, None] + np.arange(1, wide - 1, 2)
    found = np.empty((len(tops), len(lefts)), np.float32)
    for i, top in enumerate(tops):
        # every other pixel of every other row: its neighbours say the same
        band = smooth[top : top + tall]
        rows = band[1:-1:2]
        across = 0.5 * (rows[:, columns + 1] - rows[:, columns - 1])
        down = 0.5 * (band[2::2][: len(rows)] - band[:-2:2])[:, columns]
        # what slopes across the whole block is uneven light, not grain
        size = np.hypot(*(part - _rank(part, 0.5) for part in (across, down)))
        found[i] = _rank(size, 0.3)[0, :, 0] / 0.8446
    usual = float(np.median(found))
    found = ndimage.median_filter(found, 3, mode="nearest")
    floor = max(0.25 * usual, 0.0006 / factor)
    return np.maximum(found, floor).astype(np.float32)


def _rank(values: np.ndarray, share: float) -> np.ndarray:
    """The value that a share of each block does not exceed; blocks along the second axis of three."""
    each = np.swapaxes(values, 0, 1).reshape(values.shape[1], -1)
    place = int(share * (each.shape[1] - 1))
    return np.partition(each, place, axis=1)[None, :, place, None]


def spread(level: Level, top: int, left: int, shape: tuple[int, ...]) -> np.ndarray:
    """The noise of each pixel of a block."""
    rows = np.clip((top + np.arange(shape[0])) // _BLOCK, 0, level.noise.shape[0] - 1)
    columns = np.clip((left + np.arange(shape[1])) // _BLOCK, 0, level.noise.shape[1] - 1)
    return level.noise.take(rows, axis=0).take(columns, axis=1)


def _tiles(shape: tuple[int, ...]) -> tuple[list[tuple[int, int, int, int]], tuple[int, int]]:
    """Boxes (top, left, bottom, right) alike in size that cover a picture, and the one shape that holds any of them with its
    margins: what a ring takes from beyond a block's end must come from nothing, so there is a margin more at the picture's edge."""
    from scipy import fft

    cuts, sides = [], []
    for size in shape:
        count = int(np.ceil(size / _TILE))
        ends = np.rint(np.linspace(0, size, count + 1)).astype(int).tolist()
        cuts.append(list(pairwise(ends)))
        sides.append(fft.next_fast_len(max(b - a for a, b in cuts[-1]) + 2 * _MARGIN, real=True))
    return [(top, left, bottom, right) for top, bottom in cuts[0] for left, right in cuts[1]], (sides[0], sides[1])


_WAVE = 0.0002
"""Steps in which the size of a wave is told, radians per pixel: far finer than any ring changes with it."""


@lru_cache(maxsize=4)
def _frequencies(rows: int, columns: int) -> tuple[np.ndarray, ...]:
    """Size of each wave in steps of `_WAVE`, and its direction and twice that; directions twice over (see `_times`)."""
    ky = 2 * np.pi * np.fft.fftfreq(rows)[:, None]
    kx = 2 * np.pi * np.fft.rfftfreq(columns)[None, :]
    size = np.hypot(kx, ky)
    size[0, 0] = 1.0
    cos, sin = kx / size, ky / size
    steps = np.rint(size / _WAVE).astype(np.intp)
    return steps, *(_twice(part) for part in (cos, sin, cos**2 - sin**2, 2 * cos * sin))


@lru_cache(maxsize=64)
def _ring(rows: int, columns: int, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Fourier transforms of a soft ring of unit vectors pointing outward, and of their double angles; twice over."""
    from scipy.special import j0, j1

    steps = _frequencies(rows, columns)[0]
    reach = np.arange(_WAVE, (steps.max() + 1.5) * _WAVE, _WAVE) * radius
    soft = np.exp(-0.5 * (0.12 * reach) ** 2)
    once, twice = j1(reach), 2 * j1(reach) / reach - j0(reach)
    one, two = (np.append(0, part * soft).astype(np.float32)[steps] for part in (once, -twice))
    one[0, 0] = two[0, 0] = 0
    return _twice(one), _twice(two)


def _twice(values: np.ndarray) -> np.ndarray:
    return np.repeat(values.astype(np.float32, copy=False), 2, axis=1)


def _times(waves: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Complex numbers times real ones that stand twice over: several times as fast as numpy's own product of the two."""
    return (waves.view(np.float32) * values).view(np.complex64)


def _tile(level: Level, box: tuple[int, int, int, int], shape: tuple[int, int], sought: np.ndarray) -> np.ndarray:
    """Columns x, y, radius, answer of the best rings whose centres lie in a box; Fourier transforms are of `shape`."""
    from scipy import fft

    top, left, bottom, right = box
    y0, x0 = max(top - _MARGIN, 0), max(left - _MARGIN, 0)
    block = level.smooth[y0 : bottom + _MARGIN, x0 : right + _MARGIN]
    across, down = slopes(block)
    noise = spread(level, y0, x0, block.shape)
    size2 = across * across
    size2 += down * down
    size = np.sqrt(size2)
    clear = size / noise
    if _calm(clear):
        return np.empty((0, 4))
    noise *= _SOFT
    noise *= noise
    size2 += noise
    weight = 1 / np.sqrt(size2, out=size2)
    np.maximum(size, 1e-12, out=size)
    share = weight / size
    double_cos = (across - down) * (across + down)
    double_cos *= share
    double_sin = across * down
    double_sin *= share
    double_sin *= 2
    across *= weight
    down *= weight
    _, cos, sin, cos2, sin2 = _frequencies(*shape)
    flow = _times(fft.rfft2(across, shape, norm="forward"), cos)
    flow += _times(fft.rfft2(down, shape, norm="forward"), sin)
    flow *= 1j
    axes = _times(fft.rfft2(double_cos, shape, norm="forward"), cos2)
    axes += _times(fft.rfft2(double_sin, shape, norm="forward"), sin2)
    rows, columns = block.shape
    # a border of nothing, so that every place has neighbours
    stacks = np.full((2, len(sought) + 2, rows + 2, columns + 2), -np.inf, np.float32)
    for place, radius in enumerate(sought, 1):
        one, two = _ring(*shape, float(radius))
        signed = fft.irfft2(_times(flow, one), shape, norm="forward", overwrite_x=True)
        np.abs(signed[:rows, :columns], out=stacks[0, place, 1:-1, 1:-1])
        either = fft.irfft2(_times(axes, two), shape, norm="forward", overwrite_x=True)
        stacks[1, place, 1:-1, 1:-1] = either[:rows, :columns]
    inside = slice(top - y0, bottom - y0), slice(left - x0, right - x0)
    found = []
    for stack, other in (stacks, stacks[::-1]):
        n, y, x, answer = _peaks(stack, other, inside, sought)
        keep = _edged(clear, x, y, sought[n])
        n, y, x = n[keep], y[keep], x[keep]
        found.append(np.column_stack([x + x0, y + y0, sought[n], answer[keep]]))
    return np.concatenate(found)


def _calm(clear: np.ndarray) -> bool:
    """Whether nothing in a tile stands out; `clear` is the slope in units of the noise."""
    rows, columns = clear.shape[0] // 4, clear.shape[1] // 4
    bands = clear[: 4 * rows, : 4 * columns].reshape(rows, 4, 4 * columns).sum(axis=1)
    patches = bands.reshape(rows, columns, 4).sum(axis=2)
    return int((patches > 16 * _CALM).sum()) < _FEW


def _edged(clear: np.ndarray, x: np.ndarray, y: np.ndarray, radius: np.ndarray) -> np.ndarray:
    """Whether the slopes on a ring, in units of the local noise, are more than grain."""
    way = np.arange(16) * (np.pi / 8)
    total = np.zeros(len(x), np.float32)
    for angle in way:
        rows = _within(np.rint(y + radius * np.sin(angle)).astype(np.int32), clear.shape[0])
        columns = _within(np.rint(x + radius * np.cos(angle)).astype(np.int32), clear.shape[1])
        total += clear[rows, columns]
    return total > _EDGED * len(way)


def _peaks(
    stack: np.ndarray, other: np.ndarray, inside: tuple[slice, slice], sought: np.ndarray
) -> tuple[np.ndarray, ...]:
    """Places (radius, row, column) and answers of a stack with a border of one, inside a part of it: above the
    thresholds, not below any neighbour in place or in radius, and not well below the other stack, which would tell it too."""
    inner = stack[1:-1, 1:-1, 1:-1]
    some = np.abs(inner[:, ::_SOME, ::_SOME]).reshape(len(inner), -1)
    chance = np.partition(some, some.shape[1] // 2, axis=1)[:, some.shape[1] // 2] / 0.6745
    limit = np.maximum(_THRESHOLD, _RARE * np.minimum(chance, _GRAIN / sought))
    parts = []
    for n, least in enumerate(limit):
        plane = inner[n][inside]
        y, x = np.divmod(np.flatnonzero(plane > least), plane.shape[1])
        parts.append(((n + 1) * stack.shape[1] + y + inside[0].start + 1) * stack.shape[2] + x + inside[1].start + 1)
    place = np.concatenate(parts)
    flat, own = stack.ravel(), stack.ravel()[place]
    keep = own >= 0.8 * other.ravel()[place]
    place, own = place[keep], own[keep]
    for dn, dy, dx in _NEIGHBOURS:
        keep = own >= flat[place + ((dn * stack.shape[1] + dy) * stack.shape[2] + dx)]
        place, own = place[keep], own[keep]
    n, y, x = np.unravel_index(place, stack.shape)
    return n - 1, y - 1, x - 1, own


def _within(place: np.ndarray, size: int) -> np.ndarray:
    """Places held inside an axis; `numpy.clip` takes several times as long on short arrays."""
    return np.minimum(np.maximum(place, 0), size - 1)


_NEIGHBOURS = sorted(
    ((n, y, x) for n in (-1, 0, 1) for y in (-1, 0, 1) for x in (-1, 0, 1) if (n, y, x) != (0, 0, 0)),
    key=lambda step: sum(map(abs, step)),
)
