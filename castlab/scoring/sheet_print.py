"""What is printed on the marker sheet, found in a photo that shows the whole sheet: things known to be no bubbles."""

from __future__ import annotations

import numpy as np

from castlab.errors import InputError
from castlab.scoring import colour
from castlab.scoring.locating import locate
from castlab.scoring.printed import PAPERS, Box, marker_sheet

_ENOUGH = 1600
"""Pixels of the longer side that show the sheet well enough."""
_ROUGHLY, _WIDE = 400, 8.0
"""Pixels of the longer side that show how bright the paper is, and how many of them are averaged."""
_MARGIN_MM = 1.5
"""Left out round all print, for the blurred edge of ink looks like a part of a rim."""


def printed_in(light: np.ndarray) -> np.ndarray | None:
    """Pixels of a photo (bool, like `light`) that show the print of a marker sheet; None where no whole sheet is seen.

    Parameters
    ----------
    light
        One plane of light, 0 to 1, rows x columns.
    """
    from skimage.draw import polygon2mask

    step = max(1, round(max(light.shape) / _ENOUGH))
    sheet = marker_sheet()
    try:
        seen = locate(colour.linear(light[::step, ::step]), sheet.marks)
    except InputError:
        return None
    boxes = [*sheet.marks.boxes, *(box for paper in PAPERS for box in marker_sheet(paper).words_and_rulers)]
    mask = np.zeros(light.shape, bool)
    for box in boxes:
        corners = seen.to_mm.inverse(_corners(box)) * step
        first = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
        last = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1, light.shape[::-1])
        if (last > first).all():
            part = mask[first[1] : last[1], first[0] : last[0]]
            part |= polygon2mask(part.shape, (corners - first)[:, ::-1])
    return mask


def painted_over(light: np.ndarray, printed: np.ndarray) -> np.ndarray:
    """The same light with the print as bright as the paper round it, so that no edge is left there to be looked at."""
    from scipy import ndimage
    from skimage.transform import downscale_local_mean

    step = max(1, max(light.shape) // _ROUGHLY)
    paper = (~printed).astype(np.float32)
    share, bright = (
        ndimage.gaussian_filter(downscale_local_mean(plane, (step, step)), _WIDE) for plane in (paper, light * paper)
    )
    rows, columns = np.nonzero(printed)
    places = [(rows + 0.5) / step - 0.5, (columns + 0.5) / step - 0.5]
    painted = light.copy()
    painted[printed] = ndimage.map_coordinates(bright / np.maximum(share, 1e-6), places, order=1, mode="nearest")
    return painted


def _corners(box: Box) -> np.ndarray:
    x, y, width, height = box
    left, top, right, bottom = x - _MARGIN_MM, y - _MARGIN_MM, x + width + _MARGIN_MM, y + height + _MARGIN_MM
    return np.array([(left, top), (right, top), (right, bottom), (left, bottom)])
