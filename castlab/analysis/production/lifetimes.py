"""How many pulls a mold gives, with molds still in use: `mold_life` and its result."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from castlab.analysis import words
from castlab.errors import InputError
from castlab.results import Result

WEIBULL_FROM = 2
"""Worn-out molds from which wear (the Weibull shape) is estimated; one alone says nothing of wear."""


LOG_SHAPES = (-4.0, 5.0)
"""Logarithms of the Weibull shapes that are searched."""
FAR = 1e4
"""An upper limit so many times the typical life seen is no limit."""


def drop(worn_out: int) -> float:
    """Fall of the log-likelihood at the ends of a 95% profile interval.

    Half the chi-square quantile in large samples; here half the squared quantile of Student's t with as many degrees of
    freedom as molds are worn out, since with few the chi-square interval is too short (seen by simulation).
    """
    return float(stats.t.ppf(0.975, worn_out) ** 2 / 2)


@dataclass(frozen=True, kw_only=True, eq=False)
class MoldLife(Result):
    """Life of molds in pulls.

    `curve` is the Kaplan-Meier estimate (pulls, at_risk, worn_out, surviving, low, high); `parameters` has the fitted
    distribution (quantity, estimate, low, high: 95% profile intervals); `remaining` has one row per mold in use (mold,
    pulls, expected_more, low, high: its expected remaining pulls). `model` is "Weibull", "exponential" or "none".
    """

    curve: pd.DataFrame
    parameters: pd.DataFrame
    remaining: pd.DataFrame
    model: str
    log_likelihood: float

    def tables(self) -> dict[str, pd.DataFrame]:
        named = {
            "Mold life": self.parameters,
            "Expected remaining pulls": self.remaining,
            "Molds that still serve": self.curve,
        }
        return {title: words.table(rows, ratios=False) for title, rows in named.items() if len(rows)}


def mold_life(pulls: Sequence[float], retired: Sequence[bool], molds: Sequence[str] | None = None) -> MoldLife:
    """Life of molds, those still in use counted as right-censored, and the pulls that each of these still has.

    Parameters
    ----------
    pulls : sequence of numbers
        Pulls of each mold so far.
    retired : sequence of bool
        True for a mold that is worn out; False for one in use, or one lost for another reason than wear.
    molds : sequence of str, optional
        Their names.

    Returns
    -------
    MoldLife
        Kaplan-Meier curve (statsmodels) with log-log intervals; from two worn-out molds a Weibull distribution by
        maximum likelihood with 95% profile intervals; from one an exponential, and with none a lower bound, of which
        the remaining pulls of a mold cannot be told.

    Raises
    ------
    InputError
        For lengths that differ, pulls that are not above 0, or no mold at all.

    Source: Meeker and Escobar, Statistical Methods for Reliability Data (1998), chapters 3, 7 and 8 (from memory).

    Examples
    --------
    >>> life = mold_life([38, 52, 61, 45, 30], [True, False, False, True, False])
    >>> life.model, round(float(life.parameters["estimate"][0]))
    ('Weibull', 55)
    """
    t, gone, names = _checked(pulls, retired, molds)
    time, worn = t[t > 0], gone[t > 0]
    d = int(worn.sum())
    in_use = ~gone
    remaining = pd.DataFrame({"mold": np.array(names)[in_use], "pulls": t[in_use]})
    cautions = ["A mold that was taken out for another reason than wear counts as still in use, not as worn out."]
    if d >= WEIBULL_FROM and len(set(time[worn])) > 1:
        model, verdict, rows, best = _with_wear(time, worn, remaining)
        cautions.append("Intervals are of the expected remaining pulls; one mold's own end scatters far more.")
        if rows[0][1] > time.max():
            cautions.append(
                f"The mean life lies beyond the longest life seen ({time.max():.0f} pulls): it rests on the Weibull curve."
            )
    else:
        model, verdict, rows, best = _without_wear(time, worn)
        remaining = remaining.assign(expected_more=np.nan, low=0.0, high=np.nan)
        few = "molds that all ended alike" if d >= WEIBULL_FROM else "so few worn-out molds"
        cautions.append(
            f"Wear that grows with age cannot be seen from {few}, so nothing says how much an old mold still has."
        )
        if d >= WEIBULL_FROM:
            cautions.append(
                f"All {d} worn-out molds ended at {words.count(int(time[worn][0]), 'pull')}: if they were taken out by rule and not for wear, give them as still in use."
            )
    return MoldLife(
        verdict=f"Molds: {d} of {len(t)} worn out; {verdict}", cautions=tuple(cautions), curve=_kaplan_meier(time, worn),
        parameters=pd.DataFrame(rows, columns=["quantity", "estimate", "low", "high"]), remaining=remaining, model=model,
        log_likelihood=best,
    )  # fmt: skip


_Row = tuple[str, float, float, float]


def _with_wear(time: np.ndarray, worn: np.ndarray, remaining: pd.DataFrame) -> tuple[str, str, list[_Row], float]:
    """Weibull lives: the verdict, the parameters, the log-likelihood; what the molds in use still have goes in `remaining`."""
    fit = _Weibull(time, worn)
    mean, low, high = fit.interval(lambda k, scale: scale * special.gamma(1 + 1 / k))
    shape = fit.shape()
    rows = [
        ("mean life, pulls", mean, low, high),
        ("shape", *shape),
        ("scale, pulls", *fit.interval(lambda k, scale: scale + 0 * k)),
    ]
    more = [fit.interval(lambda k, scale, age=age: _remaining(k, scale, age)) for age in remaining["pulls"]]
    remaining[["expected_more", "low", "high"]] = np.array(more, dtype=float).reshape(-1, 3)
    wear = "the older it is, the sooner it fails" if shape[1] > 1 else "that wear grows with age is not shown"
    verdict = f"a mold lasts {_pulls(mean)} pulls on average (95% interval {_pulls(low)} to {_pulls(high)}); {wear}."
    told = [f"{r.mold} {_pulls(r.expected_more)} ({_pulls(r.low)} to {_pulls(r.high)})" for r in remaining.itertuples()]
    if told:
        shown = words.listing(told[:4]) + (f" and {len(told) - 4} more in the table" if len(told) > 4 else "")
        verdict += f" Expected remaining pulls: {shown}."
    return "Weibull", verdict, rows, fit.best


def _without_wear(time: np.ndarray, worn: np.ndarray) -> tuple[str, str, list[_Row], float]:
    """Exponential lives with the usual profile interval, or a lower bound where no mold is worn out."""
    d, total = int(worn.sum()), float(time.sum())
    alike = "if every pull is as likely to be its last"
    if d == 0:
        bound = float(total / -np.log(0.05))
        verdict = f"after {words.count(int(total), 'pull')} in all, with 95% confidence a mold lasts at least {_pulls(bound)} pulls on average, {alike}."
        return "none", verdict, [("mean life, pulls", np.nan, bound, np.inf)], np.nan
    mean, fall = total / d, stats.chi2.ppf(0.95, 1) / 2 / d
    low, high = (
        mean * float(np.exp(optimize.brentq(lambda u: np.exp(-u) - 1 + u - fall, 0, away)))
        for away in (-5.0, 3 + 2 * fall)
    )
    verdict = f"a mold lasts {_pulls(mean)} pulls on average (95% interval {_pulls(low)} to {_pulls(high)}), {alike}."
    if d > 1:
        verdict = f"{'both' if d == 2 else f'all {d}'} ended at {words.count(int(time[worn][0]), 'pull')}, so nothing shows how lives scatter; {verdict}"
    return "exponential", verdict, [("mean life, pulls", mean, low, high)], float(-d * np.log(mean) - d)


class _Weibull:
    """Weibull lives by maximum likelihood; what has log-likelihood within `drop` of the best gives profile intervals."""

    name = "Weibull"

    def __init__(self, time: np.ndarray, worn: np.ndarray) -> None:
        self.unit = float(np.exp(np.log(time).mean()))
        self.t, self.log_t = time / self.unit, np.log(time / self.unit)
        self.d, self.sum_log = int(worn.sum()), float(self.log_t[worn].sum())
        low, high = LOG_SHAPES
        log_k = float(
            optimize.minimize_scalar(
                lambda a: -self._at(np.exp(a)), bounds=(low, high), method="bounded", options={"xatol": 1e-10}
            ).x
        )
        self.k = float(np.exp(log_k))
        self.scale = self._scale(self.k)
        top, fall = self._at(self.k), drop(self.d)
        ends = [
            float(optimize.brentq(lambda a: self._at(np.exp(a)) - top + fall, *sorted((log_k, edge))))
            if self._at(np.exp(edge)) < top - fall
            else edge
            for edge in (low, high)
        ]
        self.best = top - self.d * np.log(self.unit)
        self.edge = [(self.k, self.scale)]
        for k in np.exp(np.linspace(ends[0], ends[1], 81)):
            room = max(0.0, self._at(k) - top + fall) / self.d
            for away in (-1.0, 1.0):  # log-likelihood falls by d (e^-u - 1 + u) at u = k log(scale / best scale)
                u = optimize.brentq(
                    lambda u, room=room: np.exp(-u) - 1 + u - room, 0, away * (2 * room + 3 * np.sqrt(room) + 1)
                )
                self.edge.append((k, self._scale(k) * np.exp(u / k)))

    def _scale(self, k: float) -> float:
        return float(self.unit * np.exp(special.logsumexp(k * self.log_t) / k - np.log(self.d) / k))

    def _at(self, k: float) -> float:
        """Log-likelihood at the best scale for this shape, lives in the unit of the fit."""
        log_scale = np.log(self._scale(k) / self.unit)
        return float(self.d * (np.log(k) - k * log_scale) + (k - 1) * self.sum_log - self.d)

    def shape(self) -> tuple[float, float, float]:
        """Estimate and 95% profile interval of the shape, open where it reaches the ends of what is searched."""
        k, low, high = self.interval(lambda k, scale: k + 0 * scale)
        least, most = np.exp(LOG_SHAPES) * (1 + 1e-6, 1 - 1e-6)
        return k, 0.0 if low < least else low, np.inf if high > most else high

    def interval(self, of: Callable[..., np.ndarray]) -> tuple[float, float, float]:
        """Estimate and 95% profile interval of a function of shape and scale."""
        k, scale = np.array(self.edge).T
        values = of(k, scale)
        high = float(values.max())
        return float(values[0]), float(values.min()), high if high < FAR * self.unit else np.inf


def _remaining(k: np.ndarray, scale: np.ndarray, age: float) -> np.ndarray:
    """Expected remaining life at an age: the integral of the survival function from there on, over its value there."""
    log_age = np.log(max(age, 1e-9) / scale)
    x = np.exp(np.minimum(k * log_age, np.log(600.0)))
    exact = scale / k * special.gammaincc(1 / k, x) * special.gamma(1 / k) * np.exp(x)
    far = scale / k * np.exp((1 - k) * log_age)  # its limit for a mold far past its time
    return np.where(k * log_age > np.log(600.0), far, exact)


def _kaplan_meier(time: np.ndarray, worn: np.ndarray) -> pd.DataFrame:
    """Kaplan-Meier estimate with pointwise 95% log-log intervals (Greenwood's variance)."""
    from statsmodels.duration.survfunc import SurvfuncRight

    if not worn.any():
        return pd.DataFrame(columns=["pulls", "at_risk", "worn_out", "surviving", "standard_error", "low", "high"])
    found = SurvfuncRight(time, worn.astype(int))
    s, se = np.asarray(found.surv_prob), np.asarray(found.surv_prob_se)
    inside = (s > 0) & (s < 1)
    safe = np.where(inside, s, 0.5)
    width = stats.norm.ppf(0.975) * np.where(inside, se, 0) / np.abs(safe * np.log(safe))
    return pd.DataFrame(
        {
            "pulls": found.surv_times,
            "at_risk": np.asarray(found.n_risk, dtype=int),
            "worn_out": np.asarray(found.n_events, dtype=int),
            "surviving": s,
            "standard_error": np.where(inside, se, np.nan),
            "low": np.where(inside, safe ** np.exp(width), np.nan),
            "high": np.where(inside, safe ** np.exp(-width), np.nan),
        }
    )


def _checked(
    pulls: Sequence[float], retired: Sequence[bool], molds: Sequence[str] | None
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    try:
        t = np.asarray(pulls, dtype=float)
        gone = np.asarray(retired).astype(bool)
    except (TypeError, ValueError):
        raise InputError(
            "pulls or retired cannot be read; accepted: numbers, and True or False, one per mold"
        ) from None
    names = [f"mold {i + 1}" for i in range(t.size)] if molds is None else [str(m) for m in molds]
    if t.ndim != 1 or not (len(t) == len(gone) == len(names)):
        raise InputError(f"{t.size} pulls, {gone.size} retired and {len(names)} molds; accepted: one of each per mold")
    if not np.isfinite(t).all() or (t < 0).any() or (t[gone] == 0).any():
        raise InputError("pulls hold a value that cannot be; accepted: numbers from 0, above 0 for a worn-out mold")
    if not (t > 0).any():
        raise InputError("no mold has a pull yet; accepted: at least one mold with pulls above 0")
    return t, gone, names


def _pulls(value: float) -> str:
    """Pulls: whole ones from ten on, three digits at most."""
    if np.isinf(value):
        return "unlimited"
    return words.about(value, 2) if value < 10 else words.about(round(value), 3)
