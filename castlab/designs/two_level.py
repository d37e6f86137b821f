"""Two-level plans that are orthogonal by construction: fractions of factorials and Plackett-Burman plans.

Columns are chosen from a Hadamard matrix so that few short products of columns are constant or partly constant: least
aberration (Fries and Hunter, Technometrics 22, 1980, 601-608), for plans that are not regular in its generalised form
(Tang and Deng, Annals of Statistics 27, 1999, 1914-1926; Xu and Wu, ibid. 29, 2001, 1066-1077).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import linalg, special

RESTARTS = 24
PAIRS, CELLS = 4_000, 500_000
"""Pairs of runs up to which all restarts are made, and numbers that one look at a column may take: with more runs fewer
columns are tried, drawn by lot."""
LONGEST = 6
"""Products of up to this many columns are looked at."""


def hadamard(n: int) -> np.ndarray | None:
    """An n x n matrix of signs with orthogonal columns, the first all ones; None where none is built here.

    Powers of two by Sylvester, n = q + 1 and n = 2 (q + 1) with q prime by Paley (Journal of Mathematics and Physics 12,
    1933, 311-320; with q = 11, 19, 23 these are the cyclic plans of Plackett and Burman, Biometrika 33, 1946, 305-325),
    and doubles of these.
    """
    if n in (1, 2) or (n % 4 == 0 and n & (n - 1) == 0):
        return np.asarray(linalg.hadamard(n), dtype=float)
    if n % 4:
        return None
    if (n - 1) % 4 == 3 and _prime(n - 1):
        q = n - 1
        core = _legendre(q) - np.eye(q)
        full = np.ones((n, n))
        full[1:, 1:] = core
        return full
    if n % 8 == 4 and _prime(n // 2 - 1):
        q = n // 2 - 1
        s = np.zeros((q + 1, q + 1))
        s[0, 1:] = s[1:, 0] = 1
        s[1:, 1:] = _legendre(q)
        full = np.kron(s, [[1, 1], [1, -1]]) + np.kron(np.eye(q + 1), [[1, -1], [-1, -1]])
        return full * full[:, :1]
    half = hadamard(n // 2)
    return None if half is None else np.kron([[1.0, 1.0], [1.0, -1.0]], half)


def _prime(q: int) -> bool:
    return q > 2 and all(q % d for d in range(2, int(q**0.5) + 1))


def _legendre(q: int) -> np.ndarray:
    """Quadratic character of i - j, modulo the prime q."""
    squares = {(k * k) % q for k in range(1, q)}
    sign = np.array([0.0] + [1.0 if k in squares else -1.0 for k in range(1, q)])
    index = np.arange(q)
    return sign[(index[:, None] - index[None, :]) % q]


@lru_cache(maxsize=64)
def _krawtchouk(k: int, longest: int) -> np.ndarray:
    """Krawtchouk polynomials: [agreements minus disagreements, shifted by k] -> sum over products of j of k signs."""
    table = np.zeros((2 * k + 1, longest))
    for sum_ in range(-k, k + 1, 2):
        minus = (k - sum_) // 2
        for j in range(1, longest + 1):
            table[sum_ + k, j - 1] = sum(
                (-1) ** i * special.comb(minus, i, exact=True) * special.comb(k - minus, j - i, exact=True)
                for i in range(max(0, j - k + minus), min(j, minus) + 1)
            )
    return table


def word_lengths(signs: np.ndarray, longest: int = LONGEST) -> np.ndarray:
    """How many products of 1, 2, ... columns are constant, partly constant ones by the square of their mean.

    Parameters
    ----------
    signs : (n, k) of -1 and 1
    longest : products of up to this many columns

    Returns
    -------
    (longest,) numbers; for a regular fraction the word-length pattern of its defining relation.

    Examples
    --------
    >>> half = np.array([[-1, -1, 1], [1, -1, -1], [-1, 1, -1], [1, 1, 1]])
    >>> word_lengths(half, 3)
    array([0., 0., 1.])
    """
    n, k = signs.shape
    sums = np.rint(signs @ signs.T).astype(int)
    return np.round(_krawtchouk(k, longest)[sums + k].sum(axis=(0, 1)) / n**2, 9)


@dataclass(frozen=True)
class Layout:
    """Which columns of the matrix a factor may take, and what tells runs of one batch or mold apart."""

    matrix: np.ndarray
    regular: bool
    batches: int = 1
    molds: int = 1

    @property
    def batch_of(self) -> np.ndarray:
        """Batch of each run, (n,), counted from 0."""
        return np.arange(len(self.matrix)) % self.batches

    def between(self, columns: np.ndarray) -> np.ndarray:
        """Which columns are constant within batches."""
        return columns < self.batches

    def in_molds(self, columns: np.ndarray) -> np.ndarray:
        """Which columns are constant within molds."""
        return (columns % self.batches == 0) & (columns // self.batches < self.molds)


def choose_columns(
    layout: Layout, per_batch: Sequence[bool], pairs: Sequence[tuple[int, int]], rng: np.random.Generator
) -> np.ndarray | None:
    """Signs of the factors, (n, k), with the least aberration found; None if the columns do not suffice.

    Every factor gets its own column, per-batch factors among those that are constant within batches, the others among
    those that are not; wanted interactions (`pairs`, regular layouts) columns of their own where that is possible. Of
    columns that are as good, those count that leave the other two-factor interactions clear of molds and within batches:
    whole replicates in each mold or batch, where they fit.
    """
    every = np.arange(1, len(layout.matrix))
    free_of_molds = every[~layout.in_molds(every)]
    own = [free_of_molds[layout.between(free_of_molds) == whole] for whole in per_batch]
    if any(len(o) < list(per_batch).count(whole) for o, whole in zip(own, per_batch, strict=True)):
        return None
    best: tuple[tuple[float, ...], np.ndarray] | None = None
    pairs_of_runs = len(layout.matrix) * (1 if layout.regular else len(layout.matrix))
    tries = max(CELLS // pairs_of_runs, 2)
    for _ in range(max(1, min(RESTARTS, RESTARTS * PAIRS // pairs_of_runs))):
        columns = _random_columns(own, per_batch, rng)
        score = _score(layout, columns, per_batch, pairs)
        better = True
        while better:
            better = False
            for j in range(len(columns)):
                free = np.setdiff1d(own[j], columns)
                if not len(free):
                    continue
                if len(free) > tries:
                    free = rng.choice(free, tries, replace=False)
                tried = np.repeat(columns[None], len(free), axis=0)
                tried[:, j] = free
                scores = [_clashes(layout, t, per_batch, pairs) for t in tried]
                lengths = _lengths(layout, columns, j, free)
                hidden = [_hidden(layout, t, per_batch) for t in tried]
                ranked = min(range(len(free)), key=lambda f: (*scores[f], *lengths[f], *hidden[f]))
                found = (*scores[ranked], *map(float, lengths[ranked]), *hidden[ranked])
                if found < score:
                    columns, score, better = tried[ranked], found, True
        if best is None or score < best[0]:
            best = (score, columns)
    return None if best is None else layout.matrix[:, best[1]]


def _random_columns(own: Sequence[np.ndarray], per_batch: Sequence[bool], rng: np.random.Generator) -> np.ndarray:
    columns = np.zeros(len(own), dtype=int)
    for whole in (True, False):
        places = [j for j, w in enumerate(per_batch) if w == whole]
        if places:
            columns[places] = rng.choice(own[places[0]], len(places), replace=False)
    return columns


def _clashes(
    layout: Layout, columns: np.ndarray, per_batch: Sequence[bool], pairs: Sequence[tuple[int, int]]
) -> tuple[float, float]:
    """Wanted interactions that share a column with another wanted effect or a mold, and those that only batches show."""
    if not pairs or not layout.regular:
        return 0.0, 0.0
    crossed = np.array([columns[a] ^ columns[b] for a, b in pairs])
    taken = np.concatenate([columns, crossed])
    shared = len(taken) - len(set(taken.tolist())) + np.sum(crossed == 0) + np.sum(layout.in_molds(crossed))
    inner = np.array([not (per_batch[a] and per_batch[b]) for a, b in pairs])
    return float(shared), float(np.sum(layout.between(crossed) & inner))


def _hidden(layout: Layout, columns: np.ndarray, per_batch: Sequence[bool]) -> tuple[float, float]:
    """Two-factor interactions, wanted or not, that cannot be told from molds, and those that only batches show."""
    if not layout.regular or layout.batches * layout.molds == 1:
        return 0.0, 0.0
    one, other = np.triu_indices(len(columns), 1)
    crossed = columns[one] ^ columns[other]
    whole = np.asarray(per_batch, dtype=bool)
    inner = ~(whole[one] & whole[other])
    return float(np.sum(layout.in_molds(crossed))), float(np.sum(layout.between(crossed) & inner))


def _lengths(layout: Layout, columns: np.ndarray, j: int, free: np.ndarray) -> np.ndarray:
    """Word lengths (from three on) with column j replaced by each free one."""
    rest = np.delete(columns, j)
    reference = layout.matrix[:1] if layout.regular else layout.matrix
    sums = reference[:, rest] @ layout.matrix[:, rest].T
    new = reference[:, None, free] * layout.matrix[None][:, :, free]
    k = len(columns)
    index = np.rint(sums[:, :, None] + new).astype(int) + k
    table = _krawtchouk(k, LONGEST)
    return np.round(table[index].sum(axis=(0, 1)) / (len(reference) * len(layout.matrix)), 9)[:, 2:]


def _score(
    layout: Layout, columns: np.ndarray, per_batch: Sequence[bool], pairs: Sequence[tuple[int, int]]
) -> tuple[float, ...]:
    lengths = _lengths(layout, columns, 0, columns[:1])[0]
    return (*_clashes(layout, columns, per_batch, pairs), *map(float, lengths), *_hidden(layout, columns, per_batch))
