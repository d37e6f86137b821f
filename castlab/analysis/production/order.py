"""Castings in the order they were made, and the points of a chart that they give: batches, single castings, or gaps."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.analysis.reading import castings, kinds, limits
from castlab.errors import FitError, InputError

KINDS = ("count", "measure", "pass", "rare")
TIMES = ("poured_at", "mixed_at")
"""The logbook's columns that say when, used when `when` is None."""
LEAST = 4
"""Points that a baseline needs at the very least."""


@dataclass(frozen=True)
class Production:
    """Castings with a response, oldest first."""

    data: pd.DataFrame
    response: str
    kind: str
    y: np.ndarray
    """Counts, measures, or 1 for good and 0 for not."""
    codes: np.ndarray | None
    """Batch 0, 1, ... in the order they were made, or None."""
    batch: str | None
    when: str | None
    exposure: np.ndarray
    exposed: str | None
    """Column of the exposure."""
    counted: bool
    """True where the response is a number of defects, also when kind is "rare"."""
    cautions: list[str] = field(default_factory=list)

    @property
    def n(self) -> int:
        """How many castings there are."""
        return len(self.y)

    @property
    def failed(self) -> np.ndarray:
        """Castings with a failure: not good, or with at least one defect."""
        return self.y > 0 if self.counted else self.y == 0

    def of_points(self, codes: np.ndarray, column: str) -> list[Any]:
        """First value of a column in each point."""
        first = np.unique(codes, return_index=True)[1]
        return list(self.data[column].iloc[first])

    def names(self, codes: np.ndarray | None) -> list[str]:
        """What each point is called: its batch, its casting, or its number."""
        if codes is not None and self.batch is not None and codes is self.codes:
            return [str(v) for v in self.of_points(codes, self.batch)]
        if "trial_id" in self.data:
            return [str(v) for v in self.data["trial_id"]]
        return [f"casting {i + 1}" for i in range(self.n)]

    def size(self) -> str:
        """ "60 castings in 18 batches"."""
        return words.size(self.n, 0 if self.codes is None else int(self.codes.max()) + 1)


def gather(
    frame: pd.DataFrame,
    response: str,
    kind: str | None,
    when: str | None,
    batch: str | bool | None,
    exposure: str | None,
) -> Production:
    """Check what was asked for, leave out castings without the response, and put them in order.

    Raises
    ------
    InputError
        For unknown columns or kinds, or values that do not fit.
    FitError
        If fewer than four castings are left.
    """
    castings.check_castings(frame, [response, *([when] if when else []), *([exposure] if exposure else [])])
    if kind is not None and kind not in KINDS:
        raise InputError(f"kind is {kind!r}; accepted: {', '.join(KINDS)}, or None to infer it")
    batch_name, said = castings.find_batch(frame, batch, [], response)
    cautions = [said] if said else []
    wanted = kind
    column, at_least, at_most = limits.read_texts(frame[response])
    if (stopped := f"{response}_stopped") in frame:
        at_least |= limits.read_flags(frame[stopped])
    if kind == "rare":
        wanted = "count" if kinds.infer(column)[0] == "count" else "pass"
    read = kinds.read(column, wanted)
    if read.said:
        cautions.append(read.said)
    if read.kind == "grade":
        raise InputError(
            f"{response} is a grade; accepted: a count, a measure, or pass or fail, such as "
            f"frame.assign(good=frame[{response!r}] >= 3) with response 'good'"
        )
    if exposure is not None and read.kind == "measure":
        raise InputError(f"exposure={exposure!r} belongs to counts and rare defects, but {response} is a measure")
    frame, when, order, said = _order(frame, when)
    cautions += [said] if said else []
    sizes = kinds.numbers(frame[exposure]) if exposure else np.ones(len(frame))
    keep = ~np.isnan(read.values) & ~np.isnan(sizes)
    if batch_name:
        keep &= frame[batch_name].notna().to_numpy()
    if (sizes[keep] <= 0).any():
        raise InputError(f"exposure {exposure} holds {sizes[keep].min():g}; accepted: numbers above 0")
    if (~keep).any():
        cautions.append(
            f"{int((~keep).sum())} of {len(frame)} castings were left out: {response}, batch or exposure is missing."
        )
    limited = int(((at_least | at_most) & keep).sum())
    if limited:
        cautions.append(
            f"Of {words.count(limited, 'casting')} only a limit of {labels.name(response)} is known (such as a count that was "
            "stopped): they are watched at that limit, and what lies beyond it is not seen."
        )
    order = order[keep[order]]
    if len(order) < LEAST:
        many = f"only {words.count(len(order), 'casting')}" if len(order) else "no casting"
        raise FitError(f"{many} with {response}; at least {LEAST} are needed to watch anything: log and score more")
    data = frame.iloc[order].reset_index(drop=True)
    codes = None
    if batch_name:
        codes = np.asarray(pd.factorize(data[batch_name])[0])
        if codes.max() == len(codes) - 1:
            codes = None
    return Production(
        data=data, response=response, kind=kind or read.kind, y=read.values[order], codes=codes, batch=batch_name,
        when=when, exposure=sizes[order], exposed=exposure, counted=read.kind == "count", cautions=cautions,
    )  # fmt: skip


def _order(frame: pd.DataFrame, when: str | None) -> tuple[pd.DataFrame, str | None, np.ndarray, str]:
    """The column that says when, read as shop-clock dates or numbers, and the rows oldest first.

    A casting without a time stays behind the row above it.
    """
    if when is None:
        when = next((c for c in TIMES if c in frame and frame[c].notna().any()), None)
    if when is None:
        return frame, None, np.arange(len(frame)), "No column says when: the rows are taken in the order they come."
    column = frame[when]
    if not (pd.api.types.is_numeric_dtype(column.dtype) or pd.api.types.is_datetime64_any_dtype(column.dtype)):
        try:
            column = pd.to_datetime(column, format="ISO8601")
        except (ValueError, TypeError):
            raise InputError(
                f"{when} holds what is neither a date nor a number; accepted: dates such as 2026-03-14, or numbers"
            ) from None
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        column = column.dt.tz_localize(None)
    blank = int(column.isna().sum())
    filled = column.ffill().bfill()
    said = f"{words.count(blank, 'casting')} without {when} kept the place of the row above." if blank else ""
    return frame.assign(**{when: column}), when, np.argsort(filled.to_numpy(), kind="stable"), said


def of_baseline(made: Production, codes: np.ndarray, baseline: object) -> np.ndarray:
    """Which points set the limits: all, the first so many, or those up to a moment.

    Raises
    ------
    InputError
        If it cannot be read or leaves fewer than four points.
    FitError
        If there are fewer than four points in all.
    """
    n = int(codes.max()) + 1
    if baseline is None and n < LEAST:
        cups = "; give batch=False to watch single castings" if made.codes is not None else ""
        raise FitError(f"{words.count(n, 'point')} on the chart; at least {LEAST} are needed to set limits{cups}")
    if baseline is None:
        inside = np.ones(n, dtype=bool)
    elif isinstance(baseline, (int, np.integer)) and not isinstance(baseline, bool):
        if not LEAST <= baseline <= n:
            raise InputError(f"baseline is {baseline}; accepted: {LEAST} to {n}, the number of points, or a moment")
        inside = np.arange(n) < baseline
    else:
        if made.when is None:
            raise InputError(f"baseline is {baseline!r}, but no column says when; accepted: a number of points")
        moments = pd.Series(made.of_points(codes, made.when)).ffill()
        try:
            moment: Any = baseline
            if moments.dtype.kind == "M":
                moment = pd.Timestamp(moment).tz_localize(None)
            inside = (moments <= moment).to_numpy(dtype=bool)
        except (ValueError, TypeError):
            raise InputError(
                f"baseline is {baseline!r}; accepted: a number of points, or a moment as in {made.when}"
            ) from None
    if inside.sum() < LEAST:
        raise InputError(
            f"the baseline holds {words.count(int(inside.sum()), 'point')}; at least {LEAST} are needed to set limits"
        )
    return inside


def name_of(made: Production) -> str:
    """What is charted, in words."""
    name = labels.name(made.response)
    if made.kind == "pass":
        return "share that failed" if made.response == "passed" else f"share not {name}"
    if made.kind == "rare":
        return f"from one {name} to the next" if made.counted else "from one failure to the next"
    return name
