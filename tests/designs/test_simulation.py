"""Power by simulation: what is drawn, how it is analysed, and that the answer does not depend on who does the work."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from scipy import special

from castlab.analysis import fit_factors
from castlab.designs import Factor, layouts, plan_trials, power, power_sweep, simulation, truth, workers
from castlab.errors import FitError, InputError

GRADES = [0.1, 0.2, 0.4, 0.3]
KINDS = {
    "measure": {"effect": 1.5, "spread": 1.0},
    "count": {"effect": 0.4, "base": 8, "dispersion": 2.0},
    "grade": {"effect": 6.0, "base": GRADES},
    "pass": {"effect": 8.0, "base": 0.3},
}


def given(kind, **changes) -> truth.Truth:
    options = {"base": None, "spread": None, "batch_spread": None, "dispersion": None, "alpha": 0.05}
    return truth.read(kind, **(options | KINDS[kind] | changes))


def drawn(kind, layout, experiments=20_000, **changes) -> np.ndarray:
    return simulation.draw(given(kind, **changes).case(layout, 1), experiments, np.random.default_rng(5))


# --- what is drawn ---------------------------------------------------------------------------------------------


def test_counts_have_the_mean_the_ratio_and_the_dispersion_asked_for():
    Y = drawn("count", layouts.two_groups(3, 3))
    assert Y[:, :3].mean() == pytest.approx(8, rel=0.01)
    assert Y[:, 3:].mean() == pytest.approx(8 * 0.4, rel=0.01)
    assert Y[:, :3].var() / Y[:, :3].mean() == pytest.approx(2, rel=0.03)
    assert np.array_equal(Y, np.round(Y))
    plain = drawn("count", layouts.two_groups(3, 3), dispersion=None)
    assert plain[:, :3].var() == pytest.approx(8, rel=0.03)


def test_grades_have_the_shares_and_the_odds_ratio_asked_for():
    Y = drawn("grade", layouts.two_groups(3, 3))
    first = [np.mean(Y[:, :3] == g) for g in range(4)]
    assert first == pytest.approx(GRADES, abs=0.01)
    for g in range(3):
        odds = [special.logit(np.mean(group > g)) for group in (Y[:, :3], Y[:, 3:])]
        assert np.exp(odds[1] - odds[0]) == pytest.approx(6, rel=0.06)


def test_passes_have_the_share_and_the_odds_ratio_asked_for():
    Y = drawn("pass", layouts.two_groups(3, 3))
    assert Y[:, :3].mean() == pytest.approx(0.3, abs=0.01)
    assert Y[:, 3:].mean() == pytest.approx(special.expit(special.logit(0.3) + np.log(8)), abs=0.01)


def test_measures_scatter_between_castings_and_between_batches_as_asked_for():
    layout = layouts.in_batches(4, 4, True)
    Y = drawn("measure", layout, batch_spread=0.7)
    residual = Y - layout.X[:, 1] * 1.5
    assert residual.var() == pytest.approx(1 + 0.49, rel=0.03)
    same = [np.cov(residual[:, i], residual[:, j])[0, 1] for i, j in ((0, 1), (2, 3))]
    assert same == pytest.approx([0.49, 0.49], rel=0.06)
    assert np.cov(residual[:, 1], residual[:, 2])[0, 1] == pytest.approx(0, abs=0.03)


def test_batches_are_whole_groups_or_hold_both():
    whole, both = layouts.in_batches(8, 4, True), layouts.in_batches(8, 4, False)
    for layout, groups in ((whole, 1), (both, 2)):
        frame = pd.DataFrame({"cup": layout.codes, "group": layout.X[:, 1]})
        assert (frame.groupby("cup")["group"].nunique() == groups).all()
        assert frame["group"].mean() == 0.5
        assert set(frame["cup"].value_counts()) == {4}


# --- how it is analysed ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize(
    "layout", [layouts.two_groups(6, 7), layouts.in_batches(8, 4, True), layouts.in_batches(8, 4, False)]
)
def test_every_experiment_is_analysed_as_fit_factors_does(kind, layout):
    case = given(kind, batch_spread=0.3 if layout.batches else None).case(layout, 1)
    Y = simulation.draw(case, 12, np.random.default_rng(9))
    p, ok = simulation.analysed(case, Y)
    for y, found, could in zip(Y, p, ok, strict=True):
        frame = pd.DataFrame({"y": y if kind == "measure" else y.astype(int), "x": layout.X[:, 1]})
        if layout.batches:
            frame["batch_id"] = layout.codes
        try:
            expected = fit_factors(frame, "y", ["x"], kind=kind).effects["p_value"].iloc[0]
        except FitError:
            assert not could
            continue
        assert could
        assert found == pytest.approx(expected, abs=1e-4)


def test_a_plan_is_analysed_with_a_column_for_each_effect_and_its_molds():
    plan = plan_trials(
        [Factor("resin_c", 22, 32, per_batch=True), Factor("prep", ["none", "dried", "sealed"])], 18, batch_size=3,
        blocks=["Block A", "Block B", "Block C"],
    )  # fmt: skip
    layout, contrasts = layouts.of_plan(plan._runs)
    Y = np.random.default_rng(2).normal(size=(5, 18))
    frame = plan._runs.settings.assign(batch_id=layout.codes, mold=plan._runs.mold.astype(str))
    frame["prep"] = pd.Categorical(frame["prep"], ["none", "dried", "sealed"])
    for k, contrast in enumerate(contrasts):
        case = simulation.Case("measure", layout.X, layout.codes, np.zeros(18), k + 1, 0.05)
        p, ok = simulation.analysed(case, Y)
        assert ok.all()
        for y, found in zip(Y, p, strict=True):
            effects = fit_factors(frame.assign(y=y), "y", ["resin_c", "prep", "mold"], kind="measure").effects
            row = effects[(effects["factor"] == contrast.effect) & (effects["contrast"] == contrast.words)]
            assert found == pytest.approx(row["p_value"].iloc[0], rel=1e-3, abs=1e-6)


def test_an_experiment_without_any_difference_shows_nothing():
    case = given("pass").case(layouts.two_groups(4, 4), 1)
    p, ok = simulation.analysed(case, np.vstack([np.ones(8), np.zeros(8), [1, 1, 1, 1, 0, 0, 0, 0]]))
    assert list(ok) == [False, False, True]
    assert p[2] < 0.05


# --- what power says ---------------------------------------------------------------------------------------------


def test_simulated_power_of_measures_has_an_interval_around_it_and_a_curve():
    found = power(8, effect=1.5, kind="measure", spread=1, simulations=1000)
    exact = power(8, effect=1.5, kind="measure", spread=1)
    assert found.low < exact.power < found.high
    assert found.low < found.power < found.high
    assert abs(found.needed - exact.needed) <= 1
    assert found.table["power"].diff().min() > -0.05
    assert f"{found.simulations} simulated experiments" in found.verdict
    assert "analysed as fit_factors" in found.method


def test_the_search_for_a_weak_effect_looks_at_few_sizes_and_says_the_same_on_two_processes(monkeypatch):
    asked = {"castings": 20, "effect": 0.8, "kind": "count", "base": 5, "dispersion": 2, "simulations": 400}
    looked, block = [], simulation.block
    monkeypatch.setattr(
        simulation, "block", lambda case, n, *key: looked.append((len(case.line), n)) or block(case, n, *key)
    )
    alone = power(**asked)
    assert alone.needed > 100
    assert len(set(looked)) <= 14
    assert sum(n * done for n, done in looked) < 6 * 400 * 2 * alone.needed
    monkeypatch.setattr(simulation, "block", block)
    pd.testing.assert_frame_equal(power(**asked, jobs=2).table, alone.table)


def test_an_effect_that_no_size_would_show_is_given_up_after_one_look(monkeypatch):
    looked, block = [], simulation.block
    monkeypatch.setattr(
        simulation, "block", lambda case, n, *key: looked.append((len(case.line), n)) or block(case, n, *key)
    )
    found = power(8, effect=1.02, kind="count", base=3, dispersion=1.5)
    assert found.needed is None
    assert sum(done for castings, done in looked if castings == 1000) <= 2 * 200
    assert found.table["castings"].max() == 500


def test_over_dispersed_counts_need_more_castings():
    calm = power(6, effect=0.35, kind="count", base=6)
    wild = power(6, effect=0.35, kind="count", base=6, dispersion=2.5, simulations=200)
    assert wild.power < calm.power
    assert wild.needed > calm.needed
    assert not any("real ones often scatter more" in c for c in wild.cautions)


def test_a_plan_of_counts_has_a_power_for_every_effect():
    plan = plan_trials([Factor("resin_c", 22, 32), Factor("pour", ["stream", "ladle"])], 12)
    found = power(plan, effect=0.5, kind="count", base=6, simulations=200)
    assert list(found.table["effect"]) == ["resin_c", "pour"]
    assert (found.table["low"] <= found.table["power"]).all()
    assert (found.table["power"] <= found.table["high"]).all()
    assert found.power == found.table["power"].min()
    assert "a ratio of mean counts of 0.5" in found.verdict


def test_what_nothing_is_left_to_judge_by_is_not_simulated():
    saturated = plan_trials([Factor(f"x{j}", 0, 1) for j in range(11)], 12)
    assert power(saturated, effect=0.3, kind="count", base=6, simulations=100).table["power"].max() == 0


def test_experiments_that_cannot_be_analysed_are_said():
    found = power(3, effect=1, kind="pass", base=0.9, simulations=200)
    assert any("could not be analysed" in c for c in found.cautions)


# --- who does the work -------------------------------------------------------------------------------------------

SWEEP = {"effects": [0.5, 1.5], "kind": "measure", "spread": 1, "simulations": 700, "seed": 3}


@pytest.fixture(scope="module")
def alone():
    return power_sweep([4, 9], jobs=1, **SWEEP)


def test_two_processes_give_the_same_answer_as_one(alone):
    pd.testing.assert_frame_equal(power_sweep([4, 9], jobs=2, **SWEEP).table, alone.table)


def test_a_cluster_of_two_workers_gives_the_same_answer_as_one_process(alone):
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        swept = power_sweep([4, 9], cluster=cluster.scheduler_address, **SWEEP)
    pd.testing.assert_frame_equal(swept.table, alone.table)


def test_another_seed_gives_another_answer_and_more_experiments_go_on_from_the_first(alone):
    other = power_sweep([4, 9], jobs=1, **SWEEP | {"seed": 4})
    assert not other.table.equals(alone.table)
    case = given("measure").case(layouts.two_groups(4, 4), 1)
    assert simulation.block(case, 50, 1, (4, 0)) == simulation.block(case, 50, 1, (4, 0))
    assert simulation.blocks(4500, 20) == [2000, 2000, 500]
    assert simulation.blocks(250, 500) == [100, 100, 50]


def test_without_the_extra_the_message_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install 'castlab\[cluster\]'"):
        power_sweep([4], cluster="tcp://127.0.0.1:8786", **SWEEP)


def test_a_cluster_that_does_not_answer_is_one_clear_message(monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(workers, "PATIENCE", 0.5)
    with pytest.raises(InputError, match=r"no Dask scheduler answers at 'tcp://127\.0\.0\.1:9'"):
        power_sweep([4], cluster="tcp://127.0.0.1:9", **SWEEP)


def test_addresses_without_a_scheduler_leave_nothing_behind_their_sentence():
    pytest.importorskip("distributed")
    code = """
from castlab.designs import power_sweep, workers
from castlab.errors import InputError
workers.PATIENCE = 0.5
for address in ("tcp://127.0.0.1:9", "nowhere", "tcp://127.0.0.1:abc", " ", 5):
    try:
        power_sweep([4], effects=[1], kind="measure", spread=1, simulations=100, cluster=address)
    except InputError as error:
        print(error)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=True)
    assert done.stderr == ""
    assert len(done.stdout.splitlines()) == 5
    assert all("accepted: the address that the scheduler tells" in line for line in done.stdout.splitlines())


@pytest.mark.parametrize("jobs", [0, -2, 1.5, True])
def test_numbers_of_processes_that_are_none_are_refused(jobs):
    with pytest.raises(InputError, match="jobs is"):
        power(4, effect=1, kind="measure", spread=1, simulations=100, jobs=jobs)


def test_a_progress_bar_is_shown_when_asked_for_or_when_there_is_much_to_do(capsys, monkeypatch):
    power_sweep([4], jobs=1, progress=True, **SWEEP)
    assert "Simulating castings" in capsys.readouterr().err
    power_sweep([4], jobs=1, **SWEEP)
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(workers, "LONG", 2)
    power_sweep([4], jobs=1, **SWEEP)
    assert "Simulating castings" in capsys.readouterr().err


# --- sweeps ------------------------------------------------------------------------------------------------------


def test_a_sweep_says_how_many_castings_each_effect_takes(alone):
    wide = power_sweep([4, 9, 16], jobs=1, **SWEEP | {"effects": [0.2, 1.5]})
    assert wide.needed["castings"].isna().to_list() == [True, False]
    assert (
        "a difference of 0.2 takes more than 16 and a difference of 1.5 takes 9 castings in each group" in wide.verdict
    )
    assert list(alone.tables()["Chance to show it"].columns) == ["castings", "effect 0.5", "effect 1.5"]


def test_a_sweep_over_plans_counts_all_their_castings():
    factors = [Factor("resin_c", 22, 32, per_batch=True), Factor("pour", ["stream", "ladle"])]
    plans = [plan_trials(factors, n, batch_size=4) for n in (16, 24)]
    swept = power_sweep(plans, effects=[2.0], kind="measure", spread=1, simulations=300, jobs=1)
    exact = [power(p, effect=2.0, kind="measure", spread=1, factor="resin_c").power for p in plans]
    assert list(swept.table["castings"]) == [16, 24]
    assert ((swept.table["low"] < exact) & (exact < swept.table["high"])).all()


@pytest.mark.parametrize(
    ("castings", "options", "said"),
    [
        ([], {}, "a list of numbers of castings"),
        ([4, 4], {}, "one number twice"),
        (["four"], {}, "a list of numbers of castings"),
        ([4], {"effects": []}, "a list of sizes of effect"),
        ([4], {"batch_spread": 1}, "need batch_size"),
        ([4], {"batch_size": 4}, "batch_spread is None"),
        ([5], {"batch_size": 4, "batch_spread": 1}, r"nearest possible request: castings=\[4\]"),
        ([5], {"batch_size": 4, "batch_spread": 1, "per_batch": True}, r"nearest possible request: castings=\[8\]"),
    ],
)
def test_sweeps_that_cannot_be_are_refused(castings, options, said):
    with pytest.raises(InputError, match=said):
        power_sweep(castings, jobs=1, **SWEEP | options)


# --- pictures ------------------------------------------------------------------------------------------------------


def test_the_curve_shows_every_point_the_castings_asked_about_and_those_needed():
    found = power(8, effect=0.5, kind="count", base=6)
    figure = found.figure()
    line = figure.axes[0].lines[0]
    assert list(line.get_xdata()) == list(found.table["castings"])
    assert list(line.get_ydata()) == list(found.table["power"])
    assert "8 castings: 78%" in [t.get_text() for t in figure.axes[0].texts]
    assert "80% takes 9" in figure.alt
    assert "castings in each group" in figure.axes[0].get_xlabel()


def test_groups_of_two_sizes_stand_where_equal_groups_would_tell_as_much():
    found = power([6, 14], effect=1.2, kind="measure", spread=1)
    axes = found.figure().axes[0]
    (asked,) = [c[0] for c in axes.containers]
    x, y = asked.get_xdata()[0], asked.get_ydata()[0]
    assert x == pytest.approx(2 / (1 / 6 + 1 / 14))
    assert y == pytest.approx(np.interp(x, found.table["castings"], found.table["power"]), abs=0.02)
    assert "6 and 14 castings: 64%, worth 8.4 in each" in [t.get_text() for t in axes.texts]


def test_ticks_of_castings_are_whole():
    axes = power_sweep([6], jobs=1, **SWEEP).figure().axes[0]
    axes.figure.canvas.draw()
    assert all(t.get_text().isdigit() for t in axes.get_xticklabels())


def test_the_picture_of_a_plan_has_a_row_for_each_effect_with_its_interval():
    plan = plan_trials(
        [Factor("resin_c", 22, 32, per_batch=True), Factor("pour", ["stream", "ladle"])], 16, batch_size=4
    )
    found = power(plan, effect=2, kind="measure", spread=1, simulations=300)
    figure = found.figure()
    assert len(figure.axes[0].get_yticklabels()) == len(found.table)
    assert next(t.get_text() for t in figure.axes[0].texts).endswith("%")
    assert "judged on batches" in figure.alt


def test_the_picture_of_a_sweep_has_a_line_for_each_effect(alone):
    figure = alone.figure()
    drawn_lines = [line for line in figure.axes[0].lines if len(line.get_xdata()) == 2 and line.get_marker() != "None"]
    assert len(drawn_lines) == 2
    assert [t.get_text() for t in figure.legends[0].get_texts()] == ["difference 0.5", "difference 1.5"]
    assert "difference 1.5: " in figure.alt
