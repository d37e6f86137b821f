"""How a record shows itself in a notebook: its id, what is filled in, and any cautions."""

from __future__ import annotations

import html

from castlab.records.models import ENVELOPE, Record


def card(record: Record) -> str:
    """HTML of one record: only the fields that are known."""
    rows = []
    for name in type(record).model_fields:
        value = getattr(record, name)
        if value is None or value == {} or name in ENVELOPE:
            continue
        shown = ", ".join(f"{k} = {_text(v)}" for k, v in value.items()) if isinstance(value, dict) else _text(value)
        rows.append(f"<tr><th scope='row' style='text-align:left'>{name}</th><td>{html.escape(shown)}</td></tr>")
    title = f"{type(record).__name__} {record.id}" if record.id else f"{type(record).__name__}, not saved yet"
    saved = f" (version {record.version}, {record.logged_by})" if record.id else ""
    warn = "".join(f"<li>{html.escape(c)}</li>" for c in record.cautions)
    return (
        f"<div class='castlab-record'><strong>{html.escape(title + saved)}</strong><table>{''.join(rows)}</table>"
        + (f"<p>Kept, but look again:</p><ul>{warn}</ul>" if warn else "")
        + "</div>"
    )


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)
