"""The rubric says what a grade means, and carries a version made from its words."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from castlab import Score
from castlab.errors import InputError, NotFoundError
from castlab.records import grades
from castlab.scoring import drawings, rubric


def test_every_item_has_five_anchors_and_five_different_drawings():
    house = rubric.load()
    assert [i.key for i in house.items] == ["bubbles", "clarity", "tack", "surface", "edge", "insert", "demold"]
    for item in house.items:
        assert len(set(item.anchors)) == 5
        drawn = [drawings.draw(item.key, grade, "x") for grade in range(5)]
        assert len({d.replace(f"grade {g}", "") for g, d in enumerate(drawn)}) == 5
        for svg in drawn:
            root = ET.fromstring(svg)
            assert root.get("role") == "img"
            assert root.get("aria-label")


def test_grades_become_fields_of_a_score_with_the_version():
    house = rubric.load()
    score = Score(trial_id="T-001.1", **house.grades(clarity=3, demold=4))
    assert (score.clarity_grade, score.demold_grade, score.rubric) == (3, 4, house.version)
    with pytest.raises(InputError, match=r"0 .worst. to 4"):
        house.grades(clarity=5)
    with pytest.raises(InputError, match=r"0 .worst. to 4"):
        house.grades(clarity=np.array([1, 2]))
    with pytest.raises(NotFoundError, match="no item 'shine'"):
        house.grades(shine=1)
    with pytest.raises(InputError, match="counted, not graded"):
        house.grades(bubbles=3)


def own(tmp_path: Path, change) -> rubric.Rubric:
    file = tmp_path / "rubric.toml"
    file.write_text(change(rubric.HOUSE.read_text(encoding="utf-8")), encoding="utf-8")
    return rubric.load(file)


def test_a_changed_anchor_or_a_new_item_is_another_version_and_a_comment_is_not(tmp_path):
    house = rubric.load()
    assert own(tmp_path, lambda text: "# ours\n" + text).version == house.version
    assert own(tmp_path, lambda text: text.replace("like clear glass", "like water")).version != house.version
    item = '\n[label]\ntitle = "Label"\nanchors = ["gone", "torn", "creased", "askew", "straight"]\n'
    longer = own(tmp_path, lambda text: text + item)
    assert longer.version != house.version
    assert "straight" in longer.card("label")._repr_html_()
    score = Score(trial_id="T-001.1", **longer.grades(label=2, clarity=3))
    assert (score.extra_grades, score.clarity_grade, score.rubric) == ({"label": 2}, 3, longer.version)
    with pytest.raises(InputError, match="label is graded 5"):
        longer.grades(label=5)


def test_rewording_one_item_changes_its_sign_and_no_other(tmp_path):
    """The rubric as a whole has another version; what its scores say of each item does not change but for that item."""
    house = rubric.load()
    changes = {
        "clarity": lambda text: text.replace("like clear glass", "like water"),
        "tack": lambda text: text.replace("Gloved finger, one firm press", "Gloved finger, two firm presses"),
        "bubbles": lambda text: text.replace("none seen", "none"),
        None: lambda text: text.replace("number = 1", "number = 2").replace('title = "Edge fill"', 'title = "Edges"'),
    }
    for key, change in changes.items():
        other = own(tmp_path, change)
        assert [i.key for i, j in zip(house.items, other.items, strict=True) if i.sign != j.sign] == [key] * (
            key is not None
        )
        graded = [
            Score(trial_id="T-001.1", **one.grades(**dict.fromkeys(("clarity", "tack", "edge"), 2)))
            for one in (house, other)
        ]
        mixed = [c for c in ("clarity", "tack", "edge") if grades.mixed(graded, f"{c}_grade")]
        assert mixed == [key] * (key in ("clarity", "tack"))


def test_what_the_rubric_is_called_is_what_scores_held_before_items_had_signs(tmp_path):
    """Written down on 26 November 2026: scores of then name the house rubric so, and stay comparable with those of now."""
    house = rubric.load()
    assert house.called == "house rubric 1 (81f662)"
    before = Score(trial_id="T-001.1", tack_grade=2, rubric="house rubric 1 (81f662)")
    changed = own(tmp_path, lambda text: text.replace("like clear glass", "like water"))
    scores = [before, *(Score(trial_id="T-001.1", **one.grades(tack=2, clarity=3)) for one in (house, changed))]
    assert grades.mixed(scores[:2], "tack_grade") is None
    assert grades.mixed(scores, "tack_grade") is None
    assert grades.mixed(scores, "clarity_grade") is not None


def test_the_card_shows_the_sign_that_scores_keep_and_none_where_they_keep_none():
    house = rubric.load()
    shown = house._repr_html_()
    assert all((f"<small>{item.sign}</small>" in shown) == item.graded for item in house.items)
    assert f"tack {house.item('tack').sign}" in house.version
    assert "bubbles" not in house.version


def test_a_rubric_whose_versions_no_score_can_hold_is_refused(tmp_path):
    anchors = 'anchors = ["1", "2", "3", "4", "5"]\n'
    items = "".join(f"[looks_of_part_number_{n}]\n{anchors}" for n in range(70))
    (tmp_path / "r.toml").write_text(f'name = "x"\n{items}')
    with pytest.raises(
        InputError, match=r"70 items, whose versions fill 2[0-9]{3} letters of each score; accepted: up to 2000"
    ):
        rubric.load(tmp_path / "r.toml")


def test_a_name_with_spaces_is_kept_as_scores_keep_it(tmp_path):
    ours = own(tmp_path, lambda text: text.replace("house rubric", "our  own rubric"))
    assert Score(trial_id="T-001.1", **ours.grades(tack=2)).rubric == ours.version


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name = 3", "needs name"),
        ('name = "x"', "no items"),
        ('name = "x"\nnumber = true', "number = a whole number"),
        ("[", "no TOML"),
        ('name = "x"\n[a]\nanchors = ["1"]', "5 texts"),
        ('name = "x"\n[Edge-fill]\nanchors = ["1", "2", "3", "4", "5"]', "an item's name is lower-case letters"),
        ('name = "x"\n[a]\nfield = "a"\nanchors = ["1", "2", "3", "4", "5"]', "field is not read; accepted: title"),
    ],
)
def test_a_file_that_is_no_rubric_says_what_is_wrong(tmp_path, text, said):
    (tmp_path / "r.toml").write_text(text)
    with pytest.raises(InputError, match=said):
        rubric.load(tmp_path / "r.toml")


@pytest.mark.parametrize("wrong", [5, b"house.toml", ["a"]])
def test_what_is_no_path_is_no_rubric(wrong):
    with pytest.raises(InputError, match="path of a TOML file"):
        rubric.load(wrong)


def test_the_card_is_a_page_to_print(tmp_path):
    page = rubric.load().card("tack").save(tmp_path / "card.html").read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")
    assert page.count("<svg") == 5
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")


def test_a_card_is_written_as_a_page_only(tmp_path):
    assert rubric.load().card("tack").save(tmp_path / "card.HTML").exists()
    with pytest.raises(InputError, match=r"ending in \.html"):
        rubric.load().card("tack").save(tmp_path / "card.pdf")
