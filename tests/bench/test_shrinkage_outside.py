"""Screw holes and tolerance stacks against published values.

- Clearance holes: ISO 273:1979, fine, medium and coarse series, as two public reference tables of the standard give them
  (looked up); they agree from M1.6 to M10. For M12 to M16 they differ in the medium and coarse series and the table that
  names the tolerance classes H12, H13, H14 is followed.
- A stack of four parts, 40 +-0.10 less 25 +-0.05, 2 +-0.03 and 10 +-0.05 mm: gap 3.00 +-0.23 mm at worst, and ten equal
  parts of +-0.1 mm: +-1.0 mm at worst, +-0.316 mm by root sum of squares, 0.27 % beyond: published worked examples,
  looked up.
- Chances of going on a screw: simulation with numpy's random numbers of the geometry itself.
- Volume and linear shrinkage: 1 - (1 - V)^(1/3), the relation used with ISO 3521.
"""

import numpy as np
import pytest

from castlab.bench import shrinkage
from castlab.bench.shrinkage import Dimension

ISO_273 = {
    "M1.6": (1.7, 1.8, 2.0),
    "M2": (2.2, 2.4, 2.6),
    "M2.5": (2.7, 2.9, 3.1),
    "M3": (3.2, 3.4, 3.6),
    "M4": (4.3, 4.5, 4.8),
    "M5": (5.3, 5.5, 5.8),
    "M6": (6.4, 6.6, 7.0),
    "M7": (7.4, 7.6, 8.0),
    "M8": (8.4, 9.0, 10.0),
    "M12": (13.0, 13.5, 14.5),
    "M16": (17.0, 17.5, 18.5),
}


@pytest.mark.parametrize("thread", ISO_273)
def test_clearance_holes_are_those_of_iso_273(thread):
    assert tuple(shrinkage.clearance_hole_mm(thread, fit) for fit in ("fine", "medium", "coarse")) == ISO_273[thread]


def test_clearance_holes_grow_with_thread_and_fit():
    for fit in ("fine", "medium", "coarse"):
        holes = shrinkage.clearance_hole_mm(list(shrinkage.CLEARANCE_HOLES_MM), fit)
        assert (np.diff(holes) > 0).all()
    for name, holes in shrinkage.CLEARANCE_HOLES_MM.items():
        assert float(name[1:]) < holes[0] < holes[1] < holes[2]


def test_the_published_stack_of_four_parts_is_3_00_give_or_take_0_23():
    stack = shrinkage.tolerance_stack(
        [
            Dimension("bore depth", 40.00, 0.10),
            Dimension("spacer", 25.00, 0.05, factor=-1),
            Dimension("ring", 2.00, 0.03, factor=-1),
            Dimension("shoulder", 10.00, 0.05, factor=-1),
        ]
    )
    assert stack.nominal_mm == pytest.approx(3.00)
    assert stack.worst_mm == pytest.approx((2.77, 3.23))
    assert stack.rss_mm == pytest.approx((3 - 0.1261, 3 + 0.1261), abs=1e-4)


def test_ten_equal_parts_stack_to_the_published_root_sum_of_squares():
    parts = [Dimension(f"part {i}", 1.0, 0.1) for i in range(10)]
    stack = shrinkage.tolerance_stack(parts, least_mm=10 - 0.1 * np.sqrt(10))
    assert stack.worst_mm == pytest.approx((9.0, 11.0))
    assert stack.rss_mm == pytest.approx((10 - 0.316, 10 + 0.316), abs=1e-3)
    assert 2 * (1 - stack.share_that_fits) == pytest.approx(0.0027, abs=1e-4)


def test_a_lopsided_tolerance_is_centred_as_simulation_shows():
    rng = np.random.default_rng(4)
    stack = shrinkage.tolerance_stack(
        [Dimension("bore", 10, 0.3, 0.0), Dimension("pin", 9.95, 0.0, 0.2, factor=-1)], 0.2
    )
    gap = rng.normal(10.15, 0.05, 400_000) - rng.normal(9.85, 0.1 / 3, 400_000)
    assert stack.share_that_fits == pytest.approx((gap >= 0.2).mean(), abs=0.002)


@pytest.mark.parametrize(("spacing", "tolerance"), [(0, 0.0), (60, 0.6), (60, 0.3)])
def test_the_share_that_goes_on_agrees_with_simulated_plates_and_screws(spacing, tolerance):
    rng = np.random.default_rng(5)
    n = 400_000
    holes = rng.normal(4.3, 0.4 / 3, (2, n))
    if spacing:
        off = rng.normal(0, tolerance / 3, n)  # the plate may shift: each hole takes a part of the error
        fits = (holes - 4).sum(axis=0) / 2 >= np.abs(off)
    else:
        fits = holes[0] >= 4
    found = shrinkage.will_it_go_on("M4", 4.3, 0.4, spacing_mm=spacing, spacing_tolerance_mm=tolerance).fits
    assert found["share_low"][0] == pytest.approx(fits.mean(), abs=0.003)


def test_two_screws_pass_exactly_when_some_shift_of_the_plate_lets_both_through():
    shifts = np.linspace(-1, 1, 20_001)
    rng = np.random.default_rng(6)
    for _ in range(200):
        a, b = rng.uniform(4.0, 4.8, 2)
        error = rng.uniform(-0.9, 0.9)
        through = (np.abs(shifts - error / 2) <= (a - 4) / 2) & (np.abs(shifts + error / 2) <= (b - 4) / 2)
        margin = (a + b) / 2 - 4 - abs(error)
        if abs(margin) > 1e-3:
            assert through.any() == (margin > 0)


def test_three_percent_by_volume_is_one_percent_along_a_side():
    assert shrinkage.linear_shrinkage_pct(3.0) == pytest.approx(1.0102, abs=1e-4)
    assert shrinkage.linear_shrinkage_pct([0.0, 6.0]) == pytest.approx([0, 100 * (1 - 0.94 ** (1 / 3))])
