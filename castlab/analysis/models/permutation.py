"""Permutation tests that shuffle as the castings were made: whole batches for what was set per batch, within batches
for what was set per casting, and within blocks (molds) where the plan said so.

The columns of one factor are shuffled with all others in place (Draper and Stoneman, Technometrics 8, 1966, 695-699);
the statistic is the sum of squares that they explain beyond the others, which with these in place orders the shuffles
as their F statistic does. All distinct arrangements are used where they are few, else a seeded sample.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, permutations
from math import factorial, prod

import numpy as np

MOST_ARRANGEMENTS = 5000
SAMPLES = 1999
MOST_LEVELS = 5
"""Levels up to which relabellings that leave the statistic as it is are counted."""
SEED = 20240229
BATCHES = "whole batches"
AT_ONCE = 100_000
"""Settings of castings, over some arrangements, that are gone through in one matrix product."""


@dataclass(frozen=True)
class Randomised:
    """One randomisation test: p-value, the least it could have been, how many arrangements, whether these are all, and
    what was shuffled."""

    p: float
    smallest: float
    arrangements: int
    exact: bool
    what: str

    @property
    def drawn(self) -> str:
        """What the arrangements are called: "arrangements of castings", "shuffles within batches"."""
        if self.exact:
            return f"arrangements of {self.what}"
        within = self.what.removeprefix("castings ")
        return f"shuffles of {self.what}" if within == self.what else f"shuffles {within}"

    @property
    def how(self) -> str:
        """How it was done."""
        return f"permutation test, {'all' if self.exact else self.arrangements} {self.drawn}"


def randomised(
    X: np.ndarray,
    y: np.ndarray,
    cols: Sequence[int],
    codes: np.ndarray | None,
    blocks: np.ndarray | None = None,
    samples: int = SAMPLES,
) -> Randomised:
    """The randomisation test of these columns of X.

    Parameters
    ----------
    X : (n, p) design matrix
    y : (n,) scores
    cols : the columns of the factor
    codes : (n,) batch number or None
    blocks : (n,) number of a block (a mold) within which the settings were drawn by lot as well, or None
    samples : shuffles to draw where there are too many arrangements to go through all

    Returns
    -------
    Randomised
        A factor that varies both between and within batches is judged on where it varies more: within batches with
        all differences between them taken out, or by its batch means, shuffled as whole batches.

    Examples
    --------
    >>> X = np.column_stack([np.ones(8), np.repeat([0.0, 1.0], 4)])
    >>> found = randomised(X, np.arange(8.0), [1], None)
    >>> round(found.p * 70), found.how
    (2, 'permutation test, all arrangements of castings')
    """
    lots, q = _drawn(X, cols, codes, blocks, samples)
    residual = y - q @ (q.T @ y)
    least = _explained(lots.made[None], residual, q)[0] - 1e-9 * max(1.0, float(y @ y))
    hits = sum(int(np.sum(_explained(part, residual, q) >= least)) for part in lots.parts())
    smallest = _least(lots.units, lots.strata, lots.total)
    n = len(lots.orders)
    if lots.exact:
        return Randomised(hits / n, smallest, n, True, lots.what)
    return Randomised((hits + 1) / (n + 1), max(smallest, 1 / (n + 1)), n, False, lots.what)


def least(X: np.ndarray, cols: Sequence[int], codes: np.ndarray | None) -> float:
    """The least p-value that shuffling the settings of these columns could give, however the castings came out.

    Examples
    --------
    >>> cups = np.repeat(np.arange(6), 4)
    >>> least(np.column_stack([np.ones(24), cups < 3]), [1], cups)
    0.1
    """
    own, rest = X[:, list(cols)], np.delete(X, list(cols), axis=1)
    units, _, _, strata, _, _ = _as_made(own, rest, codes, None)
    return _least(units, strata, how_many(_kinds(units), strata))


@dataclass(frozen=True)
class _Lots:
    """The arrangements of a factor's settings: rows of settings `units`, the row `where` each casting has its own from, the
    stratum of each row, `orders` (arrangements, rows) of `total` there are, all of them if `exact`; `less` (n, columns) is
    taken off, the means of batches within which settings are shuffled, which no shuffle changes."""

    units: np.ndarray
    where: np.ndarray
    less: np.ndarray
    strata: np.ndarray
    orders: np.ndarray
    total: int
    what: str

    @property
    def exact(self) -> bool:
        return self.total <= MOST_ARRANGEMENTS

    @property
    def made(self) -> np.ndarray:
        """(n, columns) the settings as they were."""
        return np.asarray(self.units[self.where] - self.less)

    def parts(self) -> Iterator[np.ndarray]:
        """(some arrangements, n, columns), part by part."""
        step = max(1, AT_ONCE // len(self.where))
        some = (self.orders[at : at + step] for at in range(0, len(self.orders), step))
        return (self.units[orders][:, self.where] - self.less for orders in some)


def _drawn(
    X: np.ndarray, cols: Sequence[int], codes: np.ndarray | None, blocks: np.ndarray | None, samples: int
) -> tuple[_Lots, np.ndarray]:
    """The arrangements of these columns, and a basis of all others."""
    own, rest = X[:, list(cols)], np.delete(X, list(cols), axis=1)
    units, where, less, strata, rest, what = _as_made(own, rest, codes, blocks)
    u, size, _ = np.linalg.svd(rest, full_matrices=False)
    kinds = _kinds(units)
    total = how_many(kinds, strata)
    orders = _every_order(kinds, strata) if total <= MOST_ARRANGEMENTS else some_orders(tuple(strata.tolist()), samples)
    return _Lots(units, where, less, strata, orders, total, what), u[:, size > 1e-9 * max(1.0, size[0])]


def set_per_batch(block: np.ndarray, codes: np.ndarray) -> bool:
    """Whether these columns are constant within every batch."""
    first = np.zeros((int(codes.max()) + 1, block.shape[1]))
    first[codes] = block
    return bool(np.allclose(first[codes], block))


def of_batches(block: np.ndarray, codes: np.ndarray | None) -> bool:
    """Whether these columns vary more between batches than within them, so that whole batches are shuffled."""
    return codes is not None and share_within(block, codes) < 0.5


def share_within(block: np.ndarray, codes: np.ndarray) -> float:
    """Share of the variation of these columns that lies within batches: 0 for what was set per batch."""
    about = block - block.mean(axis=0)
    total = float(np.sum(about**2))
    return float(np.sum((block - batch_means(block, codes)) ** 2)) / total if total > 0 else 0.0


def batch_means(block: np.ndarray, codes: np.ndarray) -> np.ndarray:
    """Batch means of each column, one row per casting."""
    sums = np.zeros((int(codes.max()) + 1, block.shape[1]))
    np.add.at(sums, codes, block)
    return (sums / np.bincount(codes)[:, None])[codes]


def _as_made(
    own: np.ndarray, rest: np.ndarray, codes: np.ndarray | None, blocks: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, str]:
    """What is shuffled: rows of settings, the row of each casting, what is taken off, the stratum of each row, the other
    columns, in words."""
    n = len(own)
    each, one, none = np.arange(n), np.zeros(n, dtype=int), np.zeros(own.shape)
    molds = rest if blocks is None else np.hstack([rest, _indicators(blocks)])
    if codes is None:
        if blocks is None:
            return own, each, none, one, rest, "castings"
        return own, each, none, blocks, molds, "castings within molds"
    if of_batches(own, codes):
        units = np.zeros((int(codes.max()) + 1, own.shape[1]))
        units[codes] = batch_means(own, codes)
        return units, codes, none, np.zeros(len(units), dtype=int), molds, BATCHES
    less, molds = batch_means(own, codes), molds - batch_means(molds, codes)
    if blocks is not None:
        cells = np.unique(np.column_stack([codes, blocks]), axis=0, return_inverse=True)[1].ravel()
        if how_many(_kinds(own), cells) >= 20:
            return own, each, less, cells, molds, "castings within batches and molds"
    return own, each, less, codes, molds, "castings within batches"


def _indicators(codes: np.ndarray) -> np.ndarray:
    return np.eye(int(codes.max()) + 1)[codes][:, 1:]


def _kinds(units: np.ndarray) -> np.ndarray:
    """The number of the setting of each row."""
    return np.unique(units.round(9), axis=0, return_inverse=True)[1].ravel()


def _least(units: np.ndarray, strata: np.ndarray, total: int) -> float:
    """The least p-value; of more arrangements than any swap of names could matter in, that of one of them."""
    if total > factorial(MOST_LEVELS) * SAMPLES:
        return 1 / total
    return min(1.0, _relabelled(units, strata) / total)


def how_many(kinds: np.ndarray, strata: np.ndarray) -> int:
    """Distinct arrangements of rows of these kinds within strata."""
    at = np.unique(strata, return_inverse=True)[1].ravel()
    table = np.zeros((int(at.max()) + 1, int(kinds.max()) + 1), dtype=int)
    np.add.at(table, (at, kinds), 1)
    alike, often = np.unique(table, axis=0, return_counts=True)
    return prod(
        (factorial(int(row.sum())) // prod(map(factorial, row.tolist()))) ** int(times)
        for row, times in zip(alike, often, strict=True)
    )


def _every_order(kinds: np.ndarray, strata: np.ndarray) -> np.ndarray:
    """All distinct arrangements, (arrangements, rows) of row numbers."""
    places = [np.flatnonzero(strata == s) for s in np.unique(strata)]
    ways = []
    for place in places:
        _, first, counts = np.unique(kinds[place], return_index=True, return_counts=True)
        ways.append(place[first][_distinct(tuple(counts.tolist()))])
    at = np.indices([len(way) for way in ways]).reshape(len(ways), -1)
    out = np.empty((at.shape[1], len(kinds)), dtype=int)
    for place, way, chosen in zip(places, ways, at, strict=True):
        out[:, place] = way[chosen]
    return out


@lru_cache(maxsize=2)
def some_orders(strata: tuple[int, ...], samples: int) -> np.ndarray:
    """Seeded shuffles within strata, (samples, rows) of row numbers; those of one frame are kept until `cache_clear`, since
    they may take tens of megabytes."""
    order = np.argsort(strata, kind="stable")
    drawn = np.random.default_rng(SEED).random((samples, len(strata)))
    mixed = np.argsort(np.asarray(strata)[order] + drawn, axis=1)
    out = np.empty((samples, len(strata)), dtype=np.int32)
    out[:, order] = order[mixed]
    return out


def _explained(blocks: np.ndarray, residual: np.ndarray, q: np.ndarray) -> np.ndarray:
    """Sum of squares that each of these blocks (arrangements, n, columns) explains of the residual, beyond basis q."""
    if blocks.shape[2] == 1:
        column = blocks[:, :, 0]
        whole = np.einsum("mn,mn->m", column, column)
        left = whole - np.sum((column @ q) ** 2, axis=1)
        found = (column @ residual) ** 2
        return np.divide(found, left, out=np.zeros_like(found), where=left > 1e-9 * whole)
    turned = blocks.transpose(0, 2, 1)
    inside = turned @ q
    gram = turned @ blocks
    values, vectors = np.linalg.eigh(gram - inside @ inside.transpose(0, 2, 1))
    along = np.einsum("mij,mi->mj", vectors, turned @ residual) ** 2
    size = np.trace(gram, axis1=1, axis2=2)[:, None]
    return np.divide(along, values, out=np.zeros_like(along), where=values > 1e-9 * size).sum(axis=1)


def _relabelled(units: np.ndarray, strata: np.ndarray) -> int:
    """Arrangements that give the same statistic because settings only swap names: what bounds the p-value from below."""
    if units.shape[1] == 1:
        for s in np.unique(strata):
            values = np.sort(units[strata == s, 0])
            if np.ptp(values + values[::-1]) > 1e-9:
                return 1
        return 2
    levels, kinds = np.unique(units.round(9), axis=0, return_inverse=True)
    if len(levels) > MOST_LEVELS:
        return 1
    counts = np.array([np.bincount(kinds.ravel()[strata == s], minlength=len(levels)) for s in np.unique(strata)])
    flat = np.column_stack([np.ones(len(levels)), levels])
    rank = np.linalg.matrix_rank(flat)
    return sum(
        bool(np.array_equal(counts[:, g], counts) and np.linalg.matrix_rank(np.hstack([flat, levels[g]])) == rank)
        for g in map(list, permutations(range(len(levels))))
    )


@lru_cache(maxsize=64)
def _distinct(counts: tuple[int, ...]) -> np.ndarray:
    """All distinct orders of a multiset with `counts[k]` items of kind k, (orders, items)."""
    n, last = sum(counts), len(counts) - 1
    if last == 0:
        return np.zeros((1, n), dtype=int)
    rest = _distinct(counts[:-1])
    out = np.full((factorial(n) // prod(map(factorial, counts)), n), last)
    kept = np.array(list(combinations(range(n), n - counts[-1])))
    np.put_along_axis(out, np.repeat(kept, len(rest), axis=0), np.tile(rest, (len(kept), 1)), axis=1)
    return out
