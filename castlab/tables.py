"""A table as HTML that reads well in a notebook and on a page: words to the left, numbers to the right, no more figures
than the data support."""

from __future__ import annotations

import html
import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

UNKNOWN = "–"
SHORT = 20
"""Letters of words that are kept on one line."""
_NUMBERS = re.compile(r"(?:[\d\s.,<>=()%+−–-]|e-?\d|to|unlimited|nan|over|under|about|more than|times)+")
"""Numbers, limits, ranges and what is beyond them, as text."""


def short(value: float) -> str:
    """A number as tables show it: four figures, which is more than these data support.

    Examples
    --------
    >>> [short(x) for x in (26.11111, 4.0, 0.0158732, 8.65e-07, 12345.6)]
    ['26.11', '4', '0.01587', '9e-07', '12346']
    """
    size = abs(value)
    return f"{value:.0f}" if size >= 1e4 else f"{value:.4g}" if size >= 1e-4 or size == 0 else f"{value:.0e}"


def cell(value: Any) -> str:
    """One value as text: yes and no, times to the minute, a day alone where no time is known, a dash where nothing is.

    Examples
    --------
    >>> import pandas as pd
    >>> [cell(v) for v in (True, None, 2.0, pd.Timestamp("2026-05-04 09:56:30"), "dried")]
    ['yes', '–', '2', '2026-05-04 09:56', 'dried']
    """
    import pandas as pd

    if value is None or (pd.api.types.is_scalar(value) and pd.isna(value)):
        return UNKNOWN
    if pd.api.types.is_bool(value):
        return "yes" if value else "no"
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}" if value == value.normalize() else f"{value:%Y-%m-%d %H:%M}"
    if pd.api.types.is_float(value) and math.isfinite(value):
        return short(value)
    return str(value)


def table(frame: pd.DataFrame, caption: str = "", numbers: Sequence[str] | None = None) -> str:
    """The frame as an HTML table without its index.

    Parameters
    ----------
    frame
        What to show; its column names are the headings.
    caption
        Above the table; none where empty.
    numbers
        Columns set to the right; None for those that hold numbers, and text made of numbers.
    """
    right = set(_numeric(frame) if numbers is None else numbers)
    heads, columns = [], []
    for place, name in enumerate(frame.columns):
        told = [cell(value) for value in frame.iloc[:, place]]
        # a notebook sets every cell to the right, and breaks B-018 at its hyphen, unless the cell says otherwise
        short = all(len(text) <= SHORT for text in told)
        if name in right:
            head = ' class="n"'
            parted = short and any(" " in text for text in told)  # "< 0.001" is one number
            body = head + (' style="white-space: nowrap"' if parted else "")
        else:
            head = ' style="text-align: left"'
            body = f' style="text-align: left{"; white-space: nowrap" if short else ""}"'
        heads.append(f'<th scope="col"{head}>{html.escape(str(name))}</th>')
        columns.append([f"<td{body}>{html.escape(text)}</td>" for text in told])
    rows = "".join(f"<tr>{''.join(row)}</tr>" for row in zip(*columns, strict=True))
    if not len(frame):
        rows = f'<tr><td colspan="{max(1, len(frame.columns))}" style="text-align: left">none</td></tr>'
    title = f"<caption>{html.escape(caption)}</caption>" if caption else ""
    return f"<table>{title}<thead><tr>{''.join(heads)}</tr></thead><tbody>{rows}</tbody></table>"


def framed(frame: pd.DataFrame) -> str:
    """A frame as a notebook shows it: its index first where that is more than row numbers, the middle of a large one left out.

    How much of a large one is shown is up to the options of pandas (`display.max_rows`, `display.max_columns`).

    Examples
    --------
    >>> import pandas as pd
    >>> html = framed(pd.DataFrame({"pour": ["ladle"], "bubbles": [3.25]}, index=pd.Index(["T-001.1"], name="trial_id")))
    >>> [word in html for word in (">trial_id<", ">T-001.1<", '<td class="n">3.25<')]
    [True, True, True]
    """
    import pandas as pd

    rows, columns = frame.shape
    shown = frame
    if not isinstance(frame.index, pd.RangeIndex) or frame.index.name is not None:
        named = frame.rename_axis(["" if name is None else name for name in frame.index.names])
        shown = named.reset_index(allow_duplicates=True)
    heads = [" ".join(map(str, name)).strip() if isinstance(name, tuple) else str(name) for name in shown.columns]
    shown = shown.set_axis(heads, axis=1)
    most, few = pd.get_option("display.max_rows"), (pd.get_option("display.min_rows") or 10) // 2
    long = bool(most) and rows > most
    parts = [shown.head(few), shown.tail(few)] if long else [shown]
    told = [[_typed(value) for part in parts for value in part.iloc[:, place]] for place in range(len(heads))]
    if long:
        told = [[*texts[:few], "…", *texts[few:]] for texts in told]
    wide = pd.get_option("display.max_columns")
    if wide and len(heads) > wide:
        half = wide // 2
        told = [*told[:half], ["…"] * len(told[0]), *told[-half:]]
        heads = [*heads[:half], "…", *heads[-half:]]
    text = pd.DataFrame(dict(enumerate(told)), dtype=object).set_axis(heads, axis=1)
    size = f"<p>{rows} rows, {columns} columns</p>" if long or "…" in heads else ""
    return table(text, numbers=_numeric(shown)) + size


def _typed(value: Any) -> str:
    """As `cell`, but for numbers whose form the user has set with pandas."""
    import pandas as pd

    form = pd.get_option("display.float_format")
    return str(form(value)) if form and pd.api.types.is_float(value) and math.isfinite(value) else cell(value)


def _numeric(frame: pd.DataFrame) -> list[str]:
    import pandas as pd

    found = []
    for place, name in enumerate(frame.columns):
        column = frame.iloc[:, place]
        told = [text for value in column.dropna() if (text := str(value)) not in ("", UNKNOWN)]
        typed = pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)
        if typed or (told and all(_NUMBERS.fullmatch(value) for value in told)):
            found.append(name)
    return found
