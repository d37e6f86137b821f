"""The logbook keeps what it accepted, shows what changed, and says in one line what it cannot do."""

from __future__ import annotations

import multiprocessing
import sqlite3
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
import sqlalchemy as sa

from castlab import Batch, Logbook, Material, Mold, Photo, Score, Trial
from castlab.errors import ConflictError, InputError, LogbookError, NotFoundError
from castlab.records.tables import SCHEMA


def test_ids_are_short_and_sayable(book):
    book.add(Material(name="clear"))
    book.add(Mold(name="block 1"))
    for _ in range(2):
        book.add(Batch())
    first = book.add(Trial(batch_id="B-002"))
    second = book.add(Trial(batch_id="B-002"))
    score = book.add(Score(trial_id=second.id, bubbles=0))
    assert [first.id, second.id, score.id] == ["T-002.1", "T-002.2", "S-002.2.1"]
    assert [m.id for m in book.records("mold")] == ["M-01"]
    assert [m.id for m in book.records("material")] == ["R-01"]


def test_ids_stay_in_order_beyond_their_padding(book):
    with book.together():
        for _ in range(1001):
            book.add(Batch())
        for batch in ("B-1001", "B-999", "B-1000"):
            book.add(Trial(batch_id=batch))
    assert [t.id for t in book.records("trial")] == ["T-999.1", "T-1000.1", "T-1001.1"]
    assert list(book.frame()["trial_id"]) == ["T-999.1", "T-1000.1", "T-1001.1"]


def test_what_add_returned_is_on_disk_even_if_the_program_is_killed(tmp_path):
    code = (
        "import os, sys\nfrom castlab import Batch, Logbook\n"
        "book = Logbook.open(sys.argv[1], who='a')\n"
        "for _ in range(5): print(book.add(Batch(notes='kept')).id, flush=True)\n"
        "os.kill(os.getpid(), 9)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path / "shop.db")], capture_output=True, text=True)
    assert done.returncode == -9
    assert [b.id for b in Logbook.open(tmp_path / "shop.db").records("batch")] == done.stdout.split()


def test_sqlite_runs_with_wal_full_synchronous_and_foreign_keys(book):
    with book._reading() as connection:
        found = [
            connection.exec_driver_sql(f"PRAGMA {p}").scalar() for p in ("journal_mode", "synchronous", "foreign_keys")
        ]
    assert found == ["wal", 2, 1]


def test_a_correction_is_a_new_version_and_the_old_one_stays_readable(book):
    book.add(Batch(resin_c=22, extra={"spin_rpm": 600, "lid_on": True}))
    new = book.correct("B-001", why="read the wrong thermometer", resin_c=25, extra={"spin_rpm": None})
    assert (new.version, new.resin_c, new.extra) == (2, 25, {"lid_on": True})
    history = book.history("B-001")
    assert list(history["resin_c"]) == [22, 25]
    assert list(history["version"]) == [1, 2]
    assert history["why"][1] == "read the wrong thermometer"
    assert history["logged_by"].tolist() == ["tester", "tester"]
    assert "resin_c: 22.0 → 25.0" in history["changes"][1]
    assert history["logged_at"].is_monotonic_increasing
    assert book.get("B-001") == new


@pytest.mark.parametrize("thing", ["B-001", None, {"resin_c": 22}, Batch])
def test_what_is_no_record_is_refused_with_the_records_there_are(book, thing):
    with pytest.raises(
        InputError, match=r"record is .*; accepted: a Material, Mold, Plan, Batch, Trial, Photo or Score"
    ):
        book.add(thing)


@pytest.mark.parametrize(
    ("kwargs", "error", "text"),
    [
        ({"why": " ", "resin_c": 20}, InputError, "needs a reason"),
        ({"resin_c": 20}, InputError, "needs a reason"),
        ({"why": 3, "resin_c": 20}, InputError, "needs a reason"),
        ({"why": "x", "extra": "spin"}, InputError, "extra is 'spin'"),
        ({"why": "x", "resin_c": -300}, InputError, "accepted: -20 to 120"),
        ({"why": "x", "resin_c": 22}, InputError, "nothing to correct"),
        ({"why": "x", "version": 7}, InputError, "cannot be corrected"),
        ({"why": "x", "resin_c": 20, "expected_version": 3}, ConflictError, "version 1"),
        ({"why": "x", "resin_id": "R-09"}, NotFoundError, "no R-09"),
    ],
)
def test_a_correction_that_cannot_be_made_changes_nothing(book, kwargs, error, text):
    book.add(Batch(resin_c=22))
    with pytest.raises(error, match=text):
        book.correct("B-001", **kwargs)
    assert len(book.history("B-001")) == 1
    assert book.get("B-001").resin_c == 22


def test_a_casting_cannot_move_to_another_batch(book):
    book.add(Batch())
    book.add(Batch())
    book.add(Trial(batch_id="B-001"))
    with pytest.raises(InputError, match="withdraw it"):
        book.correct("T-001.1", why="wrong cup", batch_id="B-002")


def test_a_withdrawn_entry_leaves_the_frame_but_not_the_logbook(book):
    book.add(Batch())
    book.add(Trial(batch_id="B-001"))
    book.add(Trial(batch_id="B-001"))
    book.correct("T-001.1", why="logged twice", withdrawn=True)
    assert list(book.frame()["trial_id"]) == ["T-001.2"]
    assert [t.id for t in book.records("trial")] == ["T-001.2"]
    assert len(book.records("trial", withdrawn=True)) == 2
    assert book.get("T-001.1").withdrawn


def test_unknown_mold_batch_or_material_is_one_clear_error_and_nothing_is_written(book):
    book.add(Mold(name="block 1"))
    book.add(Batch())
    for record in (Trial(batch_id="B-001", mold_id="M-09"), Trial(batch_id="B-009"), Batch(resin_id="R-04")):
        with pytest.raises(NotFoundError, match=r"there is no [MBR]-0\d+ in this logbook"):
            book.add(record)
    assert book.records("trial") == []
    assert len(book.records("batch")) == 1


@pytest.mark.parametrize("wanted", ["", "B", "14", "X-01", "b-001", "B-999", "B-001'; DROP TABLE batch; --"])
def test_an_id_that_is_not_there_says_so(book, wanted):
    with pytest.raises(NotFoundError):
        book.get(wanted)


def test_the_same_origin_is_written_once(book):
    first = book.add(Batch(resin_c=20), origin="draft-1")
    again = book.add(Batch(resin_c=20), origin="draft-1")
    assert first.id == again.id
    assert len(book.records("batch")) == 1
    assert book.by_origin("batch", "draft-1").id == first.id
    assert book.by_origin("batch", "draft-2") is None


def test_several_entries_together_are_all_or_nothing(book):
    def fails_halfway() -> None:
        with book.together():
            book.add(Batch())
            book.add(Trial(batch_id="B-001", mold_id="M-01"))

    with pytest.raises(NotFoundError):
        fails_halfway()
    assert book.records("batch") == []
    with book.together():
        book.add(Batch())
        book.add(Trial(batch_id="B-001"))
    assert len(book.records("trial")) == 1


def test_an_extra_factor_keeps_its_level_and_type(book):
    book.add(Batch(extra={"spin_rpm": 900}))
    with pytest.raises(InputError, match="is a number"):
        book.add(Batch(extra={"spin_rpm": "fast"}))
    with pytest.raises(InputError, match="setting of a batch"):
        book.add(Trial(batch_id="B-001", extra={"spin_rpm": 900}))
    assert len(book.records("batch")) == 1


def test_cautions_see_the_material_and_the_mold(book):
    book.add(Material(name="clear", target_phr=28, ratio_tolerance_pct=2))
    book.add(Mold(name="block 1", product="pod block", retired_on="2026-02-01", cavities=1))
    batch = book.add(Batch(resin_id="R-01", resin_g=100, hardener_g=29))
    assert "3.6% too much" in batch.cautions[0]
    assert book.get("B-001").cautions == batch.cautions
    trial = book.add(
        Trial(batch_id="B-001", mold_id="M-01", product="path marker", poured_at="2026-03-01 10:00", cavity=2)
    )
    assert [word for word in ("retired", "pod block", "cavities") if any(word in c for c in trial.cautions)] == [
        "retired",
        "pod block",
        "cavities",
    ]


def _add_many(path: str, count: int) -> None:
    with Logbook.open(path, who="other") as book:
        for _ in range(count):
            book.add(Trial(batch_id=str(book.add(Batch()).id)))


def _two_writers(where: str) -> None:
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_add_many, args=(where, 25)) for _ in range(2)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [w.exitcode for w in writers] == [0, 0]
    book = Logbook.open(where)
    assert [b.id for b in book.records("batch")] == [f"B-{n:03d}" for n in range(1, 51)]
    assert len(book.frame()) == 50


def test_two_programs_writing_at_once_lose_nothing(tmp_path):
    Logbook.open(tmp_path / "shop.db").close()
    _two_writers(str(tmp_path / "shop.db"))


def test_a_locked_logbook_says_so_and_loses_nothing(book, tmp_path, monkeypatch):
    from castlab.records import store

    book.add(Batch())
    monkeypatch.setattr(store, "BUSY_TIMEOUT_S", 0.2)
    second = Logbook.open(tmp_path / "shop.db", who="second")
    other = sqlite3.connect(tmp_path / "shop.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(LogbookError, match="another program is writing"):
        second.add(Batch())
    other.execute("ROLLBACK")
    assert second.add(Batch()).id == "B-002"


def test_a_full_disk_says_so_and_loses_nothing(book):
    for _ in range(3):
        book.add(Batch())
    with book._reading() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")  # SQLite reports a full disk past this size
    with pytest.raises(LogbookError, match="disk is full; nothing was written"):
        book.add(Batch(notes="x" * 20_000))
    assert len(book.records("batch")) == 3


def test_a_file_that_is_no_logbook_is_refused_and_left_alone(tmp_path):
    text = tmp_path / "notes.db"
    text.write_text("not a database " * 500)
    with pytest.raises(LogbookError, match="not a logbook"):
        Logbook.open(text)
    assert text.read_text() == "not a database " * 500
    other = tmp_path / "other.db"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    before = other.read_bytes()
    with pytest.raises(LogbookError, match="something else"):
        Logbook.open(other)
    assert other.read_bytes() == before
    assert {path.name for path in tmp_path.iterdir()} == {"notes.db", "other.db"}


def test_what_must_exist_is_not_made(tmp_path):
    with pytest.raises(NotFoundError, match=r"there is no logbook .*shpo\.db"):
        Logbook.open(tmp_path / "shpo.db", must_exist=True)
    assert list(tmp_path.iterdir()) == []
    empty = tmp_path / "empty.db"
    empty.touch()
    with pytest.raises(NotFoundError, match="is an empty file, not a logbook"):
        Logbook.open(empty, must_exist=True)
    assert empty.stat().st_size == 0
    bare = tmp_path / "bare.db"
    with sqlite3.connect(bare) as connection:
        connection.executescript("CREATE TABLE once (name TEXT); DROP TABLE once")
    before = bare.read_bytes()
    with pytest.raises(NotFoundError, match="holds no logbook yet"):
        Logbook.open(bare, must_exist=True)
    assert bare.read_bytes() == before


@pytest.mark.postgres
def test_a_database_that_must_hold_a_logbook_is_not_filled(postgres_url):
    with pytest.raises(NotFoundError, match="holds no logbook yet"):
        Logbook.open(postgres_url, must_exist=True)
    assert sa.inspect(sa.create_engine(postgres_url)).get_table_names() == []
    Logbook.open(postgres_url).close()
    Logbook.open(postgres_url, must_exist=True).close()


def test_a_damaged_logbook_says_how_to_get_it_back(book, tmp_path):
    with book.together():
        for _ in range(200):
            book.add(Batch(notes="x" * 200))
    book.export(tmp_path / "out")
    book.close()
    path = tmp_path / "shop.db"
    data = bytearray(path.read_bytes())
    data[4096 : len(data) - 4096] = b"\xff" * (len(data) - 8192)
    path.write_bytes(data)
    with pytest.raises(LogbookError, match="damaged"):
        Logbook.open(path).records("batch")
    assert len(Logbook.restore(tmp_path / "out", to=tmp_path / "again.db").records("batch")) == 200


def test_a_logbook_of_a_newer_castlab_is_refused(book, tmp_path):
    book.close()
    with sqlite3.connect(tmp_path / "shop.db") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(LogbookError, match="newer castlab"):
        Logbook.open(tmp_path / "shop.db")


@pytest.mark.parametrize("where", ["missing/folder/shop.db", ".", "nosuch://place", "://"])
def test_a_place_that_cannot_hold_a_logbook_is_one_clear_error(where, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError):
        Logbook.open(where)


def test_gauge_readings_use_the_shops_altitude(tmp_path):
    book = Logbook.open(tmp_path / "shop.db")
    with pytest.raises(InputError, match="altitude_m"):
        book.pressure("-0.9 bar gauge")
    assert book.pressure("25 mbar abs") == pytest.approx(2.5)
    Logbook.open(tmp_path / "shop.db", altitude_m=500).close()
    assert book.pressure("-0.9 bar gauge") == pytest.approx(95.461 - 90, abs=0.01)


def test_the_schema_of_the_migrations_is_the_schema_of_the_models(book):
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    from castlab.records.tables import metadata

    with book._reading() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
        assert connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar() == SCHEMA


@pytest.mark.postgres
def test_postgresql_serves_as_well(postgres_url, tmp_path, clock):
    def fill(where):
        with Logbook.open(where, who="tester", clock=clock, altitude_m=300) as book:
            book.add(Material(name="clear", target_phr=28))
            book.add(Mold(name="block 1", made_on="2026-01-05"))
            book.add(
                Batch(resin_id="R-01", mixed_at="2026-03-01 09:00", resin_g=100, hardener_g=28, extra={"lid_on": True})
            )
            book.add(Trial(batch_id="B-001", mold_id="M-01", product="pod block", extra={"tilt": 5.5}))
            book.add(Score(trial_id="T-001.1", bubbles=4, clarity_grade=3, passed=True))
            book.correct("B-001", why="second look", resin_c=23)
            with pytest.raises(NotFoundError, match="there is no M-07"):
                book.add(Trial(batch_id="B-001", mold_id="M-07"))
            return book.frame(), book.export(tmp_path / "out")

    frame, folder = fill(postgres_url)
    restored = Logbook.restore(folder, to=tmp_path / "from-postgres.db")
    pd.testing.assert_frame_equal(restored.frame(), frame)
    assert len(restored.history("B-001")) == 2


@pytest.mark.postgres
def test_two_programs_writing_to_postgresql_at_once_lose_nothing(postgres_url):
    Logbook.open(postgres_url).close()
    _two_writers(postgres_url)


@pytest.mark.parametrize("height", [99_999, float("nan"), "high"])
def test_what_is_no_height_is_refused_and_not_remembered(tmp_path, height):
    path = tmp_path / "shop.db"
    Logbook.open(path, altitude_m=300).close()
    with pytest.raises(InputError, match="altitude_m"):
        Logbook.open(path, altitude_m=height)
    assert Logbook.open(path).setting("altitude_m") == "300"


def test_an_entry_under_a_withdrawn_one_is_kept_with_a_caution(tmp_path):
    book = Logbook.open(tmp_path / "shop.db", who="tester")
    cup = book.add(Batch(resin_c=24))
    casting = book.add(Trial(batch_id=cup.id))
    assert casting.cautions == ()
    book.correct(cup.id, why="logged twice", withdrawn=True)
    later = book.add(Trial(batch_id=cup.id))
    assert "B-001 is withdrawn" in later.cautions[0]
    book.correct(cup.id, why="it was not", withdrawn=False)
    book.correct(casting.id, why="never poured", withdrawn=True)
    assert book.get(later.id).cautions == ()
    assert "T-001.1 is withdrawn" in book.add(Score(trial_id=casting.id, bubbles=3)).cautions[0]


def test_what_is_no_text_is_no_id(tmp_path):
    with pytest.raises(NotFoundError, match="None is not an id"):
        Logbook.open(tmp_path / "shop.db").get(None)


def test_a_logbook_of_the_first_schema_is_brought_up_to_date_with_a_copy_kept(tmp_path):
    from alembic import command
    from alembic.config import Config

    from castlab.records import store

    path = tmp_path / "shop.db"
    config = Config()
    config.set_main_option("script_location", str(Path(store.__file__).parent / "migrations"))
    engine = sa.create_engine(f"sqlite:///{path}")
    with engine.connect() as connection, connection.begin():
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        who = "1, '2026-03-01 09:00:00', 'Ada'"
        head = "id, version, logged_at, logged_by"
        connection.exec_driver_sql(f"INSERT INTO batch ({head}, extra, seq) VALUES ('B-001', {who}, '{{}}', 1)")
        connection.exec_driver_sql(
            f"INSERT INTO trial ({head}, extra, batch_id, seq) VALUES ('T-001.1', {who}, '{{}}', 'B-001', 1)"
        )
        connection.exec_driver_sql(
            f"INSERT INTO score ({head}, trial_id, bubbles, seq) VALUES ('S-001.1.1', {who}, 'T-001.1', 7, 1)"
        )
    engine.dispose()
    with Logbook.open(path, who="Ada") as book:
        assert book.frame()["bubbles"].tolist() == [7]
        photo = book.add(Photo(trial_id="T-001.1", sha256="0" * 64))
        assert book.add(Score(trial_id="T-001.1", bubbles=8, photo_id=photo.id)).photo_id == "P-001.1.1"
        with pytest.raises(NotFoundError, match=r"P-001\.1\.9"):
            book.add(Score(trial_id="T-001.1", bubbles=8, photo_id="P-001.1.9"))
        assert book.get("S-001.1.1").extra_grades is None
        book.add(Score(trial_id="T-001.1", extra_grades={"gloss": 3}))
        assert book.frame()["gloss_grade"].tolist() == [3]
    assert (tmp_path / f"shop.db.before-{SCHEMA}-from-0001").exists()
