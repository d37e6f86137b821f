"""Castings that wait for something: still in their molds, or out of them."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from castlab.records.models import Trial

if TYPE_CHECKING:
    from castlab.records.logbook import Logbook


def in_their_molds(book: Logbook) -> list[Trial]:
    """The castings that nobody has logged as demolded, the one poured last first.

    Examples
    --------
    >>> import tempfile, os
    >>> from castlab import Batch, Logbook
    >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
    >>> cup = book.add(Batch(resin_c=24))
    >>> casting = book.add(Trial(batch_id=cup.id, product="pod block"))
    >>> [one.id for one in in_their_molds(book)]
    ['T-001.1']
    """
    found = [t for t in book.records("trial") if isinstance(t, Trial) and t.demold_h is None]
    return sorted(found, key=lambda t: t.poured_at or t.logged_at or datetime.min, reverse=True)


def hours_since_pour(casting: Trial, at: datetime) -> float | None:
    """Hours from the pour to a moment, or None if the time of the pour is not known or comes later.

    Examples
    --------
    >>> casting = Trial(batch_id="B-001", poured_at="2026-08-03 09:45")
    >>> hours_since_pour(casting, datetime(2026, 8, 4, 11, 45))
    26.0
    """
    if casting.poured_at is None or at < casting.poured_at:
        return None
    return round((at - casting.poured_at).total_seconds() / 3600, 2)


def without_score(book: Logbook) -> list[Trial]:
    """The castings that nobody has scored, those still in their molds last.

    Examples
    --------
    >>> import tempfile, os
    >>> from castlab import Batch, Logbook, Score
    >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
    >>> cup = book.add(Batch(resin_c=24))
    >>> castings = [book.add(Trial(batch_id=cup.id, demold_h=h)) for h in (None, 24, 24)]
    >>> score = book.add(Score(trial_id="T-001.2", bubbles=3))
    >>> [one.id for one in without_score(book)]
    ['T-001.3', 'T-001.1']
    """
    scored = {getattr(score, "trial_id", None) for score in book.records("score")}
    found = [t for t in book.records("trial") if isinstance(t, Trial) and t.id not in scored]
    return sorted(found, key=lambda t: t.demold_h is None)
