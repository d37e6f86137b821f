"""Which model answers for grades; see `castlab.analysis.models.choose`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import special, stats

from castlab.analysis import words
from castlab.analysis.models import likelihood, linear, many, pass_fit, permutation
from castlab.analysis.models.answers import Profile, Shuffled, Wald
from castlab.analysis.models.chosen import HELD, Chosen, contrast, held
from castlab.analysis.reading.castings import Castings
from castlab.analysis.reading.coding import Design


def grade(castings: Castings, design: Design) -> Chosen:
    if len(castings.grades) == 2:
        two = pass_fit.passed(castings, design)
        low, high = _scores(castings)
        return replace(
            two, method=f"two grades in use: {two.method}", mean=lambda eta: low + (high - low) * special.expit(eta)
        )
    odds = likelihood.ProportionalOdds(design.X[:, 1:], castings.y)
    best = likelihood.maximise(odds)
    k, p = odds.cuts, design.X.shape[1]
    far = likelihood.ran_off(best, range(k, k + p - 1)) if np.isfinite(best.value) else list(range(k, k + p - 1))
    if far:
        return _grade_by_means(castings, design, [contrast(design, j - k + 1) for j in far])
    scores = _scores(castings)

    def mean(eta: np.ndarray) -> np.ndarray:
        below = special.expit(best.theta[None, :k] - eta[:, None])
        steps = np.diff(np.column_stack([np.zeros(len(eta)), below, np.ones(len(eta))]), axis=1)
        return steps @ scores

    cautions = _proportional(castings, design, best.theta[k:])
    if castings.codes is not None or castings.n - p < many.FEW:
        batches = " with batches" if castings.codes is not None else ""
        method = f"proportional odds{batches}, {HELD}"
        return Chosen(held(castings, design), method, "odds ratio", mean, cautions)
    return Chosen(
        Profile(odds, best, first=k, anchor=k // 2),
        "proportional odds, profile likelihood",
        "odds ratio",
        mean,
        cautions,
    )


def _scores(castings: Castings) -> np.ndarray:
    if all(isinstance(g, (int, np.integer)) for g in castings.grades):
        return np.array(castings.grades, dtype=float)
    return np.arange(len(castings.grades), dtype=float)


def _grade_by_means(castings: Castings, design: Design, far: list[str]) -> Chosen:
    """Mean grades with a permutation test: the next best answer where proportional odds has no finite estimate."""
    scores = _scores(castings)[castings.y.astype(int)]
    base = Wald(linear.fit(design.X, scores, castings.codes))
    ranks = stats.rankdata(scores)
    model = Shuffled(base, lambda cols: permutation.p_value(design.X, ranks, cols, castings.codes))
    low, high = _scores(castings)[[0, -1]]
    caution = (
        f"The proportional odds model has no finite estimate here (the grades separate on {words.listing(far)}); "
        "instead mean grades are compared, with p-values from shuffling the castings, and the intervals are approximate."
    )
    return Chosen(
        model,
        "difference of mean grades, permutation test of ranks",
        "difference",
        lambda eta: np.clip(eta, low, high),
        [caution],
    )


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
