"""Columns and levels in the words of the bench, with their units: for axes, tables and sentences."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal
from numbers import Real
from typing import Any

from castlab.units.fields import SUFFIXES

_SHOWN = {"C": "°C", "mm2": "mm²"}
"""Unit as it is typed -> as it is printed."""

UNITS = {suffix: _SHOWN.get(unit, unit) for suffix, (unit, _) in SUFFIXES.items()} | {"_deg": "°", "_rpm": "rpm"}
"""Suffix of a column -> its unit, the longer suffix first. Nobody types the last two with a unit."""

NAMES = {
    "passed": "good enough to sell",
    "clarity_grade": "clarity grade (0 worst, 4 best)",
    "tack_grade": "freedom from tack (0 worst, 4 best)",
    "surface_grade": "surface grade (0 worst, 4 best)",
    "edge_grade": "edge fill grade (0 worst, 4 best)",
    "insert_grade": "insert position grade (0 worst, 4 best)",
    "demold_grade": "demold grade (0 worst, 4 best)",
    "bubble_largest": "largest bubble",
    "shore_d": "Shore D hardness",
    "resin_c": "resin temperature (°C)",
    "room_c": "room temperature (°C)",
    "mold_c": "mold temperature (°C)",
    "cure_c": "cure temperature (°C)",
    "cure_h": "cure time (h)",
    "post_cure_c": "post-cure temperature (°C)",
    "post_cure_h": "post-cure time (h)",
    "demold_h": "time to demold (h)",
    "cup_degas_kpa": "pressure over the cup (kPa absolute)",
    "mold_degas_kpa": "pressure over the mold (kPa absolute)",
    "hold_kpa": "pressure hold (kPa absolute)",
    "hold_min": "hold time (min)",
    "mold_id": "mold",
    "batch_id": "batch",
    "insert_prep": "insert preparation",
    "phr": "hardener per hundred of resin",
    "target_phr": "hardener aimed at (per 100 of resin)",
}
"""Column, with or without its unit's suffix -> what the bench calls it."""

_BETWEEN = re.compile("( x |, | and )")


def unit(column: str) -> str:
    """Unit that the column's suffix names, or "".

    Examples
    --------
    >>> unit("cup_degas_min"), unit("bubbles")
    ('min', '')
    """
    return next((word for suffix, word in UNITS.items() if column.endswith(suffix) and len(column) > len(suffix)), "")


def name(column: str) -> str:
    """Column in words, without its unit.

    Examples
    --------
    >>> name("cup_degas_min"), name("spin_rpm"), name("pour_method")
    ('cup degas', 'spin', 'pour method')
    """
    return label(column).partition(" (")[0]


def names(columns: str) -> str:
    """Columns that act together, or a list of them, in words.

    Examples
    --------
    >>> names("resin_c x pour_method"), names("rest_min, tilt_deg and hold_kpa")
    ('resin temperature x pour method', 'rest, tilt and pressure hold')
    """
    return "".join(part if place % 2 else name(part) for place, part in enumerate(_BETWEEN.split(columns)))


def label(column: str) -> str:
    """Column in words, with its unit in brackets.

    Examples
    --------
    >>> label("resin_c"), label("tilt_deg"), label("breaks")
    ('resin temperature (°C)', 'tilt (°)', 'breaks')
    """
    if column in NAMES:
        return NAMES[column]
    suffix = next((s for s in UNITS if column.endswith(s) and len(column) > len(s)), "")
    stem = column.removesuffix(suffix)
    words = NAMES.get(stem, stem).replace("_", " ")
    return f"{words} ({UNITS[suffix]})" if suffix else words


def per(column: str) -> str:
    """What a response is counted out of, in words.

    Examples
    --------
    >>> per("area_mm2"), per("area")
    ('per mm² of area', 'per unit of area')
    """
    return f"per {unit(column) or 'unit'} of {name(column)}"


def level(value: Any, digits: int = 6) -> str:
    """A level as it is read aloud: 4.0 is 4, True is yes; numbers to six digits, whole ones to the last.

    Examples
    --------
    >>> level(4.0), level(True), level("ladle"), level(1e9), level(0.00001)
    ('4', 'yes', 'ladle', '1000000000', '0.00001')
    """
    if isinstance(value, bool) or type(value).__name__ == "bool":
        return "yes" if value else "no"
    if isinstance(value, str) or not isinstance(value, Real):
        return str(value)
    text = f"{value:.{digits}g}"
    if "e" not in text:
        return text
    return f"{value:.0f}" if abs(float(value)) >= 1 else f"{Decimal(text):f}"


def levels(values: Iterable[Any]) -> list[str]:
    """Levels of one column as they are read aloud, with as many digits as tell them apart.

    Examples
    --------
    >>> levels([100000.1, 100000.2]), levels([22.0, 32.0])
    (['100000.1', '100000.2'], ['22', '32'])
    """
    given = list(values)
    told = [level(value) for value in given]
    if len(set(told)) < len(set(given)):
        told = [level(value, 16) for value in given]
    return told
