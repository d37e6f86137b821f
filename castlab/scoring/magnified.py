"""How large the printed bars look through a casting, and where: a curved front acts as a lens.

The field is compared with its own drawing at one size after another, each at its best place (normalised
cross-correlation). A flat casting shows the bars a few percent larger, a domed one by a tenth to a half.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from castlab.scoring.locating import Located
from castlab.scoring.printed import Box, Field

SMALLEST, LARGEST = 0.8, 1.6
"""How much smaller or larger the bars may look."""
MARGIN_MM = 3.0
"""From the bars to the dashed line that the casting covers."""
_COARSE, _FINE = 50, 110
"""Points of the comparison across a field, in the first and the second look: the coarse bars alone are compared."""
_REACH_MM = 4.0
"""How far the middle of the bars may look shifted, by refraction or off the axis of a lens."""
_STEP = 0.01
_FINER = 4
"""Points of the drawing to one of the comparison."""


@dataclass(frozen=True)
class Look:
    """Size of what is seen relative to the print, where its middle is seen (mm), and how alike the two are, at most 1.
    `spread`: standard deviation of the light over its mean."""

    size: float
    shift: tuple[float, float]
    alike: float
    spread: float

    def seen_at(self, box: Box, field: Field) -> Box:
        """Where a box of the field is seen."""
        x, y, width, height = box
        cx, cy = _middle(field)
        size, (dx, dy) = self.size, self.shift
        return cx + dx + size * (x - cx), cy + dy + size * (y - cy), size * width, size * height


def look(
    light: np.ndarray, located: Located, field: Field, smallest: float = SMALLEST, largest: float = LARGEST
) -> Look:
    """Compare a field in a photo with its drawing.

    Parameters
    ----------
    light
        Linear light, rows x columns.
    located
        Where the sheet lies in the photo.
    field
        The bars to look for.
    smallest, largest
        Sizes between which they are sought.
    """
    found = _best(light, located, field, _COARSE, _sizes(smallest, largest, 2 * _STEP))
    near = max(smallest, found.size * (1 - 2 * _STEP)), min(largest, found.size * (1 + 2 * _STEP))
    return _best(light, located, field, _FINE, _sizes(*near, _STEP / 2))


def _sizes(smallest: float, largest: float, step: float) -> np.ndarray:
    """From smallest to largest in steps of about that share."""
    return np.geomspace(smallest, largest, 1 + round(np.log(largest / smallest) / step))


def _best(light: np.ndarray, located: Located, field: Field, across: int, sizes: np.ndarray) -> Look:
    """The size at which the field is most like its drawing, compared at so many points across."""
    from scipy import ndimage
    from skimage.feature import match_template

    step = field.box[2] / across
    x, y = _grid(field, MARGIN_MM, step)
    places = located.to_mm.inverse(np.column_stack([x.ravel(), y.ravel()]))
    left, top = np.maximum(np.floor(places.min(axis=0)).astype(int), 0)
    right, bottom = np.ceil(places.max(axis=0)).astype(int) + 1
    soft = ndimage.gaussian_filter(light[top:bottom, left:right], step / located.mm_per_pixel)
    seen = ndimage.map_coordinates(soft, [places[:, 1] - top, places[:, 0] - left], order=1, mode="nearest")
    seen = seen.reshape(x.shape)
    drawn = _drawing(field, step)
    wide = _grid(field, MARGIN_MM + _REACH_MM, step)
    best = (-2.0, 1.0, (0.0, 0.0))
    for size in sizes:
        alike = match_template(_sized(drawn, field, wide, step, size), seen)
        row, column = np.unravel_index(int(np.argmax(alike)), alike.shape)
        # what was seen is moved over the drawing: the drawing is shifted the other way
        shift = float(alike.shape[1] // 2 - column) * step, float(alike.shape[0] // 2 - row) * step
        best = max(best, (float(alike[row, column]), float(size), shift))
    return Look(best[1], best[2], best[0], float(seen.std() / max(float(seen.mean()), 1e-6)))


def _middle(field: Field) -> tuple[float, float]:
    x, y, width, height = field.box
    return x + width / 2, y + height / 2


def _grid(field: Field, margin: float, step: float) -> tuple[np.ndarray, np.ndarray]:
    """Places (mm) about the middle of a field, an odd number each way."""
    halves = [round((side / 2 + margin) / step) for side in field.box[2:]]
    cx, cy = _middle(field)
    x, y = (np.arange(-half, half + 1) * step for half in halves)
    return np.meshgrid(cx + x, cy + y)


def _drawing(field: Field, step: float) -> np.ndarray:
    """The field as printed on its grid, light from 0 to 1, softened as what is seen."""
    from scipy import ndimage

    x, y = _grid(field, 0.0, step / _FINER)
    ink = np.zeros(x.shape)
    for strip in field.strips:
        left, top, width, height = strip.box
        inside = (x >= left) & (x < left + width) & (y >= top) & (y < top + height)
        ink += inside & ((x - left) * strip.frequency % 1 < 0.5)
    left, top, width, height = field.black
    ink += (x >= left) & (x < left + width) & (y >= top) & (y < top + height)
    return 1 - ndimage.gaussian_filter(ink, _FINER)


def _sized(
    drawn: np.ndarray, field: Field, wide: tuple[np.ndarray, np.ndarray], step: float, size: float
) -> np.ndarray:
    """The drawing at another size, on a wider grid; paper about it is white."""
    from scipy import ndimage

    cx, cy = _middle(field)
    rows, columns = ((side - 1) / 2 for side in drawn.shape)
    at = [rows + _FINER * (wide[1] - cy) / size / step, columns + _FINER * (wide[0] - cx) / size / step]
    sized: np.ndarray = ndimage.map_coordinates(drawn, at, order=1, mode="constant", cval=1.0)
    return sized
