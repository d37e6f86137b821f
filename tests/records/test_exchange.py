"""A logbook goes to a folder of plain files and comes back whole, or says what is wrong with the folder."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from castlab import Batch, Logbook, Mold, Plan, Score, Trial
from castlab.errors import InputError, LogbookError

TEXT = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=40) | st.sampled_from(
    ["=1+1", 'a "quoted", text', "line\r\nline", "cr\ralone", "; ,\t", "NULL", "nan", "0012", "ünïcødé 泡"]
)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    notes=st.lists(TEXT, min_size=1, max_size=4),
    number=st.floats(0, 100_000, allow_nan=False),
    extra=st.floats(allow_nan=False, allow_infinity=False)
    | st.booleans()
    | st.text("ab c", min_size=1).filter(str.strip),
)
def test_everything_comes_back_as_it_was(tmp_path_factory, notes, number, extra):
    folder = tmp_path_factory.mktemp("exchange")
    book = Logbook.open(folder / "a.db", who="tester", altitude_m=300)
    book.add(Mold(name="block 1", made_on="2026-01-02"))
    for note in notes:
        book.add(
            Batch(notes=note, resin_g=number, extra={"zz": extra}, mixed_at="2026-03-01 09:30:15"),
            origin=note[:9] or None,
        )
    book.add(Trial(batch_id="B-001", mold_id="M-01"))
    book.add(Score(trial_id="T-001.1", passed=False, bubbles=0))
    book.correct("B-001", why="second look", resin_g=1.25)
    book.correct("B-001", why="third look", resin_g=1.5)
    first = book.export(folder / "first")
    again = Logbook.restore(first, to=folder / "b.db")
    assert contents(again.export(folder / "second")) == contents(first)
    pd.testing.assert_frame_equal(again.frame(), book.frame())
    pd.testing.assert_frame_equal(again.history("B-001"), book.history("B-001"))
    assert again.setting("altitude_m") == book.setting("altitude_m")
    assert again.add(Batch()).id == book.add(Batch()).id


@pytest.fixture
def folder(book, tmp_path) -> Path:
    book.add(Batch(resin_c=22))
    book.add(Trial(batch_id="B-001"))
    return book.export(tmp_path / "out")


def test_the_folder_holds_plain_csv_a_schema_and_checksums(folder):
    table = pd.read_csv(folder / "batch.csv")
    assert table["resin_c"].tolist() == [22]
    schema = json.loads((folder / "schema.json").read_text())
    field = schema["$defs"]["batch"]["properties"]["humidity_pct"]
    assert "relative humidity" in field["description"]
    manifest = json.loads((folder / "manifest.json").read_text())
    assert manifest["files"]["batch.csv"]["rows"] == 1
    assert len(manifest["files"]["batch.csv"]["sha256"]) == 64


def test_an_edited_or_missing_file_is_named_and_nothing_is_restored(folder, tmp_path):
    batch = folder / "batch.csv"
    batch.write_text(batch.read_text().replace("22.0", "25.0"))
    with pytest.raises(InputError, match=r"batch\.csv changed since it was exported"):
        Logbook.restore(folder, to=tmp_path / "new.db")
    batch.unlink()
    with pytest.raises(InputError, match=r"batch\.csv is missing"):
        Logbook.restore(folder, to=tmp_path / "new.db")
    assert not (tmp_path / "new.db").exists()


def test_a_folder_that_is_no_export_is_refused(tmp_path):
    with pytest.raises(InputError, match="not an export"):
        Logbook.restore(tmp_path, to=tmp_path / "new.db")


def test_restore_never_mixes_into_a_logbook_in_use(folder, book, tmp_path):
    with pytest.raises(InputError, match="already holds records"):
        Logbook.restore(folder, to=tmp_path / "shop.db")
    assert len(book.records("batch")) == 1


def test_export_never_overwrites_something_else(book, tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "one.txt").write_text("keep")
    with pytest.raises(InputError, match="not an earlier export"):
        book.export(tmp_path / "photos")
    assert (tmp_path / "photos" / "one.txt").read_text() == "keep"


def test_an_export_that_cannot_be_written_leaves_the_earlier_one(folder, book, monkeypatch):
    import errno

    from castlab.records import exchange

    before = contents(folder)

    def full(_path):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(exchange, "_flush", full)
    with pytest.raises(LogbookError, match="No space left on device"):
        book.export(folder)
    assert contents(folder) == before
    assert [p.name for p in folder.parent.iterdir() if p.name.startswith(".out")] == []


def test_a_second_export_replaces_the_first_whole(folder, book, tmp_path):
    book.add(Batch(resin_c=30))
    assert book.export(folder) == folder
    assert len(pd.read_csv(folder / "batch.csv")) == 2
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".out")] == []


def test_an_export_of_the_first_schema_restores_with_everything_in_it(book, tmp_path):
    book.add(Batch(resin_c=24))
    book.add(Trial(batch_id="B-001", product="pod block"))
    book.add(Score(trial_id="T-001.1", bubbles=3))
    folder = book.export(tmp_path / "out")
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    for name in ("plan", "plan_past", "photo", "photo_past"):
        (folder / f"{name}.csv").unlink()
        del manifest["files"][f"{name}.csv"]
    later = {"photo_id", "bubbles_stopped", "auto_bubbles", "auto_low", "auto_high", "extra_grades"}
    for name in ("score", "score_past"):
        file = folder / f"{name}.csv"
        with file.open(encoding="utf-8", newline="") as text:
            rows = [{n: v for n, v in row.items() if n not in later} for row in csv.DictReader(text)]
        if not rows:
            file.unlink()
            del manifest["files"][file.name]
            continue
        with file.open("w", encoding="utf-8", newline="") as text:
            writer = csv.DictWriter(text, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
        manifest["files"][file.name]["sha256"] = hashlib.sha256(file.read_bytes()).hexdigest()
    manifest["schema_version"] = "0001"
    (folder / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    again = Logbook.restore(folder, to=tmp_path / "again.db")
    assert again.frame().equals(book.frame())
    assert again.add(Plan(name="pods", factors=["resin_c", "rest_min"])).factors == "resin_c, rest_min"
