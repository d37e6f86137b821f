"""Counting bubbles in a photo: `count_bubbles` and what it hands back. The finding is in `finding`, the trust in `trust`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab.errors import InputError
from castlab.given import whole
from castlab.records.models import MM_PER_PIXEL
from castlab.results import Result
from castlab.scoring import pictures
from castlab.scoring.finding import Found, find
from castlab.scoring.judging import SURE
from castlab.scoring.lengths import above_zero, per_pixel
from castlab.scoring.regions import region_mask
from castlab.scoring.rings import SMALLEST_PX
from castlab.scoring.scale import Scale
from castlab.scoring.sheet_print import painted_over, printed_in
from castlab.scoring.trust import Trust, assess

if TYPE_CHECKING:
    from matplotlib.figure import Figure

USUAL_SMALLEST_MM = 0.2
_FEW_PIXELS = 6.0
"""Diameter in pixels below which finds are unsure; the measured hit rate falls from there."""
_ON_SHEET = (
    "A marker sheet is seen: its squares, rulers and words are left out. The outline of a casting may still count as a bubble and "
    "hide those in it: count again with region= round the casting."
)


@dataclass(frozen=True, kw_only=True)
class BubbleCount(Result):
    """The bubbles of one photo, the interval for how many there truly are, and how far to trust it."""

    count: int
    low: int | None
    high: int | None
    bubbles: pd.DataFrame
    sizes: pd.DataFrame
    missed: pd.DataFrame
    false_finds: float | None
    area_fraction: float
    mm_per_pixel: float
    smallest_mm: float
    region: np.ndarray | None = field(repr=False, default=None)
    picture: np.ndarray = field(repr=False)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Sizes and misses; the bubbles one by one are in `.bubbles`."""
        shown = {"Sizes": self.sizes}
        if len(self.missed):
            shown["Missed, by size"] = self.missed
        return shown

    def overlay(self, **options: Any) -> Figure:
        """The photo with a circle round each bubble found."""
        return self.figure(**options)


def count_bubbles(
    image: Any,
    mm_per_pixel: float | None = None,
    region: Sequence[float] | Sequence[Sequence[float]] | np.ndarray | None = None,
    smallest_mm: float = USUAL_SMALLEST_MM,
    *,
    largest_mm: float | None = None,
    trust: bool = True,
    seed: int = 1,
) -> BubbleCount:
    """Count the bubbles in a photo of a casting, measure them, and say how far the count can be trusted.

    Parameters
    ----------
    image
        A path, the bytes of a file, an array or a Pillow image (JPEG, PNG, TIFF, HEIC; 8 or 16 bit).
    mm_per_pixel
        Scale: millimetres across one pixel. There is no usual one: without it nothing is counted.
    region
        What part counts, in mm from the picture's upper left corner: (x, y, width, height) of a box, (x, y, diameter) of a
        circle about x, y, corners of a polygon; or a mask of the picture's shape. None: all of it, but for what is printed on
        a marker sheet that is seen whole.
    smallest_mm
        Smallest diameter that counts, mm.
    largest_mm
        Largest diameter that is sought, mm; None: a third of the picture's shorter side.
    trust
        Draw bubbles into the photo and seek them again, for the interval and the share missed. False saves the time.
    seed
        Of the places where those are drawn.

    Returns
    -------
    BubbleCount
        `.bubbles` (x_mm, y_mm, diameter_mm, contrast as a share of full white, cut_by_edge, confidence), `.count`,
        `.low` and `.high` (95% interval for the true count; `.high` is None where nothing was found and the photo
        cannot show that nothing is there), `.sizes`, `.missed`, `.false_finds`, `.area_fraction`,
        `.overlay()`.

    Raises
    ------
    InputError
        If the picture, the scale, the region or the sizes cannot be used.

    Examples
    --------
    >>> y, x = np.mgrid[0:120, 0:160]
    >>> photo = np.where(np.hypot(x - 60, y - 50) < 9, 0.8, 0.4)
    >>> seen = count_bubbles(photo, mm_per_pixel=0.1, smallest_mm=0.8, trust=False)
    >>> seen.count, bool(1.6 < seen.bubbles.diameter_mm[0] < 2.0)
    (1, True)
    """
    scale = _scale(mm_per_pixel)
    whole("seed", seed, 0)
    colours = pictures.read(image)
    shape = (colours.shape[0], colours.shape[1])
    mask = region_mask(region, shape, scale)
    box = _box(mask, shape)
    largest = _largest(largest_mm, scale, shape, box)
    cautions: list[str] = []
    smallest = _smallest(smallest_mm, scale, largest, cautions)
    part = colours[box]
    light = pictures.light(part)
    allowed = None if mask is None or mask[box].all() else np.ascontiguousarray(mask[box])
    printed = printed_in(light) if mask is None else None
    if printed is not None:
        light, mask = painted_over(light, printed), ~printed
        cautions.append(_ON_SHEET)
    found = find(light, smallest, largest, allowed)
    counted = found.where((found.sure >= SURE) & (2 * found.radius >= smallest))
    told = assess(light, allowed, found, smallest, largest, seed) if trust else None
    pixels = light.size if mask is None else int(mask.sum())
    bubbles = _table(counted, box, scale)
    cautions.extend(_cautions(part, light, allowed, counted, told))
    smallest_used = smallest * scale
    return BubbleCount(
        verdict=_verdict(counted, told, smallest_used, scale),
        cautions=tuple(cautions),
        count=len(counted.x),
        low=None if told is None else told.low,
        high=None if told is None else told.high,
        bubbles=bubbles,
        sizes=_sizes(bubbles, smallest_used),
        missed=_missed(told, scale),
        false_finds=None if told is None else told.false,
        area_fraction=_covered(counted, light.shape, None if mask is None else mask[box]) / pixels,
        mm_per_pixel=scale,
        smallest_mm=smallest_used,
        region=mask,
        picture=pictures.eight_bit(colours),
    )


def _scale(mm_per_pixel: Any) -> float:
    if isinstance(mm_per_pixel, Scale):
        picture = " and its .picture as the image" if mm_per_pixel.picture is not None else ""
        raise InputError(f"mm_per_pixel is a whole Scale; give its .mm_per_pixel{picture}")
    scale = per_pixel(mm_per_pixel)
    if np.isnan(scale):
        raise InputError(
            f"no scale: mm_per_pixel is {mm_per_pixel!r}; give the millimetres across one pixel, {MM_PER_PIXEL[0]:g} to {MM_PER_PIXEL[1]:g}, "
            "from a ruler, a disc of known size or the marker sheet in the picture (scale_from_length, scale_from_disc, "
            "scale_from_sheet)"
        )
    return scale


def _box(mask: np.ndarray | None, shape: tuple[int, int]) -> tuple[slice, slice]:
    """The smallest box of the picture that holds the region."""
    if mask is None:
        return slice(0, shape[0]), slice(0, shape[1])
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    box = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
    least = pictures.FEWEST_PIXELS
    if min(rows[-1] - rows[0], columns[-1] - columns[0]) + 1 < least:
        raise InputError(f"the region is less than {least} pixels wide or high inside the picture; give a larger one")
    return box


def _largest(largest_mm: float | None, scale: float, shape: tuple[int, int], box: tuple[slice, slice]) -> float:
    shorter = min(side.stop - side.start for side in box)
    if largest_mm is None:
        return min(min(shape) / 3, float(shorter))
    largest = above_zero(largest_mm)
    if np.isnan(largest):
        raise InputError(f"largest_mm is {largest_mm!r}; give a diameter in mm, above 0")
    return min(largest / scale, float(shorter))


def _smallest(smallest_mm: float, scale: float, largest: float, cautions: list[str]) -> float:
    smallest = above_zero(smallest_mm) / scale
    if np.isnan(smallest):
        raise InputError(f"smallest_mm is {smallest_mm!r}; give a diameter in mm, above 0")
    if smallest < SMALLEST_PX:
        limit = SMALLEST_PX * scale
        if smallest_mm != USUAL_SMALLEST_MM:
            raise InputError(
                f"smallest_mm is {smallest_mm:g}, which is {smallest:.2g} pixels across; these pixels resolve bubbles "
                f"from {limit:.3g} mm: count from there, or photograph from nearer"
            )
        cautions.append(
            f"Bubbles below {limit:.3g} mm are not counted: {USUAL_SMALLEST_MM:g} mm is less than {SMALLEST_PX:g} "
            "pixels across in this photo."
        )
        smallest = SMALLEST_PX
    if smallest >= largest:
        raise InputError(
            f"the smallest bubble ({smallest * scale:.3g} mm) is not below the largest that is sought "
            f"({largest * scale:.3g} mm); give a smaller smallest_mm, a larger region or another scale"
        )
    return smallest


def _table(found: Found, box: tuple[slice, slice], scale: float) -> pd.DataFrame:
    rows = {
        "x_mm": (found.x + box[1].start + 0.5) * scale,
        "y_mm": (found.y + box[0].start + 0.5) * scale,
        "diameter_mm": 2 * found.radius * scale,
        "contrast": found.contrast,
        "cut_by_edge": found.seen < 0.98,
        "confidence": found.sure,
    }
    return pd.DataFrame(rows).astype({"contrast": float}).sort_values("diameter_mm", ascending=False, ignore_index=True)


def _sizes(bubbles: pd.DataFrame, smallest_mm: float) -> pd.DataFrame:
    """Count by size class, each class twice as wide as the one before."""
    top = float(bubbles.diameter_mm.max()) if len(bubbles) else smallest_mm
    count = max(1, int(np.floor(np.log2(top / smallest_mm) + 1e-9)) + 1)
    edges = smallest_mm * 2.0 ** np.arange(count + 1)
    numbers = np.histogram(bubbles.diameter_mm, bins=edges)[0] if len(bubbles) else np.zeros(count, int)
    return pd.DataFrame({"from_mm": edges[:-1], "to_mm": edges[1:], "count": numbers}).round({"from_mm": 3, "to_mm": 3})


def _missed(told: Trust | None, scale: float) -> pd.DataFrame:
    if told is None:
        return pd.DataFrame(columns=["from_mm", "to_mm", "drawn", "missed_share", "low", "high"])
    table = told.missed.rename(columns={"from_px": "from_mm", "to_px": "to_mm"})
    table[["from_mm", "to_mm"]] = (table[["from_mm", "to_mm"]] * scale).round(3)
    return table.round({"missed_share": 2, "low": 2, "high": 2})


def _covered(found: Found, shape: tuple[int, ...], allowed: np.ndarray | None) -> int:
    """Pixels covered by bubbles, each counted once."""
    from skimage.draw import disk

    mask = np.zeros(shape, bool)
    for x, y, radius in zip(found.x, found.y, found.radius, strict=True):
        mask[disk((y, x), radius, shape=shape)] = True
    return int((mask if allowed is None else mask & allowed).sum())


def _verdict(found: Found, told: Trust | None, smallest_mm: float, scale: float) -> str:
    number = len(found.x)
    noun = "bubble" if number == 1 else "bubbles"
    text = f"{number} {noun} of {smallest_mm:.2g} mm and more found"
    if told is not None and not number:
        return text + _none_seen(told)
    if told is not None:
        text += f"; the true number is likely between {told.low} and {told.high} (95%)"
    if number:
        text += f". Middle diameter {float(np.median(2 * found.radius)) * scale:.2g} mm"
    return text + "."


def _none_seen(told: Trust) -> str:
    """What it means that nothing was found, by what became of the bubbles drawn in as a test."""
    if told.shown is None:
        drawn = int(told.missed.drawn.sum())
        lost = round(float((told.missed.missed_share * told.missed.drawn).sum()))
        test = f" ({lost} of {drawn} drawn in as a test were not found)" if 2 * lost > drawn else ""
        return f", but this photo cannot show whether there are bubbles{test}."
    if told.high is None:
        return (
            f"; only those with a contrast of {told.shown:g} of full white and more would be seen in this photo, "
            "how many fainter ones there are it cannot tell."
        )
    return (
        f"; the true number is likely between 0 and {told.high} (95%), those with a contrast below {told.shown:g} of full "
        "white apart."
    )


def _cautions(
    colours: np.ndarray, light: np.ndarray, allowed: np.ndarray | None, found: Found, told: Trust | None
) -> list[str]:
    said = []
    # every so many pixels tell these shares as well as all of them
    step = max(1, int(np.sqrt(light.size / 400_000)))
    colours, light = pictures.floats(colours[::step, ::step]), light[::step, ::step]
    inside = np.ones(light.shape, bool) if allowed is None else allowed[::step, ::step]
    if not inside.any():
        inside = np.ones(light.shape, bool)
    white = (colours.min(axis=2) >= 0.995)[inside].mean()
    if white > 0.01:
        said.append(f"{100 * white:.0f}% of the picture is burnt out by glare; bubbles there cannot be seen.")
    spread = float(np.quantile(light[inside], 0.99) - np.quantile(light[inside], 0.01))
    if spread < 0.04:
        said.append("The picture has hardly any contrast; light the casting from the side against a dark ground.")
    if len(found.x):
        few = (2 * found.radius < _FEW_PIXELS).mean()
        if few > 0.2:
            said.append(
                f"{100 * few:.0f}% of the bubbles are less than {_FEW_PIXELS:g} pixels across, where finds are unsure; "
                "photograph from nearer to be sure of them."
            )
        cut = int((found.seen < 0.98).sum())
        if cut:
            said.append(f"{cut} of them are cut by the edge of the region and count as whole bubbles.")
    black = (colours.max(axis=2) <= 0.004)[inside].mean()
    if black > 0.5:
        said.append(f"{100 * black:.0f}% of the picture is wholly black; bubbles there cannot be seen. Expose more.")
    if told is not None and not len(found.x):
        if told.high is None:
            said.append(
                "That none was found does not mean that there are none: bubbles drawn into this photo as a test were mostly "
                "not found again, or only strong ones. Photograph anew, sharp, lit from the side, neither burnt out nor black."
            )
    elif told is not None:
        lost = told.missed
        bad = lost[(lost.missed_share > 0.2) & (lost.drawn >= 5)]
        if len(bad):
            said.append(
                "More than a fifth of the bubbles drawn into this photo as a test were not found again in some sizes; "
                "see the table of misses."
            )
    return said
