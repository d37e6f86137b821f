"""The forms without a page: what is typed and pressed, what is shown, and what comes into the logbook."""

from __future__ import annotations

import threading
from datetime import datetime, timedelta

import pytest
from PIL import Image

from castlab import Batch, Logbook, Material, Mold, Score, Trial, forms
from castlab.bench import plan_mix, run_sheet
from castlab.designs import Factor, plan_trials
from castlab.errors import InputError
from castlab.forms.batch import BatchForm
from castlab.forms.finish import FinishForm
from castlab.records.drafts import drafts_of
from castlab.reporting import today
from castlab.scoring import rubric

AT = datetime(2026, 8, 3, 9, 20)


@pytest.fixture
def shop(book):
    """A logbook with a resin, two molds and one earlier batch of two castings."""
    book.set("altitude_m", 150)
    resin = book.add(
        Material(name="Clear", family="slow clear epoxy", target_phr=28, ratio_tolerance_pct=3, pot_life_min=45)
    )
    for name in ("Block A", "Block B"):
        book.add(Mold(name=name, product="pod block"))
    cup = book.add(
        Batch(resin_id=resin.id, resin_lot="L-1", resin_g=300, hardener_g=84, resin_c=24, stir_method="two cups")
    )
    for mold, method in (("M-01", "stream"), ("M-02", "ladle")):
        book.add(Trial(batch_id=cup.id, mold_id=mold, product="pod block", pour_method=method, cure_c=23, demold_h=24))
    return book


def fill(form, **typed):
    for key, text in typed.items():
        form.change(key, text)
    return form


def note(form, key):
    return form.panel.notes.get(key, {}).get("text", "")


# --- the cup -------------------------------------------------------------------------------------------------


def test_a_batch_starts_as_the_last_one_but_no_reading_is_taken_over_unasked(shop):
    form = forms.log_batch(shop)
    assert (form.values["resin_lot"], form.values["resin_id"], form.values["stir_method"]) == (
        "L-1",
        "R-01",
        "two cups",
    )
    assert "resin_g" not in form.values
    field = next(p for s in form.panel.face["sections"] for p in s["parts"] if p.get("key") == "resin_g")
    assert field["ghost"] == "B-001: 300"
    fill(form, resin_c="=", resin_lot="L-2")
    assert form.read("resin_c") == 24
    assert form.panel.notes["resin_lot"] == {"tone": "changed", "text": "B-001: L-1"}
    form.press("save")
    saved = shop.get("B-002")
    assert (saved.resin_lot, saved.resin_c, saved.resin_g, saved.stir_method) == ("L-2", 24, None, "two cups")
    assert "Against B-001: resin lot L-2 (was L-1)" in form.panel.said["items"]


def test_what_is_wrong_is_said_at_once_beside_the_field_and_nothing_is_saved_with_it(shop):
    form = fill(forms.log_batch(shop), resin_g="288.4", cup_degas_kpa="28.7 inHg")
    assert form.panel.notes["cup_degas_kpa"]["tone"] == "wrong"
    assert "gauge or absolute" in note(form, "cup_degas_kpa")
    with pytest.raises(InputError, match="Nothing was saved"):
        form.press("save")
    assert len(shop.records("batch")) == 1
    fill(form, cup_degas_kpa="28.7 inHg gauge")
    assert note(form, "cup_degas_kpa") == "= 2.347 kPa absolute"
    form.press("save")
    assert shop.get("B-002").cup_degas_kpa == pytest.approx(shop.pressure("28.7 inHg gauge"))


def test_the_ratio_is_checked_while_weighing(shop):
    form = fill(forms.log_batch(shop), resin_g="288.4")
    assert "Hardener wanted: 80.8 g" in form.panel.boards["weighing"]["text"]
    fill(form, hardener_g="88.1")
    assert form.panel.boards["weighing"] == {
        "text": "88.1 g is 9.1% too much (3% is tolerated): with 26.2 g more resin it is right.", "tone": "wrong",
    }  # fmt: skip


def test_without_a_resin_system_the_form_says_what_the_check_needs(book):
    form = fill(forms.log_batch(book), resin_g="100")
    assert "hardener aimed at" in form.panel.boards["weighing"]["text"]
    fill(form, target_phr="100:28 by mass")
    assert "28.0 g" in form.panel.boards["weighing"]["text"]


def test_mixed_now_starts_the_pot_life_and_its_warning_comes_at_three_quarters(shop):
    form = fill(forms.log_batch(shop), resin_g="100", hardener_g="28", resin_c="25")
    assert "start" not in form.panel.clocks["pot"]
    form.press("mixed", at=AT)
    clock = form.panel.clocks["pot"]
    minutes = [(clock[end] - clock["start"]) / 60_000 for end in ("warn", "until")]
    assert minutes[1] == pytest.approx(45 * (100 / 128) ** 0.5, rel=0.3)
    assert minutes[0] == pytest.approx(0.75 * minutes[1])
    assert form.read("mixed_at") == AT


def test_the_degas_clock_fills_in_the_minutes_and_a_second_pull_adds_to_the_first(shop):
    form = forms.log_batch(shop)
    form.press("cup_degas_start", at=AT)
    form.press("cup_degas_stop", at=AT + timedelta(minutes=4))
    assert form.read("cup_degas_min") == 4
    form.press("cup_degas_start", at=AT + timedelta(minutes=5))
    form.press("cup_degas_stop", at=AT + timedelta(minutes=6, seconds=30))
    assert form.read("cup_degas_min") == 5.5


def test_a_clock_that_runs_is_still_running_after_a_restart(shop):
    fill(forms.log_batch(shop), resin_g="1").press("cup_degas_start", at=AT)
    restored = forms.log_batch(shop)
    restored.press("cup_degas_stop", at=AT + timedelta(minutes=3))
    assert restored.read("cup_degas_min") == 3


# --- drafts, windows, double clicks --------------------------------------------------------------------------


def test_what_was_typed_is_there_after_a_restart_and_can_be_discarded(shop, tmp_path):
    fill(forms.log_batch(shop), resin_g="288.4", resin_c="hot")
    with Logbook.open(tmp_path / "shop.db") as again:
        form = forms.log_batch(again)
        assert form.values["resin_g"] == "288.4"
        assert form.panel.notes["resin_c"]["tone"] == "wrong"
        assert "restored" in form.panel.face["restored"]["text"]
        form.press("discard")
        assert "resin_g" not in form.values
        assert form.panel.face["restored"] is None
    assert forms.log_batch(shop).values.get("resin_g") is None


def test_a_second_press_saves_nothing_more(shop):
    form = fill(forms.log_batch(shop), resin_g="288.4")
    form.press("save")
    form.press("save")
    assert [b.id for b in shop.records("batch")] == ["B-001", "B-002"]


def test_a_save_that_was_cut_off_before_the_draft_was_closed_is_not_saved_again(shop, monkeypatch):
    form = fill(forms.log_batch(shop), resin_g="288.4")
    monkeypatch.setattr(form, "_end", print)
    form.press("save")
    restored = forms.log_batch(shop)
    assert restored.values["resin_g"] == "288.4"
    restored.press("save")
    assert restored.batch.id == "B-002"
    assert len(shop.records("batch")) == 2


def test_a_stale_window_neither_overwrites_the_draft_nor_the_entry(shop):
    first = fill(forms.log_batch(shop), resin_g="288.4")
    second = forms.log_batch(shop)
    fill(first, resin_g="290")
    fill(second, resin_g="111")
    assert "changed in another window" in second.panel.face["restored"]["text"]
    with pytest.raises(InputError, match="Choose above"):
        second.press("save")
    second.press("other")
    assert second.values["resin_g"] == "290"
    first.press("save")
    fill(second, resin_g="112")
    assert "saved as B-002 in another window" in second.panel.face["restored"]["text"]
    second.press("apart")
    second.press("save")
    assert [b.resin_g for b in shop.records("batch")] == [300, 290, 112]


def test_a_stale_window_that_saves_without_typing_gets_the_other_ones_entry(shop):
    first = fill(forms.log_batch(shop), resin_g="288.4")
    second = forms.log_batch(shop)
    first.press("save")
    second.press("save")
    assert second.batch.id == "B-002"
    assert len(shop.records("batch")) == 2


def test_an_empty_form_leaves_no_draft_and_saves_nothing(shop):
    form = forms.log_batch(shop)
    with pytest.raises(InputError, match="nothing was filled in"):
        form.press("save")
    assert drafts_of(shop).open("batch") == []


def test_a_message_that_fails_is_told_in_words_and_not_raised(shop):
    form = forms.log_batch(shop)
    form._told({"do": "press", "button": "save", "number": 1}, [])
    assert form.panel.said["tone"] == "wrong"
    assert "nothing was filled in" in form.panel.said["text"]


def test_messages_that_arrive_late_or_twice_change_nothing(shop):
    form = forms.log_batch(shop)
    newer = {"do": "press", "button": "mixed", "at": 1e12, "view": "a", "number": 3}
    form._told(newer | {"changes": {"resin_g": [2, "288.4"], "resin_c": [3, "24"]}}, [])
    form._told({"do": "change", "changes": {"resin_g": [1, "28"]}, "view": "a", "number": 1}, [])
    form._told({"do": "change", "changes": {"resin_g": [2, "288.4"]}, "view": "a", "number": 2}, [])
    assert (form.read("resin_g"), form.read("resin_c")) == (288.4, 24)
    form._told({"do": "change", "changes": {"resin_g": [1, "290"]}, "view": "b", "number": 1}, [])
    assert form.read("resin_g") == 290


def test_messages_in_several_threads_are_taken_one_after_another(shop):
    form = forms.log_batch(shop)

    def type_in(view):
        for n in range(1, 15):
            message = {"do": "change", "changes": {"resin_g": [n, str(n)]}, "view": view, "number": n}
            form.panel._receive(form.panel, message, [])

    threads = [threading.Thread(target=type_in, args=(view,)) for view in "ab"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert form.panel.face["restored"] is None
    assert form._draft.revision == 28


def test_the_next_cup_starts_as_the_one_just_saved(shop):
    form = fill(forms.log_batch(shop), resin_lot="L-9", resin_g="288.4")
    form.press("save")
    form.press("next")
    assert form.batch is None
    assert (form.values["resin_lot"], form.values.get("resin_g")) == ("L-9", None)


# --- from a plan ---------------------------------------------------------------------------------------------


def test_a_run_sheet_shows_its_aims_and_logs_only_what_is_said_to_be_done(shop):
    mix = plan_mix(145, shop.get("R-01"), molds=2)
    sheet = run_sheet(
        mix, shop.get("R-01"), {"Block B": "M-02", "Block A": "M-01"}, product="pod block", start="2026-08-03 09:20",
        plan="autumn", pour_method="stream",
    )  # fmt: skip
    cup = forms.log_batch(shop, sheet)
    castings = forms.log_castings(shop, cup)
    fill(cup, resin_g="=", stir_min="ok", hardener_g="100")
    cup.press("save")
    batch = shop.get("B-002")
    assert (batch.plan, batch.resin_g, batch.stir_min, batch.resin_c) == (
        "autumn",
        mix.weigh["g_per_cup"].iloc[0],
        4,
        None,
    )
    fill(castings, **{"Block A/pour_method": "=", "all/depth_mm": "40"})
    castings.press("save_all")
    saved = [shop.get(f"T-002.{n}") for n in (1, 2)]
    assert [(t.mold_id, t.pour_method, t.depth_mm) for t in saved] == [("M-02", "ladle", 40), ("M-01", "stream", 40)]


def test_a_run_sheet_of_a_design_asks_for_its_own_settings_too(shop):
    factors = [Factor("resin_c", 22, 32), Factor("tilt_deg", 0, 15)]
    design = plan_trials(factors, runs=8, per_batch=["resin_c"], batch_size=2, seed=1)
    sheet = design.run_sheets(120, shop.get("R-01"), product="pod block", start="2026-08-03 09:20")[0]
    cup = forms.log_batch(shop, sheet)
    castings = forms.log_castings(shop, cup)
    fill(cup, resin_c="=").press("save")
    for key in castings._picked:
        fill(castings, **{f"{key}/extra": "="})
    castings.press("save_all")
    table = design.batch(1)
    assert shop.get("B-002").resin_c == table["resin_c"].iloc[0]
    assert [shop.get(f"T-002.{n}").extra["tilt_deg"] for n in (1, 2)] == list(table["tilt_deg"])


# --- the castings --------------------------------------------------------------------------------------------


def cup_and_castings(shop):
    cup = forms.log_batch(shop)
    castings = forms.log_castings(shop, cup)
    fill(cup, resin_g="288.4").press("save")
    return castings


def test_the_castings_wait_for_the_cup_and_start_as_those_before(shop):
    cup = forms.log_batch(shop)
    castings = forms.log_castings(shop, cup)
    assert castings.batch is None
    fill(cup, resin_g="288.4").press("save")
    assert castings.batch.id == "B-002"
    assert castings.values["all/cure_c"] == "23"
    assert (castings.values["M-01.1/pour_method"], castings.values["M-02.1/pour_method"]) == ("stream", "ladle")


def test_an_own_entry_comes_before_the_one_for_all(shop):
    castings = fill(cup_and_castings(shop), **{"all/depth_mm": "4 cm", "M-02.1/depth_mm": "35"})
    castings.press("save_all")
    assert [shop.get(f"T-002.{n}").depth_mm for n in (1, 2)] == [40, 35]


def test_a_pour_within_the_minute_of_mixing_is_not_taken_for_one_before_it(shop):
    cup = forms.log_batch(shop)
    castings = forms.log_castings(shop, cup)
    cup.press("mixed", at=AT.replace(second=29))
    cup.press("save")
    castings.press("now:all/poured_at", at=AT.replace(second=40))
    castings.press("save_all")
    assert shop.get("T-002.1").cautions == ()


def test_castings_are_saved_one_by_one_each_once(shop):
    castings = cup_and_castings(shop)
    castings.press("save:M-02.1")
    castings.press("save:M-02.1")
    assert [t.mold_id for t in shop.records("trial")][2:] == ["M-02"]
    assert "1 still to save" in castings.panel.said["text"]
    castings.press("save_all")
    assert [t.mold_id for t in shop.records("trial")][2:] == ["M-02", "M-01"]


def test_after_a_restart_the_saved_castings_are_known_and_the_rest_is_still_to_save(shop):
    cup_and_castings(shop).press("save:M-02.1")
    again = forms.log_castings(shop, "B-002")
    again.press("save_all")
    assert [t.mold_id for t in shop.records("trial")][2:] == ["M-02", "M-01"]


def test_one_wrong_casting_holds_back_all_of_a_common_save(shop):
    castings = fill(cup_and_castings(shop), **{"M-02.1/depth_mm": "deep"})
    with pytest.raises(InputError, match="Nothing was saved"):
        castings.press("save_all")
    assert len(shop.records("trial")) == 2
    castings.press("save:M-01.1")
    assert len(shop.records("trial")) == 3


def test_with_a_single_casting_nothing_is_logged_from_a_column_that_is_not_shown(shop):
    castings = fill(cup_and_castings(shop), **{"all/depth_mm": "40"})
    castings.press("unpick:M-02.1")
    grid = next(p for s in castings.panel.face["sections"] for p in s["parts"] if p["kind"] == "grid")
    assert [c["id"] for c in grid["columns"]] == ["M-01.1"]
    assert castings.values["M-01.1/depth_mm"] == "40"
    assert not any(key.startswith("all/") for key in castings.values)
    castings.press("save_all")
    assert shop.get("T-002.1").depth_mm == 40


def test_on_an_empty_logbook_one_casting_without_a_mold_can_be_logged(book):
    cup = forms.log_batch(book)
    castings = forms.log_castings(book, cup)
    fill(cup, resin_g="100").press("save")
    fill(castings, **{"casting 1/pour_method": "stream"}).press("save_all")
    assert book.get("T-001.1").pour_method == "stream"


def test_castings_of_an_earlier_batch_are_reached_by_choosing_it(shop):
    castings = forms.log_castings(shop, None)
    fill(castings, batch="B-001")
    castings.press("save_all")
    assert [t.id for t in shop.records("trial")] == ["T-001.1", "T-001.2", "T-001.3", "T-001.4"]
    with pytest.raises(InputError, match="no batch of this logbook"):
        forms.log_castings(shop, "T-001.1")


def test_folded_fields_that_hold_something_are_named(shop):
    castings = cup_and_castings(shop)
    assert castings.panel.boards["fold:more"]["text"] == "filled in: product"


# --- hours later ---------------------------------------------------------------------------------------------


@pytest.fixture
def curing(shop):
    castings = cup_and_castings(shop)
    fill(castings, **{"all/poured_at": "2026-08-03 09:45"}).press("save_all")
    return shop


def test_cure_and_demolding_are_added_to_the_castings_that_wait(curing):
    form = forms.finish_castings(curing)
    assert list(form._columns) == ["T-002.1", "T-002.2"]
    fill(form, **{"all/cure_h": "24 h"})
    form.press("now:T-002.1/demold_h", at=datetime(2026, 8, 4, 11, 45))
    fill(form, **{"T-002.2/demold_h": "1 day 3 h"}).press("save_all")
    found = [curing.get(f"T-002.{n}") for n in (1, 2)]
    assert [(t.cure_h, t.demold_h, t.version, t.why) for t in found] == [
        (24, 26, 2, "demolded"),
        (24, 27, 2, "demolded"),
    ]
    assert forms.finish_castings(curing).panel.face["lead"] == "No casting waits in its mold."


def test_an_entry_that_was_corrected_meanwhile_is_not_overwritten(curing):
    form = fill(forms.finish_castings(curing), **{"all/cure_h": "24"})
    curing.correct("T-002.1", why="longer", cure_h=30)
    form._told({"do": "press", "button": "save_all", "number": 1}, [])
    assert "version 2" in form.panel.said["text"]
    assert curing.get("T-002.1").cure_h == 30
    assert curing.get("T-002.2").cure_h is None


def test_saving_what_nobody_filled_in_writes_no_version(curing):
    form = forms.finish_castings(curing)
    with pytest.raises(InputError, match=r"nothing was filled in for T-002\.1"):
        form.press("save_all")
    assert curing.get("T-002.1").version == 1


def test_a_casting_that_was_scored_before_it_was_logged_as_demolded_is_said_to_be_out(curing):
    curing.add(Score(trial_id="T-002.1", bubbles=1))
    labels = {key: column.label + column.more for key, column in forms.finish_castings(curing)._columns.items()}
    assert labels["T-002.1"].endswith("scored already")
    assert "scored" not in labels["T-002.2"]


# --- scores --------------------------------------------------------------------------------------------------


def test_a_score_carries_who_when_and_the_version_of_the_rubric(shop):
    form = forms.score_casting(shop)
    assert [o["value"] for o in form._choice()["options"]] == ["", "T-001.1", "T-001.2"]
    fill(form, trial_id="T-001.2", bubbles="12", bubbles_stopped="yes", clarity_grade="3", passed="no")
    form.press("save", at=AT)
    form.press("save", at=AT)
    score = shop.get("S-001.2.1")
    assert (score.bubbles, score.bubbles_stopped, score.clarity_grade, score.passed) == (12, True, 3, False)
    assert (score.scorer, score.scored_at, score.method) == ("tester", AT, "eye")
    assert score.rubric == rubric.load().version
    assert len(shop.records("score")) == 1
    form.press("next")
    assert [o["value"] for o in form._choice()["options"]] == ["", "T-001.1"]


def test_what_waits_for_a_score_is_out_of_its_mold_on_the_form_as_on_the_home_page(curing, tmp_path):
    choice = forms.score_casting(curing)._choice()
    seen = today.look(tmp_path / "shop.db", now="2026-08-03 12:00")
    assert (len(seen.to_score), len(seen.curing)) == (2, 2)
    assert choice["hint"] == "waiting for a score: 2; still in their molds: 2"
    assert [o["label"] for o in choice["options"][1:3]] == [cast.trial_id for cast in seen.to_score]
    assert [o["value"] for o in choice["options"] if "not logged as demolded" in o["label"]] == ["T-002.1", "T-002.2"]


def test_blind_the_form_shows_nothing_of_the_casting_but_its_id(shop):
    blind = str(fill(forms.score_casting(shop, "T-001.2"), bubbles="1").panel.face)
    seen = str(forms.score_casting(shop, "T-001.2", blind=False).panel.face)
    assert "ladle" not in blind
    assert "ladle" in seen


def test_each_grade_stands_beside_its_words_and_its_drawing(shop):
    form = forms.score_casting(shop, "T-001.1")
    clarity = next(p for s in form.panel.face["sections"] for p in s["parts"] if p.get("key") == "clarity_grade")
    assert [o["words"] for o in clarity["options"]] == list(rubric.load().item("clarity").anchors)
    assert all("<svg" in o["picture"] for o in clarity["options"])


def test_a_score_without_a_reading_is_refused_in_words(shop):
    form = fill(forms.score_casting(shop, "T-001.1"), notes="pretty")
    with pytest.raises(InputError, match="at least one reading"):
        form.press("save")


def test_a_photo_comes_in_pieces_and_is_kept_as_it_is(shop, tmp_path):
    file = tmp_path / "front.png"
    Image.new("RGB", (400, 300), "white").save(file)
    data = file.read_bytes()
    form = fill(forms.score_casting(shop, "T-001.1"), mm_per_pixel="0.05")
    half = len(data) // 2
    for n, part in enumerate((data[:half], data[half:])):
        form._told({"do": "photo", "name": "front.png", "piece": n, "pieces": 2, "number": n}, [memoryview(part)])
    photo = shop.photos("T-001.1")[0]
    assert shop.photo_path(photo.id).read_bytes() == data
    assert photo.mm_per_pixel == 0.05
    assert form.panel.boards["photo"]["text"] == f"Kept as {photo.id}: front.png."


def test_a_photo_without_scale_is_kept_with_the_way_to_give_one(shop, tmp_path):
    Image.new("RGB", (40, 30), "white").save(tmp_path / "front.png")
    form = forms.score_casting(shop, "T-001.1")
    part = [memoryview((tmp_path / "front.png").read_bytes())]
    form._told({"do": "photo", "name": "front.png", "piece": 0, "pieces": 1, "number": 0}, part)
    (photo,) = shop.photos("T-001.1")
    assert f"add it to {photo.id} at the foot of notebook 1" in form.panel.boards["photo"]["text"]
    fill(forms.correct_entry(shop), entry=photo.id, mm_per_pixel="0,05", why="measured").press("save")
    assert shop.photos("T-001.1")[0].mm_per_pixel == 0.05
    (section,) = [one for one in form.panel.face["sections"] if one["id"] == "photo"]
    assert all(way in str(section) for way in ("scale_from_length", "scale_from_disc", "keep_on_sheet"))


def test_what_is_no_picture_is_refused_in_words_and_not_kept(shop):
    form = forms.score_casting(shop, "T-001.1")
    form._told({"do": "photo", "name": "../notes.txt", "piece": 0, "pieces": 1, "number": 1}, [b"no picture"])
    assert form.panel.said["tone"] == "wrong"
    assert "notes.txt" in form.panel.said["text"]
    assert shop.photos() == []


# --- single records ------------------------------------------------------------------------------------------


def test_a_resin_and_a_mold_are_added_once(book):
    for form, typed in (
        (forms.add_material(book), {"name": "Clear", "target_phr": "100:28 by mass", "pot_life_min": "45 min"}),
        (forms.add_mold(book), {"name": "Block A", "cavities": "2", "made_on": "2026-07-28"}),
    ):
        fill(form, **typed)
        form.press("save")
        form.press("save")
    assert [r.target_phr for r in book.records("material")] == [28]
    assert [str(r.made_on) for r in book.records("mold")] == ["2026-07-28"]


def test_a_slip_is_put_right_with_a_reason_and_only_what_was_changed(shop):
    shop.correct("B-001", why="thermometer", resin_c=79.123456789012 / 3)
    form = fill(forms.correct_entry(shop), entry="B-001", hardener_g="80.1")
    with pytest.raises(InputError, match="needs a reason"):
        form.press("save")
    fill(form, why="misread the scale", notes="").press("save")
    history = shop.history("B-001")
    assert list(history["changes"])[-1] == "hardener_g: 84.0 → 80.1"
    assert list(history["why"])[-1] == "misread the scale"


def test_a_value_can_be_taken_out_and_an_entry_withdrawn(shop):
    fill(forms.correct_entry(shop), entry="B-001", resin_c="", why="not measured").press("save")
    assert shop.get("B-001").resin_c is None
    fill(forms.correct_entry(shop), entry="T-001.2", why="never poured").press("withdraw")
    assert [t.id for t in shop.records("trial")] == ["T-001.1"]


def test_a_form_without_a_page_says_what_it_is(book):
    form = forms.log_batch(book)
    data, _ = form._repr_mimebundle_()
    assert data["text/plain"] == "Form: the cup (fill it in in JupyterLab)"
    assert isinstance(form, BatchForm)


def test_what_cannot_be_saved_is_named_as_the_form_names_it_and_in_which_casting(shop):
    form = fill(forms.log_batch(shop), cup_degas_kpa="deep")
    form._told({"do": "press", "button": "save", "at": AT.timestamp() * 1000}, [])
    assert form.panel.said["text"].startswith(
        "Nothing was saved. lowest pressure on the gauge: 'deep' is not a pressure"
    )
    castings = forms.log_castings(shop, "B-001")
    castings.change("M-02.1/depth_mm", "deep")
    castings._told({"do": "press", "button": "save_all", "at": AT.timestamp() * 1000}, [])
    assert castings.panel.said["text"].startswith("Nothing was saved. Block B, depth: 'deep' is not a length")


def test_a_name_that_another_mold_in_use_has_is_refused(shop):
    form = fill(forms.add_mold(shop), name="block a")
    assert note(form, "name") == "name: M-01 is called 'block a' already; accepted: a name that no other in use has"
    with pytest.raises(InputError, match="M-01 is called 'block a' already"):
        form.press("save")
    fill(form, name="Block C").press("save")
    assert shop.get("M-03").name == "Block C"
    shop.correct("M-01", why="torn", retired_on=AT.date())
    fill(forms.add_mold(shop), name="Block A").press("save")
    assert shop.get("M-04").name == "Block A"


def test_a_pot_life_that_cannot_be_told_is_not_kept_silent(book):
    form = forms.add_material(book)
    fill(form, name="Own mix", family="epoxy", pot_life_min="40", target_phr="28")
    assert "'epoxy' is not a material family castlab knows" in note(form, "family")
    assert form.panel.notes["family"]["tone"] == "care"
    form.press("save")
    cup = forms.log_batch(book)
    cup.press("mixed", at=AT)
    assert cup.panel.clocks["pot"]["basis"].startswith("No resin system is chosen")
    fill(cup, resin_id="R-01")
    assert "data sheet says 40 min for 100 g at 25 °C" in cup.panel.clocks["pot"]["basis"]


def test_an_entry_older_than_the_list_is_corrected_by_its_id(shop):
    for _ in range(31):
        shop.add(Batch(resin_c=25))
    form = forms.correct_entry(shop)
    options = next(p for s in form.panel.face["sections"] for p in s["parts"] if p.get("key") == "entry")["options"]
    assert "T-001.1" not in [option["value"] for option in options]
    form.change("older", "T-001.9")
    assert "there is no entry 'T-001.9'; accepted: an id of this logbook" in note(form, "older")
    form.change("older", "t-001.1 ")
    assert (form.values["older"], form.values["entry"], form.values["demold_h"]) == ("t-001.1 ", "T-001.1", "24")
    assert note(form, "older") == ""
    fill(form, demold_h="26", why="read the clock again").press("save")
    assert shop.get("T-001.1").demold_h == 26
    assert form.panel.said["items"] == ["time to demold: 24 h → 26 h"]


def test_a_demolding_that_is_still_to_come_is_refused(shop):
    casting = shop.add(Trial(batch_id="B-001", mold_id="M-01", poured_at=AT))
    form = FinishForm(shop, clock=lambda: AT + timedelta(hours=13))
    form.change(f"{casting.id}/demold_h", "24")
    assert note(form, f"{casting.id}/demold_h") == (
        "time to demold: 24 h after the pour is 2026-08-04 09:20, still to come; accepted: up to 13 h"
    )
    with pytest.raises(InputError, match="still to come"):
        form.press("save_all")
    form.change(f"{casting.id}/demold_h", "12.5")
    form.press("save_all")
    assert shop.get(casting.id).demold_h == 12.5


def test_a_photo_with_a_wrong_scale_is_not_taken_and_the_word_about_it_goes_with_the_next(shop, tmp_path):
    file = tmp_path / "front.png"
    Image.effect_noise((60, 40), 60).save(file)
    form = fill(forms.score_casting(shop, "T-001.1"), mm_per_pixel="wide", bubbles=">50")
    assert note(form, "mm_per_pixel").startswith("scale of the photo: 'wide' is not a number")
    assert "and yes at 'more than that'" in note(form, "bubbles")
    send = {"do": "photo", "name": "front.png", "piece": 0, "pieces": 1, "number": 0}
    form._told(send, [file.read_bytes()])
    assert form.panel.said["text"].startswith("The photo was not taken. scale of the photo: 'wide'")
    fill(form, mm_per_pixel="0,05", bubbles="50")
    form._told(send, [file.read_bytes()])
    assert (form.panel.said["text"], shop.photos("T-001.1")[0].mm_per_pixel) == ("", 0.05)
    fill(form, tack_grade="3").press("save")
    assert "rubric" not in " ".join(form.panel.said["items"])
