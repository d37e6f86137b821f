"""Lengths that a person gives with a photo."""

from __future__ import annotations

import math
from typing import Any

from castlab.records.models import MM_PER_PIXEL


def above_zero(value: Any) -> float:
    """The number, or nan if it is none above 0; the caller says what was wanted.

    Examples
    --------
    >>> above_zero("0.05"), above_zero(-1), above_zero(None)
    (0.05, nan, nan)
    """
    try:
        number = float(value)
    except (TypeError, ValueError):
        return math.nan
    return number if 0 < number < math.inf else math.nan


def per_pixel(value: Any) -> float:
    """The scale, mm per pixel, or nan if it is none that a photo can have.

    Examples
    --------
    >>> per_pixel(0.05), per_pixel(1e300)
    (0.05, nan)
    """
    number = above_zero(value)
    return number if MM_PER_PIXEL[0] <= number <= MM_PER_PIXEL[1] else math.nan
