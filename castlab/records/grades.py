"""Grades as they were logged: how many there are, which version of the rubric each item's follow, and whether a column holds others.

A score's field `rubric` names the rubric and, behind a colon, a sign per item that is made from the words of that item alone
(`castlab.scoring.rubric`, which tells what each grade means): "house rubric 1 (a1b2c3): clarity 3f2a91, tack 9b1c22". Scores
written by hand or before there were signs name the rubric only; where another score names the same rubric with its signs,
they are known for all.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from castlab import labels
from castlab.errors import InputError
from castlab.records.models import Score

if TYPE_CHECKING:
    import pandas as pd

GRADES = 5
"""Grades of an item: whole numbers from 0 (worst)."""
SIGNS = 6
"""Signs, of 0-9 and a-f, that stand for the words of a rubric or an item."""

_UNNAMED = "no rubric named"
_ONE = rf"[a-z][a-z0-9_]* (?:[0-9a-f]{{{SIGNS}}}|\?)"
_SIGNED = re.compile(rf"(?P<rubric>.+): (?P<items>{_ONE}(?:, {_ONE})*)")
_MADE = re.compile(rf" \([0-9a-f]{{{SIGNS}}}\)$")


def signed(rubric: str, signs: Mapping[str, str]) -> str:
    """What a score's field `rubric` holds: the rubric, and the sign of each of its items.

    Examples
    --------
    >>> signed("ours 1 (a1b2c3)", {"clarity": "3f2a91", "tack": "9b1c22"})
    'ours 1 (a1b2c3): clarity 3f2a91, tack 9b1c22'
    """
    return f"{rubric}: " + ", ".join(f"{item} {sign}" for item, sign in signs.items()) if signs else rubric


def mixed(frame_or_scores: pd.DataFrame | Iterable[Score], column: str) -> str | None:
    """A caution if the grades in a column follow more than one version of their item's words, or may do so; else None.

    Parameters
    ----------
    frame_or_scores
        Scores, a frame with a row per score (column `rubric`), or the logbook's frame (column `rubrics`).
    column
        The grades, such as "tack_grade". A column that holds no grades has no caution.

    Raises
    ------
    InputError
        If the first is neither.

    Examples
    --------
    >>> def score(grades, rubric):
    ...     return Score(trial_id="T-001.1", **grades, rubric=rubric)
    >>> both = {"tack_grade": 3, "edge_grade": 2}
    >>> scores = [score(both, "ours 1 (a1b2c3): edge 111111, tack 222222"), score(both, "ours 2 (d4e5f6): edge 111111, tack 333333")]
    >>> mixed(scores, "edge_grade")
    >>> print(mixed(scores, "tack_grade"))
    Freedom from tack is graded under two versions of its words (222222 of ours 1; 333333 of ours 2): a grade of one may not mean what it means in the other.
    """
    found = _versions(_frame(frame_or_scores), column)
    if len(found) < 2:
        return None
    number = {2: "two", 3: "three"}.get(len(found), str(len(found)))
    name = labels.name(column)
    said = (
        f"{name[:1].upper()}{name[1:]} is graded under {number} versions of its words ({'; '.join(found.values())}): a grade of one "
        "may not mean what it means in the other."
    )
    whole = [key for key, told in found.items() if key == told and _MADE.search(key)]
    if not whole:
        return said
    return (
        f"{said} The words may be the same where scores name the whole rubric only ({'; '.join(whole)}): with its file, "
        "book.correct(one of these scores, why=..., rubric=rubric.load(file).version) tells it for all of them."
    )


def changed(scores: pd.DataFrame, column: str, rubric: str) -> list[str]:
    """Versions of an item's words, other than those of this rubric, that grades of the column are known to follow."""
    item = column.removesuffix("_grade")
    now = _signs([rubric]).get(_read(rubric)[0], {}).get(item)
    return [told for key, told in _versions(scores, column).items() if now and key not in (now, told)]


def of_castings(castings: pd.Series, rubrics: pd.Series, graded: pd.DataFrame) -> pd.Series:
    """Which rubrics the grades of each casting follow, from a row per score; `graded` says which items each score grades.

    One rubric is told as scores have it, several one after the other, by semicolons, each with the items graded by it.
    """
    import pandas as pd

    graded = graded[graded.any(axis=1)]
    texts = rubrics.fillna("").astype(str)
    fuller: dict[str, str] = {}
    for text in sorted(texts.unique(), key=len):
        fuller[_read(text)[0]] = text.replace(";", ",")
    texts = texts[graded.index].map({text: fuller[_read(text)[0]] for text in texts.unique()})
    by = graded.groupby([castings[graded.index], texts]).any()
    ids = by.index.get_level_values(0)
    several = ids.duplicated(keep=False)
    told = list(by.index.get_level_values(1))
    for place in several.nonzero()[0]:
        rubric, signs = _read(told[place])
        items = [str(c).removesuffix("_grade") for c in by.columns[by.iloc[place].to_numpy(bool)]]
        told[place] = signed(rubric or _UNNAMED, {item: signs.get(item, "?") for item in items})
    return pd.Series(told, index=ids, dtype=object).groupby(level=0).agg("; ".join)


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


def _read(text: str) -> tuple[str, dict[str, str]]:
    """The rubric that a text names, and the signs of its items."""
    found = _SIGNED.fullmatch(text)
    if found is None:
        return text, {}
    return found["rubric"], dict(item.split(" ") for item in found["items"].split(", "))


def _signs(texts: Iterable[str]) -> dict[str, dict[str, str]]:
    """Rubric -> its items' signs, as far as any of the texts tells them."""
    known: dict[str, dict[str, str]] = {}
    for text in texts:
        rubric, signs = _read(text)
        known.setdefault(rubric, {}).update({item: sign for item, sign in signs.items() if sign != "?"})
    return known


def _versions(frame: pd.DataFrame, column: str) -> dict[str, str]:
    """Versions that a column's grades follow and how each is told: by sign, or by the rubric alone where it tells no sign."""
    kept = next((name for name in ("rubrics", "rubric") if name in frame), None)
    if kept is None or column not in frame or not str(column).endswith("_grade"):
        return {}
    item = column.removesuffix("_grade")
    texts = frame[kept].fillna("").astype(str)
    parts = {cell: cell.split("; ") if kept == "rubrics" else [cell] for cell in texts.unique()}
    known = _signs(part for cell in parts.values() for part in cell)
    found: dict[str, str] = {}
    for cell in texts[frame[column].notna()].unique():
        for part in parts[cell]:
            rubric, signs = _read(part)
            if len(parts[cell]) > 1 and signs and item not in signs:
                continue
            rubric = rubric or _UNNAMED
            sign = known.get(rubric, {}).get(item)
            found.setdefault(sign or rubric, f"{sign} of {_MADE.sub('', rubric)}" if sign else rubric)
    return found


def _frame(scores: Any) -> pd.DataFrame:
    """A row per score, with a column for each grade."""
    import pandas as pd

    if isinstance(scores, pd.DataFrame):
        return scores
    scores = list(scores) if isinstance(scores, Iterable) and not isinstance(scores, str) else [scores]
    if not all(isinstance(score, Score) for score in scores):
        raise InputError("rubrics are told of scores: accepted: a list of Score, or a frame such as book.scores()")
    own = [{f"{item}_grade": grade for item, grade in (score.extra_grades or {}).items()} for score in scores]
    return pd.DataFrame([score.model_dump() | more for score, more in zip(scores, own, strict=True)])
