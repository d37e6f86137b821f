"""`castlab check` says what is wrong, changes nothing, and ends with an exit code that scripts can use."""

from __future__ import annotations

import asyncio
import shutil
import sqlite3

import pytest
from typer.testing import CliRunner

from castlab import Batch, Logbook, Trial, cli, health


def finding(where, what: str) -> health.Finding:
    return next(f for f in health.check(where) if f.what == what)


@pytest.fixture
def quick(monkeypatch):
    """Without starting a kernel."""
    monkeypatch.setattr(health, "_kernel", lambda: health.Finding("notebook kernel", "ok", "not asked"))


@pytest.fixture
def shop(tmp_path):
    with Logbook.open(tmp_path / "shop.db", who="tester") as book:
        book.add(Batch(resin_c=24))
        book.add(Trial(batch_id="B-001"))
        book.correct(book.add(Trial(batch_id="B-001")).id, why="logged twice", withdrawn=True)
    return tmp_path / "shop.db"


def test_a_healthy_workspace_is_all_ok_and_the_kernel_is_really_started(shop):
    done = CliRunner().invoke(cli.app, ["check", str(shop.parent)])
    assert done.exit_code == 0, done.output
    assert [line.split()[0] for line in done.output.splitlines()] == ["ok"] * 6
    assert "notebook kernel: starts and loads castlab" in done.output
    assert "1 castings, sound" in done.output


def test_the_kernel_is_asked_from_within_a_notebook_too(shop):
    async def within_a_running_loop():
        return finding(shop, "notebook kernel")

    assert asyncio.run(within_a_running_loop()).state == "ok"


def test_a_kernel_that_cannot_start_is_a_fault_in_words(monkeypatch, shop):
    monkeypatch.setattr("castlab.kernel.sys.executable", "/nowhere/python")
    found = finding(shop, "notebook kernel")
    assert found.state == "fault"
    assert "/nowhere/python" in found.said


@pytest.mark.usefixtures("quick")
def test_a_damaged_logbook_is_a_fault_and_is_left_alone(shop):
    Logbook.open(shop).close()
    content = bytearray(shop.read_bytes())
    content[4096:] = b"\xa5" * (len(content) - 4096)
    shop.write_bytes(content)
    done = CliRunner().invoke(cli.app, ["check", str(shop)])
    assert done.exit_code == 1
    assert "fault logbook" in done.output
    assert "restore the last export" in done.output
    assert shop.read_bytes() == content


@pytest.mark.usefixtures("quick")
def test_something_that_is_no_logbook_is_a_fault(tmp_path):
    (tmp_path / "notes.db").write_text("no logbook")
    assert finding(tmp_path / "notes.db", "logbook").state == "fault"
    assert "castlab new" in finding(tmp_path / "nothing.db", "logbook").said
    (tmp_path / "empty.db").touch()
    assert (
        "is an empty file, not a logbook: check the path, or restore the last export"
        in finding(tmp_path / "empty.db", "logbook").said
    )


@pytest.mark.usefixtures("quick")
def test_a_logbook_of_an_older_or_newer_castlab_is_told_apart_and_not_migrated(shop):
    for version, state, word in (("0000", "look", "brought up to date"), ("9999", "fault", "newer castlab")):
        with sqlite3.connect(shop) as connection:
            connection.execute("UPDATE alembic_version SET version_num = ?", [version])
        found = finding(shop, "logbook")
        assert (found.state, word in found.said) == (state, True)
        with sqlite3.connect(shop) as connection:
            assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == (version,)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize(("free_mb", "state"), [(10, "fault"), (500, "look"), (50_000, "ok")])
def test_a_disk_that_fills_up_is_told_before_entries_are_refused(shop, monkeypatch, free_mb, state):
    usage = shutil.disk_usage(shop.parent)
    monkeypatch.setattr(health.shutil, "disk_usage", lambda _folder: usage._replace(free=free_mb * 1_000_000))
    assert finding(shop, "disk").state == state


@pytest.mark.usefixtures("quick")
def test_a_library_that_is_missing_is_named(monkeypatch):
    monkeypatch.setattr("importlib.metadata.requires", lambda _name: ["castlab-has-no-such-library>=1", "pandas>=99"])
    found = finding(None, "libraries")
    assert found.state == "fault"
    assert "castlab-has-no-such-library is missing" in found.said
    assert "pandas is" in found.said
