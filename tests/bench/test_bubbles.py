"""Bubbles that grow, clear, dissolve or stay."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from castlab.bench import bubbles
from castlab.bench.cure import Resin
from castlab.bench.cure.thickening import thickening
from castlab.errors import InputError

MIX = Resin(name="test mix", k1_per_s=1e-5, k2_per_s=6e-5)
INERT = Resin(name="oil", k1_per_s=1e-14, k2_per_s=1e-13, viscosity_pa_s=0.6, density_g_ml=1.1)


@given(st.floats(0.01, 10), st.floats(1, 1000), st.floats(1, 1000), st.floats(0, 0.08))
def test_there_and_back_again_leaves_a_bubble_as_it_was(diameter, there, back, tension):
    grown = bubbles.growth(diameter, back, there, tension)
    assert bubbles.growth(grown, there, back, tension) == pytest.approx(diameter, rel=1e-9)
    assert (grown >= diameter) == (there <= back) or grown == pytest.approx(diameter)


def test_clearing_of_a_mix_that_does_not_cure_is_stokes_arithmetic():
    row = bubbles.clearing(30.0, INERT, 25.0, 10.0).table.iloc[0]
    by_hand = np.sqrt(30e-3 / 600 * 18 * 0.6 / (1100 * 9.80665)) * 1000
    assert row.smallest_mm == pytest.approx(by_hand, rel=2e-3)  # the head of liquid swells it a little on its way up
    assert row.smallest_mm == pytest.approx(np.sqrt(30.0 / (600 * bubbles.rise_speed_mm_s(1.0, 0.6, 1100.0))), rel=2e-3)
    assert row.stopped_by == "hold"


def test_vacuum_clears_smaller_bubbles_and_depth_larger_ones():
    table = bubbles.clearing([20, 20, 60, 60], MIX, 25.0, 15.0, [101.325, 3.0, 101.325, 3.0]).table
    by_case = table["smallest_mm"].to_numpy()
    assert by_case[1] < by_case[0]
    assert by_case[2] > by_case[0]
    assert table["smallest_in_vacuum_mm"].iloc[1] == pytest.approx(
        bubbles.growth(by_case[1], 101.325, 3.0, MIX.surface_tension_n_m)
    )


def test_waiting_past_gel_brings_nothing_more():
    gel = thickening(MIX, 25.0, 40.0).gel_s / 60
    table = bubbles.clearing(40.0, MIX, 25.0, [0.5 * gel, 1.01 * gel, 3 * gel]).table
    assert table["smallest_mm"].iloc[1] == pytest.approx(table["smallest_mm"].iloc[2], rel=1e-6)
    assert table["stopped_by"].tolist() == ["hold", "gel", "gel"]
    assert not np.isfinite(bubbles.clearing(40.0, MIX, 25.0, 5.0, start_min=2 * gel).table["smallest_mm"].iloc[0])


def test_a_deeper_pour_warms_itself_and_gels_sooner():
    gel = [thickening(MIX, 25.0, depth).gel_s for depth in (5.0, 20.0, 60.0)]
    assert gel[0] > gel[1] > gel[2]
    held = thickening(MIX, 25.0)
    assert held.gel_s == pytest.approx(MIX.isothermal_s(MIX.gel_conversion, 25.0), rel=1e-6)
    assert thickening(MIX, 25.0, 0.5).gel_s == pytest.approx(held.gel_s, rel=0.05)


def test_pressure_kept_past_gel_keeps_a_bubble_small_and_let_off_early_lets_it_grow_back():
    gel = thickening(MIX, 25.0, 20.0).gel_s / 60
    early, late = (
        bubbles.under_pressure(0.8, 500.0, minutes, MIX, diffusivity_m2_s=1e-13, solubility=0.01)
        for minutes in (0.2 * gel, 2 * gel)
    )
    assert early.table["kept"].iloc[0] == "before gel"
    assert early.table["regrown_mm"].iloc[0] == pytest.approx(0.8, rel=0.01)
    assert "grows back" in early.verdict
    assert late.table["left_mm"].iloc[0] == pytest.approx(0.8 * (101.325 / 500) ** (1 / 3), rel=0.01)
    assert "stays that small" in late.verdict


def test_small_bubbles_dissolve_and_large_ones_do_not():
    table = bubbles.under_pressure([0.05, 3.0], 500.0, 60.0, MIX, diffusivity_m2_s=5e-11, solubility=0.05).table
    assert table["left_mm"].iloc[0] == 0
    assert table["dissolved_after_min"].iloc[0] < 60
    assert table["left_mm"].iloc[1] > 0.9 * table["compressed_mm"].iloc[1]


def test_a_degassed_mix_dissolves_a_bubble_even_without_pressure():
    full = bubbles.under_pressure(0.1, 101.325, 30.0, MIX, diffusivity_m2_s=5e-11, solubility=0.05)
    empty = bubbles.under_pressure(0.1, 101.325, 30.0, MIX, degassed_kpa=3.0, diffusivity_m2_s=5e-11, solubility=0.05)
    assert empty.table["left_mm"].iloc[0] < full.table["left_mm"].iloc[0]


def test_vacuum_on_a_filled_mold_helps_early_and_harms_late():
    gel = thickening(MIX, 25.0, 40.0).gel_s / 60
    result = bubbles.filled_mold_vacuum(
        MIX, 40.0, 3.0, [10.0, 10.0, 60.0], [2.0, 0.93 * gel - 10, gel - 20], seep_min=5
    )
    early, late, through_gel = (row for _, row in result.table.iterrows())
    assert early.outcome == "helps"
    assert early.pocket_left_pct < 50
    assert early.last_exit_min > 9.5
    assert late.pocket_left_pct > 0
    assert through_gel.outcome == "harms"
    assert through_gel.stiff_under_vacuum
    assert "under vacuum, and keeps every bubble swollen" in result.verdict
    assert result.timeline["released_pct"].is_monotonic_increasing


def test_air_that_seeps_into_a_thick_mix_stays_there():
    thick = Resin(name="thick mix", k1_per_s=1e-5, k2_per_s=6e-5, viscosity_pa_s=60.0)
    row = bubbles.filled_mold_vacuum(thick, 60.0, 3.0, 8.0, 10.0, bubble_mm=0.3).table.iloc[0]
    assert row.outcome == "harms"
    assert row.trapped_bubbles > 1


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: bubbles.growth(-1, 101, 3), "diameter_mm is -1"),
        (lambda: bubbles.growth(1, "full", 3), "from_kpa is 'full'"),
        (lambda: bubbles.rise_speed_mm_s(1, 1, 1100, "wet"), "coated, clean"),
        (lambda: bubbles.clearing(-5, MIX), "depth_mm is -5"),
        (lambda: bubbles.clearing(5, "glue"), "glue"),
        (lambda: bubbles.clearing(5, MIX, pressure_kpa=150), "pressure_kpa is 150"),
        (lambda: bubbles.under_pressure(1, 80, 10, MIX), "gauge reading"),
        (lambda: bubbles.filled_mold_vacuum(MIX, 20, 105), "not below the room"),
        (lambda: bubbles.clearing([5, 10], MIX, [20, 25, 30]), "differ in length"),
    ],
)
def test_what_cannot_be_is_one_clear_error(call, says):
    with pytest.raises(InputError, match=says):
        call()
