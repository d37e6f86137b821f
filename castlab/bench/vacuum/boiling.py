"""Where a mix boils: vapour pressures of its volatile parts, against the pressure of the chamber."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.analysis.words import about
from castlab.bench.inputs import Array, Number, number, numbers, plain, rows
from castlab.bench.materials import Volatile, family, family_of
from castlab.bench.vacuum.limits import HIGHEST_BAROMETER_KPA
from castlab.errors import InputError
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material

# ln p/Pa = C1 + C2/T + C3 ln T + C4 T^C5, T in K.
# Source: Perry's Chemical Engineers' Handbook, 8th ed., table 2-8 (as carried by the `chemicals` library, 1.5.2).
_VAPOUR: dict[str, tuple[float, float, float, float, float]] = {
    "water": (73.649, -7258.2, -7.3037, 4.1653e-6, 2.0),
    "styrene": (105.93, -8685.9, -12.42, 7.5583e-6, 2.0),
    "benzyl alcohol": (100.68, -11059.0, -10.709, 3.0582e-18, 6.0),
    "methyl methacrylate": (107.36, -8085.3, -12.72, 8.3307e-6, 2.0),
    "acetone": (69.006, -5599.6, -7.0985, 6.2237e-6, 2.0),
    "ethanol": (73.304, -7122.3, -7.1424, 2.8853e-6, 2.0),
    "isopropanol": (96.094, -8575.4, -10.292, 1.6665e-17, 6.0),
    "toluene": (76.945, -6729.8, -8.179, 5.3017e-6, 2.0),
    "o-xylene": (90.405, -7955.2, -10.086, 5.9594e-6, 2.0),
    "methyl ethyl ketone": (72.698, -6143.6, -7.5779, 5.6476e-6, 2.0),
}
VAPOUR_RANGE_C = (0.0, 150.0)


def vapour_kpa(substance_or_material: str | Material, temperature_c: Number) -> float | Array:
    """Pressure below which a substance, or what is volatile in a mix, boils, kPa absolute.

    Arguments
    ---------
    substance_or_material
        "water", "styrene", "benzyl alcohol", "methyl methacrylate", "acetone", "ethanol", "isopropanol", "toluene",
        "o-xylene", "methyl ethyl ketone"; or a material family, or a material record with one. For a material:
        Raoult's law over its typical volatile parts, middle of their range; 0 where nothing in it is volatile.
    temperature_c
        0 to 150 C, a number or an array.

    Returns
    -------
    kPa, a float or an array.

    Raises
    ------
    InputError
        If the name is unknown or the temperature out of range.

    Source: Perry's Chemical Engineers' Handbook, 8th ed., table 2-8. Within 1 % of the reference equation for water;
    published tables of benzyl alcohol near room temperature differ among themselves by 10 % and more.

    >>> round(vapour_kpa("water", 25), 2)
    3.17
    """
    celsius = numbers("temperature_c", temperature_c, *VAPOUR_RANGE_C, "C")
    total = np.zeros_like(celsius)
    for part in _volatiles(substance_or_material):
        total = total + (part.low + part.high) / 2 * _pure_kpa(part.substance, celsius)
    return plain(total)


def _pure_kpa(substance: str, celsius: Array) -> Array:
    c1, c2, c3, c4, c5 = _VAPOUR[substance]
    kelvin = celsius + 273.15
    return np.asarray(np.exp(c1 + c2 / kelvin + c3 * np.log(kelvin) + c4 * kelvin**c5) / 1000)


def _volatiles(what: str | Material) -> tuple[Volatile, ...]:
    if isinstance(what, str) and what.strip().lower() in _VAPOUR:
        return (Volatile(what.strip().lower(), 1.0, 1.0, "pure"),)
    try:
        return family(family_of(what)).volatiles
    except InputError as exc:
        raise InputError(f"{exc}; or a substance: {', '.join(_VAPOUR)}") from None


@dataclass(frozen=True, kw_only=True)
class BoilingMargin(Result):
    """How far a chamber pressure stays above the boiling of the mix."""

    margins: pd.DataFrame
    """temperature_c, pressure_kpa, boils_below_kpa, boils_below_low_kpa, boils_below_high_kpa, water_leaves_below_kpa,
    margin (pressure over boiling pressure), boils."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Boiling margin": self.margins}


def boiling_margin(
    substance_or_material: str | Material,
    temperature_c: Number,
    pressure_kpa: Number,
    *,
    stored_at_humidity_pct: float = 50.0,
) -> BoilingMargin:
    """Below which pressure the mix itself boils rather than degasses, and how far a chamber pressure is from it.

    Arguments
    ---------
    substance_or_material
        As in `vapour_kpa`.
    temperature_c
        Temperature of the mix in the chamber, C (it warms as it reacts). A number or an array.
    pressure_kpa
        Chamber pressure, kPa absolute. A number or an array.
    stored_at_humidity_pct
        Humidity the components stood open in, %: their dissolved water comes out below that share of the vapour pressure
        of water, and stops when it is gone.

    Returns
    -------
    BoilingMargin

    Raises
    ------
    InputError
        If the name is unknown or a value is out of range.

    >>> boiling_margin("styrene", 25, [0.5, 5]).margins["boils"].tolist()
    [True, False]
    """
    celsius = numbers("temperature_c", temperature_c, *VAPOUR_RANGE_C, "C")
    pressure = numbers("pressure_kpa", pressure_kpa, 1e-5, HIGHEST_BAROMETER_KPA, "kPa absolute")
    humidity = number("stored_at_humidity_pct", stored_at_humidity_pct, 0.0, 100.0, "%")
    table = rows(temperature_c=celsius, pressure_kpa=pressure)
    parts = _volatiles(substance_or_material)
    label = substance_or_material if isinstance(substance_or_material, str) else substance_or_material.name
    zero = np.zeros_like(table["temperature_c"])
    low = sum((v.low * _pure_kpa(v.substance, table["temperature_c"]) for v in parts), zero)
    high = sum((v.high * _pure_kpa(v.substance, table["temperature_c"]) for v in parts), zero)
    middle = (low + high) / 2
    bulk_water = any(v.substance == "water" for v in parts)
    water = zero if bulk_water else humidity / 100 * _pure_kpa("water", table["temperature_c"])
    with np.errstate(divide="ignore"):
        margin = np.where(middle > 0, table["pressure_kpa"] / np.where(middle > 0, middle, 1.0), np.inf)
    margins = pd.DataFrame(
        {
            **table,
            "boils_below_kpa": middle,
            "boils_below_low_kpa": low,
            "boils_below_high_kpa": high,
            "water_leaves_below_kpa": water,
            "margin": margin,
            "boils": table["pressure_kpa"] < middle,
        }
    )
    return BoilingMargin(
        verdict=_boiling_verdict(str(label), margins),
        cautions=(
            *(
                ("The shares of the volatile parts are typical of the family, not this product's: see its data sheet.",)
                if any(v.low < v.high for v in parts)
                else ()
            ),
            *cautions.about("vacuum", *(["styrene"] if any(v.substance == "styrene" for v in parts) else [])),
        ),
        margins=margins,
    )


def _boiling_verdict(label: str, margins: pd.DataFrame) -> str:
    worst = margins.loc[margins["margin"].idxmin()] if np.isfinite(margins["margin"]).any() else margins.iloc[0]
    at = f"{worst.temperature_c:g} °C"
    if worst.boils_below_high_kpa == 0:
        text = f"Nothing in {label} is known to boil at {at}: bubbles that keep coming are air or moisture."
    else:
        spread = (
            f" ({about(worst.boils_below_low_kpa)} to {about(worst.boils_below_high_kpa)})"
            if worst.boils_below_low_kpa < worst.boils_below_high_kpa
            else ""
        )
        text = f"{label} boils below {about(worst.boils_below_kpa)} kPa{spread} at {at}"
        if worst.pressure_kpa < worst.boils_below_low_kpa:
            text += f": at {worst.pressure_kpa:g} kPa it boils and will not stop bubbling. Let in air to above that."
        elif worst.pressure_kpa < worst.boils_below_high_kpa:
            text += f": at {worst.pressure_kpa:g} kPa it may boil; if the bubbling does not stop, let in a little air."
        else:
            text += f": {worst.pressure_kpa:g} kPa is {about(worst.margin)} times that, so it degasses without boiling."
            if worst.margin < 1.5:
                text += " That is close: a gauge error or a warm mix uses it up."
    if (margins["pressure_kpa"] < margins["water_leaves_below_kpa"]).any():
        text += (
            f" Dissolved moisture comes out below about {about(worst.water_leaves_below_kpa)} kPa: it foams like boiling, but "
            "ends once it is gone."
        )
    return text
