"""Capability and yield against published worked examples.

Sources:
- Montgomery, Introduction to Statistical Quality Control, confidence interval of Cpk: n = 20, Cpk = 1.33 gives 0.88 to 1.78
  at 95% (Bissell's approximation); Cp = 2.29 from n = 20 (limits 38 and 62, s = 1.75) gives 1.57 to 3.01. From memory.
- Exercise of the same book: limits 90 and 100, n = 30, mean 97, s = 1.6 (statement looked up): Cpk = 0.625.
- NIST/SEMATECH e-Handbook, 6.1.6: limits 8 and 20, mean 16, s = 2: Cp = 1.0, Cpk = 0.6667. From memory.
- Student's t for an effective number of castings: with every batch all good or all bad, n batches of m castings are as good
  as n castings (arithmetic).
"""

from __future__ import annotations

import numpy as np
import pytest

from castlab.analysis.production.capability import capability_table, yield_table


def sample(n: int, mean: float, sd: float) -> np.ndarray:
    """Values with exactly this mean and standard deviation."""
    z = np.linspace(-1, 1, n)
    return mean + sd * (z - z.mean()) / z.std(ddof=1)


def row(table, index: str) -> tuple[float, float, float]:
    return tuple(table.set_index("index").loc[index, ["estimate", "low", "high"]])


def test_cpk_interval_equals_the_textbook_s():
    found = row(capability_table(sample(20, 0, 1), (None, 3 * 1.33)), "Cpk")
    assert found == pytest.approx((1.33, 0.88, 1.78), abs=5e-3)


def test_cp_interval_equals_the_textbook_s():
    found = row(capability_table(sample(20, 50, 1.75), (38, 62)), "Cp")
    assert found == pytest.approx((2.29, 1.57, 3.01), abs=6e-3)


def test_indices_equal_the_handbook_s_example():
    table = capability_table(sample(50, 16, 2), (8, 20))
    assert row(table, "Cp")[0] == pytest.approx(1.0)
    assert row(table, "Cpk")[0] == pytest.approx(0.6667, abs=5e-5)
    assert row(capability_table(sample(30, 97, 1.6), (90, 100)), "Cpk")[0] == pytest.approx(0.625)


def test_batches_that_come_out_alike_count_as_one_casting_each():
    good = np.repeat([1, 1, 1, 0, 1, 1, 0, 1], 4)
    table = yield_table(good, np.repeat(np.arange(8), 4)).iloc[0]
    assert table["effective"] < 8
    single = yield_table(good[::4]).iloc[0]
    assert table["high"] - table["low"] > single["high"] - single["low"]
