"""Single values and names as they were given, checked: whole numbers, numbers in a range, lists, names that are known."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from numbers import Integral, Real
from pathlib import Path
from typing import Any

from castlab.errors import InputError

MOST_NAMED = 12
"""So many accepted names are listed beside those that come near; more are only in the way."""
MOST_LISTED = 30
SLIP = 0.85
"""Likeness (difflib's ratio) from which a name is taken for a slip of the pen, and only the nearest one is told."""


def whole(name: str, value: Any, least: int) -> int:
    """`value` as a whole number from `least` up."""
    if isinstance(value, bool) or not isinstance(value, Integral) or value < least:
        raise InputError(f"{name} is {value!r}; accepted: a whole number from {least} up")
    return int(value)


def number(name: str, value: object, low: float, high: float) -> float:
    """The value as a number strictly between low and high."""
    wrong = value is None or isinstance(value, bool) or not isinstance(value, Real)
    if wrong or not low < float(value) < high:  # type: ignore[arg-type]
        ends = f"a number above {low:g}" if math.isinf(high) else f"a number between {low:g} and {high:g}"
        raise InputError(f"{name} is {value!r}; accepted: {'any number' if math.isinf(low) else ends}")
    return float(value)  # type: ignore[arg-type]


def at_least(name: str, value: object, low: float) -> float:
    """The value as a number from `low` up."""
    if isinstance(value, bool) or not isinstance(value, Real) or not low <= float(value) < math.inf:
        raise InputError(f"{name} is {value!r}; accepted: a number from {low:g} up")
    return float(value)


def listed(name: str, value: Any, what: str) -> list[Any]:
    """The value as a list; None as an empty one. A text is no list."""
    if value is not None and (isinstance(value, str) or not isinstance(value, Iterable)):
        raise InputError(f"{name} is {value!r}; accepted: a list of {what}")
    return [] if value is None else list(value)


def folder(place: Path, what: str) -> Path:
    """The folder that was given for something, made if it is missing.

    Raises
    ------
    InputError
        If it is a file, or cannot be made there.
    """
    try:
        place.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise InputError(f"{place} is a file; accepted: a folder for {what}") from None
    except OSError as exc:
        raise InputError(
            f"the folder {place} cannot be made ({exc.strerror}); accepted: a folder for {what} in a place that you may write to"
        ) from None
    return place


def processes(jobs: Any) -> int:
    """The number of processes asked for: 1 and more, or -1 for all cores.

    Raises
    ------
    InputError
        If it is neither.
    """
    if isinstance(jobs, bool) or not isinstance(jobs, Integral) or jobs == 0 or jobs < -1:
        raise InputError(f"jobs is {jobs!r}; accepted: a number of processes, or -1 for all cores")
    return int(jobs)


def nearest(name: str, names: Iterable[object], accepted: Iterable[object] | None = None) -> str:
    """The end of an error about an unknown name: the names that come near it, the accepted ones if they are few or none is near.

    >>> nearest("pour", ["pour_method", "bubbles"])
    '; did you mean pour_method? accepted: pour_method, bubbles'
    >>> nearest("bubles", ["bubbles", *map("setting_{}".format, range(40))])
    '; did you mean bubbles?'
    """
    known = [str(one) for one in names]
    close = difflib.get_close_matches(name, known, n=1, cutoff=SLIP)
    if not close:
        parts = [part for part in name.split() if len(part) > 3]
        close = [one for one in known if parts and name in one]
        close += difflib.get_close_matches(name, known, n=3, cutoff=0.5)
        close = list(dict.fromkeys([*close, *(one for one in known if any(part in one for part in parts))]))
    every = known if accepted is None else [str(one) for one in accepted]
    hint = f"; did you mean {' or '.join(close[:3])}?" if close else ";"
    if close and len(every) > MOST_NAMED:
        return hint
    more = f" and {len(every) - MOST_LISTED} more" if len(every) > MOST_LISTED else ""
    return f"{hint} accepted: {', '.join(every[:MOST_LISTED]) or 'none'}{more}"
