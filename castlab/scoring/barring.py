"""Contrast of upright bars in a photo, patch by patch: on the printed target, or on bars of one's own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from castlab.errors import InputError
from castlab.scoring import colour, pictures
from castlab.scoring.locating import Located, inside, locate
from castlab.scoring.printed import Box, Sheet

_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Of linear sRGB (IEC 61966-2-1)."""
_PATCHES = 8
_MAGNIFIED = np.linspace(0.94, 1.06, 49)
"""Bars seen through a casting look larger or smaller by its apparent depth: sought within 6%."""
_BURNT = 0.99
_LEAST_CONTRAST = 0.08
_TILE_PERIODS = 4


@dataclass(frozen=True)
class Seen:
    """Contrast of the bars by line pairs per mm, one value per patch; linear colours of white paper relative to bare
    paper about it; share of white that is burnt out."""

    direct: dict[float, np.ndarray]
    through: dict[float, np.ndarray]
    mm_per_pixel: float
    white_direct: np.ndarray | None = None
    white_through: np.ndarray | None = None
    burnt: float = 0.0
    cautions: list[str] = field(default_factory=list)


def from_sheet(through: np.ndarray, direct: np.ndarray | None, target: Sheet) -> Seen:
    """Measure the printed target: the casting lies on its first bars; bare are the second, or the first of another photo.

    Raises
    ------
    InputError
        If the target is not found in a photo.
    """
    if not target.fields:
        raise InputError("this sheet has no bars; accepted: clarity_target()")
    first = _Photo(through, target)
    second = first if direct is None else _Photo(direct, target)
    bare = target.fields[1 if direct is None else 0]
    cast = target.fields[0]
    found: dict[str, dict[float, np.ndarray]] = {"direct": {}, "through": {}}
    for strip, other in zip(cast.strips, bare.strips, strict=True):
        found["through"][strip.frequency] = first.contrast(strip.box, strip.frequency, _MAGNIFIED)
        found["direct"][strip.frequency] = second.contrast(other.box, strip.frequency, _MAGNIFIED[20:29])
    cautions = []
    if first.located.residual_mm > 0.25 or second.located.residual_mm > 0.25:
        cautions.append(
            "The printed target is bent or the lens distorts: lay it flat and photograph from farther away."
        )
    if abs(first.located.mm_per_pixel / second.located.mm_per_pixel - 1) > 0.05:
        cautions.append("The two photos were taken from different distances: their contrasts are not quite comparable.")
    white_through, burnt_one = first.white(cast.white)
    white_direct, burnt_two = second.white(bare.white)
    return Seen(
        **found, mm_per_pixel=first.located.mm_per_pixel, white_direct=white_direct, white_through=white_through,
        burnt=max(burnt_one, burnt_two), cautions=cautions,
    )  # fmt: skip


class _Photo:
    """One photo of the target: where it lies, and how the light falls on its bare paper."""

    def __init__(self, colours: np.ndarray, target: Sheet) -> None:
        self.coded = colours
        self.light = colour.linear(colours)
        self.plane = self.light @ _LUMINANCE
        self.located: Located = locate(self.plane, target.marks)
        side = target.marks.side
        places = np.array(target.marks.blanks)
        patches = [(x - side / 2, y - side / 2, side, side) for x, y in places]
        bright = np.array([self._mean(box)[0] for box in patches])
        shape = np.column_stack([np.ones(len(places)), places - places.mean(axis=0)])
        self._middle = places.mean(axis=0)
        kept = np.ones(len(places), bool)
        level = np.log(np.maximum(bright, 1e-4))
        for _ in range(3):  # paper under a shadow or a finger is left out
            self._fall = np.linalg.lstsq(shape[kept], level[kept], rcond=None)[0]
            off = np.abs(level - shape @ self._fall).max(axis=1)
            kept = off <= max(0.1, 3 * float(np.median(off)))

    def _mean(self, box: Box, margin: float = 0.0) -> tuple[np.ndarray, float]:
        rows, columns, _, _ = inside(box, self.located, self.plane.shape, margin)
        if len(rows) < 9:
            raise InputError(
                "the target is too small in the photo: go nearer, so that its squares are dozens of pixels wide"
            )
        burnt = float((self.coded[rows, columns].max(axis=1) >= _BURNT).mean())
        return self.light[rows, columns].mean(axis=0), burnt

    def white(self, box: Box) -> tuple[np.ndarray, float]:
        """Colour of a patch relative to what bare paper would show in its place."""
        mean, burnt = self._mean(box, margin=0.2 * box[3])
        place = np.array([box[0] + box[2] / 2, box[1] + box[3] / 2]) - self._middle
        return mean / np.exp(np.array([1.0, *place]) @ self._fall), burnt

    def contrast(self, box: Box, frequency: float, magnified: np.ndarray) -> np.ndarray:
        """Contrast in patches of a strip, the first and last pair and the rims left out."""
        x, y, width, height = box
        rim = min(0.5 / frequency + 0.3, 0.2 * width)
        rows, columns, across, down = inside(
            (x + rim, y + 0.22 * height, width - 2 * rim, 0.56 * height), self.located, self.plane.shape
        )
        return patch_contrasts(self.plane[rows, columns], across, down, frequency, magnified)


def patch_contrasts(
    light: np.ndarray, across: np.ndarray, down: np.ndarray, frequency: float, magnified: np.ndarray
) -> np.ndarray:
    """Amplitude over mean of the bars' fundamental wave, in patches from left to right and from top to bottom.

    Parameters
    ----------
    light, across, down
        Linear light of pixels and their places, mm.
    frequency
        Line pairs per mm.
    magnified
        Factors by which the bars may look larger.
    """
    if len(light) < 60:
        return np.zeros(1)
    powers = [_wave(light, across, down, frequency / size)[0] for size in magnified]
    at = frequency / float(magnified[int(np.argmax(powers))])
    wide = max(2, min(_PATCHES // 2, int(np.ptp(across) * at / 2)))
    column = np.clip(((across - across.min()) / (np.ptp(across) + 1e-9) * wide).astype(int), 0, wide - 1)
    row = (down > np.median(down)).astype(int)
    found = []
    for n in range(wide):
        for m in range(2):
            chosen = (column == n) & (row == m)
            if chosen.sum() >= 25:
                amplitude2, mean = _wave(light[chosen], across[chosen], down[chosen], at)
                found.append(np.sqrt(max(amplitude2, 0.0)) / max(mean, 1e-6))
    return np.array(found) if found else np.zeros(1)


def _wave(light: np.ndarray, across: np.ndarray, down: np.ndarray, frequency: float) -> tuple[float, float]:
    """Squared amplitude of the fundamental, freed of noise, and mean; slopes and overtones are fitted beside it."""
    u, v = across - across.mean(), down - down.mean()
    waves = [wave(2 * np.pi * n * frequency * u) for n in (1, 3) for wave in (np.cos, np.sin)]
    design = np.column_stack([np.ones(len(u)), u, v, *waves])
    fit, *_ = np.linalg.lstsq(design, light, rcond=None)
    left = light - design @ fit
    noise = float(left @ left) / max(len(light) - design.shape[1], 1)
    return float(fit[3] ** 2 + fit[4] ** 2) - 4 * noise / len(light), float(fit[0])


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
        If the scale, the regions or the sizes do not fit, or no bars are seen directly.
    """
    scale = mm_per_pixel if isinstance(mm_per_pixel, int | float) else float("nan")
    if not (np.isfinite(scale) and scale > 0):
        raise InputError(f"mm_per_pixel is {mm_per_pixel!r}; give the millimetres across one pixel, above 0")
    parts = [_cut(picture, box) for picture, box in ((through, region), (direct, direct_region))]
    if parts[0].shape != parts[1].shape:
        sizes = " and ".join(f"{part.shape[1]} x {part.shape[0]}" for part in parts)
        raise InputError(
            f"the two pictures of the bars are {sizes} pixels; they must be equally large and show the same"
        )
    cast, bare = (colour.linear(part) @ _LUMINANCE for part in parts)
    tile = max(24, min(bare.shape) // 12)
    tile = min(tile, min(bare.shape))
    found: dict[str, dict[float, list[float]]] = {"direct": {}, "through": {}}
    for top in range(0, bare.shape[0] - tile + 1, tile):
        for left in range(0, bare.shape[1] - 2 * tile + 1, 2 * tile):
            window = (slice(top, top + tile), slice(left, left + 2 * tile))
            known = _bars(bare[window])
            if known is None:
                continue
            frequency, contrast = known
            rows, columns = np.mgrid[window[0], window[1]]
            places = columns.ravel().astype(float), rows.ravel().astype(float)
            powers = [_wave(cast[window].ravel(), *places, frequency / size) for size in _MAGNIFIED[::4]]
            amplitude2, mean = max(powers)
            band = float(f"{2 ** (round(4 * np.log2(frequency / scale)) / 4):.3g}")
            found["direct"].setdefault(band, []).append(contrast)
            found["through"].setdefault(band, []).append(float(np.sqrt(max(amplitude2, 0.0)) / max(mean, 1e-6)))
    kept = [band for band, values in found["direct"].items() if len(values) >= 2]
    if not kept:
        raise InputError(
            "no upright bars are seen in the direct picture; give region= round them, or use clarity_target()"
        )
    return Seen(
        {band: np.array(found["direct"][band]) for band in kept},
        {band: np.array(found["through"][band]) for band in kept},
        scale,
        cautions=["Frequencies of bars of your own are put together in steps of a quarter of an octave."],
    )


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


def _bars(tile: np.ndarray) -> tuple[float, float] | None:
    """Cycles per pixel and contrast of the upright bars that fill a tile; None if it holds none."""
    from scipy.optimize import minimize_scalar

    rows, columns = tile.shape
    profile = tile.mean(axis=0)
    mean = float(profile.mean())
    along = np.arange(columns)
    flat = profile - np.polyval(np.polyfit(along, profile, 1), along)
    power = np.abs(np.fft.rfft(flat * np.hanning(columns), 8 * columns)) ** 2
    cycles = np.arange(len(power)) / (8 * columns)
    power[cycles < _TILE_PERIODS / columns] = 0
    peak = float(cycles[int(np.argmax(power))])
    if peak == 0 or mean <= 0:
        return None
    y, x = np.mgrid[0:rows, 0:columns]
    places = x.ravel().astype(float), y.ravel().astype(float)
    sharp = minimize_scalar(
        lambda f: -_wave(tile.ravel(), *places, f)[0],
        bounds=(peak - 0.5 / columns, peak + 0.5 / columns),
        method="bounded",
    )
    amplitude2, level = _wave(tile.ravel(), *places, float(sharp.x))
    contrast = float(np.sqrt(max(amplitude2, 0.0)) / max(level, 1e-6))
    # one wave, its overtones apart, must make up most of what varies, in every row alike
    spread = float(tile.var())
    if contrast < _LEAST_CONTRAST or amplitude2 / 2 < 0.6 * spread:
        return None
    return float(sharp.x), contrast
