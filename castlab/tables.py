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
_NUMBERS = re.compile(r"(?:[\d\s.,<>=()%+−–-]|e-?\d|to|unlimited|nan)+")
"""Numbers, limits and ranges as text."""


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
    """One value as text: yes and no, times to the minute, a dash where it is not known.

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
        return f"{value:%Y-%m-%d %H:%M}"
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
        one_line = "; white-space: nowrap" if all(len(text) <= SHORT for text in told) else ""
        head, body = (
            (' class="n"', ' class="n"')
            if name in right
            else (' style="text-align: left"', f' style="text-align: left{one_line}"')
        )
        heads.append(f'<th scope="col"{head}>{html.escape(str(name))}</th>')
        columns.append([f"<td{body}>{html.escape(text)}</td>" for text in told])
    rows = "".join(f"<tr>{''.join(row)}</tr>" for row in zip(*columns, strict=True))
    title = f"<caption>{html.escape(caption)}</caption>" if caption else ""
    return f"<table>{title}<thead><tr>{''.join(heads)}</tr></thead><tbody>{rows}</tbody></table>"


def _numeric(frame: pd.DataFrame) -> list[str]:
    import pandas as pd

    found = []
    for place, name in enumerate(frame.columns):
        column = frame.iloc[:, place]
        told = [str(value) for value in column.dropna() if value not in ("", UNKNOWN)]
        typed = pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)
        if typed or (told and all(_NUMBERS.fullmatch(value) for value in told)):
            found.append(name)
    return found
