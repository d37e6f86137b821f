"""Does any single casting, or batch, carry a verdict? Leaving each out in one step finds those that might; real refits
without them say which do.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from castlab.analysis import effects, words
from castlab.analysis.checking.residuals import Left
from castlab.analysis.models import choose, imperfect
from castlab.analysis.models.answers import Few
from castlab.analysis.models.chosen import Chosen
from castlab.analysis.models.pooling import Pooled
from castlab.analysis.reading.castings import Castings
from castlab.analysis.reading.coding import Design
from castlab.errors import FitError

REFITS = 6
"""Castings, and batches, that are left out."""
SLOW_REFITS = 2
"""Where responses are not known exactly and fits are slow, the true responses of the others stay as drawn; of those that
then change a verdict, so many are left out in earnest."""
SURE = {"not shown": 0, "likely": 1, "clear": 2}
COLUMNS = ["without", "what", "factor", "contrast", "estimate", "low", "high", "before", "after"]


@dataclass(frozen=True)
class Carried:
    """What really changes without single castings or batches.

    `table`: one row per effect whose strength changes, columns `COLUMNS` (`what` is "casting" or "batch"; estimate, low,
    high without it; NaN where the rest cannot judge the effect). `castings` and `batches` were tried.
    """

    table: pd.DataFrame
    castings: int
    batches: int


def most(castings: Castings) -> int:
    """How many castings and batches are left out at most."""
    return REFITS if castings.codes is None else 2 * REFITS


def of(
    castings: Castings, design: Design, chosen: Chosen, whole: pd.DataFrame, left: Left, names: Sequence[str],
    step: Callable[[], object],
) -> Carried:  # fmt: skip
    """Leave out the castings and batches that might carry a verdict, and keep those that do.

    Parameters
    ----------
    chosen, whole : the fit and its effects
    left : what the fit leaves (`castlab.analysis.checking.residuals`)
    names : what the castings are called
    step : called after each that was left out, at most `most` times
    """
    strain = _strain(whole, design, left)
    tried = [i for i in np.argsort(-strain, kind="stable")[:REFITS] if strain[i] > 0]
    parts = [(np.arange(castings.n) != i, names[i]) for i in tried]
    rows = _all_changes(castings, design, chosen, whole, parts, "casting", step)
    batches: list[int] = []
    if castings.codes is not None:
        weight = np.bincount(castings.codes, strain)
        batches = list(np.argsort(-weight, kind="stable")[:REFITS])
        named = [words.called("batch", name) for name in pd.unique(castings.data[castings.batch])]
        parts = [(castings.codes != b, named[b]) for b in batches]
        rows += _all_changes(castings, design, chosen, whole, parts, "batch", step)
    return Carried(pd.DataFrame(rows, columns=COLUMNS), len(tried), len(batches))


def _all_changes(
    castings: Castings, design: Design, chosen: Chosen, whole: pd.DataFrame,
    parts: Sequence[tuple[np.ndarray, str]], what: str, step: Callable[[], object],
) -> list[tuple[object, ...]]:  # fmt: skip
    """The changes without each of these parts, which are castings to keep and the name of what is left out."""
    rows: list[tuple[object, ...]] = []
    pooled, really = isinstance(chosen.model, Pooled), 0
    for keep, name in parts:

        def quick(part: Castings, fewer: Design, keep: np.ndarray = keep) -> Chosen:
            return imperfect.without(part, fewer, chosen, keep)

        found = _changes(castings, design, whole, keep, name, what, quick if pooled else imperfect.fit)
        if found and pooled and really < SLOW_REFITS:
            found = _changes(castings, design, whole, keep, name, what, imperfect.fit)
            really += 1
        rows += found
        step()
    return rows


def _strain(whole: pd.DataFrame, design: Design, left: Left) -> np.ndarray:
    """How much leaving out each casting may change a verdict: the change in the test statistics of effects, in one step,
    weighted to those near a change of strength."""
    cols = [j for term in design.terms for j in term.cols]
    with np.errstate(all="ignore"):
        before = left.coef[cols] / left.error[0, cols]
        after = left.moved[:, cols] / left.error[1:, cols]
        known = stats.norm.isf(np.clip(whole["p_value"].to_numpy(), 1e-15, 1) / 2)
        ratio = after / np.where(np.abs(before) > 1e-6, before, np.nan)
        then = np.abs(known[None, :] * ratio)
        line = np.where(whole["strength"].to_numpy() == "not shown", stats.norm.isf(0.0125), stats.norm.isf(0.025))
        over = (then - line) * np.sign(known - line)
        score = np.where(over < 0, 10 - over, np.abs(then - known) / (0.1 + over))
    return np.nan_to_num(score, nan=0.0, posinf=0.0).max(axis=1, initial=0.0)


def _changes(
    castings: Castings, design: Design, whole: pd.DataFrame, keep: np.ndarray, name: str, what: str,
    fit: Callable[[Castings, Design], Chosen],
) -> list[tuple[object, ...]]:  # fmt: skip
    """Effects whose strength is another one without these castings; only "clear" counts where an effect appears."""
    fewer = Design(design.terms, design.X[keep])
    rank = np.linalg.matrix_rank(fewer.X)
    found = None
    if rank == fewer.X.shape[1]:
        try:
            part = without(castings, keep)
            chosen = fit(part, fewer)
            planned = set(whole.loc[whole["look"] == effects.PLANNED, "factor"])
            model = chosen.model
            quick = replace(chosen, model=replace(model, quick=True)) if isinstance(model, Few) else chosen
            found, _ = effects.tables(quick, fewer, part.codes, planned, intervals=False)
            if any(_changed(row.strength, now) for row, now in zip(whole.itertuples(), found["strength"], strict=True)):
                found, _ = effects.tables(chosen, fewer, part.codes, planned)
        except (FitError, np.linalg.LinAlgError):
            found = None
    rows: list[tuple[object, ...]] = []
    for k, row in enumerate(whole.itertuples()):
        if found is None:
            if row.strength != "not shown":
                rows.append((name, what, row.factor, row.contrast, np.nan, np.nan, np.nan, row.strength, "not judged"))
            continue
        now = found.iloc[k]
        after = now["strength"]
        if _changed(row.strength, after):
            rows.append(
                (name, what, row.factor, row.contrast, now["estimate"], now["low"], now["high"], row.strength, after)
            )
    return rows


def _changed(before: str, after: str) -> bool:
    return SURE[after] < SURE[before] or SURE[after] - SURE[before] == 2


def without(castings: Castings, keep: np.ndarray) -> Castings:
    """Only some of the castings, with batches and grades numbered anew.

    Raises
    ------
    FitError
        If those that are kept came out alike.
    """
    y, grades, codes, batch = castings.y[keep], castings.grades, castings.codes, castings.batch
    if np.ptp(y) == 0:
        raise FitError(f"{castings.response} is the same in all castings that are kept")
    known = None if castings.known is None else castings.known.take(keep)
    if castings.kind == "grade" and known is None:
        used, y = np.unique(y, return_inverse=True)
        grades, y = tuple(grades[int(g)] for g in used), y.astype(float)
    if codes is not None:
        codes = np.unique(codes[keep], return_inverse=True)[1]
        if codes.max() == 0 or len(np.unique(codes)) == len(codes):
            codes, batch = None, None
    return replace(
        castings, data=castings.data.loc[keep].reset_index(drop=True), y=y, grades=grades, codes=codes, batch=batch,
        known=known, around=castings.around.loc[keep],
    )  # fmt: skip


def refit(castings: Castings, design: Design, chosen: Chosen) -> Chosen:
    """The same method on more columns than in the fit that was `chosen`."""
    if isinstance(chosen.model, Pooled):
        return imperfect.beside(castings, design, chosen)
    return choose.choose(castings, design)
