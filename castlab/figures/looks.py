"""Every setting on every response: how sure each effect is, and how large."""

from __future__ import annotations

from typing import TYPE_CHECKING

from castlab import labels
from castlab.analysis import words as numbers
from castlab.figures.effects import LOOKS, name_strengths
from castlab.figures.style import FAINT, Picture, picture, styled

if TYPE_CHECKING:
    from castlab.analysis import ManyResponses

WIDEST = 16
"""Letters of a response's name on one line."""


def _headed(response: str) -> str:
    unit = labels.unit(response)
    return f"{labels.name(response)} ({unit})" if unit else labels.name(response)


def draw_many(found: ManyResponses) -> Picture:
    """A field per setting and response with the effect that stands out most and a marker for how sure it is.

    Parameters
    ----------
    found
        The result of `many_responses`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    import textwrap

    table = found.table
    factors, responses = list(dict.fromkeys(table["factor"])), list(dict.fromkeys(table["response"]))
    said = []
    with styled():
        figure = picture(1.6 + 0.075 * max(map(len, factors)) + 1.75 * len(responses), 1.1 + 0.38 * len(factors))
        axes = figure.subplots()
        for place in range(0, len(factors), 2):
            axes.axhspan(place - 0.5, place + 0.5, color=FAINT, alpha=0.6, lw=0, zorder=0)
        for row in table.itertuples():
            x, y = responses.index(row.response), factors.index(row.factor)
            ratio = row.scale != "difference"
            size = (
                numbers.ratio(row.estimate) + " times"
                if ratio
                else numbers.signed(row.estimate, (row.high - row.low) / 2)
            )
            axes.plot(x - 0.3, y, ls="", ms=7.5, mew=1.8, **LOOKS[row.strength])
            axes.annotate(size, (x - 0.18, y), va="center", fontsize=9.5)
            if row.strength != "not shown":
                said.append(
                    f"{labels.name(row.response)}, {labels.name(row.factor)} {row.contrast}: {size}, {row.strength}"
                )
        axes.set_xlim(-0.5, len(responses) - 0.3)
        axes.set_ylim(len(factors) - 0.5, -0.5)
        axes.set_yticks(range(len(factors)), [labels.name(name) for name in factors])
        axes.set_xticks(range(len(responses)), [textwrap.fill(_headed(name), WIDEST) for name in responses])
        axes.xaxis.tick_top()
        axes.tick_params(length=0)
        for side in ("left", "bottom"):
            axes.spines[side].set_visible(False)
        name_strengths(figure, table)
    figure.alt = (
        f"{numbers.count(len(factors), 'setting')} and {numbers.count(len(responses), 'response')}, adjusted over all of them by {found.method}. "
        + ("; ".join(said) + "." if said else "Nothing is shown.")
    )
    return figure
