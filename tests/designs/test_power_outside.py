"""Power against reference libraries, published sample sizes and outcomes added up one by one.

Sources
-------
- statsmodels: `TTestIndPower` (non-central t), `FTestAnovaPower` by way of one factor, `power_poisson_ratio_2indep`.
- scipy: `binomtest`, outcome by outcome.
- R 4.2.2: binom.test(shown, total)$conf.int, the interval of Clopper and Pearson.
- Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. 1988, table 2.4.1: castings in each group for
  80% power at two-sided 5%: 393, 64 and 26 for differences of 0.2, 0.5 and 0.8 standard deviations (looked up in
  quotations; R 4.2.2, power.t.test(delta = 0.2, power = 0.8)$n and so on: 393.4067, 63.76577, 25.52463).
- Fleiss, Statistical Methods for Rates and Proportions: about 93 in each group to tell 70% from 50% with 80% power, by
  the normal approximation without continuity correction (the book from memory; R: power.prop.test(p1 = 0.5, p2 = 0.7,
  power = 0.8)$n = 92.99884; and statsmodels).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.stats.power import NormalIndPower, TTestIndPower
from statsmodels.stats.proportion import proportion_confint, proportion_effectsize
from statsmodels.stats.rates import power_poisson_ratio_2indep

from castlab.analysis import fit_factors
from castlab.designs import Factor, layouts, plan_trials, power, simulation, truth
from castlab.designs.chances import p_shares


@pytest.mark.parametrize("n", [2, 3, 5, 12, 24, (4, 9), (30, 6)])
@pytest.mark.parametrize("d", [0.1, 0.7, 2.5, -1.2])
def test_two_means_have_the_power_that_statsmodels_gives(n, d):
    n1, n2 = n if isinstance(n, tuple) else (n, n)
    reference = TTestIndPower().power(d, n1, 0.05, ratio=n2 / n1)
    found = power(n, effect=3 * d, kind="measure", spread=3.0)
    assert found.power == pytest.approx(reference, abs=1e-8)
    assert found.low == found.high == found.power


@pytest.mark.parametrize(("d", "n"), [(0.2, 393.4067), (0.5, 63.76577), (0.8, 25.52463)])
def test_two_means_need_the_published_castings(d, n):
    assert power(10, effect=d, kind="measure", spread=1.0).needed == np.ceil(n)


def test_an_unbatched_two_level_plan_has_the_power_of_the_t_test_on_its_degrees_of_freedom():
    plan = plan_trials([Factor("resin_c", 22, 32), Factor("pour", ["stream", "ladle"])], 16)
    found = power(plan, effect=1.3, kind="measure", spread=1.0, factor="resin_c")
    t = stats.t.ppf(0.975, 13)
    shift = 1.3 / np.sqrt(1 / 8 + 1 / 8)
    assert found.power == pytest.approx(stats.nct.sf(t, 13, shift) + stats.nct.cdf(-t, 13, shift))


def test_a_split_plot_has_the_power_of_tests_on_batch_means_and_within_batches():
    plan = plan_trials(
        [Factor("resin_c", 22, 32), Factor("pour", ["stream", "ladle"])], 24, per_batch=["resin_c"], batch_size=4,
        batch_scatter=0.5,
    )  # fmt: skip
    found = power(plan, effect=2.0, kind="measure", spread=1.5).table.set_index("effect")["power"]
    of_means = TTestIndPower().power(2.0 / np.sqrt(1.5**2 * (0.5 + 1 / 4)), 3, 0.05)
    assert found["resin_c"] == pytest.approx(of_means, abs=1e-8)
    t, shift = stats.t.ppf(0.975, 17), 2.0 / (1.5 * np.sqrt(1 / 12 + 1 / 12))
    assert found["pour"] == pytest.approx(stats.nct.sf(t, 17, shift) + stats.nct.cdf(-t, 17, shift))


@pytest.mark.parametrize(
    ("n1", "n2", "x1", "x2"), [(8, 8, 2, 7), (6, 10, 1, 3), (12, 12, 0, 9), (40, 40, 15, 27), (9, 7, 9, 3)]
)
def test_the_test_of_pass_or_fail_is_the_one_that_fit_factors_makes(n1, n2, x1, x2):
    frame = pd.DataFrame(
        {
            "good": [True] * x1 + [False] * (n1 - x1) + [True] * x2 + [False] * (n2 - x2),
            "pour": ["stream"] * n1 + ["ladle"] * n2,
        }
    )
    fitted = fit_factors(frame, "good", ["pour"], kind="pass")
    assert p_shares(n1, n2)[x1, x2] == pytest.approx(fitted.effects["p_value"].iloc[0], rel=1e-3, abs=1e-6)


def test_two_shares_have_about_the_power_of_the_normal_approximation():
    odds = (0.7 / 0.3) / 1
    found = power(93, effect=odds, kind="pass", base=0.5)
    reference = NormalIndPower().power(proportion_effectsize(0.7, 0.5), 93, 0.05)
    assert found.power == pytest.approx(reference, abs=0.015)
    assert found.needed == pytest.approx(93, abs=4)


@pytest.mark.parametrize(
    ("base", "ratio", "n1", "n2"), [(4.0, 0.5, 6, 6), (1.5, 2.5, 3, 8), (0.4, 0.3, 12, 12), (2.0, 1.0, 7, 7)]
)
def test_two_rates_have_the_power_of_all_outcomes_added_up(base, ratio, n1, n2):
    one, two = base * n1, base * ratio * n2
    found = 0.0
    for x in range(int(stats.poisson.isf(1e-9, one)) + 1):
        for y in range(int(stats.poisson.isf(1e-9, two)) + 1):
            if x + y:
                tails = [stats.binomtest(x, x + y, n1 / (n1 + n2), alternative=a).pvalue for a in ("less", "greater")]
                if 2 * min(tails) <= 0.05:
                    found += stats.poisson.pmf(x, one) * stats.poisson.pmf(y, two)
    assert power((n1, n2), effect=ratio, kind="count", base=base).power == pytest.approx(found, abs=1e-7)


def test_two_rates_have_nearly_the_power_of_the_normal_approximation():
    reference = power_poisson_ratio_2indep(
        6.0, 3.0, 30, value=1, alpha=0.05, alternative="two-sided", return_results=False
    )
    assert power(30, effect=0.5, kind="count", base=6.0).power == pytest.approx(reference, abs=0.02)
    small = power_poisson_ratio_2indep(6.0, 3.0, 8, value=1, alpha=0.05, alternative="two-sided", return_results=False)
    assert power(8, effect=0.5, kind="count", base=6.0).power == pytest.approx(small, abs=0.06)


def test_large_counts_have_the_power_of_the_normal_approximation():
    shift = (np.log(9030) - np.log(9000)) / np.sqrt(1 / (20 * 9000) + 1 / (20 * 9030))
    reference = stats.norm.sf(1.959964 - shift) + stats.norm.cdf(-1.959964 - shift)
    found = power(20, effect=9030 / 9000, kind="count", base=9000.0)
    assert found.power == pytest.approx(reference, abs=5e-4)


def test_grades_need_the_castings_of_the_published_formula():
    """Whitehead, Statistics in Medicine 12, 1993, 2257-2271: 12 (z + z')^2 / (log odds ratio^2 (1 - sum of shares^3)) in all,
    the shares those of both groups together."""
    ratio, base = 1.8, np.array([0.15, 0.3, 0.35, 0.2])
    other = np.diff([0, *(b / (b + ratio * (1 - b)) for b in np.cumsum(base)[:-1]), 1])
    wanted = stats.norm.ppf(0.8) + stats.norm.ppf(0.975)
    castings = 12 * wanted**2 / (np.log(ratio) ** 2 * (1 - np.sum(((base + other) / 2) ** 3)))
    found = power(20, effect=ratio, kind="grade", base=list(base))
    assert found.needed == pytest.approx(castings / 2, rel=0.06)


def test_two_rates_need_the_castings_of_the_published_rule():
    found = power(10, effect=36 / 30, kind="count", base=30.0)
    assert found.needed == pytest.approx(4 / (np.sqrt(36) - np.sqrt(30)) ** 2, abs=1)
    assert found.needed == pytest.approx(15, abs=1)


def measures(layout: layouts.Layout) -> simulation.Case:
    return truth.read("measure", 1.2, None, 1.0, 0.8 if layout.batches else None, None, 0.05).case(layout, 1)


@pytest.mark.parametrize("n", [(5, 5), (12, 7)])
def test_simulated_power_of_two_means_holds_the_power_that_statsmodels_gives(n):
    reference = TTestIndPower().power(1.2, n[0], 0.05, ratio=n[1] / n[0])
    found = power(n, effect=1.2, kind="measure", spread=1.0, simulations=2000)
    assert found.low < reference < found.high


@pytest.mark.parametrize(
    ("shown", "total", "of_r"),
    [
        (0, 200, (0, 0.018275340355)),
        (3, 200, (0.0031041076216, 0.0432082819177)),
        (151, 200, (0.68936013414, 0.81291587392)),
        (200, 200, (1 - 0.018275340355, 1)),
    ],
)
def test_the_interval_of_a_simulated_power_is_that_of_clopper_and_pearson(shown, total, of_r):
    assert simulation.Tally(shown, 0, total).interval() == pytest.approx(of_r, abs=1e-10)
    reference = proportion_confint(shown, total, alpha=0.05, method="beta")
    assert simulation.Tally(shown, 0, total).interval() == pytest.approx(reference, abs=1e-12)


def test_simulated_split_plots_are_judged_as_textbook_analysis_of_variance_does():
    whole, within = layouts.in_batches(12, 6, True), layouts.in_batches(12, 6, False)
    for layout in (whole, within):
        case = measures(layout)
        Y = simulation.draw(case, 40, np.random.default_rng(3))
        Z = np.eye(6)[layout.codes]
        if layout is whole:
            means = Z.T / 4
            expected = [OLS(means @ y, means @ layout.X).fit().pvalues[1] for y in Y]
        else:
            expected = [OLS(y, np.column_stack([Z, layout.X[:, 1]])).fit().pvalues[-1] for y in Y]
        p, ok = simulation.analysed(case, Y)
        assert ok.all()
        assert p == pytest.approx(np.array(expected), abs=1e-6)


@pytest.mark.parametrize("per_batch", [True, False])
def test_simulated_power_in_batches_holds_the_power_of_the_textbook_tests(per_batch):
    found = power(
        12, effect=1.2, kind="measure", spread=1.0, batches=6, per_batch=per_batch, batch_spread=0.8, simulations=2000
    )
    scatter = np.sqrt(0.64 + 1 / 4) if per_batch else 1.0
    df, shift = (4, 1.2 / np.sqrt(4 * scatter**2 / 6)) if per_batch else (17, 1.2 / np.sqrt(2 / 12))
    t = stats.t.ppf(0.975, df)
    assert found.low < stats.nct.sf(t, df, shift) + stats.nct.cdf(-t, df, shift) < found.high
