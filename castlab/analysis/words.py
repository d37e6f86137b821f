"""Numbers and lists in plain words, rounded to what the data support. Names of columns and levels: `castlab.labels`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from castlab import tables

if TYPE_CHECKING:
    import pandas as pd


BEYOND = 1e-6
"""An uncertainty this much smaller than its number is none that a casting could show: the number gets three digits."""

LINE = 0.05
"""p-values below it are called findings (`castlab.analysis.effects`)."""


def ratio(value: float, spread: float = math.inf) -> str:
    """A ratio to two significant digits, or more where its uncertainty `spread` is smaller than those show."""
    if math.isnan(value):
        return tables.UNKNOWN
    if value > 1000:
        return "more than 1000"
    if value < 0.001:
        return "less than 0.001"
    if BEYOND * value < spread < math.inf:
        decimals = -math.floor(math.log10(spread))
        if decimals > 1 - _power(value, 2):
            return f"{value:.{max(0, decimals)}f}"
    return _significant(value, 2)


def rounded(value: float, spread: float) -> str:
    """A measure rounded to two digits of its uncertainty `spread` (same unit)."""
    if not math.isfinite(value):
        return tables.UNKNOWN if math.isnan(value) else "unlimited"
    if not math.isfinite(spread) or spread <= BEYOND * abs(value):
        return _significant(value, 3)
    decimals = max(0, 1 - math.floor(math.log10(spread)))
    text = f"{value:.{decimals}f}"
    return text.replace("-", "", 1) if float(text) == 0 else text


def signed(value: float, spread: float) -> str:
    """As `rounded`, with a plus in front of what is above zero."""
    text = rounded(value, spread)
    return "+" + text if value > 0 and math.isfinite(value) and float(text) else text


def effect(estimate: float, low: float, high: float, *, times: bool) -> tuple[str, str, str]:
    """An effect and the ends of its interval, each as a ratio, or as a signed measure to two digits of its uncertainty.

    An end that would be rounded to no effect, 1 or 0, gets as many digits more as show on which side of it it lies.

    Examples
    --------
    >>> effect(1.06, 1.02, 1.1, times=True), effect(1.31, 1.003, 1.7, times=True)
    (('1.06', '1.02', '1.10'), ('1.3', '1.003', '1.7'))
    >>> effect(0.25, 0.0004, 0.5, times=False)
    ('+0.25', '+0.0004', '+0.50')
    """
    half, none = (high - low) / 2, 1.0 if times else 0.0
    said = [ratio(v, half) if times else signed(v, half) for v in (estimate, low, high)]
    for place, end in ((1, low), (2, high)):
        away = abs(end - none)
        if away > BEYOND * min(half, 1.0) and said[place] == f"{none:.{len(said[place].partition('.')[2])}f}":
            said[place] = f"{end:{'' if times else '+'}.{-_power(away, 1)}f}"
    return said[0], said[1], said[2]


def number(value: float) -> str:
    """Three significant digits, whole from 1000 on, in plain decimals where these are readable, without trailing zeros.

    Examples
    --------
    >>> number(4.0), number(0.01234), number(1234.4), number(2e-12)
    ('4', '0.0123', '1234', '2e-12')
    """
    if math.isinf(value):
        return "unlimited"
    return f"{value:.0f}" if abs(value) >= 1000 else about(value, 3)


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


def never_recorded(names: Sequence[str]) -> str:
    """ "rest_min and stir_method were never recorded"."""
    return f"{listing(list(names))} {'was' if len(names) == 1 else 'were'} never recorded"


def p_value(p: float) -> str:
    """A p-value to two significant digits, or as many as show on which side of the line it lies.

    Examples
    --------
    >>> p_value(0.0123), p_value(0.0004), p_value(0.0497)
    ('p = 0.012', 'p < 0.001', 'p = 0.0497')
    """
    if math.isnan(p):
        return "p unknown"
    if p < 0.001:
        return "p < 0.001"
    said, away = _significant(p, 2), abs(p - LINE)
    return f"p = {f'{p:.{-_power(away, 1)}f}' if float(said) == LINE and away > BEYOND else said}"


def share(p: float) -> str:
    """A fraction as a whole percentage, which is 0 or 100 only where it is all or nothing.

    Examples
    --------
    >>> share(0.374), share(0.001), share(0.999), share(1.0)
    ('37%', 'under 1%', 'over 99%', '100%')
    """
    if 0 < p < 0.005:
        return "under 1%"
    return "over 99%" if 0.995 < p < 1 else f"{100 * p:.0f}%"


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


def called(what: str, name: object) -> str:
    """A batch or casting in a sentence: "B-014", and "batch 14" where its name is a number."""
    return f"{what} {name}" if str(name)[:1].isdigit() else str(name)


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
        sizes = zip(frame["estimate"], frame["low"], frame["high"], strict=True)
        said = [tuple(text.removeprefix("+") for text in effect(*size, times=ratios)) for size in sizes]
        told[["estimate", "low", "high"]] = said
    for column in told.select_dtypes("float").columns:
        told[column] = [tables.UNKNOWN if math.isnan(value) else number(value) for value in told[column]]
    return told


def _significant(value: float, digits: int) -> str:
    """In plain decimals where these are readable; trailing zeros are digits that the data support."""
    if value == 0:
        return "0"
    if abs(value) < 1e-6:
        return f"{value:.0e}"
    decimals = digits - 1 - _power(value, digits)
    return f"{round(value, decimals):.{max(0, decimals)}f}"


def _power(value: float, digits: int) -> int:
    """Power of ten of the first digit, of the rounded value: 0.0999 is 0.10."""
    return int(f"{value:.{digits - 1}e}".partition("e")[2])
