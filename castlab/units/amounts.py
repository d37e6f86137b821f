"""Temperature, duration, mass, volume, length, area, viscosity, density and share as typed -> bench units."""

from __future__ import annotations

import re
from typing import Any

from castlab.errors import InputError
from castlab.units.typed import Kind, known_unit, quantity, registry, terms, tidy

TEMPERATURE = Kind(
    "temperature",
    "degC",
    "22 C, 72 F, 295 K",
    {
        "degC": ("c", "celsius", "centigrade"),
        "degF": ("f", "fahrenheit"),
        "kelvin": ("k", "kelvin", "kelvins"),
    },
    {"": "degrees of which scale? Add C, F or K"},
)
DURATION = Kind(
    "duration",
    "minute",
    "90 s, 3 min, 1 h 30 min, 1:30 h, 2 days",
    {
        "week": ("week", "weeks", "wk"),
        "day": ("d", "day", "days"),
        "hour": ("h", "hr", "hrs", "hour", "hours"),
        "minute": ("min", "mins", "minute", "minutes", "m"),
        "second": ("s", "sec", "secs", "second", "seconds"),
    },
    compound=True,
)
_FLUID = "a fluid ounce is a volume, not a mass: weigh it, or use its density"
MASS = Kind(
    "mass",
    "g",
    "250 g, 1.2 kg, 3 oz, 1 lb 3 oz",
    {
        "kg": ("kg", "kilo", "kilos", "kilogram", "kilograms"),
        "g": ("g", "gram", "grams", "gramme", "grammes"),
        "mg": ("mg", "milligram", "milligrams"),
        "lb": ("lb", "lbs", "pound", "pounds"),
        "oz": ("oz", "ounce", "ounces"),
    },
    dict.fromkeys(("fl oz", "floz", "fluid ounce", "fluid ounces", "us fl oz", "imp fl oz", "uk fl oz"), _FLUID)
    | dict.fromkeys(("ml", "l", "cc", "cl", "litre", "liter"), "this is a volume, not a mass: weigh it")
    | {"gr": "gr can be gram or grain: write g"},
    compound=True,
)
_WHOSE = "US and imperial ones differ by 4% and more: add US or imp (3 US fl oz)"
VOLUME = Kind(
    "volume",
    "ml",
    "250 ml, 1.5 l, 30 cc, 3 US fl oz",
    {
        "l": ("l", "liter", "liters", "litre", "litres"),
        "dl": ("dl",),
        "cl": ("cl",),
        "ml": ("ml", "milliliter", "milliliters", "millilitre", "millilitres", "cc", "ccm", "cm3"),
        "mm**3": ("mm3",),
        "inch**3": ("in3", "cu in", "cubic inch", "cubic inches"),
        "US_fluid_ounce": ("us fl oz", "us floz", "us oz"),
        "imperial_fluid_ounce": ("imp fl oz", "uk fl oz", "imperial fl oz"),
        "US_pint": ("us pint", "us pints", "us pt"),
        "imperial_pint": ("imp pint", "imp pints", "uk pint", "imperial pint"),
        "US_liquid_quart": ("us quart", "us quarts", "us qt"),
        "imperial_quart": ("imp quart", "imp quarts", "imperial quart"),
        "US_liquid_gallon": ("us gal", "us gallon", "us gallons"),
        "imperial_gallon": ("imp gal", "imp gallon", "uk gal", "imperial gallon"),
    },
    {"oz": "an ounce is a mass, or a fluid ounce: write 3 US fl oz or 3 imp fl oz, or use units.mass"}
    | dict.fromkeys(("fl oz", "floz", "fluid ounce", "fluid ounces", "pint", "pints", "pt"), _WHOSE)
    | dict.fromkeys(("quart", "quarts", "qt", "gal", "gallon", "gallons"), _WHOSE)
    | dict.fromkeys(("g", "kg", "lb", "gram", "grams"), "this is a mass, not a volume: measure it, or use its density"),
)
LENGTH = Kind(
    "length",
    "mm",
    '12 mm, 1.2 cm, 0.3 m, 1/2 in, 3/8"',
    {
        "m": ("m", "meter", "meters", "metre", "metres"),
        "foot": ("ft", "foot", "feet", "'"),
        "inch": ("in", "inch", "inches", '"'),
        "cm": ("cm", "centimeter", "centimetre"),
        "mm": ("mm", "millimeter", "millimeters", "millimetre", "millimetres"),
        "thou": ("thou",),
        "micrometer": ("um", "μm", "micron", "microns"),
    },
    dict.fromkeys(("mil", "mils"), "a mil can be 1/1000 inch or a millimetre: write thou or mm"),
    signed=True,
    compound=True,
)
AREA = Kind(
    "area",
    "mm**2",
    "400 mm2, 4 cm2, 0.6 in2",
    {
        "mm**2": ("mm2", "sq mm"),
        "cm**2": ("cm2", "sq cm"),
        "m**2": ("m2", "sq m"),
        "inch**2": ("in2", "sq in", "square inch", "square inches"),
    },
)
_KINEMATIC = "this is a kinematic viscosity: multiply by the density (1 cSt at 1.1 g/ml is 1.1 cP)"
VISCOSITY = Kind(
    "viscosity",
    "Pa*s",
    "600 cP, 0.6 Pa s, 600 mPa s, 6 P",
    {
        "Pa*s": ("pa s", "pas", "pascal second", "pascal seconds"),
        "mPa*s": ("mpa s", "mpas"),
        "cP": ("cp", "cps", "centipoise"),
        "poise": ("p", "poise"),
    },
    dict.fromkeys(("cst", "st", "mm2/s", "centistokes"), _KINEMATIC),
)
DENSITY = Kind(
    "density",
    "g/ml",
    "1.12 g/ml, 1120 kg/m3, 9.3 lb/US gal",
    {
        "g/ml": ("g/ml", "g/cm3", "g/cc", "kg/l", "kg/dm3", "t/m3", "g ml-1", "g cm-3"),
        "kg/m**3": ("kg/m3", "g/l", "kg m-3"),
        "lb/US_liquid_gallon": ("lb/us gal", "lbs/us gal"),
        "lb/imperial_gallon": ("lb/imp gal", "lbs/imp gal"),
        "lb/ft**3": ("lb/ft3",),
    },
    dict.fromkeys(("lb/gal", "lbs/gal"), "US and imperial gallons differ by 20%: write lb/US gal or lb/imp gal"),
)
SHARE = Kind("percentage", "percent", "45 %", {"percent": ("%", "pct", "percent", "per cent")}, signed=True)

ABSOLUTE_ZERO_C = -273.15


def temperature(text: str) -> float:
    """A temperature as typed ("72 F", "22,5 °C", "295 K"), in degrees C.

    Raises
    ------
    InputError
        If the scale is not said, or it is below absolute zero.

    Source: degree Fahrenheit and kelvin as in NIST SP 811, B.8 (through `pint`).

    Examples
    --------
    >>> temperature("77 F")
    25.0
    """
    plain = tidy(text, TEMPERATURE.name)
    before, sign, pairs = terms(plain, TEMPERATURE.name, TEMPERATURE.accepted)
    if before or len(pairs) > 1:
        raise InputError(f"{plain!r} is not one temperature; accepted: {TEMPERATURE.accepted}")
    value, word = pairs[0]
    scale = re.sub(r"^(?:°|deg(?:rees?)?\b\.?|deg(?=[cfCF]\b))\s*", "", word)
    unit = known_unit(plain, scale, TEMPERATURE)
    degrees = registry().Quantity(-value if sign == "-" else value, unit).to("degC").magnitude
    celsius = round(float(degrees), 9)  # drops the noise of binary fractions: 295.15 K is 22 C
    if celsius < ABSOLUTE_ZERO_C:
        raise InputError(f"{plain!r} is below absolute zero ({ABSOLUTE_ZERO_C} C, -459.67 F)")
    return celsius


_CLOCK = re.compile(r"(\d+):(\d{1,2})(?::(\d{1,2}))?\s*([a-z]*)\.?")


def duration(text: str) -> float:
    """A length of time as typed ("90 s", "1 h 30 min", "1h30", "1:30 h", "2 days"), in min.

    Raises
    ------
    InputError
        If the unit is not said ("1:30" can be hours or minutes), or it is below zero.

    Examples
    --------
    >>> duration("1 h 30 min")
    90.0
    """
    plain = tidy(text, DURATION.name)
    clock = _CLOCK.fullmatch(plain.lower())
    if clock:
        return _clock(plain, clock)
    spaced = re.sub(r"(?<=\d)(?=[A-Za-z])|(?<=[A-Za-z])(?=\d)", " ", plain)
    # "1 h 30" and "3 min 30": the next smaller unit follows by itself.
    short = re.fullmatch(r"(.*\d (?:(h)(?:rs?|ours?)?|m|mins?|minutes?)) (\d{1,2})", spaced, re.IGNORECASE)
    if short:
        spaced = f"{short[1]} {short[3]} {'min' if short[2] else 's'}"
    return quantity(spaced, DURATION)


def _clock(plain: str, clock: re.Match[str]) -> float:
    first, second, third, word = clock.groups()
    unit = DURATION.unit(word) if word else None
    if word and unit not in ("hour", "minute"):
        raise InputError(f"{plain!r}: {word!r} does not fit a clock form; accepted: 1:30 h or 1:30 min")
    if third is None and unit is None:
        raise InputError(f"{plain!r} can be hours and minutes or minutes and seconds: add h or min")
    if int(second) > 59 or int(third or 0) > 59 or (third is not None and unit == "minute"):
        raise InputError(f"{plain!r} is not a time; accepted: {DURATION.accepted}")
    if unit == "minute":
        return int(first) + int(second) / 60
    return int(first) * 60 + int(second) + int(third or 0) / 60


def mass(text: str) -> float:
    """A mass as typed ("250 g", "3 oz", "1 lb 3 oz"), in g. Ounces and pounds are avoirdupois.

    Raises
    ------
    InputError
        If the unit is missing, ambiguous or one of volume.

    Examples
    --------
    >>> round(mass("3 oz"), 2)
    85.05
    """
    return quantity(text, MASS)


def volume(text: str) -> float:
    """A volume as typed ("250 ml", "1.5 l", "3 US fl oz"), in ml.

    Raises
    ------
    InputError
        If the unit is missing, one of mass, or one that the US and imperial systems share by name only.

    Examples
    --------
    >>> round(volume("3 US fl oz"), 2)
    88.72
    """
    return quantity(text, VOLUME)


def length(text: str) -> float:
    """A length as typed ("12 mm", "1/2 in", "-0.2 mm"), in mm.

    Raises
    ------
    InputError
        If the unit is missing, unknown or ambiguous.

    Examples
    --------
    >>> length("1 1/2 in")
    38.1
    """
    return round(quantity(text, LENGTH), 12)


def area(text: str) -> float:
    """An area as typed ("4 cm2"), in mm2.

    Raises
    ------
    InputError
        If the unit is missing or unknown.

    Examples
    --------
    >>> round(area("4 cm2"), 6)
    400.0
    """
    return quantity(text, AREA)


def viscosity(text: str) -> float:
    """A viscosity as typed ("600 cP", "0.6 Pa s"), in Pa s.

    Raises
    ------
    InputError
        If the unit is missing, unknown or a kinematic one.

    Examples
    --------
    >>> viscosity("600 cP")
    0.6
    """
    return quantity(text, VISCOSITY)


def density(text: str) -> float:
    """A density as typed ("1.12 g/ml", "1120 kg/m3"), in g/ml.

    Raises
    ------
    InputError
        If the unit is missing, unknown or ambiguous.

    Examples
    --------
    >>> density("1.12 g/cm3")
    1.12
    """
    return quantity(text, DENSITY)


def percentage(text: Any) -> float:
    """A share as typed ("45 %"), in %. Raises InputError if the sign or word is missing."""
    return quantity(text, SHARE)
