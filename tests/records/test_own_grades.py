"""Grades of items that a shop added to its rubric are kept, corrected, summarised and exported as those of the house's are."""

from __future__ import annotations

import pandas as pd
import pytest

from castlab import Batch, Logbook, Score, Trial
from castlab.errors import InputError


def scored(book: Logbook, *grades: dict[str, int] | None, trial: str = "T-001.1") -> None:
    for given in grades:
        book.add(Score(trial_id=trial, bubbles=1, rubric="ours 1 (aaaaaa)", extra_grades=given))


@pytest.fixture
def shop(book):
    book.add(Batch())
    for _ in range(3):
        book.add(Trial(batch_id="B-001"))
    return book


def test_a_grade_of_ones_own_is_a_reading_by_itself(shop):
    score = shop.add(Score(trial_id="T-001.1", extra_grades={"gloss": 3, "edge_bead": 0}))
    assert shop.get(score.id).extra_grades == {"edge_bead": 0, "gloss": 3}
    assert Score(trial_id="T-001.1", bubbles=1, extra_grades={}).extra_grades is None
    with pytest.raises(InputError, match="at least one reading"):
        Score(trial_id="T-001.1", extra_grades={"gloss": None})


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"gloss": 5}, r"gloss is graded 5; accepted: whole grades from 0 \(worst\) to 4 \(best\)"),
        ({"gloss": -1}, "graded -1"),
        ({"gloss": 2.5}, "graded 2.5"),
        ({"gloss": True}, "graded True"),
        ({"gloss": "good"}, "graded 'good'"),
        ({"Gloss": 2}, "'Gloss' is not a usable name"),
        ({"clarity": 2}, "clarity_grade is a field of its own"),
        (3, "extra_grades is 3"),
    ],
)
def test_what_is_no_grade_is_refused(given, said):
    with pytest.raises(InputError, match=said):
        Score(trial_id="T-001.1", extra_grades=given)


def test_the_frame_has_a_column_that_takes_the_worse_of_two_middle_grades(shop):
    scored(shop, {"gloss": 4}, {"gloss": 1}, {"gloss": 3}, {"gloss": 2}, None)
    scored(shop, {"gloss": 3, "label": 1}, trial="T-001.2")
    frame = shop.frame()
    assert frame["gloss_grade"].tolist()[:2] == [2, 3]
    assert frame["gloss_grade"].isna().tolist() == [False, False, True]
    assert frame["label_grade"].tolist()[1] == 1
    assert {str(frame[name].dtype) for name in ("gloss_grade", "label_grade")} == {"Int64"}
    assert frame.attrs["levels"]["gloss_grade"] == "score"
    assert frame["rubrics"].tolist()[0] == "ours 1 (aaaaaa)"
    scores = shop.scores()
    assert scores["gloss_grade"].tolist()[:4] == [4, 1, 3, 2]
    assert str(scores["label_grade"].dtype) == "Int64"
    assert "extra_grades" not in scores
    assert "extra_grades" not in frame


def test_a_logbook_without_such_grades_has_no_such_columns(shop):
    scored(shop, None)
    assert [name for name in shop.frame() if name.startswith("extra")] == []
    assert shop.scores()["bubbles"].tolist() == [1]


def test_a_correction_changes_one_grade_and_keeps_the_others(shop):
    score = shop.add(Score(trial_id="T-001.1", extra_grades={"gloss": 3, "label": 2}))
    shop.correct(score.id, why="looked again", extra_grades={"gloss": 1})
    assert shop.get(score.id).extra_grades == {"gloss": 1, "label": 2}
    assert "extra_grades: {" in shop.history(score.id)["changes"].iloc[1]
    shop.correct(score.id, why="not looked at", extra_grades={"label": None})
    assert shop.get(score.id).extra_grades == {"gloss": 1}
    with pytest.raises(InputError, match="graded 7"):
        shop.correct(score.id, why="typo", extra_grades={"gloss": 7})


def test_a_name_is_a_setting_or_a_grade_but_not_both(shop):
    shop.add(Trial(batch_id="B-001", extra={"gloss_grade": 3}))
    with pytest.raises(InputError, match="grade 'gloss_grade' is a setting of a trial in this logbook"):
        scored(shop, {"gloss": 3})
    scored(shop, {"label": 3})
    with pytest.raises(InputError, match="extra factor 'label_grade' is a grade of a score in this logbook"):
        shop.add(Trial(batch_id="B-001", extra={"label_grade": 3}))


def test_they_come_back_from_an_export(shop, tmp_path):
    scored(shop, {"gloss": 4, "label": 0}, None)
    shop.correct("S-001.1.1", why="looked again", extra_grades={"gloss": 3})
    folder = shop.export(tmp_path / "out")
    again = Logbook.restore(folder, to=tmp_path / "again.db")
    pd.testing.assert_frame_equal(again.frame(), shop.frame())
    pd.testing.assert_frame_equal(again.scores(), shop.scores())
    second = again.export(tmp_path / "second")
    assert {p.name: p.read_bytes() for p in second.iterdir()} == {p.name: p.read_bytes() for p in folder.iterdir()}


@pytest.mark.postgres
def test_a_server_keeps_them_as_well(postgres_url):
    with Logbook.open(postgres_url, who="Ada") as book:
        book.add(Batch())
        book.add(Trial(batch_id="B-001"))
        scored(book, {"gloss": 4}, {"gloss": 1}, None)
        assert book.frame()["gloss_grade"].tolist() == [1]
        assert book.scores()["gloss_grade"].tolist()[:2] == [4, 1]
