"""Ratings as a table: one row per casting, one column per scorer. What agreement, gauge and drift all start from."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from castlab.analysis import words
from castlab.analysis.reading import castings as rows
from castlab.analysis.reading import kinds
from castlab.errors import InputError
from castlab.given import shown

SCALES = ("nominal", "ordinal", "interval", "ratio")
SCORERS = ("scorer", "rater", "appraiser", "observer", "coder", "judge", "reader", "assessor", "who")
ITEMS = ("trial_id", "casting", "trial", "part", "item", "unit", "subject", "specimen", "sample")
"""Names of columns that say who scored, and what was scored, where the caller names none."""
_ORDERED = ", or words as pd.Categorical(..., categories=[worst, ..., best], ordered=True)"
LARGEST = 1e50
"""Of a reading; a hundredfold sum of squares of readings up to it, and of those down to its inverse, keeps its digits."""
IDS = ("id", "no", "nr", "number", "name", "code", "casting_id", "part_id", "item_id", "")
"""Names of a column that numbers the castings of a wide table; in a long one they may number the scores."""


@dataclass(frozen=True)
class Ratings:
    """Values as numbers (`table`: castings by scorers, NaN where not scored), the levels they code, what was left out."""

    table: pd.DataFrame
    levels: tuple[object, ...]
    cautions: tuple[str, ...]


def read(
    frame: pd.DataFrame, scale: str, item: str | None, scorer: str | None, value: str | None, *, castings: int = 3
) -> Ratings:
    """Ratings from a long frame (item, scorer, value named, or known by their names) or a wide one (rows castings, columns
    scorers).

    Raises
    ------
    InputError
        For an unknown scale or column, values that do not fit the scale, or fewer than two scorers or three castings
        that two of them scored.
    """
    if scale not in SCALES:
        raise InputError(f"scale is {scale!r}; accepted: {', '.join(SCALES)}")
    if not isinstance(frame, pd.DataFrame) or not frame.columns.is_unique:
        raise InputError("accepted: a pandas DataFrame whose column names occur once")
    for role, name in (("item", item), ("scorer", scorer), ("value", value)):
        if not isinstance(name, Hashable):
            raise InputError(f"{role} is {shown(name)}; accepted: the name of one column")
    cautions: list[str] = []
    if not all([item, scorer, value]):
        item, scorer, value, told = _known(frame, item, scorer, value)
        cautions += told
    if scorer is not None:
        if len({item, scorer, value}) < 3:
            raise InputError(
                f"item, scorer and value are {item!r}, {scorer!r} and {value!r}; accepted: three different columns"
            )
        rows.check_frame(frame, [str(item), str(scorer), str(value)])
        long, told = independent(frame.dropna(subset=[item, scorer, value]), str(value))
        cautions += [*told, *not_plain(long, str(value), str(scorer))]
        again = long.duplicated([item, scorer])
        if again.any():
            cautions.append(
                f"{int(again.sum())} second looks of a scorer at the same casting are left out here; gauge_study and "
                "drift_of_scorer use them."
            )
        wide = long[~again].pivot(index=item, columns=scorer, values=value)
    else:
        wide = frame.copy() if item is None else frame.set_index(item)
    for name in wide:
        kinds.plain(wide[name], "a rating")
    columns = [_numbers(wide[name], scale) for name in wide] if scale != "nominal" else []
    if scale == "nominal":
        levels = tuple(sorted({v for name in wide for v in wide[name].dropna()}, key=str))
        code = {level: float(place) for place, level in enumerate(levels)}
        table = pd.DataFrame({n: [np.nan if pd.isna(v) else code[v] for v in wide[n]] for n in wide}, index=wide.index)
    else:
        names = next((given for _, given in columns if given), ())
        if any(given and given != names for _, given in columns):
            raise InputError("the scorers' columns have different ordered levels; accepted: one list of levels for all")
        table = pd.DataFrame({n: got for n, (got, _) in zip(wide, columns, strict=True)}, index=wide.index)
        levels = names or tuple(np.unique(table.to_numpy()[~np.isnan(table.to_numpy())]))
    if scale == "ratio" and (table.to_numpy() < 0).any():
        raise InputError(
            "a ratio scale has a true zero and no negative values; accepted: 0 and more, or scale='interval'"
        )
    table = table.loc[:, table.notna().any()]
    pairable = table.notna().sum(axis=1) > 1
    if table.shape[1] < 2 or pairable.sum() < castings:
        several = int(pairable.sum())
        raise InputError(
            f"{words.count(several, 'casting')} {'was' if several == 1 else 'were'} scored by two people or more (scorers: {table.shape[1]}); needed: at least "
            f"{castings} such castings. {' '.join([*cautions, 'plan_rescoring plans a session for them'])}"
        )
    if alone := int((~pairable).sum()):
        were = "casting was" if alone == 1 else "castings were"
        says = "says" if alone == 1 else "say"
        cautions.append(f"{alone} {were} scored by one person only and {says} nothing about agreement.")
    return Ratings(table[pairable], levels, tuple(cautions))


def _known(
    frame: pd.DataFrame, item: str | None, scorer: str | None, value: str | None
) -> tuple[str | None, str | None, str | None, list[str]]:
    """Which columns are what, by their names: casting, scorer and value of a long frame; at most the casting of a wide one.

    Taken for a wide table, a long one would give an answer that means nothing, so a column that names scorers decides.
    """
    given = item
    item = item or next((name for name in frame if str(name).lower() in ITEMS), None)
    scorer = scorer or next((name for name in frame if str(name).lower() in SCORERS), None)
    if scorer is None and value is None:
        item = next((name for name in frame if _numbers_rows(name)), None) if item is None else item
        known = item is None or item == given
        return item, None, None, [] if known else [f"{item} names the castings; every other column is a scorer."]
    if scorer is None or item is None:
        raise InputError("a long frame needs item=, scorer= and value=; a wide one (columns scorers) none of them")
    others = [str(name) for name in frame if name not in (item, scorer)]
    if value is None and len(others) != 1:
        raise InputError(
            f"say which column of the long frame holds what is compared: value= one of {', '.join(others) or 'none there'}"
        )
    value = value or others[0]
    return item, scorer, value, [f"One row per score was read: casting {item}, scorer {scorer}, value {value}."]


def _numbers_rows(name: object) -> bool:
    """Whether a column of this name numbers the rows; a table read from a file may have an unnamed one."""
    plain = str(name).strip().lower()
    return plain in IDS or plain.startswith("unnamed:")


def together(table: pd.DataFrame, least: int) -> list[Any]:
    """Of a table of castings by scorers those scorers who all scored enough of the same castings, without whoever scored fewest."""
    people = list(table)
    while len(people) > 2 and len(table[people].dropna()) < least:
        people.remove(min(people, key=lambda who: int(table[who].notna().sum())))
    return people


def independent(scores: pd.DataFrame, value: str) -> tuple[pd.DataFrame, list[str]]:
    """Without automatic counts whose photo a person corrected, and of those alone the latest of each photo: the corrected
    count takes the place of the automatic one, and two of a photo differ by program and settings only."""
    if not value.startswith("bubble") or not {"method", "photo_id"} <= set(scores):
        return scores, []
    method = scores["method"].astype(object)
    automatic = ((method == "photo") & scores["photo_id"].notna()).to_numpy(bool)
    by_hand = scores.loc[(method == "photo, corrected").to_numpy(bool), "photo_id"].dropna()
    corrected = automatic & scores["photo_id"].isin(set(by_hand)).to_numpy(bool)
    older = np.zeros(len(scores), bool)
    older[automatic] = scores[automatic].duplicated("photo_id", keep="last").to_numpy()
    older &= ~corrected
    said = []
    if corrected.any():
        said.append(
            f"{int(corrected.sum())} automatic counts are left out, because a person corrected them; automatic_error(book) compares "
            "the two."
        )
    if older.any():
        said.append(
            f"{int(older.sum())} automatic counts are left out, because the same photo was counted again later."
        )
    return scores[~(corrected | older)], said


def _numbers(column: pd.Series, scale: str) -> tuple[np.ndarray, tuple[object, ...]]:
    """A column as numbers; ordered categories as their place among all their levels, for ordinal scales only."""
    if isinstance(column.dtype, pd.CategoricalDtype) and not pd.api.types.is_numeric_dtype(column.cat.categories.dtype):
        if not column.cat.ordered or scale != "ordinal":
            raise InputError(
                f"{column.name} holds words; accepted: numbers, or an ordered category with scale='ordinal'"
            )
        codes = column.cat.codes.to_numpy(dtype=float)
        return np.where(codes < 0, np.nan, codes), tuple(column.cat.categories)
    return numbers(column, _ORDERED if scale == "ordinal" else ""), ()


def numbers(column: pd.Series, or_else: str = "") -> np.ndarray:
    """A column of readings as floats, NaN where missing; `or_else`: what the caller takes besides numbers.

    Raises
    ------
    InputError
        If it holds anything that is no finite number, or one whose square a computer cannot hold.
    """
    try:
        read = kinds.numbers(column)
    except InputError as exc:
        wrong = str(exc).split("; accepted")[0]
        raise InputError(f"{wrong}; accepted: finite numbers{or_else}, empty where not read") from None
    sizes = np.abs(read[np.isfinite(read) & (read != 0)])
    for wrong in sizes[(sizes > LARGEST) | (sizes < 1 / LARGEST)][:1]:
        raise InputError(
            f"{column.name} holds a reading of size {wrong:.3g}; accepted: 0, and sizes from {1 / LARGEST:g} to {LARGEST:g}"
        )
    return read


def not_plain(scores: pd.DataFrame, value: str | None, scorer: str | None = "scorer") -> list[str]:
    """Cautions for readings that are lower limits, or that a program made or proposed; `scores` has a row per reading."""
    if value is None or value not in scores:
        return []
    read = scores[scores[value].notna()]
    found = []
    if value == "bubbles" and "bubbles_stopped" in read:
        stopped = int(sum(v is not pd.NA and v == 1 for v in read["bubbles_stopped"]))
        if stopped:
            found.append(
                f"{stopped} of {len(read)} counts were stopped: there were more bubbles, and they are taken as exact here."
            )
    if value.startswith("bubble"):
        automatic = int(read[scorer].astype(str).str.startswith("photo count").sum()) if scorer in read else 0
        if automatic:
            found.append(
                f"{automatic} of {len(read)} readings are automatic counts from photos, which stand here as a scorer; leave them out to look at people only."
            )
        corrected = int((read["method"] == "photo, corrected").sum()) if "method" in read else 0
        if corrected:
            found.append(
                f"{corrected} of {len(read)} readings were made by correcting the circles of an automatic count: they lean on it and are not independent looks."
            )
    return found
