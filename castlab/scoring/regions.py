"""The part of a photo that counts: a box, a circle or a polygon in millimetres, or a mask of pixels, as a mask."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from castlab.errors import InputError
from castlab.scoring.pictures import FEWEST_PIXELS

_ACCEPTED = (
    "accepted: (x, y, width, height) of a box or (x, y, diameter) of a circle about x, y, in mm, a list of at least three "
    "(x, y) corners in mm, or a mask of the picture's shape"
)
Outlines = tuple[tuple[tuple[float, float], ...], ...]
_MARGIN = 0.08
"""Of a region that is shown, as a share of its longer side."""


def read(region: Sequence[float] | Sequence[Sequence[float]] | np.ndarray | None) -> np.ndarray | None:
    """A region as an array, checked as far as it can be without a picture: 4 numbers of a box, 3 of a circle, corners by
    2, or a mask (bool, rows x columns). None stays None.

    Raises
    ------
    InputError
        If it is none of these.

    Examples
    --------
    >>> read((30, 25, 40)).tolist()
    [30.0, 25.0, 40.0]
    """
    if region is None:
        return None
    try:
        given = np.asarray(region)
    except ValueError as error:
        raise InputError(f"the region cannot be read; {_ACCEPTED}") from error
    if given.ndim == 2 and (given.dtype == bool or min(given.shape) >= FEWEST_PIXELS):
        if given.dtype.kind not in "bui":
            raise InputError(f"a mask says yes or no for each pixel, and this one holds {given.dtype}; {_ACCEPTED}")
        return given.astype(bool)
    if given.dtype.kind not in "fiu" or not np.isfinite(given).all():
        raise InputError(f"the region cannot be read; {_ACCEPTED}")
    given = given.astype(float)
    if given.shape == (4,):
        if min(given[2:]) <= 0:
            raise InputError(f"the region is {given[2]:g} x {given[3]:g} mm; width and height must be above 0")
    elif given.shape == (3,):
        if given[2] <= 0:
            raise InputError(f"the region is a circle of {given[2]:g} mm; its diameter must be above 0")
    elif given.ndim == 2 and given.shape[1] == 2 and len(given) >= 3:
        if np.linalg.matrix_rank(given - given.mean(axis=0), tol=1e-9 * float(np.abs(given).max() + 1)) < 2:
            raise InputError(f"the corners of the region lie on one line and hold no area; {_ACCEPTED}")
    else:
        raise InputError(f"a region of shape {given.shape} cannot be read; {_ACCEPTED}")
    return given


def region_mask(
    region: Sequence[float] | Sequence[Sequence[float]] | np.ndarray | None,
    shape: tuple[int, int],
    mm_per_pixel: float,
) -> np.ndarray | None:
    """Which pixels count (bool, rows x columns); None if all do.

    Parameters
    ----------
    region
        (x, y, width, height) of a box, (x, y, diameter) of a circle about x, y, or corners (x, y) of a polygon, mm from
        the picture's upper left corner; or a mask of the picture's shape; or None.
    shape
        Rows and columns of the picture.
    mm_per_pixel
        Scale.

    Raises
    ------
    InputError
        If the region cannot be read or no pixel of the picture lies in it.

    Examples
    --------
    >>> int(region_mask((0, 0, 2, 1), (40, 40), 0.1).sum()), int(region_mask((2, 2, 2), (40, 40), 0.1).sum())
    (200, 316)
    """
    given = read(region)
    if given is None:
        return None
    if given.dtype == bool:
        if given.shape != shape:
            raise InputError(f"a mask of shape {given.shape} does not fit a picture of shape {shape}; {_ACCEPTED}")
        mask = given
    elif given.shape == (4,):
        mask = _box(given / mm_per_pixel, shape)
    elif given.shape == (3,):
        mask = _circle(given / mm_per_pixel, shape)
    else:
        from skimage.draw import polygon2mask

        mask = polygon2mask(shape, given[:, ::-1] / mm_per_pixel - 0.5)
    if not mask.any():
        height, width = (side * mm_per_pixel for side in shape)
        raise InputError(
            f"the region lies outside the picture, which is {width:.4g} mm wide and {height:.4g} mm high; {_ACCEPTED}"
        )
    return mask


def outlines(mask: np.ndarray, mm_per_pixel: float) -> Outlines:
    """What encloses the pixels that count, to a pixel: closed lines of (x, y) in mm. A point that lies in an odd number
    of them is inside."""
    from skimage.measure import approximate_polygon, find_contours

    lines = find_contours(np.pad(mask, 1).astype(np.float32), 0.5)
    plain = ((approximate_polygon(line, 0.75)[:, ::-1] - 0.5) * mm_per_pixel for line in lines)
    return tuple(tuple((round(float(x), 4), round(float(y), 4)) for x, y in line) for line in plain)


def holds(lines: Outlines, x_mm: float, y_mm: float) -> bool:
    """Whether a point lies in what `outlines` gave.

    Examples
    --------
    >>> ring = np.ones((40, 40), bool)
    >>> ring[15:25, 15:25] = False
    >>> lines = outlines(ring, 0.1)
    >>> holds(lines, 1.0, 1.0), holds(lines, 2.0, 2.0), holds(lines, 4.5, 2.0)
    (True, False, False)
    """
    from skimage.measure import points_in_poly

    return bool(sum(points_in_poly([(x_mm, y_mm)], line)[0] for line in lines) % 2)


def to_show(mask: np.ndarray | None, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Rows and columns of a picture that show a region with a margin round it; all of them without one."""
    if mask is None:
        return slice(0, shape[0]), slice(0, shape[1])
    ends = [np.flatnonzero(mask.any(axis=axis))[[0, -1]] for axis in (1, 0)]
    margin = int(_MARGIN * max(last - first for first, last in ends)) + 1
    rows, columns = (
        slice(max(0, int(first) - margin), min(side, int(last) + 1 + margin))
        for (first, last), side in zip(ends, shape, strict=True)
    )
    return rows, columns


def _box(pixels: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    x, y, width, height = (float(value) for value in pixels)
    top, left, bottom, right = (round(value) for value in (y, x, y + height, x + width))
    mask = np.zeros(shape, bool)
    mask[max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)] = True
    return mask


def _circle(pixels: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Pixels whose middle lies in the circle, by the chord of each row."""
    x, y, diameter = pixels
    below = np.arange(shape[0])[:, None] + 0.5 - y
    square = (diameter / 2) ** 2 - below**2
    half = np.where(square >= 0, np.sqrt(np.abs(square)), -1.0)
    across = np.arange(shape[1]) + 0.5
    return (across >= x - half) & (across <= x + half)
