"""The steps of a run sheet by the clock, each caution at the first step where it belongs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from castlab import cautions as safety
from castlab import units
from castlab.bench import sheet_plan
from castlab.bench.inputs import number
from castlab.bench.mixing import MixPlan

Step = tuple[str, str, str, str]
"""Clock, step, target, caution."""
WARM_C = 40.0
"""A cure warmer than this is done in an oven (common practice, no source)."""


@dataclass(frozen=True)
class Clock:
    """When each step of one cup begins; `pour_by` is the end of its pot life."""

    begin: datetime
    stir_min: float
    rest_min: float
    degas_min: float
    pour_by: datetime

    @property
    def stirred(self) -> datetime:
        """When stirring ends."""
        return self.begin + timedelta(minutes=self.stir_min)

    @property
    def rested(self) -> datetime:
        """When the rest after stirring ends."""
        return self.stirred + timedelta(minutes=self.rest_min)

    @property
    def pour(self) -> datetime:
        """When to pour: after degassing."""
        return self.rested + timedelta(minutes=self.degas_min)


class Cautions:
    """Each caution once, at the first step where it belongs."""

    def __init__(self) -> None:
        self._seen: set[str] = set()

    def once(self, *activities: str) -> str:
        """Cautions of these activities, those that were said before left out."""
        new = [a for a in activities if a not in self._seen]
        self._seen.update(new)
        return " ".join(safety.CAUTIONS[a] for a in new)


def of_cup(
    clock: Clock, mix: MixPlan, resin_c: float, degas_kpa: float | None, altitude_m: float, family: tuple[str, ...],
    told: Cautions,
) -> list[Step]:  # fmt: skip
    """Weigh, stir, rest, degas. `family`: the cautions of the material."""
    weigh = "; ".join(f"{row.part} {row.g_per_cup:g} g" for row in mix.weigh.itertuples())
    room = f"cup of at least {mix.cups.iloc[0]['cup_ml']:.0f} ml"
    steps = [
        ("before", "Weigh", f"{weigh}; {room}", told.once(*family)),
        (f"{clock.begin:%H:%M}", "Stir", f"{clock.stir_min:g} min at {resin_c:g} °C", told.once("exotherm")),
    ]
    if clock.rest_min:
        steps.append((f"{clock.stirred:%H:%M}", "Let it rest", f"{clock.rest_min:g} min", ""))
    if degas_kpa is not None:
        shows = _vacuum_on_gauge(degas_kpa, altitude_m)
        aim = f"{clock.degas_min:g} min at {degas_kpa:g} kPa absolute after the foam falls: the gauge shows {shows}"
        steps.append((f"{clock.rested:%H:%M}", "Degas the cup", aim, told.once("vacuum", "pump")))
    return steps


def of_molds(
    clock: Clock, planned: Mapping[str, Mapping[str, Any]], demold: datetime, altitude_m: float, *, unlike: bool,
    told: Cautions,
) -> list[Step]:  # fmt: skip
    """Pour, degas, hold, cure, demold, post-cure. `unlike`: castings have settings of their own."""
    steps = [(f"{clock.pour:%H:%M}", "Pour", _pour(clock, planned, unlike=unlike), "")]
    if any(settings.get("mold_degas_min") for settings in planned.values()):
        aim = sheet_plan.told(planned, "mold_degas_min", "min")
        steps.append(("then", "Degas the filled molds", aim, told.once("vacuum", "pump")))
    if sheet_plan.shared(planned, "hold_kpa"):
        aim = _hold(planned, altitude_m)
        steps.append(("then", "Hold under pressure until past gel", aim, told.once("pressure")))
    hottest = max(float(c) for c in sheet_plan.shared(planned, "cure_c"))
    aim = f"{sheet_plan.told(planned, 'cure_h', 'h')} at {sheet_plan.told(planned, 'cure_c', '°C')}"
    steps.append(("then", "Cure", aim, told.once(*(("oven",) if hottest > WARM_C else ()))))
    unequal = "the last of them then; " if len(sheet_plan.shared(planned, "cure_h")) > 1 else ""
    press = f"{unequal}not before; press a trimmed edge with a fingernail first"
    steps.append((f"{demold:%d %b %H:%M}", "Demold", press, ""))
    if sheet_plan.shared(planned, "post_cure_c"):
        hours = sheet_plan.told(planned, "post_cure_h", "h") or "0 h"
        aim = f"{hours} at {sheet_plan.told(planned, 'post_cure_c', '°C')}"
        steps.append(("then", "Post-cure", aim, told.once("oven")))
    return steps


def _pour(clock: Clock, planned: Mapping[str, Mapping[str, Any]], *, unlike: bool) -> str:
    methods = sheet_plan.shared(planned, "pour_method")
    method = f" by {methods[0]}" if len(methods) == 1 else ""
    order = ", in this order, each as its settings say" if unlike else ""
    return f"{', '.join(planned)}{method}{order}; last mold by {clock.pour_by:%H:%M}, about then it thickens"


def _hold(planned: Mapping[str, Mapping[str, Any]], altitude_m: float) -> str:
    local = units.standard_pressure_kpa(altitude_m)
    held = [number("hold_kpa", kpa, local, 1200, "kPa absolute") for kpa in sheet_plan.shared(planned, "hold_kpa")]
    gauges = " or ".join(f"{kpa:g} kPa absolute, the gauge shows {kpa - local:.0f} kPa" for kpa in held)
    minutes = sheet_plan.told(planned, "hold_min", "min")
    return f"{gauges}{f', {minutes}' if minutes else ''}"


def _vacuum_on_gauge(degas_kpa: float, altitude_m: float) -> str:
    below = units.standard_pressure_kpa(altitude_m) - degas_kpa
    return f"-{below:.1f} kPa, -{below / 100:.3f} bar or {below / 3.386389:.1f} inHg of vacuum at {altitude_m:g} m"
