"""The shipped notebooks: their make-up, what they show (nbval), and that other parameters and second runs do no harm."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import nbformat
import outputs
import pandas as pd
import papermill
import pytest

from castlab import Logbook, workspace

SECOND = {
    "00_start_here": {"product": "path marker"},
    "01_log_a_trial": {"who": "Wim", "product": "path marker", "altitude_m": 155},
    "02_score_a_trial": {"who": "Wim", "trial_id": "T-017.1", "blind": False},
    "03_compare_runs": {"response": "passed", "group": "insert_prep", "others": ["pour_method", "resin_c"]},
    "04_which_factors_matter": {
        "response": "clarity_grade",
        "factors": ["resin_c", "cup_degas_min", "insert_prep"],
        "question": {"insert_prep": ["none", "dried"]},
    },
    "05_import_a_sheet": {"who": "Wim", "sheet": "next.xlsx", "altitude_m": 160},
    "06_report": {"product": "path marker", "response": "haze_pct"},
    "07_plan_a_mix": {
        "molds": {"Marker": "M-04", "Block A": "M-01", "Block B": "M-02", "Block C": "M-03"},
        "who": "Wim",
    },
    "08_plan_the_vacuum": {"gauge": "mbar", "altitude_m": 900, "aim_kpa": 5.0, "base_kpa": 0.4, "depth_mm": 25},
    "09_plan_the_cure": {"pot_life_min": 120, "cure_h": 30, "peak_c": None, "depth_mm": 10, "deep_mm": 20},
    "10_make_a_mold": {"walls_mm": [9], "wall_mm": 12, "thread": "M5"},
    "11_what_it_costs": {"product": "path marker", "mold_lives": [20, 24], "molds": 1},
    "12_watch_production": {
        "response": "shore_d",
        "baseline": 12,
        "measure": "shore_d",
        "limits": [72, None],
        "retired": ["Block A", "Block B"],
    },
    "13_settle_the_recipe": {
        "factors": ["cup_degas_min", "insert_prep", "mold_degas_min"],
        "wishes": {"passed": ["more", None], "haze_pct": ["fewer", 3]},
        "limits": {},
        "group": "pour_method",
        "compared": "bubbles",
        "margin": 1.5,
    },
    "14_choose_the_next_castings": {
        "who": "Wim",
        "entry": "haze",
        "response": "haze_pct",
        "kind": "measure",
        "effect": 1,
        "effects": [0.5, 1, 2],
        "base": None,
        "spread": 1.2,
        "dispersion": None,
        "batch_spread": 0.6,
        "castings": 18,
    },
    "15_can_we_trust_our_scores": {
        "grade": "surface_grade",
        "castings": 12,
        "seed": 8,
        "plan": "second.json",
        "printed": "62fd3d",
        "day": "2026-09-01",
    },
    "16_report_two_recipes": {
        "group": "insert_prep",
        "levels": None,
        "responses": ["haze_pct", "passed"],
        "since": "2026-03-01",
    },
}
"""Notebook -> a second set of parameters, to be told from the ones it carries."""

LOGS = {
    "05_import_a_sheet", "14_choose_the_next_castings", "15_can_we_trust_our_scores",
}  # fmt: skip
"""The notebooks that write to the logbook."""

every_notebook = pytest.mark.parametrize("path", outputs.NOTEBOOKS, ids=lambda path: path.stem)


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    return workspace.make(tmp_path_factory.mktemp("demo") / "workspace", demo=True).folder


@pytest.fixture
def place(demo, tmp_path):
    return Path(shutil.copytree(demo, tmp_path / "workspace"))


def run(place: Path, name: str, parameters: dict | None = None) -> nbformat.NotebookNode:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", outputs.environment()["PYTHONPATH"])
        return papermill.execute_notebook(
            str(place / f"{name}.ipynb"), str(place / "done.ipynb"), parameters=parameters or {}, cwd=str(place),
            kernel_name="python3", progress_bar=False,
        )  # fmt: skip


def contents(place: Path) -> dict[str, list[dict]]:
    with Logbook.open(place / workspace.LOGBOOK) as book:
        return {
            kind: [record.model_dump() for record in book.records(kind, withdrawn=True)]
            for kind in ("plan", "batch", "trial", "score", "mold", "material")
        }


def errors_in(notebook: nbformat.NotebookNode) -> list[str]:
    return [o.evalue for c in outputs.code_cells(notebook) for o in c.outputs if o.output_type == "error"]


# --- make-up ---------------------------------------------------------------------------------------------------


def test_there_is_a_notebook_for_each_step_of_the_job():
    assert [path.name[:2] for path in outputs.NOTEBOOKS] == [f"{n:02d}" for n in range(len(outputs.NOTEBOOKS))]
    assert len(outputs.NOTEBOOKS) >= 12


@every_notebook
def test_a_notebook_has_a_title_two_lines_of_purpose_and_one_cell_of_parameters(path):
    notebook = nbformat.read(path, as_version=4)
    first = notebook.cells[0]
    assert first.cell_type == "markdown"
    title, _, purpose = first.source.partition("\n\n")
    assert re.fullmatch(r"# \S.{3,60}", title)
    assert 1 <= len(purpose.splitlines()) <= 3
    tagged = [cell for cell in outputs.code_cells(notebook) if "parameters" in cell.metadata.get("tags", [])]
    assert len(tagged) == 1
    assert tagged[0] is outputs.code_cells(notebook)[0]
    assert 'logbook = "shop.db"' in tagged[0].source


@every_notebook
def test_the_kernel_is_named_so_that_any_installation_has_it(path):
    notebook = nbformat.read(path, as_version=4)
    assert notebook.metadata["kernelspec"]["name"] == "python3"
    nbformat.validate(notebook)


@every_notebook
def test_every_link_leads_to_a_file_of_the_workspace(path, demo):
    text = "\n".join(c.source for c in nbformat.read(path, as_version=4).cells if c.cell_type == "markdown")
    targets = re.findall(r"\]\(([^)#\s]+)[^)]*\)", text)
    assert targets
    assert [target for target in targets if not (demo / target).is_file()] == []


@every_notebook
def test_no_code_cell_is_wider_than_a_screen_or_holds_logic(path):
    for cell in outputs.code_cells(nbformat.read(path, as_version=4)):
        assert max(map(len, cell.source.splitlines())) <= 100
        assert not re.search(r"^\s*(def|class|while|try|with|if|for)\b", cell.source, flags=re.MULTILINE)


def test_notebooks_where_hands_get_dirty_show_the_cautions():
    for path in outputs.NOTEBOOKS:
        if path.stem == "05_import_a_sheet":
            continue
        code = "\n".join(c.source for c in outputs.code_cells(nbformat.read(path, as_version=4)))
        assert "cautions.show(" in code or "take_care()" in code, path.name


# --- outputs ---------------------------------------------------------------------------------------------------


@every_notebook
def test_a_notebook_shows_what_is_expected_of_it_on_the_demo_and_a_second_run_writes_nothing(path, place):
    copy = place / path.name
    outputs.merge(copy, outputs.read(path.stem))
    before = contents(place)
    done = outputs.nbval(copy)
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    cells = len(outputs.code_cells(nbformat.read(path, as_version=4)))
    assert re.search(rf"\b{cells} passed", done.stdout), done.stdout[-500:]
    after = contents(place)
    assert (after != before) == (path.stem in LOGS)
    if path.stem in LOGS:
        run(place, path.stem)
        assert contents(place) == after


def test_the_comparison_fails_when_a_shown_value_differs(place):
    expected = outputs.read("00_start_here")
    text = json.dumps(expected)
    assert "T-018.3" in text
    copy = place / "00_start_here.ipynb"
    outputs.merge(copy, json.loads(text.replace("T-018.3", "T-018.9")))
    done = outputs.nbval(copy)
    assert done.returncode == 1
    assert "Cell outputs differ" in done.stdout
    assert "T-018.9" in done.stdout


def test_the_comparison_fails_when_an_output_is_missing(place):
    expected = outputs.read("00_start_here")
    filled = next(n for n, cell in enumerate(expected) if cell)
    copy = place / "00_start_here.ipynb"
    outputs.merge(copy, [[] if n == filled else cell for n, cell in enumerate(expected)])
    done = outputs.nbval(copy)
    assert done.returncode == 1
    assert "Unexpected output fields" in done.stdout


def test_expected_outputs_are_small_and_hold_neither_pictures_nor_machine_paths():
    for path in outputs.EXPECTED.glob("*.json"):
        text = path.read_text(encoding="utf-8")
        assert len(text) < 60_000, path.name
        assert "image/" not in text
        assert not re.search(r"base64|(?<![\w.~])/(tmp|home|root|work)/", text), path.name
    assert {p.stem for p in outputs.EXPECTED.glob("*.json")} == {p.stem for p in outputs.NOTEBOOKS}


# --- other parameters --------------------------------------------------------------------------------


@every_notebook
def test_a_notebook_runs_with_other_parameters(path, place):
    if path.stem == "05_import_a_sheet":
        pd.read_csv(place / "demo_sheet.csv", sep=";", dtype=str).to_excel(place / "next.xlsx", index=False)
    assert errors_in(run(place, path.stem, SECOND[path.stem])) == []


def test_without_a_person_the_forms_stay_empty_and_nothing_is_logged(place):
    before = contents(place)
    done = run(place, "01_log_a_trial")
    shown = [
        o.data["text/plain"] for c in outputs.code_cells(done) for o in c.outputs if outputs.WIDGET in o.get("data", {})
    ]
    assert len(shown) == 6
    assert all(line.startswith("Form: ") for line in shown)
    assert contents(place) == before
    assert not list(place.glob("*.drafts"))


def test_the_run_sheet_is_written_and_waits_in_the_form_for_what_was_really_done(place):
    """What its boxes hold goes back by `RunSheet.log` too (tests/bench/test_sheet.py)."""
    before = contents(place)
    shown = json.dumps(run(place, "07_plan_a_mix"))
    assert (place / "run_sheet.html").is_file()
    assert "As planned in Run sheet: pod block, 2026-08-10" in shown
    assert contents(place) == before


PLANS = {
    "bends, every casting from a cup of its own": {
        "goal": "curve",
        "response": "haze_pct",
        "factors": {"resin_c": [22, 30], "rest_min": [0, 5, 10]},
        "per_batch": [],
        "castings": 14,
        "batch_size": None,
        "molds": {},
        "kind": "measure",
        "effect": 1.5,
        "effects": [1, 2],
        "base": None,
        "spread": 1.2,
        "dispersion": None,
        "batch_spread": None,
    },
    "many settings, molds in turn": {
        "goal": "screen",
        "response": "passed",
        "factors": {"cup_degas_min": [0, 5], "pour_method": ["stream", "ladle"], "insert_prep": ["none", "dried"]},
        "per_batch": [],
        "castings": 8,
        "batch_size": None,
        "molds": {"Block A": "M-01", "Block B": "M-02"},
        "kind": "pass",
        "effect": 4.0,
        "effects": [4.0],
        "base": 0.5,
        "dispersion": None,
        "batch_spread": None,
    },
    "grades, no molds": {
        "response": "surface_grade",
        "factors": {"resin_c": [22, 28], "mold_vacuum": [False, True], "pour_method": ["stream", "ladle"]},
        "per_batch": ["resin_c"],
        "castings": None,
        "batch_size": 2,
        "molds": {},
        "kind": "grade",
        "effect": 4.0,
        "effects": [4.0],
        "base": [0.1, 0.2, 0.3, 0.4],
        "dispersion": None,
    },
}
"""A name of the plan -> parameters: each goal and kind of response, with and without batches and molds, is run somewhere here."""


@pytest.mark.parametrize("name", PLANS)
def test_the_next_castings_are_chosen_for_every_goal_and_response_with_and_without_batches_and_molds(name, place):
    assert errors_in(run(place, "14_choose_the_next_castings", {"entry": name, **PLANS[name]})) == []
    assert [plan["name"] for plan in contents(place)["plan"]].count(name) == 1
    assert (place / "run_sheets.html").is_file()


def test_a_plan_that_cannot_be_cast_is_refused_before_it_is_written_down(place):
    """Rest is set for the cup, so a plan that changes it from casting to casting has no run sheets."""
    before = contents(place)
    with pytest.raises(papermill.PapermillExecutionError, match=r"plan it with per_batch=\['rest_min'\]"):
        run(place, "14_choose_the_next_castings", {"entry": "rest", "per_batch": ["resin_c"]})
    assert contents(place) == before
    assert not (place / "run_sheets.html").exists()
    assert errors_in(run(place, "14_choose_the_next_castings", {"entry": "rest"})) == []
    assert [plan["name"] for plan in contents(place)["plan"]].count("rest") == 1
