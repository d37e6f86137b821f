"""Every page that castlab writes, held to the accessibility rules of axe-core (WCAG 2.1 A and AA among them) in a browser.

axe-core is an open library that knows the rules; axe-playwright-python carries it. No finding of it is let pass that it
calls serious or critical, at the width of a screen and at that of a telephone.
"""

from __future__ import annotations

import itertools
import re

import pytest

from castlab import Batch, Logbook, Trial, reports, workspace
from castlab.bench import plan_mix, run_sheet
from castlab.reporting import today

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

WIDTHS = (1280, 390)
ON_SCREEN = ("report", "two recipes", "home")
PAGES = (*ON_SCREEN, "run sheet")
"""A run sheet is laid out for paper, so a telephone may scroll it sideways."""


@pytest.fixture(scope="session")
def place(tmp_path_factory):
    return workspace.make(tmp_path_factory.mktemp("pages") / "workspace", demo=True)


@pytest.fixture(scope="session")
def pages(place, tmp_path_factory):
    """Name -> HTML."""
    folder, logbook = tmp_path_factory.mktemp("written"), place.logbook
    report = reports.report(logbook, "pod block", folder / "report").page
    recipes = reports.report_recipes(logbook, "pour_method", folder / "recipes", product="pod block").page
    with Logbook.open(logbook) as book:
        resin, molds = book.get("R-01"), {"Block A": "M-01", "Block B": "M-02", "Block C": "M-03"}
        sheet = run_sheet(plan_mix(132.5, resin, molds=3), resin, molds, product="pod block", start="2026-08-04 09:00")
        sheet.save(folder / "sheet.html")
        cup = book.add(Batch(resin_id="R-01"))
        for hour in ("18:30", "18:40"):
            book.add(Trial(batch_id=cup.id, mold_id="M-01", product="pod block", poured_at=f"2026-08-03 {hour}"))
    home = today.look(logbook, now="2026-08-04 09:00")._repr_html_()
    return {
        "report": report.read_text(encoding="utf-8"),
        "two recipes": recipes.read_text(encoding="utf-8"),
        "run sheet": (folder / "sheet.html").read_text(encoding="utf-8"),
        "home": f'<!DOCTYPE html><html lang="en"><title>Start here</title><main><h1>Start here</h1><h2>Now</h2>{home}</main>',
    }


@pytest.fixture(params=WIDTHS, ids=lambda width: f"{width}px")
def page(request, browser):
    opened = browser.new_page(viewport={"width": request.param, "height": 900})
    yield opened
    opened.close()


def findings(page) -> list[str]:
    """Serious and critical findings, each with the rule and the first element."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    found = axe.Axe().run(page).response
    assert found["passes"]  # it did look
    return [
        f"{rule['id']}: {rule['help']}; {len(rule['nodes'])} times, first {rule['nodes'][0]['html'][:200]}"
        for rule in found["violations"]
        if rule["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("name", PAGES)
def test_a_page_has_no_serious_finding(name, page, pages):
    page.set_content(pages[name])
    assert findings(page) == []


@pytest.mark.parametrize("name", ON_SCREEN)
def test_a_page_never_scrolls_sideways_as_a_whole(name, page, pages):
    page.set_content(pages[name])
    wide, screen = page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert wide <= screen


@pytest.mark.parametrize("name", PAGES)
def test_headings_go_down_one_level_at_a_time(name, page, pages):
    page.set_content(pages[name])
    levels = [int(tag[1]) for tag in page.eval_on_selector_all("h1,h2,h3,h4,h5,h6", "all => all.map(e => e.tagName)")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels)), levels


@pytest.mark.parametrize("name", PAGES)
def test_everything_that_scrolls_can_be_reached_by_keyboard(name, page, pages):
    page.set_content(pages[name])
    unreachable = page.evaluate(
        """[...document.querySelectorAll('body *')].filter(e => e.scrollWidth > e.clientWidth + 1
           && ['auto', 'scroll'].includes(getComputedStyle(e).overflowX) && e.tabIndex < 0).map(e => e.outerHTML.slice(0, 120))"""
    )
    assert unreachable == []


@pytest.mark.parametrize("name", ["report", "two recipes"])
def test_every_picture_of_a_report_says_in_words_what_it_shows(name, pages):
    texts = re.findall(r'<img [^>]*?alt="([^"]*)"', pages[name])
    assert len(texts) == pages[name].count("<img ") > 0
    assert min(map(len, texts)) > 40


def test_the_check_finds_what_is_wrong(page, pages):
    page.set_content(pages["home"].replace("<h1>", '<img src="data:,"><p style="color:#bbb">pale</p><h1>'))
    assert {finding.partition(":")[0] for finding in findings(page)} == {"image-alt", "color-contrast"}
