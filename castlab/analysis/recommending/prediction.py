"""The next casting: how far one part may lie from what is expected of many.

A single casting differs from the mean by three things: the mean is known only so well, the next batch differs from the
others, and castings of one batch differ. The last two are estimated here, on the scale of the fit's line, from what the
fit leaves over: two quadratic forms of the residuals are set equal to what they are expected to be (unbiased estimation
of variance components; Searle, Casella and McCulloch, Variance Components, 1992, chapter 5; the analysis of variance
estimates where the data are balanced). A variance that comes out below zero counts as zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special, stats

from castlab.analysis.fit import FactorFit
from castlab.analysis.models import grade_fit
from castlab.analysis.reading import kinds
from castlab.errors import InputError

SEED = 20240229
DRAWS = 199
"""Values of the expected response, spread over what the fit holds possible."""
CASTINGS = 400
"""Castings simulated at each of them."""
_EDGE = 1e-9
"""So far above a limit a whole number still counts as at it; less than `chances._JUST`, which takes it off again."""
_LEAST = 1e-3
"""Information of a casting below which its working weight is not taken."""
_LOGIT_TO_MARGINAL = 16 * np.sqrt(3) / (15 * np.pi)
"""Zeger, Liang and Albert, Biometrics 44, 1988, 1049-1060: scatter on the logit scale flattens the mean by this."""
BEYOND = "This lies outside what was tried: the numbers hold only if the trend goes on there, which no casting shows."
APART = "No casting came near this combination of settings: the numbers rest on effects adding up."
_MOST_ROWS = 1500
"""Beyond so many castings the degrees of freedom of the scatter are taken from the batches alone."""


@dataclass(frozen=True)
class Scatter:
    """Variances on the scale of the line (log for counts, logit for grades and pass): of castings in one batch, beyond
    what chance makes of whole numbers, and between batches; `df` says how well their sum is known."""

    within: float
    between: float
    df: float
    cuts: np.ndarray
    """Grades: where the line passes from one grade to the next; empty for other kinds."""


def scatter(fit: FactorFit) -> Scatter:
    """How castings of one batch, and batches, scatter around what the fit expects."""
    X = fit._design.X
    eta = X @ fit._chosen.model.coef
    y = fit._castings.y
    codes = None if fit.batch is None else pd.factorize(fit.data[fit.batch])[0]
    cuts = np.zeros(0)
    cuts = _cuts(eta, y, len(fit._castings.grades)) if fit.kind == "grade" else cuts
    chance = _chance(fit, eta, cuts, _exposure(fit))
    if fit.kind == "measure":
        z = y
    elif fit.kind == "count":
        z = eta + (y - np.exp(eta) * _exposure(fit)) * chance
    elif fit.kind == "pass":
        z = eta + (y - special.expit(eta)) * chance
    else:
        z = eta + _slope(_below(cuts, eta))[np.arange(len(y)), y.astype(int)] * chance
    within, between, df = components(X, z, chance, codes, free=fit.kind in ("measure", "count"))
    return Scatter(within, between, df, cuts)


def chance_variance(fit: FactorFit, known: Scatter, eta: np.ndarray) -> np.ndarray:
    """What chance alone makes of one casting where the line is `eta`, on its scale: 0 for measures."""
    return _chance(fit, eta, known.cuts, np.ones(len(eta)))


def _chance(fit: FactorFit, eta: np.ndarray, cuts: np.ndarray, exposure: np.ndarray) -> np.ndarray:
    if fit.kind == "measure":
        return np.zeros(len(eta))
    if fit.kind == "count":
        return np.asarray(1 / (np.exp(eta) * exposure))
    if fit.kind == "pass":
        mean = special.expit(eta)
        return np.asarray(1 / np.maximum(mean * (1 - mean), _LEAST))
    below = _below(cuts, eta)
    return np.asarray(1 / np.maximum(np.sum(np.diff(below, axis=-1) * _slope(below) ** 2, axis=-1), _LEAST))


def _slope(below: np.ndarray) -> np.ndarray:
    """How the log chance of each grade changes along the line."""
    return below[..., 1:] + below[..., :-1] - 1


def _exposure(fit: FactorFit) -> np.ndarray:
    if fit.exposure is None:
        return np.ones(fit.n)
    values = kinds.numbers(fit.data[fit.exposure])
    return values / values.mean()


def _cuts(eta: np.ndarray, y: np.ndarray, grades: int) -> np.ndarray:
    """Thresholds at which the expected number of castings up to each grade is what was seen."""
    from scipy import optimize

    edge = 40 + float(np.abs(eta).max())
    return np.array(
        [
            optimize.brentq(lambda cut, share=share: float(special.expit(cut - eta).mean() - share), -edge, edge)
            for share in [np.clip(np.mean(y <= k), 1e-3, 1 - 1e-3) for k in range(grades - 1)]
        ]
    )


def _below(cuts: np.ndarray, eta: np.ndarray) -> np.ndarray:
    """Chance of grades up to each, with 0 in front and 1 behind, over the last axis."""
    inside = special.expit(cuts - np.asarray(eta)[..., None])
    side = np.ones((*inside.shape[:-1], 1))
    return np.concatenate([0 * side, inside, side], axis=-1)


def components(
    X: np.ndarray, z: np.ndarray, chance: np.ndarray, codes: np.ndarray | None, *, free: bool
) -> tuple[float, float, float]:
    """Variance of castings beyond `chance`, variance between batches, degrees of freedom of their sum.

    `free`: castings may scatter beyond chance (pass and grades cannot).
    """
    n, p = X.shape
    w = np.ones(n) if not chance.any() else 1 / chance
    root = X * np.sqrt(w)[:, None]
    q, _ = np.linalg.qr(root)
    B = q * np.sqrt(w)[:, None]
    e = z - X @ np.linalg.lstsq(root, z * np.sqrt(w), rcond=None)[0]
    diagonal = w - np.sum(B**2, axis=1)
    forms = [float(e @ (w * e))]
    expect_chance, expect_within, expect_between = [float(chance @ diagonal)], [float(diagonal.sum())], [0.0]
    if codes is None:
        if not free:
            return 0.0, 0.0, float(n - p)
        within = max(0.0, (forms[0] - expect_chance[0]) / expect_within[0])
        return within, 0.0, _df(w, B, None, within, 0.0, chance)
    Z = np.eye(int(codes.max()) + 1)[codes]
    QZ = w[:, None] * Z - B @ (B.T @ Z)
    ZQZ = Z.T @ QZ
    expect_between[0] = float(np.trace(ZQZ))
    forms.append(float(np.sum((Z.T @ (w * e)) ** 2)))
    expect_chance.append(float(np.sum(chance[:, None] * QZ**2)))
    expect_within.append(float(np.sum(QZ**2)))
    expect_between.append(float(np.sum(ZQZ**2)))
    beyond = np.array(forms) - np.array(expect_chance)
    within, between = 0.0, 0.0
    if free:
        system = np.column_stack([expect_within, expect_between])
        if np.linalg.cond(system) < 1e10:
            within, between = np.linalg.solve(system, beyond)
        if between < 0 or not np.any([within, between]):
            within, between = beyond[0] / expect_within[0], 0.0
        if within < 0:
            within, between = 0.0, beyond[1] / expect_between[1]
    elif expect_between[1] > 0:
        between = beyond[1] / expect_between[1]
    within, between = max(0.0, float(within)), max(0.0, float(between))
    return within, between, _df(w, B, Z, within, between, chance)


def _df(w: np.ndarray, B: np.ndarray, Z: np.ndarray | None, within: float, between: float, chance: np.ndarray) -> float:
    """Satterthwaite's degrees of freedom of the estimated scatter: 2 mean^2 / variance of its quadratic form."""
    n, p = B.shape
    few = float(max(1, n - p if Z is None else min(n - p, Z.shape[1] - 1)))
    if n > _MOST_ROWS or within + between <= 0:
        return few
    Q = np.diag(w) - B @ B.T
    V = np.diag(chance + within) + (0 if Z is None else between * Z @ Z.T)
    QV = Q @ V
    if Z is None or between <= 0:
        return float(np.clip(np.trace(QV) ** 2 / np.sum(QV * QV.T), 1, n - p))
    first, second = Q, Q @ Z @ Z.T @ Q
    sums = [[np.trace(A) if k == 0 else np.trace(Z.T @ A @ Z) for k in (0, 1)] for A in (first, second)]
    solved = np.linalg.solve(np.array(sums).T, np.ones(2))
    AV = (solved[0] * first + solved[1] * second) @ V
    return float(np.clip(np.trace(AV) ** 2 / np.sum(AV * AV.T), 1, n - p))


@dataclass(frozen=True)
class Outlook:
    """What is held possible for one response at one setting: `eta` (draws,) of the line and how castings scatter."""

    fit: FactorFit
    eta: np.ndarray
    scatter: Scatter
    widen: np.ndarray
    """(draws,) by how much the scatter may differ from its estimate: df over chi-square."""

    def below(self, limit: float, batch: np.ndarray) -> np.ndarray:
        """Chance that a casting of a batch (standard normal `batch`) is at most `limit`: (draws, batches).

        `batch` is (batches,), or (draws, batches) where each draw has luck of its own.
        """
        one = self.fit
        eta, wide = self.eta[:, None], self.widen[:, None]
        between = self.scatter.between * wide
        if one.kind == "measure":
            middle = eta + np.sqrt(between) * batch
            spread = np.sqrt(np.maximum(self.scatter.within * wide, 1e-300))
            return np.asarray(stats.norm.cdf((limit - middle) / spread))
        if one.kind == "count":
            mean = np.exp(np.minimum(eta, 50)) * _gamma(between, batch)
            within = np.maximum(self.scatter.within * wide, 1e-9)
            if limit < 0:
                return np.zeros(mean.shape)
            return np.asarray(special.betainc(1 / within, np.floor(limit) + 1, 1 / (1 + within * mean)))
        line = eta * np.sqrt(1 + _LOGIT_TO_MARGINAL**2 * between) + np.sqrt(between) * batch
        if one.kind == "pass":
            return np.where(limit < 0, 0.0, np.where(limit < 1, special.expit(-line), 1.0))
        reached = int(np.sum(self._scores() <= limit + _EDGE))
        cuts = self.scatter.cuts * np.sqrt(1 + _LOGIT_TO_MARGINAL**2 * self.scatter.between)
        return _below(cuts, line)[..., reached]

    def draw(self, batch: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Castings of batches (standard normal `batch`, (castings,) or (draws, castings)): (draws, castings)."""
        one = self.fit
        wide = self.widen[:, None]
        between, within = self.scatter.between * wide, self.scatter.within * wide
        if one.kind == "measure":
            middle = self.eta[:, None] + np.sqrt(between) * batch
            return np.asarray(middle + np.sqrt(within) * rng.standard_normal(middle.shape))
        if one.kind == "count":
            mean = np.exp(np.minimum(self.eta, 30))[:, None] * _gamma(between, batch)
            shape = 1 / np.maximum(within, 1e-6)
            return rng.negative_binomial(shape, shape / (shape + mean)).astype(float)
        scores = np.array([0.0, 1.0]) if one.kind == "pass" else self._scores()
        steps = np.stack([self.below(score, batch) for score in scores[:-1]], axis=-1)
        return scores[np.sum(rng.random(steps.shape[:-1])[..., None] > steps, axis=-1)]

    def _scores(self) -> np.ndarray:
        return grade_fit.scores(self.fit._castings)


def outlook(fit: FactorFit, settings: Mapping[str, Any], known: Scatter | None = None, seed: int = SEED) -> Outlook:
    """What is possible for this response at one setting, as far as these castings tell."""
    found = scatter(fit) if known is None else known
    rows = fit.expected({name: value for name, value in settings.items() if name in fit.factors})[list(fit.factors)]
    row = fit._design.row_block(rows)
    rng = np.random.default_rng(seed)
    shares = (np.arange(DRAWS) + 0.5) / DRAWS
    eta = np.empty(DRAWS)
    half = DRAWS // 2
    for k in range(half + 1):  # the line's interval at every level is the whole of what the fit holds possible
        level = 1 - 2 * shares[k]
        middle, low, high = (float(v[0]) for v in fit._chosen.model.line(row, max(level, 0.0)))
        eta[k], eta[DRAWS - 1 - k] = (low, high) if level > 1e-9 else (middle, middle)
    # the same luck that made the scatter look small made the mean look sure: both widen independently, which is wider
    widen = found.df / stats.chi2.ppf(rng.permutation(shares), found.df)
    return Outlook(fit, rng.permutation(eta), found, widen)


def next_casting(fit: FactorFit, settings: Mapping[str, Any]) -> pd.DataFrame:
    """What is expected of many castings at one setting, and where the next single casting will lie.

    Parameters
    ----------
    fit : FactorFit
    settings : mapping
        Factor -> one value; those left out are held at their mean or reference level.

    Returns
    -------
    DataFrame with one row: response, expected, low, high (95% interval of the mean over many castings), next_low and
    next_high (95% prediction interval of one casting from a new batch), in the unit of the response; extrapolates (True
    outside what was tried, also where each setting was tried but no casting came near all of them together) and caution
    (what that means, else empty).

    Raises
    ------
    InputError
        For an unknown factor or level, or a list of values.

    Notes
    -----
    Measures: t on the degrees of freedom of the scatter (without batches the textbook prediction interval of least
    squares). Counts, grades and pass: quantiles of the simulated next casting, so that at least 95% lie inside.

    Examples
    --------
    >>> from castlab.analysis import fit_factors
    >>> made = pd.DataFrame({"haze_pct": [4.1, 3.8, 4.4, 4.0, 2.9, 3.1, 2.7, 3.3], "recipe": ["old"] * 4 + ["new"] * 4})
    >>> row = next_casting(fit_factors(made, "haze_pct", "recipe"), {"recipe": "new"}).iloc[0]
    >>> [round(float(row[c]), 2) for c in ("expected", "low", "high", "next_low", "next_high")]
    [3.0, 2.69, 3.31, 2.3, 3.7]
    """
    if not isinstance(fit, FactorFit):
        raise InputError(f"fit is a {type(fit).__name__}; accepted: a result of fit_factors")
    if not isinstance(settings, Mapping):
        raise InputError(f"settings are {settings!r}; accepted: {{factor: value}}")
    if any(isinstance(value, (list, tuple, np.ndarray, pd.Series)) for value in settings.values()):
        raise InputError("the settings hold a list; accepted: one value per factor")
    beyond = bool(fit.expected(settings)["extrapolates"].iloc[0])  # an unknown factor or level is refused there
    apart = far(fit, settings)
    why = BEYOND if beyond else APART if apart else ""
    return row_of(fit, settings, outlook(fit, settings)).assign(extrapolates=beyond or apart, caution=why)


def far(fit: FactorFit, settings: Mapping[str, Any]) -> bool:
    """True where the combination lies further out than any casting: its leverage is above that of all of them
    (hidden extrapolation; Montgomery, Peck and Vining, Introduction to Linear Regression Analysis, section 3.8)."""
    X = fit._design.X
    rows = fit.expected({n: v for n, v in settings.items() if n in fit.factors})[list(fit.factors)]
    new = fit._design.row_block(rows)
    inverse = np.linalg.pinv(X.T @ X, hermitian=True)
    leverage = np.einsum("ij,jk,ik->i", X, inverse, X)
    return float((new @ inverse @ new.T)[0, 0]) > 1.0001 * float(leverage.max())


def row_of(fit: FactorFit, settings: Mapping[str, Any], seen: Outlook) -> pd.DataFrame:
    """`next_casting` from an outlook that is at hand."""
    known = {name: value for name, value in settings.items() if name in fit.factors}
    one = fit.expected(known).iloc[0]
    if fit.kind == "measure":
        row = fit._design.row_block(fit.expected(known)[list(fit.factors)])
        middle, low, high = (float(v[0]) for v in fit._chosen.model.line(row))
        error = (high - low) / 2
        noise = (seen.scatter.within + seen.scatter.between) * stats.t.ppf(0.975, seen.scatter.df) ** 2
        reach = float(np.sqrt(error**2 + noise))
        ahead = middle - reach, middle + reach
    else:
        rng = np.random.default_rng(SEED)
        values = np.sort(seen.draw(rng.standard_normal(CASTINGS), rng).ravel())
        ahead = (
            float(np.quantile(values, 0.025, method="lower")),
            float(np.quantile(values, 0.975, method="higher")),
        )
    names = ["response", "expected", "low", "high", "next_low", "next_high"]
    return pd.DataFrame([(fit.response, one["expected"], one["low"], one["high"], *ahead)], columns=names)


def _gamma(variance: np.ndarray, luck: np.ndarray) -> np.ndarray:
    """A factor of mean 1 and this variance."""
    shape = 1 / np.maximum(variance, 1e-9)
    if np.max(variance) < 1e-8:
        return np.ones(np.broadcast(variance, luck).shape)
    return np.asarray(special.gammaincinv(shape, stats.norm.cdf(luck)) / shape)
