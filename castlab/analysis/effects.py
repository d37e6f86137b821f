"""Effects and tests of a fitted model as tables, with p-values adjusted for looking at several factors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from castlab.analysis.models import permutation
from castlab.analysis.models.choose import Chosen
from castlab.analysis.reading.coding import Design

CLEAR = 0.05

STRENGTHS = {
    "clear": "holds after allowing for the number of factors looked at (adjusted p below 0.05)",
    "likely": "holds on its own (p below 0.05), not after allowing for the number of factors looked at, or rests on so few "
    "castings that it is no more than that",
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


def strength(p: float, p_adjusted: float) -> str:
    """The word for an effect: see `STRENGTHS`."""
    return "clear" if p_adjusted < CLEAR else "likely" if p < CLEAR else "not shown"


def no_surer(effects: pd.DataFrame, chosen: Chosen) -> pd.DataFrame:
    """The effects with none called "clear" where the castings cannot carry that word."""
    return effects.replace({"strength": {"clear": "likely"}}) if chosen.too_few else effects


def tables(
    chosen: Chosen, design: Design, codes: np.ndarray | None, *, intervals: bool = True
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The effects (one row per contrast) and the tests (one row per factor).

    The tests are adjusted over the factors (Holm). A contrast of a factor with several levels is adjusted over the
    levels, and is never surer than its factor. Without `intervals`, which cost most of the time, low and high are NaN.
    """
    with np.errstate(all="ignore"):  # degrees of freedom and ends of intervals may be infinite
        return _tables(chosen, design, codes, intervals=intervals)


def _tables(
    chosen: Chosen, design: Design, codes: np.ndarray | None, *, intervals: bool
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
    test_table.insert(4, "p_adjusted", holm(test_table["p_value"]))

    is_ratio = chosen.scale != "difference"
    rows = []
    for term, overall in zip(design.terms, test_table.itertuples(), strict=True):
        single = len(term.cols) == 1
        each = [overall.p_value] if single else [chosen.model.test([j]).p for j in term.cols]
        adjusted = [overall.p_adjusted] if single else [max(overall.p_adjusted, a) for a in holm(each)]
        for j, contrast, p, p_adjusted in zip(term.cols, term.contrasts, each, adjusted, strict=True):
            ends = chosen.model.interval(j) if intervals else (np.nan, np.nan)
            values = np.array([chosen.model.coef[j], *ends])
            estimate, low, high = np.exp(values) if is_ratio else values
            rows.append((term.name, contrast, estimate, low, high, p, p_adjusted, is_ratio, strength(p, p_adjusted)))
    names = ["factor", "contrast", "estimate", "low", "high", "p_value", "p_adjusted", "ratio", "strength"]
    return pd.DataFrame(rows, columns=names), test_table
