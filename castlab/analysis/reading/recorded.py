"""What was recorded of a response that is not known exactly: limits, several readings, automatic counts.

`read` turns a frame's column, and what was said about it, into numbers and a `Known`. Nothing here fits anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from castlab.analysis import words
from castlab.analysis.reading import automatic, kinds, limits, scorers
from castlab.analysis.reading.known import Known, Readings
from castlab.errors import InputError

PHOTO_COUNT, PHOTO_INTERVAL = "auto_bubbles", ("auto_low", "auto_high")
"""The logbook's automatic count and its 95% interval, used by themselves."""


@dataclass(frozen=True)
class Recording:
    """How a response was recorded; the arguments of `fit_factors` of the same names."""

    at_least: str | None = None
    at_most: str | None = None
    missed: float | str | tuple[float, float] | None = None
    false_finds: float | str = 0.0
    within: tuple[str, str] | None = None
    scores: pd.DataFrame | None = None


EXACT = Recording()
"""Nothing was said: only what the frame itself shows counts."""


@dataclass(frozen=True)
class Read:
    """A response as numbers (a first guess where not known exactly), and what is known of it."""

    response: kinds.Response
    known: Known | None
    said: list[str]
    column: pd.Series | None = None
    """What to put in the frame's place, where that holds text or the scores say more."""


def read(frame: pd.DataFrame, response: str, kind: str | None, recording: Recording) -> Read:
    """The response of a frame as it was recorded.

    Raises
    ------
    InputError
        If the values do not fit the kind, or two ways of recording are given that exclude each other.
    """
    if recording.scores is not None:
        return _scored(frame, response, kind, recording)
    source = frame[response]
    column, at_least, at_most = limits.read_texts(source)
    said = []
    if at_least.any() or at_most.any():
        said.append(_limits_said(response, at_least, at_most, "as written"))
    flag = recording.at_least or (f"{response}_stopped" if f"{response}_stopped" in frame.columns else None)
    for name, flags, what in ((flag, at_least, "at least"), (recording.at_most, at_most, "at most")):
        if name is None:
            continue
        new = limits.read_flags(_column(frame, name)) & column.notna().to_numpy()
        if new.any():
            flags |= new
            none = np.zeros(len(new), dtype=bool)
            low, high = (new, none) if what == "at least" else (none, new)
            said.append(_limits_said(response, low, high, f"from {name}"))
    found = kinds.read(column, kind)
    limited = at_least | at_most
    readings = _automatic(frame, response, found, recording)
    if limited.any() and found.kind not in ("count", "measure"):
        raise InputError(f"{response} is a {found.kind}, which cannot be a limit; accepted: counts and measures")
    if limited.any() and readings is not None:
        raise InputError(
            f"{response} holds limits (stopped counts) and is said to be an automatic count; accepted: one of the two"
        )
    if readings is not None:
        n = len(found.values)
        # blanks stay blank; all else is known through the readings only
        return Read(found, Known(np.zeros(n), np.full(n, np.inf), readings), said)
    if response == PHOTO_COUNT:
        said.append(
            "An automatic count misses bubbles and finds false ones; it was taken as exact. Give missed=, or keep its interval "
            f"in {' and '.join(PHOTO_INTERVAL)}."
        )
    if not limited.any():
        return Read(found, None, said)
    low, high = found.values.copy(), found.values.copy()
    high[at_least] = np.inf
    low[at_most] = _floor(found)
    return Read(found, Known(low, high), said, None if column is source else column)


def _floor(found: kinds.Response) -> float:
    """The least that a value below its limit can be: zero where nothing below zero, and no limit of zero, was recorded."""
    seen = found.values[~np.isnan(found.values)]
    return 0.0 if found.kind == "count" or seen.min() > 0 else -np.inf


def _limits_said(response: str, at_least: np.ndarray, at_most: np.ndarray, where: str) -> str:
    parts = [
        f"{words.count(int(flags.sum()), 'casting')} {what} the number given"
        for flags, what in ((at_least, "at least"), (at_most, "at most"))
        if flags.any()
    ]
    return f"{response} is known only to a limit ({where}): {words.listing(parts)}."


def _column(frame: pd.DataFrame, name: str) -> pd.Series:
    if not isinstance(name, str) or name not in frame.columns:
        raise InputError(f"the frame has no column {name!r}; accepted: the name of one of its columns")
    return frame[name]


def _automatic(frame: pd.DataFrame, response: str, found: kinds.Response, recording: Recording) -> Readings | None:
    within = recording.within
    both = response == PHOTO_COUNT and set(PHOTO_INTERVAL) <= set(frame.columns)
    if both and recording.missed is None and within is None:
        within = PHOTO_INTERVAL if frame[list(PHOTO_INTERVAL)].notna().all(axis=1).any() else None
    if within is None and recording.missed is None:
        if isinstance(recording.false_finds, str) or recording.false_finds:
            raise InputError("false_finds= belongs to an automatic count; give missed= too (0 if it misses none)")
        return None
    if found.kind != "count":
        raise InputError(f"missed= and within= belong to counts, but {response} is a {found.kind}; leave them out")
    if within is not None and recording.missed is not None:
        raise InputError("missed= and within= both say how far an automatic count may be off; accepted: one of them")
    counts = np.nan_to_num(found.values)
    if within is not None:
        if isinstance(within, str) or len(within) != 2:
            raise InputError(f"within is {within!r}; accepted: the names of two columns, lower and upper 95% limit")
        low, high = (kinds.numbers(_column(frame, name)) for name in within)
        low, high = (np.where(np.isnan(v), counts, v) for v in (low, high))
        if (low < 0).any() or (low > high).any():
            raise InputError(f"{within[0]} must be 0 or more and not above {within[1]}")
        return automatic.Within(counts, low, high)
    share, check = _missed(frame, recording.missed)
    false = _per_casting(frame, recording.false_finds, "false_finds")
    if (false < 0).any():
        raise InputError("false_finds is below 0; accepted: the mean number of false finds per casting, 0 or more")
    return automatic.Missed(counts, share, check, false)


def _missed(
    frame: pd.DataFrame, missed: float | str | Sequence[float] | None
) -> tuple[np.ndarray | None, tuple[float, float] | None]:
    accepted = "accepted: a share from 0 to below 1, a column of such shares, or (missed, out of) from a check"
    if isinstance(missed, (tuple, list)):
        if len(missed) != 2 or not all(isinstance(v, (int, float)) for v in missed) or not 0 <= missed[0] < missed[1]:
            raise InputError(f"missed is {missed!r}; {accepted}")
        return None, (float(missed[0]), float(missed[1]))
    share = _per_casting(frame, missed, "missed")
    if ((share < 0) | (share >= 1)).any():
        raise InputError(f"missed holds {share[(share < 0) | (share >= 1)][0]:g}; {accepted}")
    return share, None


def _per_casting(frame: pd.DataFrame, value: object, what: str) -> np.ndarray:
    if isinstance(value, str):
        found = kinds.numbers(_column(frame, value))
        if np.isnan(found).any():
            raise InputError(f"{value} is empty for some castings; accepted for {what}=: a number for every casting")
        return found
    if isinstance(value, bool) or not isinstance(value, (int, float, np.number)) or not np.isfinite(value):
        raise InputError(f"{what} is {value!r}; accepted: a number, or the name of a column")
    return np.full(len(frame), float(value))


def _scored(frame: pd.DataFrame, response: str, kind: str | None, recording: Recording) -> Read:
    scores = recording.scores
    if any((recording.at_least, recording.at_most, recording.missed, recording.within)):
        raise InputError(
            "scores= brings its own limits (a column that ends in _stopped); accepted with it: no at_least, at_most, missed or within"
        )
    if not isinstance(scores, pd.DataFrame):
        raise InputError(f"scores is a {type(scores).__name__}; accepted: a DataFrame such as Logbook.scores()")
    if lacking := [c for c in (scorers.KEY, "scorer", response) if c not in scores.columns]:
        raise InputError(
            f"scores= has no column {lacking[0]!r}; accepted: one row per score with {scorers.KEY}, scorer and {response}"
        )
    if scorers.KEY not in frame.columns:
        raise InputError(f"the frame has no column {scorers.KEY!r}, so scores= cannot be matched to its castings")
    numbers, _, _ = limits.read_texts(scores[response])
    found = kinds.read(numbers, kind)
    each = scorers.read(scores, frame[scorers.KEY], response, found.kind, found.grades)
    values = np.where(np.bincount(each.casting, minlength=len(frame)) > 0, each.first(), np.nan)
    response_values = kinds.Response(values, found.kind, found.said, found.grades)
    told = pd.Series(values, index=frame.index)
    if found.kind == "grade":
        told = told.map(lambda code: found.grades[int(code)], na_action="ignore")
    elif found.kind == "pass":
        told = told.map(bool, na_action="ignore").astype("boolean")
    if each.twice == 0:
        one = len(each.names) == 1
        who = "one scorer" if one else f"{len(each.names)} scorers, never two for one casting"
        return Read(response_values, None, [
            f"Every casting was read once ({who}): nothing here says how far a reading is off, and the values were taken as "
            f"exact{'' if one else '; name the scorer as a factor to allow for a harsher eye'}. "
            "Let two people score the same castings, six or more."
        ], told)  # fmt: skip
    if found.kind == "measure":
        low, high = np.full(len(frame), -np.inf), np.full(len(frame), np.inf)
    elif found.kind == "count":
        low, high = np.zeros(len(frame)), np.full(len(frame), np.inf)
    else:
        low, high = np.zeros(len(frame)), np.full(len(frame), float(max(len(found.grades) - 1, 1)))
    said = []
    if len(each.names) == 1:
        said.append("All readings are by one scorer: how harsh that eye is cannot be known from them.")
    return Read(response_values, Known(low, high, each), said, told)
