"""Colour of a patch from a photo: linear light, white balance on a patch of paper, CIE Lab, colour difference, yellowness.

Sources: sRGB IEC 61966-2-1; CIE Lab and CIEDE2000 ISO/CIE 11664-4 and 11664-6, through scikit-image; yellowness index
ASTM E313 with its coefficients for D65 and the 2 degree observer. The white balance scales red, green and blue
(von Kries' rule, on the camera's own primaries).
"""

from __future__ import annotations

from typing import Any

import numpy as np

YELLOWNESS = (1.2985, 1.1335)
"""C_X and C_Z of ASTM E313 for D65 and the 2 degree observer."""
WHITE_LAB = (100.0, 0.0, 0.0)


def linear(coded: Any) -> np.ndarray:
    """Light in proportion to what fell on the sensor, from sRGB values of 0 to 1; single precision stays single.

    Examples
    --------
    >>> linear([0.0, 0.5, 1.0]).round(4).tolist()
    [0.0, 0.214, 1.0]
    """
    values = np.asarray(coded)
    values = values.astype(np.result_type(values, np.float32), copy=False)
    light = np.empty_like(values)
    # in place, for a photo may fill much of the memory
    np.add(values, 0.055, out=light)
    light /= 1.055
    light **= 2.4
    return np.divide(values, 12.92, out=light, where=values <= 0.04045)


def balanced(patch: Any, white: Any, white_lab: tuple[float, float, float] = WHITE_LAB) -> np.ndarray:
    """XYZ (white = 100) of a patch, scaled so that the reference patch has the colour it is known to have.

    Parameters
    ----------
    patch, white : (red, green, blue)
        Linear light of the patch and of the reference beside it.
    white_lab : (L, a, b)
        Colour of the reference; if not known, it is called white, and colours are relative to it.

    Examples
    --------
    >>> balanced((0.4, 0.4, 0.4), (0.8, 0.8, 0.8)).round(2).tolist()
    [47.52, 50.0, 54.44]
    """
    from skimage.color import lab2xyz

    to_xyz = _to_xyz()
    known = np.linalg.solve(to_xyz, lab2xyz(np.array(white_lab, dtype=float)))
    xyz: np.ndarray = 100 * (to_xyz @ (np.asarray(patch, dtype=float) / np.asarray(white, dtype=float) * known))
    return xyz


def _to_xyz() -> np.ndarray:
    """From linear sRGB to XYZ, as scikit-image has it."""
    from skimage.color import rgb2xyz

    matrix: np.ndarray = rgb2xyz(np.eye(3)[None])[0].T
    return matrix


def lab(xyz: Any) -> np.ndarray:
    """CIE Lab under D65, 2 degree observer, from XYZ (white = 100).

    Examples
    --------
    >>> lab((95.047, 100, 108.883)).round(1).tolist()[0]
    100.0
    """
    from skimage.color import xyz2lab

    found: np.ndarray = xyz2lab(np.asarray(xyz, dtype=float) / 100)
    return found


def difference(one: Any, other: Any) -> Any:
    """Colour difference CIEDE2000 of two colours in Lab; about 1 can just be seen side by side.

    Examples
    --------
    >>> round(float(difference((50, 2.6772, -79.7751), (50, 0, -82.7485))), 4)
    2.0425
    """
    from skimage.color import deltaE_ciede2000

    return deltaE_ciede2000(np.asarray(one, dtype=float), np.asarray(other, dtype=float))


def yellowness(xyz: Any) -> Any:
    """Yellowness index ASTM E313 (D65, 2 degree observer) from XYZ; 0 is neutral, more is yellower.

    Examples
    --------
    >>> round(float(yellowness((95, 100, 105))), 2)
    4.34
    """
    x, y, z = np.moveaxis(np.asarray(xyz, dtype=float), -1, 0)
    return 100 * (YELLOWNESS[0] * x - YELLOWNESS[1] * z) / y
