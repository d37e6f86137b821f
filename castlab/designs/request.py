"""What was asked of `plan_trials`, read and checked: what is impossible is said here (`nearest` says what is not)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from castlab.analysis import words
from castlab.analysis.reading import coding
from castlab.designs import exchange, groups, how_many, region, standard
from castlab.designs import space as spaces
from castlab.designs.factors import Factor
from castlab.errors import ImpossibleError, InputError
from castlab.given import as_number, elements, one_of, shown, whole

GOALS = ("screen", "effects", "curve")
USING = {
    "best": "best", "factorial": "factorial", "plackett-burman": "plackett-burman", "optimal": "optimal",
    "central composite": standard.COMPOSITE, "box-behnken": standard.BEHNKEN,
}  # fmt: skip


@dataclass(frozen=True)
class Ground:
    """What a request stands on, however many castings it has: the space, what was made, batch size and molds."""

    space: spaces.Space
    moves: spaces.Moves
    candidates: np.ndarray
    held: tuple[Factor, ...]
    batch_size: int | None
    """None where castings share no batch."""
    molds: tuple[str, ...]
    made: pd.DataFrame
    made_settings: pd.DataFrame


@dataclass(frozen=True)
class Asked(Ground):
    """The question, ready to be planned. Arrays over runs hold those already made first."""

    goal: str
    using: str
    criterion: str
    structure: exchange.Structure
    nuisance: np.ndarray
    mold: np.ndarray | None
    mold_names: tuple[str, ...]
    """Those of castings already made too."""
    made_X: np.ndarray

    @property
    def batched(self) -> bool:
        """Whether castings share batches."""
        return self.batch_size is not None

    @property
    def n_new(self) -> int:
        """How many castings are to be made."""
        return self.structure.n - self.structure.n_made

    @property
    def batch_new(self) -> np.ndarray:
        """Batch 0, 1, ... of each new casting."""
        codes = self.structure.batch[self.structure.n_made :]
        return np.unique(codes, return_inverse=True)[1]

    @property
    def mold_new(self) -> np.ndarray | None:
        """Position of the mold of each casting to be made, (n_new,); None without molds."""
        return None if self.mold is None else self.mold[self.structure.n_made :]


@dataclass(frozen=True)
class Request:
    """What `plan_trials` was given, each argument by itself readable; together they may still be impossible."""

    factors: Sequence[Factor]
    runs: int | None
    goal: str
    interactions: int | Sequence[Any] | None
    per_batch: Sequence[str]
    batch_size: int | None
    blocks: int | Sequence[Any] | None
    forbid: Sequence[Mapping[str, Any]]
    made: pd.DataFrame | None
    using: str
    criterion: str
    batch_scatter: float
    seed: int

    @classmethod
    def of(
        cls, factors: Any, runs: Any, *, goal: Any, interactions: Any, per_batch: Any, batch_size: Any, blocks: Any, forbid: Any,
        made: Any, using: Any, criterion: Any, batch_scatter: Any, seed: Any,
    ) -> Request:  # fmt: skip
        """The request, or InputError for the first argument that cannot be read."""
        one_of("goal", goal, GOALS)
        one_of("using", using.lower() if isinstance(using, str) else using, USING)
        if not isinstance(criterion, str) or criterion not in ("D", "I"):
            raise InputError(
                f"criterion is {shown(criterion)}; accepted: 'D' (effects), 'I' (expected response over the region)"
            )
        scatter = as_number(batch_scatter)
        if scatter is None or not 0 <= scatter < 1e6:
            raise InputError(f"batch_scatter is {shown(batch_scatter)}; accepted: a variance ratio, 0 or more")
        given = region.read_factors(factors)
        return cls(
            given, None if runs is None else whole("runs", runs, 1), goal, _kept(interactions),
            region.read_per_batch(per_batch, given), None if batch_size is None else whole("batch_size", batch_size, 1),
            groups.read_blocks(blocks), region.read_rules(forbid), made, using.lower(), criterion, scatter,
            whole("seed", seed, 0),
        )  # fmt: skip

    def stream(self) -> np.random.Generator:
        """The random numbers of this request."""
        return np.random.default_rng(self.seed)

    @property
    def set_per_batch(self) -> list[str]:
        """Factors that vary between cups only."""
        return [f.name for f in self.factors if f.varied and (f.per_batch or f.name in self.per_batch)]

    @property
    def pairs(self) -> list[tuple[str, str]]:
        """The interactions that are asked for."""
        wanted = (2 if self.goal == "curve" else 0) if self.interactions is None else self.interactions
        return coding.read_interactions(wanted, [f.name for f in self.factors if f.varied])


def _kept(interactions: Any) -> Any:
    """Interactions that can be read more than once."""
    found = elements(interactions)
    return interactions if found is None else found


def ground(given: Request) -> Ground:
    """What does not hang on the number of castings, checked.

    Raises
    ------
    InputError
        For what cannot be read.
    ImpossibleError
        For what cannot be planned with any number of castings.
    """
    size = min(given.batch_size, how_many.MOST) if given.batch_size is not None and given.batch_size > 1 else None
    varied, held = region.factors_of(given.factors, given.set_per_batch, given.batch_size)
    space = region.space_of(varied, held, given.goal, given.pairs, given.forbid)
    moves = spaces.moves(space)
    candidates = space.candidates(np.random.default_rng(0))
    region.check_rank(space, candidates)
    made = given.made if given.made is not None else pd.DataFrame({f.name: [] for f in space.factors})
    found = Ground(
        space,
        moves,
        candidates,
        held,
        size,
        groups.mold_names(given.blocks),
        made,
        groups.settings_made(made, space, held),
    )
    if given.using in standard.KINDS:
        _check_kind(given.using, found)
    return found


def _check_kind(using: str, found: Ground) -> None:
    """Raise ImpossibleError where no factorial or Plackett-Burman plan serves, however many castings it has."""
    molds = len(found.molds)
    if found.space.rules or len(found.made_settings):
        why = "serves without forbidden combinations or castings already made"
    elif using == "factorial" and molds & (molds - 1):
        why = f"takes turns in 2, 4, 8, ... molds, not in {molds}"
    elif using == "plackett-burman" and not all(f.two_settings for f in found.space.factors):
        why = "serves factors of two settings"
    elif using == "plackett-burman" and any(t.bend for t in found.space.terms):
        why = "has two settings of each factor, which show no bend"
    elif using == "plackett-burman" and (found.batch_size is not None or molds):
        why = "serves without batches or molds"
    else:
        return
    raise ImpossibleError(f"a {using} plan {why}")


def read(given: Request) -> Asked:
    """Everything that `plan_trials` was given, checked.

    Raises
    ------
    InputError
        For what cannot be read.
    ImpossibleError
        For what cannot be planned.
    """
    found = ground(given)
    space, size, names, n_made = found.space, found.batch_size, found.molds, len(found.made_settings)
    how, runs = USING[given.using], given.runs
    differences = max(len(names) - 1, 0) + (n_made > 0 and size is None)
    if how in (standard.COMPOSITE, standard.BEHNKEN):
        plain = not (size is not None or names or n_made or space.rules)
        runs = how_many.surface_runs(space, given.goal, how, runs, plain=plain)
    n = how_many.number_of_castings(space, given.goal, runs, n_made, differences, size)
    if n > how_many.MOST:
        raise ImpossibleError(f"{shown(n)} castings are more than a plan may have ({how_many.MOST})")
    if len(names) > n and not n_made:
        raise ImpossibleError(f"{words.count(n, 'casting')} cannot use {len(names)} molds")
    batch = groups.batches(found.made, n, size)
    mold, all_names = groups.molds(found.made, names, n)
    nuisance = groups.nuisances(mold, n_made, n, size is not None)
    how_many.check_size(space, n, n_made, nuisance, batch, size)
    plan = exchange.structure(batch, nuisance, 0.0 if size is None else given.batch_scatter, n_made)
    return Asked(
        **vars(found), goal=given.goal, using=how, criterion=given.criterion, structure=plan, nuisance=nuisance, mold=mold,
        mold_names=all_names, made_X=space.rows_of(found.made_settings),
    )  # fmt: skip


def no_such_plan(asked: Asked) -> str:
    """Why no factorial or Plackett-Burman plan answers."""
    return (
        f"there is no {asked.using} plan of {words.count(asked.n_new, 'casting')} for these factors, batches and molds"
    )


def not_estimable(asked: Asked) -> str:
    """No plan was found that can tell the effects apart."""
    return (
        f"no plan of {words.count(asked.n_new, 'casting')} was found that can tell all "
        f"{words.count(asked.space.p - 1, 'effect')} apart"
    )
