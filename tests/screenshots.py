"""Pictures of every notebook, form and report, to look at: `python tests/screenshots.py OUT [name ...]`.

Notebooks are run in JupyterLab on the demo, where three castings more are in their molds. NAME is a notebook (01_log_a_trial)
or "report"; without any, all. OUT gets <notebook>.png, <notebook>_form<n>.png, and report_<width>.png.
"""

from __future__ import annotations

import sys
import tempfile
import time
import urllib.request
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from browser.conftest import Lab  # noqa: E402

from castlab import Batch, Logbook, Trial, reports, shipped, workspace  # noqa: E402

WIDTHS = (1280, 390)
CHROMIUM = "/usr/bin/chromium"
PATIENCE_S = 240
WIDE = 1180
TALLEST_PX = 14_000
BOTTOM = """() => { const all = [...document.querySelectorAll('.jp-Notebook .jp-Cell')], first = all[0], last = all[all.length - 1];
    return last.getBoundingClientRect().bottom - first.getBoundingClientRect().top; }"""
"""Height of all cells, px."""


def main(out: Path, names: list[str]) -> None:
    """Take the pictures."""
    from playwright.sync_api import sync_playwright

    out.mkdir(parents=True, exist_ok=True)
    known = [path.stem for path in sorted(shipped.path("notebooks").glob("*.ipynb"))]
    chosen = [name for name in known if not names or name in names]
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        if chosen:
            place = workspace.make(Path(folder) / "workspace", demo=True)
            _pour(place)
            lab = Lab(place.folder, Path(folder) / "settings")
            try:
                for name in chosen:
                    print(name, "in", _notebook(browser, lab, name, out), flush=True)
            finally:
                lab.stop()
        if not names or "report" in names:
            _report(browser, Path(folder), out)
        browser.close()


def _pour(place: workspace.Workspace) -> None:
    """A cup of today and yesterday, so that the home notebook has something to say."""
    now = datetime.now().replace(minute=20, second=0, microsecond=0)
    with Logbook.open(place.logbook, who="Noor") as book:
        for begin, molds in ((now - timedelta(hours=26), ["M-04"]), (now - timedelta(hours=3), ["M-01", "M-02"])):
            cup = book.add(Batch(mixed_at=begin, resin_id="R-01", resin_lot="L-2317", resin_c=25, cup_degas_min=5))
            for number, mold in enumerate(molds):
                product = "path marker" if mold == "M-04" else "pod block"
                at = begin + timedelta(minutes=15 + 5 * number)
                book.add(Trial(batch_id=cup.id, mold_id=mold, product=product, poured_at=at, pour_method="ladle"))


def _notebook(browser: Any, lab: Lab, name: str, out: Path) -> str:
    """Open it, run all of it, and take it as a whole; and each of its forms."""
    page = browser.new_page(viewport={"width": WIDE, "height": 1400})
    begun = time.monotonic()
    page.goto(f"{lab.url}/doc/tree/{name}.ipynb?token={lab.token}")
    page.get_by_text("| Idle").wait_for(timeout=60_000)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    page.wait_for_timeout(1_000)
    page.get_by_text("| Idle").wait_for(timeout=1_000 * PATIENCE_S)
    took = f"{time.monotonic() - begun:.0f} s"
    page.wait_for_timeout(1_500)
    page.keyboard.press("Escape")
    bar = page.locator(".jp-WindowedPanel-outer").bounding_box()["y"]
    for _ in range(3):  # what was out of sight is drawn, and grows, only now
        tall = min(TALLEST_PX, int(bar + page.evaluate(BOTTOM)) + 24)
        page.set_viewport_size({"width": WIDE, "height": tall})
        page.evaluate("document.querySelector('.jp-WindowedPanel-outer').scrollTop = 0")
        page.wait_for_timeout(1_200)
    page.screenshot(path=out / f"{name}.png", clip={"x": 0, "y": bar, "width": WIDE, "height": tall - bar})
    for number, form in enumerate(page.locator(".castlab-form").all(), start=1):
        form.screenshot(path=out / f"{name}_form{number}.png")
    page.close()
    _stop_kernels(lab)
    return took


def _stop_kernels(lab: Lab) -> None:
    import json

    with urllib.request.urlopen(f"{lab.url}/api/sessions?token={lab.token}") as answer:
        sessions = json.load(answer)
    for session in sessions:
        address = f"{lab.url}/api/sessions/{session['id']}?token={lab.token}"
        urllib.request.urlopen(urllib.request.Request(address, method="DELETE")).close()


def _report(browser: Any, folder: Path, out: Path) -> None:
    place = workspace.make(folder / "report", demo=True)
    made = {
        "report": reports.report(place.logbook, "pod block", folder / "out").page,
        "recipes": reports.report_recipes(place.logbook, "pour_method", folder / "two", product="pod block").page,
    }
    for name, file in made.items():
        for width in WIDTHS:
            page = browser.new_page(viewport={"width": width, "height": 900})
            page.goto(file.as_uri())
            page.screenshot(path=out / f"{name}_{width}.png", full_page=True)
            page.close()


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    main(Path(sys.argv[1]), sys.argv[2:])
