"""What a plan says of the next cup and its castings, whether it is a run sheet or a batch of a design."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from castlab.bench.sheet import RunSheet
from castlab.errors import InputError
from castlab.records.models import Batch, Trial, is_blank

_PLACE = ("run", "batch", "mold", "block")
"""Columns of a design that say where a casting stands in it."""


@dataclass(frozen=True)
class Planned:
    """One cup as it was planned.

    `fixed` is known before anything is weighed (plan, resin, product, molds); `aims` is what should be done, and is only
    logged once someone says that it was. Both hold the cup under "batch" and each casting under its mold's name.
    """

    name: str
    fixed: Mapping[str, Mapping[str, Any]]
    aims: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    @property
    def castings(self) -> tuple[str, ...]:
        """The castings that the plan tells of, by their names in it."""
        return tuple(name for name in self.fixed if name != "batch")


def planned(plan: RunSheet | pd.DataFrame, *, molds: Mapping[str, str] | None = None) -> Planned:
    """The cup and the castings of a plan.

    Parameters
    ----------
    plan
        A run sheet, or one batch of a design (`design.batch(3)`): a row per casting, a column per setting.
    molds
        Mold's name in the design -> id in the logbook.

    Raises
    ------
    InputError
        If it is neither, or a setting of the cup differs between the castings of one batch.

    >>> table = pd.DataFrame({"run": [5, 6], "mold": ["A", "B"], "resin_c": [28, 28], "pour_method": ["stream", "ladle"]})
    >>> cup = planned(table)
    >>> cup.aims["batch"], cup.aims["B"]
    ({'resin_c': 28}, {'pour_method': 'ladle'})
    """
    if isinstance(plan, RunSheet):
        return _of_sheet(plan)
    if isinstance(plan, pd.DataFrame) and len(plan):
        return _of_design(plan, molds or {})
    raise InputError("this is no plan of a cup; accepted: a run sheet, or a batch of a design (design.batch(3))")


def _of_sheet(sheet: RunSheet) -> Planned:
    names = [name for name in dict.fromkeys(sheet.boxes["record"]) if name != "batch"]
    head = {"plan": sheet.plan, "resin_id": sheet.resin_id, "target_phr": sheet.target_phr}
    fixed: dict[str, dict[str, Any]] = {"batch": {n: v for n, v in head.items() if not is_blank(v)}}
    for name in names:
        own = {"product": sheet.product, "mold_id": sheet.mold_ids.get(name)}
        fixed[name] = {n: v for n, v in own.items() if not is_blank(v)}
    aims: dict[str, dict[str, Any]] = {name: {} for name in fixed}
    for row in sheet.boxes.itertuples():
        if not is_blank(row.planned):
            aims[str(row.record)][str(row.field)] = _plain(row.planned)
    kinds = {name: Batch if name == "batch" else Trial for name in fixed}
    return Planned(sheet.title, fixed, {name: _as_fields(kinds[name], of) for name, of in aims.items()})


def _of_design(table: pd.DataFrame, molds: Mapping[str, str]) -> Planned:
    factors = [str(name) for name in table if name not in _PLACE]
    of_cup = [name for name in factors if name in Batch.settings()]
    for name in of_cup:
        if table[name].nunique() > 1:
            raise InputError(f"{name} is set per cup, but differs between the castings of this batch: take one batch")
    first = table.iloc[0]
    names = [str(row.get("mold", f"casting {n}")) for n, row in enumerate(table.to_dict("records"), start=1)]
    if len(set(names)) < len(names):
        names = [f"{name}, {n}" for n, name in enumerate(names, start=1)]
    fixed: dict[str, dict[str, Any]] = {"batch": {}}
    aims: dict[str, dict[str, Any]] = {"batch": {n: _plain(first[n]) for n in of_cup}}
    for name, row in zip(names, table.to_dict("records"), strict=True):
        mold = molds.get(str(row.get("mold")))
        fixed[name] = {} if mold is None else {"mold_id": mold}
        own = {str(n): _plain(v) for n, v in row.items() if n not in _PLACE and n not in of_cup}
        aims[name] = _as_fields(Trial, own)
    number = f", batch {first['batch']}" if "batch" in table else ""
    return Planned(f"the design{number}", fixed, aims)


def _as_fields(kind: type[Batch] | type[Trial], settings: dict[str, Any]) -> dict[str, Any]:
    """Settings that the record has no field for among its extra ones."""
    extra = {n: v for n, v in settings.items() if n not in kind.settings()}
    return {n: v for n, v in settings.items() if n not in extra} | ({"extra": extra} if extra else {})


def _plain(value: Any) -> Any:
    """A number of numpy as one of Python."""
    return value.item() if hasattr(value, "item") else value
