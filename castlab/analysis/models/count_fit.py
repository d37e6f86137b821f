"""Which model answers for counts; see `castlab.analysis.models.choose`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy import stats

from castlab.analysis import words
from castlab.analysis.models import likelihood, likelihoods, linear, many
from castlab.analysis.models.answers import Profile, Wald
from castlab.analysis.models.chosen import Chosen, contrast, held, how_held, together
from castlab.analysis.reading.castings import Castings
from castlab.analysis.reading.coding import Design
from castlab.errors import FitError

OVERDISPERSED = 0.05


def count(castings: Castings, design: Design) -> Chosen:
    """The model for counts, on castings without batches: Poisson, quasi-Poisson or negative binomial as they scatter.

    Arguments and errors are those of `choose.choose`; `y` are the counts, `offset` the log of the exposure.
    """
    X, y, offset = design.X, castings.y, castings.offset
    df = len(y) - X.shape[1]
    plain = likelihood.Poisson(X, y, offset, penalised=False)
    best = likelihood.maximise(plain)
    far = likelihood.ran_off(best, range(1, X.shape[1]))
    cautions: list[str] = []
    if far:
        names = words.listing([contrast(design, j) for j in far])
        cautions.append(
            f"No count at all was seen at some settings{together(X)} ({names}): "
            "these data set no limit to how large that effect is, and bias reduction keeps its estimate finite."
        )
        plain = replace(plain, penalised=True)
        best = likelihood.maximise(plain)
        if not best.converged:
            raise FitError("the counts could not be fitted; use fewer factors or levels")
    mu = np.exp(offset + X @ best.theta)
    phi = float(np.sum((y - mu) ** 2 / mu)) / df
    if castings.codes is not None and far:
        split = linear.strata(X, castings.codes)
        if split.df_between <= 0:
            raise FitError(linear.NO_BATCHES_LEFT)
        total, expected = (np.bincount(castings.codes, weights=v) for v in (y, mu))
        between = float(np.sum((total - expected) ** 2 / expected)) / split.df_between
        widest = max(phi, between, 1.0)
        method = f"bias-reduced Poisson, profile likelihood judged on batches (dispersion {widest:.2g})"
        profile = Profile(plain, best, phi=widest, df=split.df_between)
        return Chosen(profile, method, "ratio", np.exp, cautions, bounded=True)
    if castings.codes is not None:
        model = held(castings, design)
        # the mean of the counts, not of their logarithms (smearing; Duan, JASA 78, 1983, 605-610)
        more = np.log(y.sum() / np.exp(offset + X @ model.coef).sum())
        model = replace(model, base=model.base.raised(more))
        method = f"log counts with batches, {how_held('count')} (dispersion {phi:.2g})"
        luck = _luck(X, np.exp(offset + X @ model.coef), model.uncertainty()[0])
        return Chosen(model, method, "ratio", np.exp, cautions, luck=luck)
    wide = max(phi, 1.0)
    if far:
        profile = Profile(plain, best, phi=wide, df=df if wide > 1 else np.inf)
        method = f"bias-reduced Poisson, profile likelihood (dispersion {wide:.2g})"
        return Chosen(profile, method, "ratio", np.exp, cautions, bounded=True)
    if df < many.FEW:
        method = f"quasi-Poisson (dispersion {phi:.2g}), {how_held('count')}, t on {df} df"
        return Chosen(held(castings, design), method, "ratio", np.exp, cautions)
    if stats.chi2.sf(phi * df, df) < OVERDISPERSED:
        scatter = f"Counts scatter {words.ratio(phi)} times as much as Poisson counts would; "
        found = _negative_binomial(castings, design, best.theta)
        if found is not None:
            negative, alpha = found
            cautions.append(scatter + "the negative binomial model allows for it.")
            return Chosen(
                negative, f"negative binomial (NB2, alpha {alpha:.3g}), t on {df} df", "ratio", np.exp, cautions
            )
        cautions.append(
            scatter
            + "the negative binomial fit did not converge, so intervals were widened by that dispersion instead "
            "(quasi-Poisson)."
        )
    fit = linear.LinearFit(best.theta, wide * best.cov, wide, 0.0, float(df) if phi > 1 else np.inf)
    if phi > 1:
        return Chosen(Wald(fit), f"quasi-Poisson (dispersion {phi:.2g}), t on {df} df", "ratio", np.exp, cautions)
    return Chosen(Wald(fit), f"Poisson (dispersion {phi:.2g}, not above 1)", "ratio", np.exp, cautions)


def _luck(X: np.ndarray, mean: np.ndarray, cov: np.ndarray) -> Callable[[np.ndarray], tuple[np.ndarray, float]]:
    """What luck leaves to put right in the mean of counts whose total was made to agree with what was counted.

    The exponential of a line that is as often high as low is high on average, by half the line's variance on the log
    scale. The total takes off what this is on average over the castings; so all lines lie that much low, and a mean where
    the line is surer than there (midway between settings tried) comes out low by half the difference. Simulated (16 to 24
    castings in 4 to 8 batches, means of 3 to 15, dispersions of 0 to 0.5): midway 0.93 to 0.99 of the truth without it, 0.99
    to 1.02 with it; settings tried stay as they are. Where the line is less sure nothing is taken off.
    """

    def variance(rows: np.ndarray) -> np.ndarray:
        return np.einsum("ij,jk,ik->i", rows, cov, rows)

    usual = float(np.average(variance(X), weights=mean))
    return lambda rows: (np.maximum(usual - variance(rows), 0.0) / 2, usual / 2)


def _negative_binomial(castings: Castings, design: Design, start: np.ndarray) -> tuple[Wald, float] | None:
    """NB2 by maximum likelihood with the expected information."""
    df = float(len(castings.y) - design.X.shape[1])
    joint = likelihoods.NegativeBinomial(design.X, castings.y[None, :], start[None, :], castings.offset)
    coef, alpha, cov, good = joint.fitted()
    if not good[0]:
        return None
    return Wald(linear.LinearFit(coef[0], cov[0], 1.0, 0.0, df)), float(alpha[0])
