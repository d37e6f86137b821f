"""Grades as they were logged: versions of an item that are mixed are told, and grades that no rubric has."""

from __future__ import annotations

import pandas as pd
import pytest

from castlab import Batch, Logbook, Score, Trial
from castlab.analysis import compare_runs, fit_factors
from castlab.errors import InputError
from castlab.records import grades


@pytest.mark.parametrize("wrong", [None, 5, "scores", [1, 2]])
def test_mixed_rubrics_are_told_of_scores_only(wrong):
    with pytest.raises(InputError, match="a list of Score, or a frame"):
        grades.mixed(wrong, "tack_grade")


BEFORE = "ours 1 (aaaaaa): clarity 111111, tack 222222, label 333333"
REWORDED = "ours 1 (bbbbbb): clarity 111111, tack 999999, label 333333"


def test_mixed_rubrics_are_said_and_ungraded_scores_do_not_count():
    ours = Score(trial_id="T-001.1", tack_grade=2, rubric="ours 1 (aaaaaa)")
    later = Score(trial_id="T-001.1", tack_grade=2, rubric="ours 2 (bbbbbb)")
    counted = Score(trial_id="T-001.1", bubbles=2)
    assert grades.mixed([ours, counted], "tack_grade") is None
    said = grades.mixed([ours, later], "tack_grade")
    assert "Freedom from tack is graded under two versions of its words (ours 1 (aaaaaa); ours 2 (bbbbbb))" in said
    frame = pd.DataFrame([s.model_dump() for s in (ours, later, counted)])
    assert grades.mixed(frame, "tack_grade") == said
    assert grades.mixed(frame, "clarity_grade") is None
    assert grades.mixed(pd.DataFrame({"tack_grade": [1]}), "tack_grade") is None
    assert "no rubric named" in grades.mixed([ours, Score(trial_id="T-001.1", tack_grade=2)], "tack_grade")


def test_only_the_item_whose_words_changed_loses_what_it_is_compared_with():
    scores = [
        Score(trial_id=f"T-001.{n}", tack_grade=2, clarity_grade=n, extra_grades={"label": 3}, rubric=text)
        for n, text in ((1, BEFORE), (2, REWORDED))
    ]
    assert grades.mixed(scores, "clarity_grade") is None
    assert grades.mixed(scores, "label_grade") is None
    assert "(222222 of ours 1; 999999 of ours 1)" in grades.mixed(scores, "tack_grade")
    three = [*scores, Score(trial_id="T-001.3", tack_grade=2)]
    assert "three versions of its words" in grades.mixed(three, "tack_grade")


def test_a_rubric_named_as_a_whole_is_known_by_any_score_that_names_its_items():
    """Scores written before there were signs of items name the whole rubric only."""
    old = Score(trial_id="T-001.1", tack_grade=1, clarity_grade=1, rubric="ours 1 (aaaaaa)")
    new = Score(trial_id="T-001.2", tack_grade=1, clarity_grade=1, rubric=REWORDED)
    for column in ("clarity_grade", "tack_grade"):
        said = grades.mixed([old, new], column)
        assert "may be the same where scores name the whole rubric only (ours 1 (aaaaaa)): with its file" in said
    between = Score(trial_id="T-001.3", bubbles=1, rubric=BEFORE)
    assert grades.mixed([old, new, between], "clarity_grade") is None
    assert "(222222 of ours 1; 999999 of ours 1)" in grades.mixed([old, new, between], "tack_grade")


@pytest.mark.parametrize("text", ["ours: mild", "ours: clarity", "tack 222222", "a: tack 22222", "a: tack 222222; b"])
def test_a_rubric_that_was_typed_by_hand_names_no_items(text):
    typed = Score(trial_id="T-001.1", tack_grade=1, rubric=text)
    assert text in grades.mixed([typed, Score(trial_id="T-001.2", tack_grade=1, rubric=BEFORE)], "tack_grade")


@pytest.fixture(params=["SQLite", pytest.param("PostgreSQL", marks=pytest.mark.postgres)])
def logbook(request, tmp_path):
    where = tmp_path / "shop.db" if request.param == "SQLite" else request.getfixturevalue("postgres_url")
    with Logbook.open(where, who="tester") as opened:
        opened.add(Batch())
        for _ in range(3):
            opened.add(Trial(batch_id="B-001"))
        yield opened


def test_a_casting_says_which_of_its_grades_follow_which_rubric(logbook, tmp_path):
    logbook.add(Score(trial_id="T-001.1", tack_grade=2, clarity_grade=1, rubric=BEFORE))
    logbook.add(Score(trial_id="T-001.1", clarity_grade=2, extra_grades={"label": 4}, rubric=REWORDED))
    logbook.add(Score(trial_id="T-001.1", edge_grade=2))
    logbook.add(Score(trial_id="T-001.1", bubbles=2, rubric="ours 3; the newest"))
    logbook.add(Score(trial_id="T-001.2", tack_grade=2, rubric=BEFORE))
    logbook.add(Score(trial_id="T-001.3", tack_grade=0))
    mixed, plain, unnamed = logbook.frame()["rubrics"]
    assert set(mixed.split("; ")) == {
        "no rubric named: edge ?", "ours 1 (aaaaaa): clarity 111111, tack 222222", "ours 1 (bbbbbb): clarity 111111, label 333333",
    }  # fmt: skip
    assert (plain, unnamed) == (BEFORE, "")
    frame = logbook.frame().iloc[:2]
    for column in ("tack_grade", "clarity_grade", "label_grade", "edge_grade"):
        assert grades.mixed(frame, column) is None, column
    assert "(222222 of ours 1; no rubric named)" in grades.mixed(logbook.frame(), "tack_grade")
    logbook.export(tmp_path / "out")
    with Logbook.restore(tmp_path / "out", to=tmp_path / "again.db") as again:
        assert again.frame()["rubrics"].tolist() == logbook.frame()["rubrics"].tolist()


def test_one_corrected_score_tells_what_an_old_logbook_was_graded_by(logbook):
    for n in (1, 2, 3):
        score = logbook.add(Score(trial_id=f"T-001.{n}", tack_grade=n, clarity_grade=n, rubric="ours 1 (aaaaaa)"))
    logbook.add(Score(trial_id="T-001.2", tack_grade=2, clarity_grade=2, rubric=REWORDED))
    frame = logbook.frame()
    assert "book.correct(one of these scores" in grades.mixed(frame, "clarity_grade")
    logbook.correct(score.id, why="the file of its rubric was found", rubric=BEFORE)
    frame = logbook.frame()
    assert grades.mixed(frame, "clarity_grade") is None
    assert "222222 of ours 1" in grades.mixed(frame, "tack_grade")
    assert "999999 of ours 1" in grades.mixed(frame, "tack_grade")


def test_a_semicolon_in_a_rubric_s_name_makes_no_second_rubric(book):
    book.add(Batch())
    book.add(Trial(batch_id="B-001"))
    book.add(Score(trial_id="T-001.1", tack_grade=1, rubric="ours; the best"))
    assert grades.mixed(book.frame(), "tack_grade") is None


def test_the_analysis_of_grades_says_when_their_words_changed(book):
    for number in range(6):
        cup = book.add(Batch(resin_c=22 + 2 * (number % 2)))
        for grade in (1 + number % 2, 2, 3):
            casting = book.add(Trial(batch_id=cup.id, pour_method="ladle" if grade == 2 else "stream"))
            read = {
                "clarity_grade": grade,
                "tack_grade": grade,
                "haze_pct": 5 - grade + (number * 7 + grade * 3) % 5 / 4,
            }
            book.add(Score(trial_id=casting.id, **read, rubric=BEFORE if number < 3 else REWORDED))
    frame = book.frame()
    assert set(frame["rubrics"]) == {BEFORE, REWORDED}
    note = grades.mixed(frame, "tack_grade")
    assert note in fit_factors(frame, "tack_grade", ["resin_c"]).cautions
    assert note in compare_runs(frame, "tack_grade", "pour_method").cautions
    for response in ("clarity_grade", "haze_pct"):
        assert not [said for said in fit_factors(frame, response, ["resin_c"]).cautions if "words" in said]


def test_grades_that_no_rubric_has_are_told_in_columns_of_the_rubric_only():
    assert grades.outside(pd.Series([0, 4, None], name="tack_grade")) is None
    assert grades.outside(pd.Series([9], name="gloss_grade")) is None
    assert "tack_grade holds -1, 2.5" in str(grades.outside(pd.Series([-1, 2.5, 3], name="tack_grade")))
