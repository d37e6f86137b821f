"""A recommendation: what to expect of it against the usual settings, and how the main response follows each setting."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from castlab import labels
from castlab.analysis.recommending import advice
from castlab.figures.style import COLOURS, FAINT, INK, QUIET, SURE, Picture, picture, styled, words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from castlab.analysis import Recommendation

MOST_RESPONSES, MOST_SETTINGS = 4, 6
PAGE = 96
"""Letters of the names of levels that stand beside each other across the page."""
_BEYOND = (0, (3, 2))
GOOD = COLOURS[2]
"""What is good enough; a hatch goes with it."""


def draw_recommendation(found: Recommendation) -> Picture:
    """Above: the expected mean and the next casting of each response, against the usual settings and what is good enough.
    Below: the main response along each chosen setting, the others as recommended.

    Parameters
    ----------
    found
        The result of `recommend`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    fits = {fit.response: fit for fit in found.fits}
    rows = [row for row in found.expected.itertuples() if row.response in fits][:MOST_RESPONSES]
    curves = found.curves[found.curves["response"] == found.fits[0].response]
    chosen = list(dict.fromkeys(curves["factor"]))[:MOST_SETTINGS]
    with styled():
        figure = picture(9.4, 2.5 + (2.5 if chosen else 0))
        bands = figure.subfigures(2 if chosen else 1, 1, height_ratios=[1, 1.15] if chosen else None, squeeze=False)
        above = bands[0, 0]
        for place, (axes, row) in enumerate(zip(above.subplots(1, len(rows), squeeze=False)[0], rows, strict=True)):
            share = fits[row.response].kind == "pass"
            _outcome(axes, row, found.goals[row.response].band, share=share, named=place == 0)
        if chosen:
            panels = bands[1, 0].subplots(1, len(chosen), sharey=True, squeeze=False)[0]
            for axes, name in zip(panels, chosen, strict=True):
                letters = PAGE // len(chosen)
                _along(axes, curves[curves["factor"] == name], name, found.settings[name], letters)
            if found.fits[0].kind == "pass":
                panels[0].yaxis.set_major_formatter("{x:.0%}")
            panels[0].set_ylabel(f"expected {labels.label(found.fits[0].response)}", fontsize=9)
        _legend(figure, beyond=not curves["tried"].all())
    told = advice.told(found).set_index("response")
    said = "; ".join(
        f"{labels.name(row.response)} {told.loc[row.response, 'expected']} ({told.loc[row.response, 'low']} to "
        f"{told.loc[row.response, 'high']}), next casting {told.loc[row.response, 'next_low']} to "
        f"{told.loc[row.response, 'next_high']}, usual settings {told.loc[row.response, 'usual']}"
        for row in rows
    )
    use = words(f"{labels.name(n)} {advice.setting(n, found.settings[n])}" for n in chosen)
    figure.alt = f"Recommended settings ({use}): {said}."
    return figure


def _outcome(axes: Axes, row: Any, band: tuple[float, float], *, share: bool, named: bool) -> None:
    if share:  # a single casting passes or not: only the share of many has a place on this axis
        row = row._replace(next_low=row.low, next_high=row.high)
        band = (-np.inf, np.inf)
        axes.xaxis.set_major_formatter("{x:.0%}")
    values = [
        row.expected,
        row.low,
        row.high,
        row.next_low,
        row.next_high,
        row.usual,
        *(v for v in band if np.isfinite(v)),
    ]
    low, high = min(values), max(values)
    room = 0.08 * ((high - low) or 1.0)
    axes.set_xlim(low - room, high + room)
    if np.isfinite(band).any():
        left, right = axes.get_xlim()
        axes.axvspan(max(band[0], left), min(band[1], right), fc=GOOD, ec=GOOD, alpha=0.18, hatch="//", lw=0, zorder=0)
    axes.plot([row.next_low, row.next_high], [1, 1], color=SURE, lw=1.2)
    axes.plot([row.low, row.high], [1, 1], color=SURE, lw=4.5, solid_capstyle="butt")
    axes.plot(row.expected, 1, "o", color=SURE, ms=7)
    axes.plot(row.usual, 0, "s", mfc="white", mec=QUIET, mew=1.8, ms=7)
    axes.set_ylim(-0.6, 1.6)
    axes.set_yticks([0, 1], ["usual", "recommended"] if named else ["", ""])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(labels.label(row.response))


def _along(axes: Axes, curve: Any, name: str, chosen: Any, letters: int) -> None:
    y, low, high = (curve[c].to_numpy(dtype=float) for c in ("expected", "low", "high"))
    if isinstance(chosen, float):
        x = curve["value"].to_numpy(dtype=float)
        axes.fill_between(x, low, high, color=FAINT)
        tried = curve["tried"].to_numpy(dtype=bool)
        axes.plot(x, y, color=INK, lw=1.6, ls=_BEYOND)
        axes.plot(x[tried], y[tried], color=INK, lw=1.6)
        axes.plot(chosen, np.interp(chosen, x, y), "o", color=SURE, ms=7)
        axes.set_xlabel(labels.label(name), fontsize=9)
    else:
        levels = [labels.level(v) for v in curve["value"]]
        x = np.arange(len(levels))
        axes.vlines(x, low, high, color=QUIET, lw=2)
        axes.plot(x, y, "s", mfc="white", mec=INK, mew=1.5, ms=6)
        place = levels.index(labels.level(chosen))
        axes.plot(place, y[place], "o", color=SURE, ms=7)
        axes.set_xticks(x, [textwrap.fill(level, max(6, letters // len(levels) - 1)) for level in levels])
        axes.set_xlim(-0.6, len(levels) - 0.4)
        axes.set_xlabel(labels.label(name), fontsize=9)


def _legend(figure: Picture, *, beyond: bool) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles = [
        Line2D([], [], marker="o", color=SURE, lw=4.5, ms=7, label="expected mean (95% interval)"),
        Line2D([], [], color=SURE, lw=1.2, label="next casting (95%)"),
        Line2D([], [], marker="s", ls="", mfc="white", mec=QUIET, mew=1.8, ms=7, label="usual settings"),
        Patch(fc=GOOD, ec=GOOD, alpha=0.3, hatch="//", label="good enough"),
    ]
    if beyond:
        handles.append(Line2D([], [], color=INK, lw=1.6, ls=_BEYOND, label="beyond what was tried"))
    figure.legend(handles=handles, loc="outside lower right", ncols=len(handles))
