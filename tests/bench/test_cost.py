"""Cost of a good part, castings a week, and one more mold: invariants, sweeps and clear errors."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from castlab.analysis import watch
from castlab.bench import cost
from castlab.errors import InputError

SHOP = {"insert_price": 2.5, "labour_min": 15, "labour_per_h": 24, "mold_price": 60}


@settings(max_examples=50, deadline=None)
@given(
    grams=st.floats(1, 2000),
    price=st.floats(0, 100),
    waste=st.floats(0, 50),
    scrap=st.floats(0, 80),
    life=st.floats(1, 200),
)
def test_the_steps_add_up_to_the_cost_of_all_castings_over_the_good_ones(grams, price, waste, scrap, life):
    part = cost.per_good_part(grams, price, waste_pct=waste, scrap_pct=scrap, mold_life=life, **SHOP)
    casting = grams / 1000 * price * (1 + waste / 100) + 2.5 + 15 / 60 * 24 + 60 / life
    assert part.cost == pytest.approx(casting / (1 - scrap / 100))
    assert part.steps["cost"].sum() == pytest.approx(part.cost)
    assert part.steps["cost_to_here"].iloc[-1] == pytest.approx(part.cost)
    assert part.low == part.high == part.cost


def test_counted_scrap_gives_an_interval_that_more_castings_narrow():
    few, many = (cost.per_good_part(100, 20, scrapped=s, **SHOP) for s in [(2, 20), (20, 200)])
    assert few.low < few.cost < few.high
    assert many.high - many.low < few.high - few.low
    assert "95% interval" in few.verdict
    assert any("one cup" in c for c in few.cautions)


def test_the_spread_of_mold_lives_widens_the_interval():
    alike, apart = (cost.per_good_part(100, 20, mold_lives=m, **SHOP) for m in [[48, 50, 52], [15, 50, 85]])
    assert alike.cost == pytest.approx(apart.cost)
    assert apart.high - apart.low > 3 * (alike.high - alike.low)
    assert any("wide open" in c for c in apart.cautions)


def test_an_order_pays_for_whole_molds():
    small = cost.per_good_part(100, 20, parts_wanted=10, mold_price=60, mold_life=50)
    assert small.cost == pytest.approx(2.2 + 60 / 10)
    swept = cost.per_good_part(100, 20, parts_wanted=[50, 51, 100], mold_price=60, mold_life=50)
    assert list(swept.cases["molds_used"]) == [1, 2, 2]
    more = cost.per_good_part(100, 20, parts_wanted=50, molds=[1, 3], mold_price=60, mold_life=50)
    assert more.cost == pytest.approx([2.2 + 60 / 50, 2.2 + 180 / 50])
    assert cost.per_good_part(100, 20, parts_wanted=40, cavities=4, mold_price=60, mold_life=10).cost == pytest.approx(
        3.7
    )


def test_a_large_order_costs_what_endless_series_does():
    endless = cost.per_good_part(100, 20, scrapped=(4, 40), mold_lives=[35, 52, 41, 60], **SHOP)
    order = cost.per_good_part(100, 20, scrapped=(4, 40), mold_lives=[35, 52, 41, 60], parts_wanted=5000, **SHOP)
    assert order.cost == pytest.approx(endless.cost, rel=0.002)
    assert (order.low, order.high) == pytest.approx((endless.low, endless.high), rel=0.01)


def test_the_same_call_gives_the_same_interval():
    a, b = (cost.per_good_part(100, 20, scrapped=(4, 40), mold_lives=[35, 60], parts_wanted=30, **SHOP) for _ in "ab")
    assert (a.low, a.high) == (b.low, b.high)


def test_costs_can_be_swept():
    part = cost.per_good_part(100, 20, scrap_pct=[0, 10, 50], **SHOP)
    assert part.cost[2] == pytest.approx(2 * part.cost[0])
    assert len(part.steps) == 18
    assert "case 3" in part.verdict
    assert set(part.tables()) == {"Cost of a good part", "Cases"}


def test_more_molds_never_make_fewer_parts_and_labour_caps_them():
    weeks = cost.throughput(range(1, 41), 16, turn_min=30).weeks
    assert (np.diff(weeks["good_per_week"]) >= 0).all()
    assert weeks["person_busy_pct"].max() <= 100
    assert weeks["limit"].iloc[-1] == "the work"
    assert weeks["good_per_week"].max() == pytest.approx(5 * 16, rel=0.02)


def test_an_overnight_cure_gives_one_pull_a_day():
    assert cost.throughput(3, 14).good_per_week == 15
    assert cost.throughput(3, 14, scrap_pct=20, cavities=2).good_per_week == pytest.approx(24)


def test_a_cure_that_just_misses_the_opening_hours_costs_a_day():
    assert cost.throughput(1, 30).good_per_week < cost.throughput(1, 23).good_per_week


def test_counted_scrap_gives_the_week_an_interval():
    week = cost.throughput(3, 14, scrapped=(4, 40)).weeks.iloc[0]
    assert week.good_low < week.good_per_week < week.good_high
    assert "(" in cost.throughput(3, 14, scrapped=(4, 40)).verdict


def test_one_more_mold_pays_back_by_the_parts_it_adds():
    more = cost.one_more_mold(1, 60, 4, 16)
    row = more.gains.iloc[0]
    assert row.extra_good_per_week == 5
    assert row.weeks_to_pay_back == pytest.approx(60 / (5 * 4))
    assert row.pays
    assert "3 weeks" in more.verdict


def test_the_weeks_of_one_more_mold_hold_every_share_of_scrap_that_may_be():
    """Where the demand caps what can be sold, more good parts may make one more mold pay later, or never: looked at every
    share between the ends of the interval, one by one."""
    made = {n: cost.throughput(n, 16).good_per_week for n in (2, 3, 4, 5)}
    for wanted in (8.0, 9.5, 12.0, 20.0, np.inf):
        more = cost.one_more_mold([2, 3, 4], 60, 4, 16, wanted_per_week=wanted, scrapped=(25, 40))
        found = cost.throughput(2, 16, scrapped=(25, 40)).weeks.iloc[0]
        shares = np.linspace(found["good_low"], found["good_high"], 2001) / made[2]
        for row in more.gains.itertuples():
            extra = np.minimum(made[row.molds + 1] * shares, wanted) - np.minimum(made[row.molds] * shares, wanted)
            assert row.weeks_low == pytest.approx(15 / extra.max(), rel=2e-3)
            assert row.weeks_high == pytest.approx(15 / extra.min() if extra.min() > 1e-9 else np.inf, rel=2e-3)
            assert row.weeks_low <= row.weeks_to_pay_back <= row.weeks_high
    assert "to never)" in cost.one_more_mold(3, 60, 4, 16, wanted_per_week=7.5, scrapped=(25, 40)).verdict
    sold = cost.one_more_mold(3, 60, 4, 16, wanted_per_week=5, scrapped=(25, 40))
    assert "With as much scrap as may be it would pay from" in sold.verdict
    assert sold.tables()["One more mold"].loc[0, "weeks_to_pay_back"] == "never"


def test_one_more_mold_does_not_pay_where_demand_work_or_wear_is_the_limit():
    assert not cost.one_more_mold(3, 60, 4, 16, wanted_per_week=15).gains["pays"][0]
    assert "no more good parts" in cost.one_more_mold(3, 60, 4, 16, wanted_per_week=15).verdict
    assert not cost.one_more_mold(40, 60, 4, 16, turn_min=60).gains["pays"][0]
    worn = cost.one_more_mold(1, 60, 4, 16, mold_life=12)
    assert "wears out first" in worn.verdict
    swept = cost.one_more_mold([1, 2, 30], 60, 4, 16, scrapped=(4, 40), turn_min=30)
    assert list(swept.gains["pays"]) == [True, True, False]
    assert swept.gains["weeks_low"][0] < swept.gains["weeks_to_pay_back"][0] < swept.gains["weeks_high"][0]


def test_wrong_calls_get_one_clear_error():
    for call, message in [
        (lambda: cost.scrap_rate(5, 4), "5 bad castings of 4 made"),
        (lambda: cost.scrap_rate(-1, 4), "bad is -1"),
        (lambda: cost.scrap_rate(1.5, 4), "whole number"),
        (lambda: cost.scrap_rate(1, 0), "made is 0"),
        (lambda: cost.scrap_rate(1, 4, method="exact"), "jeffreys, wilson"),
        (lambda: cost.per_good_part(-1, 20), "casting_g is -1"),
        (lambda: cost.per_good_part(100, "dear"), "price_per_kg is 'dear'"),
        (
            lambda: cost.per_good_part(100, None),
            "logged without a price; .* added to the resin at the foot of notebook 1",
        ),
        (lambda: cost.per_good_part(100, 20, scrap_pct=100), "scrap_pct is 100"),
        (lambda: cost.per_good_part(100, 20, scrapped=5), r"accepted: \(bad, made\)"),
        (lambda: cost.per_good_part(100, 20, scrapped=(4, 4)), "no cost yet"),
        (lambda: cost.per_good_part(100, 20, mold_lives=[40]), "has no spread"),
        (lambda: cost.per_good_part(100, 20, mold_life=0), "mold_life is 0"),
        (lambda: cost.per_good_part([1, 2], [1, 2, 3]), "differ in length"),
        (lambda: cost.per_good_part(100, 20, molds=1.5), "whole number"),
        (lambda: cost.per_good_part(100, 20, cavities=0), "cavities is 0"),
        (lambda: cost.throughput(0, 16), "molds is 0"),
        (lambda: cost.throughput(1.5, 16), "whole number"),
        (lambda: cost.throughput(1, -3), "cure_h is -3"),
        (lambda: cost.throughput(1, 16, turn_min=600), "does not fit in a day"),
        (lambda: cost.throughput(1, 16, days=8), "days is 8"),
        (lambda: cost.one_more_mold(1, 60, 0, 16), "gain_per_part"),
        (lambda: cost.one_more_mold(1, -60, 4, 16), "mold_price"),
    ]:
        with pytest.raises(InputError, match=message):
            call()


def castings(batches: int, size: int, bad_batches: int) -> pd.DataFrame:
    """Castings of which whole batches failed; after them one that nobody judged."""
    rows = [(f"B-{b:03}", b >= bad_batches) for b in range(batches) for _ in range(size)]
    return pd.DataFrame([*rows, ("B-000", None)], columns=["batch_id", "passed"])


def test_scrap_of_castings_is_one_less_the_yield_that_watching_production_tells():
    made = castings(10, 4, 3).assign(bubbles=np.arange(41) % 5)
    scrap = cost.scrap_of(made)
    (watched,) = watch(made, "bubbles").yield_.to_dict("records")
    assert (scrap.bad, scrap.made) == (12, 40)
    assert (scrap.rate, scrap.low, scrap.high, scrap.effective) == pytest.approx(
        (1 - watched["yield"], 1 - watched["high"], 1 - watched["low"], watched["effective"])
    )
    assert scrap.verdict.startswith("12 of 40 castings in 10 cups were scrap: 30%")
    assert any("1 of 41 castings were left out" in said for said in scrap.cautions)


def test_cups_that_fail_as_a_whole_widen_the_interval_of_scrap_cost_and_week():
    scrap = cost.scrap_of(castings(10, 4, 3))
    alone = cost.scrap_rate(12, 40)
    assert scrap.effective < 10
    assert scrap.high - scrap.low > alone.high - alone.low
    assert any("tell as much as" in said for said in scrap.cautions)
    costs = [cost.per_good_part(100, 20, scrapped=s, **SHOP) for s in (scrap, (12, 40))]
    assert costs[0].cost == costs[1].cost
    assert costs[0].high > costs[1].high
    weeks = [cost.throughput(3, 24, turn_min=30, scrapped=s).weeks.iloc[0] for s in (scrap, (12, 40))]
    assert weeks[0]["good_low"] < weeks[1]["good_low"]


def test_castings_of_cups_of_their_own_and_castings_all_alike_are_taken_as_independent():
    single = cost.scrap_of(castings(12, 1, 3).dropna())
    alone = cost.scrap_rate(3, 12)
    assert (single.low, single.high, single.effective) == (alone.low, alone.high, 12)
    assert "Nothing tells" in single.cautions[0]
    assert "came out alike" in cost.scrap_of(castings(3, 4, 0)).cautions[0]


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: cost.scrap_of(castings(2, 2, 1), batch="cup"), "no column 'cup'"),
        (lambda: cost.scrap_of(castings(2, 2, 1).assign(passed=None)), r"no casting has passed yet, .* \(notebook 2\)"),
        (lambda: cost.throughput(3, 24, turn_min=30, scrapped=3), r"cost\.scrap_of\(castings\)"),
    ],
)
def test_scrap_that_cannot_be_told_is_one_clear_error(call, said):
    with pytest.raises(InputError, match=said):
        call()
