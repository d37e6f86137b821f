"""The photo with a circle round each bubble found, and how many there are of each size."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from castlab.figures import style
from castlab.scoring.regions import to_show

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from castlab.scoring.bubbles import BubbleCount

_WIDEST = 1600
"""Pixels of the photo that are drawn across; more would only make the file large."""
_HIGHEST = 6.4
"""Inches of the photo."""


def draw_count(result: BubbleCount, *, sizes: bool = True) -> Figure:
    """Circles round the bubbles, dashed where the find is doubtful, and beside it the sizes."""
    from matplotlib.collections import PatchCollection
    from matplotlib.patches import Circle

    shown = to_show(result.region, result.picture.shape[:2])
    top, left, bottom, right = (
        at * result.mm_per_pixel for at in (shown[0].start, shown[1].start, shown[0].stop, shown[1].stop)
    )
    extent = (left, right, bottom, top)
    picture = result.picture[shown]
    step = max(1, int(np.ceil(max(picture.shape) / _WIDEST)))
    with style.styled():
        wide, high = _size(right - left, bottom - top)
        figure = style.picture(wide + (2.6 if sizes else 0.4), high + 0.7)
        panes = figure.subplots(1, 2 if sizes else 1, width_ratios=[wide, 1.8] if sizes else None, squeeze=False)[0]
        axes = panes[0]
        axes.set_anchor("N")  # its title on the line of the other
        axes.imshow(picture[::step, ::step], extent=extent, interpolation="bilinear")
        if result.region is not None:
            for colour, width in (("black", 2.6), ("white", 1.2)):  # to be seen on dark and on bright
                axes.contour(
                    result.region[shown][::step, ::step],
                    levels=[0.5],
                    colors=colour,
                    linewidths=width,
                    extent=extent,
                    origin="upper",
                )
        sure = result.bubbles.confidence >= 0.8
        for chosen, line, colour in ((sure, "solid", style.COLOURS[1]), (~sure, "dashed", style.COLOURS[4])):
            some = result.bubbles[chosen]
            circles = [Circle((b.x_mm, b.y_mm), b.diameter_mm / 2) for b in some.itertuples()]
            axes.add_collection(
                PatchCollection(circles, facecolor="none", edgecolor=colour, linewidth=1.2, linestyle=line)
            )
        axes.set(xlim=(left, right), ylim=(bottom, top))
        axes.set(xlabel="mm", ylabel="mm", title=_title(result))
        if not sure.all():
            axes.set_xlabel("mm; dashed circles are doubtful")
        if sizes:
            _sizes(panes[1], result)
    figure.alt = (
        f"Photo with {result.count} circles, one round each bubble found; dashed ones are doubtful. {result.verdict}"
    )
    return figure


def _size(across_mm: float, down_mm: float) -> tuple[float, float]:
    """Inches of the photo, as wide as may be, but no higher than a page shows."""
    wide = min(5.6, _HIGHEST * across_mm / down_mm)
    return max(2.4, wide), max(2.0, wide * down_mm / across_mm)


def _title(result: BubbleCount) -> str:
    if result.low is None:
        return f"{result.count} found"
    if result.high is None:
        return f"{result.count} found; the photo cannot show how many there are"
    return f"{result.count} found, true number likely {result.low} to {result.high}"


def _sizes(axes: object, result: BubbleCount) -> None:
    table = result.sizes
    names = [f"{a:.2g}–{b:.2g}" for a, b in zip(table.from_mm, table.to_mm, strict=True)]
    axes.barh(names, table["count"], height=0.6, color=style.SURE)  # type: ignore[attr-defined]
    axes.set_ylim(-0.7, max(len(names), 5) - 0.3)  # type: ignore[attr-defined]
    axes.set_xlim(0, 1.05 * max(1, table["count"].max()))  # type: ignore[attr-defined]
    axes.set(xlabel="bubbles", title="Diameter, mm")  # type: ignore[attr-defined]
    axes.xaxis.get_major_locator().set_params(integer=True, nbins=4)  # type: ignore[attr-defined]
