"""Confirmation castings: how many, and which result would contradict what is expected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from castlab.analysis.fit import FactorFit
from castlab.analysis.recommending import chances
from castlab.analysis.recommending.goals import Goal
from castlab.analysis.recommending.prediction import SEED, Outlook

FEWEST_BATCHES, MOST_BATCHES = 2, 6
FEWEST, MOST = 4, 16
"""Batches, or castings where no batches are known, among which the confirmation is planned."""
PARTS = "parts that pass"


def plan(
    fits: Sequence[FactorFit], goals: Mapping[str, Goal], seen: Mapping[str, Outlook], expected: pd.DataFrame,
    passing: np.ndarray | None,
) -> pd.DataFrame:  # fmt: skip
    """The fewest castings whose mean would tell the first response from what the usual settings are expected to give.

    Returns
    -------
    DataFrame: response, castings, batches (0 where no batches are known), expected, low, high (the mean of the
    confirmation castings lies between in 95 of 100 cases if the fit is right), tells (True if the usual settings'
    expected result lies outside) and contradicts (what result speaks against the fit: above, below, outside, or nothing).
    """
    main = fits[0]
    usual = expected.set_index("response")["usual"]
    per_batch = max(1, round(main.n / main.n_batches)) if main.batch else 1
    sizes = range(FEWEST_BATCHES, MOST_BATCHES + 1) if main.batch else range(FEWEST, MOST + 1)
    for size in sizes:
        castings = size * per_batch
        low, high = _span(seen[main.response], castings, size)
        if not low <= usual[main.response] <= high:
            break
    rows = []
    for fit in fits:
        if fit.kind == "pass" and goals[fit.response].good_enough is not None:
            continue  # counted among the parts that pass
        low, high = _span(seen[fit.response], castings, size)
        there = float(usual[fit.response])
        middle = float(expected.set_index("response")["expected"][fit.response])
        rows.append(
            (fit.response, castings, size if main.batch else 0, middle, low, high, not low <= there <= high,
             _against(goals[fit.response]))
        )  # fmt: skip
    if passing is not None:
        rng = np.random.default_rng(SEED)
        counts = rng.binomial(castings, passing)
        low, high = np.quantile(counts, 0.025, method="lower"), np.quantile(counts, 0.975, method="higher")
        against = "below" if low > 0 else "above" if high < castings else "nothing"
        rows.append(
            (PARTS, castings, size if main.batch else 0, castings * float(passing.mean()), float(low), float(high), False, against)
        )  # fmt: skip
    names = ["response", "castings", "batches", "expected", "low", "high", "tells", "contradicts"]
    return pd.DataFrame(rows, columns=names)


def _span(one: Outlook, castings: int, batches: int) -> tuple[float, float]:
    means = chances.confirmation(one, castings, batches, np.random.default_rng(SEED))
    low, high = np.quantile(means, [0.025, 0.975])
    return float(low), float(high)


def _against(goal: Goal) -> str:
    return {"fewer": "above", "more": "below"}.get(str(goal.aim), "outside")
