"""Weighted linear model with one random effect (the batch), for one response or many at once, with tests that are honest
in small samples.

z = X b + batch + error, error variance phi / w. Without batches this is weighted least squares with t and F. With batches
the castings are split into two strata, as in the split-plot analysis of variance (Yates, Journal of the Royal Statistical
Society Suppl. 2, 1935, 181-247): differences within batches, whose scatter gives phi, and batch means, whose scatter about
what was set per batch gives the variance of a batch mean. An effect that draws on both is judged on both, with the degrees
of freedom of Satterthwaite (Biometrics Bulletin 2, 1946, 110-114), put right for few batches (`spare`), and, for several
coefficients at once, the F of Kenward and Roger (Biometrics 53, 1997, 983-997). Batch means that are unsure because
slopes within batches are (a setting that differs much between batches and little within) count the less for it in the
mean square: a temperature that castings of a batch all but share is judged as a regression of the batch means. Where it
tells as much within batches as between them, four batches that differ much still see it in 7 to 9%. For balanced data all
of it is the classical analysis of variance, and exact.

Why not REML throughout: with four or five batches of unequal size, Kenward and Roger's test of a per-batch factor rejects
far from 5% even for normal data (0 to 2% with the batch variance held above zero, 0 to 8% without), because the likelihood
ends where the larger batches' means would have no variance. The mean square of the batch means has no such end. In 16
castings in 4 even batches, with two settings that are not balanced over them, Kenward and Roger's test (lmerTest 3.1-3 with
pbkrtest 0.5.2 and lme4 1.1-31, R 4.2.2; 800 fits each) rejects in 0, 1 and 4.5% where batches scatter 0, 0.5 and 1.5 times as
much as castings, Satterthwaite's in 3, 6 and 7.5%, this one in 4.9, 5.6 and 5.0% (10,000 fits). REML is
kept for the weights of the estimate, so that estimates are those of a mixed model; for the weights alone the batch
variance is taken to be at least the castings' own, because few batches say too little of how far their means may be
trusted to help with what was set per casting.

Everything is a combination of X'WX and the batch sums S_i = X_i'w_i, so the cost does not grow with batch size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from castlab.errors import FitError

_MOST = 12.0
"""Upper end of the search range of log(1 + lambda s), s the largest batch's weight: the variance of a batch mean over what
chance alone would make it."""
_GRID, _STEPS, _CLOSE = 16, 10, 1e-7
_TOGETHER = 100
LEAST_RATIO = 1.0
"""Least batch variance over casting variance, at the mean weight, in the weights of the estimates."""
_LEAST_SCALE = 1e-12
_ALIKE = 1e6
"""So far above what slopes add that all batch means count alike; that orders outcomes of passes better."""
_Z2 = float(stats.norm.ppf(0.975)) ** 2
_CUBE = 4 * (3 + 5 * _Z2 + _Z2**2) / (3 * (1 + _Z2))
_SQUARE = 2 * (3 + 7 * _Z2 + 2 * _Z2**2) / (3 * (1 + _Z2))
"""Of the second term of Welch's series at 5%, as a term of 1 / degrees of freedom; see `spare`."""
AGAIN = 2.0
"""How often that term is taken. Once is right for many degrees of freedom; with 2 or 3 the terms left out are of the same sign
and size. Twice, a test's 5% are 4.5 to 5.7% whichever the ratio, from 2 degrees of freedom here and 7 there (once 4.5 to
6.3%, without the term 4.5 to 7.5%), by integration over both mean squares."""

NO_SCATTER = (
    "the castings fit the factors without any scatter, so there is nothing to judge the effects by; "
    "check that every casting was read for itself, use fewer factors or make more castings"
)
NO_BATCHES_LEFT = (
    "the factors leave no batches to judge them by; use fewer factors that are set per batch, or make more batches"
)


@dataclass(frozen=True)
class Strata:
    """How castings lie in batches, and which directions of the design matrix differ within batches."""

    codes: np.ndarray
    order: np.ndarray
    starts: np.ndarray
    sizes: np.ndarray
    turn: np.ndarray
    """(p, p) rotation of the columns: first those that differ within batches, then those that are constant there."""
    inside: int
    """How many differ within."""
    set_per_batch: np.ndarray
    """(batches, columns) orthonormal basis of what was set per batch."""

    def off(self, means: np.ndarray) -> np.ndarray:
        """Batch means (..., batches, columns) off what was set per batch."""
        return means - self.set_per_batch @ (self.set_per_batch.T @ means)

    @property
    def df_within(self) -> int:
        """Degrees of freedom of the scatter within batches."""
        return len(self.codes) - len(self.sizes) - self.inside

    @property
    def df_between(self) -> int:
        """Degrees of freedom of the scatter between batches."""
        return len(self.sizes) - (len(self.turn) - self.inside)


def strata(X: np.ndarray, codes: np.ndarray) -> Strata:
    """Split the design (n, p) by batches `codes` (n,) numbered 0, 1, ..."""
    sizes = np.bincount(codes)
    order = np.argsort(codes, kind="stable")
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    means = np.add.reduceat(X[order], starts) / sizes[:, None]
    _, singular, turn = np.linalg.svd(X - means[codes], full_matrices=len(X) < X.shape[1])
    inside = int(np.sum(singular > 1e-9 * max(1.0, singular[0])))
    basis, size, _ = np.linalg.svd(means @ turn[inside:].T, full_matrices=False)
    return Strata(codes, order, starts, sizes, turn.T, inside, basis[:, size > 1e-15 * max(size, default=0.0)])


@dataclass(frozen=True)
class LinearFits:
    """Fits of many responses: (S, p) coefficients, and the parts of their covariance that each stratum gives."""

    coef: np.ndarray
    within: np.ndarray
    between: np.ndarray
    df_within: np.ndarray
    df_between: np.ndarray
    phi: np.ndarray
    batch_variance: np.ndarray
    raised: np.ndarray
    """(S,) by how much `between` is raised for `df_in_order`."""
    ok: np.ndarray
    """False where no scatter is left to judge the effects by."""

    @property
    def variance(self) -> np.ndarray:
        """(S, p) variances of the coefficients."""
        return np.diagonal(self.within + self.between, axis1=1, axis2=2)

    @property
    def df(self) -> np.ndarray:
        """(S, p) degrees of freedom of the coefficients."""
        return self._degrees(1.0, AGAIN)

    @property
    def df_in_order(self) -> np.ndarray:
        """(S, p) degrees of freedom for an order of outcomes: Satterthwaite's, with batches taken to scatter at least midway
        to what their castings would make of it. Few batches that lie close together by luck are else left out of them, and
        such outcomes thought more telling than they are."""
        return self._degrees(self.raised[:, None], 0.0)

    def _degrees(self, raised: np.ndarray | float, again: float) -> np.ndarray:
        inner = np.diagonal(self.within, axis1=1, axis2=2)
        outer = np.diagonal(self.between, axis1=1, axis2=2) * raised
        return np.asarray(spare(inner, outer, self.df_within[:, None], self.df_between[:, None], again))

    def one(self, i: int = 0) -> LinearFit:
        """One of the fits on its own."""
        return LinearFit(
            self.coef[i], self.within[i] + self.between[i], float(self.phi[i]), float(self.batch_variance[i]),
            float(self.df_within[i]), self.between[i], float(self.df_between[i]),
        )  # fmt: skip


@dataclass(frozen=True)
class LinearFit:
    """Coefficients with a small-sample covariance; error variance `phi` / weight.

    `between` is the part of the covariance that rests on the scatter of batch means, with `between_df`.
    """

    coef: np.ndarray
    cov: np.ndarray
    phi: float
    batch_variance: float
    residual_df: float
    between: np.ndarray | None = None
    between_df: float = np.inf

    def df(self, row: np.ndarray) -> float:
        """Denominator degrees of freedom of one linear combination."""
        if self.between is None:
            return self.residual_df
        outer = row @ self.between @ row
        inner = row @ self.cov @ row - outer
        return float(spare(inner, outer, self.residual_df, self.between_df))

    def f_test(self, rows: np.ndarray) -> tuple[float, int, float, float]:
        """F, numerator df, denominator df and p-value of rows @ coef = 0."""
        rows = np.atleast_2d(rows)
        estimate, q = rows @ self.coef, len(rows)
        wald = float(estimate @ np.linalg.solve(rows @ self.cov @ rows.T, estimate)) / q
        scale, df = 1.0, self.residual_df
        if self.between is not None:
            scale, df = (1.0, self.df(rows[0])) if q == 1 else self._several(self.between, rows)
        statistic = max(0.0, scale * wald)
        p = stats.chi2.sf(q * statistic, q) if np.isinf(df) else stats.f.sf(statistic, q, df)
        return statistic, q, df, float(p)

    def _several(self, between: np.ndarray, rows: np.ndarray) -> tuple[float, float]:
        """Scale of F and denominator df (Kenward and Roger 1997, section 3), from the two independent mean squares. The df
        are put right (`spare`) as those of one coefficient that draws on both as these do together; once is enough here."""
        q = len(rows)
        middle = rows.T @ np.linalg.solve(rows @ self.cov @ rows.T, rows)
        parts = [(middle @ between, self.between_df), (middle @ (self.cov - between), self.residual_df)]
        a1 = sum(2 / df * np.trace(part) ** 2 for part, df in parts)
        a2 = sum(2 / df * np.trace(part @ part) for part, df in parts)
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        c = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / c, (q - g) / c, (q + 2 - g) / c
        mean = 1 / (1 - a2 / q)
        spread = (2 / q) * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
        rho = spread / (2 * mean**2)
        df = 4 + (q + 2) / (q * rho - 1)
        if not np.isfinite(df) or df <= 2 or mean <= 0:  # outside the approximation: the least df of the single rows
            return 1.0, min(self.df(row) for row in rows)
        share = np.trace(parts[0][0]) / q
        mixed = 1 - share, share, self.residual_df, self.between_df
        right = float(spare(*mixed, again=1) / spare(*mixed, again=0))
        return float(df / (mean * (df - 2))), right * float(min(df, self.residual_df + self.between_df))


def spare(inner, outer, df_inner, df_outer, again=AGAIN):  # type: ignore[no-untyped-def]
    """Degrees of freedom of the sum of two independent mean squares (arrays or numbers).

    Satterthwaite's are the first term of Welch's series (Biometrika 34, 1947, 28-35; carried on by Aspin, 35, 1948, 88-96),
    which makes a test keep its 5% whichever the ratio of the two. Alone they are too many where the mean square with few
    degrees of freedom counts most, and comes out small by luck: with 2 of batches and 9 of castings such a test sees 7%.
    Here is the term after it as well, `again` times.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = ((outer / (inner + outer), df_outer), (inner / (inner + outer), df_inner))
        first = sum(share**2 / df for share, df in parts)
        next_ = sum((_CUBE * share - 2) * share**2 / df**2 for share, df in parts) - _SQUARE * first**2
        most = np.maximum(1 / df_inner, 1 / df_outer)
        return 1 / np.clip(first + again * next_, 1 / (df_inner + df_outer), most)


def fit(X: np.ndarray, z: np.ndarray, codes: np.ndarray | None, weights: np.ndarray | None = None) -> LinearFit:
    """Fit one response.

    Parameters
    ----------
    X : (n, p) design matrix of full column rank
    z : (n,) response or working response
    codes : (n,) batch number 0, 1, ... or None
    weights : (n,) error variance is phi / weights; equal by default

    Raises
    ------
    FitError
        If no degrees of freedom, or no scatter at all, are left to judge the effects by.

    Examples
    --------
    >>> import numpy as np
    >>> warm, batch = np.repeat([0.0, 1.0, 0.0, 1.0], 2), np.repeat([0, 1, 2, 3], 2)
    >>> found = fit(np.column_stack([np.ones(8), warm]), np.array([1.0, 3, 4, 6, 2, 4, 5, 7]), batch)
    >>> found.coef.round(2).tolist(), round(found.df(np.array([0.0, 1.0])), 3)
    ([2.5, 3.0], 2.0)
    """
    n, p = X.shape
    split = None if codes is None else strata(X, codes)
    if n - p <= 0 or (split is not None and split.df_within <= 0):
        raise FitError(
            f"{n} castings cannot carry {p} coefficients and leave something to judge them by; use fewer factors"
        )
    if split is not None and split.df_between <= 0:
        raise FitError(NO_BATCHES_LEFT)
    found = fit_many(X, z[None, :], split, None if weights is None else weights[None, :])
    if not found.ok[0]:
        raise FitError(NO_SCATTER)
    return found.one()


def fit_many(
    X: np.ndarray, Z: np.ndarray, split: Strata | None, W: np.ndarray | None = None, assured: float = 0.0,
    grain: np.ndarray | None = None, even: bool = False, chance: float = 0.0,
) -> LinearFits:  # fmt: skip
    """Fit many responses on one design.

    Parameters
    ----------
    X : (n, p) design matrix of full column rank
    Z : (S, n) responses
    split : the batches, from `strata`, or None; it must leave degrees of freedom in both strata
    W : (S, n) weights; equal by default
    assured : how far the scatter of a casting is known to be 1 / weight, as that of a pass or fail is from its chance:
        this share of it is taken for granted, the rest from the castings, which gives df / (1 - assured)^2 degrees of
        freedom (Satterthwaite). Known is n / (n - p + 1) of it, since p - 1 coefficients are fitted where one is held
        (for two groups the n - 1 of E. S. Pearson, Biometrika 34, 1947, 139-167). Castings then need not scatter to
        be judged
    grain : (S, n) where `assured`, how far apart neighbouring outcomes of a casting lie, squared, in Z times W; 1 by
        default, as passes and fails do
    even : True leaves out REML, which takes most of the time, as if batches did not scatter beyond their castings; the
        weights of unequal batches are then less good, the judging is the same
    chance : degrees of freedom with which the scatter of batch means is taken to be what that of their castings makes it,
        beside those of the batches; where `assured`, instead of what rounding leaves
    """
    many, (n, p) = len(Z), X.shape
    W = np.ones_like(Z) if W is None else W
    full = np.concatenate([np.broadcast_to(X, (many, n, p)), Z[:, :, None]], axis=2)
    weighted = W[:, :, None] * full
    total = _t(full) @ weighted
    if split is None:
        inverse, coef, rss = _solve(total, p)
        phi, df = _casting(rss, n, p, n - p, assured)
        zero, ok = np.zeros((many, p, p)), (assured > 0) | (rss > 1e-12 * total[:, p, p])
        return LinearFits(
            coef, phi[:, None, None] * inverse, zero, df, np.full(many, np.inf), phi, np.zeros(many), np.ones(many), ok
        )
    sums = np.add.reduceat(weighted[:, split.order], split.starts, axis=1)
    s = np.add.reduceat(W[:, split.order], split.starts, axis=1)
    lam = np.zeros(many) if even else _reml(total, sums, s, n, p)
    steps = s if grain is None else np.add.reduceat((grain * W)[:, split.order], split.starts, axis=1)
    return _two_strata(lam, total, sums, s, split, W.mean(axis=1), assured, steps, chance)


def _casting(rss: np.ndarray, n: int, p: int, df: int, assured: float) -> tuple[np.ndarray, np.ndarray]:
    """The scatter of a casting of weight 1, and its degrees of freedom."""
    phi = assured * n / (n - p + 1) + (1 - assured) * np.maximum(rss, 0) / df
    return phi, np.full(len(rss), np.inf if assured == 1 else df / (1 - assured) ** 2)


def _two_strata(
    lam: np.ndarray, total: np.ndarray, sums: np.ndarray, s: np.ndarray, split: Strata, level: np.ndarray,
    assured: float, steps: np.ndarray, chance: float,
) -> LinearFits:  # fmt: skip
    """`lam`: batch variance over phi; `level`: mean weight; `steps`: weights times grain, summed over each batch."""
    n, p = len(split.codes), len(split.turn)
    means = sums / s[:, :, None]
    inner = total - _t(sums) @ means  # sums of squares and products within batches
    q, df_within, df_between = split.inside, split.df_within, split.df_between
    turn = split.turn[:, :q]
    turned, target = turn.T @ inner[:, :p, :p] @ turn, (turn.T @ inner[:, :p, p:])[:, :, 0]
    blur = np.linalg.inv(turned)  # phi times this: covariance of the coefficients within
    slope = (blur @ target[:, :, None])[:, :, 0]
    rss = inner[:, p, p] - np.sum(target * slope, axis=1)
    phi, judged = _casting(rss, n, p, df_within, assured)

    # Batch means, off what the castings within batches already explain, about what was set per batch
    moved = split.off(means[:, :, :p] @ turn)
    left = (split.off(means[:, :, p:]) - moved @ slope[:, :, None])[:, :, 0]
    trust = np.maximum(lam, LEAST_RATIO / level)
    # The direction in which slopes within batches leave them unsure counts less, by the square of the share that batches
    # have there: what is left of it is the slope's own error, which tells nothing of how batches scatter. A setting that is
    # nearly the same in all castings of a batch is so judged as one that is the same.
    usual = np.mean(trust[:, None] + 1 / s, axis=1)[:, None, None] * (_ALIKE if chance else 1)
    over = _t(moved) @ moved
    once = np.linalg.inv(usual * turned + over)
    less = 2 * once - once @ over @ once
    along = _t(moved) @ left[:, :, None]
    error = usual**2 * once @ turned @ once
    trace, square = _shape(lam[:, None] + 1 / s, split.set_per_batch, moved, less, over, error)
    effective = trace**2 / square
    scale = (np.sum(left**2, axis=1) - (_t(along) @ less @ along)[:, 0, 0]) / trace
    expected = np.mean(lam[:, None] + 1 / s, axis=1)
    apart = np.maximum(scale * expected - phi * np.mean(1 / s, axis=1), 0)
    scale = (df_between * scale + chance) / (df_between + chance)
    if assured:  # few outcomes: no less than rounding leaves (Sheppard), no more than if a batch were one casting
        least = 0.0 if chance else np.mean(steps / (12 * s**3), axis=1)
        scale = np.clip(scale, least / expected, np.mean(split.sizes / s, axis=1) / expected)

    _, _, coef, inverse, _ = _criterion(trust, total, sums, s, n, p)
    pull = s / (1 + trust[:, None] * s)
    rows = means[:, :, :p]
    spread = _t(rows) @ (rows * (pull**2 * (lam[:, None] + 1 / s))[:, :, None])
    between = scale[:, None, None] * (inverse @ spread @ inverse)
    within = phi[:, None, None] * (inverse @ inner[:, :p, :p] @ inverse)
    seen = 1e-12 * np.maximum(total[:, p, p], 1e-300)
    ok = (assured > 0) | (rss > seen) & (np.sum(left**2, axis=1) * s.mean(axis=1) > seen)
    raised = np.maximum(1, (1 + phi / np.maximum(scale, _LEAST_SCALE * phi)) / 2)
    return LinearFits(coef, within, between, judged, effective, phi, apart, raised, ok)


def _shape(
    variance: np.ndarray, basis: np.ndarray, moved: np.ndarray, less: np.ndarray, over: np.ndarray, error: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Trace of P V and of (P V)^2: V = R diag(variance) R + moved blur moved' is the covariance of `left`, R the projector off
    `basis`, P = R - moved less moved', `over` = moved' moved and `error` = (1 - less over) blur. None of these is written out,
    since batches may be many."""
    held = basis.T @ (variance[:, :, None] * basis)
    lever = np.sum(basis**2, axis=1)
    own = variance[:, :, None] * moved
    across = basis.T @ own
    once, twice = _t(moved) @ own, _t(own) @ own - _t(across) @ across
    taken, added = less @ once, error @ over
    trace = variance @ (1 - lever) - _trace(taken) + _trace(added)
    square = variance**2 @ (1 - 2 * lever) + np.sum(held**2, axis=(1, 2))
    square += 2 * _trace(error @ once) - 2 * _trace(less @ twice)
    square += _trace(taken @ taken) - 2 * _trace(added @ taken) + _trace(added @ added)
    return trace, square


def _trace(blocks: np.ndarray) -> np.ndarray:
    return np.asarray(np.trace(blocks, axis1=1, axis2=2))


def _t(blocks: np.ndarray) -> np.ndarray:
    return np.swapaxes(blocks, -1, -2)


def _solve(m: np.ndarray, p: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    inverse = np.linalg.inv(m[:, :p, :p])
    coef = (inverse @ m[:, :p, p:])[:, :, 0]
    return inverse, coef, np.maximum(m[:, p, p] - np.sum(m[:, :p, p] * coef, axis=1), 0)


def _criterion(
    lam: np.ndarray, total: np.ndarray, sums: np.ndarray, s: np.ndarray, n: int, p: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Restricted deviance at batch variance lam * phi, its slope in lam, coefficients, their covariance / phi, and rss."""
    shrink = 1 + lam[:, None] * s
    m = total - _t(sums) @ (sums * (lam[:, None] / shrink)[:, :, None])
    inverse, coef, rss = _solve(m, p)
    rss = np.maximum(rss, 1e-300)
    value = np.log(shrink).sum(axis=1) + np.linalg.slogdet(m[:, :p, :p])[1] + (n - p) * np.log(rss)
    left = sums[:, :, p] - (sums[:, :, :p] @ coef[:, :, None])[:, :, 0]
    known = np.sum((sums[:, :, :p] @ inverse) * sums[:, :, :p], axis=2)
    slope = np.sum(s / shrink - known / shrink**2, axis=1) - (n - p) * np.sum((left / shrink) ** 2, axis=1) / rss
    return value, slope, coef, inverse, rss


def _reml(total: np.ndarray, sums: np.ndarray, s: np.ndarray, n: int, p: int) -> np.ndarray:
    """The ratio of variances, at least 0, where the restricted likelihood is largest: a grid, then false position."""
    largest, many = s.max(axis=1), len(total)
    grid = np.linspace(0, _MOST, _GRID)

    def at(t: np.ndarray, rows: np.ndarray | slice = slice(None)) -> tuple[np.ndarray, np.ndarray]:
        value, slope, *_ = _criterion(np.expm1(t) / largest[rows], total[rows], sums[rows], s[rows], n, p)
        return value, slope * np.exp(t)

    if many <= _TOGETHER:  # few responses: all points in one call
        every = [np.repeat(part, _GRID, axis=0) for part in (largest, total, sums, s)]
        lam = np.expm1(np.tile(grid, many)) / every[0]
        value, slope, *_ = _criterion(lam, every[1], every[2], every[3], n, p)
        values, slopes = value.reshape(many, _GRID), slope.reshape(many, _GRID) * np.exp(grid)
    else:
        values, slopes = (np.stack(each, axis=1) for each in zip(*(at(np.full(many, t)) for t in grid), strict=True))
    best, row = np.argmin(values, axis=1), np.arange(many)
    step = np.where(slopes[row, best] > 0, -1, 1)
    other = np.clip(best + step, 0, _GRID - 1)
    low, high = np.minimum(best, other), np.maximum(best, other)
    lower, upper, below, above = grid[low], grid[high], slopes[row, low], slopes[row, high]
    inside = (below < 0) & (above > 0)
    middle, side = grid[best], np.zeros(many)
    for _ in range(_STEPS):
        open_ = np.flatnonzero(inside)
        if not len(open_):
            break
        a, b, fa, fb, before = (part[open_] for part in (lower, upper, below, above, side))
        new = b - fb * (b - a) / (fb - fa)
        found = at(new, open_)[1]
        up = found > 0
        inside[open_] = np.abs(new - middle[open_]) > _CLOSE
        lower[open_], upper[open_], middle[open_] = np.where(up, a, new), np.where(up, new, b), new
        below[open_] = np.where(up, np.where(before > 0, fa / 2, fa), found)
        above[open_] = np.where(up, found, np.where(before < 0, fb / 2, fb))
        side[open_] = np.where(up, 1, -1)
    return np.expm1(middle) / largest
