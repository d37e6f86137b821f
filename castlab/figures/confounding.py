"""Which settings changed together: a map of every pair."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import seaborn as sns

from castlab import labels
from castlab.errors import InputError
from castlab.figures.style import FAINT, INK, Picture, footnote, picture, styled, words

if TYPE_CHECKING:
    from castlab.analysis import Confounding


def draw_confounding(found: Confounding) -> Picture:
    """Every pair of settings; the share that changed together stands in the field, the darker the larger.

    Parameters
    ----------
    found
        The result of `what_is_confounded`.

    Returns
    -------
    The figure, with its text alternative as `alt`.

    Raises
    ------
    InputError
        If only one setting was looked at.
    """
    names = list(found.factors)
    if len(names) < 2:
        raise InputError(f"only {words(names)} was looked at; a map of what changed together needs two settings")
    inside = found.pairs[found.pairs["one"].isin(names) & found.pairs["other"].isin(names)]
    shares = np.full((len(names), len(names)), np.nan)
    for row in inside.itertuples():
        high, low = sorted((names.index(row.one), names.index(row.other)), reverse=True)
        shares[high, low] = row.share
    shares = shares[1:, :-1]
    below = np.tril(np.ones_like(shares, dtype=bool))
    said = [labels.name(name) for name in names]
    with styled():
        figure = picture(3.0 + 0.55 * len(names), 1.7 + 0.36 * len(names))
        axes = figure.subplots()
        common = {"ax": axes, "cbar": False, "linewidths": 1.5, "linecolor": "white"}
        sns.heatmap(np.where(below, 0.0, np.nan), cmap=[FAINT], xticklabels=said[:-1], yticklabels=said[1:], **common)
        if len(inside):
            written = np.where(np.isnan(shares), "", np.vectorize(lambda share: f"{share:.0%}")(np.nan_to_num(shares)))
            sns.heatmap(
                shares, vmin=0.3, vmax=1, cmap=sns.light_palette(INK, as_cmap=True), annot=written, fmt="",
                xticklabels=said[:-1], yticklabels=said[1:], **common,
            )  # fmt: skip
        axes.tick_params(length=0)
        axes.tick_params(axis="y", rotation=0)
        axes.set_xticks(axes.get_xticks(), said[:-1], rotation=40, ha="right", rotation_mode="anchor")
        footnote(figure, "100%: always changed together, cannot be told apart; empty: less than half.")
    pairs = [f"{labels.name(row.one)} and {labels.name(row.other)} {row.share:.0%}" for row in inside.itertuples()]
    figure.alt = f"Map of {len(names)} settings ({words(said)}) over {found.n} castings. " + (
        f"Changed together: {'; '.join(pairs)}." if pairs else "No two changed together in more than half."
    )
    return figure
