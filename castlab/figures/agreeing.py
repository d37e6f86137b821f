"""Scorers side by side: who said what of which casting, where the variance comes from, and readings then and now."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import MaxNLocator

from castlab import labels
from castlab.figures.style import INK, QUIET, Picture, colour, marker, picture, styled

if TYPE_CHECKING:
    from castlab.scoring.agreeing import Agreement
    from castlab.scoring.gauge import GaugeStudy
    from castlab.scoring.rescoring import ScorerDrift


def draw_agreement(result: Agreement) -> Picture:
    """Every reading, castings ordered by their mean, one marker per scorer, a line over the readings of one casting."""
    table = result.ratings.loc[result.ratings.mean(axis=1).sort_values(kind="stable").index]
    with styled():
        figure = picture(max(6.4, min(11.0, 2.5 + 0.28 * len(table))), 3.8)
        axes = figure.subplots()
        place = np.arange(len(table))
        axes.vlines(place, table.min(axis=1), table.max(axis=1), color=QUIET, linewidth=1, zorder=1)
        shifts = np.linspace(-0.18, 0.18, table.shape[1])
        for j, who in enumerate(table.columns):
            axes.plot(place + shifts[j], table[who], marker(j), color=colour(j), markersize=6, label=str(who))
        axes.set_xticks(place, [str(i) for i in table.index], rotation=90 if len(table) > 6 else 0)
        axes.set_xlabel("casting, from the lowest mean reading to the highest")
        axes.set_ylabel(labels.label(result.value))
        if (table.stack() % 1 == 0).all():
            axes.yaxis.set_major_locator(MaxNLocator(integer=True))
        axes.legend(title="scorer", ncols=min(6, table.shape[1]), loc="upper left", bbox_to_anchor=(0, 1.22))
    figure.alt = (
        f"Readings of {len(table)} castings by {table.shape[1]} scorers, castings in the order of their mean. "
        f"Alpha {result.alpha:.2f}, 95% interval {result.low:.2f} to {result.high:.2f}."
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
    shown = result.shares.dropna(subset=["share"]).set_index("source").reindex(list(words)).dropna().reset_index()
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
        shifts = np.linspace(-0.2, 0.2, len(people))
        for j, who in enumerate(people):
            rows = result.data[result.data["scorer"] == who]
            right.plot(
                [at[c] + shifts[j] for c in rows["casting"]], rows[result.value], marker(j), color=colour(j),
                markersize=5, alpha=0.85, label=str(who),
            )  # fmt: skip
        right.set_xticks(range(len(means)), [str(c) for c in means.index], rotation=90 if len(means) > 6 else 0)
        right.set_xlabel("casting, from the lowest mean reading to the highest")
        right.set_ylabel(labels.label(result.value))
        right.set_title("Every reading")
        right.legend(title="scorer", loc="upper left")
    said = "; ".join(
        f"{words[r.source]} {100 * r.share:.0f}% ({100 * r.low:.0f} to {100 * r.high:.0f}%)" for r in shown.itertuples()
    )
    figure.alt = (
        f"Where the variance of {labels.name(result.value)} comes from: {said}. Beside it every reading by casting."
    )
    return figure


def draw_drift(result: ScorerDrift) -> Picture:
    """Second reading against the first for each casting, the line of no change, one marker per scorer."""
    with styled():
        figure = picture(5.4, 4.4)
        axes = figure.subplots()
        low = float(result.data[["first", "again"]].min().min())
        high = float(result.data[["first", "again"]].max().max())
        edge = 0.06 * (high - low or 1)
        axes.plot([low - edge, high + edge], [low - edge, high + edge], color=QUIET, linewidth=1, zorder=1)
        axes.annotate(
            "no change", (high, high), xytext=(-4, -14), textcoords="offset points", ha="right", color=QUIET, fontsize=9
        )
        for j, (who, rows) in enumerate(result.data.groupby("scorer", sort=False)):
            axes.plot(
                rows["first"], rows["again"], marker(j), color=colour(j), markersize=6, alpha=0.85, label=str(who)
            )
        axes.set_xlabel(f"first reading: {labels.label(result.value)}")
        axes.set_ylabel("reading now")
        axes.legend(title="scorer", loc="upper left")
    figure.alt = f"Second readings against the first. {result.verdict}"
    return figure
