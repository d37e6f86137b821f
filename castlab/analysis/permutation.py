"""Permutation tests that shuffle as the castings were made: whole batches for what was set per batch, within batches
for what was set per casting.

The columns of one factor are shuffled with all others in place (Draper and Stoneman, Technometrics 8, 1966, 695-699);
the statistic is the sum of squares that they explain beyond the others. All distinct arrangements are used where they
are few, else a seeded sample.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import factorial, prod

import numpy as np

MOST_ARRANGEMENTS = 5000
SAMPLES = 1999


def p_value(X: np.ndarray, y: np.ndarray, cols: Sequence[int], codes: np.ndarray | None) -> tuple[float, str]:
    """p-value of these columns of X explaining nothing of y beyond the others, and how it was found.

    Parameters
    ----------
    X : (n, p) design matrix
    y : (n,) scores
    cols : the columns of the factor
    codes : (n,) batch number or None
    """
    own = X[:, list(cols)]
    rest = np.delete(X, list(cols), axis=1)
    q, _ = np.linalg.qr(rest)
    residual = y - q @ (q.T @ y)

    def explained(block: np.ndarray) -> float:
        beyond = block - q @ (q.T @ block)
        fitted = beyond @ np.linalg.lstsq(beyond, residual, rcond=1e-9)[0]
        return float(fitted @ fitted)

    seen = explained(own)
    least = seen - 1e-9 * max(1.0, float(y @ y))
    arrangements, how = _arrangements(own, codes)
    exact = how.startswith("all")
    values = np.array([explained(block) for block in arrangements])
    hits = int(np.sum(values >= least))
    p = hits / len(values) if exact else (hits + 1) / (len(values) + 1)
    return p, f"permutation test, {how}"


def set_per_batch(block: np.ndarray, codes: np.ndarray) -> bool:
    """Whether these columns are constant within every batch."""
    first = np.zeros((int(codes.max()) + 1, block.shape[1]))
    first[codes] = block
    return bool(np.allclose(first[codes], block))


def _arrangements(block: np.ndarray, codes: np.ndarray | None) -> tuple[Iterator[np.ndarray], str]:
    rng = np.random.default_rng(20240229)
    if codes is None or set_per_batch(block, codes):
        where = np.arange(len(block)) if codes is None else codes
        units = np.zeros((int(where.max()) + 1, block.shape[1]))
        units[where] = block
        what = "castings" if codes is None else "whole batches"
        _, kinds = np.unique(units, axis=0, return_inverse=True)
        sizes = np.bincount(kinds.ravel())
        if factorial(len(units)) // prod(factorial(int(s)) for s in sizes) <= MOST_ARRANGEMENTS:
            rows = [units[np.flatnonzero(kinds.ravel() == k)[0]] for k in range(len(sizes))]
            made = (np.array([rows[k] for k in order])[where] for order in _distinct(list(sizes)))
            return made, f"all arrangements of {what}"
        return (units[rng.permutation(len(units))][where] for _ in range(SAMPLES)), f"{SAMPLES} shuffles of {what}"

    def within() -> Iterator[np.ndarray]:
        order = np.argsort(codes, kind="stable")
        for _ in range(SAMPLES):
            shuffled = np.empty_like(block)
            shuffled[order] = block[np.lexsort((rng.random(len(block)), codes))]
            yield shuffled

    return within(), f"{SAMPLES} shuffles within batches"


def _distinct(left: list[int]) -> Iterator[list[int]]:
    """All distinct orders of a multiset with `left[k]` items of kind k."""
    if not any(left):
        yield []
        return
    for k, many in enumerate(left):
        if many:
            left[k] -= 1
            for rest in _distinct(left):
                yield [k, *rest]
            left[k] += 1
