"""Scoring again without seeing what was said before: planning the session and entering what was read."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import stats

from castlab.analysis import words
from castlab.errors import ConflictError, InputError
from castlab.given import shown, whole
from castlab.records.logbook import opened
from castlab.results import Result
from castlab.scoring import keeping, ratings
from castlab.scoring.lengths import above_zero

if TYPE_CHECKING:
    from castlab.records import Logbook, Score
    from castlab.scoring.blind_sheet import Paper
    from castlab.scoring.rubric import Rubric

_LISTS = {"castings": "['T-001.1', 'T-001.2']", "scorers": "['Ada', 'Noor']", "readings": "['bubbles']"}
_MOST = 10_000
"""Castings beyond which no session is planned: half-widths that ask for more are refused."""
_FEW = 4
"""Scorers below which a caution tells how little they say of others."""
_FIXED = ("trial_id", "scorer", "scored_at", "method", "rubric", "extra_grades")
"""Fields of a score that a blind session fills in itself."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Rescoring(Result):
    """A blind session: `sheets` has one row per reading to make: scorer, place (order), code (on the casting's label), empty
    columns to fill in. `key` says which casting each code is; whoever reads must not see it.

    `half_width` is how well the session will know the agreement of single readings, if it is about `expected`; `precision`
    tells the same (half_width) for other numbers of castings.
    """

    sheets: pd.DataFrame
    key: pd.DataFrame
    half_width: float
    expected: float
    needed: int | None
    precision: pd.DataFrame = field(repr=False)

    @property
    def name(self) -> str:
        """Six signs made from its castings, codes and orders: the same plan has the same name."""
        told = self.key.to_csv(index=False) + self.sheets[["scorer", "round", "code"]].to_csv(index=False)
        return hashlib.sha256(told.encode()).hexdigest()[:6]

    def tables(self) -> dict[str, pd.DataFrame]:
        """The order of each scorer; `sheets` and `paper` have the boxes to fill in."""
        groups = self.sheets.groupby(["scorer", "round"], sort=False)["code"]
        return {"In which order": groups.agg(" ".join).rename("codes, in order").reset_index()}

    def paper(self, rubric: Rubric | None = None) -> Paper:
        """The sheets to print, a page for each scorer and round, with what the grades of this rubric mean.

        Raises
        ------
        InputError
            If more readings are asked for than paper has room for.

        Examples
        --------
        >>> session = plan_rescoring(["T-001.1", "T-001.2", "T-001.3"], ["Ada", "Noor"], readings=["bubbles", "clarity_grade"])
        >>> session.paper().html.count("<main")
        2
        """
        from castlab.scoring import blind_sheet

        return blind_sheet.sheets(self, rubric)

    def key_paper(self) -> Paper:
        """The key to print, for who puts on the labels and does not score."""
        from castlab.scoring import blind_sheet

        return blind_sheet.key(self)


def plan_rescoring(
    castings: Sequence[str] | pd.DataFrame,
    scorers: Sequence[str],
    *,
    readings: Sequence[str] = ("bubbles",),
    by: str | None = None,
    how_many: int | None = None,
    half_width: float | None = None,
    expected: float = 0.8,
    repeats: int = 1,
    seed: int = 1,
    keep: str | Path | None = None,
) -> Rescoring:
    """Choose castings and an order for each scorer to read them, without names that tell what was said before.

    Parameters
    ----------
    castings : sequence of ids, or DataFrame
        The castings at hand; a frame has their ids in `trial_id`.
    scorers : sequence of str
        Who will read.
    readings : sequence of str
        What to write down: a column each on the sheet.
    by : str, optional
        Column of the frame by which good and bad castings are mixed: castings are drawn evenly from low to high of it.
    how_many : int, optional
        Castings to read; None takes what `half_width` asks for, else all.
    half_width : float, optional
        How well the agreement of single readings (intraclass correlation) should be known, half of a 95% interval.
    expected : float
        The agreement expected, between 0 and 1.
    repeats : int
        How often each scorer reads each casting, in separate rounds; 2 or more make a `gauge_study` possible.
    seed : int
        Of the drawing and the orders.
    keep : path, optional
        File to keep the session in. Where it is there already, the session in it is returned as it was planned, whatever
        has been logged since: the readings of printed sheets belong to it.

    Returns
    -------
    Rescoring
        `.sheets`, `.key`, `.half_width`, `.needed`, `.verdict`.

    Raises
    ------
    InputError
        For fewer than two castings, one casting twice, or numbers out of range.
    ConflictError
        If the file to keep it in holds a session that was asked for otherwise.

    Notes
    -----
    Castings for a half-width w at agreement r with k readings each: Bonett, Statistics in Medicine 21, 2002, 1331-1335. With
    several scorers k is their number: what one person says again may be like what that person said before, and then further
    rounds make nothing surer about what two people say.

    Examples
    --------
    >>> session = plan_rescoring([f"T-001.{i}" for i in range(1, 11)], ["Ada", "Noor"], seed=3)
    >>> len(session.sheets), session.sheets["code"].nunique()
    (20, 10)
    """
    for name, given in (("castings", castings), ("scorers", scorers), ("readings", readings)):
        if isinstance(given, str) or not isinstance(given, Iterable):
            raise InputError(f"{name} is {given!r}; accepted: a list, such as {_LISTS[name]}")
    readings = list(readings)
    if (
        not readings
        or len(set(map(str, readings))) != len(readings)
        or not all(isinstance(n, str) and n.strip() for n in readings)
    ):
        raise InputError(
            f"readings are {readings!r}; accepted: one or more different names, such as {_LISTS['readings']}"
        )
    if taken := sorted({"scorer", "round", "place", "code", "trial_id"} & set(readings)):
        raise InputError(
            f"readings name {', '.join(taken)}, which the sheet has of its own; accepted: what is read of a casting"
        )
    ids, order = _castings(castings, by)
    people = ["" if pd.isna(s) else str(s).strip() for s in scorers]
    if len(set(people)) < 1 or len(set(people)) != len(people) or not all(people):
        raise InputError(f"scorers are {list(scorers)!r}; accepted: one or more different names")
    for name, number, least in (("repeats", repeats, 1), ("how_many", how_many, 2)):
        if number is not None:
            whole(name, number, least)
    if not 0 < above_zero(expected) < 1:
        raise InputError(f"expected is {expected!r}; accepted: a number between 0 and 1")
    if half_width is not None and not 0 < above_zero(half_width) < 1:
        raise InputError(f"half_width is {half_width!r}; accepted: a number between 0 and 1")
    k = len(people) if len(people) > 1 else repeats
    needed = castings_for(half_width, expected, k) if half_width is not None and k > 1 else None
    if half_width is not None and k == 1:
        raise InputError("half_width needs two readings of each casting; accepted: with a second scorer or repeats=2")
    if needed is not None and needed > _MOST:
        raise InputError(f"half_width {half_width:g} would take {needed} castings; accepted: a wider one, such as 0.1")
    wanted = how_many if how_many is not None else min(needed or len(ids), len(ids))
    if wanted > len(ids):
        raise InputError(f"how_many is {wanted}, but there are {len(ids)} castings; accepted: up to {len(ids)}")
    rng = np.random.default_rng(whole("seed", seed, 0))
    chosen = _spread_out(ids, order, wanted, rng)
    codes = [
        f"{letter}{number}" for number in range(1, 1 + math.ceil(wanted / 20)) for letter in "ABCDEFGHJKLMNPQRSTUV"
    ]
    key = pd.DataFrame({"code": codes[:wanted], "trial_id": rng.permutation(chosen)})
    rows = []
    for person in people:
        for turn in range(1, repeats + 1):
            for place, code in enumerate(rng.permutation(key["code"].to_numpy()), start=1):
                rows.append((person, turn, place, str(code)))
    sheets = pd.DataFrame(rows, columns=["scorer", "round", "place", "code"]).assign(**dict.fromkeys(readings, ""))
    reached = _half_width(wanted, expected, k) if k > 1 and wanted > 2 else math.nan
    cautions = ["Label the castings with the codes and keep the key away from whoever reads."]
    if needed is not None and needed > wanted:
        cautions.append(f"For a half-width of {half_width:.2g} it would take {words.count(needed, 'casting')}.")
    if by is None:
        cautions.append("Castings were drawn without looking at how good they were; by= draws evenly from good to bad.")
    if 1 < len(people) < _FEW:
        cautions.append(
            f"{words.count(len(people), 'scorer')} hardly tell how far other people differ from them in level; that is not in the ±."
        )
    known = (
        f" If the agreement of single readings is about {expected:.2g}, it will be known to about ± {reached:.2g}."
        if math.isfinite(reached)
        else " One reading of each casting shows no agreement; add a scorer or a second round."
    )
    planned = Rescoring(
        verdict=(
            f"{words.count(wanted, 'casting')}, {words.count(len(people), 'scorer')}, "
            f"{words.count(repeats, 'round')} each in an order of its own: {words.count(len(rows), 'reading')}.{known}"
        ), cautions=tuple(cautions), sheets=sheets, key=key, half_width=reached, expected=expected, needed=needed,
        precision=_precision(max(40, wanted, needed or 0), expected, k),
    )  # fmt: skip
    if keep is None:
        return planned
    asked = {
        "scorers": people, "readings": list(readings), "by": by, "how_many": how_many, "half_width": half_width,
        "expected": expected, "repeats": repeats, "seed": seed,
    }  # fmt: skip
    return keeping.kept(planned, asked, keep)


def enter_rescoring(
    book: Logbook,
    session: Rescoring,
    scorer: str,
    readings: Mapping[str, Mapping[str, Any]],
    *,
    printed: str,
    scored_at: datetime | str,
    turn: int = 1,
    rubric: Rubric | None = None,
) -> list[Score]:
    """Write a scorer's readings of a blind session as scores of the castings behind the codes.

    Parameters
    ----------
    book
        The logbook.
    session
        The plan, as it was kept when the sheets were printed.
    scorer
        Who read.
    readings
        Code on the label -> readings as the sheet names them, fields of a Score: {"A1": {"bubbles": 3}}.
    printed
        Code of the session as it stands at the head of the sheet, such as "5c1f2e".
    scored_at
        When they were read, shop clock.
    turn
        Which round.
    rubric
        What the grades mean; scores with a grade carry its version, and items of your own are known by it.

    Returns
    -------
    The scores. Entered again with the same values, nothing is written twice.

    Raises
    ------
    InputError
        If the scorer or a code is not part of the session; nothing is written.
    ConflictError
        If the sheets were printed for another session, or other values were entered for the same reading before; nothing is written.
    """
    from castlab.records.models import READINGS, Score
    from castlab.scoring.rubric import Rubric

    opened(book)
    if not isinstance(session, Rescoring):
        raise InputError(
            f"session is {shown(session)}; accepted: the plan of the session, plan_rescoring(..., keep=file)"
        )
    if not isinstance(scorer, str):
        raise InputError(f"scorer is {shown(scorer)}; accepted: the name of one scorer of the session")
    if rubric is not None and not isinstance(rubric, Rubric):
        raise InputError(f"rubric is {shown(rubric)}; accepted: what rubric.load(...) gave, or None")
    whole("turn", turn, 1)
    if printed != session.name:
        raise ConflictError(
            f"the readings are of session {printed}, the plan given is session {session.name}, whose codes stand for other "
            "castings or orders: nothing was written. Give the plan that was kept when the sheets were printed "
            "(plan_rescoring with keep=), and the code at the head of the sheet"
        )
    sheet = session.sheets[(session.sheets["scorer"] == scorer) & (session.sheets["round"] == turn)]
    codes = dict(zip(session.key["code"], session.key["trial_id"], strict=True))
    _check_readings(readings)
    try:
        when = pd.NaT if isinstance(scored_at, int | float) else pd.Timestamp(scored_at).to_pydatetime()
    except (ValueError, TypeError):
        when = pd.NaT
    if pd.isna(when):
        raise InputError(f"scored_at is {scored_at!r}; accepted: a day or a time such as '2026-06-01 10:00'")
    unknown = sorted(set(readings) - set(sheet["code"]))
    if unknown:
        raise InputError(
            f"round {turn} of {scorer} has no {', '.join(unknown)}; accepted: {', '.join(sorted(sheet['code'])) or 'none'}"
        )
    scores = []
    with book.together():
        for code, fields in readings.items():
            casting = str(codes[code])
            told = _graded_by(rubric, fields)
            score = Score(trial_id=casting, scorer=scorer, scored_at=when, method="blind", **told)
            origin = f"blind session {session.name}, {scorer}, round {turn}, {casting}"
            kept = book.add(score, origin=origin)
            if kept.withdrawn:
                raise ConflictError(
                    f"{code} of {scorer} was entered before as {kept.id}, which has been withdrawn since: nothing was "
                    "written. Leave it out here, or correct that score with withdrawn=False and a reason"
                )
            same = all(getattr(kept, name) == getattr(score, name) for name in (*READINGS, "extra_grades"))
            if not same and kept.version == 1:
                raise ConflictError(
                    f"{code} was entered before by {scorer} with other values, as {kept.id}: correct that with a reason; "
                    "nothing was written"
                )
            scores.append(kept)
    return scores


def _check_readings(readings: Mapping[str, Mapping[str, Any]]) -> None:
    if not isinstance(readings, Mapping) or not all(isinstance(code, str) for code in readings):
        raise InputError(
            f'the readings are {readings!r}; accepted: code -> what was read, such as {{"A1": {{"bubbles": 3}}}}'
        )
    for code, fields in readings.items():
        if not isinstance(fields, Mapping) or not all(isinstance(name, str) for name in fields):
            raise InputError(f'the reading of {code} is {fields!r}; accepted: what was read by name, {{"bubbles": 3}}')
        if fixed := sorted(set(fields) & set(_FIXED)):
            raise InputError(f"the reading of {code} names {', '.join(fixed)}, which the session sets; leave it out")


def _graded_by(rubric: Rubric | None, fields: Mapping[str, Any]) -> dict[str, Any]:
    """The readings as fields of a Score: with the rubric's version where one is graded, items of one's own as it keeps them."""
    told = dict(fields)
    if rubric is None or not any(name.endswith("_grade") for name in told):
        return told
    own = {item.key: told.pop(f"{item.key}_grade", None) for item in rubric.items if item.field is None}
    return {"rubric": rubric.version, **told, "extra_grades": own}


def _castings(castings: Sequence[str] | pd.DataFrame, by: str | None) -> tuple[list[str], np.ndarray | None]:
    if isinstance(castings, pd.DataFrame):
        for column in ("trial_id", *([by] if by else [])):
            if column not in castings.columns:
                raise InputError(f"the castings have no column {column!r}")
        ids = [str(v) for v in castings["trial_id"]]
        order = ratings.numbers(castings[by]) if by else None
    else:
        if by is not None:
            raise InputError("by= needs a frame of castings with that column")
        ids, order = [str(v) for v in castings], None
    if {"nan", "None", ""} & set(ids):
        raise InputError("a casting has no id; accepted: ids, such as T-001.1")
    if len(set(ids)) != len(ids):
        raise InputError("a casting stands twice among the castings; accepted: each once")
    if len(ids) < 2:
        raise InputError(f"{words.count(len(ids), 'casting')}; accepted: at least two")
    return ids, order


def _spread_out(ids: list[str], order: np.ndarray | None, wanted: int, rng: np.random.Generator) -> list[str]:
    """So many castings: at random, or one from each of so many equal parts from low to high."""
    place = rng.permutation(len(ids))
    if order is not None:
        place = place[np.argsort(order[place], kind="stable")]
        return [ids[int(rng.choice(part))] for part in np.array_split(place, wanted)]
    return [ids[int(i)] for i in place[:wanted]]


def castings_for(half_width: float, agreement: float, readings: int) -> int:
    """Castings so that a 95% interval of the intraclass correlation has this half-width (Bonett 2002).

    Examples
    --------
    >>> castings_for(0.1, 0.8, 3)
    36
    """
    k, r, z = readings, agreement, stats.norm.ppf(0.975)
    n = 8 * z**2 * (1 - r) ** 2 * (1 + (k - 1) * r) ** 2 / (k * (k - 1) * (2 * half_width) ** 2) + 1
    if k == 2 and r >= 0.7:
        n += 5 * r
    return math.ceil(n)


def _precision(most: int, agreement: float, readings: int) -> pd.DataFrame:
    """Half-width by number of castings; empty for one reading of each."""
    numbers = range(5, most + 1) if readings > 1 else ()
    rows = [(n, _half_width(n, agreement, readings)) for n in numbers]
    return pd.DataFrame(rows, columns=["castings", "half_width"])


def _half_width(castings: int, agreement: float, readings: int) -> float:
    k, r, z = readings, agreement, stats.norm.ppf(0.975)
    extra = 5 * r if k == 2 and r >= 0.7 else 0.0
    n = max(castings - 1 - extra, 0.5)
    return float(math.sqrt(2 * z**2 * (1 - r) ** 2 * (1 + (k - 1) * r) ** 2 / (k * (k - 1) * n)))
