"""What to weigh: masses add up, the scale's worst case is a worst case, and cups split when they must."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from castlab import Material
from castlab.bench import plan_mix
from castlab.bench.materials import properties
from castlab.errors import InputError

YOURS = properties(
    "slow clear epoxy",
    target_phr=28,
    resin_g_ml=1.12,
    hardener_g_ml=0.96,
    pot_life_min=90,
    ratio_tolerance_pct=2.5,
)


@settings(max_examples=60, deadline=None)
@given(
    volume=st.floats(1, 500),
    molds=st.integers(1, 12),
    waste=st.floats(0, 50),
    residue=st.floats(0, 20),
    cup=st.floats(300, 5000),
)
def test_what_is_weighed_fills_the_molds_the_waste_and_the_residue_of_every_cup(volume, molds, waste, residue, cup):
    plan = plan_mix(volume, YOURS, molds, waste, residue, 1e-4, cup_ml=cup)
    row = plan.cups.iloc[0]
    net = volume * molds * (1 + waste / 100) * YOURS["density_g_ml"]
    assert row.total_g == pytest.approx(net + row.cups * residue)
    assert plan.weigh["total_g"].sum() == pytest.approx(row.total_g, abs=1e-3 * row.cups)
    assert row.cup_ml <= cup * (1 + 1e-9)
    resin, hardener = plan.weigh["g_per_cup"]
    assert hardener == pytest.approx(resin * 0.28, abs=2e-4)


def test_one_cup_less_would_break_a_limit():
    plan = plan_mix(600, YOURS, molds=6, cup_limit_g=1000)
    row = plan.cups.iloc[0]
    assert row.cups == 5
    assert row.why == "heat"
    assert (row.total_g - row.cups * 5) / (row.cups - 1) + 5 > 1000 >= row.cup_g


def test_the_pot_life_splits_the_molds_over_cups():
    quick = properties("platinum-cure silicone", pot_life_min=20)
    row = plan_mix(50, quick, molds=8, stir_min=4, degas_min=5, pour_min=3).cups.iloc[0]
    assert row.why == "pot life"
    assert row.cups == 3  # 9 min of stirring and degassing leave 11 min: three molds a cup
    assert row.fits


def test_a_job_that_no_split_can_make_fit_says_so():
    plan = plan_mix(100, properties("clear polyurethane", pot_life_min=5), molds=2)
    assert not plan.cups["fits"].any()
    assert "does not fit" in plan.verdict


@settings(max_examples=60, deadline=None)
@given(
    volume=st.floats(2, 200),
    step=st.sampled_from([0.01, 0.1, 1.0]),
    off=st.tuples(*[st.floats(-1, 1)] * 2),
)
def test_no_weighing_within_a_step_of_the_shown_mass_exceeds_the_stated_worst_case(volume, step, off):
    plan = plan_mix(volume, YOURS, scale_resolution_g=step)
    resin, hardener = (g + e * step for g, e in zip(plan.weigh["g_per_cup"], off, strict=True))
    error = 100 * (hardener / resin / 0.28 - 1)
    row = plan.weigh.iloc[1]
    assert row.worst_low_pct - 1e-9 <= error <= row.worst_high_pct + 1e-9


@settings(max_examples=60, deadline=None)
@given(volume=st.floats(2, 2000), phr=st.floats(1, 200))
def test_a_scale_as_fine_as_asked_for_keeps_the_tolerance(volume, phr):
    mix = properties(YOURS, target_phr=phr)
    needed = plan_mix(volume, mix).cups["scale_needed_g"][0]
    assert plan_mix(volume, mix, scale_resolution_g=needed).cups["ratio_ok"][0]


def test_a_scale_too_coarse_for_the_catalyst_is_refused_in_the_verdict():
    plan = plan_mix(20, "tin-cure silicone", scale_resolution_g=1)
    assert not plan.cups["ratio_ok"][0]
    assert "more than the 10% that is tolerated" in plan.verdict


def test_a_ratio_by_volume_becomes_masses_through_the_densities():
    plan = plan_mix(
        100, YOURS, parts={"resin": 2, "hardener": 1}, by="volume", scale_resolution_g=1e-4, cup_residue_g=0
    )
    resin, hardener = plan.weigh["ml_per_cup"]
    assert resin == pytest.approx(2 * hardener, rel=1e-4)
    assert resin + hardener == pytest.approx(105, rel=1e-4)
    assert plan.weigh["g_per_cup"][0] == pytest.approx(70 * 1.12, rel=1e-4)


def test_any_number_of_parts_is_weighed_and_volumes_add():
    parts = {"resin": 100, "hardener": 28, "pigment": 1, "filler": 40}
    dense = {"pigment": 1.4, "filler": 2.6}
    plan = plan_mix(
        100, YOURS, waste_pct=0, cup_residue_g=0, parts=parts, densities_g_ml=dense, scale_resolution_g=1e-4
    )
    assert list(plan.weigh["part"]) == list(parts)
    assert plan.weigh["ml_per_cup"].sum() == pytest.approx(100, rel=1e-4)
    assert plan.weigh["g_per_cup"].to_numpy() / plan.weigh["g_per_cup"][0] == pytest.approx(
        [1, 0.28, 0.01, 0.4], rel=1e-3
    )
    one = plan_mix(100, YOURS, parts={"putty": 1})
    assert one.cups["ratio_ok"][0]


def test_the_cup_leaves_room_for_foam_only_where_it_is_degassed():
    foam = plan_mix(100, YOURS).cups.iloc[0]
    calm = plan_mix(100, YOURS, degas=False).cups.iloc[0]
    assert foam.cup_ml == pytest.approx(4 * foam.cup_mix_ml)  # "at least 4 times the mix": common practice, no source
    assert calm.cup_ml == pytest.approx(1.25 * calm.cup_mix_ml)
    assert any("Vacuum vessel" in c for c in plan_mix(100, YOURS).cautions)
    assert not any("Vacuum vessel" in c for c in plan_mix(100, YOURS, degas=False).cautions)


def test_warmer_mix_and_larger_mass_shorten_the_pot_life():
    pots = [plan_mix(100, YOURS, mix_c=c).cups["pot_life_min"][0] for c in (20, 25, 35)]
    assert pots[0] > pots[1] > 1.8 * pots[2]
    swept = plan_mix([50, 500], YOURS).cups["pot_life_min"]
    assert swept[1] < swept[0] <= 90


def test_volumes_molds_and_waste_can_be_swept():
    plan = plan_mix(np.array([50.0, 100.0, 200.0]), YOURS, molds=[1, 2, 4], waste_pct=5)
    assert len(plan.cups) == 3
    assert len(plan.weigh) == 6
    for i, (v, m) in enumerate(itertools.zip_longest([50, 100, 200], [1, 2, 4])):
        assert plan.cups["total_g"][i] == pytest.approx(plan_mix(v, YOURS, m, 5).cups["total_g"][0])
    assert "3 cases" in plan.verdict


def test_the_plan_says_which_values_were_typical():
    plan = plan_mix(100, Material(name="clear pour", family="slow clear epoxy", target_phr=28, pot_life_min=60))
    assert "pot_life_min" not in plan.typical
    assert {"resin_g_ml", "hardener_g_ml", "foam_factor"} <= set(plan.typical)
    assert any("Typical of slow clear epoxy" in c for c in plan.cautions)
    assert "castlab-verdict" in plan._repr_html_()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"volume_ml": -1}, "volume_ml is -1"),
        ({"volume_ml": float("nan")}, "volume_ml"),
        ({"volume_ml": "much"}, "volume_ml is 'much'"),
        ({"material": "slow epxy"}, "did you mean slow clear epoxy"),
        ({"molds": 1.5}, "whole number"),
        ({"molds": 0}, "molds is 0"),
        ({"volume_ml": [1, 2], "molds": [1, 2, 3]}, "differ in length"),
        ({"waste_pct": -2}, "waste_pct"),
        ({"scale_resolution_g": 0}, "scale_resolution_g"),
        ({"by": "weight"}, "accepted: mass, volume"),
        ({"by": "volume"}, "needs parts"),
        ({"parts": {}}, "parts is empty"),
        ({"parts": {"resin": 100, "hardener": -5}}, "hardener"),
        ({"parts": {"resin": 100, "hardener": 28, "pigment": 1}}, "density of pigment is not known"),
        ({"densities_g_ml": {"glue": 1}}, "names glue"),
        ({"cup_limit_g": 2, "cup_residue_g": 5}, "cup_limit_g is smaller"),
        ({"volume_ml": 1e6}, "plan smaller pours"),
        ({"material": Material(name="goo", target_phr=50)}, "goo has no"),
        ({"mix_c": 900}, "mix_c"),
    ],
)
def test_input_that_cannot_be_meant_gives_one_clear_error(change, message):
    with pytest.raises(InputError, match=message):
        plan_mix(**({"volume_ml": 100, "material": "slow clear epoxy"} | change))
