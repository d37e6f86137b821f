"""Responses of which only a limit is known: text such as ">50" or "<0.5", or a yes/no column beside the number."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from castlab.analysis.reading import kinds
from castlab.errors import InputError

_NUMBER = r"([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)"
_ABOVE = re.compile(rf"(?:>|more than|over|above)\s*{_NUMBER}")
_FROM = re.compile(rf"(?:(?:>=|≥|at least|from)\s*{_NUMBER}|{_NUMBER}\s*(?:\+|or more))")
_BELOW = re.compile(rf"(?:<|less than|under|below)\s*{_NUMBER}")
_TO = re.compile(rf"(?:(?:<=|≤|at most|up to)\s*{_NUMBER}|{_NUMBER}\s*or less)")


def read_texts(column: pd.Series) -> tuple[pd.Series, np.ndarray, np.ndarray]:
    """A column with its limits written as text taken apart: numbers, and where they are a lower or an upper limit.

    Understood: ">50", ">=50", "50+", "at least 50", "more than 50", and so on; "<0.5", "<=0.5", "at most 0.5",
    "below 0.5". Of whole numbers, ">50" is at least 51 and "<3" at most 2.

    Returns
    -------
    Series, (n,) bool, (n,) bool
        The column as it was where no text is a limit.

    Examples
    --------
    >>> numbers, at_least, at_most = read_texts(pd.Series(["3", ">50", "7", "60+"]))
    >>> numbers.tolist(), at_least.tolist()
    ([3.0, 51.0, 7.0, 60.0], [False, True, False, True])
    """
    n = len(column)
    at_least, at_most = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    if pd.api.types.is_numeric_dtype(column.dtype) or isinstance(column.dtype, pd.CategoricalDtype):
        return column, at_least, at_most
    plain: list[object] = list(column)
    beyond = np.zeros(n)
    for i, value in enumerate(plain):
        if not isinstance(value, str):
            continue
        text = value.strip().lower()
        for pattern, flags, step in (
            (_ABOVE, at_least, 1),
            (_FROM, at_least, 0),
            (_BELOW, at_most, -1),
            (_TO, at_most, 0),
        ):
            if found := pattern.fullmatch(text):
                plain[i] = float(next(g for g in found.groups() if g))
                flags[i], beyond[i] = True, step
                break
    if not (at_least.any() or at_most.any()):
        return column, at_least, at_most
    values = kinds.numbers(pd.Series(plain, index=column.index, name=column.name, dtype=object))
    if np.all(np.isnan(values) | (values == np.round(values))):
        values = values + beyond
    return pd.Series(values, index=column.index, name=column.name), at_least, at_most


def read_flags(column: pd.Series) -> np.ndarray:
    """A yes/no column as booleans; empty is no.

    Raises
    ------
    InputError
        If it holds anything but yes/no.
    """
    try:
        return np.nan_to_num(kinds.read(column, "pass").values, nan=0.0).astype(bool)
    except InputError:
        raise InputError(
            f"{column.name} says whether a number is only a limit, so it must be yes/no; accepted: true/false, yes/no, 1/0"
        ) from None
