"""Which bubbles rise out before the mix stiffens."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.analysis.words import about
from castlab.bench.bubbles.single import GRAVITY_M_S2, STOKES, VISIBLE_MM, Surface, checked_surface, diameter_of, growth
from castlab.bench.cure.datasheet import DatasheetFit, mix_of
from castlab.bench.cure.resin import Resin
from castlab.bench.cure.thickening import thickening
from castlab.bench.inputs import Number, number, numbers, rows
from castlab.bench.vacuum import HIGHEST_BAROMETER_KPA, SEA_LEVEL_KPA
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material


@dataclass(frozen=True, kw_only=True)
class Clearing(Result):
    """Which bubbles get out in time."""

    table: pd.DataFrame
    """depth_mm, temperature_c, hold_min, pressure_kpa, smallest_mm (diameter at the pressure of the room), low_mm,
    high_mm, smallest_in_vacuum_mm (just under the surface), gel_min, stopped_by ("hold" or "gel"), viscosity_end_pa_s."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Smallest bubble that gets out": self.table}


def clearing(
    depth_mm: Number,
    material: str | Material | Resin | DatasheetFit,
    temperature_c: Number = 25.0,
    hold_min: Number = 10.0,
    pressure_kpa: Number = SEA_LEVEL_KPA,
    *,
    surface: Surface = "coated",
    start_min: float = 0.0,
    room_kpa: float = SEA_LEVEL_KPA,
) -> Clearing:
    """The smallest bubble that rises out from the bottom before the resin stiffens.

    Arguments
    ---------
    depth_mm, temperature_c, hold_min, pressure_kpa
        Depth of the mix, temperature of mix, mold and room at the start, time it is left to clear, pressure over it (kPa absolute). Numbers or lists.
    material
        A family name, a material record, a `cure.from_datasheet` fit, or a `Resin`.
    surface
        As in `rise_speed_mm_s`.
    start_min
        Age of the mix when the wait begins, min.
    room_kpa
        Pressure at which the bubble's size is told, kPa absolute.

    Returns
    -------
    Clearing; its range covers the kinetics and viscosity that fit the material, and clean against coated surfaces.

    Raises
    ------
    InputError
        If a value is out of range or the material unknown.

    Source: Stokes or Hadamard-Rybczynski speed of a bubble that follows Boyle with Laplace as it nears the surface,
    through a mix that thickens as it cures and warms itself in a wide pour.

    >>> from castlab.bench.cure import Resin
    >>> mix = Resin(name="mix", k1_per_s=1e-6, k2_per_s=2e-5)
    >>> table = clearing([10, 40], mix, hold_min=30).table
    >>> bool(table["smallest_mm"].is_monotonic_increasing)
    True
    """
    checked_surface(surface)
    cases = pd.DataFrame(
        rows(
            depth_mm=numbers("depth_mm", depth_mm, 0.1, 2000, "mm"),
            temperature_c=numbers("temperature_c", temperature_c, -10, 150, "C"),
            hold_min=numbers("hold_min", hold_min, 0.0, 1e5, "min"),
            pressure_kpa=numbers("pressure_kpa", pressure_kpa, 1e-3, HIGHEST_BAROMETER_KPA, "kPa absolute"),
        )
    )
    start = number("start_min", start_min, 0.0, 1e5, "min")
    room = number("room_kpa", room_kpa, 30.0, HIGHEST_BAROMETER_KPA, "kPa absolute")
    fit = mix_of(material)
    lines = [_clear_one(fit, case, surface, start, room) for case in cases.to_dict("records")]
    table = pd.concat([cases, pd.DataFrame(lines)], axis=1)
    worst = table.loc[table["smallest_mm"].idxmax()]
    return Clearing(
        verdict=_clearing_verdict(fit.resin.name, worst, len(table)),
        cautions=(
            "The mix thickens as a wide pour of that depth in a silicone mold does; a cup, warmer, is quicker.",
            *fit.typical_note,
            *(cautions.about("vacuum") if (table["pressure_kpa"] < 0.9 * room).any() else ()),
        ),
        table=table,
    )


def _clear_one(
    fit: DatasheetFit, case: dict[str, float], surface: Surface, start_min: float, room_kpa: float
) -> dict[str, float | str]:
    begin, end = start_min * 60, (start_min + case["hold_min"]) * 60

    def smallest(resin: Resin, how: Surface) -> tuple[float, float]:
        fluidity = float(thickening(resin, case["temperature_c"], case["depth_mm"]).fluidity(begin, end))
        return _smallest(resin, fluidity, case["depth_mm"], case["pressure_kpa"], room_kpa, how)

    best, in_vacuum = smallest(fit.resin, surface)
    spread = [smallest(m, how)[0] for m in fit.members for how in (surface, "clean")] or [
        smallest(fit.resin, "clean")[0]
    ]
    mix = thickening(fit.resin, case["temperature_c"], case["depth_mm"])
    return {
        "smallest_mm": best,
        "low_mm": min(best, *spread),
        "high_mm": max(best, *spread),
        "smallest_in_vacuum_mm": in_vacuum,
        "gel_min": mix.gel_s / 60,
        "stopped_by": "gel" if end > mix.gel_s else "hold",
        "viscosity_end_pa_s": float(mix.viscosity(end)),
    }


_DEPTH_NODES, _DEPTH_WEIGHTS = np.polynomial.legendre.leggauss(24)
SMALLEST_MM, LARGEST_MM = 1e-4, 50.0


def needed_fluidity(
    resin: Resin, diameter_mm: float, depth_mm: float, over_kpa: float, room_kpa: float, surface: Surface
) -> float:
    """Time integral of 1/viscosity, 1/Pa, that a bubble of a size told at room pressure needs to rise through the depth.

    The bubble swells as the mix above it grows shallower (Gauss-Legendre over the depth).
    """
    density, tension = resin.density_g_ml * 1000, resin.surface_tension_n_m
    told = diameter_mm / 1000
    pressure = over_kpa * 1000 + density * GRAVITY_M_S2 * depth_mm / 1000 * (_DEPTH_NODES + 1) / 2
    gas = np.full_like(pressure, (room_kpa * 1000 + 4 * tension / told) * told**3)
    way = float(np.sum(_DEPTH_WEIGHTS / diameter_of(gas, pressure, tension) ** 2)) * depth_mm / 2000
    return way * STOKES[surface] / (density * GRAVITY_M_S2)


def _smallest(
    resin: Resin, fluidity: float, depth_mm: float, over_kpa: float, room_kpa: float, surface: Surface
) -> tuple[float, float]:
    """Diameter at room pressure, and at the chamber's, of the bubble that just rises `depth_mm`; infinite if none does."""
    from scipy.optimize import brentq

    def short_of(log_mm: float) -> float:
        return math.log(needed_fluidity(resin, math.exp(log_mm), depth_mm, over_kpa, room_kpa, surface) / fluidity)

    low, high = math.log(SMALLEST_MM), math.log(LARGEST_MM)
    if fluidity <= 0 or short_of(high) > 0:
        return math.inf, math.inf
    told = SMALLEST_MM if short_of(low) < 0 else math.exp(brentq(short_of, low, high, xtol=1e-10))
    return told, float(growth(told, room_kpa, over_kpa, resin.surface_tension_n_m))


def _clearing_verdict(name: str, worst: pd.Series, cases: int) -> str:
    head = "In the worst case" if cases > 1 else "In"
    text = (
        f"{head} {worst.depth_mm:g} mm of {name} at {worst.temperature_c:g} °C and {about(worst.pressure_kpa, 3)} kPa, "
    )
    if not math.isfinite(worst.smallest_mm):
        return text + f"no bubble under {LARGEST_MM:g} mm gets out: the mix is gelled or too thick from the start."
    text += f"bubbles from {about(worst.smallest_mm)} mm up ({about(worst.low_mm)} to {about(worst.high_mm)}) get out "
    text += (
        f"before it gels after {about(worst.gel_min, 3)} min"
        if worst.stopped_by == "gel"
        else f"in {worst.hold_min:g} min"
    )
    if worst.high_mm <= VISIBLE_MM:
        return text + "; what stays is too small to notice."
    return text + "; smaller ones stay."
