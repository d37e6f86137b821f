"""What blind sessions show of a scorer over time: whether the same castings are scored differently now."""

from __future__ import annotations

import math
from collections.abc import Hashable
from dataclasses import dataclass, field

import pandas as pd
from scipy import stats

from castlab import labels
from castlab.analysis import words
from castlab.analysis.reading.castings import check_frame
from castlab.errors import InputError
from castlab.given import shown
from castlab.records.grades import mixed
from castlab.results import Result
from castlab.scoring import ratings

_NOBODY = "nobody has read three castings twice on different days; plan a blind session with plan_rescoring"
LEAST_DAYS = 7
"""Days between two readings below which a scorer may remember the first (common practice, no source)."""


def _times(column: pd.Series) -> pd.Series:
    try:
        if pd.api.types.is_numeric_dtype(column.dtype):
            raise ValueError
        return pd.to_datetime(column, format="ISO8601")
    except (ValueError, TypeError):
        raise InputError(
            f"scored_at holds {column.iloc[0]!r} or the like, which are not all times of one clock; accepted: times "
            "such as 2026-03-01 10:00"
        ) from None


@dataclass(frozen=True, kw_only=True, eq=False)
class ScorerDrift(Result):
    """Each scorer's second reading against the first: `table` has scorer, castings, days (between, middle), shift (again
    minus first), low, high (95%, NaN where all castings shifted alike), spread (of the differences), p_value. `data`: scorer, casting, first, again, days."""

    table: pd.DataFrame
    value: str
    data: pd.DataFrame = field(repr=False)

    def tables(self) -> dict[str, pd.DataFrame]:
        told = words.table(self.table.rename(columns={"shift": "estimate"}), ratios=False)
        return {"Second reading against the first": told.rename(columns={"estimate": "shift"})}


def drift_of_scorer(scores: pd.DataFrame, value: str, *, scorer: str | None = None) -> ScorerDrift:
    """Whether the same person scores the same castings differently now.

    Parameters
    ----------
    scores : DataFrame
        One row per reading with trial_id, scorer, scored_at and `value`, such as `Logbook.scores()`.
    value : str
        The reading to compare.
    scorer : str, optional
        Only this person; None all who read a casting twice.

    Returns
    -------
    ScorerDrift
        `.table`, `.data`, `.verdict`. The first reading of a casting is compared with the last.

    Raises
    ------
    InputError
        For missing columns, or if nobody read three castings twice.

    Notes
    -----
    Paired t interval of the differences; grades are treated as numbers.

    Examples
    --------
    >>> import pandas as pd
    >>> read = pd.DataFrame({"trial_id": ["T-001.1", "T-001.2", "T-001.3"] * 2, "scorer": "Ada",
    ...                      "scored_at": ["2026-03-01"] * 3 + ["2026-04-01"] * 3, "bubbles": [5, 9, 2, 7, 11, 3]})
    >>> round(float(drift_of_scorer(read, "bubbles").table["shift"].iloc[0]), 2)
    1.67
    """
    check_frame(scores, ["trial_id", "scorer", "scored_at", value])
    if value in ("trial_id", "scorer", "scored_at"):
        raise InputError(f"value is {value!r}, which is no reading; accepted: a column of numbers")
    rows = scores[["trial_id", "scorer", "scored_at", value]].dropna()
    if scorer is not None and not isinstance(scorer, Hashable):
        raise InputError(f"scorer is {shown(scorer)}; accepted: the name of one scorer, or None for all")
    if rows.empty:
        raise InputError(_NOBODY)
    rows = rows.assign(scored_at=_times(rows["scored_at"]), **{value: ratings.numbers(rows[value])})
    if scorer is not None:
        if scorer not in set(rows["scorer"]):
            raise InputError(f"no dated scores of {scorer!r}; scorers: {', '.join(sorted(set(rows['scorer'])))}")
        rows = rows[rows["scorer"] == scorer]
    groups = rows.sort_values("scored_at", kind="stable").groupby(["scorer", "trial_id"], observed=True)
    twice = groups.agg(first=(value, "first"), again=(value, "last"), n=(value, "size"), start=("scored_at", "first"), end=("scored_at", "last"))  # fmt: skip
    twice = twice[(twice["n"] > 1) & (twice["end"] > twice["start"])].reset_index()
    data = twice.assign(days=(twice["end"] - twice["start"]).dt.total_seconds() / 86_400)
    data = data.rename(columns={"trial_id": "casting"})[["scorer", "casting", "first", "again", "days"]]
    found = []
    for person, part in data.groupby("scorer"):
        difference = (part["again"] - part["first"]).to_numpy()
        if len(difference) < 3:
            continue
        middle, spread = float(difference.mean()), float(difference.std(ddof=1))
        error = spread / math.sqrt(len(difference))
        reach = float(stats.t.ppf(0.975, len(difference) - 1)) * error
        if error == 0:  # no interval of no width
            reach = p = math.nan
        else:
            p = float(2 * stats.t.sf(abs(middle) / error, len(difference) - 1))
        found.append(
            (person, len(difference), float(part["days"].median()), middle, middle - reach, middle + reach, spread, p)
        )
    if not found:
        raise InputError(_NOBODY)
    table = pd.DataFrame(found, columns=["scorer", "castings", "days", "shift", "low", "high", "spread", "p_value"])
    cautions = []
    soon = table[table["days"] < LEAST_DAYS]
    if len(soon):
        cautions.append(
            f"{words.listing(list(soon['scorer']))} read again within {LEAST_DAYS} days and may have remembered the first reading."
        )
    if len(table) > 1:
        cautions.append(f"{len(table)} scorers were looked at; one in twenty would seem to drift by chance.")
    used = scores if scorer is None else scores[scores["scorer"] == scorer]
    cautions += ratings.not_plain(used, value)
    if note := mixed(used, value):
        cautions.append(note)
    unit = labels.unit(value)
    said = []
    for row in table.itertuples():
        if math.isnan(row.low):
            said.append(
                f"{row.scorer}: {labels.name(value)} {row.shift:+.3g} {unit}".strip()
                + f" against the first reading in each of {words.count(row.castings, 'casting')} alike; too few, or too much "
                "alike, to tell an interval. Score more castings that differ again."
            )
            continue
        size, low, high = words.effect(row.shift, row.low, row.high, times=False)
        drifted = "has drifted" if row.low > 0 or row.high < 0 else "no drift shown"
        said.append(
            f"{row.scorer}: {labels.name(value)} {f'{size} {unit}'.strip()} against the first reading of {words.count(row.castings, 'casting')} "
            f"(95% interval {low} to {high}), {drifted}."
        )
    return ScorerDrift(verdict=" ".join(said), cautions=tuple(cautions), table=table, value=value, data=data)
