"""What a report rests on: the castings it reads, from a logbook or a table, and the settings it judges.

Which settings to judge is decided without looking at what came out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from castlab.analysis import words
from castlab.errors import InputError, NotFoundError
from castlab.given import nearest
from castlab.records import Batch, Logbook, Material
from castlab.records.checks import cautions_of
from castlab.records.columns import describe, own_grades
from castlab.records.frame import of_product
from castlab.records.models import Plan

USUAL_FACTORS = (
    "product",
    "cup_degas_min", "mold_degas_min", "pour_method", "insert_prep", "resin_c", "hold_min", "rest_min", "stir_method",
    "mold_c", "release", "cure_c", "cure_h", "post_cure_h", "post_cure_c", "stir_min", "depth_mm",
)  # fmt: skip
"""Settings of the logbook that a maker chooses, those that matter most often first (common practice, no source)."""

CIRCUMSTANCES = ("humidity_pct", "room_c", "resin_lot", "hardener_lot", "mold")
"""What a maker does not choose, or chooses for other reasons; judged only when asked for."""

BATCHES_PER_FACTOR = 4
CASTINGS_PER_FACTOR = 5
"""So many batches for each setting made per batch, so many castings for each one made per casting: fewer, and the
effects would be too vague to be worth their place (rule of thumb)."""

MOST_BLANK = 0.1
"""Share of castings in which a setting may be missing before it is left out."""

NAME_SETTINGS = "--factor on the command line, factors in the notebook"
"""How a reader says which settings to judge."""

FEWEST_CHANGED = 3
"""A setting counts as varied when at least so many castings differ from its most common level."""


@dataclass(frozen=True)
class Evidence:
    """Castings, and the columns that mean something in them."""

    source: str
    """Absolute path or database URL."""
    frame: pd.DataFrame
    """One row per casting, in the order they were made."""
    response: str
    product: str | None
    factors: tuple[str, ...]
    together: dict[str, tuple[str, ...]]
    """Factor -> settings that changed whenever it did, and only then."""
    left_out: dict[str, str]
    """Setting that varied but is not judged -> why."""
    chosen: bool
    """True if the factors were chosen here, not by the reader."""
    batch: str | None
    mold: str | None
    remarks: tuple[str, ...] = ()
    """What the logbook remarks on these batches, such as a ratio that was missed."""
    plans: tuple[Plan, ...] = ()
    """What was planned before castings were made, as the logbook has it."""

    @property
    def scored(self) -> pd.DataFrame:
        """The castings that have the response."""
        return self.frame[self.frame[self.response].notna()]

    @property
    def data_hash(self) -> str:
        """SHA-256 of the castings as CSV: the same data give the same hash."""
        return hashlib.sha256(self.frame.to_csv(index=False).encode("utf-8")).hexdigest()

    def per_batch(self, column: str) -> bool:
        """True if the setting never differed within a batch, and batches hold more than one casting."""
        return _per_batch(self.frame, column, self.batch)


def read(
    source: str | Path,
    *,
    product: str | None = None,
    response: str = "bubbles",
    factors: Sequence[str] | None = None,
    batch: str | None = None,
    since: str | None = None,
    until: str | None = None,
) -> Evidence:
    """The castings of a logbook, or of a CSV file with one row per casting.

    Parameters
    ----------
    source
        Path or database URL of a logbook, or path of a CSV file.
    product
        Only this product's castings; None for all.
    response
        Column with what came out.
    factors
        Columns with the settings to judge; None chooses them without looking at the response.
    batch
        Batch column of a CSV file, if castings share a cup; a logbook's batches are known.
    since, until
        Only castings of a logbook made from this day on, and up to and with that day, such as "2026-03-01".

    Raises
    ------
    NotFoundError
        If the file is not there, or it holds no castings of this product or period.
    InputError
        If a column is not there, a date cannot be read, or the CSV file cannot be read.
    """
    where, table = _place(source)
    first, last = day("since", since), day("until", until)
    remarks: tuple[str, ...] = ()
    plans: tuple[Plan, ...] = ()
    if table:
        if first is not None or last is not None:
            raise InputError(
                "since and until choose castings of a logbook by its dates; leave them out for a CSV table"
            )
        frame = _read_csv(where, product)
    else:
        frame, remarks, plans = _read_logbook(where, product, first, last)
        batch = batch or "batch_id"
    if not len(frame):
        raise NotFoundError(
            f"{where} has headings but no rows; needed: one row per casting"
            if table
            else f"{where} holds no castings yet: log the first in notebook 1, or bring in a sheet in notebook 5"
        )
    _check_columns(frame, response, factors, batch)
    mold = next((c for c in ("mold", "mold_id") if c in frame and frame[c].nunique() > 1), None)
    candidates, left_out = (list(factors), {}) if factors is not None else _varied(frame, response, batch, table=table)
    kept, together = _apart(frame, candidates)
    if factors is None:
        kept = _affordable(frame, kept, batch, left_out)
        together = {name: others for name, others in together.items() if name in kept}
        if not kept:
            raise InputError(
                f"no setting changed often enough in the {words.count(len(frame), 'casting')} so far to be judged: log and score "
                f"more castings in which something differs, or name settings ({NAME_SETTINGS})"
            )
    return Evidence(
        source=where, frame=frame, response=response, product=product, factors=tuple(kept), together=together,
        left_out=left_out, chosen=factors is None, batch=batch, mold=mold, remarks=remarks, plans=plans,
    )  # fmt: skip


def products(source: str | Path) -> list[str]:
    """The products of a logbook or table, in the order of their names.

    Raises
    ------
    NotFoundError
        If the file is not there or names no product.
    """
    where, table = _place(source)
    if table:
        frame = _read_csv(where)
    else:
        with Logbook.open(where, must_exist=True) as book:
            frame = book.frame()
    found = sorted(map(str, frame["product"].dropna().unique())) if "product" in frame else []
    if not found:
        raise NotFoundError(f"{where} names no product; leave every-product out")
    return found


def _place(source: str | Path) -> tuple[str, bool]:
    """The absolute path or the database URL, and whether it is a CSV table."""
    text = str(source)
    if "://" in text:
        return text, False
    path = Path(text).expanduser()
    if not path.is_file():
        raise NotFoundError(
            f"there is no logbook or table {text!r} in {Path.cwd()}; accepted: the file of a logbook, a database URL, or a CSV "
            "file with one row per casting"
        )
    return str(path.resolve()), path.suffix.lower() == ".csv"


def _read_csv(where: str, product: str | None = None) -> pd.DataFrame:
    try:
        frame = pd.read_csv(where)
    except (UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as exc:
        reason = str(exc).strip().splitlines()[0]
        raise InputError(
            f"{where} cannot be read as a table ({reason}); accepted: UTF-8 CSV with a heading row; "
            "a sheet kept by hand goes into a logbook first, with castlab import"
        ) from None
    if product is not None and "product" not in frame:
        raise InputError("this table has no column 'product'; leave product out")
    return frame if product is None else of_product(frame, product)


def _check_columns(frame: pd.DataFrame, response: str, factors: Sequence[str] | None, batch: str | None) -> None:
    for column in [response, *(factors or ()), *([batch] if batch else [])]:
        if column not in frame.columns:
            raise InputError(f"there is no column {column!r}{nearest(column, frame)}")
    if response in (factors or ()):
        raise InputError(f"{response!r} is both the response and a factor; give it as one of them")
    if not frame[response].notna().any():
        raise InputError(f"no casting has {response} yet: score some (notebook 2), or ask for another response")


def day(name: str, value: str | None) -> pd.Timestamp | None:
    """A date as typed, or None.

    Raises
    ------
    InputError
        If it is no date.
    """
    if value is None:
        return None
    try:
        return pd.Timestamp(date.fromisoformat(str(value).strip()[:10]))
    except ValueError:
        raise InputError(f"{name} is {value!r}; accepted: a date such as 2026-03-01") from None


def _read_logbook(
    where: str, product: str | None, first: pd.Timestamp | None, last: pd.Timestamp | None
) -> tuple[pd.DataFrame, tuple[str, ...], tuple[Plan, ...]]:
    with Logbook.open(where, must_exist=True) as book:
        frame = book.frame(product=product)
        materials = {record.id: record for record in book.records("material")}
        batches = [record for record in book.records("batch") if isinstance(record, Batch)]
        plans = tuple(record for record in book.records("plan") if isinstance(record, Plan))
    made = frame["poured_at"].fillna(frame["mixed_at"])
    frame = frame.loc[made.sort_values(kind="stable", na_position="last").index].reset_index(drop=True)
    if len(frame) and (first is not None or last is not None):
        frame = _of_period(frame, first, last)
    present = set(frame["batch_id"])
    remarks = []
    for record in batches:
        material = materials.get(record.resin_id)
        for caution in cautions_of(record, material=material if isinstance(material, Material) else None):
            if record.id in present:
                remarks.append(f"Batch {record.id}: {caution}.")
    return frame, tuple(remarks), plans


def _of_period(frame: pd.DataFrame, first: pd.Timestamp | None, last: pd.Timestamp | None) -> pd.DataFrame:
    made = frame["poured_at"].fillna(frame["mixed_at"])
    early = made < first if first is not None else pd.Series(False, frame.index)
    late = made >= last + pd.Timedelta(days=1) if last is not None else pd.Series(False, frame.index)
    kept = frame[~early & ~late & made.notna()].reset_index(drop=True)
    if not len(kept):
        known = made.dropna()
        span = f"they were made {known.min():%Y-%m-%d} to {known.max():%Y-%m-%d}" if len(known) else "none is dated"
        raise NotFoundError(f"there are no castings of that period; {span}")
    return kept


def _varied(frame: pd.DataFrame, response: str, batch: str | None, *, table: bool) -> tuple[list[str], dict[str, str]]:
    """Settings that varied, the likeliest first, and those set aside with the reason."""
    if table:
        names = [str(c) for c in frame.columns if c not in (response, batch) and not _is_key(frame[c])]
    else:
        foreseen = {*describe()["column"], *own_grades(frame)}
        extras = [name for name in frame.columns if name not in foreseen and name != "batch_id"]
        usual = [*USUAL_FACTORS[:9], *extras, *USUAL_FACTORS[9:], *CIRCUMSTANCES]
        names = [name for name in usual if name != response]
    kept, aside = [], {}
    for name in names:
        known = frame[name].dropna()
        if known.nunique() < 2:
            continue
        blank = 1 - len(known) / len(frame)
        if name in CIRCUMSTANCES and not table:
            aside[name] = "a circumstance, not a setting; judged only when asked for"
        elif len(known) - known.value_counts().iloc[0] < FEWEST_CHANGED:
            aside[name] = f"changed in only {words.count(len(known) - known.value_counts().iloc[0], 'casting')}"
        elif blank > MOST_BLANK:
            aside[name] = f"not written down for {blank:.0%} of the castings"
        else:
            kept.append(name)
    return kept, aside


def _is_key(column: pd.Series) -> bool:
    """A row number, an id, a date or a note: no setting."""
    if pd.api.types.is_datetime64_any_dtype(column):
        return True
    number = pd.api.types.is_float_dtype(column)
    return not number and column.nunique() > max(12, len(column) / 3)


def _apart(frame: pd.DataFrame, names: Sequence[str]) -> tuple[list[str], dict[str, tuple[str, ...]]]:
    """Settings of which none always changes with another, and for each kept one those that do."""
    kept: list[str] = []
    together: dict[str, tuple[str, ...]] = {}
    for name in names:
        twin = next((other for other in kept if _always_together(frame[other], frame[name])), None)
        if twin is None:
            kept.append(name)
        else:
            together[twin] = (*together.get(twin, ()), name)
    return kept, together


def _per_batch(frame: pd.DataFrame, column: str, batch: str | None) -> bool:
    if batch is None or frame[batch].nunique() == len(frame):
        return False
    return bool((frame.groupby(batch)[column].nunique() <= 1).all())


def _always_together(one: pd.Series, other: pd.Series) -> bool:
    pairs = pd.DataFrame({"one": one, "other": other}).dropna().drop_duplicates()
    return len(pairs) > 1 and pairs["one"].is_unique and pairs["other"].is_unique


def _affordable(frame: pd.DataFrame, names: list[str], batch: str | None, left_out: dict[str, str]) -> list[str]:
    """As many settings as the castings can bear, the likeliest first; the others join `left_out`."""
    batches = frame[batch].nunique() if batch else 0
    room: dict[Any, int] = {
        True: max(1, batches // BATCHES_PER_FACTOR),
        False: max(1, len(frame) // CASTINGS_PER_FACTOR),
    }
    said = {
        True: f"the {batches} batches bear only {room[True]} settings made per batch",
        False: f"the {len(frame)} castings bear only {room[False]} settings",
    }
    kept = []
    for name in names:
        shared = _per_batch(frame, name, batch)
        if room[shared]:
            room[shared] -= 1
            kept.append(name)
        else:
            left_out[name] = said[shared]
    return kept
