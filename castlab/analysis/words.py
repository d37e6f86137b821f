"""Numbers and lists in plain words, rounded to what the data support. Names of columns and levels: `castlab.labels`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from castlab import tables

if TYPE_CHECKING:
    import pandas as pd


def setting(value: float) -> str:
    """A setting of a numeric factor, without trailing zeros."""
    return f"{value:.6g}"


def ratio(value: float) -> str:
    """A ratio to two significant digits."""
    if not math.isfinite(value) or value > 1000:
        return "more than 1000"
    if value < 0.001:
        return "less than 0.001"
    return _significant(value, 2)


def rounded(value: float, spread: float) -> str:
    """A measure rounded to two digits of its uncertainty `spread` (same unit)."""
    if not math.isfinite(value):
        return "unlimited"
    if not math.isfinite(spread) or spread <= 0:
        return _significant(value, 3)
    decimals = max(0, 1 - math.floor(math.log10(spread)))
    text = f"{value:.{decimals}f}"
    return text.replace("-", "", 1) if float(text) == 0 else text


def signed(value: float, spread: float) -> str:
    """As `rounded`, with a plus in front of what is above zero."""
    text = rounded(value, spread)
    return text if text.startswith("-") or text == "unlimited" or float(text) == 0 else "+" + text


def effect(estimate: float, low: float, high: float, *, times: bool) -> tuple[str, str, str]:
    """An effect and the ends of its interval, each as a ratio, or as a signed measure to two digits of its uncertainty."""
    if times:
        return ratio(estimate), ratio(low), ratio(high)
    half = (high - low) / 2
    return signed(estimate, half), signed(low, half), signed(high, half)


def about(value: float, digits: int = 2) -> str:
    """A number to so many significant digits without trailing zeros, as plans and amounts are read.

    Examples
    --------
    >>> about(2034.3), about(0.01234), about(12.0, 3), about(0.0999)
    ('2000', '0.012', '12', '0.1')
    """
    if not math.isfinite(value):
        return "without limit" if value > 0 else "not known"
    text = _significant(value, digits)
    return text.rstrip("0").rstrip(".") if "." in text else text


def p_value(p: float) -> str:
    """A p-value as "p = 0.012" or "p < 0.001"."""
    if math.isnan(p):
        return "p unknown"
    return "p < 0.001" if p < 0.001 else f"p = {_significant(p, 2)}"


def share(p: float) -> str:
    """A fraction as a whole percentage."""
    return f"{100 * p:.0f}%"


def count(number: int, noun: str) -> str:
    """ "1 casting", "2 castings", "1 batch", "6 batches"."""
    plural = noun + ("es" if noun.endswith("ch") else "s")
    return f"{number} {noun if number == 1 else plural}"


def size(castings: int, batches: int) -> str:
    """ "60 castings in 18 batches"."""
    return count(castings, "casting") + (f" in {count(batches, 'batch')}" if batches else "")


def listing(items: Sequence[str], last: str = "and") -> str:
    """ "a, b and c"."""
    items = list(items)
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} {last} {items[-1]}" if items else ""


def sentence(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def table(frame: pd.DataFrame, *, ratios: bool) -> pd.DataFrame:
    """A table of results as it is read: p-values and estimates as text, rounded to what the data support."""
    told = frame.copy()
    for column in told.columns:
        if column in {"p_value", "p_adjusted"}:
            told[column] = [p_value(p).removeprefix("p ").removeprefix("= ") for p in frame[column]]
    if {"estimate", "low", "high"} <= set(frame):
        for column in ("estimate", "low", "high"):
            told[column] = [
                ratio(value) if ratios else rounded(value, (high - low) / 2)
                for value, low, high in zip(frame[column], frame["low"], frame["high"], strict=True)
            ]
    for column in told.select_dtypes("float").columns:
        told[column] = [tables.UNKNOWN if math.isnan(value) else f"{value:.3g}" for value in told[column]]
    return told


def _significant(value: float, digits: int) -> str:
    """In plain decimals, never in powers of ten; trailing zeros are digits that the data support."""
    if value == 0:
        return "0"
    power = int(f"{value:.{digits - 1}e}".partition("e")[2])  # of the rounded value: 0.0999 is 0.10
    return f"{round(value, digits - 1 - power):.{max(0, digits - 1 - power)}f}"
