"""How many more castings would settle a comparison of two groups: normal theory on the scale of the line.

Power is that of t-tests with the scatter these castings showed, between batches and within them (noncentral t); of two
one-sided tests of equivalence it is the chance that the whole 90% interval lies inside the margin (Schuirmann, Journal
of Pharmacokinetics and Biopharmaceutics 15, 1987, 657-680).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import stats

from castlab.analysis import words
from castlab.analysis.fit import FactorFit
from castlab.analysis.recommending.prediction import chance_variance, scatter

POWER = 0.8
ALPHA = 0.05
RANGE = 0.8
"""The range told is an 80% interval: as wide as the scatter is uncertain."""
MOST = 1000
"""Castings or batches per group beyond which no number is told."""
_CERTAIN = 12.0
_NODES = (np.arange(400) + 0.5) / 400


@dataclass(frozen=True)
class Needed:
    """Further castings of the two groups together: estimate and 80% range; infinite beyond what is worth a number."""

    castings: float
    batches: float
    """0 where no batches are known."""
    low: float
    high: float
    purpose: str
    """ "show a difference", "show no worse" or "show equal"."""

    def said(self) -> str:
        """ "about 24 more castings in 8 batches (an estimate; 12 to 50)"."""
        if not np.isfinite(self.castings):
            return f"more than {MOST} more castings"
        if not self.castings:
            return "about as many castings as there are"
        size = words.size(int(self.castings), int(self.batches)).replace(" ", " more ", 1)
        high = f"{self.high:.0f}" if np.isfinite(self.high) else f"over {MOST}"
        return f"about {size} (an estimate; between {self.low:.0f} and {high})"


def more_needed(
    fit: FactorFit, levels: tuple[object, object], difference: float, margin: float | None, *, one_sided: bool
) -> Needed:
    """Further castings so that the comparison of two levels is settled with 80% power.

    Parameters
    ----------
    fit : fit of the one factor that names the groups
    levels : the reference and the other level
    difference : observed, on the scale of the coefficients
    margin : on that scale; None to show the observed difference (two-sided 5%); with a margin, if really equal
    one_sided : True for "no worse" (one one-sided 5% test), False for "equal" (two)
    """
    group = fit.factors[0]
    known = scatter(fit)
    rows = fit._design.row_block(fit.expected({group: list(levels)})[[group]])
    chance = chance_variance(fit, known, rows @ fit._chosen.model.coef)
    castings = fit.data[group].astype(str)
    made = [int((castings == str(level)).sum()) for level in levels]
    per_batch = max(1, round(fit.n / fit.n_batches)) if fit.batch else 1
    shared = bool(fit.batch) and bool((fit.data.groupby(fit.batch)[group].nunique() > 1).any())

    def total(wide: float) -> float:
        """Units per group: batches, or castings where batches hold both groups or none are known."""
        within = wide * (known.within + chance)
        variance = (
            float(np.sum(within))
            if shared or not fit.batch
            else float(np.sum(within / per_batch + wide * known.between))
        )
        lost = 2 / per_batch if shared else 0.0  # each batch holding both groups costs a degree of freedom
        return units_per_group(variance, difference, margin, one_sided=one_sided, lost=lost)

    low, high = known.df / stats.chi2.ppf([(1 + RANGE) / 2, (1 - RANGE) / 2], known.df)
    each = [total(wide) for wide in (1.0, float(low), float(high))]
    unit = per_batch if fit.batch and not shared else 1
    more = [float(sum(max(0, units * unit - n) for n in made)) if np.isfinite(units) else np.inf for units in each]
    batches = float(np.ceil(more[0] / per_batch)) if fit.batch and np.isfinite(more[0]) else 0.0
    purpose = "show a difference" if margin is None else "show no worse" if one_sided else "show equal"
    return Needed(more[0], batches, more[1], more[2], purpose)


def units_per_group(variance: float, difference: float, margin: float | None, *, one_sided: bool, lost: float) -> float:
    """The fewest units per group with the wanted power."""

    def enough(units: int) -> bool:
        df = max(2 * (units - 1) - lost * units, 1.0)
        se = float(np.sqrt(variance / units))
        if margin is None:
            return power_difference(difference, se, df) >= POWER
        return (power_no_worse(margin, se, df) if one_sided else power_equal(margin, 0.0, se, df)) >= POWER

    return _first(enough)


def _first(enough: Callable[[int], bool]) -> float:
    low, high = 1, 2
    while not enough(high):
        low, high = high, high * 2
        if high > 2 * MOST:
            return np.inf
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return float(high) if high <= MOST else np.inf


def power_difference(difference: float, se: float, df: float) -> float:
    """Power of the two-sided 5% t-test.

    Examples
    --------
    >>> round(power_difference(0.5, (2 / 64) ** 0.5, 126), 3)
    0.801
    """
    reach, shift = stats.t.ppf(1 - ALPHA / 2, df), abs(difference) / se
    return _beyond(reach, df, shift) + float(stats.nct.cdf(-reach, df, shift) if shift < _CERTAIN else 0)


def power_no_worse(margin: float, se: float, df: float) -> float:
    """Power of the one-sided 5% t-test that a group is not worse by the margin, if the groups are equal."""
    return _beyond(stats.t.ppf(1 - ALPHA, df), df, margin / se)


def _beyond(reach: float, df: float, shift: float) -> float:
    """Chance that noncentral t exceeds `reach`; certain where the shift is so large that its series breaks down."""
    return float(stats.nct.sf(reach, df, shift)) if shift < max(_CERTAIN, 2 * reach) else 1.0


def power_equal(margin: float, difference: float, se: float, df: float) -> float:
    """Power of two one-sided 5% t-tests of equivalence, averaged over the scatter that may be seen.

    Examples
    --------
    >>> round(power_equal(1.0, 0.0, 0.3, 30), 2)
    0.89
    """
    seen = stats.t.ppf(1 - ALPHA, df) * np.sqrt(stats.chi2.ppf(_NODES, df) / df)
    inside = stats.norm.cdf((margin - difference) / se - seen) - stats.norm.cdf((-margin - difference) / se + seen)
    return float(np.mean(np.maximum(inside, 0)))
