"""Pressure as a gauge shows it -> kPa absolute, and the standard atmosphere a gauge reads against."""

from __future__ import annotations

import math
import re
from typing import Any

from castlab.errors import InputError
from castlab.units.typed import Kind, convert, known_unit, terms, tidy

PRESSURE = Kind(
    "pressure",
    "kPa",
    "29 inHg gauge, 25 mbar abs, -0.92 bar gauge, 60 psig; units inHg, mmHg, torr, mbar, hPa, bar, kPa, Pa, psi, atm",
    {
        "inch_Hg": ("inhg", '"hg', "inch hg", "inches hg", "inchhg", "incheshg", "in-hg", "inchesofmercury"),
        "mmHg": ("mmhg", "mm-hg"),
        "cmHg": ("cmhg",),
        "torr": ("torr",),
        "millitorr": ("mtorr", "micron", "microns"),
        "mbar": ("mbar", "millibar", "millibars"),
        "hPa": ("hpa",),
        "bar": ("bar", "bars"),
        "kPa": ("kpa", "kilopascal"),
        "MPa": ("MPa",),
        "Pa": ("pa", "pascal"),
        "psi": ("psi", "lb/in2"),
        "kgf/cm**2": ("kgf/cm2", "kg/cm2"),
        "atm": ("atm",),
    },
    {"hg": "add inches or mm (inHg, mmHg)", "mpa": "write MPa (a million Pa), or use kPa"},
)

_ABSOLUTE = {"abs", "absolute", "a"}
_GAUGE = {"gauge", "gage", "g"}
_VACUUM = {"vacuum", "vac"}

# Dials graded in inches of mercury are vacuum dials: they count downwards from the atmosphere. Where "vacuum" alone is
# said beside another unit, it is as often what is left in the chamber (common practice, no source).
_DOWNWARD_DIALS = {"inch_Hg"}
_MERCURY_MM = {"mmHg", "cmHg", "torr", "millitorr"}

# US Standard Atmosphere 1976 (NOAA-S/T 76-1562), tables 1 to 4: constants of its lowest layer.
_P0_KPA, _T0_K, _LAPSE_K_M = 101.325, 288.15, -0.0065
_G0, _MOLAR_KG, _GAS, _EARTH_M = 9.80665, 0.0289644, 8.31432, 6_356_766.0
LOWEST_M, HIGHEST_M = -500.0, 11_000.0


def standard_pressure_kpa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere at a height, kPa absolute.

    Parameters
    ----------
    altitude_m
        Height above sea level, m; -500 to 11 000.

    Returns
    -------
    kPa absolute. Weather moves the real air pressure by about 3% either way.

    Raises
    ------
    InputError
        If the height is outside that range.

    Source: US Standard Atmosphere 1976, equation 33a with geopotential height (equation 18), lowest layer.

    Examples
    --------
    >>> round(standard_pressure_kpa(1000), 3)
    89.876
    """
    try:
        height = float(altitude_m)
    except (TypeError, ValueError):
        raise InputError(f"altitude_m is {altitude_m!r}; accepted: a height in m") from None
    if not LOWEST_M <= height <= HIGHEST_M:
        raise InputError(f"altitude_m is {altitude_m:g}; accepted: {LOWEST_M:g} to {HIGHEST_M:g} m above sea level")
    geopotential = _EARTH_M * height / (_EARTH_M + height)
    warmth = _T0_K / (_T0_K + _LAPSE_K_M * geopotential)
    return float(_P0_KPA * warmth ** (_G0 * _MOLAR_KG / (_GAS * _LAPSE_K_M)))


def pressure(text: str, *, altitude_m: float = 0.0, barometer_kpa: float | None = None) -> float:
    """A pressure as the gauge shows it, in kPa absolute.

    The text says gauge or absolute ("29 inHg gauge", "25 mbar abs", "-0.92 bar gauge", "60 psig"). An inHg dial counts
    downwards from the atmosphere; other gauges count up, or down with a minus sign or "gauge vacuum".

    Parameters
    ----------
    text
        Number, unit, and gauge or absolute.
    altitude_m
        Height of the gauge above sea level, m: it reads against the standard atmosphere there.
    barometer_kpa
        The real air pressure at the gauge, kPa, if it is known (not the one reduced to sea level that weather
        reports give); it is then used instead.

    Returns
    -------
    kPa absolute.

    Raises
    ------
    InputError
        If gauge or absolute is not said, the text can be read in two ways, or the vacuum is deeper than the air
        pressure allows.

    Source: unit factors of `pint` (BIPM, NIST SP 811); atmosphere as in `standard_pressure_kpa`.

    Examples
    --------
    >>> round(pressure("29 inHg gauge"), 2)
    3.12
    >>> round(pressure("-0.92 bar gauge", altitude_m=300), 2)
    5.77
    >>> pressure("25 mbar abs")
    2.5
    """
    plain, sign, value, unit, said = _read(text)
    kpa = convert(value, unit, "kPa")
    if _is_absolute(plain, sign, unit, said):
        if sign == "-" or kpa == 0:
            raise InputError(
                f"{plain!r}: an absolute pressure is above zero; if it is below the atmosphere, say gauge instead of abs"
            )
        return kpa
    air = _air_kpa(altitude_m, barometer_kpa)
    if not _is_below(plain, sign, unit, said):
        return air + kpa
    if kpa >= air:
        place = "by the barometer_kpa given" if barometer_kpa is not None else f"at {altitude_m:g} m"
        raise InputError(
            f"{plain!r} is {kpa:.2f} kPa below the air pressure, which is only {air:.2f} kPa {place}: check the reading "
            "and the altitude, or give the day's air pressure as barometer_kpa=... (weather moves it by about 3%)"
        )
    return air - kpa


def is_gauge(text: str) -> bool:
    """True if a typed pressure is a gauge reading, False if it is absolute.

    Raises
    ------
    InputError
        As `pressure` does where neither is said.

    Examples
    --------
    >>> is_gauge("29 inHg vacuum"), is_gauge("25 mbar abs")
    (True, False)
    """
    plain, sign, _, unit, said = _read(text)
    return not _is_absolute(plain, sign, unit, said)


def _read(text: Any) -> tuple[str, str, float, str, set[str]]:
    """(tidied text, sign, value, pint unit, {"abs", "gauge", "vacuum"} as far as said)."""
    plain = tidy(text, PRESSURE.name)
    before, sign, pairs = terms(plain, PRESSURE.name, PRESSURE.accepted)
    if len(pairs) > 1:
        raise InputError(f"{plain!r} is more than one value; give one pressure ({PRESSURE.accepted})")
    value, after = pairs[0]
    said: set[str] = set()
    rest: list[str] = []
    for word in re.findall(r"[^\s(),;]+", f"{before} {after}"):
        meaning = _meaning(word.lower().strip("."))
        if meaning:
            said.add(meaning)
        else:
            rest.append(word.replace(".", ""))
    spelled = "".join(rest)
    if PRESSURE.unit(spelled) is None and PRESSURE.unit(spelled[:-1]) and spelled[-1] in "agAG":
        said.add("abs" if spelled[-1] in "aA" else "gauge")
        spelled = spelled[:-1]
    return plain, sign, value, known_unit(plain, spelled, PRESSURE), said


def _meaning(word: str) -> str | None:
    return next((m for m, words in (("abs", _ABSOLUTE), ("gauge", _GAUGE), ("vacuum", _VACUUM)) if word in words), None)


def _is_absolute(plain: str, sign: str, unit: str, said: set[str]) -> bool:
    if {"abs", "gauge"} <= said:
        raise InputError(f"{plain!r} says both gauge and absolute: keep the one that the gauge shows")
    if not said:
        dial = " (29 inHg on a vacuum dial is a gauge reading)" if unit in _DOWNWARD_DIALS else ""
        raise InputError(
            f"{plain!r} does not say gauge or absolute: add 'abs' if the gauge shows what is left in the chamber, or "
            f"'gauge' if it shows 0 in open air{dial}"
        )
    if said == {"vacuum"} and not sign and unit not in _DOWNWARD_DIALS:
        raise InputError(
            f"{plain!r} can be what is left or what was taken away: write 'abs' instead of 'vacuum' for what is left in "
            "the chamber, or 'gauge vacuum' for the depth below the atmosphere"
        )
    return "abs" in said


def _is_below(plain: str, sign: str, unit: str, said: set[str]) -> bool:
    if "vacuum" in said:
        if sign == "+":
            raise InputError(f"{plain!r} has a plus sign and says vacuum: keep one of them")
        return True
    if sign:
        return sign == "-"
    if unit in _MERCURY_MM:
        raise InputError(
            f"{plain!r} can be above or below the atmosphere: say 'gauge vacuum' or a minus sign for below, a plus sign for above"
        )
    return unit in _DOWNWARD_DIALS


def _air_kpa(altitude_m: float, barometer_kpa: float | None) -> float:
    if barometer_kpa is None:
        return standard_pressure_kpa(altitude_m)
    if not (isinstance(barometer_kpa, int | float) and math.isfinite(barometer_kpa) and 20 <= barometer_kpa <= 110):
        raise InputError(f"barometer_kpa is {barometer_kpa!r}; accepted: the air pressure at the gauge, 20 to 110 kPa")
    return float(barometer_kpa)
