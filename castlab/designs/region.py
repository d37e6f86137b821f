"""The factors of a plan and the region that they span: what varies, what is held, which effects, what is ruled out."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from castlab.analysis import words
from castlab.designs import space as spaces
from castlab.designs.factors import Factor, covered
from castlab.errors import ImpossibleError, InputError
from castlab.given import listed, shown

MOST_EFFECTS = 150
"""Effects that a plan may be asked for: more than a workshop can follow, and what the search can carry."""


def factors_of(
    given: Sequence[Factor], set_per_batch: Sequence[str], batch_size: int | None
) -> tuple[tuple[Factor, ...], tuple[Factor, ...]]:
    """The factors that vary, and those that are held."""
    if set_per_batch and batch_size is None:
        raise ImpossibleError(
            f"{words.listing(set_per_batch)} cannot be set per batch without batches: batch_size, the castings poured from "
            "one mixed cup, is not given"
        )
    held = tuple(f for f in given if not f.varied)
    varied = tuple(_with_batch(f, f.name in set_per_batch and batch_size != 1) for f in given if f.varied)
    if not varied:
        raise InputError("every factor is held constant, so there is nothing to plan; give at least one factor a range")
    return varied, held


def read_factors(factors: Sequence[Factor] | Mapping[str, Any]) -> list[Factor]:
    """The factors as they were given, each once."""
    if isinstance(factors, Mapping):
        factors = [Factor.of(name, given) for name, given in factors.items()]
    given = [factors] if isinstance(factors, Factor) else listed("factors", factors, "Factor")
    stray = [f for f in given if not isinstance(f, Factor)]
    if not given:
        raise InputError("factors is empty; accepted: a list of Factor, such as [Factor('resin_c', 22, 32)]")
    if stray:
        raise InputError(
            f"factors holds {shown(stray[0])}; accepted: a list of Factor, such as [Factor('resin_c', 22, 32)]"
        )
    names = [unicodedata.normalize("NFC", f.name) for f in given]
    if len(set(names)) < len(names):
        twice = next(n for n in names if names.count(n) > 1)
        raise InputError(f"factor {twice} is given twice; accepted: each factor once")
    reserved = [n for n in names if n in ("run", "batch", "mold")]
    if reserved:
        raise InputError(f"factor {reserved[0]} has the name of a column of the plan; give it another name")
    return given


def read_per_batch(per_batch: Sequence[str], factors: Sequence[Factor]) -> list[str]:
    """The names of factors that are set once for each cup."""
    names = [f.name for f in factors]
    wanted = [per_batch] if isinstance(per_batch, str) else listed("per_batch", per_batch, "names of factors")
    unknown = [n for n in wanted if not isinstance(n, str) or n not in names]
    if unknown:
        raise InputError(f"per_batch names {shown(unknown[0])}, which is no factor; the factors: {', '.join(names)}")
    return wanted


def read_rules(forbid: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The forbidden combinations as they were given; a single one need not be in a list."""
    rules = [forbid] if isinstance(forbid, Mapping) else listed("forbid", forbid, "forbidden combinations")
    stray = [rule for rule in rules if not isinstance(rule, Mapping) or not rule]
    if stray:
        raise InputError(
            f"a forbidden combination is {shown(stray[0])}; accepted: factor -> setting, a list of settings, or for numbers "
            "a range (from, to), such as {'mold_vacuum': True, 'chamber': False}"
        )
    return rules


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
    pairs: Sequence[tuple[str, str]],
    rules: Sequence[Mapping[str, Any]],
) -> spaces.Space:
    """The space of the factors with the effects that the goal asks for."""
    names = [f.name for f in varied]
    bend = goal == "curve"
    if bend and not any(f.bends() for f in varied):
        raise ImpossibleError(
            "goal 'curve' needs a factor with numbers in between (a range, or at least three numbers), and "
            f"{words.listing(names)} {'has' if len(names) == 1 else 'have'} none in between"
        )
    widths = {f.name: 1 if f.numeric else len(f.settings) - 1 for f in varied}
    effects = (
        sum(widths.values()) + sum(widths[a] * widths[b] for a, b in pairs) + bend * sum(f.bends() for f in varied)
    )
    if effects > MOST_EFFECTS:
        raise ImpossibleError(f"{effects} effects are more than a plan may be asked for ({MOST_EFFECTS})")
    index = sorted({(min(a, b), max(a, b)) for a, b in ((names.index(x), names.index(y)) for x, y in pairs)})
    return spaces.build(varied, index, bend, [r for r in (_held_rule(rule, held) for rule in rules) if r is not None])


def _held_rule(rule: Mapping[str, Any], held: tuple[Factor, ...]) -> Mapping[str, Any] | None:
    """The rule without factors held at a setting it covers; None if a held factor keeps it from ever applying."""
    left = dict(rule)
    for f in held:
        if f.name in left:
            if not covered(f, left.pop(f.name), [f.hold])[0]:
                return None
            if not left:
                raise ImpossibleError(
                    f"a forbidden combination rules out every casting, because {f.name} is held at {f.hold!r}"
                )
    return left


def check_rank(space: spaces.Space, candidates: np.ndarray) -> None:
    """Raise ImpossibleError where what is forbidden leaves effects that cannot be told apart."""
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
    raise ImpossibleError(
        f"the forbidden combinations make {what} impossible to tell from the other effects, however many castings are made"
    )
