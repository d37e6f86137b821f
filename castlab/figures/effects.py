"""Effects with their intervals: of every factor of a fit, or of one comparison."""

from __future__ import annotations

import textwrap
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pandas as pd

from castlab import labels
from castlab.analysis import verdicts
from castlab.analysis import words as numbers
from castlab.figures.style import FAINT, INK, QUIET, SURE, Picture, footnote, picture, ratio_axis, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from castlab.analysis import FactorFit

LOOKS: dict[str, dict[str, Any]] = {
    "clear": {"marker": "o", "mfc": SURE, "color": SURE},
    "likely": {"marker": "D", "mfc": "white", "color": SURE},
    "not shown": {"marker": "s", "mfc": "white", "color": QUIET},
}
"""How sure an effect is -> its marker; the words stand in the legend."""
WIDEST = 44
"""Letters of a row's name on one line."""
ROW, LINE = 0.36, 0.16
"""Inches of a row with a name of one line, and of each further line."""
_TOGETHER = {
    False: 'Rows of two settings, "A, with B": how many times its size otherwise the effect of A has with B; at 1 they do not '
    "act together.",
    True: 'Rows of two settings, "A, with B": by how much the effect of A is another one with B; at 0 they do not act together.',
}
"""Of ratios, and of differences."""
_LEAST, _MOST = 0.001, 1000.0
"""Ratios beyond these are told as "less than" and "more than"."""


def draw_fit(fit: FactorFit) -> Picture:
    """Every effect with its 95% interval against "no change", the surest on top, settings before how they act together; of a
    fit in two parts both.

    Parameters
    ----------
    fit
        The result of `fit_factors`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    if fit.any_at_all is None:
        rows = _surest_first(fit)
        return forest(rows, _names(rows), scale=fit.scale, response=fit.response, kind=fit.kind, exposure=fit.exposure)
    what = labels.name(fit.response)
    parts = {f"chance of any {what}": fit.any_at_all, f"number of {what} where there are any": fit}
    tables = [_surest_first(part) for part in parts.values()]
    names = [_names(rows) for rows in tables]
    heights = [_height(each) for each in names]
    with styled():
        figure = picture(_width([name for each in names for name in each]), 2.1 + sum(heights))
        figure.set_layout_engine("constrained", h_pad=0.14)
        panels = figure.subplots(2, 1, height_ratios=heights)
        for axes, (title, part), rows, each in zip(panels, parts.items(), tables, names, strict=True):
            draw_intervals(
                axes, rows, each, scale=part.scale, response=part.response, kind=part.kind, exposure=part.exposure
            )
            axes.set_title(title, pad=18)
        name_strengths(figure, pd.concat(tables))
    said = [
        f"{numbers.sentence(title)}: {in_words(rows, each, scale=part.scale)}."
        for (title, part), rows, each in zip(parts.items(), tables, names, strict=True)
    ]
    figure.alt = f"Effects on {what} with 95% intervals, in two parts. {' '.join(said)}"
    return figure


def forest(
    rows: pd.DataFrame, names: list[str], *, scale: str, response: str, kind: str, exposure: str | None = None
) -> Picture:
    """Effects with intervals on one axis, from the top down.

    Parameters
    ----------
    rows
        Table with estimate, low, high and strength ("clear", "likely" or "not shown"), one row per effect; with a column
        factor, effects of two settings are explained below.
    names
        What each row compares.
    scale
        "ratio", "odds ratio" or "difference".
    response, kind
        Column that the effects are on, and what kind of response it is.
    exposure
        Column of what a count is out of.
    """
    with styled():
        together = "factor" in rows and rows["factor"].str.contains(" x ").any()
        figure = picture(_width(names), 1.25 + _height(names) + (0.45 if together else 0))
        draw_intervals(figure.subplots(), rows, names, scale=scale, response=response, kind=kind, exposure=exposure)
        name_strengths(figure, rows)
        if together:
            footnote(figure, _TOGETHER[scale == "difference"], share=0.6)  # beside the legend
    figure.alt = f"Effects on {labels.name(response)} with 95% intervals. {in_words(rows, names, scale=scale)}."
    return figure


def draw_intervals(
    axes: Axes,
    rows: pd.DataFrame,
    names: list[str],
    *,
    scale: str,
    response: str,
    kind: str,
    exposure: str | None = None,
    widest: int = WIDEST,
) -> None:
    """The rows of `forest` on these axes, names in lines of at most so many letters; what lies beyond them has an arrow."""
    ratio = scale != "difference"
    none = 1.0 if ratio else 0.0
    axes.axvline(none, color=INK, lw=1)
    _limits(axes, rows, ratio=ratio)
    told = [textwrap.wrap(name, widest) for name in names]
    edges = [0.0]
    for lines in told:
        edges.append(edges[-1] - 1 - LINE / ROW * (len(lines) - 1))
    middles = [(above + below) / 2 for above, below in pairwise(edges)]
    for place, (row, y) in enumerate(zip(rows.itertuples(), middles, strict=True)):
        if place % 2 == 0:
            axes.axhspan(edges[place + 1], edges[place], color=FAINT, alpha=0.6, lw=0, zorder=0)
        _interval(axes, row, y, ratio=ratio)
        axes.annotate(
            _numbers(row, ratio=ratio), (1.015, y), xycoords=("axes fraction", "data"), va="center", fontsize=9.5
        )
    axes.set_yticks(middles, ["\n".join(lines) for lines in told])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_ylim(edges[-1] - 0.1, 0.1)
    across = axes.transAxes.inverted().transform(axes.transData.transform((none, 0)))[0]
    axes.annotate(
        "no change", (none, 1), xycoords=("data", "axes fraction"), xytext=(0, 3), textcoords="offset points",
        ha="right" if across > 0.75 else "center", va="bottom", fontsize=9,
    )  # fmt: skip
    axes.annotate(
        "estimate (95% interval)", (1.015, 1), xycoords="axes fraction", xytext=(0, 3), textcoords="offset points",
        va="bottom", fontsize=9,
    )  # fmt: skip
    axes.set_xlabel(_axis(scale, response, kind, exposure))


def _interval(axes: Axes, row: Any, y: float, *, ratio: bool) -> None:
    """One effect: its line as far as the axis goes, with an arrow where it goes on, its marker, or its number at the edge."""
    look = LOOKS[row.strength]
    left, right = axes.get_xlim()
    axes.plot([min(max(row.low, left), right), max(min(row.high, right), left)], [y, y], color=look["color"], lw=2)
    for edge, head, beyond in ((0.012, "<", row.low < left), (0.988, ">", row.high > right)):
        if beyond:
            axes.plot(edge, y, ls="", marker=head, ms=7, color=look["color"], transform=axes.get_yaxis_transform())
    if left <= row.estimate <= right:
        axes.plot(row.estimate, y, ls="", ms=7.5, mew=1.8, **look)
        return
    below = row.estimate < left
    axes.annotate(
        _numbers(row, ratio=ratio).partition(" (")[0], (left if below else right, y), (16 if below else -16, 0),
        textcoords="offset points", ha="left" if below else "right", va="center", fontsize=8.5,
    )  # fmt: skip


def in_words(rows: pd.DataFrame, names: list[str], *, scale: str) -> str:
    """The rows of `forest` as text."""
    unit = {"ratio": " times", "odds ratio": " times the odds", "difference": ""}[scale]
    return "; ".join(
        f"{name}, {_numbers(row, ratio=scale != 'difference')}{unit}, {row.strength}"
        for name, row in zip(names, rows.itertuples(), strict=True)
    )


def _surest_first(fit: FactorFit) -> pd.DataFrame:
    """The settings, then how they act together, each the surest first."""
    rows = fit.effects.assign(together=fit.effects["factor"].str.contains(" x "))
    return rows.sort_values(["together", "p_value"], kind="stable").reset_index(drop=True)


def _names(rows: pd.DataFrame) -> list[str]:
    """What each effect compares; an interaction's contrast names its factors itself."""
    return [
        row.contrast if " x " in row.factor else f"{labels.name(row.factor)}: {row.contrast}"
        for row in rows.itertuples()
    ]


def _width(names: list[str]) -> float:
    """Inches of a picture that has room for its names and numbers."""
    return max(8.2, 6.0 + 0.075 * min(WIDEST, max(map(len, names))))


def _height(names: list[str]) -> float:
    """Inches of the rows."""
    return sum(ROW + LINE * (len(textwrap.wrap(name, WIDEST)) - 1) for name in names)


def _limits(axes: Axes, rows: pd.DataFrame, *, ratio: bool) -> None:
    """Wide enough for all estimates that can be told; of ratios not for every end of an interval."""
    if ratio:
        low = max(float(rows["low"].min()) * 0.9, min(0.01, float(rows["estimate"].min()) / 3), _LEAST)
        high = min(float(rows["high"].max()) * 1.1, max(100.0, float(rows["estimate"].max()) * 3), _MOST)
        ratio_axis(axes, min(0.5, low), max(2.0, high))
        return
    low, high = min(0.0, float(rows["low"].min())), max(0.0, float(rows["high"].max()))
    gap = 0.06 * ((high - low) or 1.0)
    axes.set_xlim(low - gap, high + gap)


def _numbers(row: Any, *, ratio: bool) -> str:
    said, low, high = numbers.effect(row.estimate, row.low, row.high, times=ratio)
    return f"{said} ({low} to {high})"


def _axis(scale: str, response: str, kind: str, exposure: str | None) -> str:
    if scale == "ratio":
        return f"times as many {labels.name(response)}{f' {labels.per(exposure)}' if exposure else ''} (log scale)"
    if scale == "odds ratio":
        return f"times the odds {verdicts.odds_of(response, kind)} (log scale)"
    return f"difference in {labels.label(response)}"


def name_strengths(figure: Picture, rows: pd.DataFrame) -> None:
    """The legend: how sure each effect is."""
    from matplotlib.lines import Line2D

    present = [name for name in LOOKS if name in set(rows["strength"])]
    handles = [Line2D([], [], lw=2, ms=7, mew=1.8, **LOOKS[name], label=name) for name in present]
    figure.legend(handles=handles, loc="outside lower right", ncols=len(handles))
