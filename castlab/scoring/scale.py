"""Millimetres across one pixel of a photo: from a known length, a disc of known diameter, or the printed marker sheet.

A scale holds in one plane. What lies nearer to the camera looks larger: something h above that plane, seen from a
distance d, by d / (d - h) (similar triangles).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab.errors import InputError
from castlab.records.picture_files import MOST_PIXELS
from castlab.results import Result
from castlab.scoring import colour, pictures
from castlab.scoring.lengths import above_zero
from castlab.scoring.locating import locate
from castlab.scoring.printed import RULER_MM, Sheet, marker_sheet

if TYPE_CHECKING:
    from skimage.transform import ProjectiveTransform

_NEARER = (
    "The scale holds in the plane of what was measured; a bubble h mm nearer to the camera, which is d mm away, looks larger by "
    "the factor d / (d - h). Photograph from far and zoom in."
)
_FLAT_MM = 0.25
"""Corners farther than this from their places, as a root mean square, mean a sheet that is not flat (castlab's own bound:
a rendered sheet that bulges by 6 mm, seen from 420 mm, lies 0.39 mm off)."""
_VAGUE = 0.5
"""Share of itself that a scale may be off by (95%) from which it is none."""
_TILT = 0.97
"""Ratio of a disc's axes below which the camera is said to be tilted: 14 degrees."""


@dataclass(frozen=True)
class DiscSeen:
    """A photo (8 bit) and the outline of the disc that was measured in it, points by x and y in its pixels."""

    photo: np.ndarray
    outline: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class Scale(Result):
    """Millimetres across one pixel with a 95% interval, and how it was found.

    `picture`: for a marker sheet the photo as seen from straight above (rows x columns x 3, 8 bit), to which the scale
    belongs; else None. `residual_mm`: how far, as a root mean square, the marks or the disc's edge lie from where they
    should. `to_mm`: for a marker sheet the map from the photo's pixels to mm of the sheet. `disc`: for a disc the photo, in
    which `.figure()` shows it.
    """

    mm_per_pixel: float
    low: float
    high: float
    method: str
    residual_mm: float | None = None
    picture: np.ndarray | None = field(default=None, repr=False)
    to_mm: ProjectiveTransform | None = field(default=None, repr=False)
    disc: DiscSeen | None = field(default=None, repr=False)

    def tables(self) -> dict[str, pd.DataFrame]:
        row = {"method": self.method, "mm per pixel": self.mm_per_pixel, "low": self.low, "high": self.high}
        return {"Scale": pd.DataFrame([row | {"residual_mm": self.residual_mm}])}

    def save_picture(self, path: str | Path) -> Path:
        """Write the straightened photo (.png, .jpg, .tif), to be kept with its scale: `book.add_photo`.

        Raises
        ------
        InputError
            If there is none, or the name ends otherwise.
        """
        from PIL import Image

        file = Path(path)
        if self.picture is None:
            raise InputError("only scale_from_sheet straightens a photo; use the photo itself with this scale")
        if file.suffix.lower() not in (".png", ".jpg", ".jpeg", ".tif", ".tiff"):
            raise InputError(
                f"{file.name!r} is no picture that can be written; accepted: names ending in .png, .jpg or .tif"
            )
        try:
            Image.fromarray(self.picture).save(file, quality=95)
        except OSError as exc:
            raise InputError(
                f"{file} could not be written ({exc.strerror}); accepted: a file in a folder of yours"
            ) from None
        return file


def scale_from_length(
    start: Sequence[float],
    end: Sequence[float],
    length_mm: float,
    *,
    placed_px: float = 1.0,
    read_mm: float = 0.25,
) -> Scale:
    """Scale from two points a known distance apart, such as two ticks of a ruler that lies in the picture.

    Parameters
    ----------
    start, end : (x, y)
        The points, pixels.
    length_mm : float
        Distance between them, mm.
    placed_px : float
        How closely each point is placed, pixels (95%, each way).
    read_mm : float
        How closely the length is known, mm (95%, each way).

    Raises
    ------
    InputError
        If a point, the length or how closely they are known cannot be used.

    Examples
    --------
    >>> round(scale_from_length((100, 40), (1100, 40), 50).mm_per_pixel, 4)
    0.05
    """
    try:
        points = np.array([start, end], dtype=float)
    except (TypeError, ValueError):
        points = np.empty(0)
    if points.shape != (2, 2) or not np.isfinite(points).all():
        raise InputError(f"points {start!r} and {end!r} are not two pixels; accepted: (x, y) and (x, y)")
    length = _positive(length_mm, "length_mm", "the distance between the two points in mm")
    try:
        closely = bool(np.isfinite([float(placed_px), float(read_mm)]).all() and placed_px >= 0 and read_mm >= 0)
    except (TypeError, ValueError):
        closely = False
    if not closely:
        raise InputError(f"placed_px is {placed_px!r} and read_mm {read_mm!r}; accepted: 0 and above")
    pixels = float(np.hypot(*(points[1] - points[0])))
    if pixels < 10:
        raise InputError(f"the two points are {pixels:.3g} pixels apart; accepted: 10 and more, better hundreds")
    share = float(np.hypot(np.sqrt(2) * placed_px / pixels, read_mm / length))
    return _scale(length / pixels, share, f"{length:g} mm between two points", [_NEARER])


def scale_from_disc(image: Any, diameter_mm: float, region: Sequence[float] | None = None) -> Scale:
    """Scale from a coin-like disc of known diameter that lies in the picture.

    Parameters
    ----------
    image
        As `count_bubbles` takes it.
    diameter_mm : float
        True diameter, mm.
    region : (x, y, width, height), optional
        Where the disc is, pixels; without it the clearest disc of the whole picture is taken, if one stands out.

    Returns
    -------
    Scale
        From the longer axis of the ellipse that a tilted disc shows.

    Raises
    ------
    InputError
        If no disc is found, or something given cannot be used.

    Examples
    --------
    >>> y, x = np.mgrid[0:240, 0:320]
    >>> photo = np.where(np.hypot(x - 150, y - 120) < 80, 0.8, 0.3)
    >>> round(scale_from_disc(photo, 24).mm_per_pixel, 3)
    0.15
    """
    from castlab.scoring.discs import LEAST_PX, find_disc

    diameter = _positive(diameter_mm, "diameter_mm", "the disc's diameter in mm")
    colours = pictures.read(image)
    plane = colour.linear(pictures.light(colours))
    box = _pixels(region, plane.shape)
    disc = find_disc(plane[box])
    if disc is None:
        raise InputError(
            f"no disc with a clear edge all the way round and at least {LEAST_PX:g} pixels across is found; give region=(x, y, "
            "width, height) in pixels round it, lay it on an even ground that it stands out from, and light it without hard shadows"
        )
    per_pixel = diameter / (2 * disc.longer)
    cautions = [_NEARER, "A disc's upper edge is nearer to the camera than what it lies on, by its thickness."]
    if disc.shorter / disc.longer < _TILT:
        tilt = np.degrees(np.arccos(disc.shorter / disc.longer))
        cautions.append(
            f"The camera looks at the disc from about {tilt:.0f} degrees off: lengths across the picture differ by up to "
            f"{100 * (1 - disc.shorter / disc.longer):.0f}%. Hold it straight above, or use the marker sheet."
        )
    if disc.seen < 0.75:
        cautions.append(f"Only {disc.seen:.0%} of the disc's edge is clear.")
    x, y = disc.x + box[1].start, disc.y + box[0].start
    method = f"disc of {diameter:g} mm at pixel {x:.0f}, {y:.0f}"
    outline = np.add(disc.outline, (box[1].start, box[0].start))
    shown = DiscSeen(pictures.eight_bit(colours), outline)
    return _scale(per_pixel, disc.share, method, cautions, residual_mm=disc.residual * per_pixel, disc=shown)


def scale_from_sheet(
    image: Any, sheet: Sheet | None = None, *, ruler_mm: float | tuple[float, float] | None = None
) -> Scale:
    """Scale from the printed marker sheet, and the photo as seen from straight above.

    Parameters
    ----------
    image
        As `count_bubbles` takes it; all four corner squares and the oblong must be seen.
    sheet : Sheet, optional
        The sheet that was printed; None: `marker_sheet()`.
    ruler_mm : float or (across, down), optional
        How long the printed rulers of 100 mm are by a ruler you trust, mm.

    Returns
    -------
    Scale
        `.picture` is the corrected photo, and `.mm_per_pixel` is its scale: pass both to `count_bubbles`, with the casting as
        `region`, for the sheet's own print is no casting.

    Raises
    ------
    InputError
        If the sheet is not found, or something given cannot be used.
    """
    from skimage.transform import ProjectiveTransform, warp

    if sheet is not None and not isinstance(sheet, Sheet):
        raise InputError(f"sheet is {sheet!r}; accepted: the sheet that was printed, marker_sheet(...)")
    sheet = marker_sheet() if sheet is None else sheet
    stretch = _stretch(ruler_mm)
    colours = pictures.read(image)
    located = locate(colour.linear(pictures.light(colours)), sheet.marks)
    to_mm = ProjectiveTransform(np.diag([*stretch, 1.0]) @ located.to_mm.params)
    per_pixel = located.mm_per_pixel * float(np.sqrt(stretch[0] * stretch[1]))
    edge = sheet.marks.side
    wide, high = (np.array([sheet.marks.width, sheet.marks.height]) + 2 * edge) * stretch
    shape = (round(high / per_pixel), round(wide / per_pixel))
    if shape[0] * shape[1] > MOST_PIXELS:
        raise InputError("the sheet is seen so slanted that it cannot be straightened; hold the camera above it")
    # from pixels of the new picture to mm of the sheet to pixels of the photo
    onto = ProjectiveTransform(
        np.array([[per_pixel, 0, -edge * stretch[0]], [0, per_pixel, -edge * stretch[1]], [0, 0, 1]])
    )
    straight = np.empty((*shape, 3), np.uint8)
    for n in range(3):  # one colour at a time, for a photo may fill much of the memory
        plane = pictures.floats(colours[..., n])
        seen = warp(plane, onto + to_mm.inverse, output_shape=shape, order=1, mode="constant", cval=1.0)
        straight[..., n] = np.clip(seen, 0, 1) * 255 + 0.5
    cautions = [_NEARER, "Count with region= round the casting: what is printed on the sheet are no bubbles."]
    residual = located.residual_mm * float(max(stretch))
    if residual > _FLAT_MM:
        cautions.append(
            f"The marks lie {residual:.2g} mm from their places (largest {located.worst_mm * float(max(stretch)):.2g} mm): the sheet is bent or the "
            "lens distorts. Lay the sheet flat and photograph from farther away."
        )
    if located.found < located.printed:
        cautions.append(
            f"{located.printed - located.found} of the sheet's {located.printed} squares are covered or unclear."
        )
    if ruler_mm is None:
        cautions.append(
            "A photo cannot show whether the printer scaled the sheet: measure its rulers and give ruler_mm. The interval "
            "leaves this out."
        )
    elif float(np.abs(stretch - 1).max()) > 0.005:
        cautions.append(
            f"The printer scaled the sheet by {stretch[0]:.3f} across and {stretch[1]:.3f} down; this is corrected."
        )
    reading = 0.0 if ruler_mm is None else 0.25 / RULER_MM
    share = float(np.hypot(1.96 * np.sqrt(2) * residual / np.hypot(wide, high), reading))
    return _scale(
        per_pixel, share, "marker sheet", cautions, residual_mm=residual,
        picture=straight, to_mm=to_mm,
    )  # fmt: skip


def _scale(per_pixel: float, share: float, method: str, cautions: list[str], **more: Any) -> Scale:
    if share >= _VAGUE:
        raise InputError(
            f"the scale from the {method} would be known to {100 * share:.0f}% only; take a longer length or go nearer"
        )
    low, high = per_pixel * (1 - share), per_pixel * (1 + share)
    # as many digits as show the interval, up to a millionth of the value
    digits = max(0, int(np.ceil(0.5 - np.log10(per_pixel * max(share, 1e-6)))))
    shown = [f"{value:.{digits}f}" for value in (per_pixel, low, high)]
    verdict = f"{shown[0]} mm per pixel (95% interval {shown[1]} to {shown[2]}), from the {method}."
    if share > 0.02:
        cautions = [*cautions, f"The scale is known to {100 * share:.1f}% only: take a longer length or go nearer."]
    return Scale(
        verdict=verdict, cautions=tuple(cautions), mm_per_pixel=per_pixel, low=low, high=high, method=method, **more
    )


def _positive(value: Any, name: str, meaning: str) -> float:
    number = above_zero(value)
    if np.isnan(number):
        raise InputError(f"{name} is {value!r}; give {meaning}, above 0")
    return number


def _stretch(ruler_mm: Any) -> np.ndarray:
    """How much longer than drawn the sheet came out, across and down."""
    if ruler_mm is None:
        return np.ones(2)
    try:
        read = np.broadcast_to(np.asarray(ruler_mm, dtype=float), (2,))
    except (TypeError, ValueError):
        read = np.array([np.nan, np.nan])
    if not ((read > 50) & (read < 200)).all():
        raise InputError(
            f"ruler_mm is {ruler_mm!r}; give how long the printed ruler of {RULER_MM:g} mm really is, 50 to 200 mm, or that "
            "of both: (across, down)"
        )
    return read / RULER_MM


def _pixels(region: Sequence[float] | None, shape: tuple[int, ...]) -> tuple[slice, slice]:
    if region is None:
        return slice(0, shape[0]), slice(0, shape[1])
    try:
        x, y, width, height = (float(v) for v in region)
        if not np.isfinite([x, y, width, height]).all():
            raise ValueError
    except (TypeError, ValueError):
        raise InputError(f"region {region!r} cannot be read; accepted: (x, y, width, height) in pixels") from None
    left, top = max(0, round(x)), max(0, round(y))
    right, bottom = min(shape[1], round(x + width)), min(shape[0], round(y + height))
    if right - left < pictures.FEWEST_PIXELS or bottom - top < pictures.FEWEST_PIXELS:
        raise InputError(
            f"region {tuple(region)} leaves less than {pictures.FEWEST_PIXELS} pixels of a picture of {shape[1]} x {shape[0]}"
        )
    return slice(top, bottom), slice(left, right)
