"""Effects with their intervals: of every factor of a fit, or of one comparison."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from castlab import labels
from castlab.analysis import words as numbers
from castlab.figures.style import FAINT, INK, QUIET, SURE, Picture, picture, ratio_axis, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from castlab.analysis import FactorFit

LOOKS: dict[str, dict[str, Any]] = {
    "clear": {"marker": "o", "mfc": SURE, "color": SURE},
    "likely": {"marker": "D", "mfc": "white", "color": SURE},
    "not shown": {"marker": "s", "mfc": "white", "color": QUIET},
}
"""How sure an effect is -> its marker; the words stand in the legend."""


def draw_fit(fit: FactorFit) -> Picture:
    """Every effect with its 95% interval against "no change", the surest on top.

    Parameters
    ----------
    fit
        The result of `fit_factors`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    rows = fit.effects.sort_values("p_value", kind="stable").reset_index(drop=True)
    names = [f"{labels.name(row.factor)}: {row.contrast}" for row in rows.itertuples()]
    return forest(rows, names, scale=fit.scale, response=fit.response, exposure=fit.exposure)


def forest(rows: pd.DataFrame, names: list[str], *, scale: str, response: str, exposure: str | None = None) -> Picture:
    """Effects with intervals on one axis, from the top down.

    Parameters
    ----------
    rows
        Table with estimate, low, high and strength ("clear", "likely" or "not shown"), one row per effect.
    names
        What each row compares.
    scale
        "ratio", "odds ratio" or "difference".
    response
        Column that the effects are on.
    exposure
        Column of what a count is out of.
    """
    with styled():
        figure = picture(8.2, 1.25 + 0.36 * len(rows))
        draw_intervals(figure.subplots(), rows, names, scale=scale, response=response, exposure=exposure)
        name_strengths(figure, rows)
    figure.alt = f"Effects on {labels.name(response)} with 95% intervals. {in_words(rows, names, scale=scale)}."
    return figure


def draw_intervals(
    axes: Axes, rows: pd.DataFrame, names: list[str], *, scale: str, response: str, exposure: str | None = None
) -> None:
    """The rows of `forest` on these axes."""
    ratio = scale != "difference"
    none = 1.0 if ratio else 0.0
    axes.axvline(none, color=INK, lw=1)
    _limits(axes, rows, ratio=ratio)
    left, right = axes.get_xlim()
    for place, row in enumerate(rows.itertuples()):
        look = LOOKS[row.strength]
        y = len(rows) - 1 - place
        if place % 2 == 0:
            axes.axhspan(y - 0.5, y + 0.5, color=FAINT, alpha=0.6, lw=0, zorder=0)
        axes.plot([max(row.low, left), min(row.high, right)], [y, y], color=look["color"], lw=2)
        axes.plot(min(max(row.estimate, left), right), y, ls="", ms=7.5, mew=1.8, **look)
        axes.annotate(
            _numbers(row, ratio=ratio), (1.015, y), xycoords=("axes fraction", "data"), va="center", fontsize=9.5
        )
    axes.set_yticks(range(len(rows) - 1, -1, -1), names)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.annotate(
        "no change", (none, 1), xycoords=("data", "axes fraction"), xytext=(0, 3), textcoords="offset points",
        ha="center", va="bottom", fontsize=9,
    )  # fmt: skip
    axes.annotate(
        "estimate (95% interval)", (1.015, 1), xycoords="axes fraction", xytext=(0, 3), textcoords="offset points",
        va="bottom", fontsize=9,
    )  # fmt: skip
    axes.set_xlabel(_axis(scale, response, exposure))


def in_words(rows: pd.DataFrame, names: list[str], *, scale: str) -> str:
    """The rows of `forest` as text."""
    unit = {"ratio": " times", "odds ratio": " times the odds", "difference": ""}[scale]
    return "; ".join(
        f"{name}, {_numbers(row, ratio=scale != 'difference')}{unit}, {row.strength}"
        for name, row in zip(names, rows.itertuples(), strict=True)
    )


def _limits(axes: Axes, rows: pd.DataFrame, *, ratio: bool) -> None:
    if ratio:
        low, high = min(0.5, float(rows["low"].min()) * 0.9), max(2.0, float(rows["high"].max()) * 1.1)
        ratio_axis(axes, max(low, 0.01), min(high, 100.0))
        return
    low, high = min(0.0, float(rows["low"].min())), max(0.0, float(rows["high"].max()))
    gap = 0.06 * ((high - low) or 1.0)
    axes.set_xlim(low - gap, high + gap)


def _numbers(row: Any, *, ratio: bool) -> str:
    said, low, high = numbers.effect(row.estimate, row.low, row.high, times=ratio)
    return f"{said} ({low} to {high})"


def _axis(scale: str, response: str, exposure: str | None) -> str:
    if scale == "ratio":
        return f"times as many {labels.name(response)}{f' {labels.per(exposure)}' if exposure else ''} (log scale)"
    if scale == "odds ratio":
        better = "a higher " if response.endswith("_grade") else ""
        return f"times the odds of {better}{labels.name(response)} (log scale)"
    return f"difference in {labels.label(response)}"


def name_strengths(figure: Picture, rows: pd.DataFrame) -> None:
    """The legend: how sure each effect is."""
    from matplotlib.lines import Line2D

    present = [name for name in LOOKS if name in set(rows["strength"])]
    handles = [Line2D([], [], lw=2, ms=7, mew=1.8, **LOOKS[name], label=name) for name in present]
    figure.legend(handles=handles, loc="outside lower right", ncols=len(handles))
