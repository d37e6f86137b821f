"""Effects of an unreplicated plan on half-normal axes: what does nothing lies along the line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from castlab import labels
from castlab.figures.style import INK, QUIET, SURE, Picture, picture, styled, words

if TYPE_CHECKING:
    from castlab.analysis.screen import Screen

_LOOKS: dict[str, dict[str, Any]] = {
    "clear": {"marker": "o", "mfc": SURE, "mec": SURE},
    "likely": {"marker": "D", "mfc": "white", "mec": SURE},
    "not shown": {"marker": "s", "mfc": "white", "mec": QUIET},
}


def draw_screen(result: Screen) -> Picture:
    """Sizes of all effects against where they would lie if none did anything, those that stand out named.

    Parameters
    ----------
    result
        The result of `screen_effects`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    rows = result.effects
    size, place = rows["estimate"].abs().to_numpy(), rows["half_normal"].to_numpy()
    with styled():
        figure = picture(7.6, 4.4)
        axes = figure.subplots()
        end = float(place.max()) * 1.08
        axes.plot([0, end], [0, end * result.pse], color=INK, lw=1)
        axes.annotate(
            "if nothing\nhad an effect",
            (end, end * result.pse),
            (4, 0),
            textcoords="offset points",
            va="center",
            fontsize=9,
        )
        for name, margin in (("margin", result.margin), ("margin for all", result.simultaneous_margin)):
            if margin < 1.35 * size.max():
                axes.axhline(margin, color=QUIET, lw=1, ls=(0, (4, 3)), zorder=0)
                axes.text(0.01, margin, name, fontsize=8.5, va="bottom", transform=axes.get_yaxis_transform())
        for strength, look in _LOOKS.items():
            mine = (rows["strength"] == strength).to_numpy()
            if mine.any():
                axes.plot(place[mine], size[mine], ls="", ms=7.5, mew=1.5, label=strength, **look)
        named = [k for k in range(len(rows)) if rows["strength"].iloc[k] != "not shown"] or [0]
        for k in named:
            axes.annotate(
                " x ".join(labels.name(p) for p in rows["effect"].iloc[k].split(" x ")), (place[k], size[k]), (-8, 0),
                textcoords="offset points", ha="right", va="center", fontsize=9,
            )  # fmt: skip
        axes.set_xlim(0, end * 1.16)
        axes.set_ylim(0, max(size.max(), result.margin if result.margin < 1.35 * size.max() else 0) * 1.1)
        unit = "square roots of counts" if result.kind == "count" else labels.unit(result.response)
        axes.set_ylabel(f"size of the effect on {labels.name(result.response)}" + (f" ({unit})" if unit else ""))
        axes.set_xlabel("half-normal quantile (in standard deviations)")
        figure.legend(loc="outside lower right", ncols=3)
    said = [f"{rows['effect'].iloc[k]} {rows['estimate'].iloc[k]:+.3g}" for k in named]
    shown = bool(np.any(rows["strength"] != "not shown"))
    figure.alt = (
        f"Half-normal picture of {len(rows)} effects on {labels.name(result.response)}; margin of error {result.margin:.3g}. "
        + (f"Standing out: {words(said)}." if shown else f"None stands out; the largest is {said[0]}.")
    )
    return figure
