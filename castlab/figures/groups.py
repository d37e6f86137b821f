"""Groups of castings side by side: every casting, what is expected of each group, and the difference."""

from __future__ import annotations

from typing import TYPE_CHECKING

from castlab import labels
from castlab.analysis import words as numbers
from castlab.figures import castings, effects
from castlab.figures.style import Picture, picture, styled

if TYPE_CHECKING:
    from castlab.analysis import Comparison


def draw_comparison(result: Comparison) -> Picture:
    """The castings of each group with the expected mean, and beside them each group against the reference.

    Parameters
    ----------
    result
        The result of `compare_runs`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    fit = result.fit
    group, response = fit.factors[0], fit.response
    levels = [labels.level(level) for level in castings.levels_of(fit.data[group])]
    rows = fit.data.assign(**{group: fit.data[group].map(labels.level).astype("category")})
    rows[group] = rows[group].cat.reorder_categories(levels)
    means = result.groups.rename(columns={"group": "level"})
    names = list(result.pairs["contrast"])
    with styled():
        figure = picture(9.4, max(3.3, 1.6 + 0.4 * len(names)))
        left, right = figure.subplots(1, 2, width_ratios=[1.25, 1])
        castings.draw_panel(left, rows, response, group, fit.batch, (None, {"": 0}), means)
        left.set_ylabel(labels.label(response))
        effects.draw_intervals(
            right, result.pairs, names, scale=result.scale, response=response, kind=fit.kind, exposure=fit.exposure,
            widest=26,
        )  # fmt: skip
        castings.name_markers(figure, {}, None, fitted=True, cups=fit.batch is not None)
    said = "; ".join(
        f"{row.group}, {row.castings} castings, expected {numbers.number(row.expected)} ({numbers.number(row.low)} to {numbers.number(row.high)})"
        for row in result.groups.itertuples()
    )
    figure.alt = (
        f"{labels.name(response)} by {labels.name(group)}: {said}. "
        f"{effects.in_words(result.pairs, names, scale=result.scale)}."
    )
    return figure
