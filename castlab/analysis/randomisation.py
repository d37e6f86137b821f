"""The randomisation test beside the model: would settings drawn by lot anew give such effects as often as it says?"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from castlab import labels
from castlab.analysis import effects, words
from castlab.analysis.models import permutation
from castlab.analysis.reading.castings import Castings
from castlab.analysis.reading.coding import Design
from castlab.errors import InputError
from castlab.given import whole

SHOWN, NOT_SHOWN = 0.05, 0.10
"""The two disagree clearly where one p-value is below the first and the other above the second."""
QUICK = 299
"""Shuffles of the cross-check inside `fit_factors`; a disagreement is looked at again with all of them."""
COLUMNS = ["factor", "p_model", "p_randomisation", "smallest_possible", "arrangements", "agree", "words"]


def of_castings(
    castings: Castings,
    design: Design,
    tests: pd.DataFrame,
    blocks: np.ndarray | None = None,
    shuffles: int = permutation.SAMPLES,
) -> pd.DataFrame:
    """The randomisation test of every term, beside the p-values of `tests`; columns as in `of_settings`."""
    y = _scores(castings)
    model = tests.set_index("factor")["p_value"]
    rows = []
    for term in design.terms:
        found = permutation.randomised(design.X, y, term.cols, castings.codes, blocks, shuffles)
        p = float(model[term.name])
        agree = _agree(p, found)
        said = _words(p, found, agree) + _both(design.X[:, list(term.cols)], castings.codes, found)
        rows.append((term.name, p, found.p, found.smallest, found.arrangements, agree, said))
    permutation.some_orders.cache_clear()
    return pd.DataFrame(rows, columns=COLUMNS).astype({"agree": object})


def cautions(castings: Castings, design: Design, tests: pd.DataFrame) -> list[str]:
    """A caution for every factor on which model and shuffling clearly disagree."""
    y, said = _scores(castings), []
    for term, p in zip(design.terms, tests["p_value"], strict=True):
        found = permutation.randomised(design.X, y, term.cols, castings.codes, samples=QUICK)
        if _agree(p, found) is False:
            found = permutation.randomised(design.X, y, term.cols, castings.codes)
            if _agree(p, found) is False:
                said.append(f"{labels.names(term.name)}: {_words(p, found, False)}")
    permutation.some_orders.cache_clear()
    return [words.sentence(text) for text in said]


def at_most(castings: Castings, design: Design, tests: pd.DataFrame) -> list[str]:
    """What so few batches can show at most, where that keeps a finding from being called clear."""
    told: dict[str, list[str]] = {}
    by_name = tests.set_index("factor")
    for name, least in effects.least_of_batches(design, castings.codes).items():
        row = by_name.loc[name]
        if row["strength"] == "likely" and row["p_adjusted"] < SHOWN <= least:
            told.setdefault(words.about(least), []).append(labels.names(name))
    return [
        f"However {words.count(castings.n_batches, 'batch')} come out, shuffling the settings of {words.listing(names)} cannot "
        f"give a p-value below {least}: only more batches can make sure of it."
        for least, names in told.items()
    ]


def few_batches(castings: Castings, design: Design, few: int) -> list[str]:
    """A caution where batches are fewer than `few`, or shuffling what was set for them could not show an effect."""
    least = min(effects.least_of_batches(design, castings.codes).values(), default=0.0)
    if castings.n_batches >= few and least < SHOWN:
        return []
    beside = f", and shuffling whole batches cannot give a p-value below {words.about(least)}" if least >= SHOWN else ""
    return [
        f"{castings.n_batches} batches say little about what is set per batch: batches that happen to agree make an effect "
        f"look surer than it is{beside}. Confirm it with more batches."
    ]


def of_settings(
    castings: Castings, design: Design, tests: pd.DataFrame, blocks: str | None, shuffles: int
) -> pd.DataFrame:
    """The table of `FactorFit.randomisation`, within the blocks of a column."""
    whole("shuffles", shuffles, 99)
    where = None
    if blocks is not None:
        around = castings.around
        if blocks not in around and blocks not in castings.data:
            raise InputError(
                f"blocks is {blocks!r}, which is not a column of the frame; accepted: the column that names the mold or "
                "other block within which settings were drawn by lot, or None"
            )
        column = around[blocks] if blocks in around else castings.data[blocks]
        if column.isna().any():
            missing = words.count(int(column.isna().sum()), "casting")
            raise InputError(f"{blocks} is not written down for {missing}; fill it in, or leave blocks out")
        where = np.asarray(pd.factorize(column)[0])
    return of_castings(castings, design, tests, where, int(shuffles))


def _scores(castings: Castings) -> np.ndarray:
    """What is compared: measures in standard deviations from their mean, passes as they are, ranks of grades, and square
    roots of counts (per exposure).

    The square root of y + 3/8 makes counts scatter alike (Anscombe, Biometrika 35, 1948, 246-254).
    """
    if castings.kind == "grade":
        return np.asarray(stats.rankdata(castings.y), dtype=float)
    if castings.kind == "count":
        return np.sqrt((castings.y + 0.375) / np.exp(castings.offset))
    if castings.kind == "measure":
        return (castings.y - castings.y.mean()) / castings.y.std()
    return castings.y


def _agree(p: float, found: permutation.Randomised) -> bool | None:
    if found.smallest > SHOWN or np.isnan(p):
        return None
    return not (min(p, found.p) < SHOWN and max(p, found.p) > NOT_SHOWN)


def _words(p: float, found: permutation.Randomised, agree: bool | None) -> str:
    drawn = f"{'all ' if found.exact else ''}{found.arrangements} {found.drawn}"
    least = f"{found.smallest:.2g}"
    if agree is None:
        return (
            f"{drawn} could not give a p-value below {least}, so shuffling can neither confirm nor contradict the model; "
            f"{_more(found)} would let it."
        )
    both = f"{words.p_value(p)} by the model, {words.p_value(found.p)} by {drawn}"
    if not agree:
        if p < found.p:
            return (
                f"{both}: settings drawn by lot give such a difference more often than the model says. Take the effect for "
                "a hint until further castings confirm it."
            )
        return (
            f"{both}: the shuffled settings show an effect that the model does not. Look at the castings behind it, and "
            "make further ones before deciding either way."
        )
    if max(p, found.p) < SHOWN:
        return f"{both}: both show an effect."
    if min(p, found.p) >= SHOWN:
        return f"{both}: neither shows an effect."
    return f"{both}: close to the line, on different sides of it; a few further castings would settle it."


def _more(found: permutation.Randomised) -> str:
    if found.what == permutation.BATCHES:
        return "more batches, as many at each setting,"
    return "more castings in which the setting changes within a batch" if "within" in found.what else "more castings"


def _both(block: np.ndarray, codes: np.ndarray | None, found: permutation.Randomised) -> str:
    """A setting that varied between batches and within them is judged on one of the two only."""
    if codes is None or permutation.set_per_batch(block, codes):
        return ""
    share = permutation.share_within(block, codes)
    if found.what == permutation.BATCHES:
        return " It changed within batches as well; only its batch means were shuffled, where it changed more."
    if share < 1 - 1e-9:
        return " It changed between batches as well; only its changes within batches were shuffled."
    return ""
