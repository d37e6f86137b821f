"""The sheets of a blind session: every code in its order with a box for each reading, and nothing that tells the casting."""

from __future__ import annotations

import re

import pytest
from lxml import html

from castlab import printing
from castlab.errors import InputError
from castlab.scoring import plan_rescoring, rubric

READINGS = ["bubbles", "bubble_largest_mm", "clarity_grade", "passed"]


@pytest.fixture(scope="module")
def session():
    castings = [f"T-{1 + n // 6:03d}.{1 + n % 6}" for n in range(24)]
    return plan_rescoring(castings, ["Noor", "Wim & co"], readings=READINGS, repeats=2, seed=4)


@pytest.fixture(scope="module")
def pages(session):
    return html.document_fromstring(session.paper(rubric.load()).html).xpath("//main")


def rows(page) -> list[list[str]]:
    return [[cell.text_content().strip() for cell in row] for row in page.xpath(".//table[@class='list']/tbody/tr")]


def test_each_scorer_and_round_has_a_page_with_the_codes_in_their_order(session, pages):
    assert [page.findtext("h1") for page in pages] == [
        f"Blind scoring: {who}, round {turn} of 2" for who in ("Noor", "Wim & co") for turn in (1, 2)
    ]
    for page, (_, planned) in zip(pages, session.sheets.groupby(["scorer", "round"], sort=False), strict=True):
        assert [row[:2] for row in rows(page)] == [[str(r.place), r.code] for r in planned.itertuples()]
        assert session.name in page.text_content()


def test_every_reading_has_a_box_grades_to_circle_and_numbers_empty(pages):
    heads = [cell.text_content() for cell in pages[0].xpath(".//table[@class='list']/thead//th")]
    assert heads == ["order", "code", "bubbles", "largest bubble (mm)", "Clarity", "good enough to sell"]
    assert all(row[2:] == ["", "", "0 1 2 3 4", "yes no"] for page in pages for row in rows(page))


def test_a_sheet_tells_neither_castings_nor_other_codes_and_the_key_tells_them(session, pages):
    for page in pages:
        assert not re.search(r"T-\d", page.text_content())
    (key,) = html.document_fromstring(session.key_paper().html).xpath("//main")
    told = {row[0]: row[1] for row in rows(key)}
    assert told == dict(zip(session.key["code"], session.key["trial_id"], strict=True))
    assert list(told)[:2] == ["A1", "B1"]
    assert list(told)[-1].endswith("2")
    assert "not for those who score" in key.findtext("h1")


def test_the_grades_are_explained_in_the_words_of_the_rubric_and_name_its_version(session, pages):
    house = rubric.load()
    text = pages[0].text_content()
    assert house.called in text
    assert all(anchor in text for anchor in house.item("clarity").anchors)
    assert house.item("tack").anchors[0] not in text
    assert "What the grades mean" not in session.paper().html
    assert "skin" in text  # the cautions stand where the castings are touched


def test_an_item_of_ones_own_is_named_as_the_rubric_names_it(tmp_path):
    anchors = '["none", "little", "some", "much", "all"]'
    (tmp_path / "own.toml").write_text(f'name = "ours"\n[gloss]\ntitle = "Gloss"\nanchors = {anchors}\n')
    session = plan_rescoring(["T-001.1", "T-001.2"], ["Noor"], readings=["gloss_grade", "note"])
    (page,) = html.document_fromstring(session.paper(rubric.load(tmp_path / "own.toml")).html).xpath("//main")
    assert [cell.text_content() for cell in page.xpath(".//table[@class='list']//th")][2:] == ["Gloss", "note"]
    assert rows(page)[0][2:] == ["0 1 2 3 4", ""]
    assert "much" in page.text_content()


def test_more_readings_than_paper_holds_are_refused():
    session = plan_rescoring(["T-001.1", "T-001.2"], ["Noor"], readings=[f"r{n}" for n in range(9)])
    with pytest.raises(InputError, match="9 readings do not fit"):
        session.paper()


def test_a_page_that_cannot_be_written_is_said(session, tmp_path):
    with pytest.raises(InputError, match="could not be written"):
        session.paper().save(tmp_path / "nowhere" / "sheet.html")


def test_the_meaning_of_the_grades_comes_before_the_boxes_in_the_same_words(session):
    (page, *_) = html.document_fromstring(session.paper(rubric.load()).html).xpath("//main")
    anchors, boxes = page.xpath(".//table")
    assert anchors.get("class") == "anchors"
    assert anchors.xpath(".//b")[0].text in [cell.text_content() for cell in boxes.xpath(".//th")]


def test_a_page_is_no_pdf(session, tmp_path):
    with pytest.raises(InputError, match=r"ending in \.html"):
        session.paper().save(tmp_path / "sheet.pdf")


@pytest.mark.usefixtures("chromium")
@pytest.mark.parametrize(("castings", "paper"), [(20, 1), (30, 1), (60, 3)])
def test_a_sheet_prints_on_a4_without_a_page_half_empty(castings, paper, tmp_path):
    grades = ("clarity", "tack", "surface", "edge", "insert", "demold")
    session = plan_rescoring(
        [f"T-001.{n}" for n in range(castings)],
        ["Noor"],
        readings=["bubbles", *(f"{g}_grade" for g in grades), "passed"],
    )
    page = session.paper(rubric.load()).save(tmp_path / "sheet.html")
    pdf = printing.to_pdf(page, tmp_path / "sheet.pdf").read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == paper
    width, height = (float(n) for n in re.search(rb"/MediaBox\s*\[\s*0\s+0\s+([\d.]+)\s+([\d.]+)", pdf).groups())
    assert (width, height) == pytest.approx((595.3, 841.9), abs=1)
