"""What was asked of `plan_trials`, read and checked: what is impossible is said here, with the nearest request that is not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd

from castlab.analysis import words
from castlab.analysis.reading import coding
from castlab.designs import exchange, standard
from castlab.designs import space as spaces
from castlab.designs.factors import Factor
from castlab.errors import InputError

GOALS = ("screen", "effects", "curve")
USING = {
    "best": "best", "factorial": "factorial", "plackett-burman": "plackett-burman", "optimal": "optimal",
    "central composite": standard.COMPOSITE, "box-behnken": standard.BEHNKEN,
}  # fmt: skip
SPARE = {"screen": 3, "effects": 4, "curve": 4}
"""Castings beyond the effects, to judge them by, where the number of castings is left open."""
CENTRES = 3
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


def whole(name: str, value: Any, least: int) -> int:
    """`value` as a whole number from `least` up."""
    if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or value < least:
        raise InputError(f"{name} is {value!r}; accepted: a whole number from {least} up")
    return int(value)


def _listed(name: str, value: Any, what: str) -> list[Any]:
    if value is not None and (isinstance(value, str) or not isinstance(value, Iterable)):
        raise InputError(f"{name} is {value!r}; accepted: a list of {what}")
    return list(value or ())


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
    if runs is not None and whole("runs", runs, 1) > MOST:
        raise InputError(f"runs is {runs}; accepted: up to {MOST} castings; nearest possible request: runs={MOST}")
    if batch_size is not None:
        whole("batch_size", batch_size, 1)
    varied, held = _factors(factors, per_batch, batch_size)
    batched = batch_size is not None and batch_size > 1
    space = _space(varied, held, goal, interactions, forbid)
    moves = spaces.moves(space)
    candidates = space.candidates(np.random.default_rng(0))
    _check_rank(space, candidates)
    made_frame = made if made is not None else pd.DataFrame({f.name: [] for f in space.factors})
    made_settings = _made(made_frame, space, held)
    how = USING[using.lower()]
    names = _molds(blocks)
    n_made = len(made_settings)
    nuisances = max(len(names) - 1, 0) + (n_made > 0 and not batched)
    if how in (standard.COMPOSITE, standard.BEHNKEN):
        runs = _surface_runs(space, goal, how, runs, plain=not (batched or names or n_made or space.rules))
    n = _size(space, goal, runs, n_made, nuisances, batch_size if batched else None)
    batch = np.concatenate(
        [_made_batches(made_frame, batched), 1_000_000 + _even_batches(n, batch_size if batched else 1)]
    )
    mold, all_names = _mold_codes(made_frame, names, n)
    columns = []
    if mold is not None:
        columns.append(np.equal.outer(mold, np.unique(mold)[1:]).astype(float))
    if n_made and not batched:
        columns.append((np.arange(n_made + n) < n_made).astype(float)[:, None])
    nuisance = np.hstack(columns) if columns else np.zeros((n_made + n, 0))
    nuisance = nuisance - nuisance.mean(axis=0)
    _check_size(space, n, n_made, nuisance, batch, batched, batch_size)
    plan = exchange.structure(batch, nuisance, float(batch_scatter) if batched else 0.0, n_made)
    return Asked(
        space, moves, candidates, held, goal, how, criterion, plan, nuisance, batched, mold, all_names, made_settings,
        space.rows_of(made_settings),
    )  # fmt: skip


def _factors(
    factors: Sequence[Factor] | Mapping[str, Any], per_batch: Sequence[str], batch_size: int | None
) -> tuple[tuple[Factor, ...], tuple[Factor, ...]]:
    if isinstance(factors, Mapping):
        factors = [Factor.of(name, given) for name, given in factors.items()]
    given = [factors] if isinstance(factors, Factor) else _listed("factors", factors, "Factor")
    stray = next((f for f in given if not isinstance(f, Factor)), None)
    if stray is not None or not given:
        raise InputError(f"factors holds {stray!r}; accepted: a list of Factor, such as [Factor('resin_c', 22, 32)]")
    names = [f.name for f in given]
    if len(set(names)) < len(names):
        twice = next(n for n in names if names.count(n) > 1)
        raise InputError(f"factor {twice} is given twice; accepted: each factor once")
    reserved = [n for n in names if n in ("run", "batch", "mold")]
    if reserved:
        raise InputError(f"factor {reserved[0]} has the name of a column of the plan; give it another name")
    wanted = [per_batch] if isinstance(per_batch, str) else _listed("per_batch", per_batch, "names of factors")
    unknown = next((n for n in wanted if n not in names), None)
    if unknown is not None:
        raise InputError(f"per_batch names {unknown!r}, which is no factor; the factors: {', '.join(names)}")
    tied = [f.name for f in given if f.varied and (f.per_batch or f.name in wanted)]
    if tied and batch_size is None:
        raise InputError(
            f"{words.listing(tied)} cannot be set per batch without batches; nearest possible request: add batch_size, "
            "the castings poured from one mixed cup"
        )
    held = tuple(f for f in given if not f.varied)
    varied = tuple(_with_batch(f, f.name in tied and batch_size != 1) for f in given if f.varied)
    if not varied:
        raise InputError("every factor is held constant, so there is nothing to plan; give at least one factor a range")
    return varied, held


def _with_batch(factor: Factor, per_batch: bool) -> Factor:
    if factor.per_batch == per_batch:
        return factor
    if factor.is_range:
        return Factor(factor.name, *factor.settings, per_batch=per_batch)
    return Factor(factor.name, list(factor.settings), per_batch=per_batch)


def _space(
    varied: tuple[Factor, ...],
    held: tuple[Factor, ...],
    goal: str,
    interactions: int | Sequence[tuple[str, str]] | None,
    forbid: Sequence[Mapping[str, Any]],
) -> spaces.Space:
    names = [f.name for f in varied]
    bend = goal == "curve"
    if bend and not any(f.bends() for f in varied):
        raise InputError(
            "goal 'curve' needs a factor with numbers in between (a range, or at least three numbers), and "
            f"{words.listing(names)} has none; nearest possible request: goal='effects', interactions=2"
        )
    pairs = coding.read_interactions((2 if bend else 0) if interactions is None else interactions, names)
    index = sorted({(min(a, b), max(a, b)) for a, b in ((names.index(x), names.index(y)) for x, y in pairs)})
    rules = [forbid] if isinstance(forbid, Mapping) else _listed("forbid", forbid, "forbidden combinations")
    return spaces.build(varied, index, bend, [r for r in (_held_rule(rule, held) for rule in rules) if r is not None])


def _held_rule(rule: Mapping[str, Any], held: tuple[Factor, ...]) -> Mapping[str, Any] | None:
    """The rule without factors held at a setting it covers; None if a held factor keeps it from ever applying."""
    if not isinstance(rule, Mapping):
        return rule
    left = dict(rule)
    for f in held:
        if f.name in left:
            what = left.pop(f.name)
            listed = what if isinstance(what, (list, set, frozenset)) else [what]
            inside = (
                isinstance(what, tuple) and len(what) == 2 and isinstance(f.hold, Real) and what[0] <= f.hold <= what[1]
            )
            if not inside and f.hold not in listed:
                return None
            if not left:
                raise InputError(
                    f"a forbidden combination rules out every casting, because {f.name} is held at {f.hold!r}; nearest "
                    "possible request: hold it elsewhere, or drop that combination"
                )
    return left


def _check_rank(space: spaces.Space, candidates: np.ndarray) -> None:
    rows = space.rows(candidates)
    if np.linalg.matrix_rank(rows) == space.p:
        return
    cols, lost = [0], []
    for t in space.terms:
        if np.linalg.matrix_rank(rows[:, [*cols, *t.cols]]) < len(cols) + len(t.cols):
            lost.append(t)
        else:
            cols += t.cols
    what = words.listing([space.named(t) for t in lost])
    if any(len(t.parts) > 1 for t in lost):
        instead = "goal='effects'" if any(t.bend for t in lost) else "leave it out of the interactions"
        nearest = f"{instead}, or allow one of the combinations"
    else:
        nearest = "hold that factor, or allow one of the combinations"
    raise InputError(
        f"the forbidden combinations make {what} impossible to tell from the other effects, however many castings are "
        f"made; nearest possible request: {nearest}"
    )


def _made(made: pd.DataFrame, space: spaces.Space, held: tuple[Factor, ...]) -> pd.DataFrame:
    names = [f.name for f in space.factors]
    if not isinstance(made, pd.DataFrame):
        raise InputError(f"made is a {type(made).__name__}; accepted: a table with one row per casting already made")
    missing = [n for n in names if n not in made]
    if missing:
        raise InputError(f"made has no column {missing[0]!r}; accepted: a column for each of {', '.join(names)}")
    settings = made[names].reset_index(drop=True)
    if settings.isna().any(axis=None):
        raise InputError("made holds a blank setting; leave out castings whose settings are not known")
    for f in held:
        if f.name in made and len(made) and np.any(np.array([str(v) for v in made[f.name]]) != str(f.hold)):
            numbers = pd.to_numeric(made[f.name], errors="coerce")
            if not (isinstance(f.hold, Real) and np.allclose(numbers, float(f.hold))):
                raise InputError(
                    f"{f.name} is held at {f.hold!r}, but castings already made had other settings; accepted: castings "
                    "made at that setting only, or let it vary"
                )
    return settings


def _column(made: pd.DataFrame, stem: str) -> np.ndarray | None:
    name = next((n for n in (stem, f"{stem}_id") if n in made), None)
    return None if name is None else np.array([str(v) for v in made[name]], dtype=object)


def _made_batches(made: pd.DataFrame, batched: bool) -> np.ndarray:
    known = _column(made, "batch")
    return pd.factorize(known)[0] if batched and known is not None and len(made) else np.arange(len(made))


def _even_batches(n: int, size: int | None) -> np.ndarray:
    parts = np.array_split(np.arange(n), ceil(n / (size or 1)))
    return np.repeat(np.arange(len(parts)), [len(part) for part in parts])


def _molds(blocks: Sequence[str] | int | None) -> tuple[str, ...]:
    if blocks is None:
        return ()
    if isinstance(blocks, (int, np.integer)) and not isinstance(blocks, bool):
        names = tuple(f"mold {k + 1}" for k in range(blocks))
    elif isinstance(blocks, Sequence) and not isinstance(blocks, str):
        names = tuple(str(b) for b in blocks)
    else:
        raise InputError(f"blocks is {blocks!r}; accepted: the names of the molds, or how many there are")
    if len(names) < 2 or len(set(names)) < len(names):
        raise InputError(f"blocks is {blocks!r}; accepted: at least two molds, each once (None for a single mold)")
    return names


def _mold_codes(made: pd.DataFrame, names: tuple[str, ...], n: int) -> tuple[np.ndarray | None, tuple[str, ...]]:
    if not names:
        return None, ()
    before = _column(made, "mold")
    known = list(before) if before is not None else ["not known"] * len(made)
    every = [*names, *sorted(set(known) - set(names))]
    return np.array([every.index(v) for v in known] + [i % len(names) for i in range(n)]), tuple(every)


def _surface_runs(space: spaces.Space, goal: str, how: str, runs: int | None, plain: bool) -> int:
    """Runs of a central composite or Box-Behnken plan, if it can serve at all."""
    k = len(space.factors)
    if goal != "curve" or not plain or not all(f.bends() for f in space.factors):
        raise InputError(
            f"a {how} is for goal 'curve' with numbers only, without batches, molds, forbidden combinations or castings "
            "already made; nearest possible request: using='optimal'"
        )
    base = (
        (standard.composite_size(k) if 2 <= k <= 8 else None) if how == standard.COMPOSITE else standard.behnken_size(k)
    )
    if base is None:
        span = "2 to 8" if how == standard.COMPOSITE else "3 to 7"
        raise InputError(f"there is no {how} of {words.count(k, 'factor')}; accepted: {span}, or using='optimal'")
    if runs is not None and runs <= base:
        raise InputError(
            f"a {how} of {k} factors has {base} castings and at least one in the centre, not {runs}; nearest possible "
            f"request: runs={base + 1}, or using='optimal'"
        )
    uneven = [f.name for f in space.factors if len(f.grid(True)) != 3 or not np.isclose(f.coded(f.grid(True))[1], 0)]
    if uneven:
        raise InputError(f"a {how} needs low, middle and high of {uneven[0]}; accepted: a range, or using='optimal'")
    return base + CENTRES if runs is None else runs


def _size(space: spaces.Space, goal: str, runs: int | None, n_made: int, nuisances: int, batch_size: int | None) -> int:
    if runs is not None:
        return int(runs)
    wanted = max(space.p + nuisances + SPARE[goal] - n_made, 4)
    if goal == "effects" and not n_made and all(f.two_settings for f in space.factors):
        wanted = 2 ** ceil(np.log2(max(wanted, 2 * len(space.factors))))  # keeps main effects clear of interactions
    elif goal == "screen":
        wanted = 4 * ceil(wanted / 4)
    if batch_size is None:
        return wanted
    between = 1 + sum(len(t.cols) for t in space.terms if t.per_batch)
    within = space.p - between + nuisances + SPARE[goal] - n_made  # castings beyond one in each batch
    batches = max(ceil(wanted / batch_size), ceil(within / (batch_size - 1)), between + 2 if between > 1 else 1)
    return batch_size * batches


def _check_size(
    space: spaces.Space,
    n: int,
    n_made: int,
    nuisance: np.ndarray,
    batch: np.ndarray,
    batched: bool,
    batch_size: int | None,
) -> None:
    effects, other = space.p - 1, int(np.linalg.matrix_rank(nuisance)) if nuisance.shape[1] else 0
    needed = space.p + nuisance.shape[1] - n_made
    if n < needed:
        simpler = 1 + sum(len(t.cols) for t in space.terms if len(t.parts) == 1) + other - n_made
        fewer = f", or main effects only in runs={max(simpler, 1)}" if simpler < needed else ""
        besides = f" and {words.count(other, 'difference')} between molds or of what was made before" if other else ""
        raise InputError(
            f"{words.count(n, 'casting')}{f' added to {n_made}' if n_made else ''} cannot tell {words.count(effects, 'effect')}"
            f"{besides} from each other and the mean; nearest possible request: runs={needed}{fewer}, or fewer factors"
        )
    between = 1 + sum(len(t.cols) for t in space.terms if t.per_batch)
    batches = len(np.unique(batch))
    if batched and batches < between:
        size = batch_size or 1
        smaller = n // between
        instead = f", or batch_size={smaller}" if smaller >= 1 else ""
        raise InputError(
            f"{words.count(batches, 'batch')} cannot tell {words.count(between - 1, 'effect')} set per batch; nearest "
            f"possible request: runs={n + (between - batches) * size}{instead}, or fewer factors set per batch"
        )


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
