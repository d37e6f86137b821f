"""Castings as the analysis will see them: which effect each column is, and which batch each casting is from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from castlab.analysis import words
from castlab.designs import assess
from castlab.errors import ImpossibleError


@dataclass(frozen=True, eq=False)
class Layout:
    """`X` (n, p), the mean first; `codes` batch of each casting 0, 1, ... or None; `on_batches`: set per batch."""

    X: np.ndarray
    codes: np.ndarray | None
    on_batches: bool = False

    @property
    def castings(self) -> int:
        """How many castings there are."""
        return len(self.X)

    @property
    def batches(self) -> int:
        """How many batches there are; 0 without batches."""
        return 0 if self.codes is None else int(self.codes.max()) + 1


def two_groups(first: int, second: int) -> Layout:
    """Two groups of castings that are all from cups of their own."""
    group = np.repeat([0.0, 1.0], [first, second])
    return Layout(np.column_stack([np.ones(first + second), group]), None)


def fits(castings: int, batches: float, per_batch: bool) -> bool:
    """Whether two groups of so many castings each can be shared out evenly to batches, with something left to judge by."""
    least = 4 if per_batch else 2
    whole = least <= batches <= castings and batches % 1 == 0
    return whole and 2 * castings % batches == 0 and not (per_batch and batches % 2)


def in_batches(castings: int, batches: int, per_batch: bool) -> Layout:
    """Two groups of so many castings each in so many batches: whole batches of a group (per_batch), or both in each.

    Raises
    ------
    ImpossibleError
        If they cannot be shared out evenly, or nothing is left to judge by.
    """
    n = 2 * castings
    groups = "whole batches of each group" if per_batch else "both groups in each batch"
    if not fits(castings, batches, per_batch):
        shared = [b for b in range(2, n // 2 + 1) if fits(castings, b, per_batch)]
        nearest = (
            {"batches": min(shared, key=lambda b: (abs(b - batches), b))} if shared else {"castings": 4, "batches": 4}
        )
        instead = " and ".join(f"{name}={value}" for name, value in nearest.items())
        why = (
            "two batches leave none over to show how much batches differ anyway"
            if per_batch and batches == 2
            else "batches of one casting are castings of their own (leave batches out)"
            if batches == n
            else f"they cannot be shared out evenly, with {groups}"
        )
        raise ImpossibleError(
            f"{words.count(n, 'casting')} ({castings} in each group) in {words.count(batches, 'batch')}: {why}; nearest "
            f"possible request: {instead}",
            nearest=[nearest],
        )
    size = n // batches
    codes = np.repeat(np.arange(batches), size)
    group = (codes % 2 if per_batch else np.arange(n) % 2).astype(float)
    return Layout(np.column_stack([np.ones(n), group]), codes, per_batch)


def of_plan(runs: assess.Runs) -> tuple[Layout, list[assess.Contrast]]:
    """A plan with one column for each contrast that will be reported, then those of molds and earlier castings."""
    contrasts = assess.contrasts(runs)
    turn = np.vstack([np.eye(runs.space.p)[0], *(c.weights for c in contrasts)])
    X = np.hstack([runs.X @ np.linalg.inv(turn), runs.nuisance])
    codes = np.unique(runs.plan.batch, return_inverse=True)[1] if runs.batched else None
    return Layout(X, codes), contrasts
