"""Entries that are still being typed: kept beside the logbook at every change, so that nothing typed is lost.

A draft has a revision; whoever keeps it says which one was read, so that two windows cannot overwrite each other.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from castlab.errors import ConflictError, LogbookError

if TYPE_CHECKING:
    from castlab.records.logbook import Logbook

KEPT_DAYS = 30
"""How long a draft that was saved or discarded is remembered, so that a window left open learns what became of it."""

_TABLE = """
CREATE TABLE IF NOT EXISTS draft (
    id TEXT PRIMARY KEY, form TEXT NOT NULL, revision INTEGER NOT NULL, begun_at TEXT NOT NULL, changed_at TEXT NOT NULL,
    ended TEXT, content TEXT NOT NULL
)
"""


@dataclass(frozen=True)
class Draft:
    """What was typed into a form so far. `ended` says what became of it; None while it is open."""

    id: str
    form: str
    revision: int
    begun_at: datetime
    changed_at: datetime
    content: dict[str, Any]
    ended: str | None = None

    @property
    def origin(self) -> str:
        """The name under which its entry is written to the logbook, once."""
        return f"draft {self.id}"


class Drafts:
    """The drafts of one logbook.

    Parameters
    ----------
    path
        The file, made on first use.
    clock
        Gives the time, shop clock.

    Examples
    --------
    >>> import tempfile, os
    >>> drafts = Drafts(os.path.join(tempfile.mkdtemp(), "shop.db.drafts"))
    >>> draft = drafts.begin("batch", {"resin_g": "288"})
    >>> draft = drafts.keep(draft, {"resin_g": "288.4"})
    >>> drafts.latest("batch").content
    {'resin_g': '288.4'}
    >>> drafts.end(draft, "saved as B-001")
    >>> drafts.latest("batch") is None
    True
    """

    def __init__(self, path: str | Path, *, clock: Callable[[], datetime] = datetime.now) -> None:
        self._path = Path(path)
        self._clock = clock

    def begin(self, form: str, content: dict[str, Any]) -> Draft:
        """A new draft."""
        now = self._clock()
        draft = Draft(uuid.uuid4().hex, form, 1, now, now, content)
        with self._connected() as connection:
            connection.execute(
                "INSERT INTO draft VALUES (?, ?, ?, ?, ?, NULL, ?)",
                (draft.id, form, 1, _text(now), _text(now), json.dumps(content)),
            )
            connection.execute(
                "DELETE FROM draft WHERE ended IS NOT NULL AND changed_at < ?",
                (_text(now - timedelta(days=KEPT_DAYS)),),
            )
        return draft

    def keep(self, draft: Draft, content: dict[str, Any]) -> Draft:
        """The draft with new content.

        Raises
        ------
        ConflictError
            If it was changed, saved or discarded elsewhere since it was read; nothing is overwritten.
        """
        new = replace(draft, revision=draft.revision + 1, changed_at=self._clock(), content=content)
        with self._connected() as connection:
            done = connection.execute(
                "UPDATE draft SET revision = ?, changed_at = ?, content = ?"
                " WHERE id = ? AND revision = ? AND ended IS NULL",
                (new.revision, _text(new.changed_at), json.dumps(content), draft.id, draft.revision),
            )
            if done.rowcount:
                return new
            now = self._read(connection, draft.id)
        if now is None:
            raise ConflictError("this draft is no longer kept; nothing was overwritten")
        what = f"was {now.ended}" if now.ended else "was changed"
        raise ConflictError(f"this draft {what} in another window at {now.changed_at:%H:%M}; nothing was overwritten")

    def end(self, draft: Draft, ended: str) -> None:
        """Close a draft that was saved or discarded, with what became of it. Closing it twice does no harm."""
        now = self._clock()
        with self._connected() as connection:
            connection.execute(
                "UPDATE draft SET ended = ?, revision = revision + 1, changed_at = ? WHERE id = ? AND ended IS NULL",
                (ended, _text(now), draft.id),
            )

    def latest(self, form: str) -> Draft | None:
        """The open draft of this form that was changed last, or None."""
        return next(iter(self.open(form)), None)

    def open(self, form: str) -> list[Draft]:
        """The open drafts of this form, the one changed last first."""
        if not self._path.exists():
            return []
        with self._connected() as connection:
            rows = connection.execute(
                "SELECT id, form, revision, begun_at, changed_at, content, ended FROM draft"
                " WHERE form = ? AND ended IS NULL ORDER BY changed_at DESC",
                (form,),
            ).fetchall()
        return [_draft(row) for row in rows]

    def get(self, draft_id: str) -> Draft | None:
        """A draft as it is now, open or ended, or None."""
        if not self._path.exists():
            return None
        with self._connected() as connection:
            return self._read(connection, draft_id)

    @staticmethod
    def _read(connection: sqlite3.Connection, draft_id: str) -> Draft | None:
        row = connection.execute(
            "SELECT id, form, revision, begun_at, changed_at, content, ended FROM draft WHERE id = ?", (draft_id,)
        ).fetchone()
        return None if row is None else _draft(row)

    @contextlib.contextmanager
    def _connected(self) -> Iterator[sqlite3.Connection]:
        try:
            with contextlib.closing(sqlite3.connect(self._path, timeout=5)) as connection, connection:
                connection.execute(_TABLE)
                yield connection
        except sqlite3.Error as problem:
            raise LogbookError(
                f"the draft could not be kept in {self._path.name} ({problem}): check the disk and its permissions"
            ) from problem


def drafts_of(book: Logbook) -> Drafts:
    """The drafts kept beside a logbook; those of a database server are kept in the folder one works in."""
    url = book._engine.url
    beside = Path(str(url.database)) if url.get_backend_name() == "sqlite" else Path(Path(str(url.database)).name)
    return Drafts(beside.with_name(f"{beside.name}.drafts"))


def _draft(row: tuple[Any, ...]) -> Draft:
    name, form, revision, begun, changed, content, ended = row
    return Draft(
        name, form, revision, datetime.fromisoformat(begun), datetime.fromisoformat(changed), json.loads(content), ended
    )


def _text(moment: datetime) -> str:
    return moment.isoformat(sep=" ")
