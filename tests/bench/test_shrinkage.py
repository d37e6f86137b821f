"""Masters scaled, pins sized, stacks summed: invariants and clear errors."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from castlab import Material
from castlab.bench import shrinkage
from castlab.bench.materials import properties
from castlab.bench.shrinkage import Dimension
from castlab.errors import InputError

percent = st.floats(-2, 10)


@given(linear=percent)
def test_linear_and_volume_shrinkage_are_each_others_inverse(linear):
    assert shrinkage.linear_shrinkage_pct(shrinkage.volume_shrinkage_pct(linear)) == pytest.approx(linear, abs=1e-9)


def test_shrinkages_can_be_swept():
    assert shrinkage.volume_shrinkage_pct([0, 1, 2]) == pytest.approx([0, 2.9701, 5.8808])


@given(resin=percent, silicone=percent, wanted=st.floats(1, 500))
def test_a_scaled_master_that_shrinks_twice_gives_the_wanted_size(resin, silicone, wanted):
    scale = shrinkage.master_scale(resin, silicone, wanted)
    mold = scale.sizes["master_mm"][0] * (1 - silicone / 100)
    assert mold * (1 - resin / 100) == pytest.approx(wanted)
    assert scale.low == scale.factor == scale.high
    assert scale.typical == ()


def test_families_bring_their_range_and_say_so():
    scale = shrinkage.master_scale("slow clear epoxy", size_mm=[20, 60])
    assert scale.low < scale.factor < scale.high
    assert scale.typical == ("resin.shrinkage_pct", "silicone.shrinkage_pct")
    assert (scale.sizes["casting_low_mm"] < [20, 60]).all()
    assert (scale.sizes["casting_high_mm"] > [20, 60]).all()
    assert "test piece" in scale.verdict
    measured = shrinkage.master_scale(properties("slow clear epoxy", shrinkage_pct=0.8), 0.1)
    assert measured.typical == ()
    assert "test piece" not in measured.verdict


@pytest.mark.parametrize("offset", [-0.2, 0.0, 0.15])
def test_what_is_drawn_prints_to_the_size_that_is_needed(offset):
    plan = shrinkage.pin_plan("M4", resin=1.0, print_offset_mm=offset)
    assert plan.drawn_mm + offset == pytest.approx(plan.pin_mm)
    assert plan.pin_mm * 0.99 == pytest.approx(4.5)
    assert plan.hole_low_mm < 4.5 < plan.hole_high_mm


def test_a_hole_in_the_master_shrinks_with_the_silicone_too():
    plan = shrinkage.pin_plan("M4", "fine", resin=1.0, silicone=0.5, route="master", print_spread_mm=0)
    assert plan.pin_mm * 0.995 * 0.99 == pytest.approx(4.3)
    assert plan.hole_low_mm == pytest.approx(plan.hole_high_mm) == pytest.approx(4.3)


def test_a_loose_pin_bounds_the_hole_from_above():
    plan = shrinkage.pin_plan("M3", resin=2.0, print_spread_mm=0)
    assert plan.hole_high_mm == pytest.approx(plan.pin_mm)
    assert plan.hole_low_mm == pytest.approx(plan.pin_mm * 0.98)


def test_the_hole_is_least_with_the_thinnest_pin_and_the_most_shrinkage():
    plan = shrinkage.pin_plan("M4", resin="slow clear epoxy", print_spread_mm=0.1)
    assert plan.hole_low_mm == pytest.approx((4.5 / 0.99 - 0.1) * (1 - 0.02))
    assert plan.hole_high_mm == pytest.approx(4.5 / 0.99 + 0.1)
    cored = shrinkage.pin_plan("M4", resin="slow clear epoxy", silicone=0.0, route="master", print_spread_mm=0.1)
    assert cored.hole_high_mm == pytest.approx((4.5 / 0.99 + 0.1) * (1 - 0.005))


def test_a_hole_that_may_come_out_too_small_is_said_in_the_verdict():
    assert "may not pass" in shrinkage.pin_plan("M3", "fine", resin="polyester", print_spread_mm=0.3).verdict


def test_a_single_dimension_is_its_own_stack():
    stack = shrinkage.tolerance_stack([Dimension("gap", 1.0, 0.3, 0.1)])
    assert stack.worst_mm == pytest.approx((0.9, 1.3))
    assert stack.rss_mm == pytest.approx((0.9, 1.3))
    assert stack.share_that_fits == pytest.approx(1.0)


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(0, 2), st.floats(0, 2)), min_size=1, max_size=8))
def test_what_is_likely_lies_inside_the_worst_case(entries):
    stack = shrinkage.tolerance_stack([Dimension(f"d{i}", *e) for i, e in enumerate(entries)])
    assert stack.worst_mm[0] <= stack.rss_mm[0] + 1e-9
    assert stack.rss_mm[1] <= stack.worst_mm[1] + 1e-9
    assert 0 <= stack.share_that_fits <= 1


@pytest.mark.parametrize(
    ("nominal", "word"), [(1.0, "even in the worst"), (0.15, "nearly always"), (0.05, "sometimes"), (-1.0, "never")]
)
def test_the_verdict_of_a_stack_follows_the_gap(nominal, word):
    stack = shrinkage.tolerance_stack([Dimension("a", nominal, 0.1), Dimension("b", 0, 0.1)])
    assert word in stack.verdict


def test_one_hole_goes_on_its_screw_when_its_least_diameter_does():
    fit = shrinkage.will_it_go_on("M4", [4.5, 4.1, 3.8, 4.0], 0.15)
    assert list(fit.fits["goes_on"]) == ["always", "sometimes", "never", "sometimes"]
    assert fit.fits["worst_gap_mm"].to_numpy() == pytest.approx([0.35, -0.05, -0.35, -0.15])
    assert "Of 4 cases" in fit.verdict


def test_a_longer_spacing_makes_shrinkage_matter():
    fit = shrinkage.will_it_go_on("M4", 4.5, spacing_mm=[10, 60, 200], resin="slow clear epoxy").fits
    assert list(fit["goes_on"]) == ["always", "sometimes", "sometimes"]
    assert (np.diff(fit["worst_gap_mm"]) < 0).all()
    measured = shrinkage.will_it_go_on(
        "M4", 4.5, spacing_mm=60, resin=properties("slow clear epoxy", shrinkage_pct=0.9)
    )
    assert measured.fits["goes_on"][0] == "always"
    typical = shrinkage.will_it_go_on("M4", 4.5, spacing_mm=60, resin="slow clear epoxy")
    assert "as the resin shrinks" in typical.verdict
    assert any("Typical of slow clear epoxy" in c for c in typical.cautions)


def test_wrong_calls_get_one_clear_error():
    for call, message in [
        (lambda: shrinkage.clearance_hole_mm("M44"), "did you mean M4"),
        (lambda: shrinkage.clearance_hole_mm(4), "accepted: a name such as 'M4'"),
        (lambda: shrinkage.clearance_hole_mm([4]), "not a thread"),
        (lambda: shrinkage.clearance_hole_mm("M4", "loose"), "fine, medium, coarse"),
        (lambda: shrinkage.master_scale(40), "resin shrinkage is 40"),
        (lambda: shrinkage.master_scale("slow epxy"), "did you mean"),
        (lambda: shrinkage.master_scale(Material(name="goo")), "goo has no linear shrinkage"),
        (lambda: shrinkage.master_scale(1, 0.1, -5), "size_mm is -5"),
        (lambda: shrinkage.pin_plan("M4", resin=1, route="drill"), "accepted: pin, master"),
        (lambda: shrinkage.pin_plan("M4", resin=1, print_offset_mm=40), "print_offset_mm"),
        (lambda: shrinkage.linear_shrinkage_pct("lots"), "volume_pct"),
        (lambda: shrinkage.tolerance_stack([]), "at least one Dimension"),
        (lambda: shrinkage.tolerance_stack([3]), "at least one Dimension"),
        (lambda: Dimension("gap", 1, -0.1), "plus_mm of gap"),
        (lambda: Dimension("gap", float("nan")), "nominal_mm of gap"),
        (lambda: shrinkage.will_it_go_on("M4", -4), "hole_mm is -4"),
        (lambda: shrinkage.will_it_go_on("M4", [4, 5], spacing_mm=[1, 2, 3]), "differ in length"),
    ]:
        with pytest.raises(InputError, match=message):
            call()


def test_one_hole_has_no_error_of_spacing_and_no_minus_before_its_zero():
    fits = shrinkage.will_it_go_on("M4", 4.5, spacing_mm=[0, 30], resin="slow clear epoxy").fits
    assert fits["spacing_low_mm"][0] == fits["spacing_high_mm"][0] == 0
    assert not np.signbit(fits["spacing_low_mm"][0])
    assert fits["spacing_low_mm"][1] < 0
