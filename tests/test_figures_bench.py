"""Pictures of what the bench plans: drawn from the frames of the results, with units, words and a text alternative."""

from __future__ import annotations

import re
import sys

import numpy as np
import pandas as pd
import pytest
import trimesh

from castlab import figures
from castlab.bench import bubbles, cost, cure, plan_mix, solids, vacuum
from castlab.errors import InputError
from castlab.figures import pumping, sweeps

UNIT = re.compile(
    r"\((°C|h|min|mm|ml|g|%|kPa|mbar|bar|inHg|Pa s|count|weeks|coins|your currency)\b|\(%|good parts a week"
)


@pytest.fixture(scope="module")
def mix():
    return cure.from_datasheet(150, 36, 55, family="slow clear epoxy")


@pytest.fixture(scope="module")
def pump():
    times = np.arange(0, 6, 0.5)
    rise = np.arange(0, 5, 1.0)
    ripple = 0.05 * np.cos(9 * times)
    return vacuum.fit_pump(
        times, 2 + 97 * np.exp(-2 * times) + ripple, 12, rise_times_min=rise, rise_pressures_kpa=2 + 0.1 * rise
    )


@pytest.fixture(scope="module")
def results(mix, pump):
    counts = [1, 2, 3]
    return {
        "MixPlan": plan_mix(120, "slow clear epoxy", molds=[1, 4], scale_resolution_g=1),
        "MoldPlan": solids.mold_plan(trimesh.creation.box((40, 30, 20)), [6, 10]),
        "PumpFit": pump,
        "BoilingMargin": vacuum.boiling_margin("polyester", [20, 30], 1.0),
        "Clearing": bubbles.clearing(40, mix, hold_min=[5, 20] * 2, pressure_kpa=[3, 3, 101.3, 101.3]),
        "UnderPressure": bubbles.under_pressure([0.2, 1.0], 500, 60, mix),
        "FilledMold": bubbles.filled_mold_vacuum(mix, 40, hold_min=10, start_min=[120, 10], pocket_ml=0.5),
        "CureResult": cure.simulate(mix, 12, spread=False),
        "CureSweep": cure.simulate(mix, [10, 15]),
        "ScheduleCheck": cure.schedule(mix, [(25, 0, 24), (50, 2, 4)], 10, limit_c=60),
        "LayerPlan": cure.layers(mix, 24, 60, careful=False),
        "PotLife": cure.pot_life(mix, [50, 200] * 2, [20, 20, 28, 28]),
        "CostPerPart": cost.per_good_part(100, 20, labour_min=6, labour_per_h=30, scrapped=(8, 40)),
        "Throughput": cost.throughput(counts * 2, [16] * 3 + [60] * 3, scrapped=(8, 40)),
        "OneMore": cost.one_more_mold(counts, 60, 4, 16, wanted_per_week=11),
    }


KINDS = [name.rpartition(".")[2] for name in figures.PICTURES if name.startswith("castlab.bench.")]


def values(figure) -> np.ndarray:
    """Every y that is drawn as a line or marker."""
    return np.concatenate([np.asarray(line.get_ydata(), dtype=float) for axes in figure.axes for line in axes.lines])


def words_in(figure) -> str:
    parts = [text.get_text() for axes in figure.axes for text in axes.texts]
    return "\n".join(parts)


def test_every_registered_bench_picture_is_tried_here(results):
    assert set(results) == set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_a_picture_names_its_axes_with_units_and_says_in_words_what_it_shows(kind, results):
    figure = results[kind].figure()
    said = [axes.get_xlabel() for axes in figure.axes] + [axes.get_ylabel() for axes in figure.axes]
    named = [text for text in said if text]
    assert named
    assert [text for text in named if not UNIT.search(text)] == []
    alt = figures.alt_text(figure)
    assert 40 < len(alt) < 900
    assert not re.search(r"\b(nan|inf|None)\b|_", alt), alt


def test_pictures_leave_no_pyplot_state_and_come_as_png_with_their_text(results):
    figure = results["PotLife"].figure()
    data, meta = figure._repr_mimebundle_()
    assert data["text/plain"] == meta["image/png"]["alt"] == figure.alt
    pyplot = sys.modules.get("matplotlib.pyplot")
    assert pyplot is None or pyplot.get_fignums() == []


def test_readings_and_fit_of_a_pump_are_the_ones_of_the_result_and_the_base_is_named(pump):
    boiling = vacuum.boiling_margin("polyester", 25, 3.0)
    figure = pump.figure(boiling=boiling, aim_kpa=3, altitude_m=150)
    drawn = values(figure)
    for column in ("pressure_kpa", "fitted_kpa"):
        assert np.isin(pump.readings[column], drawn).all()
    assert f"base {pump.base_kpa:.3g} kPa" in words_in(figure)
    assert "the mix may boil below" in words_in(figure)
    assert f"{boiling.margins['boils_below_high_kpa'][0]:.2g} kPa" in figure.alt


def test_a_mix_that_boils_far_below_is_told_in_words_instead_of_flattening_the_curve(pump):
    figure = pump.figure(boiling=vacuum.boiling_margin("slow clear epoxy", 25, 3.0))
    assert "the mix boils far below" in words_in(figure)
    assert figure.axes[0].get_ylim()[0] > 0.1


@pytest.mark.parametrize(("gauge", "kpa"), [("kPa", 1.0), ("inHg", 3.386389), ("mbar", 0.1), ("bar", 100.0)])
def test_the_second_scale_shows_round_readings_of_the_gauge_at_this_altitude(gauge, kpa):
    # Standard air at sea level is 101.325 kPa (ISO 2533); the conventional inch of mercury is 3.386389 kPa (NIST SP 811).
    plan = pd.DataFrame({"time_min": [0.0, 1, 2, 3], "pressure_kpa": [100.0, 30, 10, 4]})
    figure = pumping.pump_down(plan, altitude_m=0, gauge=gauge)
    beside = figure.axes[-1]
    assert beside.get_ylim() == figure.axes[0].get_ylim()
    low, high = beside.get_ylim()
    marks = {text.get_text(): tick for tick, text in zip(beside.get_yticks(), beside.get_yticklabels(), strict=True)}
    assert 5 <= len(marks) <= 12
    for text, tick in marks.items():
        reading = float(text.replace("\N{MINUS SIGN}", "-"))
        assert tick == pytest.approx(101.325 + reading * kpa)
        assert low < tick < high
        assert len(text.strip("\N{MINUS SIGN}0.").replace(".", "")) <= 3
    assert beside.get_ylabel() == f"gauge at 0 m ({gauge})"
    with pytest.raises(InputError, match="accepted: kPa"):
        pumping.pump_down(plan, gauge="torr")


def test_the_smallest_bubbles_are_drawn_one_line_a_pressure(results):
    figure = results["Clearing"].figure()
    assert np.isin(results["Clearing"].table["smallest_mm"], values(figure)).all()
    assert len(figure.axes[0].get_legend().get_texts()) == 2
    assert "smaller ones hardly show" in words_in(figure)


def test_held_air_is_split_into_what_rises_out_and_what_stays(results):
    found = results["FilledMold"]
    figure = found.figure()
    assert set(found.table["outcome"]) == {"harms", "helps"}
    assert {"rises out", "stays in the mix"} <= set(words_in(figure).split("\n"))
    assert np.isin(found.timeline["released_pct"], values(figure)).all()
    assert [t.get_text() for t in figure.axes[-1].get_legend().get_texts()] == ["helps", "harms"]


def test_the_insert_s_limit_and_gel_and_demold_stand_there_in_words(results):
    run = results["CureResult"]
    figure = run.figure(limit_c=60)
    said = words_in(figure)
    for word in (
        "the insert bears 60 °C",
        "all gelled",
        "demold",
        "hard enough to demold",
        f"peak {run.peak_c:.0f} °C",
    ):
        assert word in said
    drawn = values(figure)
    assert np.isin(run.history["hottest_c"], drawn).all()
    assert np.isin(100 * run.history["conversion_min"], drawn).all()


def test_profiles_are_moments_of_the_result_through_the_whole_depth(results):
    run = results["CureResult"]
    deep = next(axes for axes in run.figure().axes if "depth" in axes.get_title(loc="left"))
    moments = {tuple(rows["temperature_c"]) for _, rows in run.profile.groupby("time_h")}
    lines = [tuple(line.get_ydata()) for line in deep.lines]
    assert len(lines) >= 3
    assert set(lines) <= moments


def test_oven_and_layers_show_their_limit(results):
    assert "the insert bears 60 °C" in words_in(results["ScheduleCheck"].figure())
    assert "limit 60 °C" in words_in(results["LayerPlan"].figure())
    bars = results["LayerPlan"].figure().axes[0].patches
    begins = sorted({bar.get_x() for bar in bars})
    assert np.isin(results["LayerPlan"].layers["pour_after_h"], begins).all()


def test_the_waterfall_ends_at_the_cost_with_its_interval(results):
    part = results["CostPerPart"]
    figure = part.figure(currency="coins")
    bars = figure.axes[0].patches
    steps = part.steps
    assert [bar.get_width() for bar in bars[:-1]] == pytest.approx(list(steps["cost"]))
    assert [bar.get_x() + bar.get_width() for bar in bars[:-1]] == pytest.approx(list(steps["cost_to_here"]))
    assert bars[-1].get_width() == pytest.approx(part.cost)
    assert f"{part.cost:.2f}  ({part.low:.2f} to {part.high:.2f})" in words_in(figure)
    assert "coins" in figure.axes[0].get_xlabel()


def test_a_swept_cost_is_a_line_and_any_case_of_it_a_waterfall():
    part = cost.per_good_part(100, 20, labour_min=6, labour_per_h=30, scrap_pct=[5, 20, 50])
    figure = part.figure()
    assert figure.axes[0].get_xlabel() == "scrap (%)"
    assert figure.axes[0].lines[0].get_ydata() == pytest.approx(part.cost)
    assert part.figure(case=2).axes[0].patches[-1].get_width() == pytest.approx(part.cost[2])


def test_silicone_bars_are_block_and_fitted_of_each_wall_told_apart_without_colour(results):
    plan = results["MoldPlan"]
    bars = plan.figure().axes[0].patches
    assert [bar.get_height() for bar in bars] == pytest.approx([*plan.molds["block_ml"], *plan.molds["fitted_ml"]])
    assert {bar.get_hatch() for bar in bars} == {None, "///"}


def test_the_ratio_is_drawn_against_its_tolerance_and_the_work_against_the_pot_life(results):
    plan = results["MixPlan"]
    figure = plan.figure()
    spans = figure.axes[0].collections[0].get_segments()
    second = plan.weigh[plan.weigh["part"] == "hardener"]
    ends = second[["worst_low_pct", "worst_high_pct"]].to_numpy()
    assert np.array([span[:, 0] for span in spans]) == pytest.approx(ends)
    assert [bar.get_width() for bar in figure.axes[1].patches] == pytest.approx(list(plan.cups["working_min"]))
    assert [label.get_text() for label in figure.axes[0].get_yticklabels()] == ["1 mold", "4 molds"]


def test_what_brings_nothing_more_is_said_not_left_out(results):
    figure = results["OneMore"].figure()
    never = (~np.isfinite(results["OneMore"].gains["weeks_to_pay_back"])).sum()
    assert never >= 1
    assert words_in(figure).count("brings nothing more") == never
    assert "never beside" in figure.alt


def test_lines_differ_by_marker_as_well_as_by_colour(results):
    lines = [line for line in results["Throughput"].figure().axes[0].lines if len(line.get_xdata()) > 1]
    assert len({line.get_marker() for line in lines}) == len(lines) == 2


def test_the_axis_of_a_sweep_is_what_varies_most():
    table = pd.DataFrame({"hold_min": [1, 2, 3] * 2, "depth_mm": [10] * 3 + [20] * 3, "temperature_c": 25})
    assert sweeps.swept(table, ("temperature_c", "depth_mm", "hold_min")) == ["hold_min", "depth_mm"]
    assert sweeps.swept(table.iloc[:1], ("depth_mm", "hold_min")) == ["depth_mm"]
