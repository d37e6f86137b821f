"""The factors of a plan and the region that they span: what varies, what is held, which effects, what is ruled out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from castlab.analysis import words
from castlab.analysis.reading import coding
from castlab.designs import space as spaces
from castlab.designs.factors import Factor, covered, meant
from castlab.errors import InputError
from castlab.given import listed


def factors_of(
    factors: Sequence[Factor] | Mapping[str, Any], per_batch: Sequence[str], batch_size: int | None
) -> tuple[tuple[Factor, ...], tuple[Factor, ...]]:
    """The factors that vary, and those that are held."""
    if isinstance(factors, Mapping):
        factors = [Factor.of(name, given) for name, given in factors.items()]
    given = [factors] if isinstance(factors, Factor) else listed("factors", factors, "Factor")
    stray = next((f for f in given if not isinstance(f, Factor)), None)
    if not given:
        raise InputError("factors is empty; accepted: a list of Factor, such as [Factor('resin_c', 22, 32)]")
    if stray is not None:
        raise InputError(f"factors holds {stray!r}; accepted: a list of Factor, such as [Factor('resin_c', 22, 32)]")
    names = [f.name for f in given]
    if len(set(names)) < len(names):
        twice = next(n for n in names if names.count(n) > 1)
        raise InputError(f"factor {twice} is given twice; accepted: each factor once")
    reserved = [n for n in names if n in ("run", "batch", "mold")]
    if reserved:
        raise InputError(f"factor {reserved[0]} has the name of a column of the plan; give it another name")
    wanted = [per_batch] if isinstance(per_batch, str) else listed("per_batch", per_batch, "names of factors")
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


def space_of(
    varied: tuple[Factor, ...],
    held: tuple[Factor, ...],
    goal: str,
    interactions: int | Sequence[tuple[str, str]] | None,
    forbid: Sequence[Mapping[str, Any]],
) -> spaces.Space:
    """The space of the factors with the effects that the goal asks for."""
    names = [f.name for f in varied]
    bend = goal == "curve"
    if bend and not any(f.bends() for f in varied):
        raise InputError(
            "goal 'curve' needs a factor with numbers in between (a range, or at least three numbers), and "
            f"{words.listing(names)} {'has' if len(names) == 1 else 'have'} none in between; nearest possible request: goal='effects', interactions=2"
        )
    pairs = coding.read_interactions((2 if bend else 0) if interactions is None else interactions, names)
    index = sorted({(min(a, b), max(a, b)) for a, b in ((names.index(x), names.index(y)) for x, y in pairs)})
    rules = [forbid] if isinstance(forbid, Mapping) else listed("forbid", forbid, "forbidden combinations")
    return spaces.build(varied, index, bend, [r for r in (_held_rule(rule, held) for rule in rules) if r is not None])


def _held_rule(rule: Mapping[str, Any], held: tuple[Factor, ...]) -> Mapping[str, Any] | None:
    """The rule without factors held at a setting it covers; None if a held factor keeps it from ever applying."""
    if not isinstance(rule, Mapping):
        return rule
    left = dict(rule)
    for f in held:
        if f.name in left:
            what = left.pop(f.name)
            if not _held_at(f, what):
                return None
            if not left:
                raise InputError(
                    f"a forbidden combination rules out every casting, because {f.name} is held at {f.hold!r}; nearest "
                    "possible request: hold it elsewhere, or drop that combination"
                )
    return left


def _held_at(factor: Factor, what: Any) -> bool:
    """Whether a rule means the setting at which the factor is held."""
    hold, known = factor.hold, factor
    if len(factor.settings) == 1:
        if isinstance(hold, bool):
            known = Factor.on_off(factor.name)
        elif isinstance(hold, (int, float, np.number)):
            known = Factor(factor.name, float(hold) - 1, float(hold) + 1)
        else:
            return str(hold) in map(str, meant(what))
    return bool(covered(known, what, [hold])[0])


def check_rank(space: spaces.Space, candidates: np.ndarray) -> None:
    """Raise InputError where what is forbidden leaves effects that cannot be told apart."""
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
