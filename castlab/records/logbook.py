"""The logbook: add, correct, look up. Everything it accepts is durable when the call returns.

Tables come from `castlab.records.tables`, the one-row-per-trial frame from `castlab.records.frame`, folders of CSV
from `castlab.records.exchange`.
"""

from __future__ import annotations

import contextlib
import getpass
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self, TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from castlab.errors import ConflictError, InputError, NotFoundError
from castlab.records import store
from castlab.records.checks import cautions_of
from castlab.records.models import ENVELOPE, KINDS, Batch, Material, Mold, Record, Trial
from castlab.records.tables import CURRENT, EXTRA_FACTOR, PARENT, PAST, SETTING, kind_of, sayable_id

if TYPE_CHECKING:
    import pandas as pd

R = TypeVar("R", bound=Record)

TRIES = 5
"""How often an entry is tried again when another writer took the same number at the same moment."""


def utc_now() -> datetime:
    """Now in UTC without a zone, as the logbook stores it."""
    return datetime.now(UTC).replace(tzinfo=None)


_FIELDS = {kind: sa.select(*(table.c[n] for n in KINDS[kind].model_fields)) for kind, table in CURRENT.items()}
_BY_ID = {kind: query.where(CURRENT[kind].c.id == sa.bindparam("wanted")) for kind, query in _FIELDS.items()}
_LAST_SEQ = {
    kind: sa.select(sa.func.max(table.c.seq)).where(
        table.c[PARENT[kind]] == sa.bindparam("parent") if kind in PARENT else sa.true()
    )
    for kind, table in CURRENT.items()
}


class Logbook:
    """A shop's record of its castings, in one SQLite file or a PostgreSQL database.

    Open it with `Logbook.open`; it may be used in a `with` statement, or closed with `close`.
    """

    def __init__(self, engine: sa.Engine, *, who: str, clock: Callable[[], datetime] = utc_now) -> None:
        self._engine = engine
        self._clock = clock
        self._local = threading.local()
        self.who = who

    @classmethod
    def open(
        cls,
        where: str | Path,
        *,
        who: str | None = None,
        altitude_m: float | None = None,
        clock: Callable[[], datetime] = utc_now,
    ) -> Self:
        """Open a logbook, making it on first use and bringing an older one up to date (a copy is kept beside it).

        Parameters
        ----------
        where
            A path (SQLite) or a database URL such as `postgresql+psycopg://user@host/name`.
        who
            Who is logging; the computer's user name if not given.
        altitude_m
            Height of the shop above sea level, m; remembered, and used by `pressure` for gauge readings.
        clock
            Gives the time of an entry, UTC without zone (for tests and generated data).

        Raises
        ------
        InputError
            If the path or URL cannot be used.
        LogbookError
            If the file is not a logbook, is damaged, locked, or was written by a newer castlab.

        Examples
        --------
        >>> import tempfile, os
        >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
        >>> book.add(Batch(resin_c=24)).id
        'B-001'
        """
        book = cls(store.connect(where), who=who or getpass.getuser(), clock=clock)
        if altitude_m is not None:
            book.set("altitude_m", altitude_m)
        return book

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
            A Batch, Trial, Score, Mold or Material without an id.
        origin
            Where the entry comes from (a sheet's row, a form's draft). A second `add` with the same origin writes
            nothing and returns what the first one wrote.

        Returns
        -------
        The record with its id, who wrote it and when, and its cautions.

        Raises
        ------
        InputError
            If it already has an id, or an extra factor changes its type or level.
        NotFoundError
            If it refers to a batch, trial, mold or material that is not in the logbook.
        LogbookError
            If it cannot be written now (locked, disk full); nothing was written.
        """
        if record.id is not None:
            raise InputError(
                f"{record.id} is already in a logbook: change it with book.correct({record.id!r}, why=...), "
                "or add a record without an id"
            )
        for attempt in range(TRIES):
            try:
                with self._writing() as connection:
                    if origin is not None and (known := self._by_origin(connection, record.kind, origin)) is not None:
                        return known  # type: ignore[return-value]
                    return self._insert(connection, record, origin)
            except ConflictError:
                if attempt == TRIES - 1 or self._in_transaction:
                    raise
        raise AssertionError("unreachable")

    def correct(self, record_id: str, *, why: str, expected_version: int | None = None, **changes: Any) -> Record:
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
            Field = new value. `extra={"spin_rpm": 900}` changes that extra factor and keeps the others; None removes
            one. `withdrawn=True` takes an entry made by mistake out of the frame.

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
        if not why or not why.strip():
            raise InputError(f"a correction of {record_id} needs a reason: why='...'")
        kind = self._kind(record_id)
        if PARENT.get(kind) in changes:
            raise InputError(
                f"{record_id} belongs to its {PARENT[kind][:-3]} by its id: withdraw it (withdrawn=True) and log it "
                "again under the right one"
            )
        fixed = sorted(set(changes) & set(ENVELOPE))
        if fixed:
            raise InputError(f"{', '.join(fixed)} cannot be corrected: the logbook sets it")
        with self._writing() as connection:
            old = self._read(connection, record_id)
            if expected_version is not None and old.version != expected_version:
                raise ConflictError(
                    f"{record_id} is at version {old.version} (by {old.logged_by}), not {expected_version}: "
                    "read it again; nothing was written"
                )
            values = old.model_dump()
            if "extra" in changes and changes["extra"] is not None:
                changes = {**changes, "extra": {**values["extra"], **changes["extra"]}}
            new = type(old)(
                **values
                | changes
                | {"version": old.version + 1, "logged_at": self._clock(), "logged_by": self.who, "why": why.strip()}
            )
            same = new.model_dump(exclude=set(ENVELOPE)) == old.model_dump(exclude=set(ENVELOPE))
            if same:
                raise InputError(f"{record_id} already has these values; nothing to correct")
            self._check_extras(connection, new)
            self._check_references(connection, new)
            connection.execute(PAST[kind].insert(), values)
            table = CURRENT[kind]
            connection.execute(table.update().where(table.c.id == record_id), new.model_dump())
            return new.with_cautions(self._cautions(connection, new))

    @contextlib.contextmanager
    def together(self) -> Iterator[Self]:
        """Several entries as one: all are written when the block ends, or none if it fails.

        Examples
        --------
        >>> import tempfile, os
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
            record = self._read(connection, record_id)
            return record.with_cautions(self._cautions(connection, record))

    def by_origin(self, kind: str, origin: str) -> Record | None:
        """The record of this kind that was added with this origin, or None."""
        with self._reading() as connection:
            return self._by_origin(connection, kind, origin)

    def records(self, kind: str, *, withdrawn: bool = False) -> list[Record]:
        """Every current record of a kind ("batch", "trial", "score", "mold", "material") in the order of its ids.

        Withdrawn ones are left out unless asked for.
        """
        table = CURRENT[_known_kind(kind)]
        query = _FIELDS[kind].order_by(*_order(kind))
        if not withdrawn:
            query = query.where(table.c.withdrawn.isnot(True))
        with self._reading() as connection:
            return [KINDS[kind].model_construct(**row) for row in connection.execute(query).mappings()]

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

        kind = self._kind(record_id)
        past = PAST[kind]
        with self._reading() as connection:
            current = self._read(connection, record_id).model_dump()
            older = connection.execute(past.select().where(past.c.id == record_id).order_by(past.c.version)).mappings()
            versions = [*(dict(row) for row in older), current]
        rows = []
        for before, now in zip([None, *versions[:-1]], versions, strict=True):
            changes = "first entry" if before is None else _changes(before, now)
            head = {name: now[name] for name in ("version", "logged_at", "logged_by", "why")}
            rows.append({**head, "changes": changes} | {k: v for k, v in now.items() if k not in head})
        return pd.DataFrame(rows)

    def setting(self, name: str) -> str | None:
        """A setting of the whole logbook as it was written, or None."""
        with self._reading() as connection:
            return connection.execute(sa.select(SETTING.c.value).where(SETTING.c.name == name)).scalar()

    def pressure(self, text: str) -> float:
        """A typed pressure as kPa absolute, gauge readings taken at the shop's altitude.

        Raises
        ------
        InputError
            If the text cannot be read, or is a gauge reading and the altitude was never given to `Logbook.open`.
        """
        from castlab import units

        altitude = self.setting("altitude_m")
        if altitude is None:
            if units.is_gauge(text):
                raise InputError(
                    "a gauge reads against the air of the place: give the shop's height once, "
                    "Logbook.open(path, altitude_m=...)"
                )
            return units.pressure(text)
        return units.pressure(text, altitude_m=float(altitude))

    def frame(self, *, product: str | None = None) -> pd.DataFrame:
        """One row per casting: its batch's settings, its own, and its scores summarised (see `castlab.records.frame`)."""
        from castlab.records.frame import trial_frame

        with self._reading() as connection:
            return trial_frame(connection, product=product)

    def export(self, folder: str | Path) -> Path:
        """Write everything to a folder of CSV files with a JSON Schema and checksums; returns the folder."""
        from castlab.records.exchange import export

        with self._reading() as connection:
            return export(connection, Path(folder))

    @classmethod
    def restore(cls, folder: str | Path, *, to: str | Path, who: str | None = None) -> Self:
        """Make a new logbook from an exported folder: every record, version and setting as it was.

        Raises
        ------
        InputError
            If the folder is not an export, a checksum does not match, or `to` already holds records.
        """
        from castlab.records.exchange import check_folder, restore

        content = check_folder(Path(folder))
        book = cls.open(to, who=who)
        with book._writing() as connection:
            restore(connection, content)
        return book

    # --- within one transaction ----------------------------------------------------------------------------

    @property
    def _in_transaction(self) -> bool:
        return getattr(self._local, "connection", None) is not None

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        if self._in_transaction:
            yield self._local.connection
            return
        with (
            store.readable_errors(self._engine),
            self._engine.connect().execution_options(**store.WRITE) as connection,
            connection.begin(),
        ):
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

    def _insert(self, connection: sa.Connection, record: R, origin: str | None) -> R:
        kind, table = record.kind, CURRENT[record.kind]
        self._check_extras(connection, record)
        parent = getattr(record, PARENT[kind]) if kind in PARENT else None
        seq = (connection.execute(_LAST_SEQ[kind], {"parent": parent}).scalar() or 0) + 1
        new = record.model_copy(
            update={
                "id": sayable_id(kind, seq, parent),
                "version": 1,
                "logged_at": self._clock(),
                "logged_by": record.logged_by or self.who,
            }
        )
        try:
            connection.execute(table.insert(), {**new.model_dump(), "seq": seq, "origin": origin})
        except IntegrityError:
            if connection.dialect.name == "sqlite":  # PostgreSQL has ended the transaction; its retry checks again
                self._check_references(connection, record)
            raise
        return new.with_cautions(self._cautions(connection, new))

    def _read(self, connection: sa.Connection, record_id: str) -> Record:
        kind = self._kind(record_id)
        row = connection.execute(_BY_ID[kind], {"wanted": record_id}).first()
        if row is None:
            raise NotFoundError(f"there is no {record_id} in this logbook; {self._nearby(connection, kind)}")
        return KINDS[kind].model_construct(**row._mapping)

    def _by_origin(self, connection: sa.Connection, kind: str, origin: str) -> Record | None:
        table = CURRENT[_known_kind(kind)]
        found = connection.execute(sa.select(table.c.id).where(table.c.origin == origin)).scalar()
        return None if found is None else self._read(connection, found)

    def _check_references(self, connection: sa.Connection, record: Record) -> None:
        for column in CURRENT[record.kind].c:
            value = getattr(record, column.name, None) if column.foreign_keys else None
            if value is not None:
                self._read(connection, value)

    def _check_extras(self, connection: sa.Connection, record: Record) -> None:
        for name, value in getattr(record, "extra", {}).items():
            kind = type_name(value)
            known = connection.execute(EXTRA_FACTOR.select().where(EXTRA_FACTOR.c.name == name)).one_or_none()
            if known is None:
                connection.execute(EXTRA_FACTOR.insert(), {"name": name, "level": record.kind, "type": kind})
            elif known.level != record.kind:
                raise InputError(
                    f"extra factor {name!r} is a setting of a {known.level} in this logbook; "
                    f"log it there, or give this one another name"
                )
            elif known.type != kind:
                raise InputError(f"extra factor {name!r} is a {known.type} in this logbook; {value!r} is a {kind}")

    def _cautions(self, connection: sa.Connection, record: Record) -> tuple[str, ...]:
        def read(record_id: str | None, model: type[R]) -> R | None:
            found = self._read(connection, record_id) if record_id else None
            return found if isinstance(found, model) else None

        if isinstance(record, Batch):
            weighed = record.resin_g and record.hardener_g is not None
            return cautions_of(record, material=read(record.resin_id, Material) if weighed else None)
        if isinstance(record, Trial):
            timed = record.poured_at or record.wait_min
            return cautions_of(
                record, mold=read(record.mold_id, Mold), batch=read(record.batch_id, Batch) if timed else None
            )
        return ()

    def _kind(self, record_id: str) -> str:
        kind = kind_of(record_id)
        if kind is None:
            raise NotFoundError(f"{record_id!r} is not an id; accepted: B-014, T-014.3, S-014.3.1, M-02 or R-01")
        return kind

    def _nearby(self, connection: sa.Connection, kind: str) -> str:
        table = CURRENT[kind]
        ids = connection.execute(sa.select(table.c.id).order_by(table.c.logged_at.desc()).limit(5)).scalars().all()
        return f"the latest of its kind: {', '.join(ids)}" if ids else f"it has no {kind} yet"


def type_name(value: object) -> str:
    """The type an extra factor keeps: "number", "yes/no" or "text"."""
    if isinstance(value, bool):
        return "yes/no"
    return "number" if isinstance(value, int | float) else "text"


def _known_kind(kind: str) -> str:
    if kind not in KINDS:
        raise InputError(f"there are no records of kind {kind!r}; accepted: {', '.join(KINDS)}")
    return kind


def _order(kind: str) -> list[Any]:
    table = CURRENT[kind]
    return (
        [sa.func.length(table.c[PARENT[kind]]), table.c[PARENT[kind]], table.c.seq] if kind in PARENT else [table.c.seq]
    )


def _changes(before: dict[str, Any], now: dict[str, Any]) -> str:
    return "; ".join(
        f"{name}: {_shown(before.get(name))} → {_shown(value)}"
        for name, value in now.items()
        if name not in ENVELOPE and value != before.get(name)
    )


def _shown(value: Any) -> str:
    return "empty" if value is None or value == {} else str(value)
