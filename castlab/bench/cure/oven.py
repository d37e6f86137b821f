"""An oven program: ramp and post-cure against what the insert and the mix bear."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.bench.cure.bodies import Wall
from castlab.bench.cure.datasheet import DatasheetFit, mix_of
from castlab.bench.cure.reading import CureResult
from castlab.bench.cure.resin import Resin
from castlab.bench.cure.simulation import simulate
from castlab.bench.inputs import number
from castlab.errors import InputError
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material

FASTEST_RAMP_C_H = 3600.0


@dataclass(frozen=True, kw_only=True)
class ScheduleCheck(Result):
    """Whether a cure schedule is safe for the insert and does its job."""

    ok: bool
    steps: pd.DataFrame
    """step, to_c, ramp_h, hold_h, ends_at_h, peak_c (of the mix in that step), conversion_min, tg_c, softest_margin_c
    (how far Tg stays above the gelled mix; below 0 it is soft)."""
    run: CureResult
    limit_c: float

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Steps": self.steps, "What happens": self.run.outcome}


def schedule(
    material: str | Material | Resin | DatasheetFit,
    steps: Sequence[tuple[float, float, float]],
    depth_mm: float = 20.0,
    *,
    limit_c: float,
    start_c: float = 25.0,
    wall: Wall | float = 10.0,
    wanted_tg_c: float | None = None,
) -> ScheduleCheck:
    """Check a ramp and post-cure against the insert's limit, and see what it does for the cure.

    Arguments
    ---------
    material
        A family name, a material record, a `from_datasheet` fit, or a `Resin`.
    steps
        (to_c, ramp_h, hold_h) in turn: bring the air to to_c in ramp_h hours (0: at once), then hold for hold_h hours.
    depth_mm
        Depth of the pour, mm.
    limit_c
        Highest temperature the insert bears, C.
    start_c
        Temperature of mix, mold and air at the start, C.
    wall
        Thickness of the silicone mold, mm, or a `Wall`.
    wanted_tg_c
        Glass transition the part needs for its use, C.

    Returns
    -------
    ScheduleCheck

    Raises
    ------
    InputError
        If a value is out of range or the material unknown.

    Source: the heat balance and the glass transition of `simulate`.

    >>> mix = Resin(name="mix", k1_per_s=2e-6, k2_per_s=3e-5)
    >>> schedule(mix, [(25, 0, 24), (55, 2, 6)], 15, limit_c=70).ok
    True
    """
    plan = _checked(steps)
    start = number("start_c", start_c, -10, 150, "C")
    limit = number("limit_c", limit_c, -10, 300, "C")
    program, ends = _program(plan, start)
    fit = mix_of(material)
    run = simulate(fit, depth_mm, start_c=start, air_c=start, wall=wall, program=program, hours=program[-1][0])
    assert isinstance(run, CureResult)
    table = _steps(plan, ends, run)
    high = np.nanmax([run.peak_c, run.outcome.loc[0, "high"]])
    wanted = None if wanted_tg_c is None else number("wanted_tg_c", wanted_tg_c, -100, 300, "C")
    ok = bool(high <= limit and not math.isnan(run.demold_h) and (wanted is None or run.tg_c >= wanted))
    return ScheduleCheck(
        verdict=_verdict(run, limit, high, wanted, table),
        cautions=(
            *run.cautions,
            *(
                (
                    "In a later step the part is above its glass transition and soft: leave it in the mold or support it flat.",
                )
                if (table["softest_margin_c"].iloc[1:] < 0).any()
                else ()
            ),
            *(c for c in cautions.about("oven") if c not in run.cautions),
        ),
        ok=ok,
        steps=table,
        run=run,
        limit_c=limit,
    )


def _checked(steps: Sequence[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    if isinstance(steps, str) or not isinstance(steps, Sequence) or not steps:
        raise InputError(
            f"steps is {steps!r}; accepted: (to_c, ramp_h, hold_h) for each step, such as [(25, 0, 24), (60, 2, 6)]"
        )
    plan = []
    for i, step in enumerate(steps, 1):
        try:
            to_c, ramp_h, hold_h = step
        except (TypeError, ValueError):
            raise InputError(f"step {i} is {step!r}; accepted: (to_c, ramp_h, hold_h)") from None
        plan.append(
            (
                number(f"to_c of step {i}", to_c, -20, 250, "C"),
                number(f"ramp_h of step {i}", ramp_h, 0, 500, "h"),
                number(f"hold_h of step {i}", hold_h, 0, 2000, "h"),
            )
        )
    return plan


def _program(plan: list[tuple[float, float, float]], start_c: float) -> tuple[list[tuple[float, float]], list[float]]:
    points, ends, clock, now = [(0.0, start_c)], [], 0.0, start_c
    for to_c, ramp_h, hold_h in plan:
        ramp_h = max(ramp_h, abs(to_c - now) / FASTEST_RAMP_C_H)
        for add, value in ((ramp_h, to_c), (hold_h, to_c)):
            if add > 0:
                clock += add
                points.append((clock, value))
        now = to_c
        ends.append(clock)
    if clock <= 0:
        raise InputError("steps last no time at all; accepted: ramps and holds that add up to more than 0 h")
    return points, ends


def _steps(plan: list[tuple[float, float, float]], ends: list[float], run: CureResult) -> pd.DataFrame:
    history, begin, lines = run.history, 0.0, []
    for i, ((to_c, ramp_h, hold_h), end) in enumerate(zip(plan, ends, strict=True), 1):
        part = history[(history["time_h"] >= begin) & (history["time_h"] <= end + 1e-9)]
        gelled = part["conversion_min"] >= run.resin.gel_conversion
        lines.append(
            {
                "step": i,
                "to_c": to_c,
                "ramp_h": ramp_h,
                "hold_h": hold_h,
                "ends_at_h": end,
                "peak_c": part["hottest_c"].max(),
                "conversion_min": part["conversion_min"].iloc[-1],
                "tg_c": part["tg_min_c"].iloc[-1],
                "softest_margin_c": (part["tg_min_c"] - part["hottest_c"])[gelled].min(),
            }
        )
        begin = end
    return pd.DataFrame(lines)


def _verdict(run: CureResult, limit: float, high: float, wanted: float | None, table: pd.DataFrame) -> str:
    ranged = f" (up to {high:.0f})" if high > run.peak_c + 0.5 else ""
    if run.peak_c > limit:
        text = f"Too hot: the mix reaches {run.peak_c:.0f} °C{ranged} against the insert's {limit:g} °C"
        at = table.loc[table["peak_c"].idxmax()]
        text += f", in step {at.step:.0f}. Let it gel and cool before the ramp, or ramp slower and lower."
    elif high > limit:
        text = f"Close: the mix reaches {run.peak_c:.0f} °C, but up to {high:.0f} °C with other kinetics that fit, against the insert's {limit:g} °C."
    else:
        text = f"Cool enough: the mix reaches {run.peak_c:.0f} °C{ranged}, below the insert's {limit:g} °C."
    if math.isnan(run.demold_h):
        text += " It is not hard enough to demold at the end."
    if not math.isnan(run.tg_c):
        text += f" At the end its glass transition is {run.tg_c:.0f} °C (conversion {run.conversion:.2f})"
        text += (
            "."
            if wanted is None
            else f", {'enough' if run.tg_c >= wanted else 'too low'} for the {wanted:g} °C wanted."
        )
    return text
