"""Chances that a test says "different", by closed form or by adding up every outcome. Arrays in, numbers out.

Each returns the power of a two-sided test at level alpha, exactly; nothing here is simulated.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import special, stats

from castlab.analysis.models import many
from castlab.analysis.models.passes import EVENTS

FARTHEST = {True: 100.0, False: 30.0}
"""Shift (with fewer than four degrees of freedom: True) from which a miss has a chance below 1e-14: farther ones count as
this, because the library's sum gives out there."""

TOTALS = 2001
"""Totals of counts that are looked at: all of them up to expected totals of about 20 000."""


def of_means(shift: np.ndarray | float, df: np.ndarray | float, alpha: float) -> np.ndarray:
    """Power of the t test at a true effect of `shift` standard errors, with df degrees of freedom; 0 without any.

    The square of t is a non-central F of one and df degrees of freedom, whose distribution scipy has for all shifts.
    """
    shift, df = np.broadcast_arrays(np.asarray(shift, dtype=float), np.asarray(df, dtype=float))
    usable = df > 0
    df_used = np.where(usable, df, 1.0)
    critical = stats.t.ppf(1 - alpha / 2, df_used)
    near = np.minimum(np.abs(shift), np.where(df_used < 4, FARTHEST[True], FARTHEST[False]))
    missed = special.ncfdtr(1, df_used, near**2, critical**2)
    return np.where(usable, np.clip(1 - missed, 0.0, 1.0), 0.0)


def of_shares(first: float, second: float, n1: int, n2: int, alpha: float) -> float:
    """Power of the test that `fit_factors` makes of pass or fail in two groups, with these true shares that pass."""
    p = p_shares(n1, n2)
    one, two = stats.binom.pmf(np.arange(n1 + 1), n1, first), stats.binom.pmf(np.arange(n2 + 1), n2, second)
    return float(one @ (p < alpha) @ two)


def p_shares(n1: int, n2: int) -> np.ndarray:
    """p-value of every outcome, [passes in group one, passes in group two], as `fit_factors` finds it.

    With many castings the likelihood ratio test of logistic regression; its bias-reduced form (Firth, Biometrika 80, 1993,
    27-38) where the rarer outcome is rarer than `EVENTS` or a group has one outcome only. With two groups both have closed
    forms: the penalty adds half a casting to each cell, or one to each outcome where the groups are taken to be alike.
    """
    x1, x2 = np.arange(n1 + 1)[:, None], np.arange(n2 + 1)[None, :]
    passed, n = x1 + x2, n1 + n2
    if n - 2 < many.FEW:
        return _by_outcomes(n1, n2)

    def log_likelihood(x: np.ndarray, size: float) -> np.ndarray:
        return special.xlogy(x, x / size) + special.xlogy(size - x, (size - x) / size)

    plain = log_likelihood(x1, n1) + log_likelihood(x2, n2) - log_likelihood(passed, n)
    reduced = log_likelihood(x1 + 0.5, n1 + 1) + log_likelihood(x2 + 0.5, n2 + 1) - log_likelihood(passed + 1, n + 2)
    one_outcome = (x1 == 0) | (x1 == n1) | (x2 == 0) | (x2 == n2)
    ratio = np.where((np.minimum(passed, n - passed) < EVENTS) | one_outcome, reduced, plain)
    alike = (passed == 0) | (passed == n)
    return np.where(alike, 1.0, stats.chi2.sf(2 * np.maximum(ratio, 0), 1))


@lru_cache(maxsize=512)
def _by_outcomes(n1: int, n2: int) -> np.ndarray:
    """The same for few castings, whose p-values are read from what outcomes come about."""
    outcomes = np.indices((n1 + 1, n2 + 1)).reshape(2, -1).T
    Y = np.hstack([np.arange(n) < outcomes[:, [group]] for group, n in enumerate((n1, n2))]).astype(float)
    X = np.column_stack([np.ones(n1 + n2), np.repeat([0.0, 1.0], [n1, n2])])
    return many.analyse("pass", X, Y, None, [1], intervals=False).p.reshape(n1 + 1, n2 + 1)


def of_rates(first: float, second: float, n1: int, n2: int, alpha: float) -> float:
    """Power of the conditional test of two Poisson means, n1 and n2 castings (Przyborowski and Wilenski, Biometrika 31, 1940).

    Given the total, the count of group one is binomial with share n1 / (n1 + n2) where the means are alike; the smaller
    tail is doubled. Totals beyond a chance of 1e-12 are left out; where there are more than `TOTALS`, evenly spaced ones
    stand for all.
    """
    rates = first * n1, second * n2
    total = sum(rates)
    share, alike = rates[0] / total, n1 / (n1 + n2)
    low, high = stats.poisson.ppf([1e-12, 1 - 1e-12], total).astype(int)
    totals = np.unique(np.linspace(low, high, min(high - low + 1, TOTALS)).round().astype(int))
    lower = stats.binom.ppf(alpha / 2, totals, alike)
    lower = np.where(stats.binom.cdf(lower, totals, alike) <= alpha / 2, lower, lower - 1)
    upper = stats.binom.isf(alpha / 2, totals, alike)
    missed = stats.binom.cdf(upper, totals, share) - stats.binom.cdf(lower, totals, share)
    weights = stats.poisson.pmf(totals, total)
    return float(np.clip(np.sum(weights * (1 - missed)) / weights.sum(), 0.0, 1.0))
