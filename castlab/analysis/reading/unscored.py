"""Castings without a score: how many, and whether they are missing more often at some settings. Nothing is filled in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from castlab import labels
from castlab.analysis import words
from castlab.analysis.reading import coding, kinds

_UNEVEN = 0.05


def told(data: pd.DataFrame, blank: np.ndarray, response: str, factors: Sequence[str]) -> list[str]:
    """What to say about castings whose response is missing (`blank`, one per row of `data`)."""
    if not blank.any() or blank.all():
        return []
    uneven = [text for name in factors if (text := _uneven(data[name], blank))]
    what = labels.name(response)
    if not uneven:
        return [
            f"{words.count(int(blank.sum()), 'casting')} without {what}: not missing more often at some settings, as far as "
            "so few can tell. If castings were left unscored because of how they came out, the answer is off all the same."
        ]
    return [
        f"Castings without {what} are not spread evenly: {'; '.join(uneven)}. If they were left unscored because of how they "
        "came out, these settings look better or worse than they are, and no analysis can mend that: score them if they "
        "still exist."
    ]


def _uneven(column: pd.Series, blank: np.ndarray) -> str:
    """Where blanks gather among the settings of one factor (exact test on the castings), or ""."""
    given = column.notna().to_numpy()
    values, gone = column[given], blank[given]
    if values.nunique() < 2 or not gone.any() or gone.all():
        return ""
    numeric = pd.api.types.is_numeric_dtype(values.dtype) and not pd.api.types.is_bool_dtype(values.dtype)
    if numeric and values.nunique() > coding.MOST_LEVELS_AS_RANGE:
        numbers = kinds.numbers(values)
        middle = float(np.median(numbers))
        groups = np.where(numbers > middle, f"above {labels.level(middle)}", f"up to {labels.level(middle)}")
    else:
        groups = np.array([labels.level(float(v) if numeric else v) for v in values])
    table = pd.crosstab(groups, gone)
    if table.shape[0] < 2:
        return ""
    if table.shape[0] == 2:
        p = float(stats.fisher_exact(table.to_numpy()).pvalue)
    else:
        p = float(stats.chi2_contingency(table.to_numpy()).pvalue)
    if p >= _UNEVEN:
        return ""
    counts = [f"{int(row[True])} of {int(row.sum())} at {level}" for level, row in table.iterrows()]
    return f"{labels.name(str(column.name))}: {words.listing(counts)} are missing"
