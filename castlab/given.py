"""Single values and names as they were given, checked: whole numbers, numbers in a range, lists, names that are known."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Sized
from decimal import Decimal
from numbers import Integral, Real
from pathlib import Path
from typing import Any

from castlab.errors import InputError

SHORT = 80
"""Characters up to which a value is repeated in a message."""
MOST_PROCESSES = 256
MOST_NAMED = 12
"""So many accepted names are listed beside those that come near; more are only in the way."""
MOST_LISTED = 30
SLIP = 0.85
"""Likeness (difflib's ratio) from which a name is taken for a slip of the pen, and only the nearest one is told."""


def shown(value: Any) -> str:
    """The value for a message: as it was written where that is short, else what it is.

    >>> shown("ladle"), shown(list(range(1000)))
    ("'ladle'", 'a list of 1000')
    """
    if getattr(value, "shape", None) == () and hasattr(value, "item"):
        value = value.item()
    name = type(value).__name__
    what = f"{'an' if name[0] in 'aeiouAEIOU' else 'a'} {name}"
    if hasattr(value, "shape"):
        return f"{what} of {' x '.join(map(str, value.shape))}"
    try:
        text = repr(value)
    except ValueError:  # a whole number of more digits than Python writes
        return "a number of thousands of digits"
    if isinstance(value, str):
        return text if len(text) <= SHORT else f"{text[:SHORT]}..."
    if isinstance(value, int) and len(text) > SHORT:
        return f"a number of {len(text)} digits"
    if len(text) <= SHORT and "\n" not in text and " at 0x" not in text:
        return text
    return f"{what} of {len(value)}" if isinstance(value, Sized) else what


def as_number(value: Any) -> float | None:
    """The value as a number, nan where it is beyond all numbers; None where it is no number."""
    if isinstance(value, bool) or not isinstance(value, (Real, Decimal)):
        return None
    try:
        return float(value)
    except (OverflowError, ValueError):
        return math.nan


def whole(name: str, value: Any, least: int) -> int:
    """`value` as a whole number from `least` up."""
    if isinstance(value, bool) or not isinstance(value, Integral) or value < least:
        raise InputError(f"{name} is {shown(value)}; accepted: a whole number from {least} up")
    return int(value)


def number(name: str, value: object, low: float, high: float) -> float:
    """The value as a number strictly between low and high."""
    found = as_number(value)
    if found is None or not low < found < high:
        ends = f"a number above {low:g}" if math.isinf(high) else f"a number between {low:g} and {high:g}"
        raise InputError(f"{name} is {shown(value)}; accepted: {'any number' if math.isinf(low) else ends}")
    return found


def at_least(name: str, value: object, low: float) -> float:
    """The value as a number from `low` up."""
    found = as_number(value)
    if found is None or not low <= found < math.inf:
        raise InputError(f"{name} is {shown(value)}; accepted: a number from {low:g} up")
    return found


def flag(name: str, value: Any) -> bool:
    """The value, which is True or False."""
    if type(value).__name__ not in ("bool", "bool_"):
        raise InputError(f"{name} is {shown(value)}; accepted: True or False")
    return bool(value)


def one_of(name: str, value: Any, accepted: Iterable[str]) -> str:
    """The value, which is one of these words."""
    words = list(accepted)
    if not isinstance(value, str) or value not in words:
        raise InputError(f"{name} is {shown(value)}; accepted: {', '.join(words)}")
    return value


def elements(value: Any) -> list[Any] | None:
    """The elements of a list of any kind, None for what is none; a text is none."""
    if isinstance(value, (str, bytes)) or not isinstance(value, Iterable) or getattr(value, "shape", None) == ():
        return None
    return list(value)


def listed(name: str, value: Any, what: str) -> list[Any]:
    """The value as a list; None as an empty one. A text is no list."""
    if value is None:
        return []
    found = elements(value)
    if found is None:
        raise InputError(f"{name} is {shown(value)}; accepted: a list of {what}")
    return found


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
    """The number of processes asked for: 1 to 256, or -1 for all cores.

    Raises
    ------
    InputError
        If it is neither.
    """
    if isinstance(jobs, bool) or not isinstance(jobs, Integral) or jobs == 0 or not -1 <= int(jobs) <= MOST_PROCESSES:
        raise InputError(
            f"jobs is {shown(jobs)}; accepted: a number of processes, up to {MOST_PROCESSES}, or -1 for all cores"
        )
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
