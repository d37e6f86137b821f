"""Grades as they were logged: how many there are, whether they follow one rubric, and whether a column holds others.

What each grade means is told by `castlab.scoring.rubric`.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from castlab.errors import InputError
from castlab.records.models import Score

if TYPE_CHECKING:
    import pandas as pd

GRADES = 5
"""Grades of an item: whole numbers from 0 (worst)."""


def mixed(frame_or_scores: pd.DataFrame | Iterable[Score]) -> str | None:
    """A caution if grades follow more than one rubric, else None.

    Parameters
    ----------
    frame_or_scores
        Scores, a frame with a row per score (column `rubric`), or the logbook's frame (column `rubrics`).

    Raises
    ------
    InputError
        If it is neither.

    Examples
    --------
    >>> mixed([Score(trial_id="T-001.1", tack_grade=3, rubric="ours 1 (a1b2c3)"), Score(trial_id="T-001.1", tack_grade=3)])
    'Grades under two rubrics (no rubric named; ours 1 (a1b2c3)): a grade of one may not mean what it means in the other.'
    """
    named = sorted(_rubrics(frame_or_scores))
    if len(named) < 2:
        return None
    number = {2: "two", 3: "three"}.get(len(named), str(len(named)))
    told = "; ".join(name or "no rubric named" for name in named)
    return f"Grades under {number} rubrics ({told}): a grade of one may not mean what it means in the other."


def outside(grades: pd.Series) -> str | None:
    """A caution if a column of the rubric's grades holds other numbers than these, else None.

    Examples
    --------
    >>> import pandas as pd
    >>> outside(pd.Series([0, 2, 7], name="tack_grade"))
    'tack_grade holds 7, and the rubric grades from 0 to 4: a slip, or another scale?'
    """
    if grades.name not in Score.model_fields or grades.dtype.kind not in "iuf":
        return None
    odd = sorted({float(v) for v in grades.dropna()} - set(range(GRADES)))
    told = ", ".join(f"{v:g}" for v in odd)
    return (
        f"{grades.name} holds {told}, and the rubric grades from 0 to {GRADES - 1}: a slip, or another scale?"
        if odd
        else None
    )


def _rubrics(scores: Any) -> set[str]:
    """Names of the rubrics in use; "" where a graded score names none."""
    if not hasattr(scores, "columns"):
        scores = list(scores) if isinstance(scores, Iterable) and not isinstance(scores, str) else [scores]
        if not all(isinstance(score, Score) for score in scores):
            raise InputError("rubrics are told of scores: accepted: a list of Score, or a frame such as book.scores()")
        fields = [name for name in Score.model_fields if name.endswith("_grade")]
        return {s.rubric or "" for s in scores if s.extra_grades or any(getattr(s, f) is not None for f in fields)}
    if "rubrics" in scores:
        told = scores["rubrics"].dropna()
        return {name for cell in told for name in cell.split("; ")}
    if "rubric" not in scores:
        return set()
    graded = scores[[c for c in scores if str(c).endswith("_grade")]].notna().any(axis=1)
    return set(scores.loc[graded, "rubric"].fillna("").astype(str))
