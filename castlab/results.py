"""What every analysis hands back: a small frozen result that a person can read.

Subclasses are frozen dataclasses with tidy DataFrames beside the verdict. Pictures live in
`castlab.figures`, which registers one per result type; nothing here computes or draws.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from castlab import labels, tables

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

OF_COLUMNS = ("factor", "one", "other")
"""Columns of tables that hold names of columns, shown in words."""


@dataclass(frozen=True, kw_only=True)
class Result:
    """A verdict in plain words, the cautions that limit it, and whatever tables a subclass adds."""

    verdict: str
    cautions: tuple[str, ...] = ()

    def figure(self, **options: Any) -> Figure:
        """Draw the picture registered for this result in `castlab.figures`."""
        from castlab import figures  # late on purpose: pictures sit above results, and load matplotlib

        return figures.draw(self, **options)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Title -> table, in the order a reader wants them. Subclasses override."""
        return {}

    def _repr_html_(self) -> str:
        parts = [f"<p class='castlab-verdict'>{html.escape(self.verdict)}</p>"]
        for title, table in self.tables().items():
            named = {column: table[column].map(_named) for column in OF_COLUMNS if column in table}
            told = table.assign(**named).rename(columns=lambda column: labels.label(str(column)))
            parts.append(f"<h4>{html.escape(title)}</h4>{tables.table(told)}")
        if self.cautions:
            items = "".join(f"<li>{html.escape(c)}</li>" for c in self.cautions)
            parts.append(f"<p>What limits this:</p><ul class='castlab-cautions'>{items}</ul>")
        return "<div class='castlab-result'>" + "".join(parts) + "</div>"

    def __str__(self) -> str:
        lines = [self.verdict, *(f"- {c}" for c in self.cautions)]
        return "\n".join(lines)


def _named(value: Any) -> Any:
    return labels.names(value) if isinstance(value, str) else value
