"""Whether a sheet is in the logbook already under another name: a copy or a renamed file must not count every casting twice."""

from __future__ import annotations

from typing import TYPE_CHECKING

from castlab.records.sheet_column import Column
from castlab.records.sheet_rows import NAMED, Row, stored_value

if TYPE_CHECKING:
    from castlab.records.logbook import Logbook
    from castlab.records.models import Record

FEWEST = 2
"""Rows that must be the same before a sheet is taken for a copy: one casting may well be like another."""


def twin_of(book: Logbook, name: str, rows: list[Row], columns: dict[str, list[Column]]) -> str | None:
    """The other name under which all these rows, with the same values, were imported before; None if there is none."""
    usable = [row for row in rows if not row.problems]
    if len(usable) < FEWEST:
        return None
    origins = set(book.origins("trial"))
    if any(_origin(name, row) in origins for row in usable):
        return None
    end = f":{usable[0].key}:trial"
    others = sorted(o.removeprefix("sheet:").removesuffix(end) for o in origins if o.endswith(end))
    return next(
        (
            other
            for other in others
            if all(_origin(other, row) in origins for row in usable) and _all_same(book, other, usable, columns)
        ),
        None,
    )


def _origin(name: str, row: Row) -> str:
    return f"sheet:{name}:{row.key}:trial"


def _all_same(book: Logbook, name: str, rows: list[Row], columns: dict[str, list[Column]]) -> bool:
    compared = 0
    for row in rows:
        for kind, key in (("batch", row.batch), ("trial", row.key), ("score", row.key)):
            record = book.by_origin(kind, f"sheet:{name}:{key}:{kind}")
            said = [c for c in columns[kind] if c.field in row.said and c.field not in NAMED]
            if said and record is None:
                return False
            if record is not None and not all(_agrees(record, c, row) for c in said):
                return False
            compared += len(said)
    return compared > 0


def _agrees(record: Record, column: Column, row: Row) -> bool:
    return bool(stored_value(record, column) == row.said[str(column.field)])
