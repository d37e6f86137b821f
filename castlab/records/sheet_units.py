"""Proposing what a column's numbers are in: by its heading, by its cells, by the range of its values."""

from __future__ import annotations

import re
import statistics
from collections import Counter

from castlab import units
from castlab.records import sheet_cells as cells_
from castlab.records.sheet_cells import CASTING_SCOPES, DATE_ORDERS, RATIO_BY_MASS, check_unit, is_blank_cell, unit_kind
from castlab.records.sheet_column import Column
from castlab.records.sheet_headings import SCALE, heading_unit
from castlab.records.sheet_words import reader_of

_QUANTITY = re.compile(r"(?P<sign>[+\-−]?)\s?\d[\d.,]*\s*(?P<unit>[^\d:\s].*)?|\d+:\d{2}(?::\d{2})?")


def propose_unit(column: Column, field: str, cells: tuple[str, ...] | None = None) -> tuple[str | None, str]:
    """The unit of a column if it becomes this field, and where that comes from; by its heading and cells (None: its samples)."""
    cells = column.samples if cells is None else cells
    reader = reader_of(field)
    if reader == "quantity":
        return _quantity_unit(column.column, field, [c for c in cells if not is_blank_cell(c)])
    if reader == "date":
        order = column.reading if column.kind == "date" else DATE_ORDERS[0]
        return (order, "by the whole column" if order != DATE_ORDERS[0] else "") if order else (None, "")
    if reader == "yes/no":
        return _yes_no_marks(column, cells), ""
    if reader == "grade":
        return _scale_in(column.column, field), ""
    if field == "casting":
        return CASTING_SCOPES[0], ""
    if field == "target_phr":
        if column.kind not in {"ratio", "time"}:
            return "phr", "taken as hardener per 100 of resin"
        return (RATIO_BY_MASS, "") if re.search(r"\b(mass|weight|wt)\b", column.column, re.IGNORECASE) else (None, "")
    return None, ""


def _quantity_unit(heading: str, field: str, cells: list[str]) -> tuple[str | None, str]:
    numbers = [found for c in cells if (found := _QUANTITY.fullmatch(c))]
    in_cells = Counter(found["unit"].strip() for found in numbers if found["unit"])
    if heading.strip() == field:
        return units.bench_unit(field), "castlab's own name"
    unit, how = heading_unit(heading), ""
    if unit is None or unit_kind(unit) != unit_class(field):
        bare = any(not found["unit"] for found in numbers)
        unit = in_cells.most_common(1)[0][0] if in_cells and not (bare and len(in_cells) > 1) else None
        how = "unit in the cells" if unit else ""
    values = [float(v) for c in cells if (v := _plain_number(c)) is not None]
    if unit is None and unit_class(field) == "_c" and values:
        scale = "F" if min(values) > 45 else "C" if max(values) < 40 else "either C or F"
        return None, f"values {min(values):g} to {max(values):g} look like {scale}."
    looks_like_fractions = (
        unit_class(field) == "_pct" and bool(values) and max(values) <= 1 and statistics.mean(values) > 0
    )
    # A workbook's cells in percent format arrive as fractions, and no room's air is that dry.
    if looks_like_fractions and (unit is None or field == "humidity_pct"):
        return None, "values of 1 or less look like fractions."
    clock = next((c for c in cells if re.fullmatch(r"\d{1,2}:\d{2}", c)), None)
    if unit is None and clock and unit_class(field) == "_min":
        return None, f"values such as {clock} look like minutes and seconds, hours and minutes, or a time of the day."
    if unit is None and unit_class(field) not in {"_c", "_kpa"}:
        unit, how = units.bench_unit(field), "unit assumed"
    if (
        unit
        and unit_class(field) == "_kpa"
        and check_unit(field, unit)
        and any(f["sign"] in ("-", "−") for f in numbers)
    ):
        forms = (f"{unit} gauge", f"{unit} gauge vacuum")  # a mercury column has to say vacuum too
        unit = next((form for form in forms if check_unit(field, form) is None), forms[0])
        how = "gauge, as it goes below zero"
    return unit, how


def _plain_number(cell: str) -> float | None:
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return None


def _yes_no_marks(column: Column, cells: tuple[str, ...]) -> str | None:
    """None where a mark has to be explained: a cross beside a casting may mean yes or no."""
    words = {c.strip().lower() for c in cells if not is_blank_cell(c)}
    return column.reading if words <= cells_.YES | cells_.NO else None


def _scale_in(heading: str, field: str) -> str | None:
    """The scale of a grade if its heading says it with its best or worst end."""
    if heading.strip() == field:
        return "0-4"
    found = SCALE.search(heading)
    end = re.search(r"(\d)\s*(?:=|is)?\s*(best|worst)|(best|worst)\s*(?:=|is|:)?\s*(\d)", heading, re.IGNORECASE)
    if not (found and end):
        return None
    low, high = sorted(found.groups())
    digit, which = (end[1], end[2]) if end[1] else (end[4], end[3])
    rising = (digit == high) == (which.lower() == "best")
    return f"{low}-{high}" if rising else f"{high}-{low}"


def unit_class(field: str) -> str:
    """The suffix under which `unit_kind` files the field's quantity."""
    suffix = next(s for s in ("_kpa", "_min", "_mm2", "_mm", "_pct", "_c", "_g", "_h") if field.endswith(s))
    return "_min" if suffix == "_h" else suffix


def is_quantity(cell: str) -> bool:
    """Whether the cell is a number, with a known unit or none; a date is not."""
    found = _QUANTITY.fullmatch(cell)
    if found is None or re.match(r"\d{1,4}[./-]\d{1,2}[./-]\d", cell):
        return False
    return not found["unit"] or unit_kind(found["unit"]) is not None


def cell_unit(cells: list[str]) -> str | None:
    """The unit that most cells carry themselves, or None."""
    said = Counter(found["unit"].strip() for c in cells if (found := _QUANTITY.fullmatch(c)) and found["unit"])
    unit = said.most_common(1)[0][0] if said else None
    return unit if unit and unit_kind(unit) else None
