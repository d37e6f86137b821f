"""The checks of a fit on one page of small pictures, each headed by its question."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.figures.effects import WIDEST, draw_intervals
from castlab.figures.style import FAINT, INK, QUIET, Picture, colour, picture, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import SubFigure

    from castlab.analysis.checking.checks import Checks

NAMED = 3
MOST_GROUPS = 24
MOST_BENDS = 2
LETTERS = 50
"""Letters of a heading on one line, which is half the page."""


def draw_checks(result: Checks) -> Picture:
    """One page: a small picture for each question that can be seen, its finding in the heading.

    Parameters
    ----------
    result
        What `FactorFit.checks()` gave.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    rows = result.castings
    found = result.table.set_index("check")["finding"]
    panels: list[tuple[str, str, Any]] = [
        ("Is any casting odd?", "odd castings", _odd),
        ("Is the scatter shaped as assumed?", "shape of the scatter", _shape),
        ("Does one casting carry a verdict?", "one casting", _weight),
        ("Did it drift?", "time trend", _drift),
    ]
    if rows["batch"].notna().any():
        panels.append(("Do batches differ beyond the settings?", "batches", lambda a, r: _groups(a, r, "batch")))
    if rows["mold"].notna().any():
        panels.append(("Do molds differ beyond the settings?", "molds", lambda a, r: _groups(a, r, "mold")))
    for name in list(result.settings)[:MOST_BENDS]:
        panels.append(
            (
                f"Is a straight line enough for {labels.name(name)}?",
                "straight lines",
                lambda a, r, n=name: _bend(a, r, n),
            )
        )
    height = -(-len(panels) // 2)
    resting = len(result.carried) > 0
    with styled():
        extra = 0.9 + 0.32 * min(len(result.carried), 8)
        figure = picture(9.4, 2.45 * height + (extra if resting else 0))
        above: Any = figure
        if resting:
            halves: Any = figure.subfigures(2, 1, height_ratios=[2.45 * height, extra])
            above = halves[0]
            _resting(halves[1], result)
        axes = np.atleast_1d(above.subplots(height, 2)).ravel()
        for panel, (question, check, draw) in zip(axes, panels, strict=False):
            draw(panel, result)
            panel.set_title(textwrap.fill(f"{question} ({found[check]})", LETTERS), fontsize=9.5)
            panel.tick_params(labelsize=8.5)
            panel.xaxis.label.set_size(8.5)
            panel.yaxis.label.set_size(8.5)
        for panel in axes[len(panels) :]:
            panel.set_axis_off()
    figure.alt = f"Checks of a fit of {labels.name(result.response)} in {len(panels)} small pictures. " + "; ".join(
        f"{row.check}: {row.finding}" for row in result.table.itertuples()
    )
    return figure


def _odd(axes: Axes, result: Checks) -> None:
    rows = result.castings
    _dots(axes, rows["expected"], rows["residual"], rows["odd"])
    axes.set_xlabel(f"expected {labels.name(result.response)}")
    axes.set_ylabel("residual (SD)")
    furthest = rows["residual"].abs().sort_values(ascending=False).index
    _name(axes, rows, furthest[: max(1, min(NAMED, int(rows["odd"].sum())))], "expected", "residual")


def _shape(axes: Axes, result: Checks) -> None:
    rows = result.castings
    end = 1.1 * float(rows["normal"].abs().max())
    axes.plot([-end, end], [-end, end], color=INK, lw=1, zorder=1)
    _dots(axes, rows["normal"], rows["residual"], rows["odd"], line=False)
    axes.set_xlabel("where normal residuals would lie")
    axes.set_ylabel("residual (SD)")


def _weight(axes: Axes, result: Checks) -> None:
    rows = result.castings
    at = np.arange(len(rows))
    axes.vlines(at, 0, rows["cook"], color=colour(0), lw=1.6)
    axes.set_xlabel("casting, by row")
    axes.set_ylabel("Cook's distance")
    axes.set_ylim(0, 1.22 * float(rows["cook"].max()) or 1)
    rests = result.carried.loc[result.carried["what"] == "casting", "without"]
    top = [*rows["cook"].nlargest(1).index, *rows.index[rows["casting"].isin(set(rests))]]
    for k in dict.fromkeys(top[:NAMED]):
        axes.annotate(
            str(rows["casting"][k]), (k, rows["cook"][k]), (0, 3), textcoords="offset points", ha="center", fontsize=8.5
        )


def _drift(axes: Axes, result: Checks) -> None:
    rows = result.castings
    _dots(axes, rows["order"], rows["plain"], rows["odd"])
    axes.set_xticks([0, 1], ["first made", "last made"])
    axes.set_ylabel("beyond the settings (SD)")


def _bend(axes: Axes, result: Checks, name: str) -> None:
    rows, values = result.castings, result.settings[name]
    _dots(axes, values, rows["plain"], rows["odd"])
    means = rows["plain"].groupby(values.to_numpy()).mean()
    if len(means) <= 8:
        axes.plot(means.index, means.to_numpy(), color=INK, lw=1.2, marker="_", ms=14, mew=1.6, zorder=4)
    axes.set_xlabel(labels.label(name))
    axes.set_ylabel("beyond the line (SD)")


def _groups(axes: Axes, result: Checks, what: str) -> None:
    rows = result.castings
    names = list(pd.unique(rows[what].astype(str)))
    at = rows[what].astype(str).map(names.index)
    _dots(axes, at, rows["plain"], rows["odd"])
    means = rows["plain"].groupby(at.to_numpy()).mean()
    axes.plot(means.index, means.to_numpy(), color=INK, ls="", marker="_", ms=14, mew=1.6, zorder=4)
    step = max(1, -(-len(names) // MOST_GROUPS))
    axes.set_xticks(range(0, len(names), step), names[::step], rotation=60 if len(names) > 6 else 0, fontsize=7.5)
    axes.set_ylabel("beyond the settings (SD)")


def _resting(part: SubFigure, result: Checks) -> None:
    """The effects that read differently without one casting or batch, with what they would be."""
    axes = part.subplots()
    kept = result.carried.dropna(subset=["estimate"]).head(8).reset_index(drop=True)
    if kept.empty:
        axes.set_axis_off()
        return
    names = [f"{labels.name(row.factor)}: {row.contrast}, without {row.without}" for row in kept.itertuples()]
    rows = kept.assign(strength=kept["after"])
    draw_intervals(axes, rows, names, scale=result.scale, response=result.response, kind=result.kind, widest=2 * WIDEST)
    part.suptitle("What would read differently without one casting or batch?", fontsize=9.5, weight="bold")


def _dots(axes: Axes, x: pd.Series, y: pd.Series, odd: pd.Series, line: bool = True) -> None:
    if line:
        axes.axhspan(-2, 2, color=FAINT, lw=0, zorder=0)
        axes.axhline(0, color=QUIET, lw=1, zorder=1)
    far = odd.to_numpy(dtype=bool)
    axes.plot(x[~far], y[~far], ls="", marker="o", ms=4.5, mfc=colour(0), mec="white", mew=0.5, zorder=3)
    axes.plot(x[far], y[far], ls="", marker="s", ms=6.5, mfc=colour(1), mec=INK, mew=0.9, zorder=5)


def _name(axes: Axes, rows: pd.DataFrame, which: pd.Index, x: str, y: str) -> None:
    middle = (rows[x].min() + rows[x].max()) / 2
    for k in which:
        left = rows[x][k] > middle
        axes.annotate(
            str(rows["casting"][k]), (rows[x][k], rows[y][k]), (-6 if left else 6, 0), textcoords="offset points",
            ha="right" if left else "left", va="center", fontsize=8.5,
        )  # fmt: skip
