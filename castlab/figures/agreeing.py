"""Scorers side by side: who said what of which casting, where the variance comes from, and readings then and now."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from castlab import labels
from castlab.errors import InputError
from castlab.figures.style import COLOURS, INK, QUIET, SURE, Picture, colour, marker, picture, styled

if TYPE_CHECKING:
    from castlab.scoring.agreeing import Agreement
    from castlab.scoring.drift import ScorerDrift
    from castlab.scoring.gauge import GaugeStudy
    from castlab.scoring.rescoring import Rescoring


def draw_agreement(result: Agreement) -> Picture:
    """Every reading, castings ordered by their mean, one marker per scorer, a line over the readings of one casting."""
    from castlab.scoring.agreeing import told

    table = result.ratings.loc[result.ratings.mean(axis=1).sort_values(kind="stable").index]
    with styled():
        width = max(6.4, min(11.0, 2.5 + 0.28 * len(table)))
        figure = picture(width, 4.1)
        axes = figure.subplots()
        place = np.arange(len(table))
        axes.vlines(place, table.min(axis=1), table.max(axis=1), color=QUIET, linewidth=1, zorder=1)
        shifts = _side_by_side(table.shape[1], len(table), width)
        for j, who in enumerate(table.columns):
            axes.plot(place + shifts[j], table[who], _mark(j), color=colour(j), markersize=6, label=str(who))
        _name_castings(axes, table.index, width - 1)
        axes.set_ylabel(labels.label(result.value))
        if result.levels:
            axes.set_yticks(range(len(result.levels)), result.levels)
        elif (table.stack().dropna() % 1 == 0).all():
            axes.yaxis.set_major_locator(MaxNLocator(integer=True))
        _name_scorers(figure, axes, width)
    figure.alt = (
        f"Readings of {len(table)} castings by {table.shape[1]} scorers, castings in the order of their mean. "
        f"Alpha {told(result.alpha)}, "
        + (
            "no interval can be told."
            if math.isnan(result.low)
            else f"95% interval {told(result.low)} to {told(result.high)}."
        )
    )
    return figure


def draw_gauge(result: GaugeStudy) -> Picture:
    """Shares of the variance with their intervals, beside the readings of each casting by each scorer."""
    words = {
        "part": "the casting",
        "part by appraiser": "who scores which casting",
        "reproducibility": "who scores",
        "repeatability": "the same scorer again",
    }
    shown = (
        result.shares.dropna(subset=["share"])
        .set_index("source")
        .reindex(list(words))
        .dropna(subset=["share"])
        .reset_index()
    )
    with styled():
        figure = picture(10.4, 3.9)
        left, right = figure.subplots(1, 2, width_ratios=[1, 1.35])
        place = np.arange(len(shown))
        left.hlines(place, 100 * shown["low"], 100 * shown["high"], color=INK, linewidth=1.6)
        left.plot(100 * shown["share"], place, "o", color=INK, markersize=7)
        left.set_yticks(place, [words[s] for s in shown["source"]])
        left.set_ylim(-0.6, len(shown) - 0.4)
        left.invert_yaxis()
        left.set_xlim(-2, 102)
        left.set_xlabel("share of the variance (%), with 95% interval")
        left.set_title("Where the variance comes from")
        means = result.data.groupby("casting", observed=True)[result.value].mean().sort_values(kind="stable")
        at = {casting: i for i, casting in enumerate(means.index)}
        people = list(dict.fromkeys(result.data["scorer"]))
        shifts = _side_by_side(len(people), len(means), 5.0)
        for j, who in enumerate(people):
            rows = result.data[result.data["scorer"] == who]
            right.plot(
                [at[c] + shifts[j] for c in rows["casting"]], rows[result.value], _mark(j), color=colour(j),
                markersize=5, alpha=0.85, label=str(who),
            )  # fmt: skip
        _name_castings(right, means.index, 4.4)
        right.set_ylabel(labels.label(result.value))
        right.set_title("Every reading")
        _name_scorers(figure, right, 5.4, right=True)
    said = "; ".join(
        f"{words[r.source]} {100 * r.share:.0f}% "
        + ("(no interval)" if math.isnan(r.low) else f"({100 * r.low:.0f} to {100 * r.high:.0f}%)")
        for r in shown.itertuples()
    )
    figure.alt = (
        f"Where the variance of {labels.name(result.value)} comes from: {said}. Beside it every reading by casting."
    )
    return figure


def draw_drift(result: ScorerDrift) -> Picture:
    """Second reading against the first for each casting, the line of no change, one marker per scorer, whole numbers side by side."""
    with styled():
        figure = picture(5.4, 5.0)
        axes = figure.subplots()
        low = float(result.data[["first", "again"]].min().min())
        high = float(result.data[["first", "again"]].max().max())
        edge = 0.06 * (high - low or 1)
        axes.plot([low - edge, high + edge], [low - edge, high + edge], color=QUIET, linewidth=1, zorder=1)
        axes.annotate(
            "no change", (high + edge, high + edge), xytext=(4, 0), textcoords="offset points", va="center", color=INK,
            fontsize=9,
        )  # fmt: skip
        people = list(dict.fromkeys(result.data["scorer"]))
        whole = bool((result.data[["first", "again"]] % 1 == 0).all(axis=None))
        shifts = _side_by_side(len(people), high - low + 1, 3.6, apart=0.16) if whole else np.zeros(len(people))
        for j, who in enumerate(people):
            rows = result.data[result.data["scorer"] == who]
            alike = rows.groupby(["first", "again"]).size()
            for (first, again), number in alike[alike > 1].items():
                spot = (first + shifts[j], again)
                below = -12 if j % 2 == 0 else 6
                axes.annotate(
                    f"×{number}", spot, xytext=(0, below), textcoords="offset points", ha="center", fontsize=7.5
                )
            axes.plot(rows["first"] + shifts[j], rows["again"], _mark(j), color=colour(j), markersize=6, label=str(who))
        axes.set_aspect("equal")
        if whole:
            for axis in (axes.xaxis, axes.yaxis):
                axis.set_major_locator(MaxNLocator(nbins=8, integer=True))
        axes.set_xlabel(f"first reading: {labels.label(result.value)}")
        axes.set_ylabel("reading now")
        _name_scorers(figure, axes, 5.4)
    figure.alt = f"Second readings against the first, ×2 where two are alike. {result.verdict}"
    return figure


def draw_plan(result: Rescoring) -> Picture:
    """How well a blind session of so many castings would know the agreement, and where this one stands."""
    if not len(result.precision):
        raise InputError(
            "one reading of each casting shows no agreement, so there is nothing to draw; plan a second reading"
        )
    with styled():
        figure = picture(6.4, 3.6)
        axes = figure.subplots()
        axes.plot(result.precision["castings"], result.precision["half_width"], color=INK, linewidth=1.6)
        here = result.key.shape[0]
        axes.plot([here], [result.half_width], "o", color=SURE, markersize=8)
        axes.annotate(
            f"this session: {here} castings, ± {result.half_width:.2g}", (here, result.half_width), xytext=(8, 8),
            textcoords="offset points", color=INK, fontsize=9.5,
        )  # fmt: skip
        axes.set_xlim(0, result.precision["castings"].max() + 1)
        axes.set_ylim(0, min(1.0, result.precision["half_width"].max()))
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_xlabel("castings in the session")
        axes.set_ylabel("half of the 95% interval")
        axes.set_title(f"How well the agreement will be known, if it is about {result.expected:.2g}")
    figure.alt = (
        f"Half of the 95% interval of the agreement, falling as more castings are read. This session: {here} castings, "
        f"plus or minus {result.half_width:.2g} at an agreement of {result.expected:.2g}."
    )
    return figure


def _mark(place: int) -> str:
    """Marker of the nth scorer; shifted against the colours after each round of them, so that no two scorers look alike."""
    return marker(place + place // len(COLOURS))


def _side_by_side(scorers: int, places: float, width: float, apart: float = 0.09) -> np.ndarray:
    """How far each scorer's markers stand from their place, of which there are so many in so many inches."""
    step = min(apart * places / width, 0.6 / scorers)
    return step * (np.arange(scorers) - (scorers - 1) / 2)


def _name_castings(axes: Axes, names: Iterable[object], width: float) -> None:
    """A name under each place, in smaller letters where there are many, under every second or third where too many."""
    shown = [str(name) for name in names]
    every = math.ceil(len(shown) * 7 / (72 * width))
    size = min(9.5, 0.75 * 72 * width * every / len(shown))
    axes.set_xticks(range(0, len(shown), every), shown[::every], rotation=90 if len(shown) > 6 else 0, fontsize=size)
    axes.set_xlabel("casting, from the lowest mean reading to the highest")


def _name_scorers(figure: Picture, axes: Axes, width: float, right: bool = False) -> None:
    """A legend above the axes, at most so many inches wide."""
    handles, names = axes.get_legend_handles_labels()
    across = max(1, int(11 * width / (6 + max(len(name) for name in names))))
    figure.legend(
        handles,
        names,
        title="scorer",
        ncols=min(across, len(names)),
        loc="outside upper right" if right else "outside upper left",
        alignment="left",
    )
