"""The few castings that would separate the effects best, given what has been made: greedy D-optimal augmentation.

Each casting is the one that raises the determinant of the information most, given those made and those already proposed
(Fedorov, Theory of Optimal Experiments, 1972). With batches the information is that of castings whose cups scatter as much
as castings of one cup do: a cup's settings are chosen with the castings that go with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from castlab.analysis.reading import coding, kinds

MOST_CANDIDATES = 4096
MOST_SETTINGS = 4
"""Settings of a numeric factor that are offered for the next castings; with more, only its ends."""
MOST_CUPS = 64
"""Settings of the cup that are looked at for each batch, those that promise most first."""
SCATTER = 1.0
"""Variance between batches over the variance between castings of one batch that is reckoned with."""
RIDGE = 1e-6


@dataclass(frozen=True)
class Made:
    """What was made: its settings, the batch of each casting and its mold, where they are known."""

    settings: pd.DataFrame
    codes: np.ndarray | None
    mold: pd.Series | None


def propose(
    varied: Sequence[coding.Factor], made: Made, n: int, batch_size: int | None, per_batch: Sequence[str]
) -> pd.DataFrame:
    """n castings, one row each: batch (with a batch size), mold (where molds are known), then the factors.

    Parameters
    ----------
    varied : factors that were varied
    n : how many castings
    batch_size : castings of one new cup; None for castings of their own
    per_batch : names of the factors that are set for a whole cup
    """
    molds = [] if made.mold is None else sorted(made.mold.unique())
    candidates = _candidates(varied, made.settings, molds if batch_size is None else [])
    offered = _rows(varied, candidates)
    given = _rows(varied, made.settings)
    if len(molds) > 1:
        given = np.hstack([given, _indicators(made.mold, molds)])
    M = _information(given, made.codes) + RIDGE * np.eye(given.shape[1])
    if batch_size is None:
        if len(molds) > 1:
            offered = np.hstack([offered, _indicators(candidates["mold"], molds)])
        return candidates.iloc[_one_by_one(M, offered, n)].reset_index(drop=True)
    chosen = []
    for batch, first in enumerate(range(0, n, batch_size), start=1):
        size = min(batch_size, n - first)
        picks, M = _cup(M, offered, candidates, list(per_batch), size, molds)
        for place, mold in picks:
            row = candidates.iloc[place].to_dict()
            chosen.append({"batch": batch, **({"mold": mold} if molds else {}), **row})
    return pd.DataFrame(chosen)


def _one_by_one(M: np.ndarray, offered: np.ndarray, n: int) -> list[int]:
    inverse, chosen = np.linalg.inv(M), []
    for _ in range(n):
        gain = np.einsum("ij,jk,ik->i", offered, inverse, offered)
        best = int(np.argmax(np.round(gain / gain.max(), 6)))  # ties go to the first, on any machine
        chosen.append(best)
        moved = inverse @ offered[best]
        inverse = inverse - np.outer(moved, moved) / (1 + gain[best])
    return chosen


def _cup(
    M: np.ndarray, offered: np.ndarray, candidates: pd.DataFrame, per_batch: list[str], size: int, molds: list[str]
) -> tuple[list[tuple[int, str | None]], np.ndarray]:
    """The castings of the next cup, as positions in the candidates and molds, and the information with them."""
    if per_batch:
        cups = candidates.groupby(per_batch, sort=False).indices
        promise = np.einsum("ij,jk,ik->i", offered, np.linalg.inv(M)[: offered.shape[1], : offered.shape[1]], offered)
        groups = sorted(cups.values(), key=lambda rows: -round(float(promise[rows].max()), 6))[:MOST_CUPS]
    else:
        groups = [np.arange(len(candidates))]
    best: tuple[float, list[tuple[int, str | None]], np.ndarray] | None = None
    for rows in groups:
        picks: list[tuple[int, str | None]] = []
        block = np.zeros((0, M.shape[0]))
        for _ in range(size):
            free = [m for m in molds if m not in {mold for _, mold in picks}] or molds
            tried = np.vstack([_with_mold(offered[rows], molds, mold) for mold in free or [""]])
            sums = block.sum(axis=0)[None] + tried
            shrink = SCATTER / (1 + SCATTER * (len(block) + 1))
            grown = (M + block.T @ block)[None] + tried[:, :, None] * tried[:, None, :]
            grown -= shrink * sums[:, :, None] * sums[:, None, :]
            worth = np.round(np.linalg.slogdet(grown)[1], 6)
            at = int(np.argmax(worth))
            picks.append((int(rows[at % len(rows)]), free[at // len(rows)] if free else None))
            block = np.vstack([block, tried[at]])
            end = grown[at]
        if best is None or worth[at] > best[0]:
            best = (float(worth[at]), picks, end)
    if best is None:
        raise ValueError("no settings of the cup to choose from")
    return best[1], best[2]


def _with_mold(rows: np.ndarray, molds: list[str], mold: str) -> np.ndarray:
    if len(molds) < 2:
        return rows
    return np.hstack([rows, np.tile([float(m == mold) for m in molds[1:]], (len(rows), 1))])


def _information(X: np.ndarray, codes: np.ndarray | None) -> np.ndarray:
    if codes is None:
        return X.T @ X
    Z = np.eye(int(codes.max()) + 1)[codes]
    sums, sizes = Z.T @ X, Z.sum(axis=0)
    return X.T @ X - (sums.T * (SCATTER / (1 + SCATTER * sizes))) @ sums


def _rows(varied: Sequence[coding.Factor], table: pd.DataFrame) -> np.ndarray:
    return np.hstack([np.ones((len(table), 1)), *(f.columns(table[f.name]) for f in varied)])


def _indicators(mold: pd.Series, molds: Sequence[str]) -> np.ndarray:
    return np.column_stack([(mold == m).to_numpy(dtype=float) for m in molds[1:]])


def _candidates(varied: Sequence[coding.Factor], data: pd.DataFrame, molds: Sequence[str]) -> pd.DataFrame:
    settings: list[list[object]] = [list(molds)] if molds else []
    for f in varied:
        tried = np.unique(kinds.numbers(data[f.name])) if f.numeric else np.array(f.levels, dtype=object)
        settings.append(
            [float(v) for v in (tried if len(tried) <= MOST_SETTINGS else tried[[0, -1]])] if f.numeric else list(tried)
        )
    total = int(np.prod([float(len(s)) for s in settings]))
    if total <= MOST_CANDIDATES:
        rows = list(product(*settings))
    else:
        rng = np.random.default_rng(20240229)
        rows = [
            tuple(s[k] for s, k in zip(settings, pick, strict=True))
            for pick in rng.integers(0, [len(s) for s in settings], (MOST_CANDIDATES, len(settings)))
        ]
    return pd.DataFrame(rows, columns=[*(["mold"] if molds else []), *(f.name for f in varied)])
