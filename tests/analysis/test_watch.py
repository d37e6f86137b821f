"""Watching production: what changed when, limits that hold with few data, and what is said where nothing can be told."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from castlab import Logbook, figures, shipped
from castlab.analysis import compare_runs, mold_life, watch
from castlab.analysis.production import charts, runs
from castlab.errors import FitError, InputError


@pytest.fixture(scope="module")
def logbook_frame(tmp_path_factory) -> pd.DataFrame:
    with Logbook.restore(shipped.path("data", "demo"), to=tmp_path_factory.mktemp("demo") / "demo.db") as book:
        return book.frame()


def shifted(seed: int = 2) -> pd.DataFrame:
    """Twelve batches of four; from the eighth on a new lot and twice the bubbles; the pump drifts."""
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "bubbles": rng.poisson(np.repeat([5, 12], [28, 20])),
            "batch_id": np.repeat([f"B-{i:03d}" for i in range(1, 13)], 4),
            "resin_lot": np.repeat(["L-1", "L-2"], [28, 20]),
            "poured_at": pd.date_range("2026-03-01", periods=48, freq="D"),
            "pump_base_kpa": np.repeat(1.5 + 0.05 * np.arange(12) + rng.normal(0, 0.05, 12), 4),
            "mold": list("ABCD") * 12,
            "passed": rng.random(48) > 0.1,
        }
    )


def test_watch_is_the_function_also_after_its_module_was_loaded():
    import castlab.analysis
    import castlab.analysis.production.watching

    assert callable(castlab.analysis.watch)
    assert callable(castlab.analysis.mold_life)


def test_an_alarm_says_what_changed_when_and_what_changed_with_it():
    seen = watch(shifted(), "bubbles", baseline=7)
    level = seen.alarms[seen.alarms["about"] == "level"]
    assert len(level)
    assert level["since"].iloc[0] == pd.Timestamp("2026-03-29")  # the first casting of the new lot
    assert level["what"].str.contains("Bubbles rose").all()
    assert level["what"].str.contains("resin lot changed there from L-1 to L-2").any()
    assert level["how_sure"].str.contains("once in").all()
    assert level["what"].iloc[0] in seen.verdict


def test_without_a_baseline_a_step_is_found_where_it_is():
    seen = watch(shifted(), "bubbles")
    step = seen.alarms[seen.alarms["rule"] == "a step of the level"]
    assert list(step["point"]) == ["B-008"]
    assert step["what"].str.contains("Bubbles rose from about B-008 on").all()
    assert not seen.alarms["what"].str.contains("Bubbles fell").any()


def test_the_verdict_tells_a_lasting_change_before_earlier_odd_points_and_counts_the_rest():
    rng = np.random.default_rng(12)
    rows = pd.DataFrame({"bubbles": rng.poisson(np.repeat([6, 13], [40, 40]))})
    rows.loc[[3, 4, 9, 10, 15], "bubbles"] = [0, 0, 1, 0, 0]
    seen = watch(rows, "bubbles")
    assert seen.alarms["about"].eq("level").all()
    assert seen.alarms["rule"].iloc[0] != "a step of the level"  # by date it comes late
    told = seen.verdict.partition("the weightiest first: ")[2]
    assert told.startswith(seen.alarms.loc[seen.alarms["rule"] == "a step of the level", "what"].item())
    assert f"{len(seen.alarms) - 3} other alarms are in the table" in told


def test_readings_on_a_perfect_line_are_no_surer_than_their_last_digit():
    """Three readings of one decimal on a line: slope 0.1 a day, standard error 0.1 / sqrt(12) / sqrt(2), one degree of freedom."""
    made = pd.DataFrame(
        {"haze_pct": [4.0, 4.2, 4.1, 3.9], "pump_base_kpa": [1.5, 1.6, 1.7, np.nan], "poured_at": pd.date_range("2026-03-01", periods=4)}
    )  # fmt: skip
    row = watch(made, "haze_pct").pump.iloc[0]
    assert row["change"] == pytest.approx(3.0)
    assert row["p_value"] == pytest.approx(2 * stats.t.sf(0.1 / (0.1 / np.sqrt(12) / np.sqrt(2)), 1))
    line = pd.DataFrame({"haze_pct": [4.0, 4.2, 4.1, 3.9] * 3, "pump_base_kpa": 1 + 0.1 * np.arange(12)})
    assert "+1.000 kPa in 10 readings, 95% interval +0.946 to +1.054" in watch(line, "haze_pct").verdict


def test_molds_that_all_ended_alike_are_told_so():
    life = mold_life([40, 40, 40, 12], [True, True, True, False])
    assert "all 3 ended at 40 pulls, so nothing shows how lives scatter" in life.verdict
    assert any("taken out by rule" in said for said in life.cautions)
    assert "inf" not in str(life.tables())
    assert life.figure().alt.endswith("after 40 pulls none still serves.")


def test_a_shape_at_the_end_of_what_was_searched_has_no_upper_limit():
    shape = mold_life([40, 40.5, 40], [True] * 3).parameters.set_index("quantity").loc["shape"]
    assert shape["high"] == np.inf
    assert shape["low"] == pytest.approx(18.4, abs=0.1)


def test_a_rate_names_what_it_is_counted_out_of():
    rows = pd.DataFrame({"bubbles": [8, 4, 9, 5, 8, 4], "area_mm2": [2.0, 1, 2, 1, 2, 1]})
    assert "usual 4.22 per mm² of area" in watch(rows, "bubbles", exposure="area_mm2").verdict


def test_a_steady_process_seldom_shows_a_step():
    rng = np.random.default_rng(8)
    p = [runs.step(rng.standard_normal(15), 199)[2] for _ in range(400)]
    assert np.mean(np.array(p) < 0.05) == pytest.approx(0.05, abs=0.025)


def test_points_of_a_steady_process_after_a_short_baseline_are_seldom_beyond_the_limits():
    """0.27% is meant; the textbook's limits from ten points do it about ten times as often."""
    rng = np.random.default_rng(4)
    out = {"probability": 0, "three sigma": 0}
    inside = np.arange(30) < 10
    for _ in range(300):
        y = rng.normal(20, 3, 30)
        count = rng.poisson(20 * np.exp(rng.normal(0, 0.3, 30)))
        for method in out:
            sigma, df = charts.scatter(y, inside, method)
            single = charts.measures(y, np.ones(30), inside, method, np.full(30, sigma), df)
            counted = charts.counts(count.astype(float), np.ones(30), inside, method)
            out[method] += int((single.beyond[10:] != 0).sum() + (counted.beyond[10:] != 0).sum())
    shown = {method: n / (300 * 40) for method, n in out.items()}
    assert shown["probability"] < 0.006
    assert shown["three sigma"] > 0.03


def test_batches_that_scatter_more_than_poisson_get_wider_limits():
    rng = np.random.default_rng(1)
    rows = pd.DataFrame({"batch": np.repeat(range(20), 4)})
    rows["bubbles"] = rng.poisson(np.repeat(16 * np.exp(rng.normal(0, 0.6, 20)), 4))
    wide = watch(rows, "bubbles", kind="count", batch="batch", rules=[1])
    plain = watch(rows, "bubbles", kind="count", batch="batch", rules=[1], method="three sigma")
    assert wide.dispersion > 2
    assert len(plain.alarms) > 5 > len(wide.alarms)


def test_rates_are_judged_by_their_exposure():
    rows = pd.DataFrame({"bubbles": [8, 4, 9, 5, 8, 4, 16, 4], "area": [2.0, 1, 2, 1, 2, 1, 4, 1]})
    seen = watch(rows, "bubbles", kind="count", exposure="area", rules=[1])
    assert seen.points["centre"].to_numpy() == pytest.approx(58 / 14)
    widths = seen.points["high"] - seen.points["low"]
    assert widths[6] < widths[0] < widths[1]
    assert len(seen.alarms) == 0


def test_a_batch_whose_castings_lie_far_apart_is_an_alarm_of_the_spread():
    rng = np.random.default_rng(6)
    rows = pd.DataFrame(
        {"batch": np.repeat(range(10), 4), "haze_pct": rng.normal(4, 0.2, 40) + np.repeat(rng.normal(0, 0.3, 10), 4)}
    )
    rows.loc[rows["batch"] == 8, "haze_pct"] = [2.0, 3.0, 5.0, 6.0]
    seen = watch(rows, "haze_pct", batch="batch", baseline=7)
    odd = seen.alarms[seen.alarms["about"] == "spread within batches"]
    assert list(odd["point"]) == ["8"]
    assert odd["what"].str.contains("further apart").all()


def test_order_follows_the_dates_not_the_rows():
    made = shifted()
    mixed = made.sample(frac=1, random_state=1)
    pd.testing.assert_frame_equal(
        watch(made, "bubbles").points[["value", "low", "high"]],
        watch(mixed, "bubbles").points[["value", "low", "high"]],
    )


def test_a_baseline_can_be_a_date():
    made = shifted()
    by_number, by_date = (watch(made, "bubbles", baseline=b).points for b in (7, "2026-03-27"))
    assert list(by_number["baseline"]) == list(by_date["baseline"]) == [True] * 7 + [False] * 5


def test_rare_failures_are_watched_by_the_castings_between_them():
    gaps = [30, 70] * 5 + [1, 1, 1]
    rows = pd.DataFrame({"passed": [k + 1 < gap for gap in gaps for k in range(gap)] + [True, True]})
    seen = watch(rows, "passed", baseline=500)
    assert seen.kind == "rare"
    assert list(seen.points["value"]) == [*gaps, 2]
    assert list(seen.points["still_open"]) == [False] * 13 + [True]
    assert seen.points["centre"].iloc[0] == 50
    assert seen.alarms["what"].str.contains("From one failure to the next grew shorter").any()
    assert seen.alarms["since"].min() > 500
    assert seen.points["flag"].iloc[-1] == ""  # an open gap is no short gap


def test_a_baseline_counts_batches_also_where_failures_turn_out_to_be_rare():
    rows = pd.DataFrame({"passed": [k % 9 != 8 for k in range(72)], "batch_id": np.repeat(range(18), 4)})
    seen = watch(rows, "passed", baseline=9)
    assert seen.kind == "rare"
    assert list(seen.points["baseline"]) == [True] * 4 + [False] * 4  # the first nine batches are 36 castings
    assert seen.points["centre"].iloc[0] == 36 / 4


def test_all_good_says_what_that_bounds():
    with pytest.raises(FitError, match="with 95% confidence they come less often than once in 10"):
        watch(pd.DataFrame({"passed": [True] * 30}), "passed")


def test_the_pump_s_trend_is_the_least_squares_line():
    made = shifted()
    pump = watch(made, "bubbles").pump.iloc[0]
    daily = made.drop_duplicates("batch_id")
    day = (daily["poured_at"] - daily["poured_at"].iloc[0]).dt.days
    line = stats.linregress(day, daily["pump_base_kpa"])
    half = stats.t.ppf(0.975, 10) * line.stderr
    assert (pump["change"], pump["low"], pump["high"]) == pytest.approx(
        (30 * line.slope, 30 * (line.slope - half), 30 * (line.slope + half))
    )
    assert pump["p_value"] == pytest.approx(line.pvalue)
    assert watch(made.assign(pump_base_kpa=2.0), "bubbles").pump is None


def test_a_lot_is_compared_with_the_one_before_by_batches():
    made = shifted()
    lots = watch(made, "bubbles").lots.iloc[0]
    direct = compare_runs(
        made.assign(resin_lot=pd.Categorical(made["resin_lot"], ["L-1", "L-2"])),
        "bubbles",
        "resin_lot",
        kind="count",
        batch="batch_id",
    )
    assert (lots["estimate"], lots["low"], lots["high"]) == pytest.approx((direct.estimate, direct.low, direct.high))
    assert (lots["before"], lots["lot"], lots["batches"]) == ("L-1", "L-2", 5)


def test_yield_capability_and_molds_are_told_only_where_the_data_have_them(logbook_frame):
    seen = watch(logbook_frame, "haze_pct")
    assert seen.capability is None
    assert seen.mold_life is None
    assert any("name the worn-out molds" in c for c in seen.cautions)
    full = watch(logbook_frame, "haze_pct", limits=(None, 4.5), retired=["Block A"])
    assert list(full.capability["index"]) == ["Cpk", "share outside"]
    assert set(full.mold_life.remaining["mold"]) == {"Block B", "Block C", "Marker"}
    assert int(full.yield_["made"].iloc[0]) == 64
    for part in ("Yield 33%", "Cpk 0.4", "1 of 4 worn out"):
        assert part in full.verdict
    assert watch(logbook_frame.drop(columns=["passed", "resin_lot", "pump_base_kpa"]), "haze_pct").yield_ is None


def test_limits_of_acceptance_never_enter_the_chart(logbook_frame):
    free, bound = watch(logbook_frame, "haze_pct"), watch(logbook_frame, "haze_pct", limits=(0, 3))
    assert list(free.points["high"]) == list(bound.points["high"])


def test_no_worn_out_mold_gives_a_lower_bound_only():
    life = mold_life([20, 30, 10], [False] * 3, ["A", "B", "C"])
    assert life.model == "none"
    assert life.parameters["low"].iloc[0] == pytest.approx(60 / 3, rel=0.002)  # rule of three
    assert life.remaining["expected_more"].isna().all()
    assert figures.alt_text(life.figure()) == "Life of the molds: none is worn out yet."
    assert "at least 20 pulls" in life.verdict


def test_wear_shortens_what_an_old_mold_still_gives():
    life = mold_life([50, 52, 55, 58, 60, 61, 40, 5], [True] * 6 + [False] * 2)
    old, new = life.remaining["expected_more"]
    assert life.model == "Weibull"
    assert "the older it is, the sooner it fails" in life.verdict
    assert old < new


def test_intervals_of_the_remaining_pulls_cover_what_wearing_molds_still_have():
    rng = np.random.default_rng(1)
    covered = []
    for _ in range(50):
        life, age = 60 * rng.weibull(4, 8), rng.uniform(10, 90, 8)
        seen = mold_life(np.minimum(life, age), life < age)
        for row in seen.remaining.dropna(subset=["expected_more"]).itertuples():
            past = row.pulls + np.linspace(0, 200, 4001)
            true = np.trapezoid(stats.weibull_min(4, scale=60).sf(past), past) / stats.weibull_min(4, scale=60).sf(
                row.pulls
            )
            covered.append(row.low <= true <= row.high)
    assert len(covered) > 100
    assert 0.9 < np.mean(covered) <= 1


def test_one_worn_out_mold_says_nothing_of_what_the_others_still_have():
    life = mold_life([31, 29, 17], [True, False, False])
    assert life.model == "exponential"
    assert life.remaining["expected_more"].isna().all()
    assert any("nothing says how much an old mold still has" in c for c in life.cautions)


def test_few_data_are_called_provisional(logbook_frame):
    seen = watch(logbook_frame, "bubbles")
    assert any("provisional" in c for c in seen.cautions)
    assert "at most about" in seen.verdict


def test_the_result_is_frozen_and_its_tables_carry_the_same_numbers(logbook_frame):
    seen = watch(logbook_frame, "bubbles", retired=[])
    with pytest.raises(dataclasses.FrozenInstanceError):
        seen.kind = "other"
    assert len(seen.tables()["Points"]) == len(seen.points) == 18
    assert "castlab-verdict" in seen._repr_html_()


def test_the_picture_names_flagged_points_and_tells_the_alarms():
    seen = watch(shifted(), "bubbles", baseline=7, retired=["A"])
    figure = seen.figure()
    texts = " ".join(t.get_text() for t in figure.axes[0].texts) + figure.get_suptitle()
    flagged = seen.points.loc[seen.points["flag"] != "", "point"]
    assert len(flagged)
    assert all(name in texts for name in flagged)
    figure.draw_without_rendering()
    above = figure.axes[0].child_axes[0]
    assert [label.get_text() for label in above.get_xticklabels()] == ["resin lot L-2"]
    assert figures.alt_text(figure).startswith("bubbles, 12 points in the order made")
    assert all(line in figures.alt_text(figure) for line in figure.get_suptitle().split("\n"))
    assert figures.alt_text(mold_life([38, 52], [True, False]).figure()).startswith(
        "Life of the molds: 1 worn out, 1 in use"
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"response": "clarity_grade"}, "is a grade; accepted"),
        ({"kind": "rate"}, "accepted: count, measure, pass, rare"),
        ({"limits": (0, 1)}, "limits belong to a measure"),
        ({"response": "haze_pct", "limits": (None, None)}, "at most one of them None"),
        ({"response": "haze_pct", "limits": 3}, "accepted: .lower, upper."),
        ({"response": "haze_pct", "exposure": "depth_mm"}, "belongs to counts"),
        ({"rules": [9]}, "Nelson's tests 1 to 8"),
        ({"method": "two sigma"}, "accepted: probability, three sigma"),
        ({"baseline": 2}, "accepted: 4 to 18"),
        ({"baseline": "soon"}, "a moment as in poured_at"),
        ({"baseline": "2020-01-01"}, "the baseline holds 0 points"),
        ({"retired": ["Block Z"]}, "accepted: molds of the frame"),
        ({"retired": "Block A"}, "accepted: a list of molds"),
        ({"when": "pour_method"}, "neither a date nor a number"),
        ({"response": "bubble"}, "no column 'bubble'"),
        ({"mold": "mould"}, "no column 'mould'"),
        ({"lot": "lott"}, "no column 'lott'"),
    ],
)
def test_unusable_input_says_what_is_accepted(logbook_frame, change, message):
    with pytest.raises(InputError, match=message):
        watch(logbook_frame, **{"response": "bubbles", **change})


def test_the_usual_itself_is_on_neither_side_and_rows_of_the_commonest_count_are_no_news():
    """Nelson (1984), test 2, counts points on one side of the center line, so none that lie on it."""
    assert watch(pd.DataFrame({"bubbles": [5] * 24}), "bubbles").alarms.empty
    seldom = watch(pd.DataFrame({"bubbles": [0] * 20 + [1, 0, 1, 0]}), "bubbles")
    assert not seldom.alarms["rule"].str.contains("nine points").any()
    assert seldom.false_alarm < 0.2
    fell = watch(pd.DataFrame({"bubbles": [5, 7, 4, 6, 5, 8, 6, 4, 2, 3, 2, 1, 3, 2, 3, 2, 2]}), "bubbles", baseline=8)
    assert fell.alarms["rule"].str.contains("nine points").any()


def test_a_gauge_s_reading_is_no_base_pressure():
    frame = shifted()
    with pytest.raises(InputError, match=r"pump_base_kpa holds -9.*kPa absolute, from 0 up"):
        watch(frame.assign(pump_base_kpa=frame["pump_base_kpa"] - 99), "bubbles")


def test_a_measure_that_never_varies_sets_no_limits():
    with pytest.raises(FitError, match="does not vary"):
        watch(pd.DataFrame({"haze_pct": [3.5] * 10}), "haze_pct")


def test_counts_that_are_all_zero_still_give_an_upper_limit():
    seen = watch(pd.DataFrame({"bubbles": [0] * 10 + [4]}), "bubbles", baseline=10)
    assert list(seen.alarms["point"]) == ["casting 11"]


def test_too_few_points_say_so_and_not_that_the_baseline_is_wrong():
    made = pd.DataFrame({"bubbles": [4, 5, 6, 4, 5, 3], "batch_id": "B-001"})
    with pytest.raises(FitError, match="1 point on the chart; at least 4 are needed to set limits; give batch=False"):
        watch(made, "bubbles")
    with pytest.raises(FitError, match="no casting with haze_pct"):
        watch(made.assign(haze_pct=np.nan), "haze_pct")


def test_shares_are_told_in_percent_and_a_capability_says_what_to_expect():
    rng = np.random.default_rng(8)
    made = pd.DataFrame(
        {"batch": np.repeat(range(6), 4), "passed": [True, False] * 12, "haze_pct": rng.normal(4, 1, 24)}
    )
    seen = watch(made, "passed", kind="pass", batch="batch")
    assert "Share that failed, 24 castings in 6 batches: usual 50%;" in seen.verdict
    assert seen.tables()["Yield"][["yield", "low"]].iloc[0].str.endswith("%").all()
    able = watch(made, "haze_pct", batch="batch", limits=(None, 5))
    outside = able.capability.set_index("index").loc["share outside", "estimate"]
    assert f"{100 * outside:.2g}% of castings are to be expected outside the limits" in able.verdict


def test_gaps_that_are_all_alike_are_neither_long_nor_short():
    """A failure every 20 castings: nine gaps in a row above the middle of a geometric distribution, but not above the usual."""
    for more in (0, 9):  # with an open gap the usual is a little more than 20
        frame = pd.DataFrame({"passed": [i % 20 != 19 for i in range(240)] + [True] * more})
        found = watch(frame, "passed", batch=False)
        assert found.alarms.empty
        assert "No alarm" in found.verdict
    longer = pd.DataFrame({"passed": [i % 8 != 7 for i in range(240)] + [i % 30 != 29 for i in range(360)]})
    assert "grew longer" in watch(longer, "passed", batch=False, baseline=240).verdict


def test_castings_that_read_alike_after_rounding_are_no_alarm():
    """Two castings of a batch whose thickness is rounded to the same hundredth, one batch in thirty or so of a steady process."""
    rng = np.random.default_rng(3)
    batch = np.repeat([f"B-{i:03d}" for i in range(30)], 2)
    value = rng.normal(10, 0.1, 60).round(2)
    value[22] = value[23]
    frame = pd.DataFrame({"batch_id": batch, "thickness_mm": value})
    found = watch(frame, "thickness_mm")
    assert not found.alarms["about"].eq("spread within batches").any()
    value[20:24] = [9.6, 10.4, 9.6, 10.4]
    assert "lie further apart than usual" in watch(frame.assign(thickness_mm=value), "thickness_mm").verdict
    four = pd.DataFrame({"batch_id": np.repeat(range(15), 4), "thickness_mm": rng.normal(10, 0.1, 60).round(4)})
    four.loc[8:11, "thickness_mm"] = [10.0002, 10.0003, 10.0001, 10.0002]
    assert "lie closer together than usual" in watch(four, "thickness_mm").verdict


def test_counts_that_were_stopped_are_watched_at_their_limit_and_that_is_said():
    rng = np.random.default_rng(2)
    true = rng.poisson(30, 40)
    frame = pd.DataFrame({"batch_id": np.repeat(range(20), 2), "bubbles": np.minimum(true, 35)})
    flagged = watch(frame.assign(bubbles_stopped=true > 35), "bubbles")
    written = watch(
        frame.assign(bubbles=[f"{v}+" if t > 35 else str(v) for v, t in zip(frame["bubbles"], true, strict=True)]),
        "bubbles",
    )
    for found in (flagged, written):
        assert any(
            f"Of {(true > 35).sum()} castings only a limit of bubbles is known" in said for said in found.cautions
        )
    assert flagged.points["value"].to_list() == written.points["value"].to_list()
    assert not any("limit of bubbles" in said for said in watch(frame, "bubbles").cautions)


def test_batches_that_are_numbers_are_called_batches_in_sentences():
    rng = np.random.default_rng(1)
    made = pd.DataFrame({"batch_id": np.repeat(np.arange(1, 21), 4), "bubbles": rng.poisson(np.repeat([4, 12], 40))})
    seen = watch(made, "bubbles")
    assert "rose from about batch 11 on" in seen.verdict
    assert seen.alarms["point"].astype(str).isin(made["batch_id"].astype(str)).all()
    late = watch(made.assign(trial_id=np.arange(80)), "bubbles", batch=False, baseline=40)
    assert re.search(r"casting \d+ at \d+, beyond the limit", " ".join(late.alarms["what"]))
