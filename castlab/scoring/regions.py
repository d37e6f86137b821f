"""The part of a photo that counts: a box or a polygon in millimetres, or a mask of pixels, as a mask."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from castlab.errors import InputError

_ACCEPTED = (
    "accepted: (x, y, width, height) in mm, a list of at least three (x, y) corners in mm, or a mask of the picture's "
    "shape"
)


def region_mask(
    region: Sequence[float] | Sequence[Sequence[float]] | np.ndarray | None,
    shape: tuple[int, int],
    mm_per_pixel: float,
) -> np.ndarray | None:
    """Which pixels count (bool, rows x columns); None if all do.

    Parameters
    ----------
    region
        (x, y, width, height) of a box or corners (x, y) of a polygon, mm from the picture's upper left corner; or a
        mask of the picture's shape; or None.
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
    >>> int(region_mask((0, 0, 2, 1), (40, 40), 0.1).sum())
    200
    """
    if region is None:
        return None
    try:
        given = np.asarray(region)
    except ValueError as error:
        raise InputError(f"the region cannot be read; {_ACCEPTED}") from error
    if given.dtype.kind == "b" and given.shape != shape:
        raise InputError(f"a mask of shape {given.shape} does not fit a picture of shape {shape}; {_ACCEPTED}")
    if given.shape == shape:
        if given.dtype.kind not in "bui":
            raise InputError(f"a mask says yes or no for each pixel, and this one holds {given.dtype}; {_ACCEPTED}")
        mask = given.astype(bool)
    elif given.dtype.kind not in "fiu" or not np.isfinite(given).all():
        raise InputError(f"the region cannot be read; {_ACCEPTED}")
    elif given.shape == (4,):
        mask = _box(given, shape, mm_per_pixel)
    elif given.ndim == 2 and given.shape[1] == 2 and len(given) >= 3:
        from skimage.draw import polygon2mask

        if np.linalg.matrix_rank(given - given.mean(axis=0), tol=1e-9 * float(np.abs(given).max() + 1)) < 2:
            raise InputError(f"the corners of the region lie on one line and hold no area; {_ACCEPTED}")
        mask = polygon2mask(shape, given[:, ::-1] / mm_per_pixel - 0.5)
    else:
        raise InputError(f"a region of shape {given.shape} does not fit a picture of shape {shape}; {_ACCEPTED}")
    if not mask.any():
        height, width = (side * mm_per_pixel for side in shape)
        raise InputError(
            f"the region lies outside the picture, which is {width:.4g} mm wide and {height:.4g} mm high; {_ACCEPTED}"
        )
    return mask


def _box(given: np.ndarray, shape: tuple[int, int], mm_per_pixel: float) -> np.ndarray:
    x, y, width, height = (float(value) for value in given)
    if width <= 0 or height <= 0:
        raise InputError(f"the region is {width:g} x {height:g} mm; width and height must be above 0")
    top, left, bottom, right = (round(v / mm_per_pixel) for v in (y, x, y + height, x + width))
    mask = np.zeros(shape, bool)
    mask[max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)] = True
    return mask
