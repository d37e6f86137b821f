"""From a plan to paper: one run sheet for each cup of it, with the masses to weigh and the settings of each casting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from castlab import cautions as safety
from castlab import labels
from castlab.analysis import words
from castlab.bench.materials import Properties
from castlab.bench.mixing import plan_mix
from castlab.bench.sheet import RunSheet, run_sheet
from castlab.bench.sheet_page import page
from castlab.errors import InputError
from castlab.records.models import Batch, Material
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.designs.design import Design

STEPS = {
    "resin_c": "resin_c", "stir_min": "stir_min", "rest_min": "rest_min", "cup_degas_min": "degas_min",
    "cup_degas_kpa": "degas_kpa",
}  # fmt: skip
"""Setting of the cup -> the argument of `run_sheet` that makes a step of it."""
RATIO = ("phr", "target_phr")
MIX = ("stir_min", "degas_min")
"""Arguments that the mix needs as well, for the time that the work takes."""


@dataclass(frozen=True, kw_only=True, eq=False)
class RunSheets(Result):
    """The run sheets of a plan, in the order of its cups.

    `table`: batch, start, castings, weigh (masses in one cup), then what is set for the cup.
    """

    sheets: tuple[RunSheet, ...] = field(repr=False)
    table: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"The cups": self.table}

    def html(self) -> str:
        """All sheets as one self-contained HTML page, each on paper of its own."""
        return page(*(sheet.body() for sheet in self.sheets))

    def save(self, path: str | Path) -> Path:
        """Write the page to a file and return its path."""
        target = Path(path)
        target.write_text(self.html(), encoding="utf-8")
        return target

    def __getitem__(self, place: int) -> RunSheet:
        return self.sheets[place]

    def __len__(self) -> int:
        return len(self.sheets)


def run_sheets(
    design: Design,
    volume_ml: float,
    material: str | Material | Properties,
    *,
    product: str,
    start: str | datetime | Sequence[str | datetime],
    plan: str | None = None,
    molds: Mapping[str, str] | None = None,
    hours_apart: float = 24.0,
    mix: Mapping[str, Any] | None = None,
    **same: Any,
) -> RunSheets:
    """One run sheet for each cup of a plan; see `Design.run_sheets`."""
    cups = [design.batch(n) for n in sorted(design.table["batch"].unique())] if "batch" in design.table else [
        design.table.iloc[[k]].reset_index(drop=True) for k in range(len(design.table))
    ]  # fmt: skip
    begins = _begins(start, len(cups), hours_apart)
    told = [n for n in design.factors if n in same or STEPS.get(n) in same]
    if told:
        raise InputError(f"{told[0]} is a factor of the plan, which sets it; leave it out of the call")
    sheets, rows = [], []
    for number, (cup, begin) in enumerate(zip(cups, begins, strict=True), start=1):
        for_cup, each = _settings(design, cup)
        ratio = next((for_cup.pop(n) for n in RATIO if n in for_cup), None)
        steps = {STEPS[n]: for_cup.pop(n) for n in list(for_cup) if n in STEPS}
        given = {**same, **steps}
        if given.get("degas_min") == 0:
            given["degas_kpa"] = None
        planned = plan_mix(volume_ml, material, molds=len(cup), **_mix(given, ratio, mix))
        if int(planned.cups["cups"].iloc[0]) > 1:
            raise InputError(_too_much(planned.cups.iloc[0], len(cup)))
        one = {**for_cup, **({"target_phr": ratio} if ratio is not None else {})}
        names = list(each)
        ids = {name: (molds or {}).get(str(mold)) for name, mold in zip(names, _molds(cup), strict=True)}
        sheet = run_sheet(
            planned, material, {n: i for n, i in ids.items() if i} if all(ids.values()) else names, product=product,
            start=begin, plan=plan, cup=one, each=each, **given,
        )  # fmt: skip
        sheets.append(replace(sheet, title=f"Batch {number} of {len(cups)}: {product}, {begin:%Y-%m-%d}"))
        weigh = "; ".join(f"{row.part} {row.g_per_cup:g} g" for row in planned.weigh.itertuples())
        whole = {n: cup[n].iloc[0] for n in design.factors if cup[n].nunique() == 1 and _of_cup(design, n)}
        rows.append(
            {"batch": number, "start": f"{begin:%Y-%m-%d %H:%M}", "castings": len(cup), "weigh": weigh, **whole}
        )
    said = tuple(dict.fromkeys(c for s in sheets for c in s.cautions if c != safety.DEFER))
    return RunSheets(
        verdict=(
            f"{words.count(len(sheets), 'run sheet')} for {words.size(len(design.table), len(cups))}, from "
            f"{begins[0]:%Y-%m-%d %H:%M} to {begins[-1]:%Y-%m-%d %H:%M}: print them, and write on them what was really done."
        ), cautions=(*said, safety.DEFER), sheets=tuple(sheets), table=pd.DataFrame(rows),
    )  # fmt: skip


def _begins(start: Any, cups: int, hours_apart: float) -> list[datetime]:
    given = [start] if isinstance(start, (str, datetime)) else list(start)
    try:
        begins = [t.replace(tzinfo=None) if isinstance(t, datetime) else datetime.fromisoformat(t) for t in given]
    except (TypeError, ValueError):
        raise InputError(f"start is {start!r}; accepted: dates and times such as 2026-03-14 09:30") from None
    if len(begins) == 1:
        if isinstance(hours_apart, bool) or not isinstance(hours_apart, (int, float)) or not 0 < hours_apart < 10_000:
            raise InputError(f"hours_apart is {hours_apart!r}; accepted: hours from one cup to the next, above 0")
        return [begins[0] + timedelta(hours=hours_apart * k) for k in range(cups)]
    if len(begins) != cups:
        raise InputError(
            f"start names {len(begins)} times for {words.count(cups, 'cup')}; accepted: one for each, or the first"
        )
    return begins


def _of_cup(design: Design, name: str) -> bool:
    """Whether a setting belongs to the cup: what the plan sets per batch, and what the logbook keeps with the batch."""
    factor = next((f for f in design._runs.space.factors if f.name == name), None)
    return name in RATIO or name in Batch.settings() or (factor is not None and factor.per_batch)


def _settings(design: Design, cup: pd.DataFrame) -> tuple[dict[str, Any], dict[str, dict[str, Any]]]:
    """What is set for the cup, and for each of its castings, in the order to pour them."""
    of_cup = [n for n in design.factors if _of_cup(design, n)]
    split = [n for n in of_cup if cup[n].nunique() > 1]
    if split:
        raise InputError(
            f"{labels.name(split[0])} is a setting of the cup, but the plan changes it between castings of one cup; plan it "
            f"with per_batch=[{split[0]!r}], or one casting to a cup (batch_size=1)"
        )
    rest = [n for n in design.factors if n not in of_cup]
    each = {
        f"casting {row['run']}" + (f" ({row['mold']})" if "mold" in cup else ""): {n: _plain(row[n]) for n in rest}
        for row in cup.to_dict("records")
    }
    return {n: _plain(cup[n].iloc[0]) for n in of_cup}, each


def _plain(value: Any) -> Any:
    return value.item() if hasattr(value, "item") else value


def _molds(cup: pd.DataFrame) -> list[Any]:
    return list(cup["mold"]) if "mold" in cup else [None] * len(cup)


def _mix(given: Mapping[str, Any], ratio: float | None, mix: Mapping[str, Any] | None) -> dict[str, Any]:
    found: dict[str, Any] = {n: given[n] for n in MIX if n in given}
    if "resin_c" in given:
        found["mix_c"] = given["resin_c"]
    if given.get("degas_kpa", 0) is None:
        found |= {"degas": False, "degas_min": 0.0}
    found["stir_min"] = found.get("stir_min", 4.0) + given.get("rest_min", 0.0)
    if ratio is not None:
        found["parts"] = {"resin": 100, "hardener": ratio}
    return found | dict(mix or {})


def _too_much(cup: pd.Series, castings: int) -> str:
    return (
        f"{words.count(castings, 'casting')} from one cup take {cup['cup_g']:.0f} g in each of {cup['cups']:.0f} cups "
        f"({cup['why']}); plan with a smaller batch_size, so that each batch is one cup"
    )
