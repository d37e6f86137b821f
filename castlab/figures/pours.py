"""Before the pour: silicone for the mold, and the mix in its cups against ratio, heat and pot life."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from castlab.analysis import words as numbers
from castlab.figures.style import FAINT, INK, Picture, colour, picture, styled, words
from castlab.figures.sweeps import WHITE, case, swept

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from castlab.bench.mixing import MixPlan
    from castlab.bench.solids import MoldPlan


def draw_mold(plan: MoldPlan) -> Picture:
    """Silicone of a block mold and of a fitted one, for each wall.

    Parameters
    ----------
    plan
        The result of `solids.mold_plan`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    table = plan.molds
    at = np.arange(len(table))
    with styled():
        figure = picture(max(5.0, 2.6 + 1.25 * len(table)), 3.5)
        axes = figure.subplots()
        for column, shift, place, hatch, said in (
            ("block_ml", -0.2, 0, None, "block"),
            ("fitted_ml", 0.2, 1, "///", "fitted, in a rigid jacket"),
        ):
            axes.bar(
                at + shift, table[column], 0.36, facecolor=colour(place), alpha=0.75, hatch=hatch, edgecolor="white", lw=0,
                label=said,
            )  # fmt: skip
            for x, ml in zip(at + shift, table[column], strict=True):
                axes.annotate(
                    f"{ml:.0f}", (x, 0), xytext=(0, 6), textcoords="offset points", ha="center", va="bottom", fontsize=9,
                    bbox=WHITE,
                )  # fmt: skip
        axes.axhline(
            plan.master_ml,
            color=INK,
            lw=1.1,
            ls=(0, (5, 3)),
            zorder=2,
            label=f"the master itself, {plan.master_ml:.0f} ml",
        )
        axes.set_xticks(at, [f"{wall:g}" for wall in table["wall_mm"]])
        axes.tick_params(axis="x", length=0)
        axes.set_xlabel("wall of silicone (mm)")
        axes.set_ylabel("silicone (ml)")
        figure.legend(loc="outside upper left", ncols=3)
    figure.alt = "Silicone for a mold: " + words(
        f"{row.block_ml:.0f} ml as a block and {row.fitted_ml:.0f} ml fitted with a wall of {row.wall_mm:g} mm"
        for row in table.itertuples()
    )
    figure.alt += f"; the master displaces {plan.master_ml:.0f} ml."
    return figure


def draw_mix(plan: MixPlan) -> Picture:
    """What may go wrong with the mix: the ratio against its tolerance, and the work against the pot life.

    Parameters
    ----------
    plan
        The result of `plan_mix`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    cups, weigh = plan.cups, plan.weigh
    ways = swept(cups, ("volume_ml", "molds", "waste_pct"))[:1] if len(cups) > 1 else []
    names = [" ".join(case(way, float(row[way])) for way in ways) if ways else "this mix" for _, row in cups.iterrows()]
    parts = len(weigh) // len(cups)
    at = np.arange(len(cups))
    with styled():
        figure = picture(9.0, 1.7 + 0.42 * len(cups))
        left, right = figure.subplots(1, 2, sharey=True)
        if parts > 1:
            _ratio(left, at, weigh.iloc[1::parts], float(cups["tolerance_pct"].iloc[0]))
        left.set_title("ratio")
        _time(right, at, cups)
        left.set_yticks(at, names)
        left.set_ylim(len(cups) - 0.4, -0.6)
        for axes in (left, right):
            axes.tick_params(axis="y", length=0)
    figure.alt = "The mix against its limits: " + words(
        f"{name} in {numbers.count(row.cups, 'cup')} of {row.cup_g:.0f} g, ratio off by up to {row.ratio_worst_pct:.2g}% "
        f"of {row.tolerance_pct:g}% tolerated, {row.working_min:.0f} min of work in a pot life of {row.pot_life_min:.0f} min"
        for name, row in zip(names, cups.itertuples(), strict=True)
    )
    figure.alt += "."
    return figure


def _ratio(axes: Axes, at: np.ndarray, second: pd.DataFrame, tolerance: float) -> None:
    axes.axvspan(-tolerance, tolerance, color=FAINT, lw=0, zorder=0)
    axes.hlines(at, second["worst_low_pct"], second["worst_high_pct"], color=INK, lw=6, alpha=0.85)
    axes.axvline(0, color=INK, lw=0.8)
    axes.annotate(
        "tolerated", (-tolerance, 0.02), xycoords=axes.get_xaxis_transform(), xytext=(3, 0),
        textcoords="offset points", va="bottom", fontsize=9,
    )  # fmt: skip
    widest = max(tolerance, float(second[["worst_low_pct", "worst_high_pct"]].abs().max(axis=None)))
    axes.set_xlim(-1.15 * widest, 1.15 * widest)
    axes.set_xlabel(f"{second['part'].iloc[0]} off by, as the scale shows it (%)")


def _time(axes: Axes, at: np.ndarray, cups: pd.DataFrame) -> None:
    axes.barh(at, cups["working_min"], 0.42, facecolor=colour(0), alpha=0.75)
    axes.plot(
        cups["pot_life_min"], at, ls="", marker="|", ms=22, mew=3, color=colour(3), zorder=4,
    )  # fmt: skip
    for y, row in zip(at, cups.itertuples(), strict=True):
        axes.annotate(
            f"pot life {row.pot_life_min:.0f} min", (row.pot_life_min, y), xytext=(-5, 0), textcoords="offset points",
            ha="right", va="center", fontsize=9,
        )  # fmt: skip
        axes.annotate(
            numbers.count(row.cups, "cup"), (0, y), xytext=(4, 0), textcoords="offset points",
            va="center", fontsize=9, color="white", weight="bold",
        )  # fmt: skip
    axes.set_xlim(0, 1.08 * max(cups["pot_life_min"].max(), cups["working_min"].max()))
    axes.set_xlabel("bar: work until the last mold is filled (min)")
    axes.set_title("time")
