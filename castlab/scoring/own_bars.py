"""Contrast of upright bars of one's own, tile by tile, in two pictures of the same bars in the same place.

Bars stand upright, so the rows of a tile differ by a slope and noise alone: fits to all of its pixels are fits to the mean
of each column, with the scatter within columns beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from castlab.errors import InputError
from castlab.records.models import MM_PER_PIXEL
from castlab.scoring import colour, pictures
from castlab.scoring.barring import LUMINANCE, Seen, at_one_size, contrast_of, lens, waves
from castlab.scoring.lengths import per_pixel

SIZES = 0.8, 1.25
"""How much smaller or larger the bars may look through the casting."""
_LEAST_CONTRAST = 0.08
_TILE_PERIODS = 4
_ONE_WAVE = 0.6
"""Share of what varies in a tile that one wave must make up, its overtones apart."""


@dataclass(frozen=True)
class _Tile:
    """The mean of each column of a tile, and the squares that these and a slope from row to row leave."""

    profile: np.ndarray
    rows: int
    within: float
    variance: float

    @classmethod
    def of(cls, light: np.ndarray) -> _Tile:
        """From linear light, rows x columns."""
        profile = light.mean(axis=0)
        down = np.arange(len(light)) - (len(light) - 1) / 2
        slope = float(down @ light.mean(axis=1)) / float(down @ down)
        within = float(((light - profile) ** 2).sum()) - slope**2 * float(down @ down) * len(profile)
        return cls(profile, len(light), within, float(light.var()))

    def wave(self, frequency: float) -> tuple[float, float]:
        """Squared amplitude of a wave (cycles per pixel), freed of noise, and mean; a slope and overtones are fitted beside."""
        u = np.arange(len(self.profile)) - (len(self.profile) - 1) / 2
        design = np.column_stack([np.ones(len(u)), u, *waves(u, frequency)])
        fit, *_ = np.linalg.lstsq(design, self.profile, rcond=None)
        left = self.profile - design @ fit
        points = self.rows * len(u)
        noise = (self.rows * float(left @ left) + self.within) / max(points - design.shape[1] - 1, 1)
        return float(fit[2] ** 2 + fit[3] ** 2) - 4 * noise / points, float(fit[0])

    def strongest(self, low: float, high: float) -> float | None:
        """Cycles per pixel of the strongest wave between two frequencies; None if there is none between."""
        from scipy.optimize import minimize_scalar

        columns = len(self.profile)
        along = np.arange(columns)
        flat = self.profile - np.polyval(np.polyfit(along, self.profile, 1), along)
        power = np.abs(np.fft.rfft(flat * np.hanning(columns), 8 * columns)) ** 2
        cycles = np.arange(len(power)) / (8 * columns)
        power[(cycles < low) | (cycles > high)] = 0
        peak = float(cycles[int(np.argmax(power))])
        if peak == 0:
            return None
        near = max(low, peak - 0.5 / columns), min(high, peak + 0.5 / columns)
        return float(minimize_scalar(lambda f: -self.wave(f)[0], bounds=near, method="bounded").x)


def from_tiles(
    through: np.ndarray,
    direct: np.ndarray,
    mm_per_pixel: float,
    region: Sequence[float] | None,
    direct_region: Sequence[float] | None,
) -> Seen:
    """Measure bars of one's own, in two pictures of the same bars in the same place.

    Raises
    ------
    InputError
        If the scale, the regions or the sizes do not fit, no bars are seen directly, or they look too much larger or smaller.
    """
    scale = per_pixel(mm_per_pixel)
    if not np.isfinite(scale):
        raise InputError(
            f"mm_per_pixel is {mm_per_pixel!r}; give the millimetres across one pixel, {MM_PER_PIXEL[0]:g} to {MM_PER_PIXEL[1]:g}"
        )
    parts = [_cut(picture, box) for picture, box in ((through, region), (direct, direct_region))]
    if parts[0].shape != parts[1].shape:
        sizes = " and ".join(f"{part.shape[1]} x {part.shape[0]}" for part in parts)
        raise InputError(
            f"the two pictures of the bars are {sizes} pixels; they must be equally large and show the same"
        )
    cast, bare = (colour.linear(part) @ LUMINANCE for part in parts)
    tile = max(24, min(bare.shape) // 12)
    tile = min(tile, min(bare.shape))
    found: dict[str, dict[float, list[float]]] = {"direct": {}, "through": {}}
    sizes_seen = []
    for top in range(0, bare.shape[0] - tile + 1, tile):
        for left in range(0, bare.shape[1] - 2 * tile + 1, 2 * tile):
            window = (slice(top, top + tile), slice(left, left + 2 * tile))
            known = _bars(_Tile.of(bare[window]))
            if known is None:
                continue
            frequency, contrast = known
            seen = _Tile.of(cast[window])
            at = seen.strongest(frequency / SIZES[1], frequency / SIZES[0]) or frequency
            left_over = contrast_of(*seen.wave(at))
            if left_over >= _LEAST_CONTRAST:
                sizes_seen.append(frequency / at)
            band = float(f"{2 ** (round(4 * np.log2(frequency / scale)) / 4):.3g}")
            found["direct"].setdefault(band, []).append(contrast)
            found["through"].setdefault(band, []).append(left_over)
    kept = [band for band, values in found["direct"].items() if len(values) >= 2]
    if not kept:
        raise InputError(
            "no upright bars are seen in the direct picture; give region= round them, or use clarity_target()"
        )
    size = float(np.median(sizes_seen)) if sizes_seen else 1.0
    if not SIZES[0] * 1.01 < size < SIZES[1] / 1.01:
        raise InputError(
            f"the bars look more than {SIZES[1] - 1:.0%} larger or {1 - SIZES[0]:.0%} smaller through the casting, which is then a "
            "lens; photograph a flat part of it, or use clarity_target()"
        )
    bars = {name: {band: np.array(values[band]) for band in kept} for name, values in found.items()}
    told = ["Frequencies of bars of your own are put together in steps of a quarter of an octave."]
    return Seen(bars["direct"], at_one_size(bars["through"], bars["direct"], size), scale, cautions=told + lens(size))


def _cut(picture: np.ndarray, box: Sequence[float] | None) -> np.ndarray:
    if box is None:
        return picture
    try:
        x, y, width, height = (round(float(v)) for v in box)
    except (TypeError, ValueError):
        raise InputError(f"region {box!r} cannot be read; accepted: (x, y, width, height) in pixels") from None
    least = 2 * pictures.FEWEST_PIXELS
    if (
        x < 0
        or y < 0
        or width < least
        or height < least
        or x + width > picture.shape[1]
        or y + height > picture.shape[0]
    ):
        raise InputError(
            f"region {tuple(box)} does not lie in the picture of {picture.shape[1]} x {picture.shape[0]} pixels, or is less than "
            f"{least} wide or high"
        )
    return picture[y : y + height, x : x + width]


def _bars(tile: _Tile) -> tuple[float, float] | None:
    """Cycles per pixel and contrast of the upright bars that fill a tile; None if it holds none."""
    if tile.profile.mean() <= 0:
        return None
    frequency = tile.strongest(_TILE_PERIODS / len(tile.profile), 0.5)
    if frequency is None:
        return None
    amplitude2, mean = tile.wave(frequency)
    contrast = contrast_of(amplitude2, mean)
    if contrast < _LEAST_CONTRAST or amplitude2 / 2 < _ONE_WAVE * tile.variance:
        return None
    return frequency, contrast
