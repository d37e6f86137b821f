"""One column of a hand-kept sheet: what it becomes, in which unit, and whether that can be used."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, fields
from typing import Any

from castlab.errors import InputError
from castlab.records.models import EXTRA_NAME, reserved_names
from castlab.records.sheet_cells import EXTRA_TYPES, accepted_units, check_unit, marks_of
from castlab.records.sheet_headings import likely_field
from castlab.records.sheet_words import TARGETS, meaning, reader_of

EXTRA_LEVELS = ("trial", "batch")
"""Where a setting of the maker's own may stand; a grade of one's own has the level "score"."""


@dataclass(frozen=True)
class Column:
    """One column of the sheet and what it becomes.

    `field` is the target; None leaves the column out. With `level` "trial" or "batch" it is the name of a setting of the maker's
    own and `unit` its type, with "score" an item of the shop's own rubric as frames name it (gloss_grade) and `unit` its scale.
    `could_be` names the fields its keeper has to choose from. `kind` is what the cells look like, `reading` how its yes/no marks
    or dates are read.
    """

    column: str
    field: str | None = None
    unit: str | None = None
    level: str | None = None
    sure: str = ""
    samples: tuple[str, ...] = ()
    could_be: tuple[str, ...] = ()
    kind: str = "text"
    reading: str = "yes/no"

    @property
    def unsettled(self) -> str | None:
        """What its keeper has to say before it can be imported, and how; None if nothing."""
        if self.field is None:
            if not self.could_be:
                return None
            choice = f"mapping.change({self.column!r}, field={self.could_be[0]!r})"
            return f"{self.column!r} could be {' or '.join(self.could_be)}: {choice}, or mapping.leave_out({self.column!r})"
        problem = None if self.level in EXTRA_LEVELS else check_unit(self.field, self.unit)
        if problem is None:
            return None
        hint = f" Its {self.sure}" if self.sure.startswith("values") else ""
        return (
            f"{self.column!r} as {self.field}: {problem}{hint} Say so with mapping.change({self.column!r}, unit=...); "
            f"accepted: {accepted_units(self.field)}"
        )


def becomes(column: Column) -> str:
    """What a column becomes, in words."""
    if column.field is None:
        return " or ".join(column.could_be) + "?" if column.could_be else "(left out)"
    if column.level == "score":
        return f"{column.field} (your own grade)"
    return f"{column.field} (your own, per {column.level})" if column.level else column.field


def check_target(column: Column) -> None:
    """Raise InputError if a column cannot become what it is mapped to."""
    name, level = str(column.field), column.level
    if level is None:
        if name not in TARGETS:
            raise InputError(
                f"{column.column!r} is mapped to {name!r}, which is not a field{_instead(column.column, name)}"
            )
        return
    if level not in (*EXTRA_LEVELS, "score"):
        raise InputError(
            f"{column.column!r}: level is {level!r}; accepted: 'trial' (set per casting) or 'batch' (per cup)"
        )
    if not EXTRA_NAME.fullmatch(name):
        raise InputError(
            f"{column.column!r}: {name!r} is not a usable name; accepted: lower-case letters, digits and _, starting with a "
            "letter, at most 40, the unit last (spin_rpm)"
        )
    if name in reserved_names() or name in TARGETS:
        raise InputError(
            f"{column.column!r}: {name!r} is already a field; map it there with mapping.change, or rename it"
        )
    if level == "score":
        if not name.endswith("_grade"):
            raise InputError(
                f"{column.column!r}: {name!r} is no grade; accepted: the item's name and _grade (gloss_grade)"
            )
    elif str(column.unit).split(";")[0].strip() not in EXTRA_TYPES:
        raise InputError(f"{column.column!r}: type is {column.unit!r}; accepted: {', '.join(EXTRA_TYPES)}")


def _instead(heading: str, name: str) -> str:
    close = likely_field(name) or next(iter(difflib.get_close_matches(name, TARGETS, n=1)), None)
    meant = f"; did you mean {close} ({meaning(close)})?" if close else f"; accepted: {', '.join(TARGETS)}"
    if name.endswith("_grade"):
        item = name.removesuffix("_grade")
        return f"{meant} An item of your own rubric: mapping.as_grade({heading!r}, {item!r})"
    return f"{meant} A setting of your own: mapping.as_extra({heading!r}, {name!r})"


def fitting(column: Column, target: str, unit: str) -> str:
    """The unit if it settles how the column is read. Raises InputError if not."""
    if column.level in EXTRA_LEVELS:
        return unit
    if reader_of(target) == "yes/no" and marks_of(unit) and not unit.startswith("yes/no"):
        unit = f"yes/no; {unit}"
    accepted = accepted_units(target)
    if accepted == "none":
        raise InputError(f"{target} has no unit, so {unit!r} cannot be used for {column.column!r}")
    if problem := check_unit(target, unit):
        raise InputError(
            f"{column.column!r} as {target}: unit {unit!r} cannot be used: {problem}; accepted: {accepted}"
        )
    return unit


def saved_column(entry: dict[str, Any]) -> Column:
    """A column as a mapping's file holds it. Raises TypeError if its entry is none."""
    known = {f.name for f in fields(Column)}
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in entry.items() if k in known}
    column = Column(**values)
    if not isinstance(column.column, str):
        raise TypeError("column")
    for name in ("field", "unit", "level"):
        if not isinstance(getattr(column, name), str | None):
            raise TypeError(name)
    return column
