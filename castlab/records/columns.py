"""The columns of `Logbook.frame()`: where each comes from, its dtype and its meaning. No storage, no computation."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, get_args

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Derived:
    """A column that the frame works out: its dtype, the level at which it varies, its meaning."""

    dtype: str
    level: str
    meaning: str


DERIVED: dict[str, Derived] = {
    "trial_id": Derived("str", "trial", "the casting (T-014.3)"),
    "mold": Derived("str", "trial", "name of the mold"),
    "mold_pull": Derived("Int64", "trial", "which pull of its mold this casting was, earlier pulls included"),
    "material": Derived("str", "batch", "name of the resin system"),
    "phr": Derived("float64", "batch", "hardener weighed, parts per hundred of resin by mass"),
    "ratio_error_pct": Derived(
        "float64", "batch", "weighed hardener against the target, % of the target; + is too much"
    ),
    "vacuum_on": Derived("str", "trial", "what was degassed: none, cup, mold, both; empty where not logged"),
    "trial_notes": Derived("str", "trial", "notes of the casting"),
    "batch_notes": Derived("str", "batch", "notes of the batch"),
    "scores": Derived("Int64", "score", "number of scores of this casting"),
    "scorers": Derived("Int64", "score", "number of different scorers"),
    "rubrics": Derived(
        "str",
        "score",
        "rubrics its grades follow, several by semicolons with the items graded by each; empty where none is named",
    ),
}

SUMMARY = (
    "Several scores of one casting are summarised to one value: measures by their mean; counts, grades and pass by "
    "their middle score and, where two middle scores differ, by the worse of the two. A count whose middle lies at or above a "
    "score that stopped counting is marked as stopped: it is a lower limit."
)


def dtype_of(annotation: Any) -> str:
    """pandas dtype of a record field: float64, Int64, boolean, str or datetime64[us]."""
    kinds = {a for a in flatten(annotation) if isinstance(a, type)}
    for kind, dtype in (
        (bool, "boolean"),
        (datetime, "datetime64[us]"),
        (date, "datetime64[us]"),
        (float, "float64"),
        (int, "Int64"),
    ):
        if kind in kinds:
            return dtype
    return "str"


def flatten(annotation: Any) -> list[Any]:
    """The plain types inside an annotation, Optional and Annotated taken apart."""
    args = get_args(annotation)
    return [annotation] if not args else [leaf for a in args for leaf in flatten(a)]


def describe() -> pd.DataFrame:
    """A table of the frame's columns: column, dtype, level (batch, trial or score) and meaning with unit.

    Extra factors come after these, under their own names: numbers as float64, yes/no as boolean, text as str; so do grades of
    the shop's own items (`item_grade`, Int64), summarised as other grades are.
    """
    import pandas as pd

    from castlab.records.models import Batch, Score, Trial

    rows: list[tuple[str, ...]] = [(n, d.dtype, d.level, d.meaning) for n, d in DERIVED.items()]
    for model in (Trial, Batch, Score):
        rows += [
            (name, dtype_of(f.annotation), model.kind, f.description or "")
            for name, f in model.settings().items()
            if not (model is Score and name in NOT_SUMMARISED)
        ]
    return pd.DataFrame(rows, columns=["column", "dtype", "level", "meaning"])


def own_grades(frame: pd.DataFrame) -> list[str]:
    """The columns of a frame that hold grades of the shop's own items; a setting of such a name is no Int64."""
    foreseen = set(describe()["column"])
    return [
        name for name in frame.columns
        if name not in foreseen and str(name).endswith("_grade") and str(frame[name].dtype) == "Int64"
    ]  # fmt: skip


NOT_SUMMARISED = ("trial_id", "scorer", "scored_at", "method", "rubric", "photo_id")
