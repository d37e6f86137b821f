"""One row per casting: batch settings, trial settings and summarised scores, with the dtypes of `columns.describe`.

Rows come in the order of their ids. `frame.attrs["levels"]` says for each column whether it was set per batch or per
trial, or comes from the scores. Withdrawn records are left out.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from castlab.errors import NotFoundError
from castlab.records import grades
from castlab.records.columns import DERIVED, NOT_SUMMARISED, dtype_of
from castlab.records.models import Batch, Score, Trial
from castlab.records.rows import extra_columns
from castlab.records.tables import CURRENT

_EXTRA_DTYPES = {"number": "float64", "yes/no": "boolean", "text": "str", "grade": "Int64"}

_WORSE_IS_MORE = ("bubbles", "bubble_largest_mm", "auto_bubbles", "auto_low", "auto_high")
"""Readings of which the larger of two middle scores is the worse; of grades and pass it is the smaller."""


def trial_frame(connection: sa.Connection, *, product: str | None = None) -> pd.DataFrame:
    """The frame behind `Logbook.frame`, over an open connection; `product` keeps only that product's castings."""
    frame = _joined(connection)
    extras = extra_columns(connection)
    frame = _derive(frame)
    frame = frame.join(_summaries(connection, _own_grades(extras)), on="trial_id")
    frame["scores"] = frame["scores"].fillna(0)
    frame["scorers"] = frame["scorers"].fillna(0)
    frame = _with_extras(frame, extras)
    wanted = _columns()
    frame = frame[[*wanted, *extras]].astype({**{n: d for n, (d, _) in wanted.items()}})
    if product is not None:
        frame = of_product(frame, product)
    frame.attrs["levels"] = {n: level for n, (_, level) in wanted.items()} | {n: lv for n, (lv, _) in extras.items()}
    return frame


def of_product(frame: pd.DataFrame, product: str) -> pd.DataFrame:
    """The castings of one product, in a frame of a logbook or any table with a column `product`.

    Raises
    ------
    NotFoundError
        If there are castings, but none of it.
    """
    wanted = " ".join(product.lower().split())
    own = frame[frame["product"].astype("str").str.lower() == wanted].reset_index(drop=True)
    if len(frame) and not len(own):
        known = sorted(map(str, frame["product"].dropna().unique()))
        raise NotFoundError(f"there are no castings of {product!r}; its products: {', '.join(known) or 'none'}")
    return own


def _columns() -> dict[str, tuple[str, str]]:
    """Column -> (dtype, level), in the frame's order: ids first, then trial, batch and score columns."""
    found: dict[str, tuple[str, str]] = {}
    for first in ("trial_id", "batch_id"):
        found[first] = ("str", "trial")
    for level, model in (("trial", Trial), ("batch", Batch), ("score", Score)):
        for name, field in model.settings().items():
            if not (model is Score and name in NOT_SUMMARISED):
                found.setdefault(name, (dtype_of(field.annotation), level))
        for name, derived in DERIVED.items():
            if derived.level == level:
                found.setdefault(name, (derived.dtype, level))
    return found


def _joined(connection: sa.Connection) -> pd.DataFrame:
    trial, batch = CURRENT["trial"], CURRENT["batch"]
    mold, material = CURRENT["mold"], CURRENT["material"]
    columns = [trial.c.id.label("trial_id"), *(trial.c[n] for n in Trial.settings())]
    columns += [batch.c[n] for n in Batch.settings()]
    columns += [
        trial.c.notes.label("trial_notes"),
        batch.c.notes.label("batch_notes"),
        trial.c.extra.label("_trial_extra"),
        batch.c.extra.label("_batch_extra"),
        mold.c.name.label("mold"),
        mold.c.earlier_pulls.label("_earlier_pulls"),
        material.c.name.label("material"),
        material.c.target_phr.label("_material_phr"),
    ]
    query = (
        sa.select(*columns)
        .select_from(trial.join(batch).outerjoin(mold, trial.c.mold_id == mold.c.id))
        .outerjoin(material, batch.c.resin_id == material.c.id)
        .where(trial.c.withdrawn.isnot(True), batch.c.withdrawn.isnot(True))
        .order_by(batch.c.seq, trial.c.seq)
    )
    return _read(connection, query)


def _read(connection: sa.Connection, query: sa.Select) -> pd.DataFrame:
    """The rows as the driver gives them, without a conversion per value: whole columns are converted afterwards."""
    text = str(query.compile(connection, compile_kwargs={"literal_binds": True}))
    cursor = connection.connection.cursor()
    try:
        cursor.execute(text)
        return pd.DataFrame.from_records(
            cursor.fetchall(), columns=[column[0] for column in cursor.description], coerce_float=False
        )
    finally:
        cursor.close()


def _derive(frame: pd.DataFrame) -> pd.DataFrame:
    for name, (dtype, _) in _columns().items():
        if name in frame and dtype.startswith("datetime"):
            frame[name] = pd.to_datetime(frame[name], format="ISO8601").astype(dtype)
        elif name in frame and dtype == "float64":
            frame[name] = frame[name].astype("float64")
    poured = frame["poured_at"].fillna(frame["mixed_at"])
    order = poured.sort_values(kind="stable", na_position="last").index
    pull = frame.loc[order].groupby("mold_id").cumcount() + 1
    earlier = frame["_earlier_pulls"].astype("float64").fillna(0)
    frame["mold_pull"] = (pull.reindex(frame.index) + earlier).where(frame["mold_id"].notna())
    target = frame["target_phr"].fillna(frame["_material_phr"].astype("float64"))
    with np.errstate(divide="ignore", invalid="ignore"):
        frame["phr"] = (100 * frame["hardener_g"] / frame["resin_g"]).replace(np.inf, np.nan)
    frame["ratio_error_pct"] = 100 * (frame["phr"] / target - 1)
    cup, mold = frame["cup_degas_min"], frame["mold_degas_min"]
    vacuum_on = pd.Series("none", index=frame.index, dtype=object)
    vacuum_on = vacuum_on.mask(cup > 0, "cup").mask(mold > 0, "mold").mask((cup > 0) & (mold > 0), "both")
    frame["vacuum_on"] = vacuum_on.where(cup.notna() | mold.notna())
    return frame


def _own_grades(extras: dict[str, tuple[str, str]]) -> list[str]:
    return [name for name, (_, kind) in extras.items() if kind == "grade"]


def _summaries(connection: sa.Connection, own: list[str]) -> pd.DataFrame:
    """Each casting's scores as one; `own` are the grades of the shop's own items."""
    score = CURRENT["score"]
    readings = [n for n in Score.settings() if n not in NOT_SUMMARISED]
    about = (score.c.trial_id, score.c.scorer, score.c.rubric, score.c.extra_grades)
    query = sa.select(*about, *(score.c[n] for n in readings)).where(score.c.withdrawn.isnot(True))
    scores = _with_own_grades(_read(connection, query), own)
    scores[readings] = scores[readings].astype("float64")
    groups = scores.groupby("trial_id")
    summary = groups[readings].mean()
    for name in readings:
        dtype = dtype_of(Score.model_fields[name].annotation)
        if dtype != "float64":
            worse = "higher" if name in _WORSE_IS_MORE else "lower"
            summary[name] = groups[name].quantile(0.5, interpolation=worse)
    for name in own:
        summary[name] = groups[name].quantile(0.5, interpolation="lower").astype("Int64")
    # the middle count is a lower limit where a count that was stopped lies at or below it
    open_ended = (scores["bubbles_stopped"] == 1) & (scores["bubbles"] <= scores["trial_id"].map(summary["bubbles"]))
    summary["bubbles_stopped"] = open_ended.groupby(scores["trial_id"]).max().where(summary["bubbles_stopped"].notna())
    summary["scores"] = groups.size()
    summary["scorers"] = groups["scorer"].nunique()
    graded = scores[[*(n for n in readings if n.endswith("_grade")), *own]].notna()
    summary["rubrics"] = grades.of_castings(scores["trial_id"], scores["rubric"], graded)
    return summary


def score_frame(connection: sa.Connection) -> pd.DataFrame:
    """The frame behind `Logbook.scores`: one row per score of the castings in `trial_frame`, in the order of the ids."""
    score, trial, batch = CURRENT["score"], CURRENT["trial"], CURRENT["batch"]
    query = (
        sa.select(score.c.id.label("score_id"), *(score.c[n] for n in Score.settings()), score.c.extra_grades)
        .select_from(score.join(trial, score.c.trial_id == trial.c.id).join(batch, trial.c.batch_id == batch.c.id))
        .where(score.c.withdrawn.isnot(True), trial.c.withdrawn.isnot(True), batch.c.withdrawn.isnot(True))
        .order_by(batch.c.seq, trial.c.seq, score.c.seq)
    )
    frame = _read(connection, query)
    for name, field in Score.settings().items():
        dtype = dtype_of(field.annotation)
        if dtype.startswith("datetime"):
            frame[name] = pd.to_datetime(frame[name], format="ISO8601").astype(dtype)
        elif dtype in ("boolean", "Int64"):
            frame[name] = frame[name].astype("float64").astype(dtype)
        else:
            frame[name] = frame[name].astype(dtype)
    own = _own_grades(extra_columns(connection))
    return _with_own_grades(frame, own).astype(dict.fromkeys(own, "Int64"))


def _with_own_grades(scores: pd.DataFrame, own: list[str]) -> pd.DataFrame:
    """A column (float64) for each grade of the shop's own in place of the texts that hold them."""
    texts = scores.pop("extra_grades")
    if not own:
        return scores
    # PostgreSQL's driver has read the JSON already; a score without any has no text
    rows = [json.loads(told) if isinstance(told, str) else told if isinstance(told, dict) else {} for told in texts]
    columns = {name: [row.get(name.removesuffix("_grade")) for row in rows] for name in own}
    return scores.assign(**{name: pd.Series(cells, scores.index, "float64") for name, cells in columns.items()})


def _with_extras(frame: pd.DataFrame, extras: dict[str, tuple[str, str]]) -> pd.DataFrame:
    columns: dict[str, Any] = {}
    for level in ("trial", "batch"):
        names = [n for n, (where, _) in extras.items() if where == level]
        if not names:
            continue
        texts = frame[f"_{level}_extra"]
        if texts.map(type).eq(dict).any():  # PostgreSQL's driver has read the JSON already
            rows = list(texts)
        else:
            read = {text: json.loads(text) for text in set(texts)}
            rows = [read[text] for text in texts]
        for name in names:
            values = [row.get(name) for row in rows]
            columns[name] = pd.Series(values, index=frame.index, dtype=object).astype(_EXTRA_DTYPES[extras[name][1]])
    return frame.assign(**columns)
