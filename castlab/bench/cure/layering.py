"""A deep pour in layers: how many, how thick, and when the next may follow."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.analysis.words import about
from castlab.bench.cure import bodies
from castlab.bench.cure.bodies import Wall
from castlab.bench.cure.datasheet import DatasheetFit, mix_of
from castlab.bench.cure.fitting import STILL_AIR_W_M2K
from castlab.bench.cure.heat import Air, Body, March, Region
from castlab.bench.cure.resin import Array, Resin
from castlab.bench.inputs import number
from castlab.errors import FitError, InputError
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material

MOST_LAYERS = 12
CELL_MM = 1.0
COOLED_TO_C = 5.0
"""The next layer follows when the last one is gelled and within this of the room, so that its heat does not add up."""


@dataclass(frozen=True, kw_only=True)
class LayerPlan(Result):
    """How to split a deep pour."""

    layers: pd.DataFrame
    """layer, thickness_mm, pour_after_h (from the first pour), gelled_after_h, demold_after_h, peak_c, peak_low_c,
    peak_high_c."""
    limit_c: float

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Layers": self.layers}


def layers(
    material: str | Material | Resin | DatasheetFit,
    depth_mm: float,
    limit_c: float = 60.0,
    *,
    start_c: float = 25.0,
    air_c: float = 25.0,
    wall: Wall | float = 10.0,
    careful: bool = True,
) -> LayerPlan:
    """Split a deep pour into the fewest equal layers that stay below a temperature.

    Arguments
    ---------
    material
        A family name, a material record, a `from_datasheet` fit, or a `Resin`.
    depth_mm
        Whole depth, mm.
    limit_c
        Highest temperature that the insert, the mold or the clarity bears, C.
    start_c, air_c
        Temperature of each fresh mix and of the room, C.
    wall
        Thickness of the silicone mold under it, mm, or a `Wall`.
    careful
        Whether all the kinetics that meet the same figures must stay below the limit.

    Returns
    -------
    LayerPlan

    Raises
    ------
    InputError
        If a value is out of range, the limit is not above start and room, or the material is unknown.
    FitError
        If not even `MOST_LAYERS` layers stay below the limit.

    Source: the heat balance of `simulate`; each layer is poured on those below it, which go on curing.

    >>> mix = Resin(name="mix", k1_per_s=1e-5, k2_per_s=4e-5)
    >>> plan = layers(mix, 60, limit_c=70)
    >>> bool((plan.layers["peak_c"] <= 70).all())
    True
    """
    depth = number("depth_mm", depth_mm, 1.0, 500.0, "mm")
    start = number("start_c", start_c, -10, 100, "C")
    air_temperature = number("air_c", air_c, -20, 100, "C")
    limit = number("limit_c", limit_c, -10, 250, "C")
    if limit <= max(start, air_temperature) + 1:
        raise InputError(
            f"limit_c is {limit:g} °C with a mix of {start:g} °C in a room of {air_temperature:g} °C; accepted: above both"
        )
    if not isinstance(wall, Wall):
        wall = Wall(thickness_mm=number("wall", wall, 0.0, 300.0, "mm"))
    fit = mix_of(material)
    air = Air(inner_w_m2k=STILL_AIR_W_M2K, outer_w_m2k=STILL_AIR_W_M2K, temperatures_c=(air_temperature,))
    heeded = (fit.resin, *fit.members) if careful else (fit.resin,)
    count = _fewest(heeded, depth, limit, start, air, wall)
    waits, table = _stack(fit.resin, depth, count, start, air, wall)
    others = [_stack(m, depth, count, start, air, wall, waits)[1]["peak_c"] for m in fit.members]
    peaks = np.array([table["peak_c"], *others])
    table["peak_low_c"], table["peak_high_c"] = peaks.min(axis=0), peaks.max(axis=0)
    return LayerPlan(
        verdict=_verdict(fit.resin.name, depth, limit, table, bool(fit.members)),
        cautions=(
            "Layers show as faint lines in clear castings; scuff or clean as the data sheet says once a layer has cured hard.",
            "Before it cures hard a layer bonds by itself: pour the next between gel and demold hardness where you can.",
            *fit.typical_note,
            *cautions.about("exotherm", *fit.resin.hazards),
        ),
        layers=table,
        limit_c=limit,
    )


def _fewest(resins: tuple[Resin, ...], depth: float, limit: float, start: float, air: Air, wall: Wall) -> int:
    def too_hot(count: int) -> bool:
        return any(hottest_c(r, depth, count, start, air, wall) > limit for r in resins)

    low, high = 0, MOST_LAYERS
    if too_hot(high):
        raise FitError(
            f"{depth:g} mm of {resins[0].name} passes {limit:g} °C even in {MOST_LAYERS} layers; accepted: a slower mix, a "
            "cooler room, a higher limit"
        )
    while high - low > 1:  # more layers are never hotter, so halve
        middle = (low + high) // 2
        low, high = (middle, high) if too_hot(middle) else (low, middle)
    return high


def hottest_c(resin: Resin, depth: float, count: int, start: float, air: Air, wall: Wall) -> float:
    """The peak of so many layers of a pour, C."""
    return float(_stack(resin, depth, count, start, air, wall)[1]["peak_c"].max())


def _stack(
    resin: Resin, depth: float, count: int, start: float, air: Air, wall: Wall, waits: list[float] | None = None
) -> tuple[list[float], pd.DataFrame]:
    """Pour layer on layer, each on the state of those below; the waits between pours, h, and what happens in each."""
    thickness = depth / count
    cells = max(6, round(thickness / CELL_MM))
    below: list[Region] = [wall.region(air.temperatures_c[0])] if wall.thickness_mm > 0 else []
    made, lines, clock = [], [], 0.0
    for i in range(count):
        fresh = bodies.poured(resin, thickness / 1000, start, cells)
        body = Body([*below, fresh], air, resin.rate)
        march = body.march(resin.long_enough_s(air.temperatures_c[0]), 1e-4, 1e-4)
        new = slice(len(march.positions_m) - cells, None)
        gel_h = _when(march, march.conversion[:, new].min(axis=1) >= resin.gel_conversion)
        hard_h = _when(march, march.conversion[:, new].min(axis=1) >= resin.demold_conversion)
        cool = np.abs(march.temperature_c - air.temperatures_c[0]).max(axis=1) <= COOLED_TO_C
        after_peak = march.times_s >= march.times_s[march.temperature_c.max(axis=1).argmax()]
        gelled = march.conversion[:, new].min(axis=1) >= resin.gel_conversion
        wait_h = waits[i] if waits is not None and i < len(waits) else _when(march, cool & gelled & after_peak)
        lines.append(
            {
                "layer": i + 1,
                "thickness_mm": thickness,
                "pour_after_h": clock,
                "gelled_after_h": clock + gel_h,
                "demold_after_h": clock + hard_h,
                "peak_c": float(march.temperature_c.max()),
            }
        )
        if i == count - 1:
            break
        if math.isnan(wait_h):
            wait_h = float(march.times_s[-1] / 3600)
        made.append(wait_h)
        clock += wait_h
        below = _settled(below, fresh, march, wait_h)
    return made, pd.DataFrame(lines)


def _settled(below: list[Region], fresh: Region, march: March, wait_h: float) -> list[Region]:
    """The regions with the temperature and conversion they have after the wait, ready to be poured upon."""
    temperature, conversion = march.resample(np.array([wait_h * 3600]))
    out, at = [], 0
    for region in (*below, fresh):
        cut = slice(at, at + region.cells)
        out.append(replace(region, start_c=temperature[0, cut], start_conversion=conversion[0, cut]))
        at += region.cells
    return out


def _when(march: March, reached: Array) -> float:
    return float(march.times_s[np.argmax(reached)] / 3600) if reached.any() else math.nan


def _verdict(name: str, depth: float, limit: float, table: pd.DataFrame, ranged: bool) -> str:
    peak, high = table["peak_c"].max(), table["peak_high_c"].max()
    span = f" (up to {high:.0f})" if ranged else ""
    if len(table) == 1:
        return f"{depth:g} mm of {name} can be poured at once: it peaks at {peak:.0f} °C{span}, below {limit:g} °C."
    last = table.iloc[-1]
    wait = table["pour_after_h"].diff().iloc[1]
    return (
        f"Pour {depth:g} mm of {name} in {len(table)} layers of {last.thickness_mm:.0f} mm, the next about {about(wait)} h after "
        f"the last: each peaks at {peak:.0f} °C at most{span}, below {limit:g} °C. The last is hard enough to demold "
        f"{last.demold_after_h:.0f} h after the first pour."
    )
