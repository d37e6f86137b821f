"""What is written in a logbook and looked up in it: records, their versions, settings; each in one transaction.

Opening, frames and folders of CSV are in `castlab.records.logbook`, photos in `castlab.records.photo_entries`.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Self, TypeVar

import sqlalchemy as sa

from castlab.errors import ConflictError, InputError
from castlab.given import shown
from castlab.records import rows, store
from castlab.records.models import ENVELOPE, KINDS, Record
from castlab.records.tables import PARENT, SETTING

if TYPE_CHECKING:
    import pandas as pd

R = TypeVar("R", bound=Record)

TRIES = 5
"""How often an entry is tried again when another writer took the same number at the same moment."""


def utc_now() -> datetime:
    """Now in UTC without a zone, as the logbook stores it."""
    return datetime.now(UTC).replace(tzinfo=None)


class Entries:
    """The records of a logbook behind an engine, and who writes in it."""

    def __init__(self, engine: sa.Engine, *, who: str, clock: Callable[[], datetime] = utc_now) -> None:
        self._engine = engine
        self._writer = engine.execution_options(**store.WRITE)
        self._clock = clock
        self._local = threading.local()
        self.who = who

    def close(self) -> None:
        """Let the file or the database connection go."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Logbook({store.shown(self._engine.url)!r}, who={self.who!r})"

    # --- writing -------------------------------------------------------------------------------------------

    def add(self, record: R, *, origin: str | None = None) -> R:
        """Write a new record; durable when it returns.

        Parameters
        ----------
        record
            A Batch, Trial, Score, Photo, Mold, Material or Plan without an id.
        origin
            Where the entry comes from (a sheet's row, a form's draft). A second `add` with the same origin writes
            nothing and returns what the first one wrote.

        Returns
        -------
        The record with its id, who wrote it and when, and its cautions.

        Raises
        ------
        InputError
            If it is no record, already has an id, or an extra factor changes its type or level.
        NotFoundError
            If it refers to a batch, trial, mold or material that is not in the logbook.
        LogbookError
            If it cannot be written now (locked, disk full); nothing was written.
        """
        if not isinstance(record, tuple(KINDS.values())):
            names = [kind.__name__ for kind in KINDS.values()]
            raise InputError(f"record is {shown(record)}; accepted: a {', '.join(names[:-1])} or {names[-1]}")
        if record.id is not None:
            raise InputError(
                f"{record.id} is already in a logbook: change it with book.correct({record.id!r}, why=...), "
                "or add a record without an id"
            )
        for _ in range(TRIES - 1):
            try:
                return self._add_once(record, origin)
            except ConflictError:
                if self._in_transaction:
                    raise
        return self._add_once(record, origin)

    def correct(self, record_id: str, why: str = "", *, expected_version: int | None = None, **changes: Any) -> Record:
        """Write a new version of a record; the version it replaces stays readable in `history`.

        Parameters
        ----------
        record_id
            The record's id, for example "B-014".
        why
            Why it is changed, in plain words; required.
        expected_version
            The version that was read before changing it; if it has moved on, nothing is written.
        **changes
            Field = new value. `extra={"spin_rpm": 900}` changes that extra factor and keeps the others (so does
            `extra_grades`); None removes one. `withdrawn=True` takes an entry made by mistake out of the frame.

        Returns
        -------
        The new version.

        Raises
        ------
        NotFoundError
            If there is no such record.
        InputError
            If `why` is empty, nothing changes, or a value cannot be used.
        ConflictError
            If `expected_version` is no longer the current one.
        """
        if not isinstance(why, str) or not why.strip():
            raise InputError(f"a correction of {record_id} needs a reason, in words: why='...'")
        kind = rows.known_kind_of(record_id)
        if PARENT.get(kind) in changes:
            raise InputError(
                f"{record_id} belongs to its {PARENT[kind][:-3]} by its id: withdraw it (withdrawn=True) and log it "
                "again under the right one"
            )
        fixed = sorted(set(changes) & set(ENVELOPE))
        if fixed:
            raise InputError(f"{', '.join(fixed)} cannot be corrected: the logbook sets it")
        with self._writing() as connection:
            old = rows.read(connection, record_id)
            if expected_version is not None and old.version != expected_version:
                raise ConflictError(
                    f"{record_id} is at version {old.version} (by {old.logged_by}), not {expected_version}: "
                    "read it again; nothing was written"
                )
            values = old.model_dump()
            for name in ("extra", "extra_grades"):
                if changes.get(name) is not None:
                    if not isinstance(changes[name], Mapping):
                        raise InputError(f"{name} is {shown(changes[name])}; accepted: {{name: value}}")
                    changes = {**changes, name: {**(values[name] or {}), **changes[name]}}
            new = type(old)(
                **values
                | changes
                | {"version": old.version + 1, "logged_at": self._clock(), "logged_by": self.who, "why": why.strip()}
            )
            same = new.model_dump(exclude=set(ENVELOPE)) == old.model_dump(exclude=set(ENVELOPE))
            if same:
                raise InputError(f"{record_id} already has these values; nothing to correct")
            rows.check_extras(connection, new)
            rows.check_references(connection, new)
            rows.replace(connection, old, new)
            return new.with_cautions(rows.cautions(connection, new))

    @contextlib.contextmanager
    def together(self) -> Iterator[Self]:
        """Several entries as one: all are written when the block ends, or none if it fails.

        Examples
        --------
        >>> import tempfile, os
        >>> from castlab import Batch, Logbook, Trial
        >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
        >>> with book.together():
        ...     cup = book.add(Batch(resin_c=24))
        ...     casting = book.add(Trial(batch_id=cup.id, product="pod block"))
        >>> casting.id
        'T-001.1'
        """
        with self._writing():
            yield self

    def set(self, name: str, value: float | str) -> None:
        """Remember a setting of the whole logbook, such as `altitude_m`."""
        with self._writing() as connection:
            connection.execute(SETTING.delete().where(SETTING.c.name == name))
            connection.execute(SETTING.insert(), {"name": name, "value": str(value)})

    # --- reading -------------------------------------------------------------------------------------------

    def get(self, record_id: str) -> Record:
        """The current version of a record. Raises NotFoundError if there is none with that id."""
        with self._reading() as connection:
            record = rows.read(connection, record_id)
            return record.with_cautions(rows.cautions(connection, record))

    def by_origin(self, kind: str, origin: str) -> Record | None:
        """The record of this kind that was added with this origin, or None."""
        with self._reading() as connection:
            return rows.by_origin(connection, kind, origin)

    def origins(self, kind: str) -> list[str]:
        """Where the records of a kind came from, of those that were added with an origin."""
        with self._reading() as connection:
            return rows.origins(connection, kind)

    def records(self, kind: str, *, withdrawn: bool = False) -> list[Record]:
        """Every current record of a kind ("batch", "trial", "score", "photo", "mold", "material", "plan") in the order of its ids.

        Withdrawn ones are left out unless asked for.
        """
        with self._reading() as connection:
            return rows.every(connection, kind, withdrawn=withdrawn)

    def history(self, record_id: str) -> pd.DataFrame:
        """All versions of a record, oldest first.

        Returns
        -------
        DataFrame with one row per version: version, logged_at (UTC), logged_by, why, changes (in words), and then every
        field of the record.

        Raises
        ------
        NotFoundError
            If there is no such record.
        """
        import pandas as pd

        with self._reading() as connection:
            frame = pd.DataFrame(rows.versions(connection, record_id))
        head = ["version", "logged_at", "logged_by", "why", "changes"]
        return frame[[*head, *(name for name in frame if name not in head)]]

    def setting(self, name: str) -> str | None:
        """A setting of the whole logbook as it was written, or None."""
        with self._reading() as connection:
            return connection.execute(sa.select(SETTING.c.value).where(SETTING.c.name == name)).scalar()

    @property
    def altitude_m(self) -> float | None:
        """Height of the shop above sea level, m, or None if it was never said."""
        told = self.setting("altitude_m")
        return None if told is None else float(told)

    def extras(self) -> dict[str, tuple[str, str]]:
        """The shop's own settings and grades: name as in the frame -> (level, type).

        A setting has level "batch" or "trial" and type "number", "yes/no" or "text"; a grade has "score" and "grade".
        """
        with self._reading() as connection:
            return rows.extra_columns(connection)

    def pressure(self, text: str) -> float:
        """A typed pressure as kPa absolute, gauge readings taken at the shop's altitude.

        Raises
        ------
        InputError
            If the text cannot be read, or is a gauge reading and the altitude was never given to `Logbook.open`.
        """
        from castlab import units

        altitude = self.altitude_m
        if altitude is None:
            if units.is_gauge(text):
                raise InputError(
                    "a gauge reads against the air of the place: give the shop's height once, as altitude_m in notebook 1 or "
                    "Logbook.open(path, altitude_m=...)"
                )
            return units.pressure(text)
        return units.pressure(text, altitude_m=altitude)

    # --- within one transaction ----------------------------------------------------------------------------

    def _add_once(self, record: R, origin: str | None) -> R:
        with self._writing() as connection:
            if origin is not None and (known := rows.by_origin(connection, record.kind, origin)) is not None:
                return known  # type: ignore[return-value]
            return rows.insert(connection, record, origin=origin, at=self._clock(), by=self.who)

    @property
    def _in_transaction(self) -> bool:
        return getattr(self._local, "connection", None) is not None

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        if self._in_transaction:
            yield self._local.connection
            return
        with store.readable_errors(self._engine), self._writer.begin() as connection:
            self._local.connection = connection
            try:
                yield connection
            finally:
                self._local.connection = None

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sa.Connection]:
        if self._in_transaction:
            yield self._local.connection
            return
        with store.readable_errors(self._engine), self._engine.connect() as connection:
            yield connection
