"""A workspace holds the notebooks and a logbook, and what a maker has in it is never overwritten."""

from __future__ import annotations

import json

import pytest

from castlab import Batch, Logbook, workspace
from castlab.errors import InputError, NotFoundError


def test_a_new_workspace_has_every_notebook_the_sheet_and_an_empty_logbook(tmp_path):
    made = workspace.make(tmp_path / "shop")
    assert made.kept == ()
    names = {p.name for p in made.folder.iterdir()}
    assert names == {p.name for p in workspace.shipped_files()} | {"shop.db"}
    assert workspace.HOME in names
    assert "demo_sheet.csv" in names
    with Logbook.open(made.logbook) as book:
        assert len(book.frame()) == 0


def test_a_demo_workspace_has_the_demo_castings(tmp_path):
    made = workspace.make(tmp_path / "demo", demo=True)
    with Logbook.open(made.logbook) as book:
        assert len(book.frame()) == 64
    assert not list(made.folder.glob(".*"))


def test_making_it_again_says_that_the_logbook_was_kept_and_changes_nothing(tmp_path):
    made = workspace.make(tmp_path / "shop")
    with Logbook.open(made.logbook) as book:
        book.add(Batch(resin_c=24))
    again = workspace.make(tmp_path / "shop", demo=True)
    assert len(again.kept) == 1
    assert "shop.db was there already: left as it is" in again.kept[0]
    with Logbook.open(made.logbook) as book:
        assert [b.id for b in book.records("batch")] == ["B-001"]


def test_a_changed_notebook_is_kept_and_named(tmp_path):
    made = workspace.make(tmp_path / "shop")
    notebook = json.loads(made.home.read_text(encoding="utf-8"))
    notebook["cells"][0]["source"] = "# My own page"
    made.home.write_text(json.dumps(notebook), encoding="utf-8")
    again = workspace.make(tmp_path / "shop")
    assert json.loads(made.home.read_text(encoding="utf-8"))["cells"][0]["source"] == "# My own page"
    assert [note for note in again.kept if workspace.HOME in note and "left as it is" in note]


def test_a_notebook_that_was_only_run_does_not_count_as_changed(tmp_path):
    made = workspace.make(tmp_path / "shop")
    notebook = json.loads(made.home.read_text(encoding="utf-8"))
    code = next(cell for cell in notebook["cells"] if cell["cell_type"] == "code")
    code["execution_count"] = 1
    made.home.write_text(json.dumps(notebook), encoding="utf-8")
    assert not [note for note in workspace.make(tmp_path / "shop").kept if workspace.HOME in note]


def test_a_notebook_that_went_missing_comes_back(tmp_path):
    made = workspace.make(tmp_path / "shop")
    made.home.unlink()
    workspace.make(tmp_path / "shop")
    assert made.home.exists()


def test_a_file_in_its_place_is_refused(tmp_path):
    (tmp_path / "shop").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="is a file; accepted: a folder"):
        workspace.make(tmp_path / "shop")
    assert (tmp_path / "shop").read_text(encoding="utf-8") == "mine"


def test_a_restore_that_was_interrupted_leaves_nothing_in_the_way(tmp_path):
    folder = tmp_path / "demo"
    folder.mkdir()
    (folder / ".shop.db.new").write_bytes(b"half")
    made = workspace.make(folder, demo=True)
    with Logbook.open(made.logbook) as book:
        assert len(book.frame()) == 64


def test_a_folder_without_the_home_notebook_is_no_workspace(tmp_path):
    with pytest.raises(NotFoundError, match="is not a workspace"):
        workspace.find(tmp_path)
    made = workspace.make(tmp_path / "shop")
    assert workspace.find(made.folder).home == made.home
