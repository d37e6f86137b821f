"""Lengths that a person gives with a photo."""

from __future__ import annotations

import math
from typing import Any


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
