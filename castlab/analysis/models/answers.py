"""A fitted model behind one small face: coefficients per design column, intervals, tests, and lines on the link scale.

`Wald` stands on estimates with a covariance (t and F); `Held` tests an effect with that effect held at the value tested,
and its intervals hold the values not rejected; `Profile` stands on a likelihood (profile intervals, likelihood-ratio
tests); `Few` reads those of few passes from what outcomes come about. Which one answers for which kind of response is
decided in `choose`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import stats

from castlab.analysis.models import many, passes
from castlab.analysis.models.likelihood import Likelihood, Maximum, profile_interval, ratio_statistic
from castlab.analysis.models.linear import LinearFit, LinearFits
from castlab.errors import FitError

LEVEL = many.LEVEL
UNLIMITED = 1e4
"""Degrees of freedom from which F is chi-square to four digits: told as without limit."""
LEFT_OUT = "the other factors could not be fitted with this effect left out; use fewer factors or levels"


@dataclass(frozen=True)
class Test:
    """One test of one or several coefficients."""

    statistic: float
    df: str
    p: float
    method: str


def degrees(q: int, df: float) -> str:
    """Numerator and denominator degrees of freedom of an F.

    Examples
    --------
    >>> degrees(1, 17.04), degrees(2, 1234.5), degrees(1, 3.7e8)
    ('1, 17', '2, 1234', '1, inf')
    """
    return f"{q}, {'inf' if df > UNLIMITED else f'{df:.3g}' if df < 1000 else f'{df:.0f}'}"


class Model:
    """Coefficients of the design matrix (intercept first) and what can be said about them."""

    coef: np.ndarray

    def interval(self, j: int, level: float = LEVEL) -> tuple[float, float]:
        """Interval of coefficient `j` at this level."""
        raise NotImplementedError

    def test(self, cols: Sequence[int]) -> Test:
        """Test that the coefficients of these columns are all 0."""
        raise NotImplementedError

    def line(self, rows: np.ndarray, level: float = LEVEL) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Estimate, lower and upper limit of rows @ coef."""
        raise NotImplementedError

    def uncertainty(self) -> tuple[np.ndarray, float]:
        """Covariance of the coefficients (p, p) and degrees of freedom, the median over the coefficients."""
        raise NotImplementedError

    def drawn(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Coefficients that are held possible, (draws, p): multivariate t around the estimates."""
        cov, df = self.uncertainty()
        values, vectors = np.linalg.eigh((cov + cov.T) / 2)
        root = vectors * np.sqrt(np.maximum(values, 0))
        wide = np.ones(draws) if np.isinf(df) else np.sqrt(df / rng.chisquare(df, draws))
        return np.asarray(self.coef + (rng.standard_normal((draws, len(cov))) @ root.T) * wide[:, None])


@dataclass(frozen=True)
class Wald(Model):
    """Estimates with covariance; t and F on the degrees of freedom of the fit (normal and chi-square where infinite)."""

    fit: LinearFit

    @property
    def coef(self) -> np.ndarray:  # type: ignore[override]
        """The coefficients, (p,), the intercept first; on the scale of the line."""
        return self.fit.coef

    def raised(self, more: float) -> Wald:
        """With lines that lie higher by this much."""
        coef = self.coef.copy()
        coef[0] += more
        return Wald(replace(self.fit, coef=coef))

    def interval(self, j: int, level: float = LEVEL) -> tuple[float, float]:
        _, low, high = self.line(np.eye(len(self.coef))[[j]], level)
        return float(low[0]), float(high[0])

    def test(self, cols: Sequence[int]) -> Test:
        statistic, q, df, p = self.fit.f_test(np.eye(len(self.coef))[list(cols)])
        if np.isinf(df):
            return Test(q * statistic, str(q), p, "Wald chi-square")
        return Test(statistic, degrees(q, df), p, "F")

    def line(self, rows: np.ndarray, level: float = LEVEL) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        middle = rows @ self.coef
        error = np.sqrt(np.einsum("ij,jk,ik->i", rows, self.fit.cov, rows))
        reach = np.array([stats.t.ppf((1 + level) / 2, self.fit.df(row)) for row in rows]) * error
        return middle, middle - reach, middle + reach

    def uncertainty(self) -> tuple[np.ndarray, float]:
        df = [self.fit.df(row) for row in np.eye(len(self.coef))[1:]]
        return np.asarray(self.fit.cov), float(np.median(df)) if df else np.inf


@dataclass(frozen=True)
class Based(Model):
    """Tests and intervals of its own over the estimates and lines of `base`."""

    base: Model

    @property
    def coef(self) -> np.ndarray:  # type: ignore[override]
        """The coefficients, (p,), the intercept first; on the scale of the line."""
        return self.base.coef

    def line(self, rows: np.ndarray, level: float = LEVEL) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return self.base.line(rows, level)

    def uncertainty(self) -> tuple[np.ndarray, float]:
        return self.base.uncertainty()


@dataclass(frozen=True)
class Held(Based):
    """Tests and intervals of `response` (one row) with the tested effect held at the value tested."""

    base: Wald
    response: many.Response
    _limits: dict[float, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict, repr=False, compare=False)
    _singly: list[LinearFits] = field(default_factory=list, repr=False, compare=False)

    def interval(self, j: int, level: float = LEVEL) -> tuple[float, float]:
        if level not in self._limits:
            cols = np.arange(1, len(self.coef))
            _, low, high = self.base.line(np.eye(len(self.coef))[1:], level)
            self._limits[level] = many.limits(self.response, 0 * cols, cols, self.coef[1:], (high - low) / 2, level)
        low, high = self._limits[level]
        return float(low[j - 1]), float(high[j - 1])

    def test(self, cols: Sequence[int]) -> Test:
        p = len(self.coef)
        if len(cols) == 1:  # all of them at once
            if not self._singly:
                each = np.arange(1, p)
                self._singly.append(self.response.at(0 * each, each, np.zeros(p - 1)))
            found, place = self._singly[0], cols[0] - 1
        else:
            held = np.isin(np.arange(p), list(cols))[None, :]
            found, place = self.response.fit(np.zeros(1, dtype=int), held, np.zeros((1, p))), 0
        if not found.ok[place]:
            raise FitError(LEFT_OUT)
        return Wald(found.one(place)).test(cols)


@dataclass(frozen=True)
class Profile(Model):
    """A maximised likelihood. `first` is the parameter that design column 1 maps to; `phi`, `df` widen for dispersion.

    With thresholds instead of an intercept, `anchor` is the threshold against which the line's place is uncertain.
    """

    likelihood: Likelihood
    best: Maximum
    first: int = 1
    phi: float = 1.0
    df: float = np.inf
    anchor: int | None = None

    @property
    def coef(self) -> np.ndarray:  # type: ignore[override]
        """The coefficients, (p,), the intercept first; on the scale of the line."""
        start = self.best.theta[:1] if self.first == 1 else np.zeros(1)
        return np.concatenate([start, self.best.theta[self.first :]])

    def _cut(self, level: float) -> float:
        return self.phi * float(stats.t.ppf((1 + level) / 2, self.df)) ** 2

    def interval(self, j: int, level: float = LEVEL) -> tuple[float, float]:
        return profile_interval(self.likelihood, self.best, j - 1 + self.first, self._cut(level))

    def test(self, cols: Sequence[int]) -> Test:
        q = len(cols)
        statistic = ratio_statistic(self.likelihood, self.best, [j - 1 + self.first for j in cols]) / self.phi
        if np.isinf(self.df):
            return Test(statistic, str(q), float(stats.chi2.sf(statistic, q)), "likelihood ratio")
        return Test(
            statistic / q,
            degrees(q, self.df),
            float(stats.f.sf(statistic / q, q, self.df)),
            "F of the likelihood ratio",
        )

    def line(self, rows: np.ndarray, level: float = LEVEL) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        variance = np.einsum("ij,jk,ik->i", rows, self.uncertainty()[0], rows)
        middle = rows @ self.coef
        reach = float(stats.t.ppf((1 + level) / 2, self.df)) * np.sqrt(variance)
        return middle, middle - reach, middle + reach

    def uncertainty(self) -> tuple[np.ndarray, float]:
        size = len(self.coef)
        place = np.zeros((size, len(self.best.theta)))
        place[1:, self.first :] = np.eye(size - 1)
        place[0, 0 if self.anchor is None else self.anchor] = 1 if self.anchor is None else -1
        return self.phi * place @ self.best.cov @ place.T, float(self.df)


@dataclass(frozen=True)
class Few(Based):
    """Few castings that pass or fail, (n, p) design, (n,) passes and batches: the tests of `base` are read from what
    outcomes come about, and intervals hold the values that these do not reject."""

    X: np.ndarray
    y: np.ndarray
    codes: np.ndarray | None
    quick: bool = False
    """Tests on fewer outcomes."""

    def interval(self, j: int, level: float = LEVEL) -> tuple[float, float]:
        _, low, high = self.base.line(np.eye(len(self.coef))[[j]], level)
        reach = float(np.clip((high[0] - low[0]) / 2, 0.2, 3.0))
        return passes.interval(self.X, self.y, self.codes, j, float(self.coef[j]), reach, level)

    def test(self, cols: Sequence[int]) -> Test:
        known = self.base.test(cols)
        null = [0.0] * len(cols)
        if self.quick:
            p = passes.alone(self.X, self.y, self.codes, cols, null)
        else:
            p = float(passes.p_values(self.X, self.y[None, :], self.codes, cols, null)[0])
        if np.isnan(p):
            raise FitError(LEFT_OUT)
        return Test(known.statistic, known.df, p, f"{known.method}, mid-p over the outcomes")
