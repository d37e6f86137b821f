"""Run sheets of a plan: one cup each, the plan's settings where the work is done, and the way back to the logbook."""

from __future__ import annotations

import pytest

from castlab import Material, Mold
from castlab.bench import plan_mix
from castlab.designs import Factor, plan_trials
from castlab.errors import InputError

FACTORS = [
    Factor("resin_c", 22, 30),
    Factor("cup_degas_min", 0, 6),
    Factor("pour_method", ["stream", "ladle"]),
    Factor("cure_h", 24, 36),
    Factor.on_off("lid"),
]
SAME = {"product": "pod block", "start": "2026-03-14 09:30", "altitude_m": 150.0}
EPOXY = "slow clear epoxy"


@pytest.fixture(scope="module")
def plan():
    return plan_trials(FACTORS, 16, per_batch=["resin_c", "cup_degas_min"], batch_size=4, blocks=["Block A", "Block B"])


@pytest.fixture(scope="module")
def sheets(plan):
    return plan.run_sheets(120, EPOXY, plan="bubbles in March", **SAME)


def test_every_casting_of_the_plan_stands_on_the_sheet_of_its_cup_in_the_order_to_pour(plan, sheets):
    assert len(sheets) == 4
    for number in range(4):
        rows, shown = plan.batch(number + 1), sheets[number].settings
        assert list(shown["casting"]) == [f"casting {r} ({m})" for r, m in zip(rows["run"], rows["mold"], strict=True)]
        for name in ("pour_method", "cure_h", "lid"):
            assert list(shown[name]) == list(rows[name])


def test_the_settings_of_the_cup_are_steps_of_its_sheet(plan, sheets):
    for number in range(4):
        cup, steps = plan.batch(number + 1).iloc[0], sheets[number].steps.set_index("step")["target"]
        assert f"at {cup['resin_c']:g} °C" in steps["Stir"]
        assert ("Degas the cup" in steps) == (cup["cup_degas_min"] > 0)
        assert "24 h or 36 h, as each casting's settings say" in steps["Cure"]


def test_the_masses_are_those_of_the_mix_for_as_many_castings(sheets):
    planned = sheets[0].boxes.set_index(["record", "field"])["planned"]
    assert planned["batch", "resin_g"] == plan_mix(120, EPOXY, molds=4).weigh["g_per_cup"][0]
    assert sheets.table["weigh"].nunique() == 1


def test_a_ratio_among_the_factors_changes_what_is_weighed(book):
    material = book.add(Material(name="clear", family=EPOXY, target_phr=30))
    phr = plan_trials([Factor("phr", 27, 33, per_batch=True), FACTORS[2]], 8, batch_size=2)
    sheets = phr.run_sheets(120, material, **SAME)
    for sheet, setting in zip(sheets.sheets, phr.table.groupby("batch")["phr"].first(), strict=True):
        planned = sheet.boxes.set_index(["record", "field"])["planned"]
        assert planned["batch", "hardener_g"] / planned["batch", "resin_g"] == pytest.approx(setting / 100, abs=0.001)
        assert sheet.records({})[0].target_phr == setting


def test_cups_follow_each_other_at_the_hours_or_times_given(plan, sheets):
    assert list(sheets.table["start"]) == [f"2026-03-{day} 09:30" for day in (14, 15, 16, 17)]
    times = [f"2026-03-14 {hour}:00" for hour in ("08", "10", "13", "15")]
    assert list(plan.run_sheets(120, EPOXY, **SAME | {"start": times}).table["start"]) == times


def test_the_printout_has_a_page_for_each_cup(sheets, tmp_path):
    text = sheets.save(tmp_path / "sheets.html").read_text(encoding="utf-8")
    assert text.count("<main class='run-sheet page'>") == 4
    assert "break-before: page" in text
    assert text.count("<html") == text.count("</html>") == 1
    assert "Batch 3 of 4: pod block, 2026-03-16" in text
    assert "safety data sheet" in text


def test_what_was_planned_is_checked_off_into_the_logbook(plan, book):
    for name in ("Block A", "Block B"):
        book.add(Mold(name=name, cavities=2))
    sheets = plan.run_sheets(120, EPOXY, plan="bubbles in March", molds={"Block A": "M-01", "Block B": "M-02"}, **SAME)
    boxes = sheets[0].boxes
    done = {b.box: "ok" for b in boxes.itertuples() if b.planned is not None}
    first = boxes[boxes["record"] == sheets[0].settings["casting"].iloc[0]].set_index("field")["box"]
    done[first["lid"]] = "no"
    done[first["cure_h"]] = "1 d 2 h"
    cup, *castings = sheets[0].log(book, done, origin="batch 1")
    rows = plan.batch(1)
    assert (cup.plan, cup.resin_c) == ("bubbles in March", rows["resin_c"].iloc[0])
    assert [c.pour_method for c in castings] == list(rows["pour_method"])
    assert [c.mold_id for c in castings] == [{"Block A": "M-01", "Block B": "M-02"}[m] for m in rows["mold"]]
    assert [c.extra["lid"] for c in castings] == [False, *map(bool, rows["lid"].iloc[1:])]
    assert castings[0].cure_h == 26


def test_a_plan_without_batches_has_a_cup_for_each_casting():
    single = plan_trials([FACTORS[0], FACTORS[2]], 4)
    sheets = single.run_sheets(120, EPOXY, **SAME)
    assert [len(s.settings) for s in sheets.sheets] == [1] * 4


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"resin_c": 25}, "resin_c is a factor of the plan"),
        ({"degas_min": 5}, "cup_degas_min is a factor of the plan"),
        ({"start": ["2026-03-14 09:30", "2026-03-15 09:30"]}, "2 times for 4 cups"),
        ({"start": "some day"}, "dates and times such as"),
        ({"hours_apart": 0}, "hours from one cup to the next"),
        ({"volume_ml": 900}, "plan with a smaller batch_size"),
    ],
)
def test_sheets_that_cannot_be_are_refused(plan, options, said):
    given = {"volume_ml": 120, **SAME, **options}
    with pytest.raises(InputError, match=said):
        plan.run_sheets(given.pop("volume_ml"), EPOXY, **given)


def test_a_setting_of_the_cup_that_changes_within_it_is_refused_with_the_way_out():
    mixed = plan_trials([FACTORS[0], FACTORS[2]], 8, batch_size=4)
    with pytest.raises(InputError, match=r"per_batch=\['resin_c'\]"):
        mixed.run_sheets(120, EPOXY, **SAME)
