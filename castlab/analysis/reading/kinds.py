"""Kinds of response: count, measure, grade, pass. Which one a column is, and its values as numbers.

Nothing here fits or drops anything; missing values stay missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.errors import InputError

KINDS = ("count", "measure", "grade", "pass")

_YES = {"yes", "y", "true", "t", "pass", "passed", "ok", "good", "1", "1.0"}
_NO = {"no", "n", "false", "f", "fail", "failed", "not ok", "bad", "0", "0.0"}


@dataclass(frozen=True)
class Response:
    """A response as numbers: NaN where missing; grades coded 0, 1, ... in the order of `grades`."""

    values: np.ndarray
    kind: str
    said: str
    """Why this kind, when it was inferred; else ""."""
    grades: tuple[Any, ...] = ()


def read(column: pd.Series, kind: str | None) -> Response:
    """The response as numbers of the wanted kind (`None` infers it).

    Raises
    ------
    InputError
        If the kind is unknown or the values do not fit it.
    """
    if kind is not None and kind not in KINDS:
        raise InputError(f"kind is {kind!r}; accepted: {', '.join(KINDS)}, or None to infer it")
    if kind is None:
        kind, why = infer(column)
        said = f"{column.name} was taken as a {kind} ({why}); give kind= to choose otherwise."
    else:
        said = ""
    if kind == "pass":
        return Response(_passes(column), kind, said)
    if kind == "grade":
        codes, grades = _grades(column)
        return Response(codes, kind, said, grades)
    values = numbers(column)
    if kind == "count":
        present = values[~np.isnan(values)]
        bad = present[(present < 0) | (present != np.round(present))]
        if bad.size:
            raise InputError(
                f"{column.name} is a count but holds {bad[0]:g}; accepted: whole numbers from 0 up "
                "(kind='measure' for anything else)"
            )
    return Response(values, kind, said)


def infer(column: pd.Series) -> tuple[str, str]:
    """The kind of a column and why."""
    name, present = str(column.name), column.dropna()
    if isinstance(column.dtype, pd.CategoricalDtype) and column.cat.ordered:
        return "grade", "ordered levels"
    if pd.api.types.is_bool_dtype(column.dtype) or (
        len(present) and all(isinstance(v, (bool, np.bool_)) for v in present)
    ):
        return "pass", "yes/no values"
    if not pd.api.types.is_numeric_dtype(column.dtype):
        texts = {str(v).strip().lower() for v in present}
        if texts and texts <= _YES | _NO and not texts <= {"0", "1", "0.0", "1.0"}:
            return "pass", "yes/no values"
    values = numbers(column)
    values = values[~np.isnan(values)]
    whole = bool(values.size) and bool(np.all(values == np.round(values)))
    if whole and name.endswith("_grade"):
        return "grade", "whole numbers, name ends in _grade"
    measured = labels.unit(name) or name.lower().startswith("shore")
    if whole and set(values) <= {0, 1} and not measured:
        return "count", "only 0 and 1: if 1 means passed, give kind='pass'"
    if whole and values.min() >= 0 and not measured:
        return "count", "whole numbers from 0 up"
    return "measure", "numbers"


def plain(column: pd.Series, what: str) -> pd.Series:
    """The column, if each of its cells holds one value.

    Raises
    ------
    InputError
        If a cell holds a list or another collection.
    """
    if column.dtype == object:
        odd = next((v for v in column if isinstance(v, (list, tuple, dict, set, np.ndarray))), None)
        if odd is not None:
            raise InputError(
                f"{column.name} holds {odd!r}; accepted for {what}: one number, text or yes/no per casting"
            )
    return column


def numbers(column: pd.Series) -> np.ndarray:
    """A column as floats, NaN where missing.

    Raises
    ------
    InputError
        If it holds dates, or anything that is no finite number.
    """
    if isinstance(column.dtype, pd.CategoricalDtype):
        column = column.astype(object)
    dtype = column.dtype
    if pd.api.types.is_datetime64_any_dtype(dtype) or pd.api.types.is_timedelta64_dtype(dtype):
        raise InputError(
            f"{column.name} holds dates or times; accepted: numbers (for example hours since the first casting)"
        )
    if pd.api.types.is_complex_dtype(dtype):
        raise InputError(f"{column.name} holds complex numbers; accepted: plain numbers")
    try:
        values = pd.to_numeric(column, errors="raise").astype("float64").to_numpy(dtype=float, na_value=np.nan)
    except (ValueError, TypeError):
        example = next((v for v in column.dropna() if not _is_number(v)), None)
        raise InputError(
            f"{column.name} holds {example!r}, which is not a number; accepted: numbers, or yes/no for kind='pass', "
            "or an ordered category for kind='grade'"
        ) from None
    if np.isinf(values).any():
        raise InputError(f"{column.name} holds an infinite value; accepted: finite numbers, empty where not known")
    return values


def resolution(values: np.ndarray) -> float:
    """How far apart numbers of this size may come out by rounding alone.

    Examples
    --------
    >>> resolution(np.array([1e9, 3.0])) < 1e-5
    True
    """
    return 16 * float(np.finfo(float).eps) * float(np.abs(values).max(initial=0.0))


def _is_number(value: object) -> bool:
    try:
        float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return False
    return True


def _passes(column: pd.Series) -> np.ndarray:
    values = np.full(len(column), np.nan)
    for i, value in enumerate(column):
        if pd.isna(value):
            continue
        text = str(value).strip().lower()
        if text not in _YES | _NO:
            raise InputError(
                f"{column.name} is pass or fail but holds {value!r}; accepted: yes/no, true/false, pass/fail, 1/0"
            )
        values[i] = float(text in _YES)
    return values


def _grades(column: pd.Series) -> tuple[np.ndarray, tuple[Any, ...]]:
    """Codes 0, 1, ... over the grades in use, and those grades; unused grades collapse."""
    if isinstance(column.dtype, pd.CategoricalDtype) and not pd.api.types.is_numeric_dtype(column.cat.categories.dtype):
        if not column.cat.ordered:
            raise InputError(
                f"{column.name} is a category without an order; accepted for grades: an ordered one, or whole numbers"
            )
        used = column.cat.remove_unused_categories()
        codes = used.cat.codes.to_numpy(dtype=float)
        return np.where(codes < 0, np.nan, codes), tuple(used.cat.categories)
    values = numbers(column)
    used_values = np.unique(values[~np.isnan(values)])
    if not np.all(used_values == np.round(used_values)):
        raise InputError(
            f"{column.name} holds grades that are not whole numbers; accepted: whole numbers or an ordered category"
        )
    codes = np.searchsorted(used_values, values).astype(float)
    return np.where(np.isnan(values), np.nan, codes), tuple(int(v) for v in used_values)
