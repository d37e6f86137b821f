"""The logbook: add, correct, look up. Everything it accepts is durable when the call returns.

Tables come from `castlab.records.tables`, the one-row-per-trial frame from `castlab.records.frame`, folders of CSV
from `castlab.records.exchange`.
"""

from __future__ import annotations

import contextlib
import getpass
import threading
import warnings
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self, TypeVar

import sqlalchemy as sa

from castlab.errors import CastlabWarning, ConflictError, InputError, NotFoundError
from castlab.records import rows, store
from castlab.records.models import ENVELOPE, Record
from castlab.records.tables import PARENT, SETTING
from castlab.units import standard_pressure_kpa

if TYPE_CHECKING:
    import pandas as pd

    from castlab.records.models import Photo
    from castlab.records.photos import PhotoStore

R = TypeVar("R", bound=Record)

TRIES = 5
"""How often an entry is tried again when another writer took the same number at the same moment."""


def utc_now() -> datetime:
    """Now in UTC without a zone, as the logbook stores it."""
    return datetime.now(UTC).replace(tzinfo=None)


class Logbook:
    """A shop's record of its castings, in one SQLite file or a PostgreSQL database.

    Open it with `Logbook.open`; it may be used in a `with` statement, or closed with `close`.
    """

    def __init__(self, engine: sa.Engine, *, who: str, clock: Callable[[], datetime] = utc_now) -> None:
        self._engine = engine
        self._writer = engine.execution_options(**store.WRITE)
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
        photo_folder: str | Path | None = None,
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
        photo_folder
            Where a logbook on a database server keeps its photos and what was marked in them: the whole path of a folder that
            all its users reach; remembered. A logbook file keeps them beside it.
        clock
            Gives the time of an entry, UTC without zone (for tests and generated data).

        Raises
        ------
        InputError
            If the path or URL, the height, or the folder cannot be used.
        LogbookError
            If the file is not a logbook, is damaged, locked, or was written by a newer castlab.

        Examples
        --------
        >>> import tempfile, os
        >>> from castlab import Batch, Logbook, Trial
        >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
        >>> book.add(Batch(resin_c=24)).id
        'B-001'
        """
        if altitude_m is not None:
            standard_pressure_kpa(altitude_m)  # refuses what is no height, before it is remembered
        book = cls(store.connect(where), who=who or getpass.getuser(), clock=clock)
        if altitude_m is not None:
            book.set("altitude_m", altitude_m)
        if photo_folder is not None:
            book._keep_photos_in(photo_folder)
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
        for _ in range(TRIES - 1):
            try:
                return self._add_once(record, origin)
            except ConflictError:
                if self._in_transaction:
                    raise
        return self._add_once(record, origin)

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
        if not why or not why.strip():
            raise InputError(f"a correction of {record_id} needs a reason: why='...'")
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
                    "a gauge reads against the air of the place: give the shop's height once, "
                    "Logbook.open(path, altitude_m=...)"
                )
            return units.pressure(text)
        return units.pressure(text, altitude_m=altitude)

    def frame(self, *, product: str | None = None) -> pd.DataFrame:
        """One row per casting: its batch's settings, its own, and its scores summarised (see `castlab.records.frame`).

        Raises NotFoundError if there are castings of other products only.
        """
        from castlab.records.frame import trial_frame

        with self._reading() as connection:
            return trial_frame(connection, product=product)

    def scores(self) -> pd.DataFrame:
        """One row per score: score_id, trial_id, scorer, how and when it was scored, and its readings.

        `castlab.analysis.fit_factors(..., scores=)` takes it to let every scorer's bias and noise into the answer.
        """
        from castlab.records.frame import score_frame

        with self._reading() as connection:
            return score_frame(connection)

    # --- photos --------------------------------------------------------------------------------------------

    def add_photo(
        self,
        trial_id: str,
        path: str | Path,
        *,
        view: str | None = None,
        mm_per_pixel: float | None = None,
        taken_at: datetime | str | None = None,
    ) -> Photo:
        """Keep a photo of a casting beside the logbook, its file unaltered, and log it.

        Parameters
        ----------
        trial_id
            The casting it shows.
        path
            The picture: JPEG, PNG, TIFF or HEIC.
        view
            What it shows (top, side, target through the casting).
        mm_per_pixel
            Its scale, mm per pixel.
        taken_at
            When it was taken; None takes what the camera noted.

        Returns
        -------
        Photo
            The record. The same file for the same casting is logged once.

        Raises
        ------
        NotFoundError
            If there is no such casting or file.
        InputError
            If the file is no whole picture, or the logbook is a database without a folder for photos.
        LogbookError
            If it cannot be written; nothing was logged.
        """
        from castlab.records import photos
        from castlab.records.models import Photo

        self.get(trial_id)
        if not isinstance(path, str | Path):
            raise InputError(
                f"a {type(path).__name__} is no path of a photo; accepted: a path; save the picture as a file first"
            )
        file = Path(path).expanduser()
        try:
            data = file.read_bytes()
        except OSError as exc:
            raise NotFoundError(f"the photo {file} cannot be read ({exc.strerror}); accepted: a picture file") from None
        picture = photos.opened(data, file.name)
        key = self.photo_store().put(data, photos.SUFFIXES[str(picture.format)])
        when = taken_at if taken_at is not None else photos.taken_at(picture)
        told: dict[str, Any] = {"view": view, "mm_per_pixel": mm_per_pixel, "taken_at": when}
        record = Photo(trial_id=trial_id, sha256=key, file_name=file.name, **told)
        return self.add(record, origin=f"photo {key} of {trial_id}")

    def photos(self, trial_id: str | None = None) -> list[Photo]:
        """The photos in the logbook, or those of one casting, withdrawn ones left out."""
        found: list[Any] = self.records("photo")
        return [photo for photo in found if trial_id is None or photo.trial_id == trial_id]

    def photo_path(self, photo_id: str) -> Path:
        """The file of a photo, to read and never to change.

        Raises
        ------
        NotFoundError
            If there is no such photo.
        LogbookError
            If its file is missing or damaged.
        """
        return self.photo_store().path(self._photo_key(photo_id))

    def thumbnail(self, photo_id: str, size: int = 320) -> Path:
        """A small JPEG of a photo, upright and without location data: at most `size` pixels wide and high.

        Raises as `photo_path`, and InputError for a size that is none.
        """
        return self.photo_store().thumbnail(self._photo_key(photo_id), size)

    def _photo_key(self, photo_id: str) -> str:
        record: Any = self.get(photo_id)
        if record.kind != "photo":
            raise InputError(f"{photo_id} is a {record.kind}; accepted: the id of a photo, such as P-014.3.1")
        return str(record.sha256)

    def photo_store(self) -> PhotoStore:
        """The files behind the records of photos, and what was marked in them.

        Raises InputError for a logbook on a server without a folder for photos.
        """
        from castlab.records.photos import PhotoStore

        folder = self.photo_folder
        if folder is None:
            raise InputError(
                "this logbook is on a database server, which holds no photos: say once in which folder they are kept, "
                "Logbook.open(..., photo_folder='/a/shared/folder') or Logbook.restore(..., photo_folder=...)"
            )
        return PhotoStore(folder)

    @property
    def photo_folder(self) -> Path | None:
        """Where photos and their marks are kept: beside a logbook file; for one on a server where `open` was told, or None."""
        url = self._engine.url
        if url.get_backend_name() == "sqlite":
            return Path(f"{url.database}.photos").absolute()
        folder = self.setting("photo_folder")
        return None if folder is None else Path(folder)

    def _keep_photos_in(self, folder: str | Path) -> None:
        if self._engine.url.get_backend_name() == "sqlite":
            raise InputError(f"photo_folder is for a database server; this logbook keeps photos in {self.photo_folder}")
        path = Path(folder).expanduser()
        if not path.is_absolute():
            raise InputError(f"photo_folder is {str(folder)!r}; accepted: the whole path of a folder, from its root")
        self.set("photo_folder", str(path))

    # --- the whole of it -----------------------------------------------------------------------------------

    def export(self, folder: str | Path) -> Path:
        """Write everything to a folder of CSV files with a JSON Schema and checksums; returns the folder.

        Photos come as copies without location data (see `castlab.records.photos`), with what was marked in them. One whose
        file is missing or damaged does not stop the rest: a `CastlabWarning` names it, and so does the manifest.
        """
        from castlab.records.exchange import export
        from castlab.records.photos import PhotoStore

        where = self.photo_folder
        with self._reading() as connection:
            return export(connection, Path(folder), None if where is None else PhotoStore(where))

    @classmethod
    def restore(
        cls, folder: str | Path, *, to: str | Path, who: str | None = None, photo_folder: str | Path | None = None
    ) -> Self:
        """Make a new logbook from an exported folder: every record, version and setting as it was.

        A `CastlabWarning` names the photos whose files were lost before the export. `photo_folder` as `open` takes it.

        Raises
        ------
        InputError
            If the folder is not an export, a checksum does not match, `to` already holds records, or is on a database
            server without a folder for the photos.
        """
        from castlab.records.exchange import check_folder, restore
        from castlab.records.exchange_photos import restored_without

        content = check_folder(Path(folder))
        book = cls.open(to, who=who)
        with book._writing() as connection:
            restore(connection, content)
            if photo_folder is not None:
                book._keep_photos_in(photo_folder)
            if content.pictures.copies or content.pictures.marks:
                content.pictures.put_into(book.photo_store())
        if content.pictures.lost:
            warnings.warn(restored_without(content.pictures.lost), CastlabWarning, stacklevel=2)
        return book

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
