"""A person corrects a bubble count in JupyterLab, by mouse and by keyboard, and finds the score in the logbook."""

from __future__ import annotations

import json
import os

import numpy as np
import pytest
from PIL import Image

from castlab import Logbook, workspace
from castlab.scoring import saved_marks

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

NOTEBOOK = "marking.ipynb"
SOURCE = [
    "from castlab import forms\nfrom castlab.notebook import start\n\nbook = start('shop.db', who='Noor')",
    "forms.mark_bubbles(book, '{photo}', smallest_mm=0.6)",
]


def picture():
    """Three discs the count finds, over a soft gradient."""
    y, x = np.mgrid[0:400, 0:600]
    scene = 0.35 + 0.1 * x / 600
    for cx, cy, r in ((120, 120, 22), (300, 220, 16), (460, 120, 30)):
        scene = np.where(np.hypot(x - cx, y - cy) < r, 0.85, scene)
    return Image.fromarray((255 * scene).astype(np.uint8))


@pytest.fixture
def place(lab):
    folder = lab.place(demo=True)
    picture().save(folder / "front.png")
    with Logbook.open(folder / workspace.LOGBOOK) as book:
        photo = book.add_photo("T-018.2", folder / "front.png", mm_per_pixel=0.05)
    cells = [
        {"cell_type": "code", "id": f"cell-{n}", "metadata": {}, "outputs": [], "execution_count": None, "source": text.format(photo=photo.id)}
        for n, text in enumerate(SOURCE)
    ]  # fmt: skip
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    notebook = {"cells": cells, "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
    (folder / NOTEBOOK).write_text(json.dumps(notebook), encoding="utf-8")
    return folder


def counted(maker, lab, place, told):
    """The marking view of the notebook after all its cells have run."""
    maker.open(lab.address(f"{place.name}/{NOTEBOOK}"))
    maker.page.get_by_role("menuitem", name="Run", exact=True).click()
    maker.page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    view = maker.page.locator(".castlab-marking")
    view.get_by_text(told).wait_for()
    return view


def test_a_count_is_corrected_by_mouse_and_keyboard_and_saved(lab, person, place):
    maker = person()
    page, view = maker.page, counted(maker, lab, place, "3 bubbles: 3 found, 0 removed, 0 added by hand")

    pane = view.get_by_role("application")
    photo = pane.locator("svg")
    photo.scroll_into_view_if_needed()
    box = photo.bounding_box()

    def at(x, y):
        return box["x"] + x / 600 * box["width"], box["y"] + y / 400 * box["height"]

    page.mouse.move(*at(200, 250))
    page.mouse.down()
    page.mouse.move(*at(215, 250), steps=4)
    page.mouse.up()
    view.get_by_text("4 bubbles: 3 found, 0 removed, 1 added by hand").wait_for()

    page.mouse.click(*at(120, 120))
    view.get_by_text("Chosen: a circle of").wait_for()
    page.keyboard.press("Delete")
    view.get_by_text("3 bubbles: 3 found, 1 removed, 1 added by hand").wait_for()

    for _ in range(3):
        page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("+")
    page.keyboard.press("Enter")
    view.get_by_text("4 bubbles: 3 found, 1 removed, 2 added by hand").wait_for()
    page.keyboard.press("Delete")
    view.get_by_text("3 bubbles: 3 found, 1 removed, 1 added by hand").wait_for()
    page.keyboard.press("Control+z")
    view.get_by_text("4 bubbles: 3 found, 1 removed, 2 added by hand").wait_for()
    if os.environ.get("CASTLAB_SHOTS"):
        view.screenshot(path=f"{os.environ['CASTLAB_SHOTS']}/marking.png")

    view.get_by_role("button", name="Save the count").click()
    view.get_by_text("Saved as S-018.2").wait_for()
    with Logbook.open(place / workspace.LOGBOOK) as book:
        score = next(s for s in book.records("score") if s.method == "photo, corrected")
    assert (score.bubbles, score.auto_bubbles, score.scorer, score.trial_id) == (4, 3, "Noor", "T-018.2")
    assert score.auto_low is not None
    assert score.scored_at is not None


def test_a_circle_drawn_in_a_round_region_lies_where_it_was_drawn(lab, person, place):
    notebook = json.loads((place / NOTEBOOK).read_text(encoding="utf-8"))
    notebook["cells"][1]["source"] = notebook["cells"][1]["source"].replace(
        "smallest_mm", "region=(22, 7, 10), smallest_mm"
    )
    (place / NOTEBOOK).write_text(json.dumps(notebook), encoding="utf-8")
    maker = person()
    page, view = maker.page, counted(maker, lab, place, "1 bubble: 1 found, 0 removed, 0 added by hand")
    photo = view.get_by_role("application").locator("svg")
    photo.scroll_into_view_if_needed()
    box = photo.bounding_box()
    left, top, width, height = map(float, photo.get_attribute("viewBox").split())
    assert (left, top) > (15, 1)
    assert width < 13
    page.mouse.click(box["x"] + (20 - left) / width * box["width"], box["y"] + (10 - top) / height * box["height"])
    view.get_by_text("1 added by hand").wait_for()
    assert "at 20.0, 10.0 mm" in view.locator(".where").inner_text()
    view.get_by_role("button", name="Save the count").click()
    view.get_by_text("Saved as S-018.2").wait_for()
    with Logbook.open(place / workspace.LOGBOOK) as book:
        score = next(s for s in book.records("score") if s.method == "photo, corrected")
        (marks,) = saved_marks(book, score.photo_id)
    added = marks.changes[0].circle
    assert (added.x_mm, added.y_mm) == pytest.approx((20, 10), abs=0.05)
    assert (marks.changes[0].who, score.bubbles, score.auto_bubbles) == ("Noor", 2, 1)


def test_the_view_has_no_barrier_that_an_accessibility_checker_sees(lab, person, place):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    maker = person()
    counted(maker, lab, place, "3 bubbles")
    found = axe.Axe().run(maker.page, context=".castlab-marking")
    assert found.violations_count == 0, found.generate_report()
    short = maker.page.evaluate(
        "[...document.querySelectorAll('.castlab-marking button')].filter(b => b.getBoundingClientRect().height < 44).length"
    )
    assert short == 0
