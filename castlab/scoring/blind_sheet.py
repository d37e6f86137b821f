"""A blind session on paper: a sheet for each scorer and round with boxes to fill in, and the key for who puts on the labels.

The look is that of the run sheets. No casting is named on a scorer's sheet, and no scorer's reading on the key.
"""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from castlab import cautions, labels
from castlab.bench.sheet_page import page, write
from castlab.errors import InputError
from castlab.records.models import Score

if TYPE_CHECKING:
    import pandas as pd

    from castlab.scoring.rescoring import Rescoring
    from castlab.scoring.rubric import Item, Rubric

MOST_READINGS = 8
"""Columns of boxes that A4 paper holds upright."""
_ROWS_MM, _LOW_MM, _LINE_MM = 7.5, 4.8, 0.25
"""Height of a row of boxes, the least at which one can still write in it, to get all on one page, and of the line below it."""
_PAGE_MM, _HEAD_MM = 277.0, 63.0
"""Height of a page, and of everything on it but boxes and anchors."""
_LETTERS = 22
"""Of an anchor on a line."""
_ABOUT = ("scorer", "round", "place", "code")
_ROOM = """<style>
main.run-sheet.blind table.list { table-layout: fixed; page-break-inside: auto; break-inside: auto }
main.run-sheet.blind table.list tr { break-inside: avoid }
main.run-sheet.blind table.list td { height: var(--row); vertical-align: middle; padding: 0 1mm }
main.run-sheet.blind table.list td.write { min-width: 0; text-align: center; color: #555; font-size: 8.5pt; word-spacing: .8mm;
  white-space: nowrap }
main.run-sheet.blind table.list td.code { font-weight: 700 }
main.run-sheet.blind col.place, main.run-sheet.blind col.code { width: 13mm }
@media screen { main.run-sheet.blind + main.run-sheet.blind { margin-top: 12mm } }
main.run-sheet.blind h2 { break-after: avoid }
main.run-sheet.blind p.fill { margin: 2mm 0 3mm }
main.run-sheet.blind table.anchors td { font-size: 7pt; width: 17% }
</style>"""


@dataclass(frozen=True)
class Paper:
    """Pages for A4 paper; shows itself in a notebook."""

    html: str = field(repr=False)

    def save(self, path: str | Path) -> Path:
        """Write the pages to a file, to print from a browser or with `castlab.printing.to_pdf`; returns its path.

        Raises
        ------
        InputError
            If it cannot be written, or its name does not end in .html.
        """
        return write(path, self.html)

    def _repr_html_(self) -> str:
        return self.html


def sheets(session: Rescoring, rubric: Rubric | None) -> Paper:
    """A page for each scorer and round: codes in the order to look at them, a box for each reading, what the grades mean."""
    readings = [str(name) for name in session.sheets.columns if name not in _ABOUT]
    if len(readings) > MOST_READINGS:
        raise InputError(
            f"{len(readings)} readings do not fit side by side on paper; accepted: up to {MOST_READINGS}; plan two sessions"
        )
    rounds = int(session.sheets["round"].max())
    graded = [item for name in readings if (item := _item(rubric, name)) is not None]
    anchors = "" if rubric is None else _anchors(graded, rubric.called)
    care = "".join(f"<li>{_e(text)}</li>" for text in cautions.about("epoxy", "dust"))
    pages: list[str] = []
    for (who, turn), rows in session.sheets.groupby(["scorer", "round"], sort=False):
        which = f", round {turn} of {rounds}" if rounds > 1 else ""
        pages.append(
            f"<main class='run-sheet page blind'>{'' if pages else _ROOM}<h1>Blind scoring: {_e(who)}{which}</h1>"
            f"<p>Session {_e(session.name)}, {len(rows)} castings. From top to bottom, in this order; the same light and distance for "
            "all; without looking at earlier scores or at another’s sheet. Circle one grade, or yes or no; leave empty what you did not look at.</p>"
            f"<p class='fill'>date ______________ &nbsp; begun ________ &nbsp; ended ________ &nbsp; light, distance "
            f"______________________________</p><h2>Take care</h2><ul>{care}</ul>{anchors}<h2>What was seen</h2>"
            f"{_boxes(rows, readings, rubric, _row_mm(len(rows), graded))}</main>"
        )
    return Paper(page(*pages))


def key(session: Rescoring) -> Paper:
    """Which casting each code is, on a page of its own, for who puts on the labels and does not score."""
    rows = "".join(
        f"<tr><td class='code'>{_e(row.code)}</td><td>{_e(row.trial_id)}</td><td class='write'></td></tr>"
        for row in session.key.sort_values("code", key=_by_number).itertuples()
    )
    return Paper(page(
        f"<main class='run-sheet page blind'>{_ROOM}<h1>Key of blind session {_e(session.name)}: not for those who score</h1>"
        "<p>Put a label with the code on each casting and cover its own number. Keep this page away until every sheet is in.</p>"
        "<p class='fill'>labels put on by ______________________ &nbsp; date ______________</p>"
        f"<table class='list' style='--row: {_ROWS_MM}mm'><thead><tr><th>code</th><th>casting</th><th>label is on</th></tr></thead>"
        f"<tbody>{rows}</tbody></table></main>"
    ))  # fmt: skip


def _row_mm(rows: int, graded: Sequence[Item]) -> float:
    """Height of a row so that all comes on one page; where that is too low to write in, the usual one."""
    lines = sum(max(math.ceil(len(anchor) / _LETTERS) for anchor in item.anchors) for item in graded)
    left = (_PAGE_MM - _HEAD_MM - (12 + 3.1 * lines + len(graded) if graded else 0)) / rows - _LINE_MM
    return min(left, _ROWS_MM) if left >= _LOW_MM else _ROWS_MM


def _boxes(rows: pd.DataFrame, readings: Sequence[str], rubric: Rubric | None, row_mm: float) -> str:
    head = "".join(f"<th>{_e(_title(name, rubric))}</th>" for name in readings)
    cells = "".join(f"<td class='write'>{_choices(name, rubric)}</td>" for name in readings)
    body = "".join(
        f"<tr><td class='place'>{row.place}</td><td class='code'>{_e(row.code)}</td>{cells}</tr>"
        for row in rows.itertuples()
    )
    return (
        f"<table class='list' style='--row: {row_mm:.1f}mm'><colgroup><col class='place'><col class='code'></colgroup>"
        f"<thead><tr><th>order</th><th>code</th>{head}</tr></thead><tbody>{body}</tbody></table>"
    )


def _title(name: str, rubric: Rubric | None) -> str:
    item = _item(rubric, name)
    if item is not None:
        return item.title
    return labels.name(name) if name.endswith("_grade") else labels.label(name)


def _choices(name: str, rubric: Rubric | None) -> str:
    """What may be circled in the box of a grade or a yes or no; nothing for numbers."""
    if name == "passed":
        return "yes no"
    graded = name.endswith("_grade") and (name in Score.model_fields or _item(rubric, name) is not None)
    return " ".join("01234") if graded else ""


def _item(rubric: Rubric | None, name: str) -> Item | None:
    """The rubric's item that this reading grades."""
    items = () if rubric is None else rubric.items
    return next((item for item in items if f"{item.key}_grade" == name), None)


def _anchors(items: Sequence[Item], called: str) -> str:
    if not items:
        return ""
    head = "".join(f"<th>{grade}</th>" for grade in range(5))
    rows = "".join(
        f"<tr><td><b>{_e(item.title)}</b></td>{''.join(f'<td>{_e(text)}</td>' for text in item.anchors)}</tr>"
        for item in items
    )
    return (
        f"<h2>What the grades mean: {_e(called)}, 0 worst to 4 best</h2><table class='anchors'><thead><tr><th></th>"
        f"{head}</tr></thead><tbody>{rows}</tbody></table>"
    )


def _by_number(codes: pd.Series) -> pd.Series:
    """A1, B1, ... A2, B2: as the labels are written."""
    return codes.str[1:].astype(int).astype(str).str.zfill(4) + codes.str[0]


def _e(text: object) -> str:
    return html.escape(str(text))
