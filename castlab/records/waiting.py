"""Castings that wait for something: still in their molds, or out of them and not scored."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from castlab.records.models import Score, Trial

if TYPE_CHECKING:
    from castlab.records.logbook import Logbook


def is_out(demolded: Any, scores: Any) -> Any:
    """Out of the mold: logged as demolded, or scored, which nobody can do before. Of one casting, or of columns.

    Parameters
    ----------
    demolded
        Whether the hours to demolding are logged; or a column of it.
    scores
        Number of scores; or a column of them.

    Examples
    --------
    >>> is_out(True, 0), is_out(False, 1), is_out(False, 0)
    (True, True, False)
    """
    return demolded | (scores > 0)


def not_demolded(book: Logbook) -> list[Trial]:
    """The castings that nobody has logged as demolded, the one poured last first; one may be out and scored already.

    Examples
    --------
    >>> import tempfile, os
    >>> from castlab import Batch, Logbook
    >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
    >>> cup = book.add(Batch(resin_c=24))
    >>> casting = book.add(Trial(batch_id=cup.id, product="pod block"))
    >>> [one.id for one in not_demolded(book)]
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


def without_score(book: Logbook) -> tuple[list[Trial], list[Trial]]:
    """The castings that nobody has scored: those that wait for a score, and those still in their molds.

    Examples
    --------
    >>> import tempfile, os
    >>> from castlab import Batch, Logbook, Score
    >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
    >>> cup = book.add(Batch(resin_c=24))
    >>> castings = [book.add(Trial(batch_id=cup.id, demold_h=h)) for h in (None, 24, 24)]
    >>> score = book.add(Score(trial_id="T-001.2", bubbles=3))
    >>> waiting, in_molds = without_score(book)
    >>> [one.id for one in waiting], [one.id for one in in_molds]
    (['T-001.3'], ['T-001.1'])
    """
    scored = scored_castings(book)
    found = [t for t in book.records("trial") if isinstance(t, Trial) and t.id not in scored]
    out = {t.id for t in found if is_out(t.demold_h is not None, 0)}
    return [t for t in found if t.id in out], [t for t in found if t.id not in out]


def scored_castings(book: Logbook) -> set[str]:
    """Ids of the castings that have a score."""
    return {score.trial_id for score in book.records("score") if isinstance(score, Score)}
