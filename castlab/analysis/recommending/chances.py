"""Whether a part meets all its limits at once, by simulation, and how sure that chance is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from scipy import special, stats

from castlab.analysis.fit import FactorFit
from castlab.analysis.recommending.prediction import SEED, Outlook, Scatter

PARTS = 1024
"""Parts simulated for each value of the chance that the fits hold possible."""
_JUST = 1e-6
LEAST_SHARED = 8
"""Castings that two responses must share before their luck is taken as related."""


def correlation(fits: Sequence[FactorFit], known: Mapping[str, Scatter]) -> tuple[np.ndarray, bool]:
    """How the luck of one casting goes together between responses, and whether these castings could tell.

    The correlation of the normal scores of what the fits leave over, half-way to none for few castings (n / (n + 10)).
    Responses that were not read on the same castings count as unrelated.
    """
    size = len(fits)
    found, together = np.eye(size), True
    left = [_left_over(fit, known[fit.response]) for fit in fits]
    for a in range(size):
        for b in range(a):
            both = pd.concat([left[a], left[b]], axis=1, join="inner")
            n = len(both)
            if n < LEAST_SHARED:
                together = False
                continue
            r = both.corr().iloc[0, 1]
            found[a, b] = found[b, a] = 0.0 if np.isnan(r) else float(r) * n / (n + 10)
    least = float(np.linalg.eigvalsh(found)[0])
    if least < 1e-6:  # pairs that do not fit together: draw all towards unrelated
        found = (found + (1e-6 - least) * np.eye(size)) / (1 + 1e-6 - least)
    return found, together


def _left_over(fit: FactorFit, known: Scatter) -> pd.Series:
    """Normal scores of the castings' ranks around what is expected; ties share the middle rank."""
    eta = fit._design.X @ fit._chosen.model.coef
    y = fit._castings.y
    if fit.kind == "grade":
        mean = special.expit(eta[:, None] - known.cuts).sum(axis=1)
    else:
        mean = np.asarray(fit._chosen.mean(eta), dtype=float)
    spread = np.sqrt(np.maximum(mean, 0.1)) if fit.kind == "count" else 1.0
    ranks = stats.rankdata((y - mean) / spread)
    index = fit._castings.around.index  # the frame's own, so that responses meet on the same castings
    return pd.Series(stats.norm.ppf((ranks - 0.5) / len(ranks)), index=index).loc[lambda s: ~s.index.duplicated()]


def passing(seen: Sequence[Outlook], bands: Sequence[tuple[float, float]], together: np.ndarray) -> np.ndarray:
    """The chance that a part from a new batch meets all limits, for each draw of what the fits hold possible: (draws,).

    Parameters
    ----------
    seen : one outlook per response
    bands : lowest and highest value that is good enough, per response
    together : (responses, responses) correlation of the luck of one casting
    """
    size = len(seen)
    spread = stats.qmc.Sobol(2 * size, rng=SEED).random(PARTS)  # evenly spread luck: fewer parts for the same accuracy
    luck = stats.norm.ppf(np.clip(spread, 1e-9, 1 - 1e-9)).T
    root = np.linalg.cholesky(together + 1e-9 * np.eye(size))
    batch, own = root @ luck[:size], root @ luck[size:]
    met = np.ones((len(seen[0].eta), PARTS), dtype=bool)
    for one, (low, high), of_batch, of_casting in zip(seen, bands, batch, own, strict=True):
        u = stats.norm.cdf(of_casting)
        if np.isfinite(high):
            met &= u <= one.below(high, of_batch)
        if np.isfinite(low):
            met &= u > one.below(low - _JUST, of_batch)
    return met.mean(axis=1)


def interval(draws: np.ndarray) -> tuple[float, float, float]:
    """The chance (the middle of its draws), and the 95% interval that the uncertain fits leave to it."""
    low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975])
    return float(middle), float(low), float(high)


def at_point(one: Outlook, band: tuple[float, float]) -> np.ndarray:
    """The chance that a casting meets its limits at each `eta`, taken as known: (points,)."""
    nodes = stats.norm.ppf((np.arange(9) + 0.5) / 9)
    low, high = band
    upper = one.below(high, nodes) if np.isfinite(high) else 1.0
    lower = one.below(low - _JUST, nodes) if np.isfinite(low) else 0.0
    return np.asarray(np.mean(np.broadcast_to(upper - lower, (len(one.eta), len(nodes))), axis=1))


def confirmation(one: Outlook, castings: int, batches: int, rng: np.random.Generator) -> np.ndarray:
    """Means of so many castings in so many new batches, as far as the fit holds them possible: (draws,).

    Examples
    --------
    >>> from castlab.analysis import fit_factors
    >>> from castlab.analysis.recommending.prediction import outlook
    >>> made = pd.DataFrame({"haze_pct": [4.1, 3.8, 4.4, 4.0, 2.9, 3.1, 2.7, 3.3], "recipe": ["old"] * 4 + ["new"] * 4})
    >>> seen = outlook(fit_factors(made, "haze_pct", "recipe"), {"recipe": "new"})
    >>> means = confirmation(seen, 8, 8, np.random.default_rng(1))
    >>> bool(2.9 < means.mean() < 3.1), means.shape
    (True, (199,))
    """
    luck = rng.standard_normal((len(one.eta), batches))
    cup = np.arange(castings) % batches
    return np.asarray(one.draw(luck[:, cup], rng).mean(axis=1))
