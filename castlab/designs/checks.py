"""Single values as they were given, checked: whole numbers, numbers in a range, lists."""

from __future__ import annotations

from collections.abc import Iterable
from numbers import Real
from typing import Any

import numpy as np

from castlab.errors import InputError


def whole(name: str, value: Any, least: int) -> int:
    """`value` as a whole number from `least` up."""
    if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or value < least:
        raise InputError(f"{name} is {value!r}; accepted: a whole number from {least} up")
    return int(value)


def number(name: str, value: object, low: float, high: float) -> float:
    """The value as a number strictly between low and high."""
    wrong = value is None or isinstance(value, bool) or not isinstance(value, Real)
    if wrong or not low < float(value) < high:  # type: ignore[arg-type]
        ends = f"a number above {low:g}" if np.isinf(high) else f"a number between {low:g} and {high:g}"
        raise InputError(f"{name} is {value!r}; accepted: {'any number' if np.isinf(low) else ends}")
    return float(value)  # type: ignore[arg-type]


def at_least(name: str, value: object, low: float) -> float:
    """The value as a number from `low` up."""
    if isinstance(value, bool) or not isinstance(value, Real) or not low <= float(value) < np.inf:
        raise InputError(f"{name} is {value!r}; accepted: a number from {low:g} up")
    return float(value)


def listed(name: str, value: Any, what: str) -> list[Any]:
    """The value as a list; None as an empty one. A text is no list."""
    if value is not None and (isinstance(value, str) or not isinstance(value, Iterable)):
        raise InputError(f"{name} is {value!r}; accepted: a list of {what}")
    return list(value or ())
