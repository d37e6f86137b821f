"""Bubbles: what clears in time, what a pressure hold leaves, and vacuum on a filled mold."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from castlab.figures.style import FAINT, INK, QUIET, Picture, colour, marker, picture, styled, words
from castlab.figures.sweeps import WHITE, case, label, level, moment, plain_log, ranged, swept

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from castlab.bench.bubbles import Clearing, FilledMold, UnderPressure

MOST = 1e4
"""Viscosity over its least that is drawn: beyond it the mix flows no more."""
OUTCOMES = {"helps": 2, "no use": 7, "harms": 3}
"""What vacuum on the filled mold does -> place of its colour and marker."""


def draw_clearing(found: Clearing) -> Picture:
    """The smallest bubble that gets out, against what was swept: a line with its range for each further level.

    Parameters
    ----------
    found
        The result of `bubbles.clearing`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    from castlab.bench.bubbles import VISIBLE_MM

    table = found.table
    x, *others = swept(table, ("hold_min", "depth_mm", "temperature_c", "pressure_kpa"))
    with styled():
        figure = picture(7.4, 3.9)
        axes = figure.subplots()
        if others:
            for place, (value, rows) in enumerate(table.groupby(others[0])):
                ranged(axes, rows, x, ("smallest_mm", "low_mm", "high_mm"), place, label=case(others[0], float(value)))
            axes.legend(loc="lower left")
        else:
            ranged(axes, table, x, ("smallest_mm", "low_mm", "high_mm"))
        if x == "hold_min":
            plain_log(axes, "x")
            if table["gel_min"].nunique() == 1 and table["hold_min"].max() >= table["gel_min"].iloc[0]:
                moment(axes, table["gel_min"].iloc[0], "the mix gels")
        plain_log(axes)
        level(axes, VISIBLE_MM, "smaller ones hardly show", place=0.01, above=False)
        axes.set_xlabel(label(x))
        axes.set_ylabel("smallest bubble that gets out (mm)")
        axes.text(0.5, 0.97, "larger bubbles get out", transform=axes.transAxes, ha="center", va="top", fontsize=9)
    ends = table.sort_values(x).iloc[[0, -1]]
    figure.alt = "Smallest bubble that gets out: " + words(
        f"{row.smallest_mm:.2g} mm ({row.low_mm:.2g} to {row.high_mm:.2g}) at {case(x, getattr(row, x))}"
        for row in ends.drop_duplicates().itertuples()
    )
    figure.alt += f"; one line for each {label(others[0])}." if others else "."
    return figure


def draw_under_pressure(found: UnderPressure) -> Picture:
    """Size of a bubble before, at once under pressure, after the hold, and grown back if it is let off too early.

    Parameters
    ----------
    found
        The result of `bubbles.under_pressure`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    table = found.table
    x = swept(table, ("diameter_mm", "hold_kpa", "hold_min"))[0]
    rows = table.sort_values(x)
    with styled():
        figure = picture(7.4, 3.8)
        axes = figure.subplots()
        axes.plot(
            rows[x], rows["diameter_mm"], color=QUIET, lw=1.2, ls=(0, (2, 2)), marker=marker(3), ms=4.5,
            label="before the hold",
        )  # fmt: skip
        axes.plot(
            rows[x], rows["compressed_mm"], color=colour(0), lw=1.6, marker=marker(0), ms=5.5,
            label="at once under pressure",
        )  # fmt: skip
        kept = rows["kept"].eq("after gel").all()
        ranged(
            axes, rows, x, ("left_mm", "left_low_mm", "left_high_mm"), 2,
            label="left for good (range)" if kept else "after the hold (range)",
        )  # fmt: skip
        early = rows[rows["kept"] == "before gel"]
        if len(early):
            axes.plot(
                early[x], early["regrown_mm"], color=colour(3), ls="", marker=marker(6), ms=7,
                label="let off before gel: grown back",
            )  # fmt: skip
        axes.set_ylim(bottom=0)
        axes.set_xlabel(label(x))
        axes.set_ylabel("diameter of the bubble (mm)")
        axes.legend(loc="upper left")
    last = rows.iloc[-1]
    figure.alt = (
        f"Size of bubbles against {label(x)}: the largest shown, {last.diameter_mm:.2g} mm, is {last.compressed_mm:.2g} mm "
        f"at once under {last.hold_kpa:.0f} kPa and {last.left_mm:.2g} mm ({last.left_low_mm:.2g} to {last.left_high_mm:.2g}) "
        f"after {last.hold_min:g} min, let off {last.kept}."
    )
    return figure


def draw_filled_mold(found: FilledMold) -> Picture:
    """One hold under vacuum: air that leaves the pocket, and whether it still rises in time; beside it all holds.

    Parameters
    ----------
    found
        The result of `bubbles.filled_mold_vacuum`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    table, line = found.table, found.timeline
    first, thick = table.iloc[0], line["viscosity_pa_s"].iloc[-1]
    several = len(table) > 1
    with styled():
        figure = picture(9.6 if several else 6.2, 4.6)
        grid = figure.add_gridspec(2, 2 if several else 1)
        above = figure.add_subplot(grid[0, 0])
        below = figure.add_subplot(grid[1, 0], sharex=above)
        above.tick_params(labelbottom=False)
        _released(above, line)
        _viscosity(below, line)
        above.set_title(f"hold begun at {first.start_min:g} min: it {_does(first.outcome)}")
        if several:
            _holds(figure.add_subplot(grid[:, 1]), table)
    figure.alt = " ".join(
        [
            f"Vacuum on the filled mold, hold begun at {first.start_min:g} min: {line['released_pct'].iloc[-1]:.0f}% of the "
            f"held air leaves in {first.hold_min:g} min, viscosity at the start {line['viscosity_pa_s'].iloc[0]:.2g} Pa s, "
            + (f"at the end {thick:.2g} Pa s." if np.isfinite(thick) else "gelled at the end."),
            *(
                f"Begun at {row.start_min:g} min for {row.hold_min:g} min it {_does(row.outcome)}, "
                f"{row.trapped_bubbles:.0f} ({row.trapped_low:.0f} to {row.trapped_high:.0f}) bubbles stay."
                for row in table.itertuples()
            ),
        ]
    )
    return figure


def _does(outcome: str) -> str:
    return "is of no use" if outcome == "no use" else outcome


def _released(axes: Axes, line: pd.DataFrame) -> None:
    out, stays = line["gets_out"], ~line["gets_out"]
    at, share = line["release_min"], line["released_pct"]
    axes.plot(at, share, color=INK, lw=1.8)
    for chosen, place, hatch, said in ((out, 2, None, "rises out"), (stays, 3, "///", "stays in the mix")):
        if chosen.any():
            axes.fill_between(
                at, 0, share, where=chosen, facecolor=colour(place), alpha=0.3, hatch=hatch, edgecolor=colour(place), lw=0
            )  # fmt: skip
            stretch = line[chosen]
            spot, side = (
                (stretch.iloc[-1], "right") if place == 3 else (stretch.iloc[int(0.6 * len(stretch))], "center")
            )
            axes.annotate(
                said, (spot.release_min, 0.4 * spot.released_pct), xytext=(-4 if side == "right" else 0, 0),
                textcoords="offset points", ha=side, va="center", fontsize=9, bbox=WHITE,
            )  # fmt: skip
    axes.set_ylim(0, 100)
    axes.set_ylabel("held air gone (%)")


def _viscosity(axes: Axes, line: pd.DataFrame) -> None:
    """Viscosity, up to the moment where the mix stiffens."""
    flowing = line[np.isfinite(line["viscosity_pa_s"])]
    axes.plot(flowing["release_min"], flowing["viscosity_pa_s"], color=colour(4), lw=1.8)
    if len(flowing):
        least, most = flowing["viscosity_pa_s"].min(), flowing["viscosity_pa_s"].max()
        axes.set_ylim(0.7 * least, min(2 * most, MOST * least))
    plain_log(axes)
    axes.set_ylabel("viscosity (Pa s)")
    axes.set_xlabel("time under vacuum (min)")
    axes.set_xlim(line["release_min"].iloc[0], line["release_min"].iloc[-1])
    if len(flowing) < len(line):
        begin = line["release_min"].iloc[len(flowing)]
        axes.axvspan(begin, line["release_min"].iloc[-1], color=FAINT, lw=0)
        moment(axes, float(begin), "gels", left=True)


def _holds(axes: Axes, table: pd.DataFrame) -> None:
    x = swept(table, ("start_min", "hold_min", "vacuum_kpa"))[0]
    for outcome, place in OUTCOMES.items():
        rows = table[table["outcome"] == outcome]
        if len(rows):
            axes.vlines(rows[x], rows["trapped_low"], rows["trapped_high"], color=colour(place), lw=5, alpha=0.35)
            axes.plot(
                rows[x], rows["trapped_bubbles"], ls="", marker=marker(place), ms=8, color=colour(place), mec="white",
                label=_does(outcome),
            )  # fmt: skip
    last = table["gel_min"].max() if x == "start_min" else table[x].max()
    low, high = float(table[x].min()), float(max(last, table[x].max()))
    axes.set_xlim(low - 0.08 * (high - low) - 0.5, high + 0.08 * (high - low) + 0.5)
    top = max(float(table["trapped_high"].max()), 1.0)
    axes.set_ylim(-0.06 * top, 1.22 * top)
    if x == "start_min":
        moment(axes, float(table["gel_min"].iloc[0]), "gels", left=True)
    axes.set_xlabel(label(x))
    axes.set_ylabel("bubbles that stay (count, bar: range)")
    axes.set_title("each hold")
    axes.legend(loc="upper left")
