"""Numbers as makers give them to the bench: one, or several to sweep; checked once, with one clear error."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from castlab.errors import InputError

Array = NDArray[np.float64]
Number = float | Sequence[float] | Array
"""One number, or a list or array of them to sweep."""


def numbers(name: str, value: object, low: float, high: float, unit: str = "") -> Array:
    """`value` as an array of any shape, every entry from `low` to `high`.

    Raises
    ------
    InputError
        If an entry is not a number or lies outside; the message names it and the range.

    >>> numbers("depth_mm", [10, 20], 0.1, 500, "mm")
    array([10., 20.])
    """
    accepted = f"accepted: {low:g} to {high:g} {unit}".rstrip()
    if isinstance(value, bool | str) or value is None:
        raise InputError(f"{name} is {value!r}; {accepted}, one number or a list of them")
    try:
        array = np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"{name} is {value!r}; {accepted}, one number or a list of them") from None
    outside = ~((array >= low) & (array <= high))
    if array.size == 0 or outside.any():
        wrong = "empty" if array.size == 0 else ", ".join(f"{x:g}" for x in array[outside].ravel()[:3])
        raise InputError(f"{name} is {wrong} {unit}".rstrip() + f"; {accepted}")
    return array


def number(name: str, value: object, low: float, high: float, unit: str = "") -> float:
    """`value` as one number from `low` to `high`; raises `InputError` like `numbers`."""
    array = numbers(name, value, low, high, unit)
    if array.ndim:
        raise InputError(
            f"{name} is a list of {array.size}; accepted: one number from {low:g} to {high:g} {unit}".rstrip()
        )
    return float(array)


def whole_numbers(name: str, value: object, low: float, high: float) -> Array:
    """`value` as an array of any shape, every entry a whole number from `low` to `high`; raises `InputError` like `numbers`."""
    array = numbers(name, value, low, high)
    if (broken := array[array % 1 > 0]).size:
        raise InputError(f"{name} is {broken[0]:g}; accepted: a whole number from {low:g} to {high:g}")
    return array


def whole(name: str, value: object, low: float, high: float) -> int:
    """`value` as one whole number from `low` to `high`; raises `InputError` like `number`."""
    return int(whole_numbers(name, number(name, value, low, high), low, high))


def plain(array: Array) -> float | Array:
    """A float for what was given as one number, the array for what was swept."""
    return float(array) if np.ndim(array) == 0 else array


def rows(**named: Array) -> dict[str, Array]:
    """Inputs spread against each other into columns of equal length, one row a case.

    Raises
    ------
    InputError
        If two swept inputs differ in length.
    """
    try:
        spread = np.broadcast_arrays(*named.values())
    except ValueError:
        lengths = ", ".join(f"{name} {np.size(a)}" for name, a in named.items() if np.ndim(a))
        raise InputError(
            f"the swept inputs differ in length ({lengths}); accepted: equal lengths, or one of them swept"
        ) from None
    return {name: np.array(a, dtype=float).ravel() for name, a in zip(named, spread, strict=True)}
