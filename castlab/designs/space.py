"""The model that a plan must carry, as a table of columns, and the settings that it may use.

Every model column is a product of one column per factor, so a row of the model matrix is a product of one table row per
factor; that is what makes exchanging a setting cheap. Numbers are coded from -1 to 1; levels without order get contrasts
that are orthogonal with mean square one over the levels, so that an orthogonal plan has information n times the identity.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
import pandas as pd

from castlab.analysis import words
from castlab.designs.factors import Factor, covered, forbidden, in_words
from castlab.errors import ImpossibleError, InputError

MOST_COMBINATIONS = 20_000
MOST_CANDIDATES = 6_000


@dataclass(frozen=True)
class Term:
    """An effect: the factors in it ("bend" is a factor with itself) and its columns."""

    parts: tuple[int, ...]
    cols: tuple[int, ...]
    per_batch: bool

    @property
    def bend(self) -> bool:
        """Whether it is the bend of one factor."""
        return len(self.parts) == 2 and self.parts[0] == self.parts[1]


@dataclass(frozen=True)
class Piece:
    """Factors that are set together in one move: their joint settings, and what each does to every model column."""

    factors: tuple[int, ...]
    combos: np.ndarray
    table: np.ndarray
    per_batch: bool


@dataclass(frozen=True)
class Space:
    """The factors that vary, the model over them, and what may be combined."""

    factors: tuple[Factor, ...]
    grids: tuple[tuple[Any, ...], ...]
    terms: tuple[Term, ...]
    columns: tuple[tuple[tuple[int, int], ...], ...]
    rules: tuple[dict[int, np.ndarray], ...]
    forbidden: tuple[Mapping[str, Any], ...] = ()
    """The rules as they were given."""

    @property
    def p(self) -> int:
        """How many columns the model has."""
        return len(self.columns)

    def block(self, j: int, coded: np.ndarray) -> np.ndarray:
        """What factor j at these coded settings does to every column, (n, p)."""
        base = _base(self.factors[j], coded)
        out = np.ones((len(coded), self.p))
        for c, parts in enumerate(self.columns):
            for factor, which in parts:
                if factor == j:
                    out[:, c] *= base[:, which]
        return out

    def table(self, j: int) -> np.ndarray:
        """What each setting in the grid of factor j does to every column, (settings, p)."""
        return self.block(j, self.factors[j].coded(self.grids[j]))

    def rows(self, levels: np.ndarray) -> np.ndarray:
        """Model matrix of runs given as positions in the grids, (n, factors) -> (n, p)."""
        out = np.ones((len(levels), self.p))
        for j in range(len(self.factors)):
            out *= self.table(j)[levels[:, j]]
        return out

    def rows_of(self, frame: pd.DataFrame) -> np.ndarray:
        """Model matrix of runs given as settings."""
        out = np.ones((len(frame), self.p))
        for j, f in enumerate(self.factors):
            out *= self.block(j, f.coded(list(frame[f.name])))
        return out

    def allowed(self, levels: np.ndarray) -> np.ndarray:
        """Which runs no rule forbids."""
        ok = np.ones(len(levels), dtype=bool)
        for rule in self.rules:
            ok &= ~np.all([hit[levels[:, j]] for j, hit in rule.items()], axis=0)
        return ok

    def breaking(self, frame: pd.DataFrame) -> list[np.ndarray]:
        """For each rule, which of these castings it forbids."""
        found = []
        for rule in self.forbidden:
            parts = [covered(f, rule[f.name], list(frame[f.name])) for f in self.factors if f.name in rule]
            found.append(np.all(parts, axis=0))
        return found

    def never(self) -> list[str]:
        """The rules in words."""
        return [in_words(rule, self.factors) for rule in self.forbidden]

    def candidates(self, rng: np.random.Generator) -> np.ndarray:
        """Combinations that may be cast, as positions in the grids: all of them, or a sample where they are many."""
        sizes = [len(g) for g in self.grids]
        if np.prod([float(s) for s in sizes]) <= MOST_CANDIDATES:
            levels = np.array(list(product(*map(range, sizes))))
        else:
            levels = rng.integers(0, sizes, (MOST_CANDIDATES, len(sizes)))
        return levels[self.allowed(levels)]

    def moments(self, candidates: np.ndarray) -> np.ndarray:
        """Mean of x x' over the region: ranges evenly (exact), levels alike; with rules the mean over what may be cast."""
        if self.rules:
            rows = self.rows(candidates)
            return rows.T @ rows / len(rows)
        nodes, weights = np.polynomial.legendre.leggauss(3)
        out = np.ones((self.p, self.p))
        for j, f in enumerate(self.factors):
            points, share = (nodes, weights / 2) if f.is_range else (f.coded(f.settings), None)
            block = self.block(j, points)
            out *= block.T @ (block / len(block) if share is None else share[:, None] * block)
        return out

    def named(self, term: Term) -> str:
        """The term in words."""
        names = [self.factors[j].name for j in term.parts]
        return f"bend of {names[0]}" if term.bend else " x ".join(names)


def _base(factor: Factor, coded: np.ndarray) -> np.ndarray:
    if factor.numeric:
        return np.column_stack([coded, coded**2])
    k = len(factor.settings)
    return _contrasts(k)[coded.astype(int)]


def _contrasts(k: int) -> np.ndarray:
    """Orthogonal contrasts of k levels, mean square one (Helmert); -1 and 1 for two levels."""
    out = np.zeros((k, k - 1))
    for c in range(1, k):
        out[:c, c - 1], out[c, c - 1] = -1.0, float(c)
    return out * np.sqrt(k / np.sum(out**2, axis=0))


def build(
    factors: Sequence[Factor], interactions: Sequence[tuple[int, int]], bend: bool, rules: Sequence[Mapping[str, Any]]
) -> Space:
    """The space of these factors, with a column for the mean, main effects, interactions and (bend) squares."""
    grids = tuple(f.grid(bend) for f in factors)
    columns: list[tuple[tuple[int, int], ...]] = [()]
    terms: list[Term] = []

    def add(parts: tuple[int, ...], new: list[tuple[tuple[int, int], ...]]) -> None:
        cols = tuple(range(len(columns), len(columns) + len(new)))
        columns.extend(new)
        terms.append(Term(parts, cols, all(factors[j].per_batch for j in parts)))

    width = [1 if f.numeric else len(f.settings) - 1 for f in factors]
    for j in range(len(factors)):
        add((j,), [((j, c),) for c in range(width[j])])
    for a, b in interactions:
        add((a, b), [((a, c), (b, d)) for c in range(width[a]) for d in range(width[b])])
    if bend:
        for j, f in enumerate(factors):
            if f.bends():
                add((j, j), [((j, 1),)])
    read = tuple(forbidden(rule, factors, grids) for rule in rules)
    return Space(tuple(factors), grids, tuple(terms), tuple(columns), read, tuple(rules))


def two_factor(space: Space) -> Space:
    """The same factors with main effects and every two-factor interaction: what aliases are looked for among."""
    pairs = list(combinations(range(len(space.factors)), 2))
    full = build(space.factors, pairs, False, ())
    return Space(full.factors, space.grids, full.terms, full.columns, ())


@dataclass(frozen=True)
class Moves:
    """The pieces, and for rules that tie per-batch to per-casting settings which pairs are allowed.

    `tied` is (batch piece, casting piece, allowed[batch setting, casting setting], nearest allowed casting setting).
    """

    pieces: tuple[Piece, ...]
    tied: tuple[int, int, np.ndarray, np.ndarray] | None


def moves(space: Space) -> Moves:
    """Cut the factors into pieces so that the rules hold whatever is exchanged.

    Raises
    ------
    ImpossibleError
        If the rules leave nothing, or leave a factor with one setting.
    InputError
        If they tie too many factors together.
    """
    ruled = sorted({j for rule in space.rules for j in rule})
    joint = [tuple(j for j in ruled if space.factors[j].per_batch == whole) for whole in (True, False)]
    sizes = [len(space.grids[j]) for j in ruled]
    if np.prod([float(s) for s in sizes]) > MOST_COMBINATIONS:
        raise InputError("the forbidden combinations tie too many factors together; accepted: rules over fewer factors")
    combos = [np.array(list(product(*(range(len(space.grids[j])) for j in group)))) for group in joint]
    pieces: list[Piece] = []
    tied = None
    if ruled:
        whole, sub = (c.reshape(len(c), len(g)) for c, g in zip(combos, joint, strict=True))
        levels = np.zeros((len(whole) * len(sub), len(space.factors)), dtype=int)
        levels[:, list(joint[0])] = np.repeat(whole, len(sub), axis=0)
        levels[:, list(joint[1])] = np.tile(sub, (len(whole), 1))
        ok = space.allowed(levels).reshape(len(whole), len(sub))
        _check_rules(space, ruled, levels[ok.ravel()])
        keep_w, keep_s = ok.any(axis=1), ok.any(axis=0)
        whole, sub, ok = whole[keep_w], sub[keep_s], ok[np.ix_(keep_w, keep_s)]
        for group, kept, is_whole in ((joint[0], whole, True), (joint[1], sub, False)):
            if group:
                pieces.append(_piece(space, group, kept, is_whole))
        if joint[0] and joint[1] and not ok.all():
            apart = np.sum(sub[:, None, :] != sub[None, :, :], axis=2)
            nearest = np.argmin(apart[None] + np.where(ok, 0, 1_000)[:, None, :], axis=2)
            tied = (0, 1, ok, nearest)
    for j in range(len(space.factors)):
        if j not in ruled:
            single = np.arange(len(space.grids[j]))[:, None]
            pieces.append(_piece(space, (j,), single, space.factors[j].per_batch))
    return Moves(tuple(pieces), tied)


def _piece(space: Space, group: tuple[int, ...], combos: np.ndarray, per_batch: bool) -> Piece:
    table = np.ones((len(combos), space.p))
    for at, j in enumerate(group):
        table *= space.table(j)[combos[:, at]]
    return Piece(group, combos, table, per_batch)


def _check_rules(space: Space, ruled: Sequence[int], left: np.ndarray) -> None:
    names = [space.factors[j].name for j in ruled]
    if not len(left):
        raise ImpossibleError(
            f"the forbidden combinations leave no casting that may be made (factors {words.listing(names)})"
        )
    for j in ruled:
        if len(set(left[:, j])) == 1:
            factor, only = space.factors[j], space.grids[j][left[0, j]]
            raise ImpossibleError(
                f"the forbidden combinations leave factor {factor.name} one setting, {only!r}, so its effect cannot be seen"
            )
