"""What a pressure hold does to bubbles: smaller at once, slowly dissolving, back again if it is let off too early."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.analysis.words import about
from castlab.bench.bubbles.single import HIGHEST_HOLD_KPA, growth
from castlab.bench.cure.datasheet import DatasheetFit, mix_of
from castlab.bench.cure.resin import Resin
from castlab.bench.cure.thickening import thickening
from castlab.bench.inputs import Array, Number, number, numbers, rows
from castlab.bench.vacuum import HIGHEST_BAROMETER_KPA, SEA_LEVEL_KPA
from castlab.errors import FitError, InputError
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material

_GAS_IN_MIX: dict[str, tuple[tuple[float, float], tuple[float, float]]] = {
    "silicone": ((8e-10, 3e-9), (0.1, 0.2)),
    "resin": ((1e-11, 1e-10), (0.03, 0.1)),
}
"""Diffusivity of air, m2/s, and its solubility (volume of gas per volume of mix at the same pressure), low and high.
Orders of magnitude from memory, no source checked; a resin's fall further as it thickens."""


@dataclass(frozen=True, kw_only=True)
class UnderPressure(Result):
    """What a pressure hold does to bubbles."""

    table: pd.DataFrame
    """diameter_mm, hold_kpa, hold_min, compressed_mm (at once), dissolved_after_min (NaN if it never is), left_mm (kept
    when pressure is let off after gel) with left_low_mm and left_high_mm, regrown_mm (if it is let off before gel),
    gel_min, kept ("after gel" or "before gel")."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Bubbles under pressure": self.table}


def under_pressure(
    diameter_mm: Number,
    hold_kpa: Number,
    hold_min: Number,
    material: str | Material | Resin | DatasheetFit = "slow clear epoxy",
    *,
    temperature_c: float = 25.0,
    depth_mm: float = 20.0,
    degassed_kpa: float | None = None,
    room_kpa: float = SEA_LEVEL_KPA,
    diffusivity_m2_s: float | None = None,
    solubility: float | None = None,
) -> UnderPressure:
    """What a pressure hold does to the size of a bubble, what dissolves, and what is left when pressure is let off.

    Arguments
    ---------
    diameter_mm
        Diameter at the pressure of the room, mm. A number or a list, like the next two.
    hold_kpa, hold_min
        Pressure of the hold, kPa absolute (a gauge shows about 101 kPa less), and its length, min.
    material
        A family name, a material record, a `cure.from_datasheet` fit, or a `Resin`.
    temperature_c, depth_mm
        Temperature of mix, mold and room at the start, C, and depth of the pour, mm: they set when it gels.
    degassed_kpa
        Pressure the mix was degassed at, kPa absolute; None: it is saturated with air.
    room_kpa
        Pressure of the room, kPa absolute.
    diffusivity_m2_s, solubility
        Of air in the mix, if known (m2/s; volume of gas per volume of mix).

    Returns
    -------
    UnderPressure; its range is over the usual diffusivities and solubilities.

    Raises
    ------
    InputError
        If a value is out of range or the material unknown.

    Source: Boyle with Laplace for the size; Epstein and Plesset, J. Chem. Phys. 18 (1950) 1505 for dissolution, one
    bubble alone in a wide mix. Gel as in `clearing`.

    >>> from castlab.bench.cure import Resin
    >>> mix = Resin(name="mix", k1_per_s=1e-6, k2_per_s=2e-5)
    >>> round(float(under_pressure(1.0, 405.3, 60, mix).table["compressed_mm"][0]), 2)
    0.63
    """
    cases = pd.DataFrame(
        rows(
            diameter_mm=numbers("diameter_mm", diameter_mm, 1e-3, 50, "mm"),
            hold_kpa=numbers("hold_kpa", hold_kpa, 30, HIGHEST_HOLD_KPA, "kPa absolute"),
            hold_min=numbers("hold_min", hold_min, 0, 1e5, "min"),
        )
    )
    celsius = number("temperature_c", temperature_c, -10, 150, "C")
    deep = number("depth_mm", depth_mm, 0.5, 500, "mm")
    room = number("room_kpa", room_kpa, 30, HIGHEST_BAROMETER_KPA, "kPa absolute")
    dissolved = room if degassed_kpa is None else number("degassed_kpa", degassed_kpa, 0, room, "kPa absolute")
    if (cases["hold_kpa"] < room).any():
        raise InputError(
            f"hold_kpa is {cases['hold_kpa'].min():g} kPa absolute, below the room's {room:g}; accepted: the room's pressure "
            "or more (add the room's pressure to a gauge reading)"
        )
    fit = mix_of(material)
    kind = "silicone" if "silicone" in fit.resin.name.lower() or "silicone" in fit.resin.hazards else "resin"
    usual = _GAS_IN_MIX[kind]
    spread = (
        _known_or(diffusivity_m2_s, "diffusivity_m2_s", usual[0], 1e-14, 1e-7, "m2/s"),
        _known_or(solubility, "solubility", usual[1], 1e-4, 5, ""),
    )
    gel_min = thickening(fit.resin, celsius, deep).gel_s / 60
    lines = [_held(case, spread, fit.resin.surface_tension_n_m, dissolved, room) for case in cases.to_dict("records")]
    table = pd.concat([cases, pd.DataFrame(lines)], axis=1)
    table["gel_min"] = gel_min
    table["kept"] = np.where(table["hold_min"] >= gel_min, "after gel", "before gel")
    guessed = [n for n, v in (("diffusivity of air", diffusivity_m2_s), ("solubility of air", solubility)) if v is None]
    return UnderPressure(
        verdict=_pressure_verdict(table.iloc[int(table["diameter_mm"].argmax())], fit.resin.name),
        cautions=(
            *(
                (f"The {' and '.join(guessed)} are orders of magnitude: trust the size, not the dissolution.",)
                if guessed
                else ()
            ),
            "Bubbles in the mold itself shrink too and dent the casting: a mold for pressure casting is itself cured under "
            "pressure or free of bubbles.",
            *fit.typical_note,
            *cautions.about("pressure"),
        ),
        table=table,
    )


def _known_or(
    value: float | None, name: str, usual: tuple[float, float], low: float, high: float, unit: str
) -> tuple[float, float]:
    if value is None:
        return usual
    known = number(name, value, low, high, unit)
    return known, known


def _held(
    case: dict[str, float],
    spread: tuple[tuple[float, float], tuple[float, float]],
    tension: float,
    dissolved_kpa: float,
    room_kpa: float,
) -> dict[str, float]:
    hold, seconds = case["hold_kpa"], case["hold_min"] * 60
    compressed = float(growth(case["diameter_mm"], room_kpa, hold, tension))
    (d_low, d_high), (s_low, s_high) = spread
    middle = (math.sqrt(d_low * d_high), math.sqrt(s_low * s_high))
    ends = [
        dissolve(compressed, seconds / 60, hold, dissolved_kpa, tension, *values)
        for values in (middle, (d_low, s_low), (d_high, s_high))
    ]
    left, gone = ends[0]
    return {
        "compressed_mm": compressed,
        "dissolved_after_min": gone,
        "left_mm": left,
        "left_low_mm": min(e[0] for e in ends),
        "left_high_mm": max(e[0] for e in ends),
        "regrown_mm": float(growth(left, hold, room_kpa, tension)) if left > 1e-3 else 0.0,
    }


def dissolve(
    diameter_mm: float,
    minutes: float,
    pressure_kpa: float,
    dissolved_kpa: float,
    surface_tension_n_m: float,
    diffusivity_m2_s: float,
    solubility: float,
) -> tuple[float, float]:
    """Diameter of one bubble after a time under pressure, mm, and when it was gone, min (NaN if it was not).

    Arguments
    ---------
    diameter_mm, minutes
        Diameter at the start, at that pressure, mm; time, min.
    pressure_kpa, dissolved_kpa
        Pressure in the mix, and pressure of gas with which the mix is saturated, kPa absolute.
    surface_tension_n_m, diffusivity_m2_s, solubility
        N/m; m2/s; volume of gas per volume of mix.

    Returns
    -------
    (diameter in mm, minutes at which it vanished)

    Raises
    ------
    FitError
        If the integration fails.

    Source: Epstein and Plesset, J. Chem. Phys. 18 (1950) 1505, integrated in the root of time, in which it is smooth.

    >>> after, gone = dissolve(0.02, 0.01, 101.325, 0.0, 0.0, 2e-9, 0.02)
    >>> round(after, 4)
    0.0124
    """
    from scipy.integrate import solve_ivp

    if minutes <= 0:
        return diameter_mm, math.nan
    radius, pressure, outside = diameter_mm / 2000, pressure_kpa * 1000, dissolved_kpa * 1000
    time_scale = radius**2 / (diffusivity_m2_s * solubility)
    film = 2 * math.sqrt(solubility / math.pi)
    laplace = 2 * surface_tension_n_m / radius

    def slope(x: float, y: Array) -> list[float]:
        # y = (R/R0)^2, x = sqrt(t D L)/R0: dy/dx = -2 (driving) (2 x + 2 R sqrt(L/pi))
        r = math.sqrt(max(y[0], 1e-12))
        driving = (pressure + laplace / r - outside) / (pressure + 2 * laplace / (3 * r))
        return [-2 * driving * (2 * x + film * r)]

    def vanished(_: float, y: Array) -> float:
        return float(y[0]) - 1e-8

    vanished.terminal = True  # type: ignore[attr-defined]
    end = math.sqrt(minutes * 60 / time_scale)
    run = solve_ivp(slope, (0.0, end), [1.0], method="LSODA", rtol=1e-8, atol=1e-10, events=vanished)
    if not run.success:
        raise FitError(f"the dissolving bubble could not be followed: {run.message}")
    if run.t_events[0].size:
        return 0.0, float(run.t_events[0][0]) ** 2 * time_scale / 60
    return diameter_mm * math.sqrt(max(float(run.y[0, -1]), 0.0)), math.nan


def _pressure_verdict(row: pd.Series, name: str) -> str:
    text = (
        f"At {row.hold_kpa:.0f} kPa absolute a {row.diameter_mm:g} mm bubble in {name} shrinks at once to "
        f"{about(row.compressed_mm)} mm"
    )
    if row.left_mm == 0:
        text += f" and is likely dissolved after {row.dissolved_after_min:.0f} min"
    elif row.left_mm < 0.97 * row.compressed_mm:
        text += f", and dissolving takes it to about {about(row.left_mm)} mm ({about(row.left_low_mm)} to {about(row.left_high_mm)})"
    else:
        text += "; little of it dissolves"
    if row.kept == "after gel":
        return text + f". The hold outlasts gel ({row.gel_min:.0f} min), so it stays that small."
    back = (
        "what dissolved may come out again"
        if row.left_mm == 0
        else f"it grows back to about {about(row.regrown_mm)} mm"
    )
    return (
        text
        + f". But the hold ends before gel ({row.gel_min:.0f} min): let off now {back}. Keep the pressure until well past gel."
    )
