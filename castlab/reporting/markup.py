"""Pieces of a report as HTML that a notebook shows and a page prints. Text is escaped here, once."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from castlab import labels, tables
from castlab.analysis import words


class Markup(str):
    """HTML that shows itself in a notebook."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        return str(self)


def text(value: object) -> str:
    """A value as escaped text; a dash where it is not known."""
    missing = value is None or (not isinstance(value, str | list | tuple) and bool(pd.isna(value)))
    return tables.UNKNOWN if missing else html.escape(str(value))


def paragraph(value: str, kind: str = "") -> Markup:
    """A paragraph, empty for an empty text."""
    return Markup(f"<p{_kind(kind)}>{text(value)}</p>" if value else "")


def bullets(items: Iterable[str], *, ordered: bool = False) -> Markup:
    """A list; empty for no items."""
    tag = "ol" if ordered else "ul"
    inside = "".join(f"<li>{text(item)}</li>" for item in items)
    return Markup(f"<{tag}>{inside}</{tag}>" if inside else "")


def table(frame: pd.DataFrame, caption: str = "", numbers: Sequence[str] = (), name: str = "") -> Markup:
    """A table that scrolls sideways on a narrow screen; columns named in `numbers` are set to the right.

    `name` is read aloud where the table stands alone.
    """
    about = f' role="region" aria-label="{text(name)}"' if name else ""
    return Markup(f'<div class="scroll" tabindex="0"{about}>{tables.table(frame, caption, numbers)}</div>')


def to_make(runs: pd.DataFrame) -> pd.DataFrame:
    """Castings that are proposed, with their settings in words."""
    heads = {"batch": "new cup", "mold": "mold"}
    told = {heads.get(str(n), labels.label(str(n))): [labels.level(value) for value in runs[n]] for n in runs.columns}
    return pd.DataFrame(told, dtype=object)


def plain(said: str, columns: Iterable[str]) -> str:
    """A sentence of the analysis for someone who writes no programs: columns in words, no arguments to set.

    Examples
    --------
    >>> plain("rest_min was taken as a count; give kind= to choose otherwise.", ["rest_min"])
    'Rest was taken as a count.'
    """
    said = re.sub(r"[;:] [^;:.()]*\b\w+=[^;:.()]*| \(\w+=[^()]*\)", "", said)
    names = {str(name): labels.name(str(name)) for name in columns}
    known = sorted((name for name in names if names[name] != name), key=len, reverse=True)
    if known:
        # "all 8 castings passed" is a sentence, not the column of that name
        column = rf"(?<!castings )(?<!\w)(?:{'|'.join(map(re.escape, known))})(?!\w)"
        said = re.sub(rf"(^|\. )({column})", lambda found: found[1] + words.sentence(names[found[2]]), said)
        said = re.sub(column, lambda found: names[found[0]], said)
    return words.sentence(said)


def measured(value: str, column: str) -> str:
    """A value with the unit that its column names."""
    unit = labels.unit(column)
    return f"{value}{'' if unit in {'°', '%'} else ' '}{unit}".strip()


def short(value: Any) -> str:
    """A setting in few digits."""
    return f"{value:.3g}" if isinstance(value, float) else labels.level(value)


def summary(column: pd.Series) -> tuple[str, str, str, str, str]:
    """How many, middle, middle half, lowest, highest, as written in a table."""
    known = column.dropna()
    if pd.api.types.is_bool_dtype(known):
        return str(len(known)), f"{words.share(float(known.mean()))} yes", "–", "–", "–"
    if not pd.api.types.is_numeric_dtype(known):
        return str(len(known)), str(known.mode().iloc[0]), "–", "–", "–"
    low, first, middle, third, high = known.astype("float64").quantile([0, 0.25, 0.5, 0.75, 1])
    return str(len(known)), f"{middle:.3g}", f"{first:.3g} to {third:.3g}", f"{low:.3g}", f"{high:.3g}"


def _kind(kind: str) -> str:
    return f' class="{kind}"' if kind else ""
