"""Which method answers for which kind of response.

Without batches
    measure: least squares, t and F.
    count: quasi-Poisson, t and F on the residual degrees of freedom, each effect tested at its own value
    (`castlab.analysis.models.working`). With `many.FEW` residual degrees of freedom or more: Poisson; where the Pearson
    chi-square says over-dispersed (p < 0.05) negative binomial (NB2, maximum likelihood), or quasi-Poisson where that does
    not converge; a dispersion above 1 that is not shown still widens the intervals. Bias-reduced Poisson where a setting
    has no count at all.
    grade: proportional odds, each effect tested at its own value with the scatter that the model implies; with `many.FEW`
    residual degrees of freedom or more profile likelihood; mean grades with a permutation test where the data separate.
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
    interval made of the values that are not rejected. So an interval excludes "no effect" exactly when p is below 0.05.
    Ratios of counts hold within a batch and over batches alike; odds ratios are those of the share over many batches,
    a little nearer to 1 than within one batch. Where a setting has no count at all, bias-reduced Poisson on the scatter of
    whole batches. Where the factors tell every pass from every fail no scatter is left: a batch then counts as one casting
    in the intervals, and p-values come from shuffling whole batches.

How well that holds is simulated in `tests/benchmarks/bench_calibration.py`, for 12 to 30 castings in 4 to 8 batches,
even and uneven, batches that scatter not, moderately and much, counts with means of 3 to 20 and dispersions of 0 to
0.5, per-batch and per-casting factors. Inside means: nominal 5% tests rejected in 4 to 6% and 95% intervals covered in
93.5 to 96.5%, within two standard errors of the simulation. With castings drawn anew, 1000 runs a cell (seed 77000),
counts were inside in all of 342 cells, measures in 45 of 46 (183 of 184 rates), grades in 44 of 46 at 500 runs (182 of 184
rates, seed 99000) and in 5 of 7 of `--quick` at 1000. Outside are, of grades: 12 castings in 4 batches, where a factor set
per batch without effect was called one in 2.2 to 2.4% (coverage 97 to 97.5%), 16 in batches of two that scatter much (2%,
set per casting) and 17 in 5 batches with four factors (8.6%). Passes were inside in all of 83 cells at seed 41000 and in 80
of 83 (329 of 332 rates) at seed 31000: outside were 12 castings in 4 batches (a per-batch factor without effect called one
in 2.5%), 12 without batches of which three in four pass (7.6%) and 30 without batches and four factors (coverage 92.1%).
With t and chi-square instead of outcomes 61 cells were inside: 1 to 3% with four batches, 7.6% with eight batches of two,
coverage of 91% in 24 or 30 castings in 6 batches.

The mean of counts in batches is unbiased within 3% and covered in 90 to 98% at settings tried and, with what `_luck` puts
right, midway between them, where it would come out 2 to 7% low.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import special, stats

from castlab import labels
from castlab.analysis import words
from castlab.analysis.models import likelihood, linear, many, permutation
from castlab.analysis.models.answers import Few, Held, Model, Profile, Shuffled, Wald
from castlab.analysis.models.passes import EVENTS
from castlab.analysis.reading import kinds
from castlab.analysis.reading.castings import Castings
from castlab.analysis.reading.coding import Design, Factor, Term
from castlab.errors import FitError

OVERDISPERSED = 0.05
FEWEST = 8
"""Castings without batches below which a complete difference between passes is not called clear."""
HELD = "each effect tested against the others fitted without it"
OUTCOMES = "mid-p over the outcomes that can come about"


@dataclass(frozen=True)
class Chosen:
    """A fitted model, how it was fitted, and how its line becomes an expected response."""

    model: Model
    method: str
    scale: str
    """ "ratio", "odds ratio" or "difference"."""
    mean: Callable[[np.ndarray], np.ndarray]
    cautions: list[str] = field(default_factory=list)
    too_few: bool = False
    """True where the castings are too few for any effect to be called clear."""
    luck: Callable[[np.ndarray], tuple[np.ndarray, float]] | None = None
    """By how much the line at some rows, and the limits of all lines, are raised for the mean of counts; see `_luck`."""

    def expected(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The expected response at these rows of the design, and its 95% limits."""
        line, low, high = self.model.line(rows)
        raised, ends = (0.0, 0.0) if self.luck is None else self.luck(rows)
        return self.mean(line + raised), self.mean(low + ends), self.mean(high + ends)


def choose(castings: Castings, design: Design) -> Chosen:
    """Fit the model that these castings can carry.

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
    if castings.codes is not None:
        batches = np.eye(castings.n_batches)[castings.codes]
        if np.linalg.matrix_rank(np.hstack([design.X, batches])) >= n:
            raise FitError(
                f"{castings.size()} leave nothing to judge the castings of one batch by; "
                "use fewer factors, or make more castings per batch"
            )
    if castings.kind == "count" and castings.codes is None and n - p >= many.FEW:
        import statsmodels.api  # noqa: F401  (first import sets warning filters, so it comes before ours)
    makers = {"count": _count, "measure": _measure, "grade": _grade, "pass": _passed}
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
    method = "least squares" if castings.codes is None else "linear model with batches (REML, Kenward-Roger)"
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


def _held(castings: Castings, design: Design, reduced: np.ndarray | None = None) -> Held:
    """The model whose tests hold the effect at the value tested; `reduced` are coefficients to start from and to report
    where the likelihood has no finite ones.

    Raises
    ------
    FitError
        If it does not converge or nothing is left to judge the effects by.
    """
    split = None if castings.codes is None else linear.strata(design.X, castings.codes)
    if split is not None and split.df_between <= 0:
        raise FitError(linear.NO_BATCHES_LEFT)
    kind = "pass" if len(castings.grades) == 2 else castings.kind
    response = many.Response(kind, design.X, castings.y[None, :], split, castings.offset)
    one = np.zeros(1, dtype=int)
    if reduced is None:
        found = response.free(one)
    else:
        found = response.fit(one, np.ones((1, len(reduced)), dtype=bool), reduced[None, :])
    if not found.ok[0]:
        raise FitError(linear.NO_SCATTER)
    fit = found.one()
    return Held(Wald(fit if reduced is None else replace(fit, coef=reduced)), response)


# counts


def _count(castings: Castings, design: Design) -> Chosen:
    X, y, offset = design.X, castings.y, castings.offset
    df = len(y) - X.shape[1]
    plain = likelihood.Poisson(X, y, offset, penalised=False)
    best = likelihood.maximise(plain)
    far = likelihood.ran_off(best, range(1, X.shape[1]))
    cautions: list[str] = []
    if far:
        names = words.listing([_contrast(design, j) for j in far])
        cautions.append(
            f"No count at all was seen at some settings ({names}): "
            "the size of that effect has no upper limit in these data, and bias reduction keeps it finite."
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
        return Chosen(Profile(plain, best, phi=widest, df=split.df_between), method, "ratio", np.exp, cautions)
    if castings.codes is not None:
        model = _held(castings, design)
        # the mean of the counts, not of their logarithms (smearing; Duan, JASA 78, 1983, 605-610)
        more = np.log(y.sum() / np.exp(offset + X @ model.coef).sum())
        model = replace(model, base=model.base.raised(more))
        method = f"log counts with batches, {HELD} (dispersion {phi:.2g})"
        luck = _luck(X, np.exp(offset + X @ model.coef), model.uncertainty()[0])
        return Chosen(model, method, "ratio", np.exp, cautions, luck=luck)
    wide = max(phi, 1.0)
    if far:
        profile = Profile(plain, best, phi=wide, df=df if wide > 1 else np.inf)
        method = f"bias-reduced Poisson, profile likelihood (dispersion {wide:.2g})"
        return Chosen(profile, method, "ratio", np.exp, cautions)
    if df < many.FEW:
        method = f"quasi-Poisson (dispersion {phi:.2g}), {HELD}, t on {df} df"
        return Chosen(_held(castings, design), method, "ratio", np.exp, cautions)
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
    import statsmodels.api as sm

    X, y = design.X, castings.y
    df = len(y) - X.shape[1]
    try:
        joint = sm.NegativeBinomial(y, X, offset=castings.offset).fit(
            start_params=np.append(start, 0.1), method="bfgs", maxiter=500, disp=0
        )
        alpha = float(joint.params[-1])
        if not (joint.mle_retvals["converged"] and np.isfinite(alpha) and alpha > 1e-4):
            return None
        if np.linalg.eigvalsh(-joint.model.hessian(joint.params))[0] <= 0:
            return None
        family = sm.families.NegativeBinomial(alpha=alpha)
        fit = sm.GLM(y, X, family=family, offset=castings.offset).fit(start_params=joint.params[:-1])
    except (np.linalg.LinAlgError, ValueError, FloatingPointError):
        return None
    if not fit.converged or np.max(np.abs(fit.params[1:]), initial=0) > likelihood.FAR:
        return None
    return Wald(linear.LinearFit(np.asarray(fit.params), np.asarray(fit.cov_params()), 1.0, 0.0, float(df))), alpha


# pass or fail


def _passed(castings: Castings, design: Design) -> Chosen:
    X, y = design.X, castings.y
    p = X.shape[1]
    rarer = min(y.sum(), len(y) - y.sum())
    plain = likelihood.Logistic(X, y, penalised=False)
    best = likelihood.maximise(plain)
    far = likelihood.ran_off(best, range(1, p))
    reduced = bool(far) or rarer < EVENTS * (p - 1)
    cautions: list[str] = []
    if far:
        names = words.listing([_contrast(design, j) for j in far])
        cautions.append(
            f"Some settings gave only one outcome ({names}): these data set no upper limit to that effect, "
            "and bias reduction keeps its estimate finite."
        )
    if castings.codes is not None:
        model: likelihood.Logistic = replace(plain, penalised=True)
        best = likelihood.maximise(model)
        _must_converge(best)
        try:
            held = _held(castings, design, best.theta if far else None)
        except FitError:
            return _whole_batches_alike(castings, design, model, best, cautions)
        method = f"logistic with batches, {HELD}"
        return _of_outcomes(Chosen(held, method, "odds ratio", special.expit, cautions), castings, design)
    method = "logistic, profile likelihood"
    if reduced:
        method = "bias-reduced (Firth) logistic, profile penalised likelihood"
        plain = replace(plain, penalised=True)
        best = likelihood.maximise(plain)
        _must_converge(best)
        cautions += _exactly(castings, design, far)
    few = bool(far) and castings.n < FEWEST
    whole = Chosen(Profile(plain, best), method, "odds ratio", special.expit, cautions, too_few=few)
    return _of_outcomes(whole, castings, design)


def _of_outcomes(chosen: Chosen, castings: Castings, design: Design) -> Chosen:
    """Where castings are few, its tests and intervals read from what outcomes come about."""
    if castings.n - design.X.shape[1] >= many.FEW:
        return chosen
    method = f"{chosen.method.removesuffix(', profile penalised likelihood').removesuffix(', profile likelihood')}, {OUTCOMES}"
    return replace(chosen, model=Few(chosen.model, design.X, castings.y, castings.codes), method=method)


def _exactly(castings: Castings, design: Design, far: list[int]) -> list[str]:
    """How sure a complete difference in very few castings can be at best (for two groups Fisher's exact test)."""
    if castings.n >= FEWEST:
        return []
    return [
        f"{_contrast(design, j)}: a difference so complete in {words.count(castings.n, 'casting')} comes about in "
        f"{100 * permutation.p_value(design.X, castings.y, [j], None)[0]:.2g}% of all ways to draw the settings by lot, "
        "so it is called likely at most."
        for j in far
    ]


def _whole_batches_alike(
    castings: Castings, design: Design, model: likelihood.Logistic, best: likelihood.Maximum, cautions: list[str]
) -> Chosen:
    """Complete separation leaves no scatter: a batch counts as one casting, and p-values come from shuffling."""
    alike = castings.n / castings.n_batches
    df = float(max(castings.n_batches - design.X.shape[1], 1))
    profile = Profile(model, best, phi=alike, df=df)
    shuffled = Shuffled(profile, lambda cols: permutation.p_value(design.X, castings.y, cols, castings.codes))
    said = "The factors tell every pass from every fail, so each batch was counted as one casting in the intervals."
    method = "bias-reduced (Firth) logistic, a batch counted as one casting, permutation test"
    return Chosen(shuffled, method, "odds ratio", special.expit, [*cautions, said])


# grades


def _grade(castings: Castings, design: Design) -> Chosen:
    if len(castings.grades) == 2:
        two = _passed(castings, design)
        low, high = _scores(castings)
        return replace(
            two, method=f"two grades in use: {two.method}", mean=lambda eta: low + (high - low) * special.expit(eta)
        )
    odds = likelihood.ProportionalOdds(design.X[:, 1:], castings.y)
    best = likelihood.maximise(odds)
    k, p = odds.cuts, design.X.shape[1]
    far = likelihood.ran_off(best, range(k, k + p - 1)) if np.isfinite(best.value) else list(range(k, k + p - 1))
    if far:
        return _grade_by_means(castings, design, [_contrast(design, j - k + 1) for j in far])
    scores = _scores(castings)

    def mean(eta: np.ndarray) -> np.ndarray:
        below = special.expit(best.theta[None, :k] - eta[:, None])
        steps = np.diff(np.column_stack([np.zeros(len(eta)), below, np.ones(len(eta))]), axis=1)
        return steps @ scores

    cautions = _proportional(castings, design, best.theta[k:])
    if castings.codes is not None or castings.n - p < many.FEW:
        batches = " with batches" if castings.codes is not None else ""
        method = f"proportional odds{batches}, {HELD}"
        return Chosen(_held(castings, design), method, "odds ratio", mean, cautions)
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
        f"{_contrast(design, j + 1)} may not act alike on all grades (rough check of proportional odds): "
        "read its odds ratio as an average over the grades."
        for j in range(p - 1)
        if p_each[j] < 0.05
    ]


def _must_converge(best: likelihood.Maximum) -> None:
    if not best.converged:
        raise FitError("the pass/fail results could not be fitted; use fewer factors or levels")


def _contrast(design: Design, j: int) -> str:
    for term in design.terms:
        if j in term.cols:
            return f"{labels.name(term.name)} {term.contrasts[term.cols.index(j)]}"
    return "the reference settings"
