"""The form of a score asks for the items that a shop added to its rubric, and keeps their grades with the score."""

from __future__ import annotations

import pytest

from castlab import Batch, Score, Trial, forms
from castlab.errors import InputError
from castlab.scoring import rubric


@pytest.fixture
def own(tmp_path):
    item = '\n[label]\ntitle = "Label straight"\nlook = "From above."\nanchors = ["gone", "torn", "creased", "askew", "straight"]\n'
    file = tmp_path / "rubric.toml"
    file.write_text(rubric.HOUSE.read_text(encoding="utf-8") + item, encoding="utf-8")
    return rubric.load(file)


@pytest.fixture
def form(book, own):
    book.add(Batch())
    book.add(Trial(batch_id="B-001"))
    return forms.score_casting(book, "T-001.1", rubric=own)


def test_an_item_of_ones_own_stands_among_the_grades_with_its_words(form):
    (grades,) = [section for section in form.panel.face["sections"] if section["id"] == "grades"]
    last = grades["parts"][-1]
    assert (last["key"], last["label"], last["hint"]) == ("label_grade", "Label straight", "From above.")
    assert [option["words"] for option in last["options"]] == ["gone", "torn", "creased", "askew", "straight"]
    assert len(grades["parts"]) == 7


def test_its_grade_is_saved_with_the_score_and_read_back(form, book, own):
    form.change("label_grade", "3")
    form.change("clarity_grade", "2")
    form.press("save")
    (score,) = book.records("score")
    assert (score.extra_grades, score.clarity_grade, score.rubric) == ({"label": 3}, 2, own.version)
    assert "Label straight 3" in form.panel.said["items"]
    assert book.frame()["label_grade"].tolist() == [3]


def test_a_draft_keeps_it_and_it_may_be_the_only_reading(form, book, own):
    form.change("label_grade", "4")
    again = forms.score_casting(book, "T-001.1", rubric=own)
    assert again.values["label_grade"] == "4"
    again.press("save")
    assert [score.extra_grades for score in book.records("score")] == [{"label": 4}]


def test_what_is_no_grade_is_said_at_its_field(form, book):
    form.change("label_grade", "7")
    assert "accepted: 0 (worst) to 4 (best)" in form.panel.notes["label_grade"]["text"]
    with pytest.raises(InputError, match="Label straight is '7'"):
        form.press("save")
    assert book.records("score") == []


def test_an_item_whose_words_changed_since_it_was_graded_says_so_and_no_other(book, own, tmp_path):
    book.add(Batch())
    book.add(Trial(batch_id="B-001"))
    book.add(Score(trial_id="T-001.1", **own.grades(label=2, clarity=3, tack=1)))
    file = tmp_path / "later.toml"
    file.write_text((tmp_path / "rubric.toml").read_text().replace("creased", "with a crease"))
    later = rubric.load(file)
    for rubrics, said in ((own, []), (later, ["label_grade"])):
        form = forms.score_casting(book, "T-001.1", rubric=rubrics)
        (grades,) = [section for section in form.panel.face["sections"] if section["id"] == "grades"]
        assert grades["title"] == f"Grades: {rubrics.called}"
        assert [part["key"] for part in grades["parts"] if "The words have changed" in part["hint"]] == said
    told = f"these are {later.item('label').sign}, earlier grades follow {own.item('label').sign} of house rubric 1"
    assert told in grades["parts"][-1]["hint"]
