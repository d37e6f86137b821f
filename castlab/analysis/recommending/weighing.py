"""How good settings are expected to be over all wishes: one score from 0 to 1, and how sure its order is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from castlab.analysis.fit import FactorFit
from castlab.analysis.recommending import chances, goals
from castlab.analysis.recommending.goals import Goal
from castlab.analysis.recommending.prediction import SEED, Outlook, Scatter

DRAWS = 400
NEAR = 0.001
"""A chance below this is beyond what few castings can tell; a limit that no setting meets more often is not come near."""
LEFT = 0.25
"""By default the worst of the settings to choose from is not wholly bad: the scale begins a quarter of its length below."""


@dataclass(frozen=True)
class Scales:
    """What `score` needs: fits, wishes, where each wish's scale begins and ends, shrunk coefficients, and the wishes whose
    limit no setting comes near: these count by how near to it the expected value comes."""

    fits: tuple[FactorFit, ...]
    wishes: Mapping[str, Goal]
    ends: Mapping[str, tuple[float, float]]
    scatters: Mapping[str, Scatter]
    shrunk: Mapping[str, np.ndarray]
    far: frozenset[str] = frozenset()

    @classmethod
    def of(
        cls, fits: Sequence[FactorFit], wishes: Mapping[str, Goal], scatters: Mapping[str, Scatter], grid: pd.DataFrame,
        chosen: Sequence[str],
    ) -> Scales:  # fmt: skip
        """Scales over these settings to choose from; the effects of the factors to choose are shrunk."""
        shrunk = {fit.response: shrink(fit, chosen) for fit in fits}
        made = cls(tuple(fits), wishes, {}, scatters, shrunk)
        values = {fit.response: made.means(fit, grid, shrunk=True) for fit in fits}
        values |= {name: wish.values(grid) for name, wish in wishes.items() if wish.of is not None}
        ends = {name: ends_of(wish, values[name]) for name, wish in wishes.items()}
        limited = [fit for fit in fits if _by_limit(wishes[fit.response])]
        far = [f.response for f in limited if made._chance(f, made.line(f, grid, shrunk[f.response])).max() < NEAR]
        follows = [name for name, wish in wishes.items() if wish.of is not None and _by_limit(wish)]
        far += [name for name in follows if wishes[name].short(values[name]).min() > 0]
        for name in far:
            short = wishes[name].short(values[name])
            ends[name] = _scale(float(short.max()), float(short.min()))
        return cls(made.fits, wishes, ends, made.scatters, shrunk, frozenset(far))

    def line(self, fit: FactorFit, settings: pd.DataFrame, coef: np.ndarray) -> np.ndarray:
        """The fit's line at these settings: (rows,), or (draws, rows) for (draws, p) coefficients."""
        rows = fit._design.row_block(settings[list(fit.factors)])
        return np.asarray((rows @ coef.T).T)

    def means(self, fit: FactorFit, settings: pd.DataFrame, *, shrunk: bool) -> np.ndarray:
        """Expected response at each row."""
        coef = self.shrunk[fit.response] if shrunk else fit._chosen.model.coef
        return np.asarray(fit._chosen.mean(self.line(fit, settings, coef)), dtype=float)

    def score(self, settings: pd.DataFrame) -> np.ndarray:
        """Score of each row, 0 to 1."""
        lines = {fit.response: self.line(fit, settings, self.shrunk[fit.response]) for fit in self.fits}
        return self._of_lines(lines, settings)

    def _of_lines(self, lines: Mapping[str, np.ndarray], settings: pd.DataFrame) -> np.ndarray:
        """Scores where the lines are these, (rows,) or (draws, rows)."""
        each, fitted = [], {fit.response: fit for fit in self.fits}
        shape = next(iter(lines.values())).shape
        for name, wish in self.wishes.items():
            if _by_limit(wish) and name in fitted and name not in self.far:
                each.append(self._chance(fitted[name], lines[name]))
                continue
            if name in fitted:
                mean = np.asarray(fitted[name]._chosen.mean(lines[name].ravel()), dtype=float).reshape(shape)
            else:
                mean = wish.values(settings)
            if name in self.far:
                value = goals.one_sided(wish.short(mean), *self.ends[name])
            else:
                value = wish.score(mean, self.ends[name])
                if name not in fitted and _by_limit(wish):  # what follows from the settings keeps to its limit or not
                    value = np.where(wish.short(mean) > 0, 0.0, np.maximum(value, NEAR))
            each.append(np.broadcast_to(value, shape))
        weights = np.array([wish.weight for wish in self.wishes.values()])
        return goals.overall(np.stack(each, axis=-1), weights)

    def _chance(self, fit: FactorFit, lines: np.ndarray) -> np.ndarray:
        """The chance that a casting meets the limits of its wish where the line is this."""
        known = Outlook(fit, lines.ravel(), self.scatters[fit.response], np.ones(lines.size))
        return chances.at_point(known, self.wishes[fit.response].band).reshape(lines.shape)

    def share_as_good(self, offered: pd.DataFrame, settings: Mapping[str, Any]) -> np.ndarray:
        """Share of what the fits hold possible in which each row scores at least as high as the settings chosen."""
        both = pd.concat([pd.DataFrame([settings]), offered], ignore_index=True)[list(settings)]
        rng = np.random.default_rng(SEED)
        lines = {fit.response: self.line(fit, both, fit._chosen.model.drawn(DRAWS, rng)) for fit in self.fits}
        scores = self._of_lines(lines, both)
        return np.asarray((scores[:, 1:] >= scores[:, [0]] - 1e-12).mean(axis=0))


def _by_limit(wish: Goal) -> bool:
    """Whether a wish counts by its limits: by the chance that they are met, or where it follows from the settings by whether."""
    return wish.good_enough is not None and wish.ends is None


def ends_of(wish: Goal, values: np.ndarray) -> tuple[float, float]:
    """Where the scale of a wish begins and ends over these expected values, unless the wish says so."""
    if wish.ends is not None:
        return float(wish.ends[0]), float(wish.ends[1])
    low, high = float(values.min()), float(values.max())
    if not isinstance(wish.aim, str):
        away = max(abs(low - wish.aim), abs(high - wish.aim)) * (1 + LEFT)
        if wish.good_enough is not None:
            away = max(abs(end - wish.aim) for end in wish.band if np.isfinite(end))
        return wish.aim + (away or 1.0), float(wish.aim)
    return _scale(high, low) if wish.aim == "fewer" else _scale(low, high)


def _scale(worst: float, best: float) -> tuple[float, float]:
    return worst + LEFT * (worst - best), best


def shrink(fit: FactorFit, chosen: Sequence[str]) -> np.ndarray:
    """The coefficients, those of the chosen factors pulled towards none by 1 - 1/F (not below 0), about the castings' mean.

    F is that of the factor's test, or what its p-value would make it in large samples.
    """
    coef = np.array(fit._chosen.model.coef, dtype=float)
    p_values = fit.tests.set_index("factor")["p_value"]
    for term in fit._design.terms:
        if not {part.name for part in term.parts} & set(chosen):
            continue
        cols = list(term.cols)
        p = min(max(float(p_values[term.name]), 1e-300), 1.0)
        f = float(stats.chi2.isf(p, len(cols))) / len(cols)
        keep = max(0.0, 1 - 1 / f) if f > 0 else 0.0
        coef[0] += float(fit._design.X[:, cols].mean(axis=0) @ coef[cols]) * (1 - keep)
        coef[cols] *= keep
    return coef
