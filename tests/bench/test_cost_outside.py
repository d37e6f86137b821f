"""Scrap intervals, costs and weeks against published values and independent computations.

- Wilson intervals of the examples of Newcombe, Statistics in Medicine 17 (1998) 857, table I (81/263, 0.2553 to 0.3662,
  looked up): R 4.2.2, prop.test(bad, made, correct = FALSE)$conf.int.
- Jeffreys intervals: quantiles of Beta(bad + 1/2, good + 1/2) by scipy (Brown, Cai and DasGupta 2001).
- With only the scrap in doubt, the interval of the cost is that of the scrap mapped through cost / (1 - scrap).
- Orders: casting by casting simulation with numpy's random numbers.
- Weeks: the bound of a closed queue, min(N / (cure + turn), 1 / turn), which deterministic times reach (operational
  analysis, Denning and Buzen, Computing Surveys 10, 1978, 225-261; the reference from memory, the bound follows from
  one turn at a time and from each mold's cycle); and a shop simulated minute by minute.
"""

import numpy as np
import pytest
from scipy import stats

from castlab.bench import cost


@pytest.mark.parametrize(
    ("bad", "made", "low", "high"),
    [
        (81, 263, 0.2552885199, 0.3662095770),
        (15, 148, 0.06238639953, 0.16048724172),
        (0, 20, 0.0, 0.1611251581),
        (1, 29, 0.006113214293, 0.171755218793),
    ],
)
def test_wilson_intervals_are_those_of_newcombe(bad, made, low, high):
    found = cost.scrap_rate(bad, made, method="wilson")
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-8)


@pytest.mark.parametrize(("bad", "made"), [(3, 40), (1, 7), (20, 31)])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_jeffreys_intervals_are_beta_quantiles(bad, made, level):
    found = cost.scrap_rate(bad, made, level=level)
    tails = [(1 - level) / 2, (1 + level) / 2]
    assert (found.low, found.high) == pytest.approx(stats.beta.ppf(tails, bad + 0.5, made - bad + 0.5))


def test_no_scrap_and_only_scrap_reach_their_ends():
    assert cost.scrap_rate(0, 12).low == 0
    assert cost.scrap_rate(12, 12).high == 1
    assert 0 < cost.scrap_rate(0, 12).high < 0.25


def test_the_interval_of_the_cost_is_that_of_the_scrap():
    part = cost.per_good_part(100, 20, waste_pct=0, scrapped=(6, 50))
    exact = 2 / (1 - stats.beta.ppf([0.025, 0.975], 6.5, 44.5))
    assert (part.low, part.high) == pytest.approx(exact, rel=0.01)


def test_the_interval_of_the_cost_is_that_of_the_mean_mold_life():
    lives = np.array([35, 52, 41, 60])
    part = cost.per_good_part(0, 0, mold_price=100, mold_lives=lives)
    half = stats.t.ppf(0.975, 3) * np.log(lives).std(ddof=1) / 2
    assert part.cost == pytest.approx(100 / lives.mean())
    assert (part.low, part.high) == pytest.approx((part.cost * np.exp(-half), part.cost * np.exp(half)), rel=0.05)


def test_an_order_costs_what_casting_by_casting_simulation_says():
    rng = np.random.default_rng(8)
    lives = np.array([18.0, 25.0, 21.0, 28.0, 23.0, 19.0])
    logs = np.log(lives)
    found = []
    for _ in range(4000):
        scrap = rng.beta(3.5, 27.5)
        mean = lives.mean() * np.exp(logs.std(ddof=1) / np.sqrt(6) * rng.standard_t(5))
        good = castings = molds = 0
        left = 0.0
        while good < 40:
            if left <= 0:
                molds += 1
                left += mean * rng.lognormal(-(logs.std(ddof=1) ** 2) / 2, logs.std(ddof=1))
            left -= 1
            castings += 1
            good += rng.random() > scrap
        found.append((castings * 5 + molds * 60) / 40)
    part = cost.per_good_part(250, 20, waste_pct=0, mold_price=60, mold_lives=lives, scrapped=(3, 30), parts_wanted=40)
    assert (part.low, part.high) == pytest.approx(np.percentile(found, [2.5, 97.5]), rel=0.05)


@pytest.mark.parametrize("molds", [1, 3, 10, 40, 80])
@pytest.mark.parametrize("cure", [5.0, 16.0])
def test_round_the_clock_the_week_is_that_of_a_closed_queue(molds, cure):
    turn = 0.25
    bound = 168 * min(molds / (cure + turn), 1 / turn)
    week = cost.throughput(molds, cure, turn_min=15, open_h=24, days=7).good_per_week
    assert week == pytest.approx(bound, rel=0.01)


def minute_by_minute(molds, cure_min, turn_min, open_min, days, weeks=30, skip=4):
    cured_at = [None] * molds
    busy_until, turning, pulls = 0, None, 0
    for now in range(weeks * 7 * 1440):
        if turning is not None and now == busy_until:
            cured_at[turning] = now + cure_min
            turning = None
        day, minute = divmod(now, 1440)
        if turning is not None or day % 7 >= days or minute + turn_min > open_min:
            continue
        ready = [(-1 if t is None else t, k) for k, t in enumerate(cured_at) if t is None or t <= now]
        if ready:
            first, turning = min(ready)
            pulls += first >= 0 and day >= skip * 7
            busy_until = now + turn_min
            cured_at[turning] = 10**9
    return pulls / (weeks - skip)


@pytest.mark.parametrize(
    ("molds", "cure_h", "turn", "open_h", "days"),
    [(1, 16, 20, 8, 5), (3, 2, 20, 8, 5), (7, 30, 45, 9, 6), (2, 24, 60, 8, 5), (12, 20, 45, 8, 5)],
)
def test_a_week_agrees_with_a_shop_simulated_minute_by_minute(molds, cure_h, turn, open_h, days):
    expected = minute_by_minute(molds, cure_h * 60, turn, open_h * 60, days)
    found = cost.throughput(molds, cure_h, turn_min=turn, open_h=open_h, days=days).good_per_week
    assert found == pytest.approx(expected, rel=0.01)
