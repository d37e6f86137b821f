"""Yield and capability, each with an interval that respects batches. No charts here."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from castlab.analysis.production.proportion import LEVEL, proportion
from castlab.errors import FitError, InputError


def yield_table(passed: np.ndarray, codes: np.ndarray | None = None) -> pd.DataFrame:
    """Share of good castings with a 95% interval (see `proportion`): one row with made, good, yield, low, high, effective.

    Parameters
    ----------
    passed : array of 0 and 1
        One per casting.
    codes : array of int, optional
        Batch of each casting, 0, 1, ... Castings of one cup that fail together count for fewer (`effective`).

    Examples
    --------
    >>> yield_table(np.array([1] * 37 + [0] * 3)).round(3).to_dict("records")
    [{'made': 40, 'good': 37, 'yield': 0.925, 'low': 0.813, 'high': 0.978, 'effective': 40.0}]
    """
    if len(passed) == 0:
        raise FitError("no casting has been judged good or not; a yield needs at least one")
    found = proportion(passed, codes)
    row = {"made": found.made, "good": found.hits, "yield": found.share}
    return pd.DataFrame([{**row, "low": found.low, "high": found.high, "effective": found.effective}])


def check_limits(limits: object) -> tuple[float, float]:
    """Lower and upper limit of a measure, infinite where one was left open (None).

    Raises
    ------
    InputError
        If they are not two numbers or None, both are open, or the lower is not below the upper.
    """
    try:
        ends: tuple[float | None, float | None] = tuple(limits)  # type: ignore[arg-type, assignment]
        lower, upper = ends
        low = -np.inf if lower is None else float(lower)
        high = np.inf if upper is None else float(upper)
    except (TypeError, ValueError):
        raise InputError(
            f"limits is {limits!r}; accepted: (lower, upper), None for an open side, such as (None, 4.5)"
        ) from None
    if not low < high or (np.isinf(low) and np.isinf(high)):
        raise InputError(f"limits is {limits!r}; accepted: a lower limit below the upper, at most one of them None")
    return low, high


def capability_table(
    values: np.ndarray, limits: tuple[float | None, float | None], codes: np.ndarray | None = None
) -> pd.DataFrame:
    """Capability indices with 95% intervals: index, estimate, low, high, for a normal process that is steady.

    Parameters
    ----------
    values : array
        One measure per casting.
    limits : (lower, upper)
        What is accepted, in the unit of the measure; None for an open side.
    codes : array of int, optional
        Batch of each casting; the spread is then that between batches and within them together.

    Returns
    -------
    DataFrame
        Cp (only with both limits: the width of the limits over six standard deviations) and Cpk (the nearer limit's
        distance from the mean over three), and the share of castings expected outside.

    Raises
    ------
    InputError
        For unusable limits.
    FitError
        For fewer than three values, or values that never vary.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6; the interval of Cpk is
    Cpk +- z sqrt(1/(9 n) + Cpk^2/(2 (n - 1))) (Bissell, Applied Statistics 39 (1990) 331-340), that of Cp by chi-square.
    With batches the degrees of freedom and the variance of the mean are those of the batch scatter, and z is Student's t.

    Examples
    --------
    >>> made = np.array([9.8, 10.4, 10.1, 9.7, 10.3, 10.0, 9.9, 10.2])
    >>> capability_table(made, (9.0, 11.0)).round(2).to_dict("records")[1]
    {'index': 'Cpk', 'estimate': 1.29, 'low': 0.58, 'high': 2.01}
    """
    low, high = check_limits(limits)
    n = len(values)
    if n < 3:
        raise FitError(f"{n} values; a capability needs at least three, and means little below thirty")
    mean = float(values.mean())
    variance, df, of_mean = _spread(values, codes)
    if variance <= 0:
        raise FitError("the measure never varies, so its capability has no bound; a finer reading is needed")
    sigma = np.sqrt(variance)
    z = stats.norm.ppf(0.5 + LEVEL / 2) if df == n - 1 else stats.t.ppf(0.5 + LEVEL / 2, df)
    rows = []
    if np.isfinite(low) and np.isfinite(high):
        cp = (high - low) / (6 * sigma)
        ends = np.sqrt(stats.chi2.ppf([(1 - LEVEL) / 2, (1 + LEVEL) / 2], df) / df)
        rows.append(("Cp", cp, cp * ends[0], cp * ends[1]))
    cpk = min(high - mean, mean - low) / (3 * sigma)
    half = z * np.sqrt(of_mean / variance / 9 + cpk**2 / (2 * df))
    rows.append(("Cpk", cpk, cpk - half, cpk + half))
    outside = stats.norm.sf((high - mean) / sigma) + stats.norm.cdf((low - mean) / sigma)
    # at the ends of the interval of Cpk: the nearer limit alone, and both limits as near as it
    sides = int(np.isfinite(low)) + int(np.isfinite(high))
    most = min(1.0, sides * float(stats.norm.sf(3 * (cpk - half))))
    rows.append(("share outside", float(outside), float(stats.norm.sf(3 * (cpk + half))), most))
    return pd.DataFrame(rows, columns=["index", "estimate", "low", "high"])


def _spread(values: np.ndarray, codes: np.ndarray | None) -> tuple[float, float, float]:
    """Variance of one casting, its degrees of freedom (Satterthwaite), and the variance of the mean."""
    n = len(values)
    if codes is None or codes.max() == 0 or codes.max() == n - 1:
        variance = float(values.var(ddof=1))
        return variance, n - 1.0, variance / n
    k = int(codes.max()) + 1
    sizes = np.bincount(codes)
    means = np.bincount(codes, values) / sizes
    ss_between = float(sizes @ (means - values.mean()) ** 2)
    ss_within = float(((values - means[codes]) ** 2).sum())
    between, within = ss_between / (k - 1), ss_within / (n - k)
    typical = (n - (sizes**2).sum() / n) / (k - 1)
    share = 1 / typical
    if between <= within:
        variance = (ss_between + ss_within) / (n - 1)
        return variance, n - 1.0, variance / n
    variance = share * between + (1 - share) * within
    df = variance**2 / ((share * between) ** 2 / (k - 1) + ((1 - share) * within) ** 2 / (n - k))
    return variance, float(df), between / n * float((sizes**2).sum() / n) / typical
