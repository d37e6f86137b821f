"""The map of a plan's aliases: how far every pair of effects is mixed."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Rectangle

from castlab.designs import aliasing
from castlab.errors import InputError
from castlab.figures.style import FAINT, INK, Picture, letters, picture, styled, words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from castlab.designs import Design

SHARED = LinearSegmentedColormap.from_list("shared", ["#ffffff", "#33576b"])
SQUARE = 22
"""Effects up to which every pair has its field; with more only the effects of the plan have rows."""
ACROSS, ALL_ACROSS, DOWN = 40, 160, 60
"""Columns of one part of the map, of all parts, and rows: with more, those that are mixed most are drawn."""
WRITTEN = 30
"""Columns up to which the correlation is written in its field."""


def draw_aliases(plan: Design) -> Picture:
    """Every pair of effects once where these are few, else what each effect of the plan is mixed with."""
    rows, across, values, hidden, caption = _map(plan)
    parts = np.array_split(np.arange(len(across)), -(-len(across) // ACROSS))
    size, small = (0.34, 9) if len(across) <= WRITTEN else (0.2, 7)
    names = 0.065 * max(len(aliasing.said(e)) for e in across)
    with styled():
        figure = picture(2.6 + size * len(parts[0]), 0.5 + len(parts) * (0.4 + size * len(rows) + names))
        for axes, part in zip(figure.subplots(len(parts), squeeze=False)[:, 0], parts, strict=True):
            _fields(axes, values[:, part], hidden[:, part], written=len(across) <= WRITTEN)
            turned = (
                {"rotation": 90, "ha": "center"}
                if len(across) > 8
                else {"rotation": 40, "ha": "right", "rotation_mode": "anchor"}
            )
            shown = [aliasing.said(across[k]) for k in part]
            axes.set_xlim(0, len(parts[0]))
            axes.set_xticks(np.arange(len(part)) + 0.5, shown, fontsize=small, **turned)
            axes.set_yticks(np.arange(len(rows)) + 0.5, [aliasing.said(e) for e in rows], fontsize=small)
            axes.tick_params(length=0)
            axes.spines[:].set_visible(False)
        wrapped = textwrap.fill(caption, letters(figure))
        figure.suptitle(wrapped, x=0.01, ha="left", fontsize=9)
    told = [f"{r.effect} and {r.alias} {r.correlation} ({r.words})" for r in plan.mixed_in_short.itertuples()]
    figure.alt = f"Map of {len(plan.effects)} effects and how far they are mixed (correlation). " + (
        f"Mixed: {'; '.join(told)}." if told else "No two are mixed."
    )
    return figure


def _fields(axes: Axes, values: np.ndarray, hidden: np.ndarray, *, written: bool) -> None:
    """One field for each pair, the darker the more they are mixed."""
    for i, j in np.argwhere(~hidden):
        share = abs(values[i, j])
        axes.add_patch(Rectangle((j, i), 1, 1, facecolor=SHARED(share), edgecolor=FAINT, lw=1))
        if share and written:
            axes.text(
                j + 0.5, i + 0.53, _correlation(values[i, j]), ha="center", va="center", fontsize=7.5,
                color="white" if share > 0.55 else INK,
            )  # fmt: skip
    axes.set_ylim(len(values), 0)


def _map(plan: Design) -> tuple[list[str], list[str], np.ndarray, np.ndarray, str]:
    """Effects down and across, their correlations, which places stay empty because they would say nothing, and a caption.

    Every pair once where effects are few; else what each effect of the plan is mixed with.
    """
    effects, found = list(plan.effects), plan.aliases
    groups = [group for group in found["alias"].unique() if group not in effects]
    caption = "Correlation of two effects: 1 or -1 cannot be told apart; empty: clear of each other."
    if found["words"].str.contains("judged on").any():
        caption += " Beside the batch, 1 is judged on batches."
    if len(effects) <= SQUARE:
        rows, across = [*effects, *groups][1:], effects
        if not rows:
            raise InputError(f"only {words(effects)} can be seen in this plan; a map of aliases needs two effects")
        across = across[: len(rows)]
        values = _between(found, rows, across)
        return rows, across, values, np.triu(np.ones_like(values, dtype=bool), k=1), caption
    across = [*effects, *groups]
    whole = _between(found, list(plan.model), across)
    down, right = (_most(np.abs(whole).max(axis=axis), most) for axis, most in ((1, DOWN), (0, ALL_ACROSS)))
    if not whole.any():
        down, right = np.arange(min(whole.shape[0], DOWN)), np.arange(min(whole.shape[1], ALL_ACROSS))
    rows, across, values = [plan.model[k] for k in down], [across[k] for k in right], whole[np.ix_(down, right)]
    drawn = found[
        (found["effect"].isin(rows) & found["alias"].isin(across))
        | (found["effect"].isin(across) & found["alias"].isin(rows))
    ]
    caption += " Effects that are clear of all others shown have no row or column."
    if len(found) > len(drawn):
        largest = _correlation(float(found.drop(drawn.index)["correlation"].abs().max()))
        caption += (
            f" Not drawn: {len(found) - len(drawn)} more pairs that are mixed (up to {largest}), in plan.aliases."
        )
    if len(across) > WRITTEN and len(drawn):
        caption += f" The darker the more; the largest here is {_correlation(float(np.abs(values).max()))}."
    return rows, across, values, np.array([[one == other for other in across] for one in rows]), caption


def _most(sizes: np.ndarray, most: int) -> np.ndarray:
    """Places of the largest, in their order; none that is nothing."""
    return np.sort(np.argsort(-sizes, kind="stable")[: min(most, np.count_nonzero(sizes))])


def _between(found: pd.DataFrame, rows: list[str], across: list[str]) -> np.ndarray:
    down, right = ({name: place for place, name in enumerate(names)} for names in (rows, across))
    values = np.zeros((len(rows), len(across)))
    for row in found.itertuples():
        for one, other in ((row.effect, row.alias), (row.alias, row.effect)):
            if one in down and other in right:
                values[down[one], right[other]] = row.correlation
    return values


def _correlation(value: float) -> str:
    text = f"{np.sign(value) * aliasing.size(value):.2f}"
    return {"1.00": "1", "-1.00": "-1"}.get(text, text.replace("0.", "."))
