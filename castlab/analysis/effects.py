"""Effects and tests of a fitted model as tables, with p-values adjusted for looking at several factors.

The word for how sure a finding is comes from here, for every analysis.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from castlab.analysis import words
from castlab.analysis.models import permutation
from castlab.analysis.models.chosen import Chosen
from castlab.analysis.reading.coding import Design

CLEAR = words.LINE
PLANNED, EXPLORING = "planned", "exploring"

STRENGTHS = {
    "clear": "holds after allowing for the number of factors looked at (adjusted p below 0.05)",
    "likely": "holds on its own (p below 0.05), not after allowing for the number of factors looked at, or rests on so few "
    "castings or batches that it is no more than that",
    "not shown": "these castings do not show it; the interval says what remains possible",
}


def holm(p: Sequence[float]) -> np.ndarray:
    """p-values adjusted by Holm (Scandinavian Journal of Statistics 6, 1979, 65-70)."""
    values = np.asarray(p, dtype=float)
    order = np.argsort(values)
    adjusted = np.empty_like(values)
    running = 0.0
    for rank, i in enumerate(order):
        running = max(running, (len(values) - rank) * values[i])
        adjusted[i] = min(1.0, running)
    return adjusted


def strength(p: float, p_adjusted: float, *, too_few: bool = False) -> str:
    """The word for an effect (see `STRENGTHS`); never "clear" where the castings are `too_few` to carry that word."""
    if p_adjusted < CLEAR and not too_few:
        return "clear"
    return "likely" if p < CLEAR else "not shown"


def least_of_batches(design: Design, codes: np.ndarray | None) -> dict[str, float]:
    """The least p-value that shuffling could give, of every term for which whole batches are shuffled, by its name."""
    return {
        term.name: permutation.least(design.X, term.cols, codes)
        for term in design.terms
        if permutation.of_batches(design.X[:, list(term.cols)], codes)
    }


def too_few(chosen: Chosen, design: Design, codes: np.ndarray | None) -> dict[str, bool]:
    """For each term whether its castings, or batches, are too few to be called clear.

    Where all castings of whole batches may be alike, the model cannot see how batches scatter, and its p-value may be tiny
    for a difference that settings drawn by lot give as often as once in ten: such an effect is clear only where shuffling
    could show it at all.
    """
    least = least_of_batches(design, codes) if chosen.bounded else {}
    return {term.name: chosen.too_few or least.get(term.name, 0.0) >= CLEAR for term in design.terms}


def strengths(table: pd.DataFrame, too_few: bool | Sequence[bool] = False) -> list[str]:
    """The word for each row of a table with p_value and p_adjusted."""
    few = [too_few] * len(table) if isinstance(too_few, bool) else too_few
    rows = zip(table["p_value"], table["p_adjusted"], few, strict=True)
    return [strength(p, adjusted, too_few=bool(f)) for p, adjusted, f in rows]


def tables(
    chosen: Chosen,
    design: Design,
    codes: np.ndarray | None,
    planned: Collection[str] = (),
    *,
    intervals: bool = True,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The effects (one row per contrast) and the tests (one row per factor).

    The tests are adjusted over the factors (Holm), those of the `planned` terms among themselves. A contrast of a factor
    with several levels is adjusted over the levels, and is never surer than its factor. Without `intervals`, which cost
    most of the time, low and high are NaN.
    """
    with np.errstate(all="ignore"):  # degrees of freedom and ends of intervals may be infinite
        return _tables(chosen, design, codes, planned, intervals=intervals)


def _tables(
    chosen: Chosen, design: Design, codes: np.ndarray | None, planned: Collection[str], *, intervals: bool
) -> tuple[pd.DataFrame, pd.DataFrame]:
    tests = []
    for term in design.terms:
        test = chosen.model.test(term.cols)
        where = ""
        if codes is not None:
            where = (
                "between batches: "
                if permutation.set_per_batch(design.X[:, list(term.cols)], codes)
                else "within batches: "
            )
        tests.append((term.name, test.statistic, test.df, test.p, where + test.method))
    test_table = pd.DataFrame(tests, columns=["factor", "statistic", "df", "p_value", "method"])
    own = test_table["factor"].isin(list(planned))
    test_table.insert(4, "p_adjusted", holm(test_table["p_value"]))
    if own.any():
        test_table.loc[own, "p_adjusted"] = holm(test_table.loc[own, "p_value"])
    few = too_few(chosen, design, codes)
    test_table["strength"] = strengths(test_table, list(few.values()))
    test_table["look"] = np.where(own, PLANNED, EXPLORING)

    is_ratio = chosen.scale != "difference"
    rows = []
    for term, overall, unsure in zip(design.terms, test_table.itertuples(), few.values(), strict=True):
        single = len(term.cols) == 1
        each = [overall.p_value] if single else [chosen.model.test([j]).p for j in term.cols]
        adjusted = [overall.p_adjusted] if single else [max(overall.p_adjusted, a) for a in holm(each)]
        for j, contrast, p, p_adjusted in zip(term.cols, term.contrasts, each, adjusted, strict=True):
            ends = chosen.model.interval(j) if intervals else (np.nan, np.nan)
            values = np.array([chosen.model.coef[j], *ends])
            estimate, low, high = np.exp(values) if is_ratio else values
            word = strength(max(p, overall.p_value), p_adjusted, too_few=unsure)
            rows.append((term.name, contrast, estimate, low, high, p, p_adjusted, is_ratio, word, overall.look))
    names = ["factor", "contrast", "estimate", "low", "high", "p_value", "p_adjusted", "ratio", "strength", "look"]
    return pd.DataFrame(rows, columns=names), test_table
