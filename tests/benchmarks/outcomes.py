"""All outcomes that castings which pass or fail can have, and how often each comes about: rates of tests are then added up
instead of simulated, and the sizes that a test can have at all are seen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations_with_replacement
from math import comb, factorial, prod

import numpy as np
from scipy import special

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(31)


@dataclass(frozen=True)
class Alike:
    """Batches with the same settings, and all ways in which together they can come out.

    `rows` (settings, p) and `castings` (settings,) of each batch, `passed` (ways, settings) of one batch, `together` (sets,
    batches) which way each batch went, whatever their order, `orders` (sets,) in how many orders.
    """

    rows: np.ndarray
    castings: np.ndarray
    members: list[np.ndarray]
    passed: np.ndarray
    together: np.ndarray
    orders: np.ndarray

    def chance(self, coef: np.ndarray, spread: float) -> np.ndarray:
        """Of each set, with this standard deviation between batches on the log odds scale."""
        line = self.rows @ coef + spread * _NODES[:, None]
        share = special.expit(line)[:, None, :]
        ways = (
            special.binom(self.castings, self.passed)
            * share**self.passed
            * (1 - share) ** (self.castings - self.passed)
        )
        each = (_WEIGHTS / _WEIGHTS.sum()) @ ways.prod(axis=2)
        return self.orders * each[self.together].prod(axis=1)


@dataclass(frozen=True)
class Outcomes:
    """`Y` (outcomes, n) one of each that differs to a test, made of one set of each group of batches alike."""

    groups: list[Alike]
    sets: np.ndarray
    Y: np.ndarray

    def chance(self, coef: np.ndarray, spread: float) -> np.ndarray:
        """(outcomes,) how often each comes about with these coefficients."""
        return np.prod([g.chance(coef, spread)[s] for g, s in zip(self.groups, self.sets, strict=True)], axis=0)


def of_design(X: np.ndarray, codes: np.ndarray | None) -> Outcomes:
    """All outcomes of a design (n, p) with batches `codes` (n,), or without."""
    groups = list(_alike(X, codes))
    sets = np.indices([len(g.together) for g in groups]).reshape(len(groups), -1)
    Y = np.zeros((sets.shape[1], len(X)))
    for group, chosen in zip(groups, sets, strict=True):
        for place, rows in enumerate(group.members):
            passed = group.passed[group.together[chosen, place]]
            first = 0
            for setting, castings in enumerate(group.castings):
                at = rows[first : first + castings]
                Y[:, at] = np.arange(castings) < passed[:, [setting]]
                first += castings
    return Outcomes(groups, sets, Y)


def _alike(X: np.ndarray, codes: np.ndarray | None) -> Iterator[Alike]:
    """Castings without batches are one group for each setting: their order tells nothing."""
    settings = np.unique(X, axis=0, return_inverse=True)[1].ravel()
    codes = settings if codes is None else codes
    batches: dict[tuple[int, ...], list[np.ndarray]] = {}
    for batch in range(int(codes.max()) + 1):
        rows = np.flatnonzero(codes == batch)
        rows = rows[np.argsort(settings[rows], kind="stable")]
        batches.setdefault(tuple(settings[rows].tolist()), []).append(rows)
    for key, members in batches.items():
        kinds, first, castings = np.unique(key, return_index=True, return_counts=True)
        passed = np.indices(tuple(castings + 1)).reshape(len(kinds), -1).T
        together = np.array(list(combinations_with_replacement(range(len(passed)), len(members))))
        orders = [factorial(len(members)) / prod(map(factorial, np.bincount(way).tolist())) for way in together]
        yield Alike(X[members[0][first]], castings, members, passed, together, np.array(orders))


def how_many(X: np.ndarray, codes: np.ndarray | None) -> int:
    """Outcomes that differ to a test, without making them."""
    if codes is None:
        return prod(int(n) + 1 for n in np.unique(X, axis=0, return_counts=True)[1])
    batches: dict[bytes, int] = {}
    ways: dict[bytes, int] = {}
    for batch in range(int(codes.max()) + 1):
        rows, castings = np.unique(X[codes == batch], axis=0, return_counts=True)
        key = rows.tobytes() + castings.tobytes()
        batches[key], ways[key] = batches.get(key, 0) + 1, prod(int(n) + 1 for n in castings)
    return prod(comb(ways[key] + many - 1, many) for key, many in batches.items())


def attainable(p: np.ndarray, chance: np.ndarray, size: float = 0.05) -> tuple[float, float]:
    """The sizes next to `size` that a test has when outcomes are called in the order of their p-values, one after another.

    The p-values are added up in single precision, so that alike means within a millionth."""
    order = np.argsort(p)
    steps = np.r_[np.diff(p[order]) > 1e-6, True]
    sizes = np.r_[0.0, np.cumsum(chance[order])[steps]]
    at = int(np.searchsorted(sizes, size, side="right"))
    return float(sizes[at - 1]), float(sizes[min(at, len(sizes) - 1)])
