"""A hand-kept sheet as text: headings, cells and the row numbers its keeper sees. Nothing is interpreted here.

What headings mean is proposed in `castlab.records.sheet_proposal`, what cells mean is read in
`castlab.records.sheet_cells`.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from castlab.errors import InputError, NotFoundError
from castlab.records.models import is_blank

if TYPE_CHECKING:
    import pandas as pd

DELIMITERS = (",", ";", "\t")


@dataclass(frozen=True)
class Sheet:
    """What a sheet holds: its name, its headings, and per row that is not empty its number (header = 1) and cells."""

    name: str | None
    headings: tuple[str, ...]
    rows: tuple[tuple[int, dict[str, str]], ...]
    notes: tuple[str, ...] = ()

    def cells(self, heading: str) -> list[str]:
        """The cells of one column that hold something, from above."""
        return [cells[heading] for _, cells in self.rows if cells[heading]]


def read_sheet(source: str | Path | pd.DataFrame) -> Sheet:
    """Read a .csv or .xlsx file, or a DataFrame, as text.

    Raises
    ------
    NotFoundError
        If there is no such file.
    InputError
        If it is not a sheet, is empty, has no headings, or has a heading twice.
    """
    if isinstance(source, (str, Path)):
        path = Path(source).expanduser()
        where = path.name
        grid, notes = _read_file(path)
        name: str | None = path.stem
    elif hasattr(source, "columns") and hasattr(source, "itertuples"):
        where, name, notes = "the DataFrame", None, ()
        grid = [[str(c) for c in source.columns], *([_text(v) for v in row] for row in source.itertuples(index=False))]
    else:
        raise InputError(
            f"a {type(source).__name__} is not a sheet; accepted: the path of a .csv or .xlsx file, or a DataFrame"
        )
    return _sheet(where, name, grid, notes)


def _sheet(where: str, name: str | None, grid: list[list[str]], notes: tuple[str, ...]) -> Sheet:
    grid = [[re.sub(r"[ \t\xa0]+", " ", cell).strip() for cell in row] for row in grid]
    if not any(any(row) for row in grid):
        raise InputError(f"{where} is empty; needed: headings in row 1 and one row per casting below")
    width = max(len(row) for row in grid)
    grid = [row + [""] * (width - len(row)) for row in grid]
    used = [n for n in range(width) if any(row[n] for row in grid)]
    headings = [re.sub(r"\s+", " ", grid[0][n]) for n in used]
    named = [h for h in headings if h and not re.fullmatch(r"[-+\d.,:/ ]+", h)]
    if len(named) < (len(headings) + 1) // 2:
        raise InputError(
            f"{where} has no headings in row 1 (it starts with {', '.join(repr(h) for h in headings[:4])}); needed: one "
            "heading per column in row 1, no title above them, and one row per casting below"
        )
    headings = [h or f"column {_letter(n)}" for h, n in zip(headings, used, strict=True)]
    seen = [h.casefold() for h in headings]
    if twice := sorted({h for h in headings if seen.count(h.casefold()) > 1}):
        raise InputError(
            f"{where} has the heading {', '.join(map(repr, twice))} more than once; give each column its own"
        )
    rows = tuple(
        (number, {h: row[n] for h, n in zip(headings, used, strict=True)})
        for number, row in enumerate(grid[1:], start=2)
        if any(row)
    )
    if not rows:
        raise InputError(f"{where} has headings but no rows; needed: one row per casting below row 1")
    return Sheet(name, tuple(headings), rows, notes)


def _read_file(path: Path) -> tuple[list[list[str]], tuple[str, ...]]:
    suffix = path.suffix.lower()
    if path.is_dir():
        raise InputError(f"{path} is a folder; accepted: the path of a .csv or .xlsx file")
    if not path.exists():
        raise NotFoundError(f"there is no file {path}: check the path")
    if suffix == ".xlsx":
        return _read_workbook(path)
    if suffix not in {".csv", ".tsv", ".txt"}:
        raise InputError(
            f"{path.name} is not a sheet that can be read; accepted: .csv or .xlsx (save it as one of these)"
        )
    try:
        text = _decode(path)
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text))), ()
    except OSError as exc:
        raise InputError(f"{path.name} cannot be opened ({exc.strerror}): check its permissions") from None
    except csv.Error as exc:
        raise InputError(
            f"{path.name} is not a readable .csv file ({exc}): save it again from the spreadsheet"
        ) from None


def _decode(path: Path) -> str:
    data = path.read_bytes()
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif b"\0" in data:
        raise InputError(f"{path.name} is not text, so not a .csv file: save the sheet as .csv or .xlsx")
    else:
        encodings = ["utf-8-sig", "cp1252", "latin-1"]
    for encoding in encodings:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise InputError(f"{path.name} is not readable text: save the sheet as .csv (UTF-8) or .xlsx")


def _delimiter(text: str) -> str:
    """The separator that gives the most headings, with which the most rows agree."""

    def fit(delimiter: str) -> tuple[float, int]:
        rows = [row for row in _first_rows(text, delimiter) if any(row)]
        width = len(rows[0]) if rows else 0
        return sum(len(row) == width for row in rows) * (width - 1), width

    return max(DELIMITERS, key=fit)


def _first_rows(text: str, delimiter: str) -> list[list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    return [row for _, row in zip(range(40), reader, strict=False)]


def _read_workbook(path: Path) -> tuple[list[list[str]], tuple[str, ...]]:
    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        pages = openpyxl.load_workbook(path, data_only=True).worksheets
    except (ValueError, KeyError, OSError, zipfile.BadZipFile, TypeError, InvalidFileException) as exc:
        raise InputError(
            f"{path.name} is not a readable .xlsx workbook ({exc}): save it again from the spreadsheet"
        ) from None
    grids = {page.title: [[_cell_text(cell) for cell in row] for row in page.iter_rows()] for page in pages}
    filled = [name for name, grid in grids.items() if any(any(row) for row in grid)]
    if not filled:
        raise InputError(f"{path.name} is empty; needed: headings in row 1 and one row per casting below")
    notes: tuple[str, ...] = ()
    if len(filled) > 1:
        notes = (
            f"{path.name} has several sheets; only {filled[0]!r} was read, not {', '.join(map(repr, filled[1:]))}: "
            "save another one as a file of its own to import it",
        )
    return grids[filled[0]], notes


def _cell_text(cell: Any) -> str:
    """A spreadsheet cell as its keeper sees it: what is formatted as a percentage is stored as a fraction."""
    value = cell.value
    if isinstance(value, int | float) and not isinstance(value, bool) and "%" in (cell.number_format or ""):
        return f"{100 * value:.10g}%"
    return _text(value)


def _text(value: Any) -> str:
    """A cell as its keeper typed it; whole numbers without a trailing .0, times as ISO 8601."""
    if is_blank(value):
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, (datetime, date)):
        return value.isoformat(sep=" ") if isinstance(value, datetime) else value.isoformat()
    if isinstance(value, timedelta):  # hours and minutes beyond a day, as [h]:mm shows them
        seconds = round(value.total_seconds())
        return f"{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"
    text = str(value)
    return "" if text in {"nan", "NaT", "None"} else text


def _letter(column: int) -> str:
    """Spreadsheet letters of a column counted from 0: A, B, ..., Z, AA."""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
