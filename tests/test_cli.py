"""The command line: what it makes, one line for every error, exit codes 0, 1 and 2."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image
from typer.testing import CliRunner

import castlab
from castlab import Batch, Logbook, Trial, cli, workspace

SHEET = "Cup;Mold;Resin temp (F);Pour;Bubbles\n1;A;72;ladle;9\n1;B;72;stream;many\n2;A;75;ladle;4\n"


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return lambda *arguments, **options: CliRunner().invoke(cli.app, [str(a) for a in arguments], **options)


@pytest.fixture
def shop(tmp_path):
    return workspace.make(tmp_path / "shop").logbook


@pytest.fixture(scope="session")
def demo_book(tmp_path_factory):
    return workspace.make(tmp_path_factory.mktemp("demo") / "w", demo=True).logbook


def assert_one_line_error(result, *words, code=1):
    assert result.exit_code == code, result.output
    assert result.stderr.count("\n") == 1
    assert result.stderr.startswith("castlab: ")
    assert "Traceback" not in result.output
    for word in words:
        assert word in result.stderr


def test_the_version_is_said(run):
    result = run("--version")
    assert (result.exit_code, result.stdout) == (0, f"castlab {castlab.__version__}\n")


def test_help_names_every_command(run):
    result = run("--help")
    assert result.exit_code == 0
    for name in ("demo", "new", "import", "export", "restore", "report", "lab"):
        assert f"\n  {name} " in result.stdout
    assert "..." not in result.stdout.replace("[ARGS]...", "")


@pytest.mark.parametrize("arguments", [["nope"], ["export"], ["lab", "--port", "0"], ["report", "--logbook", "x.db"]])
def test_wrong_usage_exits_with_2(run, arguments):
    result = run(*arguments)
    assert result.exit_code == 2
    assert "Error: " in result.stderr


def test_new_makes_a_workspace_and_says_how_to_go_on(run, tmp_path):
    result = run("new", "my shop")
    assert result.exit_code == 0
    assert "castlab lab 'my shop'" in result.stdout
    assert (tmp_path / "my shop" / workspace.HOME).exists()
    again = run("new", "my shop")
    assert again.exit_code == 0
    assert "left as it is" in again.stderr


def test_export_and_restore_bring_everything_back(run, demo_book, tmp_path):
    assert run("export", "--logbook", demo_book, "--out", "copy").exit_code == 0
    result = run("restore", "copy", "--to", "new.db")
    assert (result.exit_code, result.stdout) == (0, "Restored 64 castings to new.db\n")
    with Logbook.open(demo_book) as old, Logbook.open(tmp_path / "new.db") as new:
        pd.testing.assert_frame_equal(old.frame(), new.frame())


def test_an_export_without_a_lost_photo_succeeds_and_says_so_in_one_line(run, shop, tmp_path):
    Image.new("RGB", (8, 8)).save(tmp_path / "front.png")
    with Logbook.open(shop) as book:
        book.add(Batch())
        book.add(Trial(batch_id="B-001"))
        book.photo_path(str(book.add_photo("T-001.1", tmp_path / "front.png").id)).unlink()
    for done in (run("export", "--logbook", shop, "--out", "copy"), run("restore", "copy", "--to", "new.db")):
        assert done.exit_code == 0
        (note,) = done.stderr.splitlines()
        assert note.startswith("Note: ")
        assert "P-001.1.1 (front.png): missing" in note


def test_a_mistyped_logbook_is_one_line_and_makes_no_file(run, tmp_path):
    assert_one_line_error(run("export", "--logbook", "shpo.db", "--out", "copy"), "there is no logbook 'shpo.db'")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "command", [["report"], ["report", "--every-product"], ["compare", "--group", "pour_method"], ["export"]]
)
def test_an_empty_file_is_no_logbook_to_read_and_stays_empty(run, tmp_path, command):
    (tmp_path / "empty.db").touch()
    result = run(*command, "--logbook", "empty.db", "--out", "out")
    assert_one_line_error(result, "empty.db' is an empty file, not a logbook")
    assert [(path.name, path.stat().st_size) for path in tmp_path.iterdir()] == [("empty.db", 0)]


def test_a_kind_that_does_not_exist_is_named_before_anything_else_is_found_wrong(run, shop):
    result = run("report", "--logbook", shop, "--kind", "wrong", "--out", "out")
    assert_one_line_error(result, "kind is 'wrong'; accepted: count, measure, grade, pass")


def test_the_help_names_no_types_of_python(run):
    said = run("lab", "--help").stdout
    assert "list[" not in said
    assert "folder" in said.lower()


def test_a_table_without_rows_and_a_logbook_without_castings_say_what_is_needed(run, shop, tmp_path):
    (tmp_path / "head.csv").write_text("batch,bubbles,pour\n", encoding="utf-8")
    assert_one_line_error(run("report", "--logbook", "head.csv", "--out", "out"), "has headings but no rows")
    assert_one_line_error(run("report", "--logbook", shop, "--out", "out"), "log the first in notebook 1")


def test_a_mistyped_column_is_answered_with_the_near_ones(run, demo_book):
    wrong = run("compare", "--logbook", demo_book, "--group", "pour", "--out", "out")
    assert_one_line_error(wrong, "no column 'pour'; did you mean poured_at or pour_method or pour_min?")
    assert "humidity" not in wrong.stderr


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("nowhere", "nowhere does not exist; accepted: a folder that `castlab export`"),
        ("sheet.csv", "sheet.csv is a file; accepted: a folder that `castlab export`"),
        ("bare", "bare is not an export: it has no readable manifest.json"),
        ("other", "other is not an export: its manifest.json is of something else"),
        ("list", "list is not an export: its manifest.json is of something else"),
    ],
)
def test_what_is_no_export_is_not_restored(run, tmp_path, what, said):
    (tmp_path / "sheet.csv").touch()
    for name, text in (("bare", ""), ("other", '{"name": "a page"}'), ("list", "[1]")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "manifest.json").write_text(text, encoding="utf-8")
    assert_one_line_error(run("restore", what, "--to", "new.db"), said)
    assert not (tmp_path / "new.db").exists()


def test_a_folder_that_cannot_be_made_is_named_with_what_is_accepted(run, demo_book):
    for command in (["report"], ["compare", "--group", "pour_method"]):
        long = run(*command, "--logbook", demo_book, "--out", "x" * 300)
        assert_one_line_error(
            long, "x cannot be made (", "accepted: a folder for the report in a place that you may write"
        )
    long = run("export", "--logbook", demo_book, "--out", "x" * 253)  # beside which no temporary one fits
    assert_one_line_error(
        long, "x cannot be made (", "give one in a place that you may write to; the logbook is unchanged"
    )
    assert_one_line_error(
        run("new", "x" * 300), "accepted: a folder for the workspace in a place that you may write to"
    )


def test_a_damaged_logbook_is_one_line(run, tmp_path):
    (tmp_path / "bad.db").write_bytes(b"not a database" * 100)
    assert_one_line_error(run("export", "--logbook", "bad.db", "--out", "copy"), "bad.db")


def test_restoring_over_a_logbook_is_refused(run, demo_book):
    run("export", "--logbook", demo_book, "--out", "copy")
    assert_one_line_error(run("restore", "copy", "--to", demo_book), "already holds records")


def test_an_error_of_the_operating_system_is_one_line(run, tmp_path):
    (tmp_path / "taken").write_text("x", encoding="utf-8")
    assert_one_line_error(run("new", "taken/shop"), "taken")


def test_lab_outside_a_workspace_is_one_line(run):
    assert_one_line_error(run("lab"), "is not a workspace")


@pytest.fixture
def launched(monkeypatch, tmp_path):
    """What JupyterLab was started with; it is not really started. This computer's own settings do not count."""
    from jupyterlab.labapp import LabApp

    called = []
    monkeypatch.setattr(LabApp, "launch_instance", called.append)
    monkeypatch.setenv("JUPYTER_CONFIG_DIR", str(tmp_path / "settings"))
    monkeypatch.setenv("JUPYTER_CONFIG_PATH", str(tmp_path / "more"))
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    return called


def test_lab_opens_jupyterlab_on_the_home_notebook_of_the_workspace(run, shop, launched):
    result = run("lab", shop.parent, "--no-browser", "--port", "8899")
    assert result.exit_code == 0
    (settings,) = launched
    assert settings == [
        f"--ServerApp.root_dir={shop.parent.resolve()}",
        f"--LabApp.default_url=/lab/tree/{workspace.HOME}",
        "--no-browser",
        "--port=8899",
    ]


def test_lab_neither_fetches_news_nor_asks_whether_it_may(run, shop, launched, tmp_path):
    from jupyterlab_server.config import get_page_config

    announcements = "@jupyterlab/apputils-extension:announcements"
    assert announcements not in get_page_config([])["disabledExtensions"]
    (tmp_path / "more" / "labconfig").mkdir(parents=True)
    settings = '{"disabledExtensions": {"one of the shop": true}}'
    (tmp_path / "more" / "labconfig" / "page_config.json").write_text(settings, encoding="utf-8")
    assert run("lab", shop.parent).exit_code == 0
    assert len(launched) == 1
    assert set(get_page_config([])["disabledExtensions"]) >= {announcements, "one of the shop"}


def test_lab_passes_jupyterlab_s_own_options_on(run, shop, launched, monkeypatch):
    assert run("lab", shop.parent, "--ip", "0.0.0.0", "--no-browser", "--ServerApp.quit_button=False").exit_code == 0
    monkeypatch.chdir(shop.parent)
    assert run("lab", "--debug").exit_code == 0
    assert launched[0][2:] == ["--no-browser", "--ip", "0.0.0.0", "--ServerApp.quit_button=False"]
    assert launched[1][2:] == ["--debug"]


def test_lab_as_root_is_refused_in_one_line_that_says_what_to_do(run, shop, launched, monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    result = run("lab", shop.parent)
    assert_one_line_error(result, "Start it as an ordinary user")
    assert "--allow-root" in result.stderr
    assert not launched


def test_lab_as_root_starts_when_jupyterlab_was_told_to_allow_it(run, shop, launched, monkeypatch, tmp_path):
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert run("lab", shop.parent, "--allow-root").exit_code == 0
    (tmp_path / "settings").mkdir()
    settings = '{"ServerApp": {"allow_root": true}}'
    (tmp_path / "settings" / "jupyter_server_config.json").write_text(settings, encoding="utf-8")
    assert run("lab", shop.parent).exit_code == 0
    assert len(launched) == 2


# --- import ----------------------------------------------------------------------------------------------------


def test_import_shows_the_meanings_asks_imports_and_lists_rejected_rows(run, shop, tmp_path):
    (tmp_path / "old.csv").write_text(SHEET, encoding="utf-8")
    result = run("import", "old.csv", "--logbook", shop, input="y\n")
    assert result.exit_code == 1, result.output
    assert "castlab: 1 of 3 rows not imported" in result.stderr
    assert "resin_c" in result.stdout
    assert "2 added" in result.stdout
    assert "row 3, Bubbles: 'many'" in result.stdout
    with Logbook.open(shop) as book:
        assert len(book.frame()) == 2
    again = run("import", "old.csv", "--logbook", shop, "--yes")
    assert "0 added, 2 already there" in again.stdout
    assert again.exit_code == 1
    (tmp_path / "old.csv").write_text(SHEET.replace("many", "9"), encoding="utf-8")
    mended = run("import", "old.csv", "--logbook", shop, "--yes")
    assert (mended.exit_code, mended.stderr) == (0, "")
    with Logbook.open(shop) as book:
        assert len(book.frame()) == 3


def test_import_answered_with_no_imports_nothing(run, shop, tmp_path):
    (tmp_path / "old.csv").write_text(SHEET, encoding="utf-8")
    result = run("import", "old.csv", "--logbook", shop, input="n\n")
    assert result.exit_code == 1
    assert "castlab: nothing was imported" in result.stderr
    with Logbook.open(shop) as book:
        assert len(book.frame()) == 0


def test_the_meanings_are_kept_beside_the_sheet_and_used_again(run, shop, tmp_path):
    (tmp_path / "old.csv").write_text(SHEET.replace("Resin temp (F)", "Vacuum cup (inHg)"), encoding="utf-8")
    unsettled = run("import", "old.csv", "--logbook", shop, "--yes")
    assert unsettled.exit_code == 1
    assert "gauge or absolute?" in unsettled.stdout
    assert "must be settled first" in unsettled.stderr
    from castlab.records.sheets import Mapping

    kept = tmp_path / "old.csv.mapping.json"
    settled = Mapping.load(kept).change("Vacuum cup (inHg)", unit="torr abs")
    settled.save(kept)
    assert "2 added" in run("import", "old.csv", "--logbook", shop, "--yes").stdout
    assert Mapping.load(kept) == settled
    other = settled.leave_out("Bubbles").save(tmp_path / "other.json")
    (tmp_path / "next.csv").write_bytes((tmp_path / "old.csv").read_bytes())
    result = run("import", "next.csv", "--logbook", shop, "--mapping", other, "--yes")
    assert "3 added" in result.stdout
    assert not (tmp_path / "next.csv.mapping.json").exists()


def test_a_sheet_that_is_not_there_is_one_line(run, shop):
    assert_one_line_error(run("import", "none.csv", "--logbook", shop), "none.csv")


# --- report and demo -------------------------------------------------------------------------------------------


def test_report_of_an_unknown_product_is_one_line_and_writes_nothing(run, demo_book, tmp_path):
    result = run("report", "--logbook", demo_book, "--product", "teapot", "--out", "report")
    assert_one_line_error(result, "teapot")
    assert not (tmp_path / "report").exists()


def test_demo_as_its_own_process_ends_with_a_page_that_says_where_it_is(tmp_path):
    root = str(Path(castlab.__file__).parent.parent)
    done = subprocess.run(
        [sys.executable, "-m", "castlab.cli", "demo", "garden"],
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": root}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    page = tmp_path / "garden" / "report" / "report.html"
    assert str(page.relative_to(tmp_path)) in done.stdout
    assert "castlab lab garden" in done.stdout
    assert "invented" in done.stdout
    assert "<html" in page.read_text(encoding="utf-8")[:500]


def test_starting_the_command_loads_no_heavy_library():
    code = "import sys, castlab.cli; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert {"pandas", "sqlalchemy", "pydantic", "matplotlib", "papermill", "jupyterlab"} & set(loaded) == set()


def test_the_height_that_gauge_readings_need_can_be_given_where_the_sheet_is_imported(run, shop, tmp_path):
    text = SHEET.replace("Resin temp (F)", "Vacuum cup (bar gauge)").replace("72", "-0.9").replace("75", "-0.9")
    text = text.replace("many", "9")
    (tmp_path / "old.csv").write_text(text, encoding="utf-8")
    without = run("import", "old.csv", "--logbook", shop, "--yes")
    assert without.exit_code == 1
    assert "altitude" in without.stdout
    result = run("import", "old.csv", "--logbook", shop, "--yes", "--altitude-m", "300")
    assert result.exit_code == 0, result.output
    with Logbook.open(shop) as book:
        assert book.setting("altitude_m") == "300.0"
        assert book.frame()["cup_degas_kpa"].dropna().round(2).unique().tolist() == [7.77]
