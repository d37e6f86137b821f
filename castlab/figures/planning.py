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
from castlab.errors import InputError
from castlab.figures.style import FAINT, INK, Picture, picture, styled, words

if TYPE_CHECKING:
    from castlab.designs import Design

KINDS = ("castings", "aliases")
SHADES = LinearSegmentedColormap.from_list("settings", ["#ffffff", "#b9cbd6"])
"""Settings from low to high: light enough that ink stays readable on the darkest, in print and in grey."""
SHARED = LinearSegmentedColormap.from_list("shared", ["#ffffff", "#33576b"])
SQUARE = 22
"""Effects up to which every pair has its field; with more only the effects of the plan have rows."""
WRITTEN = 30
"""Columns up to which the correlation is written in its field."""


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
    return _castings(plan) if kind == "castings" else _aliases(plan)


def _castings(plan: Design) -> Picture:
    table, names = plan.table, list(plan.factors)
    batches = list(table["batch"]) if "batch" in table else [1] * len(table)
    gap = 0.35
    tops = np.arange(len(table)) + gap * (np.array(batches) - batches[0])
    sides = [name for name in ("mold",) if name in table]
    columns = [*sides, *names]
    said = {name: [_setting(v) for v in table[name]] for name in columns}
    widths = np.array([_width(name, said[name]) for name in columns])
    lefts = np.concatenate([[0], np.cumsum(widths)])[:-1]
    with styled():
        figure = picture(max(4.2, 1.5 + 0.105 * widths.sum()), 1.15 + 0.25 * (tops[-1] + 1))
        axes = figure.subplots()
        for left, width, name in zip(lefts, widths, columns, strict=True):
            shade = np.zeros(len(table)) if name in sides else _places(table[name])
            for top, text, dark in zip(tops, said[name], shade, strict=True):
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
    figure.alt = _castings_in_words(plan, said)
    return figure


def _setting(value: Any) -> str:
    return labels.level(round(float(value), 6) if isinstance(value, (float, np.floating)) else value)


def _heading(name: str) -> str:
    """Name over unit, broken where it is long."""
    whole = "mold" if name == "mold" else labels.label(name)
    head, _, unit = whole.partition(" (")
    parts = head.split(" ")
    lines = [head] if len(head) <= 12 or len(parts) < 2 else [" ".join(parts[:-1]), parts[-1]]
    return "\n".join([*lines, *([f"({unit}"] if unit else [])])


def _width(name: str, texts: Sequence[str]) -> float:
    return 2.0 + max([*map(len, _heading(name).split("\n")), *map(len, texts)])


def _places(column: pd.Series) -> np.ndarray:
    """Place of each setting between the lowest (or first) and the highest (or last), 0 to 1."""
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        values = column.to_numpy(dtype=float)
    else:
        values = pd.factorize(column, sort=True)[0].astype(float)
    span = np.ptp(values)
    return (values - values.min()) / span if span > 0 else np.zeros(len(values))


def _castings_in_words(plan: Design, said: dict[str, list[str]]) -> str:
    table = plan.table
    rows = []
    for i, run in enumerate(table["run"]):
        where = [f"batch {table['batch'].iloc[i]}"] if "batch" in table else []
        settings = [f"{'mold' if n == 'mold' else labels.name(n)} {texts[i]}" for n, texts in said.items()]
        rows.append(f"{run}: {', '.join([*where, *settings])}")
    return f"Castings in the order to make them. {'; '.join(rows)}."


def _aliases(plan: Design) -> Picture:
    effects = list(plan.effects)
    found = plan.aliases
    groups = [g for g in ("batch", "mold") if (found["alias"] == g).any()]
    square = len(effects) <= SQUARE
    rows = [*effects, *groups] if square else list(plan.model)
    across = effects if square else [e for e in effects if e in set(found["alias"]) | set(found["effect"])] + groups
    if len(rows) < 2:
        raise InputError(f"only {words(effects)} can be seen in this plan; a map of aliases needs two effects")
    values = np.zeros((len(rows), len(across)))
    for row in found.itertuples():
        for one, other in ((row.effect, row.alias), (row.alias, row.effect)):
            if one in rows and other in across:
                values[rows.index(one), across.index(other)] = row.correlation
    hidden = np.zeros_like(values, dtype=bool)
    if square:
        hidden = np.triu(np.ones_like(hidden), k=0)
        rows, across, values, hidden = rows[1:], across[: len(rows) - 1], values[1:, :], hidden[1:, :]
        values, hidden = values[:, : len(across)], hidden[:, : len(across)]
    else:
        hidden = np.array([[one == other for other in across] for one in rows])
    size = 0.34 if len(across) <= WRITTEN else 0.2
    with styled():
        figure = picture(
            2.6 + size * len(across), 0.9 + size * len(rows) + 0.065 * max(len(_effect(e)) for e in across)
        )
        axes = figure.subplots()
        for i, j in np.argwhere(~hidden):
            share = abs(values[i, j])
            axes.add_patch(Rectangle((j, i), 1, 1, facecolor=SHARED(share), edgecolor=FAINT, lw=1))
            if share and len(across) <= WRITTEN:
                axes.text(
                    j + 0.5, i + 0.53, _correlation(values[i, j]), ha="center", va="center", fontsize=7.5,
                    color="white" if share > 0.55 else INK,
                )  # fmt: skip
        axes.set_xlim(0, len(across))
        axes.set_ylim(len(rows), 0)
        small = 9 if len(across) <= WRITTEN else 7
        axes.set_xticks(
            np.arange(len(across)) + 0.5, [_effect(e) for e in across], rotation=90 if len(across) > 8 else 40,
            ha="center" if len(across) > 8 else "right", rotation_mode=None if len(across) > 8 else "anchor", fontsize=small,
        )  # fmt: skip
        axes.set_yticks(np.arange(len(rows)) + 0.5, [_effect(e) for e in rows], fontsize=small)
        axes.tick_params(length=0)
        axes.spines[:].set_visible(False)
        caption = "Correlation of two effects: 1 or -1 cannot be told apart; empty: clear of each other."
        if len(across) > WRITTEN and len(found):
            caption += (
                f" The darker the more; the largest here is {_correlation(float(np.abs(values[~hidden]).max()))}."
            )
        wrapped = textwrap.fill(caption, int(13 * figure.get_size_inches()[0]))
        figure.suptitle(wrapped, x=0.01, ha="left", fontsize=9)
    told = [f"{_effect(r.effect)} and {_effect(r.alias)} {_correlation(r.correlation)}" for r in found.itertuples()]
    figure.alt = f"Map of {len(effects)} effects and how far they are mixed (correlation). " + (
        f"Mixed: {'; '.join(told)}." if told else "No two are mixed."
    )
    return figure


def _effect(name: str) -> str:
    return " x ".join(
        f"bend of {labels.name(p[8:])}" if p.startswith("bend of ") else labels.name(p) for p in name.split(" x ")
    )


def _correlation(value: float) -> str:
    text = f"{value:.2f}"
    return {"1.00": "1", "-1.00": "-1"}.get(text, text.replace("0.", "."))
