"""Vacuum on a filled mold: when it draws held air out, and when it only grows bubbles that the mix then holds fast.

Air held under an insert, in wire ends or in the mold wall expands some thirty times and keeps seeping out for minutes,
while the mix thickens. What leaves early rises and is gone, and on venting the mix is pressed into the pocket; what
leaves late has no time to rise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.analysis.words import about
from castlab.bench.bubbles.clearing import needed_fluidity
from castlab.bench.bubbles.single import Surface, checked_surface, growth
from castlab.bench.cure.datasheet import DatasheetFit, mix_of
from castlab.bench.cure.resin import Resin
from castlab.bench.cure.thickening import thickening
from castlab.bench.inputs import Number, number, numbers, rows
from castlab.bench.vacuum.limits import HIGHEST_BAROMETER_KPA, SEA_LEVEL_KPA
from castlab.errors import InputError
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material

WHEN_IT_HELPS = (
    "Vacuum on a filled mold helps while the mix is thin: held air leaves, rises, and on venting the mix fills its place. It "
    "harms when air goes on seeping from under the insert as the mix thickens: swollen bubbles no longer rise, and what "
    "gels under vacuum keeps them at full size. Start early, vent well before the mix strings."
)


@dataclass(frozen=True, kw_only=True)
class FilledMold(Result):
    """Whether vacuum on the filled mold helps or harms."""

    table: pd.DataFrame
    """start_min (age of the mix), hold_min, vacuum_kpa, grown_mm (a released bubble under vacuum), rise_first_min (how long
    the first one takes to the surface), last_exit_min (after the start: what is released later stays; NaN: all stays),
    pocket_left_pct (of the held air, after venting), trapped_bubbles with trapped_low and trapped_high, gel_min, stiff_under_vacuum,
    outcome ("helps", "harms", "no use")."""
    timeline: pd.DataFrame
    """First case: release_min (after the start), viscosity_pa_s, rise_min, released_pct, gets_out."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Vacuum on the filled mold": self.table}


def filled_mold_vacuum(
    material: str | Material | Resin | DatasheetFit,
    depth_mm: float,
    vacuum_kpa: Number = 3.0,
    hold_min: Number = 5.0,
    start_min: Number = 15.0,
    *,
    temperature_c: float = 25.0,
    pocket_ml: float = 0.05,
    bubble_mm: float = 0.5,
    seep_min: float = 3.0,
    surface: Surface = "coated",
    room_kpa: float = SEA_LEVEL_KPA,
) -> FilledMold:
    """Does vacuum on the filled mold help or harm, and until when?

    Arguments
    ---------
    material
        A family name, a material record, a `cure.from_datasheet` fit, or a `Resin`.
    depth_mm
        From the held air up to the free surface, mm.
    vacuum_kpa, hold_min, start_min
        Pressure over the mold (kPa absolute), length of the hold, and age of the mix when it begins (min). Numbers or
        lists.
    temperature_c
        Temperature of the mix, C.
    pocket_ml, bubble_mm
        Air held under the insert at the room's pressure, ml, and diameter of the bubbles it gives off, told at the room's
        pressure, mm.
    seep_min
        Time in which two thirds of it would leave through the fresh mix, min; slower as the mix thickens. The least known
        number here: watch a mold through the lid.
    surface
        As in `rise_speed_mm_s`.
    room_kpa
        Pressure of the room, kPa absolute.

    Returns
    -------
    FilledMold

    Raises
    ------
    InputError
        If a value is out of range or the material unknown.

    Source: Boyle with Laplace and Stokes as in `clearing`; that the held air leaves at a rate in step with the fluidity of
    the mix is an assumption.

    >>> from castlab.bench.cure import Resin
    >>> mix = Resin(name="mix", k1_per_s=2e-5, k2_per_s=6e-5)
    >>> filled_mold_vacuum(mix, 40, hold_min=20, start_min=[0, 60]).table["outcome"].tolist()
    ['helps', 'harms']
    """
    checked_surface(surface)
    depth = number("depth_mm", depth_mm, 0.1, 2000, "mm")
    celsius = number("temperature_c", temperature_c, -10, 150, "C")
    pocket = number("pocket_ml", pocket_ml, 1e-5, 1000, "ml")
    bubble = number("bubble_mm", bubble_mm, 0.01, 20, "mm")
    seep = number("seep_min", seep_min, 1e-3, 1e4, "min")
    room = number("room_kpa", room_kpa, 30.0, HIGHEST_BAROMETER_KPA, "kPa absolute")
    cases = pd.DataFrame(
        rows(
            start_min=numbers("start_min", start_min, 0, 1e5, "min"),
            hold_min=numbers("hold_min", hold_min, 0.1, 1e5, "min"),
            vacuum_kpa=numbers("vacuum_kpa", vacuum_kpa, 1e-2, HIGHEST_BAROMETER_KPA, "kPa absolute"),
        )
    )
    if (cases["vacuum_kpa"] >= room).any():
        raise InputError(f"vacuum_kpa is not below the room's {room:g} kPa; accepted: an absolute pressure under it")
    fit = mix_of(material)
    scene = _Scene(depth, celsius, pocket, bubble, seep * 60, surface, room)
    lines, timeline = [], pd.DataFrame()
    for case in cases.to_dict("records"):
        best = _follow(fit.resin, scene, case)
        trapped = [
            best.line["trapped_bubbles"],
            *(_follow(m, scene, case).line["trapped_bubbles"] for m in fit.members),
        ]
        lines.append({**best.line, "trapped_low": min(trapped), "trapped_high": max(trapped), "outcome": best.outcome})
        timeline = best.timeline if timeline.empty else timeline
    table = pd.concat([cases, pd.DataFrame(lines)], axis=1)
    return FilledMold(
        verdict=_verdict(fit.resin.name, scene, table),
        cautions=(
            WHEN_IT_HELPS,
            "How fast held air seeps out is a guess; what the logbook shows for your molds counts for more.",
            "Degassing the cup and pouring slowly in a thin stream brings in less air than any vacuum takes out again.",
            *fit.typical_note,
            *cautions.about("vacuum", *fit.resin.hazards),
        ),
        table=table,
        timeline=timeline,
    )


@dataclass(frozen=True)
class _Scene:
    depth_mm: float
    celsius: float
    pocket_ml: float
    bubble_mm: float
    seep_s: float
    surface: Surface
    room_kpa: float


@dataclass(frozen=True)
class _Followed:
    line: dict[str, float]
    outcome: str
    timeline: pd.DataFrame


def _follow(resin: Resin, scene: _Scene, case: dict[str, float], moments: int = 241) -> _Followed:
    """One hold under vacuum: what is released when, and whether it still gets out."""
    mix = thickening(resin, scene.celsius, scene.depth_mm)
    start, vacuum = case["start_min"] * 60, case["vacuum_kpa"]
    end = start + case["hold_min"] * 60
    times = np.linspace(start, end, moments)

    def needed(pressure: float) -> float:
        return needed_fluidity(resin, scene.bubble_mm, scene.depth_mm, pressure, scene.room_kpa, scene.surface)

    under_vacuum, vented = needed(vacuum), needed(scene.room_kpa)
    before_vent = mix.fluidity(times, np.full_like(times, end))
    after_vent = float(mix.fluidity(end, mix.gel_s))
    gets_out = before_vent / under_vacuum + after_vent / vented >= 1
    seeped = mix.fluidity(np.full_like(times, start), times) * resin.viscosity(0.0, scene.celsius) / scene.seep_s
    released = (1 - vacuum / scene.room_kpa) * (1 - np.exp(-seeped))
    late = released[-1] - (released[gets_out][-1] if gets_out.any() else 0.0)
    one_ml = math.pi / 6 * (scene.bubble_mm / 10) ** 3
    bubbles = scene.pocket_ml * float(late) / one_ml
    arrival = np.interp(
        np.interp(times, mix.time_s, mix.fluidity_per_pa) + under_vacuum,
        mix.fluidity_per_pa,
        mix.time_s,
        right=np.nan,
    )
    rise_min = (arrival - times) / 60
    stiff = end >= mix.gel_s
    pocket_left = 100.0 if stiff else 100 * (1 - float(released[-1]))
    outcome = "harms" if bubbles >= 1 or stiff else "helps" if pocket_left < 50 else "no use"
    line = {
        "grown_mm": float(growth(scene.bubble_mm, scene.room_kpa, vacuum, resin.surface_tension_n_m)),
        "rise_first_min": float(rise_min[0]),
        "last_exit_min": float((times[gets_out][-1] - start) / 60) if gets_out.any() else math.nan,
        "pocket_left_pct": pocket_left,
        "trapped_bubbles": bubbles,
        "gel_min": mix.gel_s / 60,
        "stiff_under_vacuum": stiff,
    }
    timeline = pd.DataFrame(
        {
            "release_min": (times - start) / 60,
            "viscosity_pa_s": mix.viscosity(times),
            "rise_min": rise_min,
            "released_pct": 100 * released,
            "gets_out": gets_out,
        }
    )
    return _Followed(line, outcome, timeline)


def _verdict(name: str, scene: _Scene, table: pd.DataFrame) -> str:
    texts = [_case_verdict(row, len(table) > 1) for _, row in table.head(4).iterrows()]
    more = f" ({len(table) - 4} more cases in the table.)" if len(table) > 4 else ""
    head = (
        f"Vacuum on a filled mold of {name}, {scene.depth_mm:g} mm above {scene.pocket_ml:g} ml of held air: it swells "
        f"{scene.room_kpa / table['vacuum_kpa'].iloc[0]:.0f} times, a {scene.bubble_mm:g} mm bubble to "
        f"{about(table['grown_mm'].iloc[0])} mm. "
    )
    return head + " ".join(texts) + more


def _case_verdict(row: pd.Series, name_it: bool) -> str:
    where = f"Started at {row.start_min:g} min for {row.hold_min:g} min: it " if name_it else "It "
    if row.stiff_under_vacuum:
        return where + f"harms: the mix gels after {row.gel_min:.0f} min, under vacuum, and keeps every bubble swollen."
    kept = f"{row.trapped_bubbles:.0f} ({row.trapped_low:.0f} to {row.trapped_high:.0f})"
    if row.outcome == "harms":
        until = (
            "what leaves at any time has no time to rise"
            if math.isnan(row.last_exit_min)
            else f"only what leaves in the first {about(row.last_exit_min)} min gets out"
        )
        return where + f"harms: {until}; about {kept} bubbles stay in the mix. Vent earlier, or degas the cup instead."
    if row.outcome == "helps":
        return where + (
            f"helps: bubbles reach the surface in time (the first in {about(row.rise_first_min)} min), and on venting the mix "
            f"fills the pocket to {row.pocket_left_pct:.0f}% of its air. Trapped bubbles: {kept}."
        )
    return where + f"is of no use: {row.pocket_left_pct:.0f}% of the held air is still there after venting."
