"""The run sheet: one page by the clock, what the gauge shows here, and the way back to the logbook box by box."""

from __future__ import annotations

import re
import subprocess

import pytest

from castlab import Material, Mold
from castlab.bench import plan_mix, run_sheet
from castlab.errors import InputError

MOLDS = {"block 1": "M-01", "block 2": "M-02"}


def sheet(**changes):
    plan = plan_mix(changes.pop("volume_ml", 120), "slow clear epoxy", molds=2)
    given = {"product": "pod block", "start": "2026-03-14 09:30", "altitude_m": 300.0, "pour_method": "stream"}
    return run_sheet(plan, "slow clear epoxy", changes.pop("molds", MOLDS), **(given | changes))


def test_the_steps_follow_the_clock_and_the_pot_life():
    steps = sheet(cure_h=24).steps.set_index("step")
    assert steps.loc["Stir", "clock"] == "09:30"
    assert steps.loc["Degas the cup", "clock"] == "09:34"
    assert steps.loc["Pour", "clock"] == "09:39"
    assert steps.loc["Demold", "clock"] == "15 Mar 09:39"
    assert "last mold by" in steps.loc["Pour", "target"]


def test_the_gauge_reading_is_the_one_of_this_altitude():
    # 97.773 kPa at 300 m (US Standard Atmosphere 1976) less 3 kPa; 1 inHg = 3.386389 kPa (NIST SP 811).
    target = sheet().steps.set_index("step").loc["Degas the cup", "target"]
    assert "-94.8 kPa" in target
    assert "28.0 inHg of vacuum at 300 m" in target


def test_cautions_stand_at_the_step_where_they_belong():
    steps = sheet(hold_kpa=400, post_cure_c=60, post_cure_h=4).steps.set_index("step")["caution"]
    assert "sensitisers" in steps["Weigh"]
    assert "crazing" in steps["Degas the cup"]
    assert "relief valve" in steps["Hold under pressure until past gel"]
    assert "food" in steps["Post-cure"]
    assert "safety data sheet" in sheet().cautions[-1]


def test_what_was_written_in_the_boxes_goes_back_to_the_logbook_field_by_field(book):
    book.add(Material(name="clear", family="slow clear epoxy", target_phr=30))
    for name in MOLDS:
        book.add(Mold(name=name))
    material = book.get("R-01")
    plan = plan_mix(120, material, molds=2)
    made = run_sheet(
        plan, material, MOLDS, product="pod block", start="2026-03-14 09:30", altitude_m=300, pour_method="stream"
    )
    box = {(b.record, b.field): b.box for b in made.boxes.itertuples()}
    done = {
        box["batch", "resin_g"]: "ok",
        box["batch", "hardener_g"]: "65,5",
        box["batch", "resin_c"]: "72 F",
        box["batch", "cup_degas_kpa"]: "-0.94 bar gauge",
        box["batch", "room_c"]: "",
        box["block 1", "pour_method"]: "as planned",
        box["block 2", "pour_method"]: "Ladle",
    }
    cup, first, second = made.log(book, done, origin="sheet-1")
    assert cup.resin_g == plan.weigh["g_per_cup"][0]
    assert cup.hardener_g == 65.5
    assert cup.resin_c == pytest.approx(22.22, abs=0.01)
    assert cup.cup_degas_kpa == pytest.approx(97.773 - 94, abs=0.001)
    assert (cup.room_c, cup.stir_min) == (None, None)  # the plan is not taken for what was done
    assert (cup.resin_id, cup.target_phr) == ("R-01", 30)
    assert (first.pour_method, second.pour_method) == ("stream", "ladle")
    assert [first.mold_id, second.mold_id] == ["M-01", "M-02"]
    again = made.log(book, done, origin="sheet-1")
    assert [r.id for r in again] == [cup.id, first.id, second.id]
    assert len(book.frame()) == 2


@pytest.mark.parametrize(
    ("done", "says"),
    [
        ({"Z9": 1}, "no box Z9"),
        ({"A2": "ok"}, "nothing was planned there"),
        ({"A6": "warm"}, "resin_c"),
        ({"A11": "-1.2 bar gauge"}, "box A11"),
    ],
)
def test_a_box_that_cannot_be_read_is_named_and_nothing_is_written(book, done, says):
    with pytest.raises(InputError, match=says):
        sheet().log(book, done, origin="x")
    assert book.records("batch") == []


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"start": "tomorrow"}, "start is 'tomorrow'"),
        ({"molds": []}, "names no mold"),
        ({"degas_kpa": 99.0}, "degas_kpa"),
        ({"stir_min": 90.0, "degas_min": 60.0}, "the pot life"),
        ({"hold_kpa": 50.0}, "hold_kpa"),
        ({"volume_ml": [100, 200]}, "one case"),
    ],
)
def test_a_plan_that_cannot_be_run_says_what_is_wrong(changes, says):
    with pytest.raises(InputError, match=says):
        sheet(**changes)


def test_the_sheet_keeps_its_look_inside_a_notebook():
    # JupyterLab styles the cells of tables in outputs by two classes and one element; these rules must weigh more.
    style = re.search(r"<style>(.*?)</style>", sheet().html(), flags=re.DOTALL).group(1)
    rules = re.findall(r"([^{}]+)\{", style.replace("@page {", "@page{"))
    selectors = [one.strip() for rule in rules if "@page" not in rule for one in rule.split(",")]
    assert len(selectors) > 10
    assert [one for one in selectors if not one.startswith("main.run-sheet.page")] == []


@pytest.mark.chromium
def test_four_molds_with_every_step_print_on_one_page(chromium, tmp_path):
    names = [f"block {n}" for n in range(1, 5)]
    full = sheet(molds=names, hold_kpa=400, hold_min=600, post_cure_c=50, post_cure_h=8, insert_prep="dried")
    page = full.save(tmp_path / "sheet.html")
    pdf = tmp_path / "sheet.pdf"
    flags = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-sync",
    ]
    command = [
        chromium,
        *flags,
        f"--user-data-dir={tmp_path / 'profile'}",
        f"--print-to-pdf={pdf}",
        "--no-pdf-header-footer",
    ]
    subprocess.run([*command, page.as_uri()], check=True, capture_output=True, timeout=120)
    assert pdf.read_bytes().count(b"/Type /Page\n") == 1
