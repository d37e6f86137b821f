"""Pours, cups, layers, schedules and data sheets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.sparse import block_array, diags_array, eye_array, kron

from castlab import Material
from castlab.bench import cure
from castlab.bench.cure import Resin, bodies, layering
from castlab.bench.cure.fitting import STILL_AIR_W_M2K, in_cup
from castlab.bench.cure.heat import Air
from castlab.errors import FitError, InputError

MIX = Resin(name="test mix", k1_per_s=6e-6, k2_per_s=6e-5)
QUICK = Resin(name="quick mix", k1_per_s=5e-5, k2_per_s=2e-4)


@pytest.fixture(scope="module")
def slow():
    return cure.from_datasheet(family="slow clear epoxy")


def imbalance(run):
    return run.energy.set_index("quantity").loc["imbalance", "value"]


@pytest.mark.parametrize("mix", [MIX, QUICK], ids=lambda m: m.name)
@pytest.mark.parametrize(
    "pour",
    [
        {"depth_mm": 5.0},
        {"depth_mm": 60.0},
        {"depth_mm": 30.0, "covered": True},
        {"depth_mm": 30.0, "wall": 0.0},
        {"depth_mm": 30.0, "shape": "cylinder"},
        {"mass_g": 500.0, "shape": "cup"},
        {"depth_mm": 20.0, "program": [(0, 25), (12, 25), (14, 70), (20, 70), (22, 25), (30, 25)]},
    ],
    ids=str,
)
def test_the_heat_balance_closes_within_a_tenth_of_a_percent(mix, pour):
    run = cure.simulate(mix, **pour)
    assert imbalance(run) < 0.1
    heat = run.energy.set_index("quantity")["value"]
    assert heat["released"] == pytest.approx(heat["stored"] + heat["lost to the air"], rel=1e-3)


@pytest.mark.parametrize(("mix", "depth_mm"), [(MIX, 10.0), (MIX, 20.0), (QUICK, 4.0), (QUICK, 8.0)])
def test_the_default_grid_gives_the_peak_of_a_grid_four_times_as_fine(mix, depth_mm):
    default, fine = (cure.simulate(mix, depth_mm, spread=False, cells=cells).peak_c for cells in (60, 240))
    assert default == pytest.approx(fine, abs=0.1)


def test_deeper_and_warmer_pours_are_hotter_and_gel_sooner():
    by_depth = cure.simulate(MIX, [10, 20, 40, 80]).table
    assert by_depth["peak_c"].is_monotonic_increasing
    assert by_depth["gel_first_h"].is_monotonic_decreasing
    by_room = cure.simulate(MIX, 20, start_c=[18, 25, 32], air_c=[18, 25, 32])
    assert by_room.table["demold_h"].is_monotonic_decreasing
    assert len(by_room.results) == 3


def test_a_thin_pour_follows_the_isothermal_rate_law():
    run = cure.simulate(MIX, 0.5, wall=0.0, film_w_m2k=1e4, spread=False)
    assert run.gel_last_h == pytest.approx(MIX.isothermal_s(MIX.gel_conversion, 25.0) / 3600, rel=0.01)
    assert run.peak_c == pytest.approx(25.0, abs=0.1)


def test_a_room_temperature_cure_stalls_by_vitrification_and_a_post_cure_goes_on():
    stiff = replace(MIX, tg_full_c=110.0)
    stalled = cure.simulate(stiff, 5.0, hours=24 * 14)
    assert stalled.conversion < 0.9
    assert 35 < stalled.tg_c < 56
    warmed = cure.simulate(stiff, 5.0, program=[(0, 25), (48, 25), (50, 90), (60, 90)])
    assert warmed.conversion > 0.97
    assert warmed.tg_c > stalled.tg_c + 30


def test_the_result_reads_as_a_sentence_with_its_range_and_names_what_was_typical(slow):
    run = cure.simulate(slow, 10.0)
    peak = run.outcome.set_index("quantity").loc["peak"]
    assert peak.low <= peak.value <= peak.high
    assert f"peaks at {run.peak_c:.0f} °C ({peak.low:.0f} to {peak.high:.0f})" in run.verdict
    assert any("heat of reaction" in c or "pot life" in c for c in run.cautions)
    assert any("overheat" in c for c in run.cautions)
    assert run.profile["depth_mm"].between(0, 10).all()
    top = run.profile[run.profile["depth_mm"] < 0.2]
    assert top["temperature_c"].max() <= run.peak_c


def test_the_cup_shortens_pot_life_with_mass(slow):
    table = cure.pot_life(slow, [20, 100, 500, 2000]).table
    assert table["pot_life_min"].is_monotonic_decreasing
    assert table["peak_c"].is_monotonic_increasing
    assert (table["low_min"] <= table["pot_life_min"]).all()
    by_temperature = cure.pot_life(slow, 100, [15, 25, 35]).table
    assert by_temperature["pot_life_min"].is_monotonic_decreasing


def cup_in_two_dimensions(resin, mass_g, room_c=25.0, n=14):
    """Pot life in min and peak in C of a cup resolved in radius and height."""
    diameter, height = (x / 1000 for x in bodies.cup_size_mm(resin, mass_g))
    k, dr, dz = resin.conductivity_w_mk, diameter / 2 / n, height / n
    faces = np.linspace(0, diameter / 2, n + 1)
    area = np.diff(faces**2) / 2
    volume = np.repeat((area * dz)[:, None], n, axis=1)
    cup_wall = 1 / STILL_AIR_W_M2K + bodies.CUP_WALL_M / bodies.CUP_WALL_W_MK
    radial, axial = k * faces[1:-1] * dz / dr, k * area / dz
    side = diameter / 2 * dz / (dr / 2 / k + cup_wall)
    top, bottom = area / (dz / 2 / k + 1 / STILL_AIR_W_M2K), area / (dz / 2 / k + cup_wall)

    def slopes(_, y):
        t, a = y[: n * n].reshape(n, n), y[n * n :].reshape(n, n)
        heat = np.zeros((n, n))
        across, along = radial[:, None] * np.diff(t, axis=0), axial[:, None] * np.diff(t, axis=1)
        heat[:-1] += across
        heat[1:] -= across
        heat[:, :-1] += along
        heat[:, 1:] -= along
        heat[-1] -= side * (t[-1] - room_c)
        heat[:, -1] -= top * (t[:, -1] - room_c)
        heat[:, 0] -= bottom * (t[:, 0] - room_c)
        rate = resin.rate(a, t)
        warming = (heat + volume * resin.reaction_j_m3 * rate) / (resin.capacity_j_m3k * volume)
        return np.concatenate([warming.ravel(), rate.ravel()])

    line, one = diags_array(np.ones((3, n)), offsets=(-1, 0, 1), shape=(n, n)), eye_array(n)
    near, same = kron(line, one) + kron(one, line), eye_array(n * n)
    start = np.concatenate([np.full(n * n, room_c), np.zeros(n * n)])
    pattern = block_array([[near, same], [same, same]])
    run = solve_ivp(slopes, (0, 20 * 3600), start, method="BDF", jac_sparsity=pattern, rtol=1e-4, atol=1e-5)
    furthest = run.y[n * n :].max(axis=0)
    return np.interp(resin.thick_conversion, furthest, run.t) / 60, run.y[: n * n].max()


@pytest.mark.parametrize("mass_g", [50.0, 100.0, 500.0])
@pytest.mark.parametrize("mix", [MIX, QUICK], ids=lambda m: m.name)
def test_the_cup_along_its_radius_comes_close_to_the_cup_in_two_dimensions(mix, mass_g):
    life, peak = cup_in_two_dimensions(mix, mass_g)
    found_s, found_peak, _ = in_cup(mix, mass_g, 25.0, 20 * 3600.0)
    assert found_s / 60 == pytest.approx(life, rel=0.06)
    assert found_peak - 25 == pytest.approx(peak - 25, rel=0.18)


@pytest.mark.parametrize(
    ("pot_life", "hours", "peak"),
    [(45, 24, None), (360, 48, None), (8, 2, None), (45, 24, 180), (360, 48, 40)],
)
def test_the_fit_gives_back_the_figures_of_the_data_sheet(pot_life, hours, peak):
    fit = cure.from_datasheet(pot_life, hours, peak)
    table = fit.figures.set_index("figure")["modelled"]
    assert table["pot life"] == pytest.approx(pot_life, rel=0.05)
    assert table["time to demold"] == pytest.approx(hours, rel=0.2)
    if peak is not None:
        assert table["peak in the cup"] == pytest.approx(peak, abs=3)
    cup = cure.simulate(fit, shape="cup", mass_g=100.0)
    assert cup.pot_life_min == pytest.approx(pot_life, rel=0.06)
    assert len(fit.members) >= 3


@pytest.mark.parametrize(
    ("figures", "says"),
    [((45, 24, 400), "J/g of heat"), ((1, 48), "no usual kinetics")],
)
def test_figures_that_contradict_each_other_are_refused(figures, says):
    with pytest.raises(FitError, match=says):
        cure.from_datasheet(*figures)


def test_a_peak_figure_narrows_what_the_kinetics_leave_open():
    peaks = [
        cure.simulate(cure.from_datasheet(45, 24, peak), 20.0).outcome.set_index("quantity").loc["peak"]
        for peak in (None, 180)
    ]
    assert peaks[1].high - peaks[1].low < peaks[0].high - peaks[0].low


def test_the_users_own_values_are_not_called_typical():
    ours = Material(name="ours", family="slow clear epoxy", pot_life_min=60, cure_h=30, viscosity_pa_s=0.9)
    fit = cure.from_datasheet(family=ours, heat_j_g=420.0)
    named = " ".join(fit.resin.typical)
    assert "viscosity" not in fit.resin.typical
    assert "heat of reaction" not in named
    assert fit.resin.heat_j_g == 420.0
    assert all(m.viscosity_pa_s == 0.9 for m in fit.members)
    assert "activation energy of cure" in fit.resin.typical


def test_every_family_can_be_simulated_as_it_is():
    from castlab.bench.materials import families

    for name in families():
        run = cure.simulate(name, 15.0)
        assert imbalance(run) < 0.1, name
        assert 20 < run.peak_c < 350, name


def test_layers_keep_a_deep_pour_below_the_limit_and_no_fewer_would_do():
    plan = cure.layers(MIX, 80, limit_c=60)
    count = len(plan.layers)
    assert count > 1
    assert plan.layers["peak_c"].max() <= 60
    assert plan.layers["pour_after_h"].is_monotonic_increasing
    assert (plan.layers["pour_after_h"].diff().dropna() > 0).all()
    assert plan.layers["thickness_mm"].sum() == pytest.approx(80)
    room = Air(inner_w_m2k=8.0, outer_w_m2k=8.0, temperatures_c=(25.0,))
    assert layering.hottest_c(MIX, 80.0, count - 1, 25.0, room, cure.Wall()) > 60
    assert len(cure.layers(MIX, 5, limit_c=60).layers) == 1
    assert cure.layers(MIX, 5, limit_c=60).layers["peak_c"][0] == pytest.approx(
        cure.simulate(MIX, 5, spread=False).peak_c, abs=0.3
    )


def test_careful_layers_heed_the_hottest_kinetics(slow):
    plan = cure.layers(slow, 30, limit_c=75)
    assert plan.layers["peak_high_c"].max() <= 75.5
    bold = cure.layers(slow, 30, limit_c=75, careful=False)
    assert len(bold.layers) <= len(plan.layers)


def test_a_pour_too_hot_even_in_layers_is_refused():
    with pytest.raises(FitError, match="layers"):
        cure.layers(QUICK, 300, limit_c=40)


def test_a_schedule_is_held_against_the_insert_and_reports_the_glass_transition():
    gentle = cure.schedule(MIX, [(25, 0, 48), (60, 4, 10)], 15, limit_c=65, wanted_tg_c=45)
    assert gentle.ok
    assert 59 < gentle.run.peak_c <= 65
    assert gentle.steps["tg_c"].is_monotonic_increasing
    hasty = cure.schedule(MIX, [(60, 0.5, 10)], 15, limit_c=65)
    assert not hasty.ok
    assert "Too hot" in hasty.verdict
    assert hasty.run.peak_c > 70
    assert any("oven" in c.lower() for c in hasty.cautions)
    assert not cure.schedule(MIX, [(25, 0, 48)], 15, limit_c=65, wanted_tg_c=58).ok


def test_viscosity_rises_to_gel_and_falls_with_warmth():
    assert MIX.viscosity(0.0, 25.0) == pytest.approx(MIX.viscosity_pa_s)
    assert MIX.viscosity(0.0, 35.0) < MIX.viscosity_pa_s
    rising = MIX.viscosity(np.linspace(0, 0.59, 20), 25.0)
    assert (np.diff(rising) > 0).all()
    assert np.isinf(MIX.viscosity(0.6, 25.0))
    assert MIX.viscosity(MIX.thick_conversion, 25.0) == pytest.approx(MIX.thick_ratio * MIX.viscosity_pa_s, rel=1e-3)


def test_the_glass_transition_runs_from_fresh_to_full_and_back():
    assert MIX.tg_c(0.0) == pytest.approx(MIX.tg_start_c)
    assert MIX.tg_c(1.0) == pytest.approx(MIX.tg_full_c)
    grown = np.linspace(0, 1, 11)
    assert MIX.conversion_at_tg(MIX.tg_c(grown)) == pytest.approx(grown)


def test_phr_of_the_textbook_is_at_hand():
    assert cure.phr(190, 146.2 / 6) == pytest.approx(12.8, abs=0.05)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: cure.simulate(MIX, -5), "depth_mm is -5"),
        (lambda: cure.simulate(MIX), "needs depth_mm"),
        (lambda: cure.simulate(MIX, 10, mass_g=100), "needs depth_mm and not"),
        (lambda: cure.simulate(MIX, 10, shape="cone"), "slab, cylinder, cup"),
        (lambda: cure.simulate("glue", 10), "glue"),
        (lambda: cure.simulate(MIX, 10, start_c="warm"), "start_c is 'warm'"),
        (lambda: cure.simulate(MIX, 10, program=[(0, 25), (0, 60)]), "do not increase"),
        (lambda: cure.simulate(MIX, [10, 20], start_c=[20, 25, 30]), "differ in length"),
        (lambda: cure.from_datasheet(45, 0.5), "not longer than the pot life"),
        (lambda: cure.from_datasheet(45, 24, 20), "above the test"),
        (lambda: cure.from_datasheet(45, 24, heat=400), "'heat' is not a property"),
        (lambda: cure.from_datasheet(45, 24, 120, heat_j_g=400), "one of them"),
        (lambda: cure.layers(MIX, 50, limit_c=25), "above both"),
        (lambda: cure.schedule(MIX, [(25, 0)], 10, limit_c=60), "step 1"),
        (lambda: cure.schedule(MIX, [], 10, limit_c=60), "accepted: "),
        (lambda: cure.pot_life(MIX, 0), "mass_g is 0"),
        (lambda: cure.simulate(Material(name="ours", pot_life_min=45, cure_h=24), 10), "has no family"),
        (lambda: Resin(name="x", k1_per_s=-1, k2_per_s=1), "k1_per_s"),
        (lambda: Resin(name="x", k1_per_s=0, k2_per_s=1, gel_conversion=1.2), "between 0 and 1"),
    ],
)
def test_what_cannot_be_is_one_clear_error(call, says):
    with pytest.raises(InputError, match=says):
        call()
