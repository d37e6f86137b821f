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

An outcome of castings in batches is itself set against chances that it has a part in, and p then lies above what it should:
with several factors 3 to 4% are called at 5%. So the same is done twice: the p-values of the first round order the outcomes of
the second, each taken for what its own castings say (prepivoting; Beran, JASA 83, 1988, 687-697). Without batches the
likelihood ratio already sets each outcome against its own chances, and a second round changes nothing.

The other effects are taken to be nearer to none than the castings say, as if each came from a normal distribution with
standard deviation 1 on the log scale, and half a casting each way is added to passes and fails: with a dozen castings the
fitted effects are mostly luck, and a null distribution built on them is too wide. That choice, among shrinking them not,
wholly or by halves, kept every test of the grid nearest to its 5%.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy import special, stats

from castlab.analysis.models import working

MOST = 2000
DRAWS, OWN = 8000, 1500
"""Outcomes drawn for a design; and for one response, at each value that its interval tries."""
FIRST = 4
"""The first round looks at one in so many of them: it only has to order outcomes, all by the same measure."""
WIDTH = 0.05
_SEED = 19610301
_MIXED = 200
"""Chances and effects from which the outcomes of a design are drawn."""
_SHARES, _OTHERS = 1.0, 0.6
"""Standard deviations of these, on the log odds scale."""
_SPREAD = 1.0
"""Standard deviation of the other effects as they are taken to be."""
_CHUNK = 500

Order = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]
"""p-values of outcomes (M, n) as the plain test gives them, and whether it gives any."""


@dataclass(frozen=True)
class Outcomes:
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
        parts = [slice(start, start + _CHUNK) for start in range(0, len(coef), _CHUNK)]
        return np.concatenate([self._p(coef[part], telling[part]) for part in parts]) if parts else np.empty(0)

    def _p(self, coef: np.ndarray, telling: np.ndarray) -> np.ndarray:
        # large, and good to a few digits: single precision, in place
        weight = (coef @ self.rows.T).astype(np.float32) @ self.passed.T
        weight -= self.log_often
        weight -= weight.max(axis=1, keepdims=True)
        np.exp(weight, out=weight)
        more = self.steps - (telling / (2 * WIDTH) - 0.5).astype(np.float32)[:, None]
        np.clip(more, 0, 1, out=more)
        share = np.einsum("sm,sm->s", more, weight) / weight.sum(axis=1)
        # where no outcome drawn is as telling: what the plain test says, or one outcome among all
        return np.where(share > 0, share, np.minimum(2 * stats.norm.sf(telling), 1 / len(self.telling)))

    @cached_property
    def steps(self) -> np.ndarray:
        """`telling` in widths of what is as telling."""
        return (self.telling / (2 * WIDTH)).astype(np.float32)

    def take(self, which: slice) -> Outcomes:
        """Some of them."""
        return Outcomes(self.rows, self.telling[which], self.passed[which], self.log_often[which])


@dataclass(frozen=True)
class Reference:
    """Outcomes in the order of the plain test; in a second round, those in the order of the p-values that the first gave."""

    rounds: tuple[Outcomes, ...]

    def p(self, coef: np.ndarray, plain: np.ndarray) -> np.ndarray:
        """p-values of responses (S,) of plain p-values `plain`, where there is no effect beyond `coef` (S, p)."""
        p = plain
        for outcomes in self.rounds:
            p = outcomes.p(coef, telling(p))
        return p


def telling(p: np.ndarray) -> np.ndarray:
    """Normal deviates of two-sided p-values."""
    return stats.norm.isf(np.clip(p, 1e-15, 1) / 2)


def nuisance(X: np.ndarray, Y: np.ndarray, held: np.ndarray, values: np.ndarray) -> np.ndarray:
    """The coefficients (S, p) that are taken for true where those `held` (p,) are at `values` (p,)."""
    shape = len(Y), X.shape[1]
    one_more = np.vstack([X, X.mean(axis=0)]), np.column_stack([Y, np.full(len(Y), 0.5)])
    held, values = np.broadcast_to(held, shape), np.broadcast_to(values, shape)
    return working.respond("pass", *one_more, np.zeros(len(X) + 1), held, values, precision=_SPREAD**-2).coef


def of_design(X: np.ndarray, codes: np.ndarray | None, held: np.ndarray, values: np.ndarray, order: Order) -> Reference:
    """The reference of passes on a design, with coefficients `held` (p,) at `values` (p,)."""
    every = _every_outcome(X, codes)
    if every is not None:
        Y, one = _ordered(X, *every, order)
        first = one
    else:
        rng = np.random.default_rng(_SEED)
        mixed = _even(rng, _MIXED, X.shape[1]) * np.where(held, 0.0, _OTHERS) + np.where(held, values, 0.0)
        mixed[:, 0] = _SHARES / _OTHERS * mixed[:, 0] - mixed[:, 1:] @ X[:, 1:].mean(axis=0)
        Y, one = _from(rng, X, mixed, DRAWS, order)
        first = one.take(slice(None, None, FIRST))
    return Reference((one,)) if codes is None else _twice(X, Y, held, values, first, one)


def of_response(
    X: np.ndarray, y: np.ndarray, codes: np.ndarray | None, held: np.ndarray, values: np.ndarray, order: Order
) -> float:
    """p-value of one response, with outcomes drawn for it alone where they are too many to go through."""
    coef = nuisance(X, y[None, :], held, values)
    own = order(y[None, :])[0]
    if _how_many(X, codes) <= MOST:
        return float(of_design(X, codes, held, values, order).p(coef, own)[0])
    rng = np.random.default_rng(_SEED)
    Y, one = _from(rng, X, coef, OWN, order)
    if codes is None:
        return float(Reference((one,)).p(coef, own)[0])
    _, first = _from(rng, X, _around(rng, X, coef[0], held), OWN // FIRST, order)
    return float(_twice(X, Y, held, values, first, one).p(coef, own)[0])


def _around(rng: np.random.Generator, X: np.ndarray, coef: np.ndarray, held: np.ndarray) -> np.ndarray:
    """Coefficients (OWN // FIRST, p) as far from `coef` (p,) as other outcomes may say that they are."""
    chance = special.expit(X @ coef)
    known = (X.T * (chance * (1 - chance))) @ X + np.diag(np.r_[0.0, np.full(len(coef) - 1, _SPREAD**-2)])
    free = np.flatnonzero(~held)
    root = np.linalg.cholesky(np.linalg.inv(known[np.ix_(free, free)]))
    found = np.repeat(coef[None, :], OWN // FIRST, axis=0)
    found[:, free] += _even(rng, len(found), len(free)) @ root.T
    return found


def _from(
    rng: np.random.Generator, X: np.ndarray, mixed: np.ndarray, many: int, order: Order
) -> tuple[np.ndarray, Outcomes]:
    """Outcomes (M, n), at most `many`, drawn alike from each of the coefficients `mixed` (K, p), and their order."""
    Y = _drawn(rng, np.repeat(mixed @ X.T, many // len(mixed), axis=0))
    Y, found = _ordered(X, Y, np.zeros(len(Y)), order)
    line, castings = mixed @ found.rows.T, np.unique(X.round(12), axis=0, return_counts=True)[1]
    log_chance = line @ found.passed.T - (np.logaddexp(0, line) @ castings)[:, None]
    return Y, replace(found, log_often=special.logsumexp(log_chance, axis=0).astype(np.float32))


def _ordered(X: np.ndarray, Y: np.ndarray, log_often: np.ndarray, order: Order) -> tuple[np.ndarray, Outcomes]:
    """Those of the outcomes (M, n) that the plain test has an answer for, and their order."""
    varies = np.ptp(Y, axis=1) > 0
    Y, log_often = Y[varies], log_often[varies]
    p, ok = order(Y)
    Y, log_often = Y[ok], log_often[ok]
    rows, at = np.unique(X.round(12), axis=0, return_inverse=True)
    passed = np.zeros((len(rows), len(Y)), np.float32)
    np.add.at(passed, at.ravel(), Y.T)
    return Y, Outcomes(rows, telling(p[ok]), passed.T, log_often.astype(np.float32))


def _twice(
    X: np.ndarray, Y: np.ndarray, held: np.ndarray, values: np.ndarray, first: Outcomes, second: Outcomes
) -> Reference:
    """`second`, whose outcomes are Y, in the order of the p-values that `first` gives them."""
    again = first.p(nuisance(X, Y, held, values), second.telling)
    return Reference((first, replace(second, telling=telling(again))))


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
