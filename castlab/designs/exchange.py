"""Optimal plans by exchanging one setting at a time, many random starts side by side.

Coordinate exchange (Meyer and Nachtsheim, Technometrics 37, 1995, 60-69) with the generalised least squares information of
castings in batches (Jones and Goos, Applied Statistics 56, 2007, 347-364). The structure of a plan (batches with their
scatter, molds or other blocks) is one fixed matrix A, so the information is X'AX and a changed run is a change of rank two.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from castlab.designs.space import Moves, Space

RIDGE = 1e-7
MOST_PASSES = 60
FEW_PASSES = 5
BETTER = 1e-7
MOST_STEPS, CLOSE = 400, 1e-4
"""Of the search for the best weights: steps, and the share by which its bound may lie too high."""


@dataclass(frozen=True)
class Structure:
    """The runs before their settings: batch of each (made ones first), A, and how many were made already."""

    batch: np.ndarray
    A: np.ndarray
    n_made: int
    ratio: float

    @property
    def n(self) -> int:
        """How many runs there are, made ones included."""
        return len(self.batch)


def structure(batch: np.ndarray, nuisance: np.ndarray, ratio: float, n_made: int) -> Structure:
    """Weights of the runs when batches scatter with `ratio` times the variance of castings and nuisance columns are fitted.

    A = W - W C (C'W C)^- C'W with W the inverse of I + ratio ZZ', Z the batches and C the (centred) nuisance columns.
    """
    Z = np.equal.outer(batch, np.unique(batch)).astype(float)
    W = np.eye(len(batch)) - (Z * (ratio / (1 + ratio * Z.sum(axis=0)))) @ Z.T
    if nuisance.shape[1]:
        WC = W @ nuisance
        W = W - WC @ np.linalg.pinv(nuisance.T @ WC, hermitian=True) @ WC.T
    return Structure(batch, (W + W.T) / 2, n_made, ratio)


def worth(X: np.ndarray, A: np.ndarray, moments: np.ndarray | None) -> np.ndarray:
    """log |X'AX|, or minus the log of the mean prediction variance; minus infinity where singular. X is (..., n, p)."""
    M = np.swapaxes(X, -1, -2) @ A @ X
    values, vectors = np.linalg.eigh(M)
    sound = np.asarray(np.all(values > 1e-9 * values[..., -1:], axis=-1))
    safe = np.where(sound[..., None], values, 1.0)
    if moments is None:
        found = np.log(safe).sum(axis=-1)
    else:
        spread = np.einsum("...pi,pq,...qi->...i", vectors, moments, vectors)
        found = -np.log(np.sum(spread / safe, axis=-1))
    return np.where(sound, found, -np.inf)


def search(
    space: Space,
    moves: Moves,
    made: np.ndarray,
    plan: Structure,
    moments: np.ndarray | None,
    starts: int,
    rng: np.random.Generator,
    told: Callable[[], object] = lambda: None,
) -> tuple[np.ndarray, np.ndarray]:
    """The plans that the exchange ended in, (starts, new runs, factors) positions in the grids, and their worth; best first.

    Parameters
    ----------
    made : (n_made, p) model rows of the runs already made
    moments : (p, p) moment matrix of the region: minimise the mean prediction variance (I). None: maximise |X'AX| (D)
    told : called after each pass over all runs
    """
    state = _State(space, moves, made, plan, moments, starts, rng)
    for _ in range(MOST_PASSES):
        better = state.one_pass()
        told()
        if not better:
            break
    return state.ranked()


def any_sound(
    space: Space, moves: Moves, made: np.ndarray, plan: Structure, starts: int, rng: np.random.Generator
) -> bool:
    """Whether the search finds a plan that can tell all effects apart."""
    state = _State(space, moves, made, plan, None, starts, rng)
    for _ in range(FEW_PASSES):
        if np.isfinite(worth(state.X, plan.A, None)).any():
            return True
        if not state.one_pass():
            return False
    return False


class _State:
    """All starts at once: settings L (R, new runs, pieces), model rows X (R, n, p), information M and its inverse S.

    M is kept up while batches are changed, S while runs are; each pass starts from X again, so rounding cannot build up.
    """

    def __init__(
        self,
        space: Space,
        moves: Moves,
        made: np.ndarray,
        plan: Structure,
        moments: np.ndarray | None,
        starts: int,
        rng: np.random.Generator,
    ) -> None:
        self.space, self.moves, self.plan, self.moments = space, moves, plan, moments
        self.first, n_new = plan.n_made, plan.n - plan.n_made
        self.units = [np.flatnonzero(plan.batch == b) for b in np.unique(plan.batch[plan.n_made :])]
        self.L = np.zeros((starts, n_new, len(moves.pieces)), dtype=int)
        for q, piece in enumerate(moves.pieces):
            size = len(piece.combos)
            if piece.per_batch:
                for rows in self.units:
                    self.L[:, rows - self.first, q] = rng.integers(0, size, starts)[:, None]
            else:
                self.L[:, :, q] = rng.integers(0, size, (starts, n_new))
        if moves.tied is not None:
            w, s, _, nearest = moves.tied
            self.L[:, :, s] = nearest[self.L[:, :, w], self.L[:, :, s]]
        self.X = np.empty((starts, plan.n, space.p))
        self.X[:, : self.first] = made
        self.X[:, self.first :] = self._rows(self.L)

    def _rows(self, L: np.ndarray, without: int = -1) -> np.ndarray:
        out = np.ones((*L.shape[:-1], self.space.p))
        for q, piece in enumerate(self.moves.pieces):
            if q != without:
                out *= piece.table[L[..., q]]
        return out

    def _information(self) -> np.ndarray:
        M: np.ndarray = np.swapaxes(self.X, 1, 2) @ (self.plan.A @ self.X)
        return M + RIDGE * self.plan.n * np.eye(self.space.p)

    def one_pass(self) -> bool:
        """Try every setting of every run once; whether anything became better."""
        changed = False
        self.M = self._information()
        if any(p.per_batch for p in self.moves.pieces):
            for rows in self.units:
                for q, piece in enumerate(self.moves.pieces):
                    if piece.per_batch:
                        changed |= self._try_batch(rows, q)
        self.S = np.linalg.inv(self.M)
        for i in range(self.first, self.plan.n):
            for q, piece in enumerate(self.moves.pieces):
                if not piece.per_batch:
                    changed |= self._try_run(i, q)
        return changed

    def _try_run(self, i: int, q: int) -> bool:
        new, piece, A = i - self.first, self.moves.pieces[q], self.plan.A
        every = np.arange(len(self.L))
        rest = self._rows(self.L[:, new], without=q)
        d = rest[:, None, :] * piece.table[None] - self.X[:, i, None, :]
        u = np.einsum("m,rmp->rp", A[i], self.X)
        Sd, Su = d @ self.S, np.einsum("rpq,rq->rp", self.S, u)
        g11 = np.einsum("rcp,rcp->rc", Sd, d)
        g12 = np.einsum("rcp,rp->rc", Sd, u)
        g22 = np.einsum("rp,rp->r", Su, u)[:, None]
        growth = (1 + g12) ** 2 + g11 * (A[i, i] - g22)
        if self.moments is None:
            gain = growth - 1
        else:
            dW, uW = Sd @ self.moments, Su @ self.moments
            h11 = np.einsum("rcp,rcp->rc", dW, Sd)
            h12 = np.einsum("rcp,rp->rc", dW, Su)
            h22 = np.einsum("rp,rp->r", uW, Su)[:, None]
            safe = np.where(growth > BETTER, growth, 1)
            saved = -((g22 - A[i, i]) * h11 - 2 * (1 + g12) * h12 + g11 * h22) / safe
            now = np.einsum("rpq,pq->r", self.S, self.moments)[:, None]
            gain = np.where(growth > BETTER, saved / now, -1)
        if self.moves.tied is not None and self.moves.tied[1] == q:
            w, _, ok, _ = self.moves.tied
            gain = np.where(ok[self.L[:, new, w]], gain, -1)
        best = np.argmax(gain, axis=1)
        better = gain[every, best] > BETTER
        if not better.any():
            return False
        best = np.where(better, best, self.L[:, new, q])
        step = d[every, best]
        F = np.stack([Sd[every, best], Su], axis=2)
        middle = np.empty((len(every), 2, 2))
        middle[:, 0, 0], middle[:, 1, 1] = g11[every, best], g22[:, 0] - A[i, i]
        middle[:, 0, 1] = middle[:, 1, 0] = 1 + g12[every, best]
        self.S -= F @ np.linalg.solve(middle, np.swapaxes(F, 1, 2))
        self.L[:, new, q] = best
        self.X[:, i] += step
        return True

    def _try_batch(self, rows: np.ndarray, q: int) -> bool:
        new, piece = rows - self.first, self.moves.pieces[q]
        every, n_combos = np.arange(len(self.L)), len(piece.combos)
        L = np.repeat(self.L[:, None, new], n_combos, axis=1)
        L[..., q] = np.arange(n_combos)[None, :, None]
        if self.moves.tied is not None and self.moves.tied[0] == q:
            _, s, _, nearest = self.moves.tied
            L[..., s] = nearest[L[..., q], L[..., s]]
        X = self._rows(L)
        A = self.plan.A
        D = X - self.X[:, None, rows]
        U = A[rows] @ self.X
        cross = np.swapaxes(D, 2, 3) @ U[:, None]
        M = self.M[:, None] + cross + np.swapaxes(cross, 2, 3) + np.swapaxes(D, 2, 3) @ A[np.ix_(rows, rows)] @ D
        if self.moments is None:
            value = np.linalg.slogdet(M)[1]
        else:
            value = -np.log(np.einsum("rcpq,pq->rc", np.linalg.inv(M), self.moments))
        now = value[every, self.L[:, new[0], q]]
        best = np.argmax(value, axis=1)
        better = value[every, best] > now + BETTER
        if not better.any():
            return False
        best = np.where(better, best, self.L[:, new[0], q])
        self.L[:, new] = L[every, best]
        self.X[:, rows] = X[every, best]
        self.M = M[every, best]
        return True

    def ranked(self) -> tuple[np.ndarray, np.ndarray]:
        found = worth(self.X, self.plan.A, self.moments)
        order = np.argsort(-found, kind="stable")
        levels = np.zeros((*self.L.shape[:2], len(self.space.factors)), dtype=int)
        for q, piece in enumerate(self.moves.pieces):
            levels[:, :, list(piece.factors)] = piece.combos[self.L[:, :, q]]
        return levels[order], found[order]


def best_measure(rows: np.ndarray) -> float:
    """An upper bound of log |X'X / n| over all plans from these rows, whatever their number of runs.

    The multiplicative algorithm (Silvey, Titterington and Torsney, Communications in Statistics A7, 1978, 1379-1389);
    the bound holds at any weights, by the equivalence theorem (Kiefer and Wolfowitz, Canadian Journal of Mathematics 12,
    1960, 363-366).
    """
    p = rows.shape[1]
    weights = np.full(len(rows), 1 / len(rows))
    for _ in range(MOST_STEPS):
        M = rows.T @ (weights[:, None] * rows)
        variance = np.sum((rows @ np.linalg.inv(M)) * rows, axis=1)
        if variance.max() <= p * (1 + CLOSE):
            break
        weights = weights * variance / p
    return float(np.linalg.slogdet(M)[1] + p * np.log(variance.max() / p))
