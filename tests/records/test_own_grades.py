"""Grades of items that a shop added to its rubric are kept, corrected, summarised and exported as those of the house's are."""

from __future__ import annotations

import pandas as pd
import pytest

from castlab import Batch, Logbook, Score, Trial
from castlab.errors import InputError
from castlab.records.sheets import Mapping, import_sheet, propose_mapping


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


# --- from a sheet that was kept by hand --------------------------------------------------------------------


@pytest.fixture
def kept() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "Cup": ["1", "1", "2", "2"],
            "Bubbles": ["3", "0", "", "5"],
            "Label tilt (0-4)": ["3", "7", "2", ""],
            "Gloss": ["1", "2", "5", "2.5"],
            "Spin (rpm)": ["300", "300", "250", "250"],
        }
    )


def test_a_column_of_a_sheet_becomes_grades_of_ones_own_and_bad_ones_keep_their_row_out(book, kept):
    mapping = propose_mapping(kept).as_grade("Label tilt (0-4)", "label_tilt", "0-4").as_grade("Gloss", "gloss", "5-1")
    result = import_sheet(book, kept, mapping, name="spring")
    assert book.extras() == {"label_tilt_grade": ("score", "grade"), "gloss_grade": ("score", "grade")}
    assert [s.extra_grades for s in book.records("score")] == [
        {"gloss": 4, "label_tilt": 3},
        {"gloss": 0, "label_tilt": 2},
    ]
    assert list(zip(result.rejected["row"], result.rejected["column"], result.rejected["reason"], strict=True)) == [
        (3, "Label tilt (0-4)", "grade is '7'; accepted: a whole number from 0 (worst) to 4 (best)"),
        (5, "Gloss", "grade is '2.5'; accepted: a whole number from 5 (worst) to 1 (best)"),
    ]
    again = import_sheet(book, kept, mapping, name="spring")
    assert (again.added, again.already_there, again.changed) == (0, 2, 0)
    kept.loc[0, "Label tilt (0-4)"] = "1"
    changed = import_sheet(book, kept, mapping, name="spring")
    assert "S-001.1.1 has label_tilt_grade 3, the sheet 1" in changed.rejected["reason"][0]


def test_a_grade_of_ones_own_is_a_score_without_another_reading(book):
    rows = pd.DataFrame({"Cup": ["1", "2"], "Gloss": ["3", "?"]})
    result = import_sheet(book, rows, propose_mapping(rows).as_grade("Gloss", "gloss", "0-4"), name="s")
    assert result.records == {"batch": 2, "trial": 2, "score": 1}


def test_the_scale_of_a_grade_of_ones_own_is_asked_unless_its_heading_says_it(kept):
    mapping = propose_mapping(kept).as_grade("Gloss", "gloss")
    assert "'Gloss' as gloss_grade: which scale?" in mapping.unsettled[0]
    assert mapping.change("Gloss", unit="1-5").unsettled == ()
    said = kept.rename(columns={"Gloss": "Gloss 1-5, 5 best"})
    assert propose_mapping(said).as_grade("Gloss 1-5, 5 best", "gloss").unsettled == ()


def test_what_the_logbook_calls_its_own_is_proposed_where_a_heading_and_its_cells_fit(book, kept):
    book.add(Batch(extra={"spin_rpm": 200, "strained": True, "note_code": "a"}))
    book.add(Trial(batch_id="B-001"))
    scored(book, {"label_tilt": 1, "gloss": 2})
    assert propose_mapping(kept).left_out == ("Label tilt (0-4)", "Gloss", "Spin (rpm)")
    mapping = propose_mapping(kept.assign(Strained="y"), book=book)
    becomes = {c.column: (c.field, c.level, c.unit) for c in mapping.columns[2:]}
    assert becomes == {
        "Label tilt (0-4)": ("label_tilt_grade", "score", None),
        "Gloss": ("gloss_grade", "score", None),
        "Spin (rpm)": ("spin_rpm", "batch", "number"),
        "Strained": ("strained", "batch", "yes/no"),
    }
    assert len(mapping.unsettled) == 2
    words = pd.DataFrame({"Cup": ["1"], "Gloss": ["shiny"]})
    assert propose_mapping(words, book=book).left_out == ("Gloss",)


def test_a_mapping_with_grades_of_ones_own_is_settled_saved_and_used_again(kept, tmp_path):
    meant = {
        "Label tilt (0-4)": {"grade": "label_tilt", "scale": "0-4"},
        "Gloss": {"grade": "gloss_grade", "scale": "1-5"},
    }
    mapping = propose_mapping(kept).settle(meant)
    assert "gloss_grade (your own grade)" in str(mapping)
    assert Mapping.load(mapping.save(tmp_path / "m.json")) == mapping
    with pytest.raises(InputError, match=r"is given 'level'; accepted: .*grade with scale"):
        mapping.settle({"Gloss": {"grade": "gloss", "level": "trial"}})
    path = tmp_path / "m.json"
    path.write_text(path.read_text().replace('"gloss_grade"', '"gloss"'))
    with pytest.raises(InputError, match="'gloss' is no grade"):
        Mapping.load(path)


def test_a_name_that_is_a_setting_in_the_logbook_keeps_rows_out(book, kept):
    book.add(Batch(extra={"gloss_grade": "high"}))
    result = import_sheet(
        book,
        kept[["Cup", "Gloss"]],
        propose_mapping(kept[["Cup", "Gloss"]]).as_grade("Gloss", "gloss", "1-5"),
        name="s",
    )
    assert result.added == 0
    assert "grade 'gloss_grade' is a setting of a batch in this logbook" in result.rejected["reason"][0]
