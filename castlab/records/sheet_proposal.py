"""Proposing a mapping: what headings mean by the words makers use, units by heading or cells, dates by the whole column."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from castlab.records import sheet_cells as cells_
from castlab.records.sheet_cells import CASTING_SCOPES, DATE_ORDERS, is_blank_cell, unit_kind
from castlab.records.sheet_column import EXTRA_LEVELS, Column
from castlab.records.sheet_headings import named, named_own, splits
from castlab.records.sheet_mapping import Mapping
from castlab.records.sheet_reading import Sheet, read_sheet
from castlab.records.sheet_units import cell_unit, is_quantity, propose_unit, unit_class
from castlab.records.sheet_words import TARGETS, reader_of

if TYPE_CHECKING:
    import pandas as pd

    from castlab.records.logbook import Logbook

Own = dict[str, tuple[str, str]]
"""The shop's own settings and grades: name -> (level, type)."""

_TIME_OF_DAY = re.compile(r"\d{1,2}[:.]\d{2}(:\d{2})? ?[ap]m", re.IGNORECASE)
_RATIO = re.compile(r"\d[\d.,]*\s*(:|/)\s*\d[\d.,]*")


def propose_mapping(
    source: str | Path | pd.DataFrame, altitude_m: float | None = None, *, book: Logbook | None = None
) -> Mapping:
    """Propose what each column of a hand-kept sheet means; nothing is imported.

    Parameters
    ----------
    source
        A .csv file (comma, semicolon or tab), an .xlsx file, or a DataFrame; headings in row 1, one row per casting.
    altitude_m
        Height of the shop above sea level, m, for gauge readings; the logbook's own is used if it is not given here.
    book
        The logbook that it will go to: its own settings and grades are known by their names too.

    Returns
    -------
    A `Mapping` that shows itself; `mapping.unsettled` says what only the sheet's keeper can know.

    Raises
    ------
    NotFoundError
        If there is no such file.
    InputError
        If it is not a sheet, is empty, has no headings, or has a heading twice.

    Examples
    --------
    >>> import pandas as pd
    >>> mapping = propose_mapping(pd.DataFrame({"Cup": ["1"], "Room temp (F)": ["72"], "bubbles": ["3"]}))
    >>> [(c.column, c.field, c.unit) for c in mapping.columns]
    [('Cup', 'batch', None), ('Room temp (F)', 'room_c', 'F'), ('bubbles', 'bubbles', None)]
    """
    sheet = read_sheet(source)
    own = {} if book is None else {name: kind for name, kind in book.extras().items() if name not in TARGETS}
    altitude_m = book.altitude_m if book is not None and altitude_m is None else altitude_m
    mapping = Mapping(_assigned([_look(sheet, h, own) for h in sheet.headings], own), altitude_m)
    return _casting_scope(sheet, _dates_of_castings(sheet, mapping))


@dataclass(frozen=True)
class _Seen:
    """A column as it was seen: its cells summed up, and the fields it may mean, best first."""

    column: Column
    cells: tuple[str, ...]
    fits: tuple[tuple[float, str], ...]


def _look(sheet: Sheet, heading: str, own: Own) -> _Seen:
    cells = sheet.cells(heading)
    kind, reading = _kind_of(cells)
    distinct = [c for c in dict.fromkeys(cells) if not is_blank_cell(c)] or list(dict.fromkeys(cells))
    column = Column(
        heading, kind=kind, reading=reading, samples=tuple(c[:40] for c in distinct[:4]), sure="not recognised"
    )
    in_cells = cell_unit(cells)
    best: dict[str, float] = {}
    for name, unit in splits(heading):
        for score, field in named(name):
            if _compatible(field, unit or in_cells, kind):
                best[field] = max(best.get(field, 0.0), score)
            elif score >= 0.9:
                column = replace(column, sure=f"named like {field}, but its unit or its cells do not fit")
        score, field = named_own(name, own)
        if score and _compatible_own(own[field][1], kind):
            best[field] = max(best.get(field, 0.0), score)
    return _Seen(column, tuple(cells), tuple(sorted(((s, f) for f, s in best.items()), key=lambda fit: -fit[0])))


def _assigned(seen: list[_Seen], own: Own) -> tuple[Column, ...]:
    """Give each field to the column that fits it best; ties between fields are left to the keeper."""
    chosen: dict[str, Column] = {}
    taken: dict[str, str] = {}
    for one in sorted(seen, key=lambda s: -s.fits[0][0] if s.fits else 0.0):
        chosen[one.column.column] = _choose(one, taken, own)
        if field := chosen[one.column.column].field:
            taken[field] = one.column.column
    columns = tuple(chosen[one.column.column] for one in seen)
    return tuple(
        replace(c, could_be=free, sure=c.sure if free or not c.could_be else "not recognised")
        for c in columns
        for free in [tuple(f for f in c.could_be if f not in taken)]
    )


def _choose(one: _Seen, taken: dict[str, str], own: Own) -> Column:
    free = [(score, field) for score, field in one.fits if field not in taken]
    if not free:
        if one.fits:
            field = one.fits[0][1]
            return replace(one.column, sure=f"looks like {field} too, as {taken[field]!r} does")
        return one.column
    top = [field for score, field in free if score == free[0][0]]
    if len(top) > 1:
        return replace(one.column, could_be=tuple(top), sure="several fields fit")
    level, type_ = own.get(top[0], (None, ""))
    unit, how = propose_unit(one.column, top[0], one.cells) if level not in EXTRA_LEVELS else (type_, "")
    if type_ == "yes/no":
        unit, how = one.column.reading, "by its cells"
    name = (
        "sure"
        if free[0][0] >= 0.9 and len(one.fits) == len(free)
        else "similar name"
        if free[0][0] >= 0.8
        else "a guess"
    )
    return replace(
        one.column,
        field=top[0],
        level=level,
        unit=unit,
        sure=how if how.startswith("values") else "; ".join(filter(None, [name, how])),
    )


def _dates_of_castings(sheet: Sheet, mapping: Mapping) -> Mapping:
    """A date that differs between the castings of one cup is when each was poured, not when the cup was mixed."""
    date, batch = mapping.column_of("mixed_at"), mapping.column_of("batch")
    if date is None or batch is None or mapping.column_of("poured_at"):
        return mapping
    pairs = {(cells[batch], cells[date]) for _, cells in sheet.rows if cells[batch] and cells[date]}
    repeated = len(pairs) - len({cup for cup, _ in pairs})
    if repeated < 2 or repeated * 2 < len(pairs):
        return mapping
    how = "differs within batches, so it is when each was poured"
    return replace(
        mapping,
        columns=tuple(replace(c, field="poured_at", sure=how) if c.column == date else c for c in mapping.columns),
    )


def _casting_scope(sheet: Sheet, mapping: Mapping) -> Mapping:
    """Whether the maker's casting numbers are unique in the sheet or start again in each batch."""
    casting, batch = mapping.column_of("casting"), mapping.column_of("batch")
    if casting is None:
        return mapping
    numbers = [cells[casting] for _, cells in sheet.rows if cells[casting]]
    pairs = [(cells[batch], cells[casting]) for _, cells in sheet.rows if cells[casting]] if batch else []
    repeats = len(set(numbers)) < len(numbers)
    again = repeats and len(pairs) - len(set(pairs)) < len(numbers) - len(set(numbers))
    columns = (replace(c, unit=CASTING_SCOPES[again]) if c.column == casting else c for c in mapping.columns)
    return replace(mapping, columns=tuple(columns))


# --- fields ------------------------------------------------------------------------------------------------


def _compatible(field: str, unit: str | None, kind: str) -> bool:
    """Whether a column with this unit in its heading and such cells can become the field."""
    reader = reader_of(field)
    if unit and unit_kind(unit):
        fits = kind in {"number", "blank", "time"} or (kind == "ratio" and unit_kind(unit) == "_mm")  # 1/16 in
        return reader == "quantity" and unit_class(field) == unit_kind(unit) and fits
    if kind in {"time", "time of day"} and (reader == "time" or kind == "time of day"):
        return reader == "time"
    if kind == "time" and (field == "target_phr" or (reader == "quantity" and unit_class(field) == "_min")):
        return True
    if kind == "blank":
        return True
    if reader in {"quantity", "number", "whole", "grade"}:
        return kind == "number" or (kind == "ratio" and field == "target_phr")
    if reader == "date":
        return kind == "date"
    if reader == "yes/no":
        return kind in {"yes/no", "number", "text"}
    if reader == "text" and kind != "text":
        return (kind in {"number", "ratio", "date"} and field.endswith(("_lot", "_notes"))) or field == "plan"
    return not (field == "material" and kind != "text") and not (reader == "key" and kind in {"date", "yes/no"})


def _compatible_own(type_: str, kind: str) -> bool:
    """Whether such cells can become a setting or grade of the shop's own of this type."""
    fits = {"grade": {"number"}, "number": {"number"}, "yes/no": {"yes/no", "text"}}
    return kind == "blank" or type_ == "text" or kind in fits[type_]


# --- cells -------------------------------------------------------------------------------------------------


def _kind_of(cells: list[str]) -> tuple[str, str]:
    """What the cells of a column look like, and how its yes/no marks or dates are read."""
    known = [c for c in cells if not is_blank_cell(c)]
    if not known:
        return "blank", "yes/no"
    words = {c.strip().lower() for c in known}
    if words <= cells_.YES | cells_.NO | {"x"} and not words <= {"0", "1"}:
        marks = ["x = yes"] if "x" in words else []
        marks += ["- = no"] if "-" in {c.strip() for c in cells} and not words & cells_.NO else []
        return "yes/no", "; ".join(["yes/no", *marks])

    def share(fits: list[bool]) -> bool:
        return sum(fits) >= 0.5 * len(known)

    if share([bool(re.fullmatch(r"\d{1,2}:\d{2}(:\d{2})?", c)) for c in known]):
        return "time", DATE_ORDERS[0]
    if share([bool(_TIME_OF_DAY.fullmatch(c)) for c in known]):
        return "time of day", DATE_ORDERS[0]
    if share([bool(_RATIO.fullmatch(c)) for c in known]):
        return "ratio", "yes/no"
    if share([is_quantity(c) for c in known]):
        return "number", "yes/no"
    if share([cells_.looks_like_date(c) for c in known]):
        return "date", _date_order(known)
    return "text", "yes/no"


def _date_order(cells: list[str]) -> str:
    """The order that the whole column shows; "" if it has to be said."""
    shown = cells_.date_evidence(cells)
    if not shown:
        return DATE_ORDERS[0]
    orders = shown - {"open"}
    return orders.pop() if len(orders) == 1 else ""
