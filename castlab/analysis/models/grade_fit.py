"""Which model answers for grades; see `castlab.analysis.models.choose`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import special, stats

from castlab.analysis import words
from castlab.analysis.models import likelihood, many, pass_fit, working
from castlab.analysis.models.answers import Profile
from castlab.analysis.models.chosen import Chosen, contrast, held, how_held
from castlab.analysis.reading.castings import Castings
from castlab.analysis.reading.coding import Design
from castlab.errors import FitError


def grade(castings: Castings, design: Design) -> Chosen:
    """The model for grades: proportional odds; of two grades in use that for pass and fail.

    Arguments and errors are those of `choose.choose`; `y` are places in `grades`, 0 for the lowest.
    """
    if len(castings.grades) == 2:
        two = pass_fit.passed(castings, design)
        low, high = scores(castings)
        return replace(
            two, method=f"two grades in use: {two.method}", mean=lambda eta: low + (high - low) * special.expit(eta)
        )
    X = design.X
    odds = likelihood.ProportionalOdds(X[:, 1:], castings.y)
    best = likelihood.maximise(odds)
    k, p = odds.cuts, X.shape[1]
    far = likelihood.ran_off(best, range(k, k + p - 1)) if np.isfinite(best.value) else list(range(k, k + p - 1))
    weak = None
    if far:
        weak = working.weakly(X, castings.y[None, :])[0]
        best = likelihood.maximise(odds, fixed=dict(enumerate(weak[1:], k)))
        if not best.converged:
            raise FitError("the grades could not be fitted; use fewer factors or levels")
        cols = [j - k + 1 for j in far]
        names = words.listing([contrast(design, j) for j in cols])
        cautions = [
            f"The grades separate on {names}: these data set no limit to how large that effect is, and a weak prior keeps its "
            "estimate finite.",
            *(pass_fit.exactly(castings, design, cols) if castings.codes is None else []),
        ]
    else:
        cautions = _proportional(castings, design, best.theta[k:])
    values = scores(castings)

    def mean(eta: np.ndarray) -> np.ndarray:
        below = special.expit(best.theta[None, :k] - eta[:, None])
        steps = np.diff(np.column_stack([np.zeros(len(eta)), below, np.ones(len(eta))]), axis=1)
        return steps @ values

    if castings.codes is not None or castings.n - p < many.FEW or far:
        batches = " with batches" if castings.codes is not None else ""
        few = bool(far) and castings.codes is None and castings.n < pass_fit.FEWEST
        method = f"proportional odds{batches}, {how_held('grade')}"
        return Chosen(held(castings, design, weak), method, "odds ratio", mean, cautions, too_few=few, bounded=True)
    return Chosen(
        Profile(odds, best, first=k, anchor=k // 2),
        "proportional odds, profile likelihood",
        "odds ratio",
        mean,
        cautions,
        bounded=True,
    )


def scores(castings: Castings) -> np.ndarray:
    """Whole-number grades as they are, ordered levels as 0, 1, ..."""
    if all(isinstance(g, (int, np.integer)) for g in castings.grades):
        return np.array(castings.grades, dtype=float)
    return np.arange(len(castings.grades), dtype=float)


def _proportional(castings: Castings, design: Design, slopes: np.ndarray) -> list[str]:
    """A rough check that the odds ratios are alike at every cut between grades, by one logistic fit per cut."""
    X, y, p = design.X, castings.y, design.X.shape[1]
    usable = [j for j in range(int(y.max())) if min((y > j).sum(), (y <= j).sum()) >= max(5, 2 * p)]
    if len(usable) < 2:
        return []
    fits = [likelihood.maximise(likelihood.Logistic(X, (y > j).astype(float), penalised=True)) for j in usable]
    if not all(f.converged for f in fits):
        return []
    spread = np.array([f.theta[1:] - slopes for f in fits])
    errors = np.array([np.diag(f.cov)[1:] for f in fits])
    statistic = np.sum(spread**2 / errors, axis=0)
    p_each = stats.chi2.sf(statistic, len(usable) - 1) * (p - 1)
    return [
        f"{contrast(design, j + 1)} may not act alike on all grades (rough check of proportional odds): "
        "read its odds ratio as an average over the grades."
        for j in range(p - 1)
        if p_each[j] < 0.05
    ]
