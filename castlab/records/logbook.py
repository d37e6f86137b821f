"""The logbook: open it, add, correct, look up, take it elsewhere. Everything it accepts is durable when the call returns.

Entries are in `castlab.records.entries`, photos in `castlab.records.photo_entries`; tables come from
`castlab.records.tables`, the one-row-per-trial frame from `castlab.records.frame`, folders of CSV from
`castlab.records.exchange`.
"""

from __future__ import annotations

import getpass
import warnings
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Self

from castlab.errors import CastlabWarning, InputError
from castlab.given import shown
from castlab.records import store
from castlab.records.entries import utc_now
from castlab.records.photo_entries import PhotoEntries
from castlab.units import standard_pressure_kpa

if TYPE_CHECKING:
    import pandas as pd


class Logbook(PhotoEntries):
    """A shop's record of its castings, in one SQLite file or a PostgreSQL database.

    Open it with `Logbook.open`; it may be used in a `with` statement, or closed with `close`.
    """

    @classmethod
    def open(
        cls,
        where: str | Path,
        *,
        who: str | None = None,
        altitude_m: float | None = None,
        photo_folder: str | Path | None = None,
        must_exist: bool = False,
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
        must_exist
            Refuse a path or database without a logbook, as all that only reads does: a mistyped name or a wrong folder
            must not start an empty one.
        clock
            Gives the time of an entry, UTC without zone (for tests and generated data).

        Raises
        ------
        InputError
            If the path or URL, the height, or the folder cannot be used.
        NotFoundError
            If it must exist and does not.
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
        book = cls(store.connect(where, must_exist=must_exist), who=who or getpass.getuser(), clock=clock)
        if altitude_m is not None:
            book.set("altitude_m", altitude_m)
        if photo_folder is not None:
            book._keep_photos_in(photo_folder)
        return book

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


def opened(book: object) -> Logbook:
    """The logbook that was given.

    Raises
    ------
    InputError
        If it is something else, such as None or a path.
    """
    if not isinstance(book, Logbook):
        raise InputError(f"book is {shown(book)}; accepted: an open logbook, book = Logbook.open('shop.db')")
    return book
