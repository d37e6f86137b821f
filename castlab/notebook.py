"""What the notebooks begin with and lean on: readable errors, the logbook, entries that a second run does not repeat.

No computation and no pictures here.
"""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from castlab import tables
from castlab.errors import CastlabError, CastlabWarning, ConflictError, InputError, NotFoundError
from castlab.given import nearest

if TYPE_CHECKING:
    import pandas as pd

    from castlab.records import Logbook
    from castlab.records.models import Record

R = TypeVar("R", bound="Record")

_format_warning = warnings.formatwarning

WIDTH = 88
"""Characters a line of a message may have: JupyterLab breaks longer ones within words."""


def start(
    logbook: str | Path | None = None, *, who: str | None = None, altitude_m: float | None = None
) -> Logbook | None:
    """Begin a notebook: errors of castlab show as one message, frames as the kit's tables, and the logbook is opened.

    Parameters
    ----------
    logbook
        Path or database URL of a logbook that exists; None opens none.
    who
        Who is logging; the computer's user name if not given.
    altitude_m
        Height of the shop above sea level, m; the logbook remembers it for gauge readings.

    Returns
    -------
    The `Logbook`, or None if no path was given.

    Raises
    ------
    NotFoundError
        If there is no such file: a notebook opened in the wrong folder must not start an empty logbook.
    InputError, LogbookError
        As `Logbook.open`.

    Examples
    --------
    >>> start() is None
    True
    """
    show_errors_plainly()
    show_frames_as_tables()
    if logbook is None:
        return None
    import pandas as pd

    pd.set_option("display.float_format", tables.short)
    from castlab.records import Logbook

    return Logbook.open(logbook, who=who, altitude_m=altitude_m, must_exist=True)


def show_errors_plainly() -> None:
    """From now on a CastlabError in this notebook shows its message alone (the cell still counts as failed), a warning too.

    Outside IPython this does nothing.
    """
    shell = _shell()
    if shell is not None:
        shell.set_custom_exc((CastlabError,), _show_message)
        warnings.simplefilter("always", CastlabWarning)
        warnings.formatwarning = _say_warning


def show_frames_as_tables() -> None:
    """From now on a DataFrame in this notebook shows as the kit's own tables do: words to the left, numbers to the right.

    Outside IPython this does nothing.
    """
    shell = _shell()
    if shell is not None:
        page = shell.display_formatter.formatters["text/html"]
        for module in ("pandas", "pandas.core.frame"):  # by name, which loads nothing; pandas 2 has the longer one
            page.for_type_by_name(module, "DataFrame", tables.framed)


def _shell() -> Any:
    """The IPython that this code runs in, or None."""
    import sys

    if "IPython" not in sys.modules:
        return None
    from IPython import get_ipython

    return get_ipython()


def _show_message(
    shell: Any, kind: type[BaseException], error: BaseException, _traceback: Any, **_options: Any
) -> list[str]:
    lines = f"This cell stopped. {error}".splitlines()
    message = ["\n".join(textwrap.fill(line, WIDTH, break_long_words=False) for line in lines)]
    shell._showtraceback(kind, error, message)
    return message


def _say_warning(message: Warning | str, category: type[Warning], *place: Any, **options: Any) -> str:
    if issubclass(category, CastlabWarning):
        return textwrap.fill(f"Note: {message}", WIDTH, break_long_words=False) + "\n"
    return _format_warning(message, category, *place, **options)


def save(book: Logbook, record: R, entry: str) -> R:
    """Write a record under the name of this entry, once however often the cell is run.

    Parameters
    ----------
    book
        The logbook.
    record
        A record without an id.
    entry
        A name for this entry, different for every batch, casting or score ("2026-08-03 first cup").

    Returns
    -------
    The record as it is in the logbook now, later corrections included.

    Raises
    ------
    ConflictError
        If something else was saved under this name; nothing is written.
    InputError, NotFoundError, LogbookError
        As `Logbook.add`.

    Examples
    --------
    >>> import tempfile, os
    >>> from castlab import Batch, Logbook
    >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
    >>> [save(book, Batch(resin_c=24), "Monday's cup").id for _ in range(2)]
    ['B-001', 'B-001']
    """
    if not entry.strip():
        raise InputError(
            "the entry has no name; accepted: a name of its own for every entry, such as '2026-08-03 cup 1'"
        )
    known = book.by_origin(record.kind, entry)
    if known is None:
        return book.add(record, origin=entry)
    first = _versions(book, known)[0]
    changed = [n for n in _content(record) if getattr(first, n) != getattr(record, n)]
    if not changed:
        return book.get(str(known.id))  # type: ignore[return-value]
    told = ", ".join(f"{n} was {getattr(first, n)}, now {getattr(record, n)}" for n in changed)
    raise ConflictError(
        f"{entry!r} was saved before as {known.id}, with other values ({told}); nothing was written. If this is a new "
        f"{record.kind}, give it an entry name of its own; if {known.id} was wrong, put the cell back as it was and "
        "correct it with a reason"
    )


def correct(book: Logbook, record_id: str, *, why: str, expected_version: int | None = None, **changes: Any) -> Record:
    """Correct a record with a reason, once however often the cell is run.

    Parameters
    ----------
    book
        The logbook.
    record_id
        The record's id, for example "B-014".
    why
        Why it is changed, in plain words.
    expected_version
        The version that was read before changing it; if it has moved on, nothing is written.
    **changes
        Field = new value, as `Logbook.correct` takes them.

    Returns
    -------
    The record as it is now. If this correction, for this reason, is in its history already, nothing is written.

    Raises
    ------
    NotFoundError, InputError, LogbookError
        As `Logbook.correct`.
    """
    now = book.get(record_id)
    for version in _versions(book, now):
        if version.why == why.strip():
            extra = changes.get("extra") and {"extra": {**getattr(version, "extra", {}), **changes["extra"]}}
            wanted = type(version)(**version.model_dump() | changes | (extra or {}))
            if _content(wanted) == _content(version):
                return now
    return book.correct(record_id, why=why, expected_version=expected_version, **changes)


def read_castings(
    book: Logbook, response: str, settings: Iterable[str] = (), *, product: str | None = None
) -> pd.DataFrame:
    """The logbook's frame, once it is known to hold what the notebook was asked to look at.

    Parameters
    ----------
    book
        The logbook.
    response
        Column with what came out; at least one casting must have it.
    settings
        Columns with what was done.
    product
        Only this product's castings; None for all.

    Returns
    -------
    DataFrame with one row per casting, as `Logbook.frame`.

    Raises
    ------
    NotFoundError
        If there are no castings, or none of this product.
    InputError
        If a column is not there, or no casting has the response yet.

    Examples
    --------
    >>> import tempfile, os
    >>> from castlab import Batch, Logbook, Score, Trial
    >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
    >>> casting = book.add(Trial(batch_id=book.add(Batch(resin_c=24)).id, product="pod block"))
    >>> score = book.add(Score(trial_id=casting.id, bubbles=3))
    >>> len(read_castings(book, "bubbles", ["resin_c"], product="pod block"))
    1
    """
    frame = book.frame(product=product)
    for column in [response, *settings]:
        if column not in frame:
            raise InputError(f"there is no column {column!r} in the logbook's castings{nearest(column, frame)}")
    if not len(frame):
        raise NotFoundError(
            "there are no castings in the logbook yet: log the first in notebook 1 and score it in notebook 2, or bring in a "
            "sheet in notebook 5"
        )
    if frame[response].isna().all():
        raise InputError(f"no casting has {response} yet: score some (notebook 2), or give another response")
    return frame


def read_scores(book: Logbook, scorers: Sequence[str]) -> pd.DataFrame:
    """The scores that these people gave, one row per score, as `Logbook.scores`.

    Raises
    ------
    NotFoundError
        If there are no scores, or none of these people's; the message names who scored.

    Examples
    --------
    >>> import tempfile, os
    >>> from castlab import Batch, Logbook, Score, Trial
    >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
    >>> casting = book.add(Trial(batch_id=book.add(Batch(resin_c=24)).id))
    >>> score = book.add(Score(trial_id=casting.id, scorer="Noor", bubbles=3))
    >>> read_scores(book, ["Noor", "Wim"])["bubbles"].tolist()
    [3]
    """
    scores = book.scores()
    if not len(scores):
        raise NotFoundError("no casting was scored yet: log castings in notebook 1 and score them in notebook 2")
    own = scores[scores["scorer"].isin(list(scorers))]
    if not len(own):
        counts = scores["scorer"].value_counts()
        known = ", ".join(f"{name} ({number})" for name, number in counts.items()) or "nobody who gave a name"
        raise NotFoundError(f"no score is by {' or '.join(map(str, scorers))}; so far scored: {known}")
    return own


def table(records: Iterable[Record], *columns: str) -> pd.DataFrame:
    """Records as a table by their ids, with these columns, or all that are filled in.

    Examples
    --------
    >>> from castlab import Mold
    >>> table([Mold(name="Block A", cavities=2)]).to_dict("records")
    [{'name': 'Block A', 'cavities': 2}]
    """
    import pandas as pd

    rows = [{"id": record.id, **_content(record)} for record in records]
    frame = pd.DataFrame(rows, columns=None if rows else ["id", *columns], dtype=object).set_index("id")
    frame = frame[list(columns)] if columns else frame.drop(columns=[n for n in frame if frame[n].isna().all()])
    return frame.where(frame.notna(), "")


def _content(record: Record) -> dict[str, Any]:
    from castlab.records.models import ENVELOPE

    return record.model_dump(exclude=set(ENVELOPE))


def _versions(book: Logbook, record: R) -> list[R]:
    """All versions of a record, oldest first."""
    rows = book.history(str(record.id)).to_dict("records")
    return [type(record)(**{name: row.get(name) for name in type(record).model_fields}) for row in rows]
