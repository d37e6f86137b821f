"""What the tests of few castings show where there is no effect: the distribution that a p-value is read from.

Few castings that pass or fail have few outcomes that can occur, and t, F and chi-square, which know no steps, are then far
from what a test does: it sees less than its 5%, or more. Here the test's own p-value is taken as a mere order of outcomes,
from the most telling to the least, and set against how often outcomes come about where there is no effect, with the
chance of passing and the other effects as these castings have them:

    p = chance of a more telling outcome + half the chance of one as telling

(the mid-p value; Lancaster, JASA 56, 1961, 223-234; Hwang and Yang, Statistica Sinica 11, 2001, 807-826). All outcomes are
gone through where they are at most `MOST`. Otherwise outcomes are drawn once for a design, over many chances of passing
and sizes of the other effects, and weighted anew for each response (importance sampling); the draws depend on the design
alone. "As telling" has a width of `WIDTH` standard errors, so that p moves evenly along the values that an interval tries.

The other effects are taken to be nearer to none than the castings say, as if each came from a normal distribution with
standard deviation 1 on the log scale, and half a casting each way is added to passes and fails: with a dozen castings the
fitted effects are mostly luck, and a null distribution built on them is too wide. That choice, among shrinking them not,
wholly or by halves, kept every test of the grid nearest to its 5%.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from castlab.analysis.models import working

MOST = 2000
DRAWS, OWN = 8000, 1500
"""Outcomes drawn for a design; and for one response, at each value that its interval tries."""
WIDTH = 0.05
_SEED = 19610301
_MIXED = 200
"""Chances and effects from which the outcomes of a design are drawn."""
_SHARES, _OTHERS = 1.0, 0.6
"""Standard deviations of these, on the log odds scale."""

Order = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]
"""p-values of outcomes (M, n) as the plain test gives them, and whether it gives any."""


@dataclass(frozen=True)
class Reference:
    """Outcomes in order: `telling` (M,) as normal deviates, `passed` (M, rows) passes at each setting, and the logarithm of
    how often each is in here for once that it comes about at even odds."""

    rows: np.ndarray
    telling: np.ndarray
    passed: np.ndarray
    log_often: np.ndarray

    def p(self, coef: np.ndarray, telling: np.ndarray) -> np.ndarray:
        """p-values of responses (S,) that are `telling`, where there is no effect beyond `coef` (S, p)."""
        if not len(self.telling):  # so few castings that the plain test orders none of what can come about
            return 2 * stats.norm.sf(telling)
        weight = coef @ self.rows.T @ self.passed.T - self.log_often
        weight = np.exp(weight - weight.max(axis=1, keepdims=True))
        return _share(self.telling, weight, telling[:, None])


def _share(of: np.ndarray, weight: np.ndarray, telling: np.ndarray) -> np.ndarray:
    """Share of the weight that is more telling, half of it where as telling; where no outcome drawn is, what the plain test
    says or one outcome among all."""
    more = np.clip((of - telling) / (2 * WIDTH) + 0.5, 0, 1)
    share = np.sum(more * weight, axis=-1) / np.sum(weight, axis=-1)
    least = np.minimum(2 * stats.norm.sf(telling[..., 0]), 1 / of.shape[-1])
    return np.asarray(np.where(share > 0, share, least))


def telling(p: np.ndarray) -> np.ndarray:
    """Normal deviates of two-sided p-values."""
    return stats.norm.isf(np.clip(p, 1e-15, 1) / 2)


def nuisance(X: np.ndarray, Y: np.ndarray, held: np.ndarray, values: np.ndarray) -> np.ndarray:
    """The coefficients (S, p) that are taken for true where those `held` (p,) are at `values` (p,)."""
    shape = len(Y), X.shape[1]
    one_more = np.vstack([X, X.mean(axis=0)]), np.column_stack([Y, np.full(len(Y), 0.5)])
    held, values = np.broadcast_to(held, shape), np.broadcast_to(values, shape)
    return working.respond("pass", *one_more, np.zeros(len(X) + 1), held, values, precision=1.0).coef


def of_design(X: np.ndarray, codes: np.ndarray | None, held: np.ndarray, values: np.ndarray, order: Order) -> Reference:
    """The reference of passes on a design, with coefficients `held` (p,) at `values` (p,)."""
    every = _every_outcome(X, codes)
    rows, at = np.unique(X.round(12), axis=0, return_inverse=True)
    rng = np.random.default_rng(_SEED)
    if every is not None:
        Y, log_often = every
    else:
        mixed = _even(rng, _MIXED, X.shape[1]) * np.where(held, 0.0, _OTHERS) + np.where(held, values, 0.0)
        mixed[:, 0] = _SHARES / _OTHERS * mixed[:, 0] - mixed[:, 1:] @ X[:, 1:].mean(axis=0)
        Y = _drawn(rng, np.repeat(mixed @ X.T, DRAWS // _MIXED, axis=0))
        log_often = np.zeros(len(Y))
    varies = np.ptp(Y, axis=1) > 0
    Y, log_often = Y[varies], log_often[varies]
    p, ok = order(Y)
    Y, log_often = Y[ok], log_often[ok]
    passed = np.zeros((len(rows), len(Y)))
    np.add.at(passed, at.ravel(), Y.T)
    if every is None:
        line, castings = mixed @ rows.T, np.bincount(at.ravel())
        log_chance = line @ passed - (np.logaddexp(0, line) @ castings)[:, None]
        log_often = special.logsumexp(log_chance, axis=0)
    return Reference(rows, telling(p[ok]), passed.T, log_often)


def of_response(
    X: np.ndarray, y: np.ndarray, codes: np.ndarray | None, held: np.ndarray, values: np.ndarray, order: Order
) -> float:
    """p-value of one response, with outcomes drawn for it alone where they are too many to go through."""
    coef = nuisance(X, y[None, :], held, values)
    own = telling(order(y[None, :])[0])
    if _how_many(X, codes) <= MOST:
        return float(of_design(X, codes, held, values, order).p(coef, own)[0])
    Y = _drawn(np.random.default_rng(_SEED), np.repeat(coef @ X.T, OWN, axis=0))
    p, ok = order(Y[np.ptp(Y, axis=1) > 0])
    return float(_share(telling(p[ok]), np.ones(int(ok.sum())), own)[()])


def _even(rng: np.random.Generator, many: int, columns: int) -> np.ndarray:
    """Normal deviates spread evenly in each column (Latin hypercube)."""
    return special.ndtri(_spread(rng, many, columns))


def _spread(rng: np.random.Generator, many: int, columns: int) -> np.ndarray:
    return np.argsort(rng.random((many, columns)), axis=0) / many + rng.random((many, columns)) / many


def _drawn(rng: np.random.Generator, line: np.ndarray) -> np.ndarray:
    return (_spread(rng, *line.shape) < special.expit(line)).astype(float)


def _cells(X: np.ndarray, codes: np.ndarray | None) -> np.ndarray:
    """The number of the setting (and batch) of each casting: those with the same are alike to every test."""
    settings = X if codes is None else np.column_stack([X, codes])
    return np.unique(settings.round(12), axis=0, return_inverse=True)[1].ravel()


def _how_many(X: np.ndarray, codes: np.ndarray | None) -> float:
    return float(np.prod(np.bincount(_cells(X, codes)) + 1.0))


def _every_outcome(X: np.ndarray, codes: np.ndarray | None) -> tuple[np.ndarray, np.ndarray] | None:
    """One of each outcome (M, n) that differs to the test, and minus the logarithm of how many ways lead to it."""
    if _how_many(X, codes) > MOST:
        return None
    cells = _cells(X, codes)
    size = np.bincount(cells)
    passed = np.indices(tuple(size + 1)).reshape(len(size), -1)
    place = np.empty(len(cells), dtype=int)
    for cell in range(len(size)):
        place[cells == cell] = np.arange(size[cell])
    ways = (
        special.gammaln(size + 1)[:, None] - special.gammaln(passed + 1) - special.gammaln(size[:, None] - passed + 1)
    )
    return (place[:, None] < passed[cells]).T.astype(float), -ways.sum(axis=0)
