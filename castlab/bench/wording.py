"""Numbers as a verdict says them: rounded to what the data support, never in powers of ten."""

from __future__ import annotations

import math


def about(value: float, digits: int = 2) -> str:
    """`value` to so many significant digits, in plain decimals.

    >>> about(2034.3), about(0.01234), about(12.0, 3)
    ('2000', '0.012', '12')
    """
    if not math.isfinite(value):
        return "without limit" if value > 0 else "not known"
    rounded = float(f"{value:.{digits}g}")
    decimals = 0 if rounded == 0 else max(0, digits - 1 - math.floor(math.log10(abs(rounded))))
    text = f"{rounded:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
