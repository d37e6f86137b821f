"""One pour from mixing to demolding: temperature, conversion and viscosity through the depth.

The physics is in `heat` and `resin`; here it becomes what a maker asks: how hot, where, when does it gel, when to demold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from castlab.bench.cure.bodies import Wall
from castlab.bench.cure.case import Case, Shape
from castlab.bench.cure.datasheet import DatasheetFit, mix_of
from castlab.bench.cure.fitting import STILL_AIR_W_M2K
from castlab.bench.cure.reading import (
    CureResult,
    cautions_of,
    history_of,
    milestones,
    outcome_of,
    profile_of,
    verdict_of,
)
from castlab.bench.cure.resin import Resin
from castlab.bench.inputs import Number, number, numbers, rows
from castlab.errors import InputError
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material


CELLS = 60
SPREAD_CELLS = 24


@dataclass(frozen=True, kw_only=True)
class CureSweep(Result):
    """Several pours side by side."""

    table: pd.DataFrame
    """One row a case: what was swept, peak_c and its range, where and when, gel and demold times."""
    results: tuple[CureResult, ...]

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Cases": self.table}


def simulate(
    material: str | Material | Resin | DatasheetFit,
    depth_mm: Number | None = None,
    *,
    shape: Shape = "slab",
    mass_g: Number | None = None,
    start_c: Number = 25.0,
    air_c: Number = 25.0,
    mold_c: float | None = None,
    wall: Wall | float = 10.0,
    covered: bool = False,
    film_w_m2k: float = STILL_AIR_W_M2K,
    program: Sequence[tuple[float, float]] | None = None,
    hours: float | None = None,
    spread: bool = True,
    cells: int = CELLS,
) -> CureResult | CureSweep:
    """Temperature, conversion and viscosity of a pour, together, from mixing to demolding.

    Arguments
    ---------
    material
        A family name, a material record, a `from_datasheet` fit, or a `Resin`.
    depth_mm
        Depth of a slab or diameter of a cylinder, mm. A number, or a list to sweep (like start_c, air_c and mass_g).
    shape
        "slab" (wide flat pour in an open mold), "cylinder" (long bar in a round mold) or "cup" (give mass_g instead).
    mass_g
        Mass in a cup, g.
    start_c, air_c, mold_c
        Temperature of the mix, of the room, and of the mold (the room's if not given), C.
    wall
        Thickness of a silicone mold wall, mm, or a `Wall`.
    covered
        Whether the slab has a lid like its wall; else its top is open.
    film_w_m2k
        Heat transfer to the air, W/m2 K.
    program
        Air temperature in time instead of air_c: (hours, C) points, straight between them.
    hours
        Time to simulate, h; by default twice the time the mix needs to demold at its temperature, at least 8 h.
    spread
        Whether to repeat the run with the other kinetics that meet the same figures, for a range.
    cells
        Cells through the resin.

    Returns
    -------
    CureResult, or CureSweep if something was swept.

    Raises
    ------
    InputError
        If a value is out of range or a material is unknown.
    FitError
        If the integration fails.

    Sources: see `Resin`, and any heat transfer textbook for conduction; textbook still-air film 5-10 W/m2 K.

    >>> mix = Resin(name="mix", k1_per_s=4e-6, k2_per_s=3e-5)
    >>> run = simulate(mix, 20.0)
    >>> 25 < run.peak_c < 60
    True
    """
    if shape not in ("slab", "cylinder", "cup"):
        raise InputError(f"shape is {shape!r}; accepted: slab, cylinder, cup")
    size_name = "mass_g" if shape == "cup" else "depth_mm"
    size = mass_g if shape == "cup" else depth_mm
    if size is None or (mass_g is not None) == (depth_mm is not None):
        raise InputError(f"a {shape} needs {size_name} and not the other of depth_mm and mass_g")
    given = {
        size_name: numbers(size_name, size, 0.5, 20_000 if shape == "cup" else 500, "g" if shape == "cup" else "mm"),
        "start_c": numbers("start_c", start_c, -10, 150, "C"),
        "air_c": numbers("air_c", air_c, -20, 200, "C"),
    }
    mold = None if mold_c is None else number("mold_c", mold_c, -20, 200, "C")
    film = number("film_w_m2k", film_w_m2k, 0.1, 1e4, "W/m2 K")
    until = None if hours is None else number("hours", hours, 0.01, 5000, "h")
    if not isinstance(wall, Wall):
        wall = Wall(thickness_mm=number("wall", wall, 0.0, 300.0, "mm"))
    if not (isinstance(cells, int) and 4 <= cells <= 1000):
        raise InputError(f"cells is {cells!r}; accepted: a whole number from 4 to 1000")
    points = _program(program)
    fit = mix_of(material)
    cases = rows(**given)
    table = pd.DataFrame(cases)
    results = []
    for case in table.to_dict("records"):
        one = Case(shape, case[size_name], case["start_c"], case["air_c"], mold, wall, covered, film, points, until)
        results.append(_one(fit, one, cells, spread))
    if all(np.ndim(a) == 0 for a in given.values()):
        return results[0]
    for column in (
        "peak_c",
        "peak_at_mm",
        "peak_at_h",
        "gel_first_h",
        "gel_last_h",
        "demold_h",
        "pot_life_min",
        "tg_c",
    ):
        table[column] = [getattr(r, column) for r in results]
    low_high = [r.outcome.set_index("quantity").loc["peak"] for r in results]
    table["peak_low_c"], table["peak_high_c"] = [r["low"] for r in low_high], [r["high"] for r in low_high]
    coolest, hottest = table.loc[table["peak_c"].idxmin()], table.loc[table["peak_c"].idxmax()]
    return CureSweep(
        verdict=(
            f"Of {len(table)} cases the coolest peaks at {coolest.peak_c:.0f} °C ({size_name} {coolest[size_name]:g}), the "
            f"hottest at {hottest.peak_c:.0f} °C ({size_name} {hottest[size_name]:g}; "
            f"{hottest.peak_low_c:.0f} to {hottest.peak_high_c:.0f})."
        ),
        cautions=tuple(dict.fromkeys(c for r in results for c in r.cautions)),
        table=table,
        results=tuple(results),
    )


def _program(program: Sequence[tuple[float, float]] | None) -> tuple[tuple[float, ...], tuple[float, ...]] | None:
    if program is None:
        return None
    try:
        points = [(float(h), float(c)) for h, c in program]
    except (TypeError, ValueError):
        raise InputError(f"program is {program!r}; accepted: (hours, C) points such as [(0, 25), (2, 60)]") from None
    hours = numbers("program hours", [h for h, _ in points], 0, 5000, "h")
    air = numbers("program temperatures", [c for _, c in points], -20, 250, "C")
    if (np.diff(hours) <= 0).any():
        raise InputError("the hours of program do not increase; accepted: points in order of time")
    return tuple(float(h) * 3600 for h in hours), tuple(map(float, air))


def _one(fit: DatasheetFit, case: Case, cells: int, spread: bool) -> CureResult:
    resin = fit.resin
    end = case.end_s(resin)
    march = case.body(resin, cells).march(end)
    best = milestones(resin, case, march)
    others = []
    if spread:
        for member in fit.members:
            run = case.body(member, SPREAD_CELLS).march(end, 1e-4, 1e-4)
            others.append(milestones(member, case, run))
    outcome = outcome_of(best, others)
    return CureResult(
        verdict=verdict_of(resin, case, best, outcome, end / 3600),
        cautions=cautions_of(fit, case, best, outcome, bool(others)),
        resin=resin,
        shape=case.shape,
        history=history_of(resin, case, march),
        profile=profile_of(case, march),
        outcome=outcome,
        energy=pd.DataFrame(
            {
                "quantity": ["released", "stored", "lost to the air", "imbalance"],
                "value": [march.released_j, march.stored_j, march.lost_j, march.imbalance_pct],
                "unit": ["J", "J", "J", "%"],
            }
        ),
        **best.__dict__,
    )
