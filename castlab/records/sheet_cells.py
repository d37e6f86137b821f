"""What one cell of a sheet means, once it is known what its column is: numbers with units, dates, grades, yes/no.

`InputError` says why a cell cannot be used; blanks ("", -, ?, n/a) are None.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time
from functools import lru_cache
from typing import Any

from castlab import units
from castlab.errors import InputError
from castlab.records.sheet_words import reader_of

BLANKS = {"", "-", "--", "–", "—", "?", "??", "n/a", "na", "nan", "null", "unknown", "not known", "."}
YES = {"yes", "y", "true", "1", "ok", "pass", "passed", "✓", "✔", "☑"}
NO = {"no", "n", "false", "0", "fail", "failed", "not ok", "✗", "✘", "☐"}

_BARE = re.compile(r"[+\-−]?\s?\d[\d.,]*|[+\-−]?[.,]\d+")
_CLOCK = re.compile(r"\d+:\d{2}(:\d{2})?")
_RATIO = re.compile(r"\d[\d.,]*\s*(:|/|to)\s*\d[\d.,]*")
_BASIS = re.compile(r"\b(gauge|gage|abs|absolute|vacuum|vac)\b|\b(psi|bar|mbar|kpa)[ag]\b", re.IGNORECASE)
_TRIPLE = re.compile(r"(\d{1,4})([-/.])\s?(\d{1,2})\2\s?(\d{2,4})(?:[ T,]+(.+))?")
_TIME = re.compile(r"(\d{1,2})[:.h](\d{2})(?::(\d{2})(?:\.\d+)?)?\s*(am|pm)?", re.IGNORECASE)
_WORDED = ("%d %b %Y", "%d %B %Y", "%b %d %Y", "%B %d %Y", "%d %b %y", "%d %B %y")

DATES = "accepted: 2026-03-14, 14.3.2026, 14 Mar 2026, with a time if known"
DATE_ORDERS = ("as written", "day first", "month first")
CASTING_SCOPES = ("in the whole sheet", "within its batch")
EXTRA_TYPES = ("number", "yes/no", "text")
RATIO_BY_MASS = "ratio by mass"


def is_blank_cell(cell: str) -> bool:
    """True for an empty cell and for what makers write for "not known"."""
    return cell.strip().lower() in BLANKS


def read_cell(cell: str, target: str, unit: str | None, *, altitude_m: float | None = None) -> Any:
    """The value of a cell for a field, in bench units; None if it is blank.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    reader = reader_of(target)
    if reader == "yes/no":
        return read_yes_no(cell, unit)
    if is_blank_cell(cell):
        return None
    if reader == "quantity":
        return _quantity(cell, target, unit or "", altitude_m)
    if reader in ("number", "whole"):
        return _number(cell, target, unit)
    if reader == "grade":
        return _grade(cell, unit or "")
    if reader == "date":
        return read_date(cell, unit)
    if reader == "time":
        return _time_of_day(cell)
    return re.sub(r"\.0+$", "", cell) if reader == "key" else cell


def read_extra(cell: str, kind: str) -> bool | float | str | None:
    """The value of a cell for a setting of the maker's own ("number", "text", or "yes/no" with its marks)."""
    if kind.startswith("yes/no"):
        return read_yes_no(cell, kind)
    if is_blank_cell(cell):
        return None
    return units.to_bench(cell, "number") if kind == "number" else cell


def check_unit(target: str, unit: str | None) -> str | None:
    """Why a unit does not settle how the cells of a target are read, or None if it does."""
    reader = reader_of(target)
    if reader == "quantity":
        return _quantity_problem(target, unit)
    if reader == "grade":
        return None if unit and _scale(unit) else "which scale? castlab's grades run from 0 (worst) to 4 (best)."
    if reader == "date":
        return None if unit in DATE_ORDERS else "day or month first?"
    if reader == "yes/no":
        return None if unit and unit.startswith("yes/no") else "does its mark mean yes or no?"
    if target == "casting":
        return None if unit in CASTING_SCOPES else "do the numbers start again in each batch?"
    if target == "target_phr":
        return None if unit in ("phr", RATIO_BY_MASS) else "a ratio by mass or by volume?"
    return None


def accepted_units(target: str) -> str:
    """What may be given as `unit` for a target, with examples."""
    reader, field = reader_of(target), target
    if reader == "quantity" and field.endswith("_kpa"):
        return "'inHg vacuum', 'mbar abs', 'psi gauge' and the like"
    examples = {
        "C": "'C' or 'F'",
        "min": "'min', 's' or 'h'",
        "h": "'h', 'min' or 'days'",
        "g": "'g', 'kg', 'oz' or 'lb'",
        "mm": "'mm', 'cm' or 'in'",
        "mm2": "'mm2', 'cm2' or 'in2'",
        "%": "'%' or 'fraction'",
    }
    by_reader = {
        "grade": "the scale from worst to best: '0-4', '1-5', or '5-1' if 1 is best",
        "date": " or ".join(map(repr, DATE_ORDERS)),
        "yes/no": "'yes/no', with marks of the sheet's own such as 'yes/no; x = no; - = blank'",
        "key": " or ".join(map(repr, CASTING_SCOPES)),
        "number": f"'phr' or {RATIO_BY_MASS!r}",
    }
    return examples[units.bench_unit(field) or ""] if reader == "quantity" else by_reader.get(reader, "none")


def unit_kind(unit: str) -> str | None:
    """The suffix ("_c", "_kpa"...) of the quantity that a unit belongs to, or None if it is no unit."""
    return _unit_kind(re.sub(r"\s+", " ", unit).strip())


@lru_cache(maxsize=2048)
def _unit_kind(unit: str) -> str | None:
    core = _BASIS.sub(lambda m: m[2] or "", unit).strip(" ,()")
    if not core or (re.search(r"\d\s*$", core) and not core.endswith("2")):
        return None
    for suffix in ("_c", "_min", "_mm", "_g", "_ml", "_mm2", "_pct"):
        try:
            units.to_bench(f"1 {core}", f"x{suffix}")
            return suffix
        except InputError:
            continue
    try:
        units.pressure(f"1 {core} abs")
        return "_kpa"
    except InputError:
        return None


@lru_cache(maxsize=512)
def _quantity_problem(target: str, unit: str | None) -> str | None:
    if not unit:
        return "which unit?"
    if target.endswith("_pct") and unit in ("%", "fraction"):
        return None
    if not target.endswith("_kpa"):
        try:
            units.to_bench(f"1 {unit}", target)
        except InputError as exc:
            return f"{str(exc).removeprefix(target + ': ')}."
        return None
    probe = "0.001 "
    try:
        units.pressure(f"{probe}{unit}")
    except InputError as exc:
        basis_missing = unit_kind(unit) == "_kpa" and not _BASIS.search(unit)
        return "gauge or absolute?" if basis_missing else f"{exc}.".replace(probe, "")
    return None


def is_gauge_unit(unit: str | None) -> bool:
    """Whether readings in this unit count from the air pressure of the place."""
    for sign in ("", "-"):
        try:
            text = f"{sign}0.001 {unit}"
            return units.pressure(text, altitude_m=0) != units.pressure(text, altitude_m=1000)
        except InputError:
            continue
    return False


def _quantity(cell: str, target: str, unit: str, altitude_m: float | None) -> float:
    bare = _is_bare(cell)
    if unit == "fraction" and bare:
        return round(100 * units.to_bench(cell, "number"), 10)
    text = f"{cell} {unit}" if bare or _CLOCK.fullmatch(cell) else cell
    if not target.endswith("_kpa"):
        return units.to_bench(cell if bare and unit == units.bench_unit(target) else text, target)
    if not bare and not _BASIS.search(text) and (basis := _BASIS.search(unit)):
        text = f"{text} {basis[1] or {'a': 'abs', 'g': 'gauge'}[basis[0][-1].lower()]}"
    return units.pressure(text, altitude_m=altitude_m or 0.0)


def _is_bare(cell: str) -> bool:
    """Whether a cell is a number alone, in any way that `units` reads one (7, 1 500, 1/16, ½), so that its column's unit holds."""
    try:
        units.to_bench(cell, "number")
        return True
    except InputError:
        return bool(_BARE.fullmatch(cell))  # a number that can be read in two ways (1,500)


def _number(cell: str, target: str, unit: str | None) -> float | int:
    if target == "target_phr" and unit == RATIO_BY_MASS and _RATIO.fullmatch(cell):
        return units.to_bench(f"{cell} by mass", target)
    value = units.to_bench(cell, target)
    return int(value) if reader_of(target) == "whole" and value.is_integer() else value


def _scale(unit: str) -> tuple[int, int] | None:
    """(worst, best) of a five-step scale such as 0-4 or 5-1, or None."""
    found = re.fullmatch(r"(\d)\s*(?:-|–|to|\.\.)\s*(\d)", unit.strip())
    if not found or abs(int(found[1]) - int(found[2])) != 4:
        return None
    return int(found[1]), int(found[2])


def _grade(cell: str, unit: str) -> int:
    worst, best = _scale(unit) or (0, 4)
    value = units.to_bench(cell, "grade")
    if not value.is_integer() or not min(worst, best) <= value <= max(worst, best):
        raise InputError(f"grade is {cell!r}; accepted: a whole number from {worst} (worst) to {best} (best)")
    return int(value) - worst if best > worst else worst - int(value)


def read_yes_no(cell: str, unit: str | None) -> bool | None:
    """True, False or None by the usual words and the marks that the unit names ("yes/no; x = yes")."""
    word = cell.strip().lower()
    marks = marks_of(unit)
    meaning = marks.get(word) or ("yes" if word in YES else "no" if word in NO else None)
    if meaning is None and is_blank_cell(cell):
        return None
    if meaning is None:
        raise InputError(
            f"{cell!r} is neither yes nor no; accepted: yes, no, y, n, ?{''.join(f', {m}' for m in marks)}; say what it "
            f"means in the column's unit: 'yes/no; {word} = yes'"
        )
    return {"yes": True, "no": False, "blank": None}[meaning]


def marks_of(unit: str | None) -> dict[str, str]:
    """The sheet's own marks in a unit: "yes/no; x = yes; - = no" -> {"x": "yes", "-": "no"}."""
    found = (re.fullmatch(r"\s*(.+?)\s*=\s*(yes|no|blank)\s*", part) for part in (unit or "").lower().split(";"))
    return {m[1]: m[2] for m in found if m}


def date_evidence(cells: list[str]) -> set[str]:
    """What the slashed dates of a column show: "day first", "month first", and "open" where a date fits both."""
    found: set[str] = set()
    for cell in cells:
        triple = _TRIPLE.fullmatch(cell.strip())
        if triple is None or triple[2] == "." or len(triple[1]) == 4:
            continue
        first, second = int(triple[1]), int(triple[3])
        if first == second:
            continue
        found.add("day first" if first > 12 else "month first" if second > 12 else "open")
    return found


def looks_like_date(cell: str) -> bool:
    """Whether a cell has the form of a date."""
    try:
        read_date(cell, "month first")
        return True
    except InputError:
        return bool(_TRIPLE.fullmatch(cell.strip()))


def read_date(cell: str, order: str | None, settle: str = "settle it for the column") -> datetime | time:
    """A date with the time if it has one; a time alone stays a time.

    Years come first or last, dots mean that the day is first, and `order` settles the other numeric dates; without one
    `settle` says what to do.
    """
    text = re.sub(r"\s+", " ", cell.strip())
    if clock := _TIME.fullmatch(text):
        return _clock(clock, cell)
    triple = _TRIPLE.fullmatch(text)
    if triple is None:
        plain = re.sub(r"(?<=\d)(st|nd|rd|th)\b|[.,]", "", text)
        for form in _WORDED:
            try:
                return datetime.strptime(plain, form)
            except ValueError:
                continue
        raise InputError(f"{cell!r} is not a date; {DATES}")
    first, mark, second, third, rest = triple.groups()
    if len(first) == 4:
        year, month, day = int(first), int(second), int(third)
    elif mark == "." or order == "day first":
        year, month, day = int(third), int(second), int(first)
    elif order == "month first" or first == second:
        year, month, day = int(third), int(first), int(second)
    else:
        raise InputError(f"{cell!r}: day or month first? {settle}")
    try:
        on = date(year + 2000 if year < 100 else year, month, day)
    except ValueError:
        how = "" if len(first) == 4 else " with the day first" if mark == "." else f" with the {order}"
        raise InputError(f"{cell!r} is no day of the calendar{how.replace('day first first', 'day first')}") from None
    at = time()
    if rest:
        clock = _TIME.fullmatch(rest.strip())
        if clock is None:
            raise InputError(f"{cell!r}: the time {rest.strip()!r} cannot be read; accepted: 9:40, 09:40:00, 2:15 pm")
        at = _clock(clock, cell)
    return datetime.combine(on, at)


def _time_of_day(cell: str) -> time:
    clock = _TIME.fullmatch(cell.strip())
    if clock is None:
        raise InputError(f"{cell!r} is not a time of the day; accepted: 9:40, 09:40:00, 2:15 pm")
    return _clock(clock, cell)


def _clock(found: re.Match[str], cell: str) -> time:
    hour, half = int(found[1]), (found[4] or "").lower()
    if half:
        hour = hour % 12 + (12 if half == "pm" else 0) if 1 <= hour <= 12 else 99
    try:
        return time(hour, int(found[2]), int(found[3] or 0))
    except ValueError:
        raise InputError(f"{cell!r} is not a time of the day; accepted: 9:40, 09:40:00, 2:15 pm") from None
