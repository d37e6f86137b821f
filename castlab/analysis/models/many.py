"""Analyse many responses on one design at once, as `fit_factors` analyses one.

`fit_factors` itself comes through here for counts, grades and passes in batches (with one response) and through
`castlab.analysis.models.linear` for measures, so there is one implementation of each method.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy import stats

from castlab.analysis.models import linear, passes, working
from castlab.analysis.models.passes import FAR, SUSPECT
from castlab.errors import FitError, InputError

LEVEL = 0.95
"""Confidence of the intervals, unless another is asked of a model."""
CHUNK = 2000
"""Responses that are worked on together, so that memory stays within some tens of megabytes."""
FEW = 40
"""Residual degrees of freedom below which counts and grades without batches are tested as those with batches are: the
large-sample tests of the negative binomial and of proportional odds reject in up to 7 and 9% of 12 to 24 castings. Below it
passes are tested by what outcomes come about."""
ASSURED = {"count": 0.0, "grade": 0.4, "pass": passes.ASSURED}
"""How far the scatter of a casting is taken from the model, the rest from the castings. That of grades follows from their
chances as that of passes does; but castings of one batch scatter less than that, and with a dozen castings the test on it
sees effects in 3 to 4%. The scatter of the castings alone makes it see them in 7 to 12% where most castings have one grade.
This share kept every test of the grid, and of three more distributions of grades, within 4 to 6.5%."""
_WIDENINGS, _REFINEMENTS, _CLOSE = 12, 25, 1e-6
_SHORTEST, _LONGEST = 0.1, 0.6
"""Steps outwards, of the width so far: long ones may leap over where far values are rejected, since t falls again
beyond some."""


@dataclass(frozen=True)
class Analysed:
    """(S, q) arrays on the link scale (log ratio, log odds ratio or difference), and (S,) whether there is an answer.

    Where `ok` is False `fit_factors` would raise FitError (nothing varies, no scatter, no convergence); p is then 1, the
    estimate nan and the interval open.
    """

    estimate: np.ndarray
    low: np.ndarray
    high: np.ndarray
    p: np.ndarray
    ok: np.ndarray


@dataclass(frozen=True)
class Response:
    """Many responses of one kind on one design: `split` are its batches or None."""

    kind: str
    X: np.ndarray
    Y: np.ndarray
    split: linear.Strata | None
    offset: np.ndarray

    def fit(self, rows: np.ndarray, held: np.ndarray, values: np.ndarray, even: bool = False) -> linear.LinearFits:
        """Linear fits of the working responses of these rows of Y, with coefficients `held` (R, p) at `values`; `even`
        as in `castlab.analysis.models.linear.fit_many`."""
        kind = "log count" if self.kind == "count" and self.split is not None else self.kind
        precision = working.WEAK if kind == "grade" and held.any() else working.RIDGE
        apart = self.apart[rows] if kind == "log count" else None
        made = working.respond(kind, self.X, self.Y[rows], self.offset, held, values, precision, apart)
        found = linear.fit_many(
            self.X, made.line + made.left, self.split, made.weight, ASSURED[self.kind], made.grain, even
        )
        return replace(found, ok=found.ok & made.converged)

    @cached_property
    def apart(self) -> np.ndarray:
        """(S,) standard deviation of the log means of castings about their line, counts in batches: what the two strata make
        of it with nothing held, so that one value serves every test of a response."""
        held = np.zeros((len(self.Y), self.X.shape[1]))
        made = working.respond("log count", self.X, self.Y, self.offset, held > 0, held)
        found = linear.fit_many(self.X, made.line + made.left, self.split, made.weight, even=True)
        variance = found.phi + found.batch_variance * made.weight.mean(axis=1)
        return working.scatter(self.offset + made.line, variance)

    def free(self, rows: np.ndarray) -> linear.LinearFits:
        """The fits with nothing held."""
        shape = len(rows), self.X.shape[1]
        return self.fit(rows, np.zeros(shape, dtype=bool), np.zeros(shape))

    def around(self, rows: np.ndarray, coef: np.ndarray) -> linear.LinearFits:
        """The fits at these coefficients (R, p), which stay."""
        return replace(self.fit(rows, np.ones(coef.shape, dtype=bool), coef), coef=coef)

    def at(self, rows: np.ndarray, cols: np.ndarray, values: np.ndarray) -> linear.LinearFits:
        """The fits with one coefficient per row held at a value."""
        held = np.arange(self.X.shape[1]) == cols[:, None]
        return self.fit(rows, held, np.where(held, values[:, None], 0.0))

    def tests(self, cols: np.ndarray, null: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """p-values (S, q) of these coefficients being at `null` (q,), each held there, and (S,) whether all have one."""
        every = np.arange(len(self.Y))
        p, ok = np.empty((len(every), len(cols))), np.ones(len(every), dtype=bool)
        for k, col in enumerate(cols):
            fits = self.at(every, np.full(len(every), col), np.full(len(every), null[k]))
            t = (fits.coef[:, col] - null[k]) / np.sqrt(fits.variance[:, col])
            p[:, k] = 2 * stats.t.sf(np.abs(t), fits.df[:, col])
            ok &= fits.ok
        return p, ok


def analyse(
    kind: str,
    X: np.ndarray,
    Y: np.ndarray,
    codes: np.ndarray | None,
    cols: Sequence[int],
    null: float | Sequence[float] = 0.0,
    intervals: bool = True,
) -> Analysed:
    """Estimates, intervals and tests of some coefficients for many responses on one design.

    Parameters
    ----------
    kind : {"measure", "count", "pass", "grade"}
    X : (n, p) design matrix of full column rank, intercept first
    Y : (S, n) responses: measures, counts, 0 and 1, or grades 0, 1, ...
    codes : (n,) batch number 0, 1, ... or None
    cols : the columns of X to judge, q of them
    null : the value of each coefficient that p tests, 0 by default
    intervals : 95%; False leaves low and high nan, which is several times faster

    Returns
    -------
    Analysed

    Raises
    ------
    InputError
        For an unknown kind, or a design that leaves nothing to judge the effects by.

    Examples
    --------
    >>> import numpy as np
    >>> ladle, batch = np.tile([0.0, 1.0], 8), np.repeat([0, 1, 2, 3], 4)
    >>> X = np.column_stack([np.ones(16), ladle])
    >>> counts = np.random.default_rng(1).poisson(np.exp(2 - ladle), (3, 16)).astype(float)
    >>> found = analyse("count", X, counts, batch, [1])
    >>> (found.p[:, 0] < 0.05).tolist(), (found.high[:, 0] < 0).tolist()
    ([True, False, True], [True, False, True])
    """
    if kind not in ("measure", "count", "pass", "grade"):
        raise InputError(f"kind is {kind!r}; accepted: 'count', 'measure', 'grade', 'pass'")
    X, Y = np.asarray(X, dtype=float), np.asarray(Y, dtype=float)
    split = None if codes is None else linear.strata(X, np.asarray(codes))
    spare = len(X) - X.shape[1] if split is None else min(split.df_within, split.df_between)
    if spare <= 0:
        raise InputError("the design leaves nothing to judge the effects by; accepted: fewer columns or more castings")
    wanted = np.asarray(cols, dtype=int)
    values = np.broadcast_to(np.asarray(null, dtype=float), wanted.shape)
    parts = []
    with np.errstate(all="ignore"):
        for first in range(0, len(Y), CHUNK):
            part = Y[first : first + CHUNK]
            varies = np.ptp(part, axis=1) > 0
            found = _block(kind, X, part[varies], split, wanted, values, intervals)
            parts.append(_spread_out(found, varies))
    return Analysed(*(np.concatenate([getattr(part, name) for part in parts]) for name in Analysed.__annotations__))


def _spread_out(found: Analysed, where: np.ndarray) -> Analysed:
    """Results of some responses among all, the others without an answer."""
    usable = found.ok[:, None]
    blanks = (np.nan, -np.inf, np.inf, 1.0)
    arrays: list[np.ndarray] = []
    for blank, values in zip(blanks, (found.estimate, found.low, found.high, found.p), strict=True):
        whole = np.full((len(where), values.shape[1]), blank)
        whole[where] = np.where(usable, values, blank)
        arrays.append(whole)
    ok = np.zeros(len(where), dtype=bool)
    ok[where] = found.ok
    return Analysed(arrays[0], arrays[1], arrays[2], arrays[3], ok)


def _block(
    kind: str, X: np.ndarray, Y: np.ndarray, split: linear.Strata | None, cols: np.ndarray, null: np.ndarray,
    intervals: bool,
) -> Analysed:  # fmt: skip
    shape = len(Y), len(cols)
    if not len(Y):
        none = np.zeros(shape)
        return Analysed(none, none, none, none, np.zeros(0, dtype=bool))
    if kind == "measure":
        fits = linear.fit_many(X, Y, split)
        estimate, error, df = fits.coef[:, cols], np.sqrt(fits.variance[:, cols]), fits.df[:, cols]
        reach = stats.t.ppf((1 + LEVEL) / 2, df) * error
        p = 2 * stats.t.sf(np.abs(estimate - null) / error, df)
        return Analysed(estimate, estimate - reach, estimate + reach, p, fits.ok)
    if kind == "grade":
        Y = without_gaps(Y)
        two = Y.max(axis=1) == 1
        if two.any():
            return _some_pass(two, X, Y, split, cols, null, intervals)
    few = len(X) - X.shape[1] < FEW
    other = (kind, X, Y, split, cols, null, intervals)
    if kind == "pass" and (few or split is None) and not intervals:
        found = _passes(X, Y, split, cols, null)
        return found if split is None else _mended(found, ~found.ok, *other)
    likely = kind != "pass" and not intervals and not null.any()  # what a likelihood answers needs no other way
    if likely and split is None and not few:
        return _unbatched(kind, X, Y, cols)
    if (kind == "pass" and few) or (split is None and (kind == "pass" or not few)):
        return _one_by_one(*other)
    response = Response(kind, X, Y, split, np.zeros(len(X)))
    free = response.free(np.arange(len(Y)))
    suspect = ~free.ok | (np.abs(free.coef[:, 1:]).max(axis=1) > SUSPECT)
    if kind != "count":
        _keep_finite(free, response, np.flatnonzero(suspect))
        suspect = ~free.ok
    p, ok = response.tests(cols, null)
    estimate, low, high = free.coef[:, cols], np.full(shape, np.nan), np.full(shape, np.nan)
    odd = ~ok | suspect  # where a setting has no count at all `choose` takes another way
    if likely and kind == "count":
        return _with_reduced(Analysed(estimate, low, high, p, ok & free.ok), odd, X, Y, split, cols)
    usual = np.flatnonzero(~odd)
    if intervals and len(usual):
        rows, each = np.repeat(usual, len(cols)), np.tile(cols, len(usual))
        error = np.sqrt(free.variance[:, cols])
        reach = stats.t.ppf((1 + LEVEL) / 2, free.df[:, cols]) * error
        ends = limits(response, rows, each, estimate[usual].ravel(), reach[usual].ravel(), LEVEL)
        low[usual], high[usual] = (end.reshape(len(usual), -1) for end in ends)
    return _mended(Analysed(estimate, low, high, p, ok), odd, *other)


def _some_pass(
    two: np.ndarray, X: np.ndarray, Y: np.ndarray, split: linear.Strata | None, cols: np.ndarray, null: np.ndarray,
    intervals: bool,
) -> Analysed:  # fmt: skip
    """Grades where some responses use `two` only, which are passes and fails."""
    parts = [_block(kind, X, Y[rows], split, cols, null, intervals) for kind, rows in (("pass", two), ("grade", ~two))]
    whole = [np.empty((len(Y), *getattr(parts[0], name).shape[1:])) for name in Analysed.__annotations__]
    for rows, part in zip((two, ~two), parts, strict=True):
        for values, name in zip(whole, Analysed.__annotations__, strict=True):
            values[rows] = getattr(part, name)
    return Analysed(whole[0], whole[1], whole[2], whole[3], whole[4].astype(bool))


def _passes(X: np.ndarray, Y: np.ndarray, split: linear.Strata | None, cols: np.ndarray, null: np.ndarray) -> Analysed:
    """Tests of passes: read from what outcomes come about where castings are few, else likelihood ratios."""
    p, codes = np.empty((len(Y), len(cols))), None if split is None else split.codes
    for k, col in enumerate(cols):
        if len(X) - X.shape[1] < FEW:
            p[:, k] = passes.p_values(X, Y, codes, [int(col)], [float(null[k])])
        else:
            p[:, k] = passes.plain(X, Y, split, np.arange(X.shape[1]) == col, np.full(X.shape[1], null[k]))[0]
    if split is None:
        coef = passes.estimates(X, Y)
    else:
        response = Response("pass", X, Y, split, np.zeros(len(X)))
        free = response.free(np.arange(len(Y)))
        _keep_finite(free, response, np.flatnonzero(np.abs(free.coef[:, 1:]).max(axis=1) > SUSPECT))
        coef = free.coef
    blank = np.full(p.shape, np.nan)
    return Analysed(coef[:, cols], blank, blank, p, np.asarray(np.isfinite(p).all(axis=1)))


def _unbatched(kind: str, X: np.ndarray, Y: np.ndarray, cols: np.ndarray) -> Analysed:
    """Counts and grades without batches that are many enough to be judged by their likelihood."""
    from castlab.analysis.models import at_once

    estimate, p, ok = at_once.unbatched(kind, X, Y, cols)
    blank = np.full(p.shape, np.nan)
    return Analysed(estimate, blank, blank, p, ok)


def _keep_finite(free: linear.LinearFits, response: Response, rows: np.ndarray) -> None:
    """Put fits around a finite estimate in place of those of these grades or passes that have none: under a weak prior, or
    bias-reduced."""
    from castlab.analysis.models import at_once

    if len(rows) and (far := rows[at_once.ran_off("grade", response.X, response.Y[rows])]).size:
        finite = working.weakly if response.kind == "grade" else passes.reduced
        found = response.around(far, finite(response.X, response.Y[far]))
        for name in linear.LinearFits.__annotations__:
            getattr(free, name)[far] = getattr(found, name)


def _with_reduced(
    found: Analysed, odd: np.ndarray, X: np.ndarray, Y: np.ndarray, split: linear.Strata | None, cols: np.ndarray
) -> Analysed:
    """With the answers of those among the `odd` counts that have no finite estimate."""
    from castlab.analysis.models import at_once

    rows = np.flatnonzero(odd)
    rows = rows[at_once.ran_off("count", X, Y[rows])] if len(rows) else rows
    if len(rows):
        found.estimate[rows], found.p[rows], found.ok[rows] = at_once.reduced_counts(X, Y[rows], split, cols)
    return found


def _mended(
    found: Analysed, odd: np.ndarray, kind: str, X: np.ndarray, Y: np.ndarray, split: linear.Strata | None,
    cols: np.ndarray, null: np.ndarray, intervals: bool,
) -> Analysed:  # fmt: skip
    """With the `odd` responses analysed one by one."""
    if odd.any():
        other = _one_by_one(kind, X, Y[odd], split, cols, null, intervals)
        for name in Analysed.__annotations__:
            getattr(found, name)[odd] = getattr(other, name)
    return found


def _one_by_one(
    kind: str, X: np.ndarray, Y: np.ndarray, split: linear.Strata | None, cols: np.ndarray, null: np.ndarray,
    intervals: bool,
) -> Analysed:  # fmt: skip
    """Through `choose`, for what has no way for many at once; a null other than 0 is judged by the interval."""
    from castlab.analysis.models import choose

    shape = len(Y), len(cols)
    estimate, low, high, p = np.full((4, *shape), np.nan)
    ok = np.zeros(len(Y), dtype=bool)
    for i, y in enumerate(Y):
        try:
            model = choose.of_arrays(kind, X, y, None if split is None else split.codes).model
            estimate[i] = model.coef[cols]
            for k, col in enumerate(cols):
                if intervals or null[k] != 0:
                    low[i, k], high[i, k] = model.interval(int(col), LEVEL)
                p[i, k] = model.test([int(col)]).p if null[k] == 0 else float(low[i, k] <= null[k] <= high[i, k])
            ok[i] = True
        except FitError:
            continue
    return Analysed(estimate, low, high, p, ok)


def without_gaps(Y: np.ndarray) -> np.ndarray:
    """Each row's grades numbered 0, 1, ... without the grades that it does not use."""
    used = np.stack([np.equal(Y, grade).any(axis=1) for grade in range(int(Y.max()) + 1)], axis=1)
    place = np.cumsum(used, axis=1) - 1
    return np.take_along_axis(place, Y.astype(int), 1).astype(float)


def limits(
    response: Response, rows: np.ndarray, cols: np.ndarray, inner: np.ndarray, reach: np.ndarray, level: float
) -> tuple[np.ndarray, np.ndarray]:
    """Ends of the intervals that hold every value which the test of one coefficient does not reject.

    Parameters
    ----------
    rows, cols : (R,) which response, which coefficient
    inner, reach : (R,) estimate and half the width of its t interval, where the search starts
    level : of the interval

    Returns
    -------
    low, high : (R,), infinite where the test rejects no value on that side up to `FAR`
    """
    tail = (1 + level) / 2

    def depth(which: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Signed t over the critical t: 1 at the low end, -1 at the high end."""
        where = which % len(rows)
        fits = response.at(rows[where], cols[where], values)
        at = np.arange(len(which)), cols[where]
        t = (fits.coef[at] - values) / np.sqrt(fits.variance[at])
        return np.where(fits.ok, t / stats.t.ppf(tail, fits.df[at]), np.nan)

    sign = np.repeat([-1.0, 1.0], len(rows))
    with np.errstate(all="ignore"):
        ends = _ends(depth, np.tile(inner, 2), sign * np.tile(np.clip(reach, 1e-3, 3.0), 2), sign)
    return ends[: len(rows)], ends[len(rows) :]


def _ends(
    depth: Callable[[np.ndarray, np.ndarray], np.ndarray], inner: np.ndarray, step: np.ndarray, sign: np.ndarray
) -> np.ndarray:
    """Where the depth passes -sign, outwards of `inner`: steps out, then false position (Illinois)."""
    every = np.arange(len(inner))
    a, b = inner.copy(), inner + step
    fa, fb = np.full(len(inner), -1.0), np.empty(len(inner))
    fb[:] = -sign * depth(every, b) - 1
    for _ in range(_WIDENINGS):
        short = np.flatnonzero(((fb < -_CLOSE) & (sign * b < FAR)) | np.isnan(fb))
        if not len(short):
            break
        lost, width = np.isnan(fb[short]), np.abs(b[short] - inner[short])
        ahead = 1.1 * sign[short] * fb[short] * (b[short] - a[short]) / (fa[short] - fb[short])  # the line through both
        ahead = np.where(ahead > 0, np.clip(ahead, _SHORTEST * width, _LONGEST * width), _LONGEST * width)
        back = (a[short] + b[short]) / 2
        a[short], fa[short] = np.where(lost, a[short], b[short]), np.where(lost, fa[short], fb[short])
        b[short] = sign[short] * np.minimum(sign[short] * np.where(lost, back, b[short] + sign[short] * ahead), FAR)
        fb[short] = -sign[short] * depth(short, b[short]) - 1
    found = np.where(fb >= -_CLOSE, b, sign * np.inf)
    open_ = np.flatnonzero(fb > _CLOSE)
    side = np.zeros(len(inner))
    for _ in range(_REFINEMENTS):
        if not len(open_):
            break
        middle = b[open_] - fb[open_] * (b[open_] - a[open_]) / (fb[open_] - fa[open_])
        value = -sign[open_] * depth(open_, middle) - 1
        out = value > 0
        fa[open_] = np.where(out, np.where(side[open_] > 0, fa[open_] / 2, fa[open_]), value)
        fb[open_] = np.where(out, value, np.where(side[open_] < 0, fb[open_] / 2, fb[open_]))
        a[open_], b[open_] = np.where(out, a[open_], middle), np.where(out, middle, b[open_])
        side[open_] = np.where(out, 1, -1)
        found[open_] = middle
        done = (np.abs(value) < _CLOSE) | (np.abs(b[open_] - a[open_]) < 1e-9) | ~np.isfinite(value)
        open_ = open_[~done]
    return found
