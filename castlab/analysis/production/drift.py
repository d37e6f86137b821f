"""Slow and known changes: the pump's base pressure over time, and the step where a new resin lot begins."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
from scipy import stats

from castlab.analysis import words
from castlab.analysis.compare import compare_runs
from castlab.analysis.production.order import Production
from castlab.analysis.reading import kinds
from castlab.errors import FitError, InputError

DAYS = 30.0
"""Days over which the drift of a pump is told."""


def pump_drift(
    frame: pd.DataFrame, column: str, when: str | None, batch: str | None
) -> tuple[pd.DataFrame | None, list[str]]:
    """Trend of the pump's base pressure with its 95% interval (least squares, Student's t; the scatter no less than rounding gives), and what limits it.

    One row: readings, first, last, start_kpa and now_kpa (on the line), change, low, high (kPa over 30 days, or over
    ten readings where no date is known), over, p_value. None where fewer than three readings exist.
    """
    if column not in frame:
        return None, []
    readings = kinds.numbers(frame[column])
    if (readings < 0).any():
        raise InputError(
            f"{column} holds {np.nanmin(readings):g}; accepted: kPa absolute, from 0 up (units.pressure converts a gauge's reading)"
        )
    rows = frame.assign(_kpa=readings).dropna(subset=["_kpa", *([when] if when else [])])
    if batch and batch in rows:
        rows = rows.drop_duplicates(subset=[batch])
    if when:
        rows = rows.sort_values(when, kind="stable")
    dated = when is not None and pd.api.types.is_datetime64_any_dtype(rows[when].dtype)
    if dated:
        rows = rows.groupby(rows[when].dt.normalize(), as_index=False).agg({"_kpa": "mean", when: "first"})
        time, step, over = (rows[when] - rows[when].min()).dt.total_seconds().to_numpy() / 86_400, DAYS, "30 days"
    else:
        time, step, over = np.arange(len(rows), dtype=float), 10.0, "10 readings"
    y = rows["_kpa"].to_numpy()
    n = len(y)
    if n < 3 or np.ptp(time) == 0:
        return None, [f"{words.count(n, 'reading')} of {column}: no trend of the pump can be told."] if n else []
    if np.ptp(y) <= 1e-9 * np.abs(y).max():
        return None, [f"All {n} readings of {column} are {y[0]:g} kPa: no drift, or a gauge too coarse to show one."]
    centred = time - time.mean()
    slope = float(centred @ y / (centred @ centred))
    residual = y - y.mean() - slope * centred
    scatter = max(residual @ residual / (n - 2), _step(frame[column]) ** 2 / 12, kinds.resolution(y) ** 2)
    error = float(np.sqrt(scatter / (centred @ centred)))
    half = stats.t.ppf(0.975, n - 2) * error
    p = float(2 * stats.t.sf(abs(slope) / error, n - 2))
    row = {
        "readings": n, "first": rows[when].iloc[0] if when else 1, "last": rows[when].iloc[-1] if when else n,
        "start_kpa": y.mean() + slope * centred[0], "now_kpa": y.mean() + slope * centred[-1],
        "change": slope * step, "low": (slope - half) * step, "high": (slope + half) * step, "over": over, "p_value": p,
    }  # fmt: skip
    said = ["The pump's trend is taken as a straight line; an oil change in between makes two lines of it."]
    return pd.DataFrame([row]), said


def _step(column: pd.Series) -> float:
    """The decimal to which readings were written down: on a line or not, they are no surer than that (a step r has the
    variance r^2/12: JCGM 100:2008, 4.3.7)."""
    values = kinds.numbers(column.dropna())
    return next((10.0**-d for d in range(7) if np.allclose(values, values.round(d), rtol=0, atol=1e-9)), 0.0)


def lot_steps(
    made: Production, lot: str | None, kind: str, exposure: str | None
) -> tuple[pd.DataFrame | None, list[str]]:
    """Each change from one lot to the next: castings of the new lot against those of the one before.

    Columns: lot, before, when, castings, batches, estimate, low, high, p_value, p_adjusted (Holm), scale, note.
    Batches are respected as in `compare_runs`. None where the lots never change.
    """
    if lot is None or lot not in made.data:
        return None, []
    named = made.data[lot].astype("object")
    known = named.notna().to_numpy()
    order = list(dict.fromkeys(named[known]))
    if len(order) < 2:
        return None, []
    rows = []
    for before, after in itertools.pairwise(order):
        pair = made.data[named.isin([before, after]).to_numpy()]
        pair = pair.assign(**{lot: pd.Categorical(pair[lot].astype("object"), [before, after])})
        mine = pair[pair[lot] == after]
        row = {
            "lot": str(after), "before": str(before), "when": mine[made.when].iloc[0] if made.when else mine.index[0] + 1,
            "castings": len(mine), "batches": mine[made.batch].nunique() if made.batch else 0,
        }  # fmt: skip
        try:
            found = compare_runs(pair, made.response, lot, kind=kind, batch=made.batch or False, exposure=exposure)
            row |= {
                "estimate": found.estimate,
                "low": found.low,
                "high": found.high,
                "p_value": found.p_value,
                "scale": found.scale,
                "note": "",
            }
        except (FitError, InputError) as error:
            row |= {
                "estimate": np.nan,
                "low": np.nan,
                "high": np.nan,
                "p_value": np.nan,
                "scale": "",
                "note": str(error),
            }
        rows.append(row)
    table = pd.DataFrame(rows)
    table.insert(table.columns.get_loc("p_value") + 1, "p_adjusted", _holm(table["p_value"].to_numpy()))
    said = [
        "A resin lot follows another in time: whatever else changed then, season and habits too, looks like the lot."
    ]
    if made.batch and (table["batches"] == 1).any():
        said.append("A lot of a single batch cannot be told from that batch's own luck.")
    return table, said


def _holm(p: np.ndarray) -> np.ndarray:
    from statsmodels.stats.multitest import multipletests

    adjusted = np.full(len(p), np.nan)
    known = ~np.isnan(p)
    if known.any():
        adjusted[known] = multipletests(p[known], method="holm")[1]
    return adjusted
