"""Do the scorers agree: Krippendorff's alpha, weighted kappa of pairs, intraclass correlations.

Sources: Krippendorff, Content Analysis, 2nd ed. (2004), chapter 11, with its bounds 0.667 and 0.800 (p. 241), through the
`krippendorff` library; weighted kappa Cohen, Psychological Bulletin 70 (1968) 213, through statsmodels; intraclass
correlations and their F intervals Shrout and Fleiss, Psychological Bulletin 86 (1979) 420, and McGraw and Wong,
Psychological Methods 1 (1996) 30.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any, cast

import numpy as np
import pandas as pd
from scipy import stats

from castlab.errors import FitError
from castlab.given import whole
from castlab.records import grades
from castlab.results import Result
from castlab.scoring import ratings

RELIABLE, TENTATIVE = 0.80, 0.667
"""Krippendorff's customary bounds: reliable, and good enough for tentative conclusions."""
RESAMPLES = 2000
ALIKE = 0.05
"""Share of resamples without any difference above which the castings are too much alike for an interval: two differ."""
LEAST_FOR_ICC = 5
"""Castings scored by all below which intraclass correlations tell nothing (rule of thumb, no source)."""
FEW_CASTINGS = 10
"""Below this number of castings the bootstrap interval is too narrow (rule of thumb, no source)."""
LEAST_FOR_KAPPA = 20
"""Castings scored by both below which the interval of kappa is left out: in simulations of five grades it held 71 to 91% with 5
to 15 castings, 89 to 93% with 20 to 50."""
MOST_LEVELS = 7
"""So many different values are names or grades, of which a scorer may leave one out; more are counts."""
OFTEN = 3
"""So often others must have given a value for one who never gives it to be told (rule of thumb, no source)."""
_ROUNDING = 1e-12


@dataclass(frozen=True, kw_only=True, eq=False)
class Agreement(Result):
    """How far scorers agree about the same castings; 1 is complete, 0 is what chance alone would give.

    `alpha`, `low`, `high`: Krippendorff's alpha with a 95% percentile bootstrap interval over castings, NaN
    where these cannot tell (all scored the same by all, or hardly any that differs). `pairs`: one row
    per two scorers (castings, same = share given the same value, shift = mean of second minus first, kappa with
    interval for nominal and ordinal scales, the interval where both scored 20 castings or more). `icc`: intraclass correlations with 95% F intervals, for interval and ratio
    scales, over the castings that all of the named scorers scored; empty where these are too few. `ratings`: the table used; `levels`: what its numbers stand for, where names or
    grades in words were scored.
    """

    alpha: float
    low: float
    high: float
    scale: str
    castings: int
    scorers: tuple[str, ...]
    pairs: pd.DataFrame
    icc: pd.DataFrame
    ratings: pd.DataFrame
    value: str = "score"
    levels: tuple[str, ...] = ()

    def tables(self) -> dict[str, pd.DataFrame]:
        pairs, icc = self.pairs.round(2), self.icc.copy()
        for table, columns in ((pairs, ("kappa", "low", "high")), (icc, ("icc", "low", "high"))):
            for column in set(columns) & set(table):
                table[column] = [told(value) for value in table[column]]
        return {"Pairs of scorers": pairs.dropna(axis=1, how="all")} | (
            {"Intraclass correlations": icc} if len(icc) else {}
        )


def agreement(
    ratings_frame: pd.DataFrame,
    scale: str = "ordinal",
    *,
    item: str | None = None,
    scorer: str | None = None,
    value: str | None = None,
    seed: int = 1,
) -> Agreement:
    """How far scorers agree about the same castings, with an interval.

    Parameters
    ----------
    ratings_frame : DataFrame
        Long, one row per score, with `item`, `scorer` and `value` naming its columns (such as `book.scores()`); or
        wide, one row per casting and one column per scorer. Gaps are allowed. Columns with plain names (`trial_id`,
        casting, part, item ...; scorer, rater, appraiser ...) are known without being named, and the cautions say so.
    scale : {"nominal", "ordinal", "interval", "ratio"}
        What the values are: names, grades, measures, or measures and counts with a true zero.
    item, scorer, value : str, optional
        Columns of a long frame.
    seed : int
        Of the bootstrap.

    Returns
    -------
    Agreement
        `.alpha`, `.low`, `.high`, `.pairs`, `.icc`, `.verdict`. In simulations with 12 to 25 castings and two or three
        scorers the nominal 95% interval covered in 91 to 96%.

    Raises
    ------
    InputError
        If columns, scale or values cannot be used, or too few castings were scored twice.
    FitError
        If all values are the same.

    Examples
    --------
    >>> import pandas as pd
    >>> looks = pd.DataFrame({"Noor": [4, 3, 1, 2, 4, 0, 3, 2], "Wim": [4, 3, 1, 1, 4, 0, 2, 2]})
    >>> round(agreement(looks, "ordinal").alpha, 2)
    0.93
    """
    given = ratings.read(ratings_frame, scale, item, scorer, value)
    table = given.table
    values = table.to_numpy()
    domain = np.arange(len(given.levels), dtype=float) if scale == "nominal" else np.unique(values[~np.isnan(values)])
    if len(domain) < 2 or len(np.unique(values[~np.isnan(values)])) < 2:
        raise FitError(
            "every score is the same, so these castings cannot show whether the scorers would tell a good one from a "
            "bad one: score castings that differ"
        )
    counts = (values[:, :, None] == domain).sum(axis=1)
    alpha = _alpha(counts, domain, scale)
    draws = np.random.default_rng(whole("seed", seed, 0)).integers(0, len(counts), (RESAMPLES, len(counts)))
    times = np.zeros(draws.shape)
    np.add.at(times, (np.arange(RESAMPLES)[:, None], draws), 1)
    resampled = alphas(counts, domain, scale, times)
    undefined = float(np.isnan(resampled).mean())
    low, high = np.nanquantile(resampled, [0.025, 0.975])
    if high - low < 1e-9 or undefined > ALIKE:
        low = high = np.nan
    cautions = [*given.cautions]
    if len(table) < FEW_CASTINGS:
        cautions.append(f"only {len(table)} castings: the interval is rough, and rather too narrow.")
    if undefined > 0.01:
        cautions.append(
            f"{undefined:.0%} of the resamples held one value only and were left out: nearly all castings came out "
            "alike. Score castings that differ more."
        )
    icc, said = _icc_table(table, scale)
    cautions += [*said, *_never_given(table, given.levels, scale)]
    if note := grades.mixed(ratings_frame, str(value)):
        cautions.append(note)
    scorers = tuple(str(name) for name in table)
    pairs = _pairs(table, scale, domain)
    if "kappa" in pairs and (pairs["kappa"].notna() & (pairs["castings"] < LEAST_FOR_KAPPA)).any():
        cautions.append(
            f"Kappa of fewer than {LEAST_FOR_KAPPA} castings stands without an interval, which would be too narrow."
        )
    return Agreement(
        verdict=_verdict(alpha, low, high, len(table), scorers),
        cautions=tuple(cautions),
        alpha=alpha,
        low=float(low),
        high=float(high),
        scale=scale,
        castings=len(table),
        scorers=scorers,
        pairs=pairs,
        icc=icc,
        ratings=table,
        value=value or "score",
        levels=tuple(map(str, given.levels)) if _in_words(given.levels, scale) else (),
    )


def _in_words(levels: tuple[object, ...], scale: str) -> bool:
    return scale == "nominal" or any(isinstance(level, str) for level in levels)


def _alpha(counts: np.ndarray, domain: np.ndarray, scale: str) -> float:
    """Krippendorff's alpha from counts (castings by values); NaN where all values are the same."""
    import krippendorff

    used = counts.sum(axis=0) > 0
    if used.sum() < 2:
        return np.nan
    return float(
        krippendorff.alpha(
            value_counts=counts[:, used], value_domain=list(domain[used]), level_of_measurement=cast(Any, scale)
        )
    )


def alphas(counts: np.ndarray, domain: np.ndarray, scale: str, times: np.ndarray) -> np.ndarray:
    """Alpha of many resamples: `times` (resamples by castings) says how often each casting is in one.

    Alpha is 1 - (n - 1) times the observed over the expected disagreement. Distances of ordinal values are squared
    differences of their middle ranks, which change with the resample; the others are the same in all.
    """
    said = counts.sum(axis=1)
    number = times @ said
    marginal = times @ counts
    if scale == "ordinal":
        ranks = np.cumsum(marginal, axis=1) - marginal / 2
        spread = said * (ranks**2 @ counts.T) - (ranks @ counts.T) ** 2
        observed = 2 * (times * spread / (said - 1)).sum(axis=1)
        expected = 2 * (number * (marginal * ranks**2).sum(axis=1) - (marginal * ranks).sum(axis=1) ** 2)
    else:
        gap = np.abs(domain[:, None] - domain)
        if scale == "nominal":
            gap = (gap > 0).astype(float)
        elif scale == "ratio":
            gap = gap / np.maximum(domain[:, None] + domain, np.finfo(float).tiny)
        observed = times @ (((counts @ gap**2) * counts).sum(axis=1) / (said - 1))
        expected = ((marginal @ gap**2) * marginal).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where((marginal > 0).sum(axis=1) < 2, np.nan, 1 - (number - 1) * observed / expected)


def told(value: float) -> str | float:
    """A coefficient as text: two digits, or as many as tell it from complete agreement; far below 0 it says nothing more.

    Examples
    --------
    >>> [told(value) for value in (0.849, 0.9973, 0.9999999, 1.0, -37.2)]
    ['0.85', '0.997', '> 0.9999', '1.00', '< -1']
    """
    if np.isnan(value):
        return np.nan
    if value < -1:
        return "< -1"
    digits = next((n for n in (2, 3, 4) if value == 1 or round(value, n) < 1), None)
    return "> 0.9999" if digits is None else f"{value:.{digits}f}"


def _verdict(alpha: float, low: float, high: float, castings: int, scorers: tuple[str, ...]) -> str:
    shown = [str(told(value)).replace("> ", "above ") for value in (alpha, low, high)]
    if np.isnan(low):
        said = f"Krippendorff's alpha is {shown[0]} ({castings} castings, {len(scorers)} scorers)."
        if alpha == 1:
            missed = 1 - 0.025 ** (1 / castings)
            return (
                f"{said} The scorers said the same of each casting, which gives no interval of alpha; on up to "
                f"{missed:.0%} of such castings they may still differ (exact 95% interval of 0 in {castings}). Score more "
                "castings that differ, the doubtful ones too."
            )
        return (
            f"{said} These castings are too much alike to tell whether the scorers agree: score castings that differ, "
            "good and bad ones."
        )
    said = f"Krippendorff's alpha is {shown[0]} (95% interval {shown[1]} to {shown[2]}; {castings} castings, {len(scorers)} scorers)."
    if low >= RELIABLE and castings >= FEW_CASTINGS:
        return f"{said} The scorers agree well enough for the scores to be used interchangeably."
    if high < TENTATIVE and castings >= FEW_CASTINGS:
        return f"{said} The scorers do not agree: do not mix their scores; settle the anchors on a few castings together first."
    if alpha >= RELIABLE:
        return f"{said} The scorers seem to agree well, but so few castings cannot rule out that they do not: score more of them twice."
    if alpha >= TENTATIVE:
        return (
            f"{said} Good enough for tentative conclusions at most; let one person score all castings of a comparison."
        )
    if high >= RELIABLE or castings < FEW_CASTINGS:
        return (
            f"{said} The agreement looks weak, but so few castings cannot tell it: score more of them twice, and until then let one "
            "person score all castings of a comparison."
        )
    return f"{said} The agreement is weak; let one person score all castings of a comparison, and settle the anchors together."


def weighted_kappa(
    first: np.ndarray, second: np.ndarray, weights: str | None = "quadratic"
) -> tuple[float, float, float]:
    """Cohen's kappa of two scorers with its 95% interval (normal approximation, Fleiss, Cohen and Everitt 1969).

    Parameters
    ----------
    first, second : array
        The two scorers' values for the same castings.
    weights : {"quadratic", "linear"} or None
        How disagreement grows with the distance of two grades by their place; None: any disagreement counts the same.

    Returns
    -------
    kappa, low, high; NaN where both gave a single value.

    Examples
    --------
    >>> round(weighted_kappa(np.array([0, 1, 2, 2]), np.array([0, 1, 2, 1]))[0], 2)
    0.8
    """
    from statsmodels.stats.inter_rater import cohens_kappa

    levels = np.unique(np.concatenate([first, second]))
    if len(levels) < 2:
        return np.nan, np.nan, np.nan
    places = [np.searchsorted(levels, values) for values in (first, second)]
    table = np.zeros((len(levels), len(levels)))
    np.add.at(table, tuple(places), 1)
    with np.errstate(invalid="ignore", divide="ignore"):  # its test of kappa = 0, not asked for here, divides by 0
        got = cohens_kappa(table, wt=weights)
    return float(got.kappa), float(max(got.kappa_low, -1)), float(min(got.kappa_upp, 1))


def _pairs(table: pd.DataFrame, scale: str, domain: np.ndarray) -> pd.DataFrame:
    rows = []
    for one, other in combinations(table, 2):
        both = table[[one, other]].dropna().to_numpy()
        row: dict[str, object] = {"scorers": f"{one}, {other}", "castings": len(both)}
        if len(both):
            row["same"] = float((both[:, 0] == both[:, 1]).mean())
            if scale != "nominal":
                row["shift"] = float((both[:, 1] - both[:, 0]).mean())
            if scale in ("nominal", "ordinal") and len(both) > 1:
                places = np.searchsorted(domain, both)
                kappa = weighted_kappa(places[:, 0], places[:, 1], "quadratic" if scale == "ordinal" else None)
                complete = kappa[2] - kappa[1] < 1e-9
                if complete or len(both) < LEAST_FOR_KAPPA:
                    kappa = kappa[0], np.nan, np.nan
                row |= dict(zip(("kappa", "low", "high"), kappa, strict=True))
        rows.append(row)
    return pd.DataFrame(rows)


def _never_given(table: pd.DataFrame, levels: tuple[object, ...], scale: str) -> list[str]:
    """Who gives all castings one value, and who never gives one that others gave castings of theirs."""
    if scale not in ("nominal", "ordinal") or len(levels) > MOST_LEVELS:
        return []
    said = []
    coded = _in_words(levels, scale)
    named = {place if coded else level: level if coded else f"{level:g}" for place, level in enumerate(levels)}
    for who in table:
        own = table[who].dropna()
        others = table.loc[own.index].drop(columns=who)
        if own.nunique() == 1 and len(own) >= OFTEN:
            said.append(
                f"{who} gave {named[own.iloc[0]]} to all of {len(own)} castings: that tells nothing about which of them {who} would "
                "call better or worse."
            )
            continue
        for value, level in named.items():
            times = int((others == value).any(axis=1).sum())
            if times >= OFTEN and not (own == value).any():
                said.append(
                    f"{who} never gave {level}, which others gave to {times} of the same {len(own)} castings: settle its words "
                    "together."
                )
    return said


def _icc_table(table: pd.DataFrame, scale: str) -> tuple[pd.DataFrame, list[str]]:
    """Intraclass correlations of those scorers who scored enough castings together; who was left out, or why there are none."""
    if scale in ("nominal", "ordinal"):
        return pd.DataFrame(), []
    people = ratings.together(table, LEAST_FOR_ICC)
    full = table[people].dropna()
    if len(full) < LEAST_FOR_ICC:
        few = f"Only {len(full)} castings were scored by all: no intraclass correlations; needed are {LEAST_FOR_ICC}."
        return pd.DataFrame(), [few]
    left = [str(who) for who in table if who not in people]
    cautions = [
        f"Intraclass correlations rest on the {len(full)} castings scored by each of {', '.join(map(str, people))}"
        + (f"; too few were scored by {', '.join(left)}." if left else ".")
    ]
    found = intraclass(full.to_numpy())
    found.insert(2, "castings", len(full))
    return found, cautions if left or len(full) < len(table) else []


def intraclass(values: np.ndarray) -> pd.DataFrame:
    """The six intraclass correlations of castings (rows) scored by every scorer (columns), with 95% F intervals.

    Parameters
    ----------
    values : array, castings by scorers
        Measures without gaps.

    Returns
    -------
    DataFrame with model ("one-way", "two-way random, absolute agreement", "two-way mixed, consistency"), of ("one score"
    or "mean of k"), icc, low, high. NaN intervals where the scorers agree exactly, or but for a shift.

    Examples
    --------
    >>> intraclass(np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8.0]])).shape
    (6, 5)
    """
    n, k = values.shape
    grand = values.mean()
    rows = k * ((values.mean(axis=1) - grand) ** 2).sum() / (n - 1)
    columns = n * ((values.mean(axis=0) - grand) ** 2).sum() / (k - 1)
    within = ((values - values.mean(axis=1, keepdims=True)) ** 2).sum() / (n * (k - 1))
    error = (within * n * (k - 1) - columns * (k - 1)) / ((n - 1) * (k - 1))
    if error < _ROUNDING * within:  # every scorer says the same but for a shift
        error = 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        one, mixed = rows / within, rows / error
        f1 = one / stats.f.ppf(0.975, n - 1, n * (k - 1)), one * stats.f.ppf(0.975, n * (k - 1), n - 1)
        f3 = mixed / stats.f.ppf(0.975, n - 1, (n - 1) * (k - 1)), mixed * stats.f.ppf(0.975, (n - 1) * (k - 1), n - 1)
        single2 = (rows - error) / (rows + (k - 1) * error + k * (columns - error) / n)
        ratio = columns / error
        share = n * (1 + (k - 1) * single2) - k * single2
        freedom = (k - 1) * (n - 1) * (k * single2 * ratio + share) ** 2
        freedom /= (n - 1) * k**2 * single2**2 * ratio**2 + share**2
        wide, narrow = stats.f.ppf(0.975, n - 1, freedom), stats.f.ppf(0.975, freedom, n - 1)
        spread = k * columns + (k * n - k - n) * error
        low2 = n * (rows - wide * error) / (wide * spread + n * rows)
        high2 = n * (narrow * rows - error) / (spread + n * narrow * rows)

        def single(f: float) -> float:
            return 1 - k / (f + k - 1)

        def mean_of(icc: float) -> float:
            return -np.inf if (k - 1) * icc <= -1 else k * icc / (1 + (k - 1) * icc)

        table = [
            ("one-way", "one score", single(one), *map(single, f1)),
            ("two-way random, absolute agreement", "one score", single2, low2, high2),
            ("two-way mixed, consistency", "one score", single(mixed), *map(single, f3)),
            ("one-way", f"mean of {k}", 1 - 1 / one, *(1 - 1 / f for f in f1)),
            (
                "two-way random, absolute agreement", f"mean of {k}",
                (rows - error) / (rows + (columns - error) / n), mean_of(low2), mean_of(high2),
            ),
            ("two-way mixed, consistency", f"mean of {k}", 1 - 1 / mixed, *(1 - 1 / f for f in f3)),
        ]  # fmt: skip
    found = pd.DataFrame(table, columns=["model", "of", "icc", "low", "high"])
    found.loc[~(found["high"] - found["low"] > 0), ["low", "high"]] = np.nan
    return found
