"""On the scale and on the clock: what is wanted, how far off it is, and how long the cup can be worked."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from castlab import Material
from castlab.bench import plan_mix
from castlab.bench.cup import WARN_AT, weighing, working_time
from castlab.errors import InputError

AT = datetime(2026, 8, 3, 9, 20)


def test_before_the_hardener_is_weighed_the_wanted_mass_and_its_limits_show():
    # 100 g of resin of epoxide equivalent weight 190 with 12.8 phr of triethylenetetramine, as in test_mixing_outside.py
    scale = weighing(100, 12.8, None, 3)
    assert (scale.state, scale.wanted_g) == ("wanted", pytest.approx(12.8))
    assert scale.words == "Hardener wanted: 12.8 g (12.4 to 13.2 g is within 3%)."


@pytest.mark.parametrize(
    ("grams", "state", "words"),
    [
        (70.0, "too little", "70 g is 13.3% too little (3% is tolerated): add 10.8 g of hardener, up to 80.8 g."),
        (79.2, "inside", "79.2 g is 1.9% too little: inside the 3% that is tolerated."),
        (80.752, "inside", "80.752 g is what is wanted: inside the 3% that is tolerated."),
        (88.1, "too much", "88.1 g is 9.1% too much (3% is tolerated): with 26.2 g more resin it is right."),
    ],
)
def test_the_words_say_which_way_it_is_off_and_what_to_add(grams, state, words):
    scale = weighing(288.4, 28, grams, 3)
    assert (scale.state, scale.words) == (state, words)


@given(st.floats(1, 5000), st.floats(5, 200), st.floats(0.1, 5000))
def test_following_the_advice_gives_the_wanted_ratio(resin, phr, hardener):
    scale = weighing(resin, phr, hardener, 3)
    if scale.state == "too little":
        assert weighing(resin, phr, scale.wanted_g, 3).state == "inside"
    if scale.state == "too much":
        assert weighing(hardener / phr * 100, phr, hardener, 3).state == "inside"


def test_a_mass_or_a_ratio_that_cannot_be_is_refused():
    with pytest.raises(InputError, match="target_phr is 0"):
        weighing(100, 0)


def test_the_pot_life_is_the_one_the_mix_was_planned_with():
    material = Material(name="x", family="slow clear epoxy", pot_life_min=45)
    plan = plan_mix(120, material, molds=3, mix_c=28)
    cup = plan.cups.iloc[0]
    time = working_time(AT, material, cup["cup_g"], 28)
    assert (time.end - AT).total_seconds() / 60 == pytest.approx(cup["pot_life_min"])
    assert time.warn - AT == pytest.approx(WARN_AT * (time.end - AT), abs=timedelta(seconds=1))


def test_a_warmer_or_larger_cup_has_less_time():
    ends = [working_time(AT, "slow clear epoxy", g, c).end for g, c in ((100, 25), (400, 25), (400, 32))]
    assert ends[0] > ends[1] > ends[2]


def test_typical_values_are_named_as_such_and_a_material_without_pot_life_is_refused():
    assert "typical of the family" in working_time(AT, "slow clear epoxy").words
    with pytest.raises(InputError, match="pot life"):
        working_time(AT, Material(name="x"))
