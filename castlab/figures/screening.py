"""Effects of an unreplicated plan on half-normal axes: what does nothing lies along the line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.lines import Line2D

from castlab import labels
from castlab.analysis import words as numbers
from castlab.figures.style import INK, QUIET, SURE, Picture, picture, styled, words

if TYPE_CHECKING:
    from castlab.analysis.screen import Screen

_LOOKS: dict[str, dict[str, Any]] = {
    "clear": {"marker": "o", "mfc": SURE, "mec": SURE},
    "likely": {"marker": "D", "mfc": "white", "mec": SURE},
    "not shown": {"marker": "s", "mfc": "white", "mec": QUIET},
}


def draw_screen(result: Screen) -> Picture:
    """Sizes of all effects against where they would lie if none did anything, those that stand out named; what was set per
    batch and per casting apart.

    Parameters
    ----------
    result
        The result of `screen_effects`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    judged = [stratum for stratum in result.strata.itertuples() if np.isfinite(stratum.pse)]
    unit = "square roots of counts" if result.kind == "count" else labels.unit(result.response)
    said = []
    with styled():
        figure = picture(7.6 if len(judged) == 1 else 11.0, 4.4)
        panels = figure.subplots(1, len(judged), squeeze=False)[0]
        for axes, stratum in zip(panels, judged, strict=True):
            rows = result.effects[result.effects["judged_on"] == stratum.judged_on].reset_index(drop=True)
            lead = ""
            if len(result.strata) > 1:
                one = {"batches": "batch", "castings": "casting"}[str(stratum.judged_on)]
                lead = f"Set per {one}: "
                axes.set_title(f"set per {one}, judged on {stratum.judged_on}")
            _panel(axes, rows, stratum)
            said.append(lead + _said(rows, float(stratum.margin)))
            axes.set_xlabel("half-normal quantile (in standard deviations)")
        panels[0].set_ylabel(f"size of the effect on {labels.name(result.response)}" + (f" ({unit})" if unit else ""))
        handles = [
            Line2D([], [], ls="", ms=7.5, mew=1.5, label=strength, **look)
            for strength, look in _LOOKS.items()
            if (result.effects["strength"] == strength).any()
        ]
        figure.legend(handles=handles, loc="outside lower right", ncols=3)
    figure.alt = f"Half-normal picture of effects on {labels.name(result.response)}. " + " ".join(said)
    return figure


def _panel(axes: Any, rows: pd.DataFrame, stratum: Any) -> None:
    """One half-normal picture: the effects, the line of those that do nothing, and the margins."""
    size, place = rows["estimate"].abs().to_numpy(), rows["half_normal"].to_numpy()
    end = float(place.max()) * 1.08
    axes.plot([0, end], [0, end * stratum.pse], color=INK, lw=1)
    axes.annotate(
        "if nothing\nhad an effect", (end, end * stratum.pse), (4, 0), textcoords="offset points", va="center",
        fontsize=9, bbox={"fc": "white", "ec": "none", "pad": 1},
    )  # fmt: skip
    for name, margin in (("margin", stratum.margin), ("margin for all", stratum.simultaneous_margin)):
        if margin < 1.35 * size.max():
            axes.axhline(margin, color=QUIET, lw=1, ls=(0, (4, 3)), zorder=0)
            axes.text(0.01, margin, name, fontsize=8.5, va="bottom", transform=axes.get_yaxis_transform())
    for strength, look in _LOOKS.items():
        mine = (rows["strength"] == strength).to_numpy()
        if mine.any():
            axes.plot(place[mine], size[mine], ls="", ms=7.5, mew=1.5, **look)
    for k in _standing(rows):
        axes.annotate(
            " x ".join(labels.name(p) for p in rows["effect"].iloc[k].split(" x ")), (place[k], size[k]), (-8, 0),
            textcoords="offset points", ha="right", va="center", fontsize=9,
        )  # fmt: skip
    axes.set_xlim(0, end * 1.24)
    highest = max(size.max(), end * stratum.pse, stratum.margin if stratum.margin < 1.35 * size.max() else 0)
    axes.set_ylim(0, highest * 1.1)


def _standing(rows: pd.DataFrame) -> list[int]:
    """The effects to name: those that stand out, or the largest."""
    return [k for k in range(len(rows)) if rows["strength"].iloc[k] != "not shown"] or [0]


def _said(rows: pd.DataFrame, margin: float) -> str:
    told = [f"{rows['effect'].iloc[k]} {rows['estimate'].iloc[k]:+.3g}" for k in _standing(rows)]
    shown = bool((rows["strength"] != "not shown").any())
    found = f"Standing out: {words(told)}." if shown else f"None stands out; the largest is {told[0]}."
    return f"{len(rows)} effects, margin of error {numbers.number(margin)}. {found}"
