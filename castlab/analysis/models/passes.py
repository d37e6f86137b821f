"""Tests of castings that pass or fail: the plain tests for many responses at once and, where castings are few, their
p-values and intervals read from what outcomes come about (`castlab.analysis.models.reference`).

Plain are the likelihood ratio of logistic regression without batches, bias-reduced where castings are few or separate, and
with batches the score test in two strata (`castlab.analysis.models.working`, `castlab.analysis.models.linear`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
from scipy import stats

from castlab.analysis.models import linear, reference, working

EVENTS = 10
"""Castings of the rarer outcome per coefficient below which logistic is bias-reduced (a common rule of thumb)."""
FAR = 8.0
"""Where the search for an end stops on the log scale (a ratio of 3000): from there on the interval is called open."""
SUSPECT = 4.0
"""A coefficient beyond this may have run off, so that the estimate has no end."""
ASSURED = 0.5
"""How far the scatter of a casting in a batch is taken from its chance, the rest from the castings: where batches differ,
those of one batch scatter less than the share of all says, and a test that takes it for granted sees effects in 2 to 4%."""
CHANCE = 0.1
"""Degrees of freedom given to chance in the scatter between few batches, which are often equal by luck (`linear.fit_many`):
it breaks the ties of outcomes whose batches are all equal. Of 0 to 2, added up over all outcomes of designs with 12 to 24
castings, this kept the tests of per-batch settings nearest to 5%, whether batches scatter or not; from 0.5 on they see up to
7% where batches scatter much."""
_PLENTY = 1e6
"""Degrees of freedom from which F is chi-square."""
_STEPS, _REFINEMENTS = 12, 12
_CLOSE = 0.005
"""How near to the level p is at the end of an interval, in standard errors."""


def plain(
    X: np.ndarray, Y: np.ndarray, split: linear.Strata | None, held: np.ndarray, values: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """p-values of the responses (S, n) with coefficients `held` (p,) at `values` (p,), and whether there is an answer."""
    shape = len(Y), X.shape[1]
    hold, at = np.broadcast_to(held, shape), np.broadcast_to(np.where(held, values, 0.0), shape)
    cols = np.flatnonzero(held)
    with np.errstate(all="ignore"):
        if split is None:
            reduced = _reduced(X, Y)
            best, _ = working.logistic_ratio(X, Y, np.zeros(shape, dtype=bool), np.zeros(shape), reduced)
            value, _ = working.logistic_ratio(X, Y, hold, at, reduced)
            p = stats.chi2.sf(np.maximum(2 * (best - value), 0), len(cols))
            return p, np.isfinite(p)
        made = working.respond("pass", X, Y, np.zeros(len(X)), hold, at)
        fits = linear.fit_many(X, made.line + made.left, split, made.weight, ASSURED, even=True, chance=CHANCE)
        left = fits.coef[:, cols] - values[cols]
        cov = (fits.within + fits.between)[:, cols[:, None], cols]
        square = np.sum(left * np.linalg.solve(cov, left[:, :, None])[:, :, 0], axis=1)
        # p only orders outcomes here, whose chances keep the 5%: put right for that (`linear.spare`), intervals get too long
        df = np.minimum(fits.df_in_order[:, cols].min(axis=1), _PLENTY)
        p = stats.f.sf(square / len(cols), len(cols), df)
        return p, fits.ok & made.converged & np.isfinite(p)


def _reduced(X: np.ndarray, Y: np.ndarray) -> np.ndarray:
    """Which responses without batches ask for bias reduction."""
    passed = Y.sum(axis=1)
    few = np.minimum(passed, len(X) - passed) < EVENTS * (X.shape[1] - 1)
    if few.all():
        return few
    none = np.zeros((len(Y), X.shape[1]))
    free = working.respond("pass", X, Y, np.zeros(len(X)), none > 0, none)
    return few | ~free.converged | (np.abs(free.coef[:, 1:]).max(axis=1) > SUSPECT)


def estimates(X: np.ndarray, Y: np.ndarray) -> np.ndarray:
    """Coefficients (S, p) without batches."""
    none = np.zeros((len(Y), X.shape[1]))
    return working.logistic_ratio(X, Y, none > 0, none, _reduced(X, Y))[1]


def reduced(X: np.ndarray, Y: np.ndarray) -> np.ndarray:
    """The same, bias-reduced."""
    none = np.zeros((len(Y), X.shape[1]))
    return working.logistic_ratio(X, Y, none > 0, none, np.ones(len(Y), dtype=bool))[1]


def p_values(
    X: np.ndarray, Y: np.ndarray, codes: np.ndarray | None, cols: Sequence[int], values: Sequence[float]
) -> np.ndarray:
    """p-values of few castings (S, n), nan where the plain test has no answer: these columns together are at `values`."""
    held, at = _held(X, cols, values)
    p, ok = _order(X, codes, held, at)(Y)
    found = np.full(len(Y), np.nan)
    if ok.any():
        design = (X.shape, X.tobytes(), None if codes is None else np.asarray(codes, dtype=int).tobytes())
        known = _of_design(*design, held.tobytes(), at.tobytes())
        found[ok] = known.p(reference.nuisance(X, Y[ok], held, at), p[ok])
    return found


def alone(
    X: np.ndarray, y: np.ndarray, codes: np.ndarray | None, cols: Sequence[int], values: Sequence[float]
) -> float:
    """As `p_values` for one response (n,), with fewer outcomes, drawn for it alone: quicker where a design is used once."""
    held, at = _held(X, cols, values)
    with np.errstate(all="ignore"):
        return reference.of_response(X, y, codes, held, at, _order(X, codes, held, at))


def _held(X: np.ndarray, cols: Sequence[int], values: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    held, at = np.zeros(X.shape[1], dtype=bool), np.zeros(X.shape[1])
    held[list(cols)], at[list(cols)] = True, values
    return held, at


def _order(X: np.ndarray, codes: np.ndarray | None, held: np.ndarray, values: np.ndarray) -> reference.Order:
    """The plain test of any responses on this design."""
    split = None if codes is None else linear.strata(X, codes)
    return lambda Y: plain(X, Y, split, held, values)


@lru_cache(maxsize=32)
def _of_design(
    shape: tuple[int, int], rows: bytes, batches: bytes | None, held: bytes, values: bytes
) -> reference.Reference:
    X = np.frombuffer(rows).reshape(shape)
    codes = None if batches is None else np.frombuffer(batches, dtype=int)
    hold, at = np.frombuffer(held, dtype=bool), np.frombuffer(values)
    with np.errstate(all="ignore"):
        return reference.of_design(X, codes, hold, at, _order(X, codes, hold, at))


def interval(
    X: np.ndarray, y: np.ndarray, codes: np.ndarray | None, col: int, estimate: float, reach: float, level: float
) -> tuple[float, float]:
    """All values around the estimate that the test of few castings does not reject; infinite where it rejects none up to
    `FAR`. `reach` is about half the width, where the search starts."""
    cut = stats.norm.isf((1 - level) / 2)

    def excess(value: float) -> float:
        """Standard errors by which a value is more telling than those at the ends."""
        return float(reference.telling(np.array(alone(X, y, codes, [col], [value])))) - cut

    def plainly(value: float) -> float:
        """The same by the plain test."""
        p, _ = _order(X, codes, *_held(X, [col], [value]))(y[None, :])
        return float(reference.telling(p)[0]) - cut

    # where other effects are far larger than outcomes are drawn with, these may reject even the estimate
    judged = excess if excess(estimate) < 0 else plainly
    none = float(reference.telling(p_values(X, y[None, :], codes, [col], [0.0]))[0]) - cut
    ends = []
    for side in (-1.0, 1.0):
        inner, below, outer, above = estimate, -cut, estimate + side * reach, np.nan
        if side * estimate < 0:  # "no effect" lies this way, and its own test says on which side of the end
            inner, below, outer, above = (0.0, none, outer, above) if none < 0 else (estimate, -cut, 0.0, none)
        ends.append(float(_end(judged, inner, below, outer, above, side)))
    return ends[0], ends[1]


def _end(
    excess: Callable[[float], float], inner: float, below: float, outer: float, above: float, side: float
) -> float:
    """Where `excess` passes zero outwards of `inner`; `above` is its value at `outer`, nan where that is not known."""
    step = max(abs(outer - inner), 0.2)
    if np.isnan(above):
        for _ in range(_STEPS):
            outer = float(np.clip(inner + side * step, -FAR, FAR))
            above = excess(outer)
            if not above < 0 or abs(outer) >= FAR:
                break
            step = float(np.clip(1.1 * -above * (outer - inner) * side / max(above - below, 1e-9), 0.1, 1.0))
            inner, below = outer, above
        if not above >= 0:  # none is rejected, or the plain test gives no answer
            return side * np.inf
    last = 0
    for _ in range(_REFINEMENTS):
        middle = outer - above * (outer - inner) / (above - below)
        value = excess(middle)
        if abs(value) < _CLOSE or abs(outer - inner) < 1e-3:
            return middle
        if value < 0:
            inner, below, above = middle, value, above / 2 if last < 0 else above
            last = -1
        else:
            outer, above, below = middle, value, below / 2 if last > 0 else below
            last = 1
    return (inner + outer) / 2
