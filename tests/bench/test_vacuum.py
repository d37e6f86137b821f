"""Pumping down, what a gauge log tells, and boiling."""

from __future__ import annotations

import numpy as np
import pytest

from castlab import Material
from castlab.bench import vacuum
from castlab.bench.materials import family
from castlab.errors import FitError, InputError


def log(speed=45.0, base=3.0, volume=20.0, noise=0.1, seed=0, minutes=8.0):
    t = np.arange(0.0, minutes, 0.25)
    p = base + (101.0 - base) * np.exp(-speed / volume * t)
    return t, np.maximum(p + np.random.default_rng(seed).normal(0, noise, t.size), 0.0)


def rise(slope, start=3.0, noise=0.05, seed=1, level=None):
    t = np.arange(0.0, 10.0, 0.5)
    p = start + slope * t if level is None else start + level * (1 - np.exp(-slope / level * t))
    return t, p + np.random.default_rng(seed).normal(0, noise, t.size)


def test_pump_down_sweeps_and_adds_up():
    whole = vacuum.pump_down_min([5, 10], 50, 101.0, 3.0, 1.0)
    halves = vacuum.pump_down_min([5, 10], 50, 101.0, 20.0, 1.0) + vacuum.pump_down_min([5, 10], 50, 20.0, 3.0, 1.0)
    assert whole == pytest.approx(halves)
    assert isinstance(vacuum.pump_down_min(5, 50, 101.0, 3.0), float)


def test_a_logged_pump_down_gives_back_its_speed_and_base():
    found = vacuum.fit_pump(*log(), volume_l=20).estimates.set_index("quantity")
    speed, base = found.loc["effective speed"], found.loc["base pressure"]
    assert speed.low < 45 < speed.high
    assert base.low < 3 < base.high
    assert speed.high - speed.low < 2


def test_the_intervals_cover_the_truth_about_as_often_as_they_say():
    covered = np.zeros(2)
    for seed in range(100):
        table = vacuum.fit_pump(*log(seed=seed, noise=0.4), volume_l=20).estimates
        covered += [row.low < truth < row.high for truth, (_, row) in zip((45, 3), table.iterrows(), strict=False)]
    assert (covered >= 88).all()


def test_a_pump_down_alone_cannot_tell_a_leak_from_a_tired_pump_and_says_so():
    fit = vacuum.fit_pump(*log(), volume_l=20)
    assert fit.limit == "unknown"
    assert "cannot tell" in fit.verdict


@pytest.mark.parametrize(
    ("test", "limit"),
    [
        (rise(0.05), "pump"),
        (rise(6.0), "leak"),
        (rise(6.0, level=12.0), "vapour"),
        (rise(3.3, noise=0.02), "both"),
    ],
)
def test_a_rise_test_tells_pump_leak_and_vapour_apart(test, limit):
    fit = vacuum.fit_pump(*log(), volume_l=20, rise_times_min=test[0], rise_pressures_kpa=test[1], nominal_l_min=60)
    assert fit.limit == limit
    assert "75%" in fit.verdict
    assert set(fit.readings["test"]) == {"pump-down", "rise"}


def test_one_log_of_pump_down_and_shut_valve_is_split_at_its_lowest_reading():
    t, p = log(noise=0.02)
    rt, rp = rise(6.0)
    whole = vacuum.fit_pump(np.r_[t, 8.0 + rt], np.r_[p, rp], 20)
    assert whole.limit == "leak"
    assert whole.speed_l_min == pytest.approx(45, rel=0.01)
    assert whole.leak_kpa_l_min == pytest.approx(120, rel=0.05)
    assert any("taken as a rise test" in c for c in whole.cautions)


def test_exact_readings_give_the_exact_speed_and_base():
    fit = vacuum.fit_pump(*log(noise=0.0), volume_l=20)
    assert (fit.speed_l_min, fit.base_kpa) == (pytest.approx(45, rel=1e-6), pytest.approx(3, rel=1e-6))
    assert np.isnan(fit.leak_kpa_l_min)


def test_a_log_that_stops_early_is_called_extrapolated():
    t, p = log(minutes=1.6, noise=0.05)
    assert any("extrapolated" in c for c in vacuum.fit_pump(t, p, 20).cautions)


def test_a_pump_that_slows_down_is_noticed():
    t = np.arange(0.0, 8.0, 0.25)
    p = 2 + 60 * np.exp(-4 * t) + 39 * np.exp(-0.5 * t)
    assert any("bend away" in c for c in vacuum.fit_pump(t, p, 20).cautions)


def test_a_pressure_that_does_not_fall_is_refused():
    with pytest.raises(FitError, match="at least halves it"):
        vacuum.fit_pump(range(8), np.full(8, 90.0), 20)


def test_a_material_boils_at_the_share_of_its_volatile_part():
    pure = vacuum.vapour_kpa("styrene", 25)
    (styrene,) = family("polyester").volatiles
    share = (styrene.low + styrene.high) / 2
    assert vacuum.vapour_kpa("polyester", 25) == pytest.approx(share * pure)
    assert vacuum.vapour_kpa(Material(name="ours", family="polyester"), 25) == pytest.approx(share * pure)
    assert vacuum.vapour_kpa("platinum-cure silicone", 25) == 0


def test_the_margin_says_boil_degas_or_moisture():
    both = vacuum.boiling_margin("styrene", 25, [0.5, 8.0])
    assert both.margins["boils"].tolist() == [True, False]
    assert "will not stop bubbling" in both.verdict
    damp = vacuum.boiling_margin("slow clear epoxy", [20, 30], 1.0, stored_at_humidity_pct=60)
    assert "without boiling" in damp.verdict
    assert "moisture" in damp.verdict
    assert damp.margins["water_leaves_below_kpa"].is_monotonic_increasing
    assert any("typical" in c for c in damp.cautions)
    assert "moisture" not in vacuum.boiling_margin("slow clear epoxy", 20, 5.0).verdict


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: vacuum.pump_down_min(10, 50, 150.0, 3.0), "from_kpa is 150"),
        (lambda: vacuum.pump_down_min(10, 50, 101.0, 3.0, 4.0), "never reached"),
        (lambda: vacuum.pump_down_min(-1, 50), "volume_l is -1"),
        (lambda: vacuum.vapour_kpa("glue", 25), "glue"),
        (lambda: vacuum.vapour_kpa("water", 500), "temperature_c is 500"),
        (lambda: vacuum.boiling_margin("water", 25, 200), "pressure_kpa is 200"),
        (lambda: vacuum.boiling_margin("water", [20, 25], [1, 2, 3]), "differ in length"),
        (lambda: vacuum.fit_pump([0, 1, 1, 2, 3, 4], [100, 50, 20, 10, 5, 4], 20), "does not increase"),
        (lambda: vacuum.fit_pump([0, 1, 2], [100, 50, 20], 20), "at least 6 readings"),
    ],
)
def test_what_cannot_be_is_one_clear_error(call, says):
    with pytest.raises(InputError, match=says):
        call()
