"""The run sheet: one printable page for one mixed cup, with boxes for what was really done and the way back to the logbook."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from castlab import cautions as safety
from castlab import units
from castlab.bench import sheet_plan, sheet_steps
from castlab.bench.inputs import number
from castlab.bench.materials import Properties, properties
from castlab.bench.mixing import MixPlan
from castlab.bench.sheet_page import body, page, write
from castlab.bench.sheet_steps import Clock
from castlab.errors import InputError
from castlab.records.models import Batch, Material, Record, Trial, is_blank
from castlab.results import Result

if TYPE_CHECKING:
    from castlab import Logbook

AS_PLANNED = ("ok", "=", "as planned")
"""What may be written in a box instead of repeating the plan."""


@dataclass(frozen=True, kw_only=True)
class RunSheet(Result):
    """What to do with one cup, by the clock, and the boxes to fill in.

    `steps`: clock, step, target, caution. `boxes`: box, record ("batch" or the mold's name), field, label, unit, planned.
    """

    title: str
    steps: pd.DataFrame
    boxes: pd.DataFrame
    altitude_m: float
    product: str
    plan: str | None
    resin_id: str | None
    target_phr: float | None
    mold_ids: Mapping[str, str]
    settings: pd.DataFrame
    """What differs between the castings, in the order to pour them: casting, then one column per setting; may be empty."""

    def tables(self) -> dict[str, pd.DataFrame]:
        own = {} if self.settings.empty else {"Each casting, in the order to pour them": self.settings}
        return {"By the clock": self.steps.drop(columns="caution"), **own, "Boxes": self.boxes}

    def html(self) -> str:
        """The sheet as one self-contained HTML page for A4 or letter paper."""
        return page(self.body())

    def body(self) -> str:
        """The sheet as one element of such a page, for several sheets on one printout (`sheet_page.page`)."""
        return body(self.title, self.verdict, self.steps, self.settings, self.boxes, self.cautions)

    def save(self, path: str | Path) -> Path:
        """Write the page to a file ending in .html; returns its path.

        Raises InputError if it cannot be written, or its name ends otherwise.
        """
        return write(path, self.html())

    def _repr_html_(self) -> str:
        return self.html()

    def records(self, done: Mapping[str, Any]) -> tuple[Batch, dict[str, dict[str, Any]]]:
        """The batch, and the fields of each mold's casting, from what was written in the boxes.

        Parameters
        ----------
        done
            Box -> what was written: a number in the box's unit, text as typed ("72 F", "-0.92 bar gauge" at the sheet's
            altitude), or "ok" where it went as planned. Boxes left out or empty are not known; the plan is never taken
            for what was done.

        Raises
        ------
        InputError
            Naming the box, if there is no such box, its text cannot be read, or "ok" stands where nothing was planned.
        """
        known = self.boxes.set_index("box")
        stray = sorted(set(map(str, done)) - set(known.index))
        if stray:
            raise InputError(f"this sheet has no box {', '.join(stray)}; its boxes: {', '.join(known.index)}")
        filled: dict[str, dict[str, Any]] = {name: {} for name in known["record"].unique()}
        for box, written in done.items():
            if not is_blank(written):
                row = known.loc[str(box)]
                filled[row["record"]][row["field"]] = self._value(str(box), row, written)
        batch = filled.pop("batch")
        head = {"plan": self.plan, "resin_id": self.resin_id, "target_phr": self.target_phr}
        castings = {
            mold: {"product": self.product, "mold_id": self.mold_ids.get(mold), **_as_record(Trial, fields)}
            for mold, fields in filled.items()
        }
        return Batch(**{**head, **_as_record(Batch, batch)}), castings

    def log(self, book: Logbook, done: Mapping[str, Any], *, origin: str) -> list[Record]:
        """Write the batch and one casting per mold to the logbook, all or nothing; the same origin is written once.

        Returns the batch and the castings as they are in the logbook. Raises as `records` and `Logbook.add` do.
        """
        batch, castings = self.records(done)
        with book.together():
            cup = book.add(batch, origin=f"{origin}:batch")
            added: list[Record] = [cup]
            for mold, fields in castings.items():
                added.append(book.add(Trial(batch_id=str(cup.id), **fields), origin=f"{origin}:{mold}"))
        return added

    def _value(self, box: str, row: pd.Series, written: Any) -> Any:
        if isinstance(written, str) and written.strip().lower() in AS_PLANNED:
            if is_blank(row["planned"]):
                raise InputError(f"box {box} ({row['label']}) says {written!r}, but nothing was planned there")
            return row["planned"]
        try:
            if isinstance(written, str) and row["field"].endswith("_kpa") and units.is_gauge(written):
                return units.pressure(written, altitude_m=self.altitude_m)
            if isinstance(written, str) and isinstance(row["planned"], bool):
                return _yes_or_no(written)
            if isinstance(written, str) and isinstance(row["planned"], Real):
                return units.to_bench(written, row["field"])
        except InputError as exc:
            raise InputError(f"box {box} ({row['label']}): {exc}") from None
        return written


def run_sheet(
    mix: MixPlan,
    material: str | Material | Properties,
    molds: Mapping[str, str] | Sequence[str],
    *,
    product: str,
    start: datetime | str,
    plan: str | None = None,
    resin_c: float = 25.0,
    stir_min: float = 4.0,
    degas_kpa: float | None = 3.0,
    degas_min: float = 5.0,
    altitude_m: float = 0.0,
    pour_method: str | None = None,
    insert_prep: str | None = None,
    cure_c: float = 23.0,
    cure_h: float | None = None,
    hold_kpa: float | None = None,
    hold_min: float | None = None,
    post_cure_c: float | None = None,
    post_cure_h: float | None = None,
    rest_min: float = 0.0,
    cup: Mapping[str, Any] | None = None,
    each: Mapping[str, Mapping[str, Any]] | None = None,
) -> RunSheet:
    """One page for one cup: weigh, stir, degas, pour by when, cure, demold, with boxes for what was really done.

    Arguments
    ---------
    mix
        A `plan_mix` result for one case; the sheet is for one of its cups.
    material
        The same material as the mix was planned with: a family's name, a Material record, or `materials.properties(...)`.
    molds
        The molds this cup fills: names, or name -> id in the logbook (M-02).
    product, plan
        What is cast, and the name of the plan it belongs to.
    start
        When stirring begins, shop clock ("2026-03-14 09:30").
    resin_c, stir_min
        Temperature of the mix, C, and time to stir, min.
    degas_kpa, degas_min
        Pressure over the cup, kPa absolute, and minutes there; None for no degassing.
    altitude_m
        Height of the shop, m: what the gauge will show depends on it.
    pour_method, insert_prep
        As planned for every mold.
    cure_c, cure_h, hold_kpa, hold_min, post_cure_c, post_cure_h
        Cure in the mold (hours default: the material's time to demold), pressure hold in kPa absolute and post-cure, if
        any.
    rest_min
        Rest between stirring and degassing or pouring, min.
    cup
        Other settings planned for the cup: field of a batch, or a name of your own -> setting ("stir_method": "paddle").
    each
        Settings planned for one casting alone: mold -> {field of a trial, or a name of your own: setting}. They win over
        those for all.

    Returns
    -------
    RunSheet with `.steps`, `.boxes`, `.html()`, `.save(path)`, `.records(done)` and `.log(book, done, origin=...)`.

    Raises
    ------
    InputError
        If the mix has several cases, no mold is named, a time cannot be read, a value is out of range, or the pressure
        cannot be reached at that altitude.

    >>> from castlab.bench import plan_mix
    >>> sheet = run_sheet(plan_mix(120, "slow clear epoxy", molds=2), "slow clear epoxy", ["block 1", "block 2"],
    ...                   product="pod block", start="2026-03-14 09:30")
    >>> sheet.steps["clock"].tolist()[:2]
    ['before', '09:30']
    """
    if len(mix.cups) != 1:
        raise InputError(f"the mix plan has {len(mix.cups)} cases; accepted: a plan of one case, without sweeps")
    ids = dict(molds) if isinstance(molds, Mapping) else {}
    names = list(molds)
    if not names or len(set(names)) != len(names):
        raise InputError("molds names no mold or one twice; accepted: the different molds that this cup fills")
    begin = _moment(start)
    stuff = properties(material)
    numbered = {
        "resin_c": number("resin_c", resin_c, -20, 120, "C"),
        "stir_min": number("stir_min", stir_min, 0, 120, "min"),
        "cure_c": number("cure_c", cure_c, -20, 200, "C"),
        "cure_h": number("cure_h", stuff["cure_h"] if cure_h is None else cure_h, 0, 1000, "h"),
    }
    if degas_kpa is not None:
        number("degas_kpa", degas_kpa, 0.001, units.standard_pressure_kpa(altitude_m), "kPa absolute")
    poured = mix.cups.iloc[0]
    clock = Clock(
        begin,
        numbered["stir_min"],
        number("rest_min", rest_min, 0, 600, "min"),
        number("degas_min", degas_min, 0, 240, "min") if degas_kpa is not None else 0.0,
        begin + timedelta(minutes=float(poured["pot_life_min"])),
    )
    if clock.pour >= clock.pour_by:
        raise InputError(
            f"stirring and degassing end at {clock.pour:%H:%M}, but the pot life of {poured['cup_g']:.0f} g ends at about "
            f"{clock.pour_by:%H:%M}: shorten them, cool the parts, or split the mix"
        )
    alone = sheet_plan.each(each, names)
    for_all = {
        "pour_method": pour_method, "insert_prep": insert_prep, "cure_c": numbered["cure_c"], "cure_h": numbered["cure_h"],
        "hold_kpa": hold_kpa, "hold_min": hold_min, "post_cure_c": post_cure_c, "post_cure_h": post_cure_h,
    }  # fmt: skip
    planned = {name: for_all | alone[name] for name in names}
    demold = clock.pour + timedelta(hours=max(float(planned[name]["cure_h"]) for name in names))
    family = tuple(stuff.family.cautions) if stuff.family else ("exotherm",)
    told = sheet_steps.Cautions()
    steps = [
        *sheet_steps.of_cup(clock, mix, numbered["resin_c"], degas_kpa, altitude_m, family, told),
        *sheet_steps.of_molds(clock, planned, demold, altitude_m, unlike=any(alone.values()), told=told),
    ]
    for_cup = {
        **{f"{key}_g": grams for key, grams in zip(("resin", "hardener"), mix.weigh["g_per_cup"], strict=False)},
        "resin_c": numbered["resin_c"],
        "stir_min": numbered["stir_min"],
        **({"rest_min": clock.rest_min} if clock.rest_min else {}),
        "cup_degas_min": clock.degas_min,
        "cup_degas_kpa": degas_kpa,
        **(cup or {}),
    }
    aimed_phr = for_cup.pop("target_phr", stuff["target_phr"])
    own = material if isinstance(material, Material) else None
    return RunSheet(
        verdict=(
            f"Stir at {begin:%H:%M}, pour from {clock.pour:%H:%M}, last mold by {clock.pour_by:%H:%M}; demold not before "
            f"{demold:%d %b %H:%M}."
        ),
        cautions=(*(c for c in mix.cautions if c not in safety.CAUTIONS.values() and c != safety.DEFER), safety.DEFER),
        title=f"Run sheet: {product}, {begin:%Y-%m-%d}",
        steps=pd.DataFrame(steps, columns=["clock", "step", "target", "caution"]),
        boxes=sheet_plan.boxes(names, for_cup, planned),
        altitude_m=altitude_m,
        product=product,
        plan=plan,
        resin_id=own.id if own else None,
        target_phr=aimed_phr if len(mix.weigh) > 1 else None,
        mold_ids=ids,
        settings=sheet_plan.differing(alone),
    )


def _moment(start: datetime | str) -> datetime:
    if isinstance(start, datetime):
        return start.replace(tzinfo=None)
    try:
        return datetime.fromisoformat(start)
    except (TypeError, ValueError):
        raise InputError(f"start is {start!r}; accepted: a date and time such as 2026-03-14 09:30") from None


def _as_record(kind: type[Batch] | type[Trial], fields: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of the record, those it does not have by themselves among its extra ones."""
    known = {n: v for n, v in fields.items() if n in kind.settings()}
    extra = {n: v for n, v in fields.items() if n not in known}
    return known | ({"extra": extra} if extra else {})


def _yes_or_no(written: str) -> bool:
    text = written.strip().lower()
    if text not in ("yes", "y", "true", "no", "n", "false"):
        raise InputError(f"{written!r} is neither yes nor no")
    return text[0] in "yt"
