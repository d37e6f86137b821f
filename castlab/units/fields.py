"""Typed values for a named field: the suffix of the name says the bench unit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from castlab.errors import InputError
from castlab.units import amounts, gauges
from castlab.units.ratios import ratio
from castlab.units.typed import bare, tidy


def _hours(text: str) -> float:
    return amounts.duration(text) / 60


def _metres(text: str) -> float:
    return amounts.length(text) / 1000


def _phr(text: str) -> float:
    return ratio(text).phr


def _absolute(text: str) -> float:
    if gauges.is_gauge(text):
        raise InputError(
            f"{text!r} is a gauge reading, which counts from the air pressure of the place; a record does not know it: "
            f"give units.pressure({text!r}, altitude_m=...), or an absolute pressure"
        )
    return gauges.pressure(text)


SUFFIXES: dict[str, tuple[str, Callable[[str], float]]] = {
    "_g_ml": ("g/ml", amounts.density),
    "_pa_s": ("Pa s", amounts.viscosity),
    "_mm2": ("mm2", amounts.area),
    "_mm": ("mm", amounts.length),
    "_ml": ("ml", amounts.volume),
    "_min": ("min", amounts.duration),
    "_h": ("h", _hours),
    "_c": ("C", amounts.temperature),
    "_kpa": ("kPa absolute", _absolute),
    "_pct": ("%", amounts.percentage),
    "_phr": ("phr", _phr),
    "_g": ("g", amounts.mass),
    "_m": ("m", _metres),
}
"""Suffix of a field -> bench unit as people write it, and the reader. The first that fits counts."""


def bench_unit(name: str) -> str | None:
    """The bench unit of a field by its suffix ("cup_degas_kpa" -> "kPa absolute"), or None.

    Examples
    --------
    >>> bench_unit("resin_g"), bench_unit("resin_g_ml"), bench_unit("bubbles")
    ('g', 'g/ml', None)
    """
    return next((unit for suffix, (unit, _) in SUFFIXES.items() if name.endswith(suffix)), None)


def to_bench(text: Any, name: str) -> float:
    """What was typed for a field, in the bench unit that its suffix names; a bare number is already in it.

    Parameters
    ----------
    text
        "72 F", "3 min 30 s", "25 mbar abs", or a bare number ("22,5").
    name
        Field name; its suffix is the unit (`resin_c`, `stir_min`). A name without one takes bare numbers only.

    Returns
    -------
    The value in the bench unit.

    Raises
    ------
    InputError
        Naming the field, what was typed and what is accepted. Gauge pressures are refused: a field does not know the
        altitude; convert them with `pressure`.

    Examples
    --------
    >>> to_bench("77 F", "resin_c"), to_bench("22,5", "resin_c"), to_bench("90 s", "stir_min")
    (25.0, 22.5, 1.5)
    """
    try:
        plain = tidy(text, "value")
        value = bare(plain)
        if value is not None:
            return value
        reader = next((read for suffix, (_, read) in SUFFIXES.items() if name.endswith(suffix)), None)
        if reader is None:
            raise InputError(f"{plain!r} is not a number; accepted: a number without a unit")
        return reader(plain)
    except InputError as problem:
        unit = bench_unit(name)
        bench = f" (a bare number counts as {unit})" if unit else ""
        raise InputError(f"{name}: {problem}{bench}") from None
