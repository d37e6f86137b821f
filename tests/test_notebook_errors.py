"""In a notebook a castlab error is one message and a failed cell; an entry that is run twice is saved once."""

from __future__ import annotations

import os
from pathlib import Path

import nbformat
import papermill
import pytest
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError
from papermill.exceptions import PapermillExecutionError

import castlab
from castlab import Batch, Logbook, Material, Score, Trial, notebook
from castlab.errors import ConflictError, InputError, NotFoundError

WRONG = "from castlab import Batch\nBatch(humidity_pct=130)"


@pytest.fixture(autouse=True)
def _kernels_find_castlab(monkeypatch):
    root = str(Path(castlab.__file__).parent.parent)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([root, os.environ.get("PYTHONPATH", "")]))


@pytest.fixture
def book(tmp_path):
    with Logbook.open(tmp_path / "shop.db", who="Ada") as opened:
        yield opened


def cells(*sources: str) -> nbformat.NotebookNode:
    made = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(source) for source in sources])
    made.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return made


def test_a_castlab_error_is_one_message_without_a_traceback_and_the_cell_fails():
    made = cells("from castlab.notebook import start\nstart()\nstart()", WRONG)
    with pytest.raises(CellExecutionError) as raised:
        NotebookClient(made).execute()
    assert raised.value.ename == "InputError"
    (error,) = made.cells[1].outputs
    assert error.output_type == "error"
    assert error.evalue.startswith("Batch: humidity_pct is 130; accepted: 0 to 100")
    assert len(error.traceback) == 1
    assert " ".join(error.traceback[0].split()) == f"This cell stopped. {error.evalue}"
    assert "File" not in error.traceback[0]
    assert "castlab/" not in error.traceback[0]


def test_a_castlab_warning_is_its_message_alone_each_time_and_the_cell_goes_on():
    warn = "import warnings; from castlab.errors import CastlabWarning\nwarnings.warn('two photos are missing', CastlabWarning)"
    made = cells("from castlab.notebook import start\nstart()", warn, warn + "\n1 + 1", "warnings.warn('plain')")
    NotebookClient(made).execute()
    for cell in made.cells[1:3]:
        assert cell.outputs[0].text == "Note: two photos are missing\n"
    assert made.cells[2].outputs[1].data["text/plain"] == "2"
    assert "UserWarning: plain" in made.cells[3].outputs[0].text


def test_any_other_error_keeps_its_traceback():
    made = cells("from castlab.notebook import start\nstart()", "1 / 0")
    with pytest.raises(CellExecutionError):
        NotebookClient(made).execute()
    (error,) = made.cells[1].outputs
    assert error.ename == "ZeroDivisionError"
    assert len(error.traceback) > 1


def test_papermill_sees_the_failed_cell(tmp_path):
    nbformat.write(cells("from castlab.notebook import start\nstart()", WRONG), tmp_path / "wrong.ipynb")
    with pytest.raises(PapermillExecutionError) as raised:
        papermill.execute_notebook(tmp_path / "wrong.ipynb", tmp_path / "done.ipynb", progress_bar=False)
    assert raised.value.ename == "InputError"
    assert "humidity_pct is 130" in raised.value.evalue


def test_outside_a_notebook_starting_opens_the_logbook_and_nothing_else(tmp_path):
    Logbook.open(tmp_path / "shop.db").close()
    opened = notebook.start(tmp_path / "shop.db", who="Ada", altitude_m=150)
    assert opened is not None
    with opened as book:
        assert book.who == "Ada"
        assert book.setting("altitude_m") == "150"


def test_a_notebook_in_the_wrong_folder_starts_no_empty_logbook(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(NotFoundError, match=r"there is no logbook 'shop\.db'"):
        notebook.start("shop.db")
    assert list(tmp_path.iterdir()) == []


# --- entries ---------------------------------------------------------------------------------------------------


def test_an_entry_is_saved_once_and_comes_back_with_its_cautions(book):
    resin = book.add(Material(name="Clear", target_phr=28))
    cup = Batch(resin_id=resin.id, resin_g=100, hardener_g=40, resin_c="77 F", extra={"strained": True})
    first = notebook.save(book, cup, "Monday")
    again = notebook.save(book, cup, "Monday")
    assert first.id == again.id == "B-001"
    assert first.cautions == again.cautions != ()
    assert len(book.records("batch")) == 1


def test_other_values_under_the_same_name_are_refused_and_named(book):
    notebook.save(book, Batch(resin_c=24, room_c=21), "Monday")
    with pytest.raises(
        ConflictError, match=r"saved before as B-001.*resin_c was 24\.0, now 26\.0.*nothing was written"
    ):
        notebook.save(book, Batch(resin_c=26, room_c=21), "Monday")
    assert book.get("B-001").resin_c == 24


def test_an_entry_that_was_corrected_since_may_be_run_again(book):
    notebook.save(book, Batch(resin_c=42, mixed_at="2026-03-01 09:00"), "Monday")
    book.correct("B-001", why="digits", resin_c=24)
    assert notebook.save(book, Batch(resin_c=42, mixed_at="2026-03-01 09:00"), "Monday").resin_c == 24
    assert book.get("B-001").version == 2


def test_one_name_may_serve_a_batch_and_its_casting(book):
    cup = notebook.save(book, Batch(resin_c=24), "Monday")
    casting = notebook.save(book, Trial(batch_id=cup.id), "Monday")
    assert (cup.id, casting.id) == ("B-001", "T-001.1")


def test_an_entry_needs_a_name(book):
    with pytest.raises(InputError, match="the entry has no name"):
        notebook.save(book, Batch(resin_c=24), " ")


def test_a_correction_is_written_once_and_never_undoes_a_later_one(book):
    book.add(Batch(resin_c=42, extra={"strained": True, "spin_rpm": 5}))
    for _ in range(2):
        notebook.correct(book, "B-001", why="digits", resin_c=24, extra={"spin_rpm": 6})
    assert book.get("B-001").version == 2
    assert book.get("B-001").extra == {"strained": True, "spin_rpm": 6}
    book.correct("B-001", why="thermometer was off", resin_c=25)
    assert notebook.correct(book, "B-001", why="digits", resin_c=24, extra={"spin_rpm": 6}).resin_c == 25
    assert book.get("B-001").version == 3


def test_the_same_reason_with_other_values_is_another_correction(book):
    book.add(Batch(resin_c=42))
    notebook.correct(book, "B-001", why="digits", resin_c=24)
    assert notebook.correct(book, "B-001", why="digits", resin_c=25).version == 3


def test_a_table_of_nothing_keeps_its_columns(book):
    assert list(notebook.table(book.records("mold"), "name", "product").columns) == ["name", "product"]


# --- castings to look at ----------------------------------------------------------------------------------------


def test_a_mistyped_column_is_named_with_the_one_that_was_meant(book):
    book.add(Trial(batch_id=book.add(Batch(resin_c=24)).id, product="pod block"))
    with pytest.raises(InputError, match=r"no column 'bublles'.*did you mean bubbles\?"):
        notebook.read_castings(book, "bublles")
    with pytest.raises(InputError, match=r"no column 'resin_cc'.*did you mean resin_c\?"):
        notebook.read_castings(book, "bubbles", ["resin_cc"])
    with pytest.raises(InputError, match="accepted: trial_id, batch_id"):
        notebook.read_castings(book, "xyzzy")


def test_a_product_that_was_never_cast_is_refused_with_those_that_were(book):
    with pytest.raises(NotFoundError, match="no castings in the logbook yet"):
        notebook.read_castings(book, "bubbles")
    book.add(Trial(batch_id=book.add(Batch()).id, product="pod block"))
    with pytest.raises(NotFoundError, match="no castings of 'pod blok'; its products: pod block"):
        notebook.read_castings(book, "bubbles", product="pod blok")


def test_castings_without_the_response_are_asked_to_be_scored(book):
    casting = book.add(Trial(batch_id=book.add(Batch()).id, product="Pod Block"))
    with pytest.raises(InputError, match="no casting has bubbles yet: score some"):
        notebook.read_castings(book, "bubbles", ["pour_method"], product="pod block")
    book.add(Score(trial_id=casting.id, bubbles=3))
    assert list(notebook.read_castings(book, "bubbles", product="pod block")["trial_id"]) == [casting.id]
