"""Quantities as people type them, as canonical bench units: kPa absolute, degrees C, min, g, ml, mm, Pa s.

What a text leaves open (gauge or absolute, mass or volume, thousands or decimals) is asked about, never guessed.
Conversion factors are pint's; it is loaded on first use.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from castlab.errors import InputError

_FRACTIONS = {"½": ".5", "¼": ".25", "¾": ".75"}
_NUMBER = r"[+-]?(?:\d+(?:[.,]\d+)*|[.,]\d+)(?:e[+-]?\d+)?"

_UNITS: dict[str, dict[str, tuple[str, ...]]] = {
    "pressure": {
        "kilopascal": ("kpa",),
        "hectopascal": ("hpa",),
        "pascal": ("pa",),
        "millibar": ("mbar", "mb"),
        "bar": ("bar", "bars"),
        "psi": ("psi", "lbf/in2", "lb/in2"),
        "inHg": ("inhg", "in hg", "in. hg", "inches of mercury", "inches hg", '"hg', '" hg', "in-hg"),
        "mmHg": ("mmhg", "mm hg", "millimeters of mercury"),
        "torr": ("torr",),
        "standard_atmosphere": ("atm",),
    },
    "temperature": {
        "degree_Celsius": ("c", "°c", "deg c", "degc", "degrees c", "celsius", "degrees celsius", "℃"),
        "degree_Fahrenheit": ("f", "°f", "deg f", "degf", "degrees f", "fahrenheit", "degrees fahrenheit", "℉"),
        "kelvin": ("k", "kelvin"),
    },
    "duration": {
        "second": ("s", "sec", "secs", "second", "seconds"),
        "minute": ("min", "mins", "minute", "minutes", "'"),
        "hour": ("h", "hr", "hrs", "hour", "hours"),
        "day": ("d", "day", "days"),
        "week": ("week", "weeks", "wk"),
    },
    "mass": {
        "gram": ("g", "gr", "gram", "grams", "gramme", "grammes"),
        "kilogram": ("kg", "kgs", "kilo", "kilos", "kilogram", "kilograms"),
        "milligram": ("mg", "milligram", "milligrams"),
        "ounce": ("oz", "ounce", "ounces"),
        "pound": ("lb", "lbs", "pound", "pounds"),
    },
    "volume": {
        "milliliter": ("ml", "milliliter", "milliliters", "millilitre", "millilitres"),
        "centimeter ** 3": ("cc", "cm3", "cm³", "ccm"),
        "liter": ("l", "liter", "liters", "litre", "litres"),
        "centiliter": ("cl",),
        "deciliter": ("dl",),
        "inch ** 3": ("in3", "in³", "cubic inch", "cubic inches", "cu in"),
        "fluid_ounce": ("us fl oz", "us fluid ounce"),
        "imperial_fluid_ounce": ("imp fl oz", "imperial fl oz", "uk fl oz"),
    },
    "length": {
        "millimeter": ("mm", "millimeter", "millimeters", "millimetre", "millimetres"),
        "centimeter": ("cm", "centimeter", "centimeters", "centimetre", "centimetres"),
        "meter": ("m", "meter", "meters", "metre", "metres"),
        "micrometer": ("um", "µm", "μm", "micron", "microns"),
        "inch": ("in", "inch", "inches", '"'),
        "thou": ("mil", "mils", "thou"),
        "foot": ("ft", "foot", "feet"),
    },
    "area": {
        "millimeter ** 2": ("mm2", "mm²", "sq mm"),
        "centimeter ** 2": ("cm2", "cm²", "sq cm"),
        "inch ** 2": ("in2", "in²", "sq in"),
    },
    "viscosity": {
        "pascal * second": ("pa s", "pa.s", "pa·s", "pas", "pa*s", "pa-s"),
        "millipascal * second": ("mpa s", "mpa.s", "mpa·s", "mpas", "mpa*s", "mpa-s"),
        "centipoise": ("cp", "cps", "centipoise"),
        "poise": ("p", "poise"),
    },
    "density": {
        "gram / milliliter": ("g/ml", "g/cc", "g/cm3", "g/cm³", "kg/l"),
        "kilogram / meter ** 3": ("kg/m3", "kg/m³"),
        "pound / US_liquid_gallon": ("lb/us gal",),
    },
    "percent": {"percent": ("%", "pct", "percent", "per cent", "% rh", "%rh")},
}
"""Kind of quantity -> pint's unit -> how people write it."""

_BENCH = {
    "pressure": "kilopascal",
    "temperature": "degree_Celsius",
    "duration": "minute",
    "mass": "gram",
    "volume": "milliliter",
    "length": "millimeter",
    "area": "millimeter ** 2",
    "viscosity": "pascal * second",
    "density": "gram / milliliter",
    "percent": "percent",
}

_SUFFIXES: tuple[tuple[str, str, str], ...] = (
    ("_pa_s", "viscosity", "pascal * second"),
    ("_g_ml", "density", "gram / milliliter"),
    ("_mm2", "area", "millimeter ** 2"),
    ("_kpa", "pressure", "kilopascal"),
    ("_pct", "percent", "percent"),
    ("_min", "duration", "minute"),
    ("_mm", "length", "millimeter"),
    ("_ml", "volume", "milliliter"),
    ("_g", "mass", "gram"),
    ("_h", "duration", "hour"),
    ("_c", "temperature", "degree_Celsius"),
)
"""Field suffix -> kind of quantity, pint's unit; longer suffixes first."""

_AMBIGUOUS = {
    ("volume", "oz"): "is that a mass, or fluid ounces? type 'us fl oz' or 'imp fl oz', or the mass",
    ("volume", "fl oz"): "US and imperial fluid ounces differ: type 'us fl oz' or 'imp fl oz'",
    ("mass", "fl oz"): "that is a volume; weigh it, or type ounces of mass as 'oz'",
    ("mass", "ml"): "that is a volume; weigh it, or multiply by the density",
    ("temperature", "°"): "which scale? type '72 F' or '22 C'",
    ("temperature", "degrees"): "which scale? type '72 F' or '22 C'",
    ("temperature", "deg"): "which scale? type '72 F' or '22 C'",
}

_GAUGE = re.compile(r"\b(gauge|gage|gauged|rel|relative|vacuum|vac)\b\.?")
_VACUUM = re.compile(r"\b(vacuum|vac)\b\.?")
_ABSOLUTE = re.compile(r"\b(abs|absolute)\b\.?")

_SHOWN = {"kpa": "kPa", "hpa": "hPa", "pa": "Pa", "inhg": "inHg", "mmhg": "mmHg", "c": "C", "f": "F", "k": "K"} | {
    "pa s": "Pa s",
    "mpa s": "mPa s",
    "cp": "cP",
}
"""Spellings whose capitals matter to a reader."""

ABSOLUTE_ZERO_C = -273.15


def pressure(text: str, *, altitude_m: float = 0.0, barometer_kpa: float | None = None) -> float:
    """A typed pressure as kPa absolute.

    Parameters
    ----------
    text
        Number, unit (inHg, mmHg, torr, mbar, hPa, bar, kPa, Pa, psi, atm) and whether it is "abs" or "gauge" (or
        "vacuum"). An inHg gauge reading without sign is a depth of vacuum, as such dials are marked; so is anything
        called "vacuum". Other gauge readings are signed: "-0.92 bar gauge" is below the atmosphere, "2 bar gauge" above.
    altitude_m
        Height above sea level where the gauge stands, m; it reads against the standard atmosphere there.
    barometer_kpa
        The real air pressure on the spot, kPa absolute, when it is known; it replaces the standard atmosphere.

    Returns
    -------
    float
        kPa absolute, above 0.

    Raises
    ------
    InputError
        If the text cannot be read, leaves gauge or absolute open, or is a vacuum deeper than the local atmosphere.

    Examples
    --------
    >>> round(pressure("25 mbar abs"), 3)
    2.5
    >>> round(pressure("29 inHg vacuum"), 1), round(pressure("-0.92 bar gauge", altitude_m=300), 1)
    (3.1, 5.8)
    """
    shown = str(text)
    plain = _plain(text)
    if "°" in plain:
        raise _unreadable(shown, "pressure")
    plain = re.sub(r"\b(psi|bar)g\b", r"\1 gauge", re.sub(r"\b(psi|bar|mbar|kpa)a\b", r"\1 abs", plain))
    gauge, absolute = bool(_GAUGE.search(plain)), bool(_ABSOLUTE.search(plain))
    number, unit = _number_and_unit(_ABSOLUTE.sub(" ", _GAUGE.sub(" ", plain)), shown, "pressure")
    if gauge == absolute:
        raise InputError(
            f"pressure {shown!r}: gauge or absolute? add one: '{shown.strip()} abs', '{shown.strip()} gauge' or, below the "
            f"atmosphere, '{shown.strip()} vacuum'"
        )
    value = _convert(number, unit, "kilopascal")
    if absolute:
        if value <= 0:
            raise InputError(f"pressure {shown!r}: an absolute pressure is above 0")
        return value
    signed = str(plain).lstrip().startswith(("-", "+"))
    if _VACUUM.search(plain) or (unit == "inHg" and not signed):
        value = -abs(value)
    elif unit in {"mmHg", "torr"} and not signed:
        reading = re.sub(_GAUGE, "", shown.lower()).strip()
        raise InputError(
            f"pressure {shown!r}: below or above the atmosphere? type '{reading} vacuum', or a sign: '+{reading} gauge'"
        )
    local = standard_pressure_kpa(altitude_m) if barometer_kpa is None else _checked_barometer(barometer_kpa)
    if local + value <= 0:
        where = f"at {altitude_m:g} m the standard atmosphere" if barometer_kpa is None else "the barometer"
        raise InputError(
            f"pressure {shown!r} is {-value:.1f} kPa below the atmosphere, but {where} is only {local:.1f} kPa: check the "
            "reading and the altitude; weather moves the atmosphere by about 3%, so give barometer_kpa if the gauge is right"
        )
    return local + value


def is_gauge(text: str) -> bool:
    """Whether a typed pressure says that it is a gauge (or vacuum) reading."""
    plain = _plain(text)
    return bool(_GAUGE.search(plain) or re.search(r"\b(psi|bar)g\b", plain))


def standard_pressure_kpa(altitude_m: float) -> float:
    """Standard atmosphere at a height above sea level, kPa absolute.

    Parameters
    ----------
    altitude_m
        Height, m; -500 to 11,000.

    Raises
    ------
    InputError
        If the height is outside that range.

    Notes
    -----
    Source: US Standard Atmosphere 1976 (NOAA-S/T 76-1562), first layer: p = 101.325 (1 - L h / T0)^(g M / R L) over the
    geopotential height h = r z / (r + z), with L = 6.5 K/km, T0 = 288.15 K, r = 6,356.766 km.

    Examples
    --------
    >>> round(standard_pressure_kpa(0), 3), round(standard_pressure_kpa(1000), 3)
    (101.325, 89.876)
    """
    if not (math.isfinite(altitude_m) and -500 <= altitude_m <= 11_000):
        raise InputError(f"altitude_m is {altitude_m}; accepted: -500 to 11000 m")
    geopotential = 6_356_766.0 * altitude_m / (6_356_766.0 + altitude_m)
    return 101.325 * float((1 - 0.0065 * geopotential / 288.15) ** 5.255_88)


def temperature(text: str) -> float:
    """A typed temperature as degrees C ("72 F", "22,5 °C", "295 K").

    Raises InputError if the scale is missing or the temperature lies below absolute zero.

    Examples
    --------
    >>> round(temperature("72 F"), 2)
    22.22
    """
    value = _quantity(text, "temperature")
    if value < ABSOLUTE_ZERO_C:
        raise InputError(f"temperature {text!r} lies below absolute zero ({ABSOLUTE_ZERO_C} C)")
    return value


def duration(text: str) -> float:
    """A typed duration as minutes ("1 h 30 min", "1h30", "90 s", "1:30 h", "2 days").

    Raises InputError if the unit is missing ("1:30" may be min:s or h:min) or the duration is negative.

    Examples
    --------
    >>> duration("1 h 30 min"), duration("1:30 h"), duration("45 s")
    (90.0, 90.0, 0.75)
    """
    shown, plain = str(text), _plain(text)
    if plain.startswith("-"):
        raise InputError(f"duration {shown!r} is negative")
    if clock := re.fullmatch(r"(\d+):(\d{2})(?::(\d{2}))?\s*(\w*)", plain):
        return _clock_duration(clock, shown)
    if bare := re.fullmatch(rf"({_NUMBER})\s*(h|hr|hrs|hours?|min)\s*({_NUMBER})", plain):
        plain = f"{bare[1]} {bare[2]} {bare[3]} {'s' if bare[2] == 'min' else 'min'}"
    tokens = re.findall(rf"({_NUMBER})\s*([a-z']+)", plain)
    rest = re.sub(rf"({_NUMBER})\s*([a-z']+)|\band\b|,|\s", "", plain)
    if not tokens or rest:
        raise _unreadable(shown, "duration")
    return sum(_convert(_number(n, shown), _unit(u, "duration", shown), "minute") for n, u in tokens)


def mass(text: str) -> float:
    """A typed mass as g ("102,5 g", "3 oz", "1 lb 3 oz"). Raises InputError for a volume or a missing unit.

    Examples
    --------
    >>> round(mass("3 oz"), 2), round(mass("1 lb 3 oz"), 1)
    (85.05, 538.6)
    """
    plain = _plain(text)
    if pounds := re.fullmatch(rf"({_NUMBER})\s*(?:lbs?|pounds?)\s*({_NUMBER})\s*(?:oz|ounces?)", plain):
        parts = (
            _convert(_number(pounds[1], text), "pound", "gram"),
            _convert(_number(pounds[2], text), "ounce", "gram"),
        )
        return sum(parts)
    return _not_negative(_quantity(text, "mass"), text, "mass")


def volume(text: str) -> float:
    """A typed volume as ml ("250 ml", "0.25 l", "8 us fl oz"). Raises InputError for bare ounces or a missing unit.

    Examples
    --------
    >>> volume("0.25 l")
    250.0
    """
    return _not_negative(_quantity(text, "volume"), text, "volume")


def length(text: str) -> float:
    """A typed length as mm ("2.5 cm", '1/2 in' is typed as "0.5 in"). Raises InputError if the unit is missing."""
    return _quantity(text, "length")


def viscosity(text: str) -> float:
    """A typed dynamic viscosity as Pa s ("600 cP", "0.6 Pa s", "600 mPa s"). Raises InputError if it cannot be read.

    Examples
    --------
    >>> viscosity("600 cP")
    0.6
    """
    return _not_negative(_quantity(text, "viscosity"), text, "viscosity")


def density(text: str) -> float:
    """A typed density as g/ml ("1.1 g/ml", "1100 kg/m3"). Raises InputError if it cannot be read."""
    return _not_negative(_quantity(text, "density"), text, "density")


@dataclass(frozen=True)
class Ratio:
    """A mix ratio: its parts in the order typed, and whether they are by "mass" or by "volume"."""

    parts: tuple[float, ...]
    basis: str

    def by_mass(self, densities_g_ml: Sequence[float] | None = None) -> tuple[float, ...]:
        """The parts by mass; a ratio by volume needs the density of each part, g/ml.

        Raises InputError if densities are missing, not one per part, or not above 0.
        """
        if self.basis == "mass":
            return self.parts
        if densities_g_ml is None or len(densities_g_ml) != len(self.parts) or min(densities_g_ml) <= 0:
            raise InputError(
                f"a ratio by volume of {len(self.parts)} parts needs {len(self.parts)} densities above 0, in g/ml, to be weighed"
            )
        return tuple(part * density for part, density in zip(self.parts, densities_g_ml, strict=True))

    def phr(self, densities_g_ml: Sequence[float] | None = None) -> float:
        """Parts of the second per hundred of the first, by mass; densities (g/ml) are needed for a ratio by volume."""
        first, second = self.by_mass(densities_g_ml)[:2]
        return 100 * second / first


def ratio(text: str) -> Ratio:
    """A typed mix ratio of two or more parts ("100:28 by mass", "2:1 by volume").

    Raises InputError if the basis is missing, or a part is zero or unreadable.

    Examples
    --------
    >>> ratio("100:28 by mass").phr()
    28.0
    >>> round(ratio("2:1 by volume").phr((1.12, 0.98)), 2)
    43.75
    """
    shown, plain = str(text), _plain(text)
    words = re.sub(r"[\d.,:/\s]|\bto\b", " ", plain).split()
    by_mass = any(w in {"mass", "weight", "w", "wt", "pbw"} for w in words)
    by_volume = any(w in {"volume", "vol", "v", "pbv"} for w in words)
    parts = re.split(
        r"\s*(?::|/|\bto\b)\s*", re.sub(r"(by\s+)?(mass|weight|wt|pbw|volume|vol|pbv|w|v|by)\b.*$", "", plain)
    )
    unknown = [w for w in words if w not in {"by", "mass", "weight", "w", "wt", "pbw", "volume", "vol", "v", "pbv"}]
    if len(parts) < 2 or unknown:
        raise InputError(
            f"ratio {shown!r} cannot be read; accepted: two or more parts, '100:28 by mass' or '2:1 by volume'"
        )
    if by_mass == by_volume:
        raise InputError(f"ratio {shown!r}: by mass or by volume? add one: '{shown.strip()} by mass'")
    values = tuple(_number(part.strip(), shown) for part in parts)
    if min(values) <= 0:
        raise InputError(f"ratio {shown!r}: every part is above 0")
    return Ratio(values, "mass" if by_mass else "volume")


def to_bench(text: str, name: str) -> float:
    """Typed text as a number in the bench unit that the suffix of a field's name says.

    Parameters
    ----------
    text
        A quantity ("72 F"), or a bare number, which is taken in the field's unit ("22,5" for `resin_c`).
    name
        The field: `resin_c`, `stir_min`, `cup_degas_kpa`...; without a unit suffix only bare numbers are accepted.

    Raises
    ------
    InputError
        If the text cannot be read, is of another kind of quantity, or is a gauge pressure (which needs the altitude).

    Examples
    --------
    >>> round(to_bench("72 F", "resin_c"), 2), to_bench("1 h 30 min", "stir_min"), to_bench("22,5", "resin_c")
    (22.22, 90.0, 22.5)
    """
    plain = _plain(text)
    if re.fullmatch(_NUMBER, plain):
        return _number(plain, f"{name} {text!r}")
    found = next(((kind, unit) for suffix, kind, unit in _SUFFIXES if name.endswith(suffix)), None)
    if found is None:
        raise InputError(f"{name} is {text!r}; accepted: a number")
    kind, unit = found
    try:
        if kind == "pressure":
            if is_gauge(text):
                raise InputError(
                    f"a gauge reads against the air of the place: give units.pressure({text!r}, altitude_m=...) or "
                    f"book.pressure({text!r})"
                )
            return pressure(text)
        if kind == "duration":
            return _convert(duration(text), "minute", unit)
        if kind == "mass":
            return mass(text)
        if kind == "temperature":
            return temperature(text)
        return _quantity(text, kind)
    except InputError as exc:
        raise InputError(f"{name}: {exc}") from None


def unit_of(name: str) -> str | None:
    """The bench unit of a field as people write it ("kPa abs", "min"), or None if its name has no unit suffix."""
    for suffix, kind, unit in _SUFFIXES:
        if name.endswith(suffix):
            spelling = _UNITS[kind][unit][0]
            return _SHOWN.get(spelling, spelling) + (" abs" if kind == "pressure" else "")
    return None


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@lru_cache(maxsize=256)
def _line(unit: str, to: str) -> tuple[float, float]:
    """Factor and offset from one pint unit to another."""
    if unit == to:
        return 1.0, 0.0
    quantity = _registry().Quantity
    zero, hundred = (float(quantity(x, unit).to(to).magnitude) for x in (0.0, 100.0))
    return (hundred - zero) / 100, zero


def _convert(value: float, unit: str, to: str) -> float:
    factor, offset = _line(unit, to)
    return round(value * factor + offset, 12)


def _plain(text: object) -> str:
    """Lower case, one kind of space and minus, fractions written out."""
    if not isinstance(text, str):
        raise InputError(f"{text!r} is not typed text; accepted: a quantity with its unit, such as '72 F'")
    plain = text.replace("\N{MINUS SIGN}", "-").replace("\N{EN DASH}", "-")
    for sign, decimals in _FRACTIONS.items():
        plain = re.sub(rf"(\d*)\s?{sign}", lambda m, d=decimals: (m[1] or "0") + d, plain)  # type: ignore[misc]
    return re.sub(r"\s+", " ", plain).strip().lower()


def _number(text: str, shown: str) -> float:
    """A number with a decimal point or comma; "1,500" could be either and is asked about."""
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+", text) and not re.fullmatch(r"[+-]?0,\d{3}", text):
        raise InputError(
            f"{shown}: is {text} with a decimal comma or with thousands? type it with a point or without the comma"
        )
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+\.\d+", text):
        text = text.replace(",", "")
    if text.count(",") + text.count(".") > 1:
        raise InputError(f"{shown}: {text} has more than one decimal sign")
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise InputError(f"{shown}: {text!r} is not a number") from None
    if not math.isfinite(value):
        raise InputError(f"{shown}: {text} is too large")
    return value


def _number_and_unit(plain: str, shown: str, kind: str) -> tuple[float, str]:
    found = re.fullmatch(rf"\s*({_NUMBER})\s*(.*?)\s*", plain)
    if not found:
        raise _unreadable(shown, kind)
    return _number(found[1], f"{kind} {shown!r}"), _unit(found[2], kind, shown)


def _unit(word: str, kind: str, shown: str) -> str:
    word = word.strip().rstrip(".")
    for unit, spellings in _UNITS[kind].items():
        if word in spellings:
            return unit
    if (kind, word) in _AMBIGUOUS:
        raise InputError(f"{kind} {shown!r}: {_AMBIGUOUS[kind, word]}")
    if not word:
        examples: Mapping[str, str] = {"temperature": "'72 F' or '22 C'", "duration": "'3 min' or '1 h 30 min'"}
        raise InputError(f"{kind} {shown!r} has no unit; add one: {examples.get(kind, _accepted(kind))}")
    raise _unreadable(shown, kind)


def _quantity(text: str, kind: str) -> float:
    number, unit = _number_and_unit(_plain(text), str(text), kind)
    return _convert(number, unit, _BENCH[kind])


def _accepted(kind: str) -> str:
    return ", ".join(_SHOWN.get(spellings[0], spellings[0]) for spellings in _UNITS[kind].values())


def _unreadable(shown: str, kind: str) -> InputError:
    return InputError(f"{kind} {shown!r} cannot be read; accepted: a number and one of {_accepted(kind)}")


def _not_negative(value: float, text: str, kind: str) -> float:
    if value < 0:
        raise InputError(f"{kind} {text!r} is negative")
    return value


def _checked_barometer(barometer_kpa: float) -> float:
    if not (math.isfinite(barometer_kpa) and 20 <= barometer_kpa <= 110):
        raise InputError(f"barometer_kpa is {barometer_kpa}; accepted: 20 to 110 kPa absolute")
    return barometer_kpa


def _clock_duration(clock: re.Match[str], shown: str) -> float:
    first, second, third, unit = int(clock[1]), int(clock[2]), clock[3], clock[4]
    if third is not None and unit in {"", *_UNITS["duration"]["hour"]}:
        return first * 60 + second + int(third) / 60
    if unit in _UNITS["duration"]["hour"] and third is None:
        return float(first * 60 + second)
    if unit in _UNITS["duration"]["minute"] and third is None:
        return first + second / 60
    raise InputError(
        f"duration {shown!r}: hours and minutes or minutes and seconds? type '{clock[1]} h {clock[2]} min' or '{clock[1]} min {clock[2]} s'"
    )
