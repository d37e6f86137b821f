"""The rows of a sheet as values for records: what each cell says, what is wrong with it, and the key of the row.

Adding them to a logbook is `castlab.records.sheet_import`, which also says how rows are known again.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, time
from typing import Any

from castlab.errors import InputError
from castlab.records.models import KINDS, READINGS, Material, Mold, Record
from castlab.records.sheet_cells import CASTING_SCOPES, read_cell, read_extra
from castlab.records.sheet_column import EXTRA_LEVELS, Column
from castlab.records.sheet_mapping import Mapping
from castlab.records.sheet_reading import Sheet
from castlab.records.sheet_words import FIELDS, KEYS, TIMES

NAMED: dict[str, tuple[str, str, type[Mold] | type[Material]]] = {
    "mold": ("trial", "mold_id", Mold),
    "material": ("batch", "resin_id", Material),
}
"""Target that is a name -> kind of record that refers to it, the field that does, and what it refers to."""

_PLACEHOLDER: dict[str, dict[str, Any]] = {
    "batch": {},
    "trial": {"batch_id": "B-000"},
    "score": {"trial_id": "T-000.1", "bubbles": 0},
}
"""What a record needs besides the one value that is checked; its ids are only known once it is added."""


@dataclass
class Row:
    """One row read: what it says by target, and what is wrong with it as (column, value, reason)."""

    number: int
    cells: dict[str, str]
    said: dict[str, Any] = field(default_factory=dict)
    batch: str = ""
    key: str = ""
    problems: list[tuple[str, str, str]] = field(default_factory=list)

    def problem(self, column: str | None, reason: str) -> None:
        """Note why the row cannot be added."""
        self.problems.append((column or "", self.cells.get(column or "", ""), reason))


def kind_of(column: Column) -> str:
    """The kind of record ("batch", "trial", "score") that a mapped column belongs to; "" for a key."""
    target = str(column.field)
    if column.level:
        return column.level
    return NAMED[target][0] if target in NAMED else FIELDS.get(target, ("", ""))[0]


def record_values(row_said: dict[str, Any], columns: list[Column]) -> dict[str, Any]:
    """Field -> value of the record that these columns make, extras aside under `extra`; names are left out."""
    fields: dict[str, Any] = {}
    for column in columns:
        target = str(column.field)
        if target not in row_said or target in NAMED:
            continue
        if column.level == "score":
            fields.setdefault("extra_grades", {})[_item(target)] = row_said[target]
        elif column.level:
            fields.setdefault("extra", {})[target] = row_said[target]
        else:
            fields[FIELDS[target][1]] = row_said[target]
    return fields


def stored_value(record: Record, column: Column) -> Any:
    """What a stored record holds where this column would put its value (an id where the column has a name)."""
    target = str(column.field)
    if column.level == "score":
        return (getattr(record, "extra_grades", None) or {}).get(_item(target))
    if column.level:
        return getattr(record, "extra", {}).get(target)
    return getattr(record, NAMED[target][1] if target in NAMED else FIELDS[target][1])


def _item(target: str) -> str:
    """The item of the shop's own rubric whose grades frames have under this name."""
    return target.removesuffix("_grade")


def is_reading(column: Column) -> bool:
    """Whether a column makes a score by itself."""
    return column.level == "score" or column.field in READINGS


def read_rows(sheet: Sheet, mapping: Mapping) -> list[Row]:
    """Every row of the sheet, read by the mapping."""
    rows = []
    seen: dict[str, int] = {}
    places: dict[str, int] = {}
    for number, cells in sheet.rows:
        row = Row(number, cells)
        for column in mapping.columns:
            if column.field is not None and column.column in cells:
                _read_into(row, column, mapping.altitude_m)
        _give_key(row, mapping, places)
        if row.key and seen.setdefault(row.key, number) != number:
            row.problem(
                mapping.column_of("casting"),
                f"this casting number is already in row {seen[row.key]}: give each casting its own",
            )
        rows.append(row)
    _share_mixing(rows)
    for row in rows:
        _complete_times(row, mapping)
    return rows


def _read_into(row: Row, column: Column, altitude_m: float | None) -> None:
    target, cell = str(column.field), row.cells[column.column]
    try:
        if column.level in EXTRA_LEVELS:
            value: Any = read_extra(cell, str(column.unit))
        else:
            value = read_cell(cell, target, column.unit, altitude_m=altitude_m)
            if value is not None and column.level is None:
                value = _checked(target, value)
        if value is not None:
            row.said[target] = value
    except InputError as exc:
        row.problem(column.column, plain_reason(exc))


def _checked(target: str, value: Any) -> Any:
    """The value as its record keeps it. Raises InputError if the record does not take it."""
    if target in KEYS or isinstance(value, time):
        return value
    if target in NAMED:
        return NAMED[target][2](name=value).name
    kind, name = FIELDS[target]
    return getattr(KINDS[kind](**{**_PLACEHOLDER[kind], name: value}), name)


def plain_reason(exc: InputError) -> str:
    """An error's text without the name of the record class in front."""
    text = str(exc)
    return next((text.removeprefix(p) for m in KINDS.values() if text.startswith(p := f"{m.__name__}: ")), text)


def _share_mixing(rows: list[Row]) -> None:
    """Where date and time stand in two columns, one that is written once for a cup holds for all its castings."""
    for group in by_batch(rows):
        for target, other in (("mixed_at", "mixed_time"), ("mixed_time", "mixed_at")):
            told = {row.said[target] for row in group if target in row.said}
            for row in group if len(told) == 1 else ():
                if other in row.said:
                    row.said.setdefault(target, *told)


def _complete_times(row: Row, mapping: Mapping) -> None:
    """A time is of the day in its date's column, else of the day that the row's date says; the day of a score is its own."""
    mixed, poured = row.said.get("mixed_at"), row.said.get("poured_at")
    day = next((v.date() for v in (mixed, poured) if isinstance(v, datetime)), None)
    for apart, target in TIMES.items():
        at = row.said.get(target)
        clock = row.said.pop(apart, None) or (row.said.pop(target) if isinstance(at, time) else None)
        column = mapping.column_of(apart) or mapping.column_of(target)
        on = at.date() if isinstance(at, datetime) else None if target == "scored_at" else day
        if clock and on is None:
            row.problem(column, f"{clock:%H:%M} is a time without a date; write the date with it")
        elif clock and isinstance(at, datetime) and at.time() not in (time(), clock):
            row.problem(column, f"{clock:%H:%M}, but its date says {at:%H:%M}: leave one of the two out")
        elif clock and on:
            row.said[target] = datetime.combine(on, clock)
        if target in row.said:
            row.said[apart] = row.said[target]


def _give_key(row: Row, mapping: Mapping, places: dict[str, int]) -> None:
    batch_column = mapping.column_of("batch")
    casting_column = next((c for c in mapping.columns if c.field == "casting"), None)
    row.batch = same_name(row.said.get("batch", ""))
    casting = same_name(row.said.get("casting", ""))
    if batch_column and not row.batch:
        row.problem(batch_column, "no batch: write it in every row, also where it repeats")
        return
    if casting_column:
        if not casting:
            row.problem(casting_column.column, "no casting number: give each casting its own")
            return
        within = batch_column and casting_column.unit == CASTING_SCOPES[1]
        row.key = f"{row.batch}/{casting}" if within else casting
    elif batch_column:
        places[row.batch] = places.get(row.batch, 0) + 1
        row.key = f"{row.batch}/{places[row.batch]}"
    else:
        row.key = f"row {row.number}"
    row.batch = row.batch or row.key


def by_batch(rows: list[Row]) -> list[list[Row]]:
    """The rows by batch, in the order of the sheet; rows that belong to none are left out."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        if row.batch:
            found.setdefault(row.batch, []).append(row)
    return list(found.values())


def same_name(name: str) -> str:
    """Names that differ in case and spaces only are one."""
    return " ".join(name.casefold().split())
