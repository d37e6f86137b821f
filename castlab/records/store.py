"""Opening a database so that what is written is durable: engine, migrations, and errors a maker can read."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError, IntegrityError, NoSuchModuleError, SQLAlchemyError

from castlab.errors import ConflictError, InputError, LogbookError, NotFoundError
from castlab.records.tables import SCHEMA

BUSY_TIMEOUT_S = 5.0
"""How long a write waits for another program's write before it gives up."""

WRITE = {"castlab_write": True}
"""Execution option of a transaction that will write: SQLite takes the write lock at once."""


def url_of(where: str | Path) -> sa.URL:
    """A path becomes a SQLite URL; a database URL stays what it is.

    Raises
    ------
    InputError
        If the folder does not exist, the path is a folder, or the URL cannot be read.
    """
    text = str(where)
    if "://" in text:
        try:
            url = sa.make_url(text)
        except SQLAlchemyError:
            raise InputError(
                "the database URL cannot be read; accepted: a file path, or postgresql+psycopg://user@host/name"
            ) from None
        return url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url
    path = Path(where).expanduser()
    if path.is_dir():
        raise InputError(f"{path} is a folder; accepted: the path of a logbook file, such as {path / 'shop.db'}")
    if not path.parent.exists():
        raise InputError(f"the folder {path.parent} does not exist; make it first, or give another path")
    return sa.URL.create("sqlite", database=str(path))


def connect(where: str | Path, *, must_exist: bool = False) -> sa.Engine:
    """An engine on the database, its tables created (unless it `must_exist`) or migrated to the newest schema.

    Raises
    ------
    InputError
        If `where` is no usable path or URL.
    NotFoundError
        If it must exist, and there is no file, or a file or database with nothing in it.
    LogbookError
        If the file is no logbook, is damaged, locked, or was written by a newer castlab.
    """
    url = url_of(where)
    if must_exist and url.get_backend_name() == "sqlite":
        _check_file(Path(str(url.database)))
    try:
        if url.get_backend_name() == "sqlite":
            engine = sa.create_engine(url, connect_args={"timeout": BUSY_TIMEOUT_S})
            _prepare_sqlite(engine)
        else:
            engine = sa.create_engine(url, pool_pre_ping=True)
    except (NoSuchModuleError, ModuleNotFoundError) as exc:
        raise InputError(
            f"no driver for {url.drivername} databases is installed ({exc}); "
            "for PostgreSQL install castlab with its postgres extra"
        ) from None
    with readable_errors(engine):
        _bring_up_to_date(engine, url, must_exist)
        if url.get_backend_name() == "sqlite":
            _write_ahead(engine)
    return engine


EMPTY = "is an empty file, not a logbook: check the path, or restore the last export"
"""What is said of a file that holds nothing, after its name."""


def _check_file(path: Path) -> None:
    if not path.is_file():
        raise NotFoundError(
            f"there is no logbook {str(path)!r} in {Path.cwd()}; accepted: the file of a logbook, or a database URL. "
            "`castlab new FOLDER` makes a workspace with an empty one"
        )
    if path.stat().st_size == 0:
        raise NotFoundError(f"{str(path)!r} {EMPTY}")


def _prepare_sqlite(engine: sa.Engine) -> None:
    @sa.event.listens_for(engine, "connect")
    def on_connect(dbapi_connection: Any, _record: Any) -> None:
        dbapi_connection.isolation_level = None  # SQLAlchemy's own BEGIN below, not the driver's implicit one
        for pragma in ("synchronous=FULL", "foreign_keys=ON"):
            dbapi_connection.execute(f"PRAGMA {pragma}")

    @sa.event.listens_for(engine, "begin")
    def on_begin(connection: sa.Connection) -> None:
        write = connection.get_execution_options().get("castlab_write")
        connection.connection.cursor().execute("BEGIN IMMEDIATE" if write else "BEGIN")


def _write_ahead(engine: sa.Engine) -> None:
    """Readers and a writer at once. The file keeps it, so it is asked for once the file is known to be a logbook."""
    connection = engine.raw_connection()
    try:
        connection.cursor().execute("PRAGMA journal_mode=WAL")
    finally:
        connection.close()


def _bring_up_to_date(engine: sa.Engine, url: sa.URL, must_exist: bool) -> None:
    with engine.connect() as connection:
        tables = set(sa.inspect(connection).get_table_names())
        found = None
        if "alembic_version" in tables:
            found = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    if found == SCHEMA:
        return
    if must_exist and not tables:
        raise NotFoundError(
            f"{shown(url)} holds no logbook yet: check the path; a new one is made by `castlab new FOLDER`, or in a "
            "database by Logbook.open(url, photo_folder=...) in Python"
        )
    if found is None and tables:
        raise LogbookError(
            f"{shown(url)} is a database of something else (tables {', '.join(sorted(tables)[:4])}...): nothing was "
            "changed; accepted: a logbook, or a name that does not exist yet"
        )
    if found is not None and found > SCHEMA:
        raise LogbookError(
            f"{shown(url)} was written by a newer castlab (schema {found}, this one knows {SCHEMA}): install the newer "
            "castlab; nothing was changed"
        )
    if found is not None and url.database and url.get_backend_name() == "sqlite":
        _copy_aside(engine, Path(url.database), found)
    _migrate(engine)


def _copy_aside(engine: sa.Engine, path: Path, found: str) -> None:
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy2(path, path.with_name(f"{path.name}.before-{SCHEMA}-from-{found}"))


def _migrate(engine: sa.Engine) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    with engine.connect().execution_options(**WRITE) as connection, connection.begin():
        config.attributes["connection"] = connection
        command.upgrade(config, SCHEMA)


def shown(url: sa.URL) -> str:
    """The path or URL as it may be shown: no password."""
    return str(url.database) if url.get_backend_name() == "sqlite" else url.render_as_string(hide_password=True)


@contextlib.contextmanager
def readable_errors(engine: sa.Engine) -> Iterator[None]:
    """Turn database errors into one line that says what happened and that earlier entries are intact.

    Raises
    ------
    ConflictError
        If two writers collided; nothing of this one was written.
    LogbookError
        For every other database error.
    """
    where = shown(engine.url)
    driver = engine.dialect.dbapi
    driver_error = driver.Error if driver is not None else DBAPIError
    try:
        yield
    except IntegrityError as exc:
        raise ConflictError(f"{where}: another entry took the same place ({exc.orig}); nothing was written") from exc
    except (DBAPIError, sa.exc.ResourceClosedError, driver_error) as exc:
        raise LogbookError(f"{where}: {_reason(str(getattr(exc, 'orig', exc)))}") from exc


_REASONS = {
    "locked": "another program is writing to the logbook; nothing was written: close it or try again in a moment",
    "disk is full": "the disk is full; nothing was written, what was logged before is intact: free some space and add it again",
    "not a database": "this file is not a logbook; nothing was changed: check the path",
    "malformed": "the file is damaged; nothing was changed: copy it aside and restore the last export with Logbook.restore",
    "readonly": (
        "the logbook or its folder may not be written here; nothing was written: check the permissions, or copy it to a "
        "folder of your own"
    ),
    "unable to open": (
        "the file cannot be opened: check the path and its permissions; its folder must be writable even to read a "
        "logbook, so copy one from read-only media first"
    ),
    "disk i/o error": "the disk reported an error; nothing was written: check the disk, then copy the logbook elsewhere",
}


def _reason(message: str) -> str:
    for sign, reason in _REASONS.items():
        if sign in message.lower():
            return reason
    return f"the database refused ({message.strip().splitlines()[0]}); nothing was written"
