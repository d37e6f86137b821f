"""What was asked of `plan_trials`, read and checked: what is impossible is said here, with the nearest request that is not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd

from castlab.analysis import words
from castlab.designs import exchange, groups, how_many, region, standard
from castlab.designs import space as spaces
from castlab.designs.factors import Factor
from castlab.errors import InputError
from castlab.given import whole

GOALS = ("screen", "effects", "curve")
USING = {
    "best": "best", "factorial": "factorial", "plackett-burman": "plackett-burman", "optimal": "optimal",
    "central composite": standard.COMPOSITE, "box-behnken": standard.BEHNKEN,
}  # fmt: skip
MOST = 500
"""Castings that a plan may have: more than a workshop makes, and what the search can carry."""


@dataclass(frozen=True)
class Asked:
    """The question, ready to be planned. Arrays over runs hold those already made first."""

    space: spaces.Space
    moves: spaces.Moves
    candidates: np.ndarray
    held: tuple[Factor, ...]
    goal: str
    using: str
    criterion: str
    structure: exchange.Structure
    nuisance: np.ndarray
    batched: bool
    mold: np.ndarray | None
    mold_names: tuple[str, ...]
    made_settings: pd.DataFrame
    made_X: np.ndarray

    @property
    def n_new(self) -> int:
        return self.structure.n - self.structure.n_made

    @property
    def batch_new(self) -> np.ndarray:
        """Batch 0, 1, ... of each new casting."""
        codes = self.structure.batch[self.structure.n_made :]
        return np.unique(codes, return_inverse=True)[1]

    @property
    def mold_new(self) -> np.ndarray | None:
        return None if self.mold is None else self.mold[self.structure.n_made :]


def read(
    factors: Sequence[Factor] | Mapping[str, Any],
    runs: int | None,
    goal: str,
    interactions: int | Sequence[tuple[str, str]] | None,
    per_batch: Sequence[str],
    batch_size: int | None,
    blocks: Sequence[str] | int | None,
    forbid: Sequence[Mapping[str, Any]],
    made: pd.DataFrame | None,
    using: str,
    criterion: str,
    batch_scatter: float,
) -> Asked:
    """Everything that `plan_trials` was given, checked.

    Raises
    ------
    InputError
        For what cannot be read or planned.
    """
    _check_choices(goal, using, criterion, batch_scatter)
    if runs is not None and whole("runs", runs, 1) > MOST:
        raise InputError(f"runs is {runs}; accepted: up to {MOST} castings; nearest possible request: runs={MOST}")
    if batch_size is not None:
        whole("batch_size", batch_size, 1)
    varied, held = region.factors_of(factors, per_batch, batch_size)
    size = batch_size if batch_size is not None and batch_size > 1 else None
    space = region.space_of(varied, held, goal, interactions, forbid)
    moves = spaces.moves(space)
    candidates = space.candidates(np.random.default_rng(0))
    region.check_rank(space, candidates)
    made_frame = made if made is not None else pd.DataFrame({f.name: [] for f in space.factors})
    made_settings = groups.settings_made(made_frame, space, held)
    how = USING[using.lower()]
    names = groups.mold_names(blocks)
    n_made = len(made_settings)
    differences = max(len(names) - 1, 0) + (n_made > 0 and size is None)
    if how in (standard.COMPOSITE, standard.BEHNKEN):
        plain = not (size is not None or names or n_made or space.rules)
        runs = how_many.surface_runs(space, goal, how, runs, plain=plain)
    n = how_many.number_of_castings(space, goal, runs, n_made, differences, size)
    if len(names) > n and not n_made:
        fewer = f"blocks={n - space.p + 1} or " if n > space.p else ""
        raise InputError(
            f"{words.count(n, 'casting')} cannot use {len(names)} molds; nearest possible request: {fewer}"
            f"runs={space.p + differences}"
        )
    batch = groups.batches(made_frame, n, size)
    mold, all_names = groups.molds(made_frame, names, n)
    nuisance = groups.nuisances(mold, n_made, n, size is not None)
    how_many.check_size(space, n, n_made, nuisance, batch, size)
    plan = exchange.structure(batch, nuisance, 0.0 if size is None else float(batch_scatter), n_made)
    return Asked(
        space, moves, candidates, held, goal, how, criterion, plan, nuisance, size is not None, mold, all_names,
        made_settings, space.rows_of(made_settings),
    )  # fmt: skip


def _check_choices(goal: str, using: str, criterion: str, batch_scatter: float) -> None:
    if goal not in GOALS:
        raise InputError(f"goal is {goal!r}; accepted: {', '.join(GOALS)}")
    if not isinstance(using, str) or using.lower() not in USING:
        raise InputError(f"using is {using!r}; accepted: {', '.join(USING)}")
    if criterion not in ("D", "I"):
        raise InputError(
            f"criterion is {criterion!r}; accepted: 'D' (effects), 'I' (expected response over the region)"
        )
    if isinstance(batch_scatter, bool) or not isinstance(batch_scatter, Real) or not 0 <= float(batch_scatter) < 1e6:
        raise InputError(f"batch_scatter is {batch_scatter!r}; accepted: a variance ratio, 0 or more")


def no_such_plan(asked: Asked) -> str:
    """Why no factorial or Plackett-Burman plan answers, and what does."""
    k, n = len(asked.space.factors), asked.n_new
    if asked.space.rules or asked.structure.n_made or not all(f.two_settings for f in asked.space.factors):
        return (
            f"a {asked.using} plan serves factors of two settings, without forbidden combinations or castings already made; "
            "nearest possible request: using='optimal'"
        )
    possible = (
        [2**m for m in range(2, 9)] if asked.using == "factorial" else [m for m in range(12, 257, 4) if m & (m - 1)]
    )
    instead = min((m for m in possible if m > k), key=lambda m: (abs(m - n), m))
    return (
        f"there is no {asked.using} plan of {n} castings for these factors, batches and molds; nearest possible request: "
        f"runs={instead}, or using='best'"
    )


def not_estimable(asked: Asked) -> str:
    """No plan was found that can tell the effects apart."""
    grown = asked.n_new + max(2, asked.n_new // 4)
    return (
        f"no plan of {words.count(asked.n_new, 'casting')} was found that can tell all {asked.space.p - 1} effects apart; "
        f"nearest possible request: runs={grown}, or fewer interactions{', or smaller batches' if asked.batched else ''}"
    )
