"""Which method answers for which kind of response.

Without batches
    measure: least squares, t and F.
    count: quasi-Poisson, t and F on the residual degrees of freedom, each effect tested at its own value
    (`castlab.analysis.models.working`). With `many.FEW` residual degrees of freedom or more: Poisson; where the Pearson
    chi-square says over-dispersed (p < 0.05) negative binomial (NB2, maximum likelihood), or quasi-Poisson where that does
    not converge; a dispersion above 1 that is not shown still widens the intervals. Bias-reduced Poisson where a setting
    has no count at all.
    grade: proportional odds, each effect tested at its own value with a scatter that is part the model's, part the castings'
    own (`many.ASSURED`), the other effects under a weak prior (`working.WEAK`). Without batches and with `many.FEW` residual
    degrees of freedom or more profile likelihood. Where the grades separate no estimate is finite: the tests are those of
    few castings all the same, one end of the interval is open, and a prior keeps what is reported finite (`working.FINITE`).
    Without batches 8 to 10 castings then see an effect where there is none in 6 to 7%; fewer never call it clear.
    pass: logistic, profile likelihood; Firth's bias reduction where castings are few (fewer than `EVENTS` of the rarer
    outcome per coefficient) or the data separate. With fewer than `many.FEW` residual degrees of freedom, with batches or
    without, p-values and intervals are read from what outcomes can come about (`castlab.analysis.models.reference`). Added
    up over all outcomes, and at the chance of passing where it is most, the nominal 5% test then calls 3 castings against
    3 different in 3.1% where they are alike, 4 against 4 in 7.0%, 5: 6.2%, 6: 6.8%, 8: 5.3%, 12: 6.4%, 20: 5.3%.

With batches
    What was set per batch is judged on the scatter between batches, what was set per casting within them
    (`castlab.analysis.models.linear`).
    measure: the linear model itself.
    count, grade, pass: its working responses (`castlab.analysis.models.working`), each effect tested at its own value and the
    interval made of the values that are not rejected; those of counts are logarithms, so that large counts get the answer
    that their logarithms would get as measures. So an interval excludes "no effect" exactly when p is below 0.05.
    Ratios of counts hold within a batch and over batches alike; odds ratios are those of the share over many batches,
    a little nearer to 1 than within one batch. Where a setting has no count at all, bias-reduced Poisson on the scatter of
    whole batches. Passes are judged on a scatter of castings that is half their chance's and half their own
    (`passes.ASSURED`), so also where the factors tell every pass from every fail: more complete data then read surer.

How well that holds is simulated in `tests/benchmarks/bench_calibration.py`, for 12 to 30 castings in 4 to 8 batches,
even and uneven, batches that scatter not, moderately and much, counts with means of 3 to 20 and dispersions of 0 to
0.5, per-batch and per-casting factors. Inside means: nominal 5% tests rejected in 4 to 6% and 95% intervals covered in
93.5 to 96.5%, within two standard errors of the simulation. With castings drawn anew (seeds 371000 to 373000) measures
were inside in all of 50 cells (20,000 runs each), grades in all of 50 (3000) and counts in all of 449 (1000).
What is set per batch draws on both scatters where other factors are not balanced over the batches; with Satterthwaite's
degrees of freedom it read as an effect in 6.9 to 7.7% there (16 castings in 4 batches that differ much; `linear.spare`).
Passes were inside in 84 of 87 cells (344 of 348 rates, seeds 260700 and 344000): outside were 12 castings without batches
of which three in four pass, whose test can have a size of 2.2 or 6.6% and none between (those are the 36 of 220 ways in which
3 of 12 fail, all at one level and 2 against 1 at those of the other factor: alike but for the names of the levels, so that no
order can part them), 24 in 8 batches (2.5%, where it is 4.1% of all outcomes), and 17 in 5 batches with two more factors
(3.0% with 4000 runs; 4.1 to 4.7% if the other effects were known). Added up over all outcomes, without any slack, 213 of
the 224 rates of 56 cells are inside; the others are 3.7 to 6.6% false positives and coverage of 93.4%.
Four batches show little: t on two degrees of freedom takes batches that agree by luck for sure, and 2 of 3 against 1 of 3
castings, twice, read surer than 3 against 0 and 3 against 1. With t and chi-square instead of outcomes 61 cells were
inside: 1 to 3% with four batches, 7.6% with eight batches of two, coverage of 91% in 24 or 30 castings in 6 batches.

The mean of counts in batches is unbiased within 3% and covered in 90 to 98% at settings tried and, with what `count_fit` puts
right, midway between them, where it would come out 2 to 7% low.
"""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np

from castlab.analysis import words
from castlab.analysis.models import count_fit, grade_fit, linear, pass_fit
from castlab.analysis.models.answers import Wald
from castlab.analysis.models.chosen import Chosen
from castlab.analysis.reading import kinds
from castlab.analysis.reading.castings import Castings
from castlab.analysis.reading.coding import Design, Factor, Term
from castlab.errors import FitError


def choose(castings: Castings, design: Design) -> Chosen:
    """Fit the model that these castings can carry.

    Parameters
    ----------
    castings
        Complete rows, n of them.
    design
        The design matrix (n, p), intercept first, and its terms.

    Raises
    ------
    FitError
        If not even the fallback can be fitted.
    """
    n, p = design.X.shape
    if n <= p:
        raise FitError(
            f"{words.count(n, 'complete casting')} cannot carry {p - 1} effects and leave anything to judge them by; "
            f"use fewer factors or levels, or make at least {p + 1 - n} more"
        )
    if castings.codes is not None and linear.strata(design.X, castings.codes).df_within <= 0:
        raise FitError(
            f"{castings.size()} leave nothing to judge the castings of one batch by; "
            "use fewer factors, or make more castings per batch"
        )
    makers = {"count": count_fit.count, "measure": _measure, "grade": grade_fit.grade, "pass": pass_fit.passed}
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        try:
            return makers[castings.kind](castings, design)
        except np.linalg.LinAlgError:
            raise FitError(
                f"the {castings.kind} model could not be fitted to {castings.size()}; use fewer factors or levels"
            ) from None


def _measure(castings: Castings, design: Design) -> Chosen:
    middle = float(castings.y.mean())  # taken off, or a level far above the scatter would cost its digits
    fit = linear.fit(design.X, castings.y - middle, castings.codes)
    if fit.phi <= kinds.resolution(castings.y) ** 2:
        raise FitError(linear.NO_SCATTER)
    model = Wald(replace(fit, coef=fit.coef + middle * (np.arange(len(fit.coef)) == 0)))
    method = "least squares" if castings.codes is None else "linear model with batches in two strata (Satterthwaite)"
    return Chosen(model, method, "difference", lambda eta: eta)


def of_arrays(kind: str, X: np.ndarray, y: np.ndarray, codes: np.ndarray | None) -> Chosen:
    """As `choose`, for a design matrix without names (intercept first).

    Raises
    ------
    FitError
        As `choose`.
    """
    import pandas as pd

    factors = [Factor(f"column {j}", True, (0.0, 1.0)) for j in range(1, X.shape[1])]
    terms = tuple(Term(f.name, (f,), (j,)) for j, f in enumerate(factors, 1))
    grades = tuple(range(int(y.max()) + 1)) if kind == "grade" else ()
    castings = Castings(
        data=pd.DataFrame(), response="response", factors=(), y=y, kind=kind, grades=grades, batch=None, codes=codes,
        exposure=None, missing={}, left_out=0, around=pd.DataFrame(),
    )  # fmt: skip
    return choose(castings, Design(terms, X))
