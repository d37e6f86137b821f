"""Production as it runs: points against what is usual, alarms in words, castings against what is accepted, the spread within
batches, the life of molds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words as numbers
from castlab.analysis.production.alarms import LASTING, weightiest
from castlab.figures.style import FAINT, INK, QUIET, Picture, colour, picture, styled, words
from castlab.figures.sweeps import WHITE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from castlab.analysis.production.lifetimes import MoldLife
    from castlab.analysis.production.watching import Watch

NAMED = 14
"""Points that can all be named along the axis; of more, every second, third ... is."""
MOST_LARGE = 150
"""Points that are drawn in full size; of more, each is smaller."""
TOLD = 6
"""Flagged points that are named in the picture."""
LINES = 5
"""Alarms that are told above it."""
MOLDS, LETTER = 8, 0.018
"""Molds in use that can be named, and the share of the axis that a letter of their names takes."""


def draw_watch(result: Watch) -> Picture:
    """The points in order with the range between their limits, flagged ones named; below it the castings against what is
    accepted, the spread and the molds.

    Parameters
    ----------
    result
        The result of `watch`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    life = result.mold_life
    shown = {
        "accepted": result.measured is not None, "spread": result.spread is not None, "molds": life is not None
    }  # fmt: skip
    below: list[Any] = [part for part, there in shown.items() if there]
    with styled():
        figure = picture(9.4, 6.2 if below else 3.9)
        if below:
            parts = figure.subplot_mosaic([["points"] * len(below), below], height_ratios=[1.3, 1])
        else:
            parts = {"points": figure.subplots()}
        _points(parts["points"], result)
        figure.suptitle(_told(result), x=0.01, ha="left", fontsize=9.5)
        if result.measured is not None:
            _accepted(parts["accepted"], result, result.measured)
        if result.spread is not None:
            _chart(parts["spread"], result.spread, result.spread["beyond"].to_numpy() != 0, NAMED // len(below))
            parts["spread"].set_ylim(bottom=0)
            unit = labels.unit(result.response)
            parts["spread"].set_ylabel(f"standard deviation ({unit})" if unit else "standard deviation")
            parts["spread"].set_title("spread within each batch")
        if life is not None:
            _life(parts["molds"], life)
    figure.alt = _words(result)
    return figure


def draw_mold_life(result: MoldLife) -> Picture:
    """Share of molds that still serve, against pulls, with its interval and the molds in use.

    Parameters
    ----------
    result
        The result of `mold_life`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    with styled():
        figure = picture(7.0, 3.6)
        _life(figure.subplots(), result)
    figure.alt = _life_words(result)
    return figure


def _points(axes: Axes, result: Watch) -> None:
    rows = result.points
    flagged = rows["flag"].to_numpy() != ""
    _chart(axes, rows, flagged)
    if "still_open" in rows:
        for at in np.flatnonzero(rows["still_open"].to_numpy()):
            axes.annotate(
                "so far",
                (at + 1, rows["value"].iloc[at]),
                (0, 8),
                textcoords="offset points",
                ha="center",
                fontsize=8.5,
            )
    for named in _apart(rows["score"].to_numpy(dtype=float), flagged):
        row = rows.iloc[named]
        up = row["value"] >= row["centre"]
        axes.annotate(
            _short(row["point"]), (named + 1, row["value"]), (0, 9 if up else -9), textcoords="offset points", ha="center",
            va="bottom" if up else "top", fontsize=8.5, bbox=WHITE, zorder=5,
        )  # fmt: skip
    if not rows["baseline"].all() and rows["baseline"].any():
        end = int(np.flatnonzero(rows["baseline"])[-1]) + 1.5
        axes.axvline(end, color=QUIET, lw=1, ls=(0, (1, 2)))
        axes.text(
            end,
            0.02,
            "limits set by these ",
            transform=axes.get_xaxis_transform(),
            fontsize=8.5,
            color=INK,
            va="bottom",
            ha="right" if end > 0.2 * len(rows) else "left",
            bbox=WHITE,
        )
    _lots(axes, rows)
    axes.use_sticky_edges = False
    axes.margins(y=0.12)
    if rows["value"].min() >= 0 and axes.get_ylim()[0] < 0 and not flagged.any():
        axes.set_ylim(bottom=0)
    what = result.name if not result.unit else f"{result.name} ({result.unit})"
    axes.set_ylabel(what)
    if result.kind == "pass":
        axes.yaxis.set_major_formatter("{x:.0%}")
    axes.set_xlabel(
        "batch, in the order made"
        if result.by_batch
        else "failure"
        if result.kind == "rare"
        else "casting, in the order made"
    )


def _accepted(axes: Axes, result: Watch, measured: np.ndarray) -> None:
    """How many castings had which measure, with the limits of what is accepted."""
    axes.hist(measured, bins="auto", color=FAINT, edgecolor=QUIET)
    ends = _ends(result)
    for _, limit in ends:
        axes.axvline(limit, color=INK, lw=1.8, ls=(0, (5, 3)))
    left, right = axes.get_xlim()
    close = len(ends) == 2 and ends[1][1] - ends[0][1] < 0.4 * (right - left)
    for (name, limit), side in zip(ends, ("right", "left"), strict=False):
        axes.annotate(
            f"{name} {limit:g}", (limit, 1), (0, 3), xycoords=axes.get_xaxis_transform(), textcoords="offset points",
            ha=side if close else "center", va="bottom", fontsize=8.5, annotation_clip=False,
        )  # fmt: skip
    axes.set_ylim(top=1.1 * axes.get_ylim()[1])
    axes.margins(x=0.1)
    axes.set_xlabel(labels.label(result.response))
    axes.set_ylabel("castings")
    axes.set_title("castings and what is accepted", pad=16)


def _ends(result: Watch) -> list[tuple[str, float]]:
    """The limits of what is accepted, those that are not open, each with its name."""
    ends = zip(("at least", "at most"), result.limits or (), strict=False)
    return [(name, float(end)) for name, end in ends if end is not None and np.isfinite(end)]


def _chart(axes: Axes, rows: pd.DataFrame, flagged: np.ndarray, named_most: int = NAMED) -> None:
    """Points over the band between their limits; flagged ones are squares."""
    n = len(rows)
    x = np.arange(1, n + 1)
    edges = np.arange(0.5, n + 1)
    value, low, high, centre = (rows[c].to_numpy(dtype=float) for c in ("value", "low", "high", "centre"))
    axes.stairs(high, edges, baseline=low, fill=True, color=FAINT, lw=0, zorder=0)
    axes.stairs(centre, edges, baseline=None, color=INK, lw=1.2, zorder=1)
    smaller = min(1.0, (MOST_LARGE / n) ** 0.4)
    axes.plot(x, value, color=QUIET, lw=0.9 * smaller, zorder=2)
    axes.plot(
        x[~flagged],
        value[~flagged],
        ls="",
        marker="o",
        ms=5.5 * smaller,
        mfc=colour(0),
        mec="white",
        mew=0.6 * smaller,
        zorder=3,
    )
    axes.plot(
        x[flagged],
        value[flagged],
        ls="",
        marker="s",
        ms=7.5 * smaller,
        mfc=colour(1),
        mec=INK,
        mew=0.9 * smaller,
        zorder=4,
    )
    axes.set_xlim(0.5, n + 0.5)
    step = max(1, -(-n // named_most))
    axes.set_xticks(
        x[::step],
        [_short(p) for p in rows["point"].iloc[::step]],
        rotation=35 if n > 8 else 0,
        ha="right" if n > 8 else "center",
    )
    named = [("usual", centre[-1]), *([("limit", high[-1])] if high[-1] > centre[-1] else [])]
    for name, height in named:
        axes.annotate(
            name,
            (n + 0.5, height),
            (3, 0),
            textcoords="offset points",
            va="center",
            fontsize=8.5,
            annotation_clip=False,
        )


def _short(point: object) -> str:
    return str(point).removeprefix("casting ")


def _apart(scores: np.ndarray, flagged: np.ndarray) -> list[int]:
    """The flagged points to name: the furthest out, a few, none so close to another that their names would overlap."""
    furthest = sorted(np.flatnonzero(flagged), key=lambda at: -abs(np.nan_to_num(scores[at], nan=np.inf)))
    named: list[int] = []
    for at in furthest:
        if all(abs(at - other) >= len(scores) / NAMED for other in named):
            named.append(int(at))
    return named[:TOLD]


def _lots(axes: Axes, rows: pd.DataFrame) -> None:
    """Where a resin lot begins, its name above the chart; of many, every second, third ... is named."""
    if "resin_lot" not in rows:
        return
    lot = rows["resin_lot"].ffill()
    begins = [at for at in range(1, len(lot)) if pd.notna(lot.iloc[at - 1]) and lot.iloc[at] != lot.iloc[at - 1]]
    if not begins:
        return
    for at in begins:
        axes.axvline(at + 0.5, color=INK, lw=0.9 if len(begins) <= NAMED else 0.4, ls=(0, (5, 3)), zorder=1)
    named = begins[:: max(1, -(-len(begins) // NAMED))]
    above = axes.secondary_xaxis("top")
    many = len(named) > 3
    above.set_xticks(
        [at + 0.5 for at in named],
        [str(lot.iloc[at]) if many else f"resin lot {lot.iloc[at]}" for at in named],
        rotation=35 if many else 0,
        ha="left" if many else "center",
        fontsize=8.5,
    )
    if many:
        above.set_xlabel("resin lot from there on", fontsize=8.5)
    above.spines["top"].set_visible(False)


def _life(axes: Axes, life: MoldLife) -> None:
    rows = life.curve
    last = max([*rows["pulls"], *life.remaining["pulls"]])
    surviving = [1.0, *rows["surviving"]]
    if len(rows):
        held = pd.concat([rows, rows.tail(1).assign(pulls=last)])
        held[["low", "high"]] = held[["low", "high"]].ffill()
        axes.fill_between(held["pulls"], held["low"], held["high"], step="post", color=FAINT, lw=0, zorder=0)
    axes.step([0, *rows["pulls"], last], [*surviving, surviving[-1]], where="post", color=INK, lw=1.8)
    for row in life.remaining.itertuples():
        axes.plot(row.pulls, 0.03, marker="^", ms=7, color=colour(2), ls="", clip_on=False)
    axes.set_ylim(0, 1.03)
    axes.set_xlim(0, last * 1.06)
    if len(life.remaining) <= MOLDS:
        _in_use(axes, life.remaining, last)
    axes.set_xlabel("pulls (triangles: molds in use)")
    axes.set_ylabel("share that still serve")
    axes.set_title("life of the molds")


def _in_use(axes: Axes, molds: pd.DataFrame, last: float) -> None:
    """The names of molds in use, those of as many pulls together, each above its triangle and above those that it would overlap."""
    taken: list[tuple[float, float, int]] = []
    for pulls, alike in molds.groupby("pulls")["mold"]:
        name = ", ".join(map(str, alike))
        half, at_most = 0.5 * LETTER * len(name) * last, last * 1.06
        middle = min(max(float(str(pulls)), half), max(half, at_most - half))
        level = 0
        while any(abs(middle - other) < half + its and level == at for other, its, at in taken):
            level += 1
        taken.append((middle, half, level))
        place, side = (middle, "center") if middle + half < at_most else (at_most, "right")
        axes.text(place, 0.11 + 0.085 * level, name, fontsize=8.5, ha=side, bbox=WHITE)


def _told(result: Watch) -> str:
    """The weightiest alarms in words, a line each."""
    found = weightiest(result.alarms)
    lines = []
    for row in found.head(LINES).itertuples():
        if row.rule == LASTING[0]:
            lines.append(row.what.partition(";")[0].removesuffix("."))
        elif row.about in ("level", "spread within batches"):
            lines.append(f"{row.point}: {row.rule}")
        else:
            lines.append(
                f"since {_day(row.since)}: {row.what.partition(':')[0][0].lower()}{row.what.partition(':')[0][1:]}"
            )
    if len(found) > LINES:
        lines.append(f"and {numbers.count(len(found) - LINES, 'more alarm')}")
    return "\n".join(lines) if lines else "no alarm"


def _day(when: object) -> str:
    return f"{when:%Y-%m-%d}" if isinstance(when, pd.Timestamp) else str(when)


def _words(result: Watch) -> str:
    rows = result.points
    odd = rows[rows["flag"] != ""]
    odd = odd.reindex(odd["score"].abs().sort_values(ascending=False, kind="stable").index)
    flagged = [f"{row.point} ({row.flag})" for row in odd.itertuples()]
    last = rows.iloc[-1]
    said = (
        f"{result.name}, {len(rows)} points in the order made; usual {numbers.number(last['centre'])}, limits of the last point "
        f"{numbers.number(last['low'])} to {numbers.number(last['high'])}. Flagged: {words(flagged[:TOLD])}"
        + (f" and {len(flagged) - TOLD} more." if len(flagged) > TOLD else ".")
    )
    told = _told(result).replace("\n", "; ")
    said += f" Alarms: {told}." if len(result.alarms) else " No alarm."
    if result.measured is not None:
        said += " " + _accepted_words(result, result.measured)
    if result.spread is not None:
        wide = result.spread.loc[result.spread["beyond"] != 0, "point"]
        said += f" Spread within batches beyond its limits: {words(wide)}."
    if result.mold_life is not None:
        said += " " + _life_words(result.mold_life)
    return said


def _accepted_words(result: Watch, measured: np.ndarray) -> str:
    limits = words([f"{name} {limit:g}" for name, limit in _ends(result)])
    said = f"Accepted: {limits} {labels.unit(result.response)}".rstrip()
    said += f"; castings run from {numbers.number(measured.min())} to {numbers.number(measured.max())}"
    if result.capability is not None:
        row = result.capability.set_index("index").loc["Cpk"]
        said += f"; Cpk {row['estimate']:.2f}, 95% interval {row['low']:.2f} to {row['high']:.2f}"
    return f"{said}."


def _life_words(life: MoldLife) -> str:
    if not len(life.curve):
        return "Life of the molds: none is worn out yet."
    last = life.curve.iloc[-1]
    serving = f"{numbers.share(last['surviving'])} still serve" if last["surviving"] > 0 else "none still serves"
    return (
        f"Life of the molds: {int(life.curve['worn_out'].sum())} worn out, {len(life.remaining)} in use; after "
        f"{numbers.count(int(last['pulls']), 'pull')} {serving}."
    )
