"""Which settings changed together, and what follows the batch, the day or the mold: a map of every pair."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import seaborn as sns
from matplotlib.patches import Rectangle

from castlab import labels
from castlab.analysis import confounding
from castlab.analysis.words import count, sentence
from castlab.errors import InputError
from castlab.figures.style import FAINT, INK, QUIET, Picture, footnote, picture, styled, words

if TYPE_CHECKING:
    from castlab.analysis import Confounding

SHADES = sns.light_palette(INK, as_cmap=True)
LEAST = 0.3
"""Share at which the shades begin."""


def draw_confounding(found: Confounding) -> Picture:
    """Every pair of settings, and each setting with what castings were made together in.

    The share that changed together stands in the field, the darker the larger; settings that say nothing are hatched.

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
        If only one setting was looked at, and nothing that castings share, such as a batch.
    """
    names, groups = list(found.factors), found.looked_at
    if len(names) + len(groups) < 2:
        raise InputError(
            f"only {words(names)} was looked at; a map of what changed together needs two settings, or castings that share "
            "batches, days or molds"
        )
    rows, columns = [*names[1:], *groups], names if groups else names[:-1]
    shares = {frozenset((row.one, row.other)): row.share for row in found.pairs.itertuples()}
    with styled():
        figure = picture(3.0 + 0.55 * len(names), 1.9 + 0.36 * len(rows))
        axes = figure.subplots()
        for place, row in enumerate(rows):
            for at, column in enumerate(columns[: place + 1] if row in names else columns):
                corner = (at + 0.03, place + 0.04)
                if {row, column} & set(found.silent):
                    axes.add_patch(
                        Rectangle(corner, 0.94, 0.92, lw=0, facecolor="white", edgecolor=QUIET, hatch="////")
                    )
                    continue
                share = shares.get(frozenset((row, column)))
                shade = FAINT if share is None else SHADES((share - LEAST) / (1 - LEAST))
                axes.add_patch(Rectangle(corner, 0.94, 0.92, lw=0, facecolor=shade))
                if share is not None:
                    axes.text(
                        at + 0.5, place + 0.52, _said(share), ha="center", va="center",
                        color="white" if share > 0.6 else INK,
                    )  # fmt: skip
        axes.set_xlim(0, len(columns))
        axes.set_ylim(len(rows), 0)
        axes.tick_params(length=0)
        axes.spines[:].set_visible(False)
        axes.set_yticks(np.arange(len(rows)) + 0.5, [labels.name(row) for row in rows])
        axes.set_xticks(
            np.arange(len(columns)) + 0.5, [labels.name(column) for column in columns], rotation=40, ha="right",
            rotation_mode="anchor",
        )  # fmt: skip
        footnote(figure, " ".join(_notes(found)))
    figure.alt = _in_words(found)
    return figure


def _said(share: float) -> str:
    return "100%" if share == 1 else f"{min(share, 0.99):.0%}"


def _notes(found: Confounding) -> list[str]:
    notes = ["100%: always changed together, cannot be told apart; empty: less than half."]
    if found.looked_at:
        which = words([labels.name(group) for group in found.looked_at])
        notes.append(f"Beside the {which}, 100%: changed only from one to the next; empty: changed within them too.")
    if found.silent:
        notes.append("Hatched: never varied or never recorded.")
    return [*notes, *_followers(found)]


def _followers(found: Confounding) -> list[str]:
    rows = [row for row in found.pairs.itertuples() if confounding.FOLLOWS in row.words]
    return [
        sentence(f"{labels.name(row.one)} {confounding.following(row.words, labels.names(row.other))}.") for row in rows
    ]


def _in_words(found: Confounding) -> str:
    told = [
        f"{labels.name(row.one)} and {labels.name(row.other)} {_said(row.share)}"
        for row in found.pairs.itertuples()
        if row.one not in found.silent and confounding.FOLLOWS not in row.words
    ]
    names = [labels.name(name) for name in found.factors]
    parts = [f"Map of {count(len(names), 'setting')} ({words(names)}) over {count(found.n, 'casting')}."]
    parts.append(f"Changed together: {'; '.join(told)}." if told else "No two changed together in more than half.")
    if found.silent:
        parts.append(f"Never varied or never recorded: {words([labels.name(name) for name in found.silent])}.")
    return " ".join([*parts, *_followers(found)])
