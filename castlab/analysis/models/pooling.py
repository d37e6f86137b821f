"""Several fits of plausible true responses pooled into one (multiple imputation).

Estimates and variances are combined by Rubin (Multiple Imputation for Nonresponse in Surveys, 1987, section 3.1), with
the degrees of freedom of Satterthwaite (Biometrics Bulletin 2, 1946, 110-114; see `_small_sample`); several coefficients
are tested together by Li, Raghunathan and Rubin (JASA 86, 1991, 1065-1073). Each fit is asked only for its lines and
intervals, so any model can be pooled. How the plausible responses are drawn is in `castlab.analysis.models.imputation`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from scipy import stats

from castlab.analysis.models.answers import LEVEL, Model, Test, degrees

_INNER = 0.5
"""Second confidence level: how much wider the 95% interval is than this one tells the degrees of freedom."""
SOME = 5
"""Fits that are asked for the ends of their intervals, which can cost more than the fits."""


@dataclass(frozen=True)
class Combined:
    """Quantities combined over fits; one value per quantity."""

    estimate: np.ndarray
    variance: np.ndarray
    df: np.ndarray
    lost: np.ndarray
    """Share of the variance that comes from not knowing the true responses."""


def rubin(estimates: np.ndarray, variances: np.ndarray, df: np.ndarray | float = np.inf) -> Combined:
    """Combine estimates of the same quantities from m fits.

    Parameters
    ----------
    estimates, variances : (m, k)
        Estimate and squared standard error of each quantity in each fit.
    df : (k,) or float
        Degrees of freedom that the fits would have with the true responses known.

    Returns
    -------
    Combined
        Estimate, total variance, degrees of freedom and share lost, each (k,).

    Source: Rubin (1987), section 3.1; Satterthwaite (1946).

    Examples
    --------
    >>> import numpy as np
    >>> both = rubin(np.array([[1.0], [2.0], [3.0]]), np.array([[0.5], [0.5], [0.5]]), 20.0)
    >>> float(both.estimate[0]), round(float(both.variance[0]), 3)
    (2.0, 1.833)
    """
    m = len(estimates)
    within = variances.mean(axis=0)
    between = estimates.var(axis=0, ddof=1) * (1 + 1 / m)
    total = within + between
    with np.errstate(divide="ignore", invalid="ignore"):
        lost = np.where(total > 0, between / total, 0.0)
        drawn = (m - 1) / lost**2
    return Combined(estimates.mean(axis=0), total, _small_sample(drawn, lost, np.asarray(df, dtype=float)), lost)


def _small_sample(drawn: np.ndarray, lost: np.ndarray, df: np.ndarray) -> np.ndarray:
    """Degrees of freedom of the total variance, the sum of two mean squares (Satterthwaite).

    The variance within the fits is as sure as complete data would make it, less the share lost: (1 - lost) df degrees of
    freedom. The variance between them comes from the draws. In simulated castings the two hardly go together (correlations
    of -0.1 to 0.5), and the scatter of the total from run to run was that of this many degrees of freedom. Barnard and
    Rubin (Biometrika 86, 1999, 948-955) reckon with the two going fully together: (1 - lost) df for the total as well. With
    a handful of batches that made 95% intervals of per-batch settings hold 98 to 100%.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return 1 / (1 / drawn + (1 - lost) / df)


@dataclass(frozen=True)
class Pooled(Model):
    """Fits of several plausible sets of true responses, answering as one model.

    Intervals are pooled by Rubin's rule, each side as much longer or shorter as it typically is in the fits (`SOME` of
    them are asked): what is lopsided in every fit (profile likelihood, tests turned into intervals) stays so.
    """

    models: tuple[Model, ...]
    truths: np.ndarray = field(default_factory=lambda: np.empty((0, 0)), repr=False)
    """(draws, n) the plausible true responses."""
    shapes: dict[tuple[int, float], np.ndarray] = field(default_factory=dict, repr=False, compare=False)
    """How lopsided the interval of a coefficient is at a level, as squares of (below, above); found where it is asked for."""
    _singly: list[tuple[np.ndarray, ...]] = field(default_factory=list, repr=False, compare=False)

    @property
    def coef(self) -> np.ndarray:  # type: ignore[override]
        """The coefficients, (p,), the intercept first; on the scale of the line."""
        return np.mean([m.coef for m in self.models], axis=0)

    def interval(self, j: int, level: float = LEVEL) -> tuple[float, float]:
        low, high = self._sides(j, level)
        reach = (1 + level) / 2
        return (
            float(low.estimate[0] - stats.t.ppf(reach, low.df[0]) * np.sqrt(low.variance[0])),
            float(high.estimate[0] + stats.t.ppf(reach, high.df[0]) * np.sqrt(high.variance[0])),
        )

    def test(self, cols: Sequence[int]) -> Test:
        if len(cols) == 1:
            low, high = self._sides(cols[0], LEVEL)
            toward = low if low.estimate[0] > 0 else high  # the side that zero lies on
            if not np.isfinite(toward.variance[0]):
                toward = high if toward is low else low
            if not np.isfinite(toward.variance[0]):
                return Test(0.0, degrees(1, toward.df[0]), 1.0, "pooled F")
            statistic = float(toward.estimate[0] / np.sqrt(toward.variance[0]))
            df = float(toward.df[0])
            return Test(statistic**2, degrees(1, df), float(2 * stats.t.sf(abs(statistic), df)), "pooled F")
        return self._joint(list(cols))

    def line(self, rows: np.ndarray, level: float = LEVEL) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        estimates, variances, df = self._lines(rows)
        both = rubin(estimates, variances, df)
        reach = stats.t.ppf((1 + level) / 2, both.df) * np.sqrt(both.variance)
        return both.estimate, both.estimate - reach, both.estimate + reach

    def drawn(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        shares = [part.size for part in np.array_split(np.arange(draws), len(self.models))]
        return np.vstack([model.drawn(many, rng) for model, many in zip(self.models, shares, strict=True)])

    def lost(self, j: int) -> float:
        """Share of what could be known about coefficient j that not knowing the true responses costs."""
        return float(rubin(*self._of(j)).lost[0])

    def _of(self, j: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """As `_lines` for coefficient j; all of them are asked for at once."""
        if not self._singly:
            self._singly.append(self._lines(np.eye(len(self.coef))[1:]))
        estimates, variances, df = self._singly[0]
        return estimates[:, [j - 1]], variances[:, [j - 1]], df[[j - 1]]

    def _lines(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Estimate and variance of each row in each fit (m, rows), and the mean degrees of freedom (rows,)."""
        estimates, variances, inverse_df = [], [], []
        for model in self.models:
            middle, low, high = model.line(rows, LEVEL)
            _, inner_low, inner_high = model.line(rows, _INNER)
            with np.errstate(divide="ignore", invalid="ignore"):
                df = _df_of((high - low) / (inner_high - inner_low))
            estimates.append(middle)
            variances.append(((high - low) / (2 * stats.t.ppf((1 + LEVEL) / 2, df))) ** 2)
            inverse_df.append(1 / df)
        with np.errstate(divide="ignore"):
            return np.array(estimates), np.array(variances), 1 / np.mean(inverse_df, axis=0)

    def _sides(self, j: int, level: float) -> tuple[Combined, Combined]:
        """Coefficient j with the variance that its lower and its upper limits stand for."""
        values, variances, df = self._of(j)
        if (j, level) not in self.shapes:
            row = np.eye(len(self.coef))[[j]]
            some = self.models[:: max(1, len(self.models) // SOME)][:SOME]
            own = [m.line(row, level) for m in some]
            reach = np.array([[middle[0] - low[0], high[0] - middle[0]] for middle, low, high in own])
            lopsided = np.abs(np.array([m.interval(j, level) for m in some]) - [[m.coef[j]] for m in some]) / reach
            self.shapes[j, level] = np.median(lopsided, axis=0) ** 2
        below, above = self.shapes[j, level]
        return rubin(values, variances * below, df), rubin(values, variances * above, df)

    def _joint(self, cols: list[int]) -> Test:
        """Li, Raghunathan and Rubin's F with the degrees of freedom made small-sample as those of one coefficient."""
        q, m = len(cols), len(self.models)
        value = np.array([model.coef[cols] for model in self.models])
        within = np.mean([_covariance(model, cols) for model in self.models], axis=0)
        apart = value - value.mean(axis=0)
        between = apart.T @ apart / (m - 1)
        rise = (1 + 1 / m) * float(np.trace(np.linalg.solve(within, between))) / q
        middle = value.mean(axis=0)
        statistic = float(middle @ np.linalg.solve(within, middle)) / (q * (1 + rise))
        t = q * (m - 1)
        if rise <= 0:
            drawn = np.inf
        elif t > 4:
            drawn = 4 + (t - 4) * (1 + (1 - 2 / t) / rise) ** 2
        else:
            drawn = t * (1 + 1 / q) * (1 + 1 / rise) ** 2 / 2
        complete = min(float(self._of(j)[2][0]) for j in cols)
        lost = np.array(rise / (1 + rise))
        df = float(_small_sample(np.array(drawn), lost, np.array(complete)))
        p = stats.chi2.sf(q * statistic, q) if np.isinf(df) else stats.f.sf(statistic, q, df)
        return Test(statistic, degrees(q, df), float(p), "pooled F")


def _covariance(model: Model, cols: list[int]) -> np.ndarray:
    """Covariance of some coefficients, from the widths of the lines that combine them.

    The lines keep the intercept in, since a model with thresholds knows no line without its place.
    """
    k, size = len(cols), len(model.coef)
    pairs = [(a, b) for a in range(k) for b in range(a + 1, k)]
    rows = np.zeros((1 + 2 * k + len(pairs), size))
    rows[:, 0] = 1
    for a in range(k):
        rows[1 + 2 * a, cols[a]], rows[2 + 2 * a, cols[a]] = 1, -1
    for i, (a, b) in enumerate(pairs):
        rows[1 + 2 * k + i, [cols[a], cols[b]]] = 1
    _, low, high = model.line(rows, LEVEL)
    _, inner_low, inner_high = model.line(rows, _INNER)
    df = _df_of((high - low) / (inner_high - inner_low))
    variance = ((high - low) / (2 * stats.t.ppf((1 + LEVEL) / 2, df))) ** 2
    plus, minus = variance[1 : 1 + 2 * k : 2], variance[2 : 2 + 2 * k : 2]
    own = (plus + minus) / 2 - variance[0]
    with_start = (plus - minus) / 4
    found = np.diag(own)
    for i, (a, b) in enumerate(pairs):
        together = variance[1 + 2 * k + i] - variance[0] - own[a] - own[b] - 2 * (with_start[a] + with_start[b])
        found[a, b] = found[b, a] = together / 2
    return found


@lru_cache(maxsize=1)
def _widths() -> tuple[np.ndarray, np.ndarray]:
    """1 / df, and how much wider the 95% interval is than the inner one on t with that df."""
    inverse = np.linspace(1e-9, 1.0, 4001)
    return inverse, stats.t.ppf((1 + LEVEL) / 2, 1 / inverse) / stats.t.ppf((1 + _INNER) / 2, 1 / inverse)


def _df_of(ratio: np.ndarray) -> np.ndarray:
    """Degrees of freedom of intervals from the ratio of their widths at two levels; infinite where normal."""
    inverse, ratios = _widths()
    found = np.interp(np.nan_to_num(ratio, nan=ratios[0]), ratios, inverse)
    with np.errstate(divide="ignore"):
        return np.where(found < 1e-6, np.inf, 1 / np.maximum(found, 1e-12))
