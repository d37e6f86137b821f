"""Plans: the map of their castings, the map of their aliases, and the chance that they show an effect."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Rectangle

from castlab import labels
from castlab.designs import aliasing
from castlab.errors import InputError
from castlab.figures.aliases import draw_aliases
from castlab.figures.style import (
    COLOURS,
    FAINT,
    INK,
    Picture,
    colour,
    footnote,
    marker,
    picture,
    styled,
)
from castlab.figures.sweeps import WHITE, level, moment

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from castlab.designs import Design, Power, PowerSweep

KINDS = ("castings", "aliases")
SHADES = LinearSegmentedColormap.from_list("settings", ["#ffffff", "#b9cbd6"])
"""Settings from low to high: light enough that ink stays readable on the darkest, in print and in grey."""
LONGEST = 18
"""Letters after which settings and headings are broken."""
ROOMY, MOST_EFFECTS = 14, 40
"""Comparisons up to which all have room, in full; and effects up to which all are drawn, each by its least sure one."""
MOST_CASTINGS = 40
"""Castings that fit on a page; the plan's table holds those after them."""
ENOUGH = 0.8
"""The power that is marked: what is commonly asked for."""


def draw_design(plan: Design, kind: str = "castings") -> Picture:
    """The map of a plan.

    Parameters
    ----------
    plan
        The result of `plan_trials`.
    kind
        "castings": one row per casting in the order to make them, grouped by batch. "aliases": how far every pair of
        effects is mixed.

    Returns
    -------
    The figure, with its text alternative as `alt`.

    Raises
    ------
    InputError
        For another kind, or a map of aliases of a single effect.
    """
    if kind not in KINDS:
        raise InputError(f"the kind of picture is {kind!r}; accepted: {', '.join(KINDS)}")
    return _castings(plan) if kind == "castings" else draw_aliases(plan)


def _castings(plan: Design) -> Picture:
    table, names = plan.table.head(MOST_CASTINGS), list(plan.factors)
    never = plan._runs.space.never()
    notes = [f"Never cast: {'; '.join(never)}."] if never else []
    if len(plan.table) > len(table):
        notes.append(f"These are the first {len(table)} of {len(plan.table)} castings; the table holds all.")
    batches = list(table["batch"]) if "batch" in table else [1] * len(table)
    gap = 0.35
    tops = np.arange(len(table)) + gap * (np.array(batches) - batches[0])
    sides = [name for name in ("mold",) if name in table]
    columns = [*sides, *names]
    said = {name: [_setting(v) for v in table[name]] for name in columns}
    broken = {name: [textwrap.fill(text, LONGEST) for text in texts] for name, texts in said.items()}
    lines = 1 + max(text.count("\n") for texts in broken.values() for text in texts)
    widths = np.array([_width(name, broken[name]) for name in columns])
    lefts = np.concatenate([[0], np.cumsum(widths)])[:-1]
    with styled():
        figure = picture(
            max(4.2, 1.5 + 0.105 * widths.sum()),
            1.15 + 0.2 * (len(never) + len(notes)) + (0.11 + 0.14 * lines) * (tops[-1] + 1),
        )
        axes = figure.subplots()
        for left, width, name in zip(lefts, widths, columns, strict=True):
            shade = np.zeros(len(table)) if name in sides else _places(table[name], plan.settings[name])
            for top, text, dark in zip(tops, broken[name], shade, strict=True):
                axes.add_patch(Rectangle((left, top), width, 1, facecolor=SHADES(dark), edgecolor=FAINT, lw=0.8))
                axes.text(left + width / 2, top + 0.52, text, ha="center", va="center", fontsize=9)
        whole = lefts[-1] + widths[-1]
        if "batch" in table:
            for number, rows in table.groupby("batch").groups.items():
                first, last = tops[min(rows)], tops[max(rows)] + 1
                axes.add_patch(Rectangle((0, first), whole, last - first, fill=False, edgecolor=INK, lw=1.3, zorder=3))
                axes.annotate(
                    f"batch {number}", (whole, (first + last) / 2), xytext=(6, 0), textcoords="offset points", va="center",
                    fontsize=9, fontweight="bold", annotation_clip=False,
                )  # fmt: skip
        axes.set_xlim(0, whole)
        axes.set_ylim(tops[-1] + 1, 0)
        axes.set_xticks(lefts + widths / 2, [_heading(name) for name in columns])
        axes.set_yticks(tops + 0.5, [str(run) for run in table["run"]])
        axes.xaxis.tick_top()
        axes.tick_params(length=0)
        axes.set_ylabel("casting, in the order to make them")
        axes.spines[:].set_visible(False)
        if notes:
            footnote(figure, " ".join(notes))
    figure.alt = " ".join([_castings_in_words(table, said), *notes])
    return figure


def _setting(value: Any) -> str:
    return labels.level(round(float(value), 6) if isinstance(value, (float, np.floating)) else value)


def _heading(name: str) -> str:
    """Name over unit, broken where it is long."""
    whole = "mold" if name == "mold" else labels.label(name)
    head, _, unit = whole.partition(" (")
    lines = textwrap.wrap(head, LONGEST - 4, break_long_words=False)
    return "\n".join([*lines, *([f"({unit}"] if unit else [])])


def _width(name: str, texts: Sequence[str]) -> float:
    return 2.0 + max(len(line) for text in (_heading(name), *texts) for line in text.split("\n"))


def _places(column: pd.Series, settings: Sequence[Any]) -> np.ndarray:
    """Place of each setting between the lowest (or first) and the highest (or last), 0 to 1."""
    if len(settings) < 2:
        return np.zeros(len(column))
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        return (column.to_numpy(dtype=float) - settings[0]) / (settings[-1] - settings[0])
    order = [str(s) for s in settings]
    return np.array([order.index(str(v)) for v in column]) / (len(settings) - 1)


def _castings_in_words(table: pd.DataFrame, said: dict[str, list[str]]) -> str:
    rows = []
    for i, run in enumerate(table["run"]):
        where = [f"batch {table['batch'].iloc[i]}"] if "batch" in table else []
        settings = [f"{'mold' if n == 'mold' else labels.name(n)} {texts[i]}" for n, texts in said.items()]
        rows.append(f"{run}: {', '.join([*where, *settings])}")
    return f"Castings in the order to make them. {'; '.join(rows)}."


def draw_power(found: Power) -> Picture:
    """Power against castings in each group, or of each effect of a plan, with its interval and the line of 0.8.

    Parameters
    ----------
    found
        The result of `power`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    return _effects(found) if "effect" in found.table else _curve(found)


def _curve(found: Power) -> Picture:
    table = found.table
    with styled():
        figure = picture(7.2, 3.9)
        axes = figure.subplots()
        _lines(axes, [("", table)])
        at = len(found.groups) / sum(1 / n for n in found.groups)
        axes.errorbar(
            [at], [found.power], yerr=[[found.power - found.low], [found.high - found.power]], fmt=marker(1),
            color=INK, ms=7, capsize=3, zorder=6,
        )  # fmt: skip
        asked = " and ".join(str(n) for n in dict.fromkeys(found.groups)) + " castings"
        worth = f", worth {at:.1f} in each" if len(set(found.groups)) > 1 else ""
        right, low = at > 0.6 * table["castings"].max(), found.power < 0.15
        axes.annotate(
            f"{asked}: {found.power:.0%}{worth}", (at, found.power), xytext=(-9 if right else 9, 14 if low else -12),
            textcoords="offset points", ha="right" if right else "left", va="center", bbox=WHITE, fontsize=9, zorder=7,
        )  # fmt: skip
        if found.needed is not None:
            moment(axes, found.needed, f"{found.needed} castings", top=False)
        _shares(axes, "castings in each group")
    needed = f"{ENOUGH:.0%} takes {found.needed}" if found.needed is not None else f"{ENOUGH:.0%} is not reached"
    figure.alt = (
        f"Chance to show the effect against castings in each group: {_points(table, 'castings')}. "
        f"The castings asked about, {asked.removesuffix(' castings')}{worth}: {_interval(found.power, found.low, found.high)}. {needed}."
    )
    return figure


def _effects(found: Power) -> Picture:
    drawn, note = _drawn(found.table)
    table = drawn.iloc[::-1].reset_index(drop=True)
    crowded = len(found.table) > ROOMY
    said = _rows(table, crowded=crowded)
    lines = sum(1 + text.count("\n") for text in said)
    with styled():
        figure = picture(7.2, 1.1 + (0.04 if crowded else 0.1) * len(table) + 0.18 * lines + 0.3 * bool(note))
        axes = figure.subplots()
        for place, on in enumerate(("castings", "batches")):
            rows = table[table["judged_on"] == on]
            if rows.empty:
                continue
            errors = [rows["power"] - rows["low"], rows["high"] - rows["power"]]
            axes.errorbar(
                rows["power"], rows.index, xerr=errors, fmt=marker(place), color=colour(place), ms=5 if crowded else 7,
                capsize=3, lw=1.5, label=f"judged on {on}",
            )  # fmt: skip
            for row in rows.itertuples():
                left = 0.6 < row.power < ENOUGH or row.power > 0.92  # clear of the line and of the edge
                axes.annotate(
                    f"{row.power:.0%}", (row.low if left else row.high, row.Index), xytext=(-8 if left else 8, 0),
                    textcoords="offset points", ha="right" if left else "left", va="center", fontsize=8 if crowded else 9,
                    bbox=WHITE,
                )  # fmt: skip
        axes.axvline(ENOUGH, color=INK, lw=1.1, ls=(0, (5, 3)), zorder=1)
        axes.set_yticks(table.index, said, fontsize=8.5 if crowded else 9.5)
        axes.tick_params(axis="y", length=0)
        axes.set_ylim(-0.6, len(table) - 0.4)
        axes.set_xlim(-0.02, 1.02)
        axes.xaxis.set_major_formatter(lambda value, _place: f"{value:.0%}")
        axes.set_xlabel(f"chance to show it (dashed: {ENOUGH:.0%})")
        if table["judged_on"].nunique() > 1:
            figure.legend(loc="outside upper right", ncols=2)
        if note:
            footnote(figure, note)
    figure.alt = "Chance of a plan to show each effect: " + "; ".join(
        f"{aliasing.said(r.effect)} ({r.contrast}) {_interval(r.power, r.low, r.high)}, judged on {r.judged_on}"
        for r in drawn.itertuples()
    )
    figure.alt += f". {note}".rstrip()
    return figure


def _drawn(table: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """The comparisons that find room, those least sure to show, in their order; and what is said of the others."""
    if len(table) <= ROOMY:
        return table, ""
    order = np.argsort(table["power"].to_numpy(), kind="stable")
    weakest = table.iloc[order].drop_duplicates("effect").head(MOST_EFFECTS)
    rest = table.drop(weakest.index)["power"]
    note = (
        f"Drawn: of each effect the comparison least sure to show. The other {len(rest)} ({rest.min():.0%} to {rest.max():.0%}) "
        "stand in .table."
    )
    return weakest.sort_index(), note if len(rest) else ""


def _rows(table: pd.DataFrame, *, crowded: bool) -> list[str]:
    """Effect over contrast; where rows are crowded on one line, and of an interaction the effect alone."""
    if not crowded:
        return [f"{aliasing.said(r.effect)}\n{textwrap.fill(str(r.contrast), 44)}" for r in table.itertuples()]
    return [
        textwrap.fill(aliasing.said(r.effect) + ("" if " x " in r.effect else f": {r.contrast}"), 52)
        for r in table.itertuples()
    ]


def draw_power_sweep(found: PowerSweep) -> Picture:
    """Power against castings, one line for each size of effect.

    Parameters
    ----------
    found
        The result of `power_sweep`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    name = {"measure": "difference", "count": "ratio of counts"}.get(found.kind, "odds ratio")
    lines = [(f"{name} {effect:.3g}", rows) for effect, rows in found.table.groupby("effect", sort=False)]
    with styled():
        figure = picture(7.2, 4.1)
        axes = figure.subplots()
        _lines(axes, lines)
        _shares(axes, "castings in all" if found.plans else "castings in each group")
        figure.legend(loc="outside upper center", ncols=min(len(lines), 4))
    figure.alt = "Chance to show an effect against castings. " + " ".join(
        f"{said}: {_points(rows, 'castings')}." for said, rows in lines
    )
    return figure


def _lines(axes: Axes, lines: Sequence[tuple[str, pd.DataFrame]]) -> None:
    for place, (said, rows) in enumerate(lines):
        if (rows["high"] > rows["low"]).any():
            axes.fill_between(rows["castings"], rows["low"], rows["high"], color=colour(place), alpha=0.16, lw=0)
        axes.plot(
            rows["castings"],
            rows["power"],
            color=colour(place),
            marker=marker(place),
            ls="-" if place < len(COLOURS) else "--",
            ms=4.5,
            lw=1.8,
            label=said or None,
        )


def _shares(axes: Axes, across: str) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.set_ylim(0, 1.03)
    axes.yaxis.set_major_formatter(lambda value, _place: f"{value:.0%}")
    axes.set_ylabel("chance to show the effect")
    axes.set_xlabel(across)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    low, high = axes.get_xlim()
    axes.set_xlim(min(low, (low + high) / 2 - 1.5), max(high, (low + high) / 2 + 1.5))
    level(axes, ENOUGH, f"{ENOUGH:.0%}", place=0.01)


def _interval(middle: float, low: float, high: float) -> str:
    return f"{middle:.0%}" + (f" ({low:.0%} to {high:.0%})" if high > low else "")


def _points(table: pd.DataFrame, across: str) -> str:
    return ", ".join(f"{_interval(r.power, r.low, r.high)} with {getattr(r, across)}" for r in table.itertuples())
