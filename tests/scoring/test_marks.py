"""Counts corrected by hand: both counts kept, with who and when; nothing lost, nothing written twice."""

from __future__ import annotations

import io
import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from castlab import Batch, Logbook, Score, Trial
from castlab.errors import CastlabWarning, InputError
from castlab.forms import mark_bubbles
from castlab.scoring import Marks, automatic_error, count_bubbles, marks_of, save_marks, saved_marks
from castlab.scoring.marking import METHOD, DraftOfMarks
from castlab.scoring.photo_scores import SCORER

NOON = datetime(2026, 3, 4, 12, 0)


def casting_photo():
    """Three bright discs on an even ground."""
    y, x = np.mgrid[0:200, 0:300]
    scene = np.full((200, 300), 0.35)
    for cx, cy, r in ((60, 60, 12), (150, 110, 9), (230, 60, 15)):
        scene[np.hypot(x - cx, y - cy) < r] = 0.8
    return (255 * scene).astype(np.uint8)


@pytest.fixture
def book(tmp_path):
    with Logbook.open(tmp_path / "shop.db", who="Ada") as opened:
        opened.add(Batch(resin_g=100, hardener_g=28))
        opened.add(Trial(batch_id="B-001"))
        Image.fromarray(casting_photo()).save(tmp_path / "front.png")
        opened.add_photo("T-001.1", tmp_path / "front.png", mm_per_pixel=0.1)
        yield opened


@pytest.fixture(scope="module")
def seen():
    return count_bubbles(casting_photo(), 0.1, smallest_mm=0.6)


def test_marks_hold_the_region_that_counts(book):
    seen = count_bubbles(casting_photo(), 0.1, smallest_mm=0.6, region=(8, 8, 12))
    view = mark_bubbles(book, "P-001.1.1", seen, who="Noor")
    view._receive(None, {"do": "add", "x_mm": 25.0, "y_mm": 15.0, "diameter_mm": 1.0}, [])
    assert view.panel.said["tone"] == "wrong"
    assert "outside the region that counts" in view.panel.said["text"]
    assert view.marks.count == seen.count == 1
    view.do({"do": "add", "x_mm": 8.0, "y_mm": 11.0, "diameter_mm": 1.0})
    view.do({"do": "save"})
    assert view.score.bubbles == 2
    (kept,) = saved_marks(book, "P-001.1.1")
    assert kept == view.marks
    with pytest.raises(InputError, match="outside the region"):
        kept.add(8.0, 15.0, 1, who="Ada", at=NOON)
    assert kept.add(8.0, 13.5, 1, who="Ada", at=NOON).count == 3


def test_a_draft_of_another_region_is_not_taken_over(book):
    none = [
        count_bubbles(casting_photo(), 0.1, smallest_mm=0.6, trust=False, region=r) for r in ((3, 14, 4), (25, 15, 4))
    ]
    assert [seen.count for seen in none] == [0, 0]
    mark_bubbles(book, "P-001.1.1", none[0]).do({"do": "add", "x_mm": 3.0, "y_mm": 14.0, "diameter_mm": 1.0})
    assert mark_bubbles(book, "P-001.1.1", none[1]).marks.count == 0


def test_a_score_says_what_the_corrected_count_rests_on(book, seen):
    score = save_marks(book, marks_of(seen, "P-001.1.1").remove(0, who="Bo", at=NOON), who="Noor", at=NOON)
    assert (score.scorer, score.scored_at) == ("Noor", NOON)
    assert score.notes == f"found by {SCORER}, smallest 0.6 mm, all of the photo; 1 removed and 0 added by hand"


def test_changes_are_kept_in_order_and_can_be_taken_back(seen):
    first = marks_of(seen, "P-001.1.1")
    assert first.count == seen.count == 3
    more = first.add(10.0, 15.0, 1.2, who="Ada", at=NOON).remove(0, who="Bo", at=NOON)
    assert (more.count, more.added, more.removed) == (3, 1, 1)
    assert [(change.do, change.who, change.at) for change in more.changes] == [
        ("add", "Ada", "2026-03-04T12:00:00"), ("remove", "Bo", "2026-03-04T12:00:00"),
    ]  # fmt: skip
    assert more.undo().undo() == first == first.undo()
    assert first.count == 3
    assert Marks.from_json(more.to_json()) == more


def test_a_circle_added_and_removed_again_counts_neither_way(seen):
    marks = marks_of(seen, "P-001.1.1").add(5, 5, 1, who="Ada", at=NOON)
    again = marks.remove(3, who="Ada", at=NOON).add(6, 6, 1, who="Ada", at=NOON)
    assert (again.count, again.added, again.removed) == (4, 1, 0)
    assert len({circle.number for circle in again.circles}) == 4


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda m: m.add(99, 5, 1, who="Ada", at=NOON), "outside the photo"),
        (lambda m: m.add(5, 5, 0, who="Ada", at=NOON), "a bubble of 0 mm"),
        (lambda m: m.remove(77, who="Ada", at=NOON), "no circle 77"),
        (lambda _: Marks.from_json("{}"), "no marks"),
    ],
)
def test_what_cannot_be_marked_is_said(seen, change, words):
    with pytest.raises(InputError, match=words):
        change(marks_of(seen, "P-001.1.1"))


def test_what_is_no_count_and_what_are_no_marks_are_said(book):
    with pytest.raises(InputError, match=r"seen is 3; accepted: what count_bubbles"):
        marks_of(3, "P-001.1.1")
    with pytest.raises(InputError, match=r"marks are None; accepted: what marks_of"):
        save_marks(book, None)


def test_marks_are_saved_at_a_time_and_shown_of_a_count(book, seen):
    with pytest.raises(InputError, match=r"at is '2026-03-01'; accepted: a datetime"):
        save_marks(book, marks_of(seen, "P-001.1.1"), at="2026-03-01")
    with pytest.raises(InputError, match=r"seen is 3; accepted: what count_bubbles"):
        mark_bubbles(book, "P-001.1.1", 3)


def test_the_view_saves_the_corrected_and_the_automatic_count_once(book, seen):
    view = mark_bubbles(book, "P-001.1.1", seen, who="Noor")
    view.do({"do": "add", "x_mm": 8.0, "y_mm": 16.0, "diameter_mm": 1.0})
    view.do({"do": "add", "x_mm": 22.0, "y_mm": 16.0, "diameter_mm": 4.0})
    view.do({"do": "remove", "number": 0})
    view.do({"do": "add", "x_mm": 2.0, "y_mm": 2.0, "diameter_mm": 1.0})
    view.do({"do": "undo"})
    view.do({"do": "save"})
    view.do({"do": "save"})
    scores = book.records("score")
    assert len(scores) == 1
    score = scores[0]
    assert (score.bubbles, score.auto_bubbles, score.auto_low, score.auto_high) == (4, 3, seen.low, seen.high)
    assert (score.scorer, score.method, score.photo_id, score.trial_id) == ("Noor", METHOD, "P-001.1.1", "T-001.1")
    assert score.bubble_largest_mm == 4.0
    kept = saved_marks(book, "P-001.1.1")
    assert [marks.count for marks in kept] == [4]
    assert len(kept[0].changes) == 3
    assert book.photo_path("P-001.1.1").exists()


def test_the_view_shows_the_part_that_counts_as_sharp_as_it_was_taken(book, tmp_path):
    rng = np.random.default_rng(1)
    Image.fromarray(rng.integers(80, 90, (700, 4000), dtype=np.uint8)).save(tmp_path / "wide.png")
    photo = book.add_photo("T-001.1", tmp_path / "wide.png", mm_per_pixel=0.05)
    view = mark_bubbles(book, photo.id, region=(150, 20, 20), smallest_mm=1)
    left, top, width, height = view.panel.box
    shown = Image.open(io.BytesIO(view.panel.picture))
    assert shown.width == pytest.approx(width / 0.05, abs=1)
    assert shown.height == pytest.approx(height / 0.05, abs=1)
    assert 135 < left < 140 < 160 < left + width < 165
    assert 5 < top < 10 < 30 < top + height < 35
    whole = mark_bubbles(book, photo.id, smallest_mm=1)
    assert whole.panel.box == pytest.approx([0, 0, 200, 35])
    assert Image.open(io.BytesIO(whole.panel.picture)).width == 3200


def test_a_view_opened_again_goes_on_where_it_was_left(book, seen):
    mark_bubbles(book, "P-001.1.1", seen).do({"do": "remove", "number": 1})
    again = mark_bubbles(book, "P-001.1.1", seen)
    assert again.marks.count == 2
    assert "restored" in again.panel.said["text"]
    again.do({"do": "save"})
    assert mark_bubbles(book, "P-001.1.1", seen).marks.count == 3


def test_a_notebook_run_without_a_page_shows_the_count_in_words(book):
    view = mark_bubbles(book, "P-001.1.1", smallest_mm=0.6)
    data, _ = view._repr_mimebundle_()
    assert data["text/plain"] == (
        "Marking view: Bubbles in P-001.1.1, 3 bubbles: 3 found, 0 removed, 0 added by hand (open it in JupyterLab to correct it)"
    )


def test_a_message_that_cannot_be_obeyed_is_answered_in_words(book, seen):
    view = mark_bubbles(book, "P-001.1.1", seen)
    view._receive(None, {"do": "remove", "number": 55, "number_of_message": 1}, [])
    assert view.panel.said["tone"] == "wrong"
    assert "no circle 55" in view.panel.said["text"]


def test_the_latest_photo_with_a_scale_is_taken_when_none_is_named(book, tmp_path):
    book.add(Trial(batch_id="B-001"))
    assert mark_bubbles(book, "T-001.2") is None
    Image.fromarray(casting_photo()[::-1]).save(tmp_path / "top.png")
    assert book.add_photo("T-001.2", tmp_path / "top.png", mm_per_pixel=0.2).id == "P-001.2.1"
    assert mark_bubbles(book).marks.photo_id == "P-001.2.1"
    assert mark_bubbles(book, "T-001.1").marks.photo_id == "P-001.1.1"


def test_a_photo_without_scale_is_refused_with_the_way_out(book, tmp_path):
    Image.fromarray(casting_photo()[:, ::-1]).save(tmp_path / "side.png")
    photo = book.add_photo("T-001.1", tmp_path / "side.png")
    with pytest.raises(InputError, match=r"no scale: book\.correct"):
        mark_bubbles(book, photo.id)


def test_the_automatic_counts_error_is_known_from_corrected_ones(book, tmp_path):
    none = automatic_error(book)
    assert none.verdict.startswith("0 photos have a count that someone put right by hand")
    assert (none.bias, none.tables()) == (None, {})
    found = []
    for n, (corrected, automatic) in enumerate([(10, 12), (20, 19), (5, 8), (30, 31)]):
        picture = casting_photo()
        picture[0, n] = 7
        Image.fromarray(picture).save(tmp_path / f"{n}.png")
        photo = book.add_photo("T-001.1", tmp_path / f"{n}.png", mm_per_pixel=0.1)
        found.append(automatic - corrected)
        for bubbles in (99, corrected):  # a later correction of the same photo takes the place of the first
            book.add(Score(
                trial_id="T-001.1", scorer="Ada", scored_at=f"2026-0{n + 1}-01 10:00", method=METHOD, photo_id=photo.id,
                bubbles=bubbles, auto_bubbles=automatic, auto_low=automatic - 2, auto_high=automatic + 2,
            ))  # fmt: skip
    told = automatic_error(book)
    assert told.bias == pytest.approx(np.mean(found))
    assert told.spread == pytest.approx(np.std(found, ddof=1))
    # by scipy's one-sample t interval
    from scipy import stats

    interval = stats.ttest_1samp(found, 0).confidence_interval(0.95)
    assert (told.low, told.high) == pytest.approx((interval.low, interval.high))
    assert told.held == 0.75
    assert len(told.by_month) == 4
    assert "too many" in told.verdict


@pytest.mark.parametrize(("late", "told"), [([4, 6, 5, 3, 5], True), ([0, 1, -1, 2, 0], False), ([5, 5], False)])
def test_a_count_that_is_off_otherwise_lately_is_said(book, tmp_path, late, told):
    before = [0, 1, -1, 0, 2, -1, 0]
    for n, off in enumerate(before + late):
        picture = casting_photo()
        picture[0, n] = 7
        Image.fromarray(picture).save(tmp_path / f"{n}.png")
        photo = book.add_photo("T-001.1", tmp_path / f"{n}.png", mm_per_pixel=0.1)
        day = f"2026-0{1 + (n > 3)}-1{n % 4}" if n < len(before) else f"2026-03-{n:02d}"
        book.add(Score(
            trial_id="T-001.1", scorer="Ada", scored_at=day, method=METHOD, photo_id=photo.id, bubbles=10, auto_bubbles=10 + off,
        ))  # fmt: skip
    said = [caution for caution in automatic_error(book).cautions if caution.startswith("In 2026-03")]
    assert bool(said) is told
    if told:  # R 4.2.2, t.test(c(4, 6, 5, 3, 5), c(0, 1, -1, 0, 2, -1, 0))$conf.int: 2.969058 5.945228
        assert "off by +4.6 bubbles on average, before by +0.1 (change +3.0 to +5.9, 95%)" in said[0]


def test_marks_belong_to_a_photo_and_to_the_picture_that_was_counted(book, seen):
    with pytest.raises(InputError, match=r"T-001\.1 is a trial; accepted: the id of a photo"):
        saved_marks(book, "T-001.1")
    with pytest.raises(InputError, match=r"T-001\.1 is a trial; accepted: the id of a photo"):
        save_marks(book, marks_of(seen, "T-001.1"))
    other = count_bubbles(casting_photo()[:100], 0.1, smallest_mm=0.8, trust=False)
    with pytest.raises(InputError, match=r"another picture than P-001\.1\.1"):
        mark_bubbles(book, "P-001.1.1", other)
    assert save_marks(book, marks_of(seen, "P-001.1.1")).scorer == "Ada"


def contents(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_marks_leave_with_an_export_and_come_back_in_their_order(book, seen, tmp_path):
    first = marks_of(seen, "P-001.1.1").remove(0, who="Ada", at=NOON)
    second = first.add(8, 16, 1, who="Noor", at=NOON)
    score = save_marks(book, first, who="Ada", at=NOON)
    save_marks(book, second, who="Noor", at=NOON)
    assert (
        save_marks(book, first, who="Ada", at=NOON).id == score.id
    )  # written again, the latest file by the disk's clock
    DraftOfMarks(book, "P-001.1.1").keep(second)
    folder = book.export(tmp_path / "out")
    marks = json.loads((folder / "manifest.json").read_text())["marks"]
    assert {Path(place).stem for place in marks} == set(marks.values())
    again = Logbook.restore(folder, to=tmp_path / "again.db")
    assert saved_marks(again, "P-001.1.1") == [first, second] == saved_marks(book, "P-001.1.1")
    assert contents(again.export(tmp_path / "second")) == contents(folder)


def test_marks_of_a_photo_that_two_castings_share_stay_apart(book, seen, tmp_path):
    book.add(Trial(batch_id="B-001"))
    other = book.add_photo("T-001.2", tmp_path / "front.png", mm_per_pixel=0.1)
    save_marks(book, marks_of(seen, "P-001.1.1"), who="Ada", at=NOON)
    save_marks(book, marks_of(seen, other.id).remove(1, who="Ada", at=NOON), who="Ada", at=NOON)
    assert [m.count for m in saved_marks(book, "P-001.1.1")] == [3]
    assert [m.count for m in saved_marks(book, other.id)] == [2]


def test_marks_outlive_the_file_of_their_photo(book, seen, tmp_path):
    marks = marks_of(seen, "P-001.1.1")
    save_marks(book, marks, who="Ada", at=NOON)
    book.photo_path("P-001.1.1").unlink()
    assert saved_marks(book, "P-001.1.1") == [marks]
    with pytest.warns(CastlabWarning, match=r"P-001\.1\.1 \(front\.png\): missing"):
        folder = book.export(tmp_path / "out")
    with pytest.warns(CastlabWarning, match="restored"):
        again = Logbook.restore(folder, to=tmp_path / "again.db")
    assert saved_marks(again, "P-001.1.1") == [marks]


def test_changed_marks_are_left_out_of_an_export_with_a_word_and_stop_a_restore(book, seen, tmp_path):
    save_marks(book, marks_of(seen, "P-001.1.1"), who="Ada", at=NOON)
    folder = book.export(tmp_path / "out")
    (copy,) = (folder / "marks").rglob("*.json")
    whole = copy.read_text()
    copy.write_text(whole + " ")
    with pytest.raises(InputError, match="changed since it was exported"):
        Logbook.restore(folder, to=tmp_path / "again.db")
    copy.unlink()
    with pytest.raises(InputError, match="is missing from the export"):
        Logbook.restore(folder, to=tmp_path / "again.db")
    (kept,) = book.photo_store().marks(book.get("P-001.1.1").sha256).glob("*.json")
    kept.write_text(whole + " ")
    with pytest.warns(CastlabWarning, match=r"P-001\.1\.1 \(marks [0-9a-f]{12}\.\.\.\): damaged"):
        folder = book.export(tmp_path / "out")
    assert not (folder / "marks").exists()
    assert len(list((folder / "photos").iterdir())) == 1


def test_a_draft_belongs_to_its_casting_even_where_two_share_a_photo(book, seen, tmp_path):
    book.add(Trial(batch_id="B-001"))
    other = book.add_photo("T-001.2", tmp_path / "front.png", mm_per_pixel=0.1)
    mark_bubbles(book, "P-001.1.1", seen, who="Ada").do({"do": "remove", "number": 1})
    view = mark_bubbles(book, other.id, seen, who="Noor")
    assert "restored" not in view.panel.said["text"]
    view.do({"do": "save"})
    assert (view.score.trial_id, view.score.photo_id, view.score.bubbles) == ("T-001.2", other.id, 3)
    assert mark_bubbles(book, "P-001.1.1", seen).marks.count == 2


def test_each_person_who_confirms_the_same_marks_has_a_score(book, seen):
    marks = marks_of(seen, "P-001.1.1")
    ada, noor = (save_marks(book, marks, who=who, at=NOON) for who in ("Ada", "Noor"))
    assert (ada.scorer, noor.scorer) == ("Ada", "Noor")
    assert ada.id != noor.id
    assert saved_marks(book, "P-001.1.1") == [marks]


def test_marks_saved_again_after_their_score_was_withdrawn_are_scored_anew(book, seen):
    marks = marks_of(seen, "P-001.1.1")
    first = save_marks(book, marks, who="Ada", at=NOON)
    book.correct(first.id, why="of another casting", withdrawn=True)
    second = save_marks(book, marks, who="Ada", at=NOON)
    assert not second.withdrawn
    assert second.id != first.id
    assert save_marks(book, marks, who="Ada", at=NOON).id == second.id


def test_a_draft_that_cannot_be_read_is_put_aside(book, seen):
    draft = DraftOfMarks(book, "P-001.1.1")
    draft.keep(marks_of(seen, "P-001.1.1"))
    draft._file.write_text("{ half", encoding="utf-8")
    assert mark_bubbles(book, "P-001.1.1", seen).marks.count == 3
    assert draft._file.with_suffix(".unreadable").read_text(encoding="utf-8") == "{ half"


def test_a_mark_that_is_no_place_or_no_time_is_refused(seen):
    marks = marks_of(seen, "P-001.1.1")
    for wrong in (("a", 1, 1), (1, None, 1), (1, 1, "wide")):
        with pytest.raises(InputError, match="no place and size of a bubble"):
            marks.add(*wrong, who="Ada", at=NOON)
    with pytest.raises(InputError, match="at is 'noon'"):
        marks.add(1, 1, 0.5, who="Ada", at="noon")
    with pytest.raises(InputError, match="at is None"):
        marks.remove(0, who="Ada", at=None)
