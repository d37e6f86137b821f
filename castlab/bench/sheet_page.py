"""The run sheet as a page for paper: only its look lives here."""

from __future__ import annotations

import html
import re
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from castlab import labels
from castlab.errors import InputError

_STYLE = """
@page { size: A4; margin: 9mm 11mm }
main.run-sheet.page { font: 9pt/1.22 "DejaVu Sans", system-ui, sans-serif; color: #111; background: #fff; max-width: 188mm;
  margin: 0 auto }
main.run-sheet.page h1 { font-size: 13pt; margin: 0 0 .5mm }
main.run-sheet.page h2 { font-size: 9.5pt; margin: 2.2mm 0 .8mm; border-bottom: 1.2pt solid #111 }
main.run-sheet.page p { margin: .6mm 0 }
main.run-sheet.page table { border-collapse: collapse; table-layout: auto; width: 100%; page-break-inside: avoid }
main.run-sheet.page th, main.run-sheet.page td { border: .6pt solid #777; padding: .35mm 1.2mm; text-align: left;
  vertical-align: top }
main.run-sheet.page th { background: #eee; font-weight: 600 }
main.run-sheet.page td.clock { white-space: nowrap; font-weight: 700 }
main.run-sheet.page td.done { width: 9mm }
main.run-sheet.page .care, main.run-sheet.page ul { font-size: 7.2pt; color: #333 }
main.run-sheet.page td.write { height: 5mm; min-width: 24mm }
main.run-sheet.page .box { font-weight: 700; font-size: 7.5pt }
main.run-sheet.page .aim { color: #444; font-size: 7.5pt }
main.run-sheet.page ul { margin: .6mm 0; padding-left: 5mm }
main.run-sheet.page + main.run-sheet.page { break-before: page }
"""
"""An element and two classes: they outweigh the rules that a notebook has for every table in its outputs."""


def page(*bodies: str) -> str:
    """One self-contained HTML page of these sheets, each on paper of its own."""
    title = re.sub(r"<[^>]+>", "", bodies[0].partition("<h1>")[2].partition("</h1>")[0])
    return (
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'><title>{title}</title><style>{_STYLE}</style></head>"
        f"<body>{''.join(bodies)}</body></html>"
    )


def write(path: str | Path, text: str) -> Path:
    """Write a page to a file that ends in .html; returns its path.

    Raises
    ------
    InputError
        If it cannot be written, or its name ends otherwise.
    """
    file = Path(path)
    if file.suffix.lower() != ".html":
        raise InputError(
            f"{file.name!r} is no page that can be written; accepted: a name ending in .html, of which "
            "castlab.printing.to_pdf makes a PDF"
        )
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as exc:
        raise InputError(
            f"{file} could not be written ({exc.strerror}); accepted: a file in a folder of yours"
        ) from None
    return file


def body(
    title: str, verdict: str, steps: pd.DataFrame, settings: pd.DataFrame, boxes: pd.DataFrame, cautions: Sequence[str]
) -> str:
    """One sheet."""
    batch = boxes[boxes["record"] == "batch"]
    molds = boxes[boxes["record"] != "batch"]
    each = "" if settings.empty else f"<h2>Each casting, in the order to pour them</h2>{_settings(settings)}"
    return (
        f"<main class='run-sheet page'><h1>{_e(title)}</h1><p>{_e(verdict)}</p>"
        f"<p>Batch no. ________ &nbsp; who ____________ &nbsp; Write what was really done; “ok” for as planned.</p>"
        f"<h2>By the clock</h2>{_steps(steps)}{each}<h2>The cup</h2>{_batch(batch)}<h2>The castings</h2>{_molds(molds)}"
        f"<h2>Take care</h2><ul>{''.join(f'<li>{_e(c)}</li>' for c in cautions)}</ul></main>"
    )


def _e(text: object) -> str:
    return html.escape(str(text))


def _aim(value: object) -> str:
    return "" if value is None or value != value else labels.level(value)


def _settings(settings: pd.DataFrame) -> str:
    head = "".join(f"<th>{_e('casting' if c == 'casting' else labels.label(c))}</th>" for c in settings)
    rows = "".join(
        "<tr>" + "".join(f"<td>{_e(_aim(value))}</td>" for value in row) + "</tr>"
        for row in settings.itertuples(index=False)
    )
    return f"<table class='each'><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _steps(steps: pd.DataFrame) -> str:
    rows = []
    for row in steps.itertuples():
        care = f"<div class='care'>{_e(row.caution)}</div>" if row.caution else ""
        rows.append(
            f"<tr><td class='clock'>{_e(row.clock)}</td><td><strong>{_e(row.step)}.</strong> {_e(row.target)}{care}</td>"
            f"<td class='done' aria-label='tick when done'></td></tr>"
        )
    return (
        f"<table><thead><tr><th>clock</th><th>what</th><th>done</th></tr></thead><tbody>{''.join(rows)}</tbody></table>"
    )


def _batch(boxes: pd.DataFrame) -> str:
    cells = [
        f"<td><span class='box'>{_e(b.box)}</span> {_e(b.label)} <span class='aim'>{_e(_planned(b))}</span></td><td class='write'></td>"
        for b in boxes.itertuples()
    ]
    pairs = [cells[i : i + 3] for i in range(0, len(cells), 3)]
    return f"<table><tbody>{''.join('<tr>' + ''.join(pair) + '</tr>' for pair in pairs)}</tbody></table>"


def _planned(box: object) -> str:
    aim, unit = _aim(box.planned), box.unit  # type: ignore[attr-defined]
    return f"planned {aim} {unit}".strip() if aim else unit


def _molds(boxes: pd.DataFrame) -> str:
    names = list(dict.fromkeys(boxes["record"]))
    head = "".join(f"<th>{_e(name)}</th>" for name in names)
    rows = []
    for field, same in boxes.groupby("field", sort=False):
        first, own = same.iloc[0], same.set_index("record")
        alike = len({_aim(value) for value in same["planned"]}) == 1
        aims = {
            name: "" if alike else f" <span class='aim'>{_e(_aim(own.loc[name, 'planned']))}</span>" for name in names
        }
        cells = "".join(
            f"<td class='write'><span class='box'>{_e(own.loc[name, 'box'])}</span>{aims[name]}</td>" for name in names
        )
        said = _planned(first) if alike else f"planned as written {first['unit']}"
        rows.append(
            f"<tr data-field='{_e(field)}'><td>{_e(first['label'])} <span class='aim'>{_e(said)}</span></td>{cells}</tr>"
        )
    return f"<table><thead><tr><th>what</th>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"
