"""Which method answers for which kind of response.

Without batches
    count: Poisson; where the Pearson chi-square says over-dispersed (p < 0.05) negative binomial (NB2, maximum
    likelihood), or quasi-Poisson where that does not converge; a dispersion above 1 that is not shown still widens the
    intervals (t on the residual degrees of freedom); bias-reduced Poisson where a setting has no count at all.
    measure: least squares, t and F.
    grade: proportional odds, profile likelihood; mean grades with a permutation test where the data separate.
    pass: logistic, profile likelihood; Firth's bias reduction where castings are few (fewer than `EVENTS` of the rarer
    outcome per coefficient) or the data separate.

With batches
    measure: the linear model with a batch effect of `castlab.analysis.linear` (REML, Kenward-Roger).
    count, grade, pass: the working response and weights of the fit without batches (one step of iterative weighting)
    go into that same linear model, so that what was set per batch is judged on the scatter between batches and what was
    set per casting within them, with t and F on honest degrees of freedom. This is the marginal quasi-likelihood of
    Breslow and Clayton (JASA 88, 1993, 9-25), stopped after one step because a first step cannot diverge when few
    castings separate. Where the factors separate pass from fail completely no scatter is left: a batch then counts as one
    casting in the intervals, and p-values come from shuffling whole batches.

    Both variances are estimated, with floors (`LEAST_SCATTER`) because whole numbers can tie by
    chance, and few batches that happen to agree would look surer than they are. In a quick simulation of 4 batches of 2
    to 8 batches of 3 without effects (mean count 8, 300 runs a cell), nominal 5% tests of counts rejected in 1 to 4%
    without and in 5 to 6% with scatter between batches for per-batch factors, in 1 to 5% for per-casting ones. With a
    tenth as the least for batch means they rejected in up to 8%, with the variances truncated at zero and one in 0 to
    4%. Grades and pass (6 batches of 4) rejected in 5 to 6% and 1 to 6%.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import special, stats

from castlab import labels
from castlab.analysis import likelihood, linear, permutation, words
from castlab.analysis.castings import Castings
from castlab.analysis.coding import Design
from castlab.analysis.models import Model, Profile, Shuffled, Wald
from castlab.errors import FitError

EVENTS = 10
"""Castings of the rarer outcome per coefficient below which logistic is bias-reduced (a common rule of thumb)."""
OVERDISPERSED = 0.05
FEW = 40
"""Residual degrees of freedom below which negative binomial intervals are widened to the scatter that is left."""
LEAST_SCATTER = {"count": (0.5, 0.5), "grade": (0.2, 0.1), "pass": (0.2, 0.1)}
"""Kind -> least scatter of castings and of batch means, as shares of what chance makes whole numbers scatter."""


@dataclass(frozen=True)
class Chosen:
    """A fitted model, how it was fitted, and how its line becomes an expected response."""

    model: Model
    method: str
    scale: str
    """ "ratio", "odds ratio" or "difference"."""
    mean: Callable[[np.ndarray], np.ndarray]
    cautions: list[str] = field(default_factory=list)


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
    if castings.kind == "count":
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
    model = Wald(linear.fit(design.X, castings.y, castings.codes))
    method = "least squares" if castings.codes is None else "linear model with batches (REML, Kenward-Roger)"
    return Chosen(model, method, "difference", lambda eta: eta)


def _working(castings: Castings, design: Design, z: np.ndarray, weights: np.ndarray) -> Wald:
    least_phi, least_batch = LEAST_SCATTER[castings.kind]
    least = float(np.log(least_batch))
    return Wald(linear.fit(design.X, z, castings.codes, weights, least=least, least_phi=least_phi))


# counts


def _count(castings: Castings, design: Design) -> Chosen:
    import statsmodels.api as sm

    X, y, offset = design.X, castings.y, castings.offset
    n, p = X.shape
    df = n - p
    fit = sm.GLM(y, X, family=sm.families.Poisson(), offset=offset).fit()
    coef, mu, empty = np.asarray(fit.params), np.asarray(fit.mu), []
    cautions: list[str] = []
    far = [j for j in range(1, p) if abs(coef[j]) > likelihood.FAR]
    if far or not fit.converged or not np.all(np.isfinite(coef)):
        counts = likelihood.Poisson(X, y, offset)
        best = likelihood.maximise(counts)
        if not best.converged:
            raise FitError("the counts could not be fitted; use fewer factors or levels")
        mu = np.exp(offset + X @ best.theta)
        empty = [_contrast(design, j) for j in far]
        cautions.append(
            f"No count at all was seen at some settings ({words.listing(empty) or 'a combination of factors'}): "
            "the size of that effect has no upper limit in these data, and bias reduction keeps it finite."
        )
    pearson = float(np.sum((y - mu) ** 2 / mu))
    phi, p_over = pearson / df, float(stats.chi2.sf(pearson, df))

    if castings.codes is not None:
        eta = np.log(mu) - offset
        model = _working(castings, design, eta + (y - mu) / mu, mu)
        method = f"Poisson working model with batches (dispersion within batches {model.fit.phi:.2g}, Kenward-Roger)"
        return Chosen(model, method, "ratio", np.exp, cautions)
    if empty or cautions:
        wide = max(phi, 1.0)
        profile = Profile(counts, best, phi=wide, df=df if wide > 1 else np.inf)
        return Chosen(
            profile, f"bias-reduced Poisson, profile likelihood (dispersion {wide:.2g})", "ratio", np.exp, cautions
        )
    poisson_cov = np.asarray(fit.cov_params())
    if p_over < OVERDISPERSED:
        found = _negative_binomial(castings, design, coef)
        if found is not None:
            negative, alpha = found
            cautions.append(
                f"Counts scatter {words.ratio(phi)} times as much as Poisson counts would; the negative binomial model allows for it."
            )
            return Chosen(
                negative, f"negative binomial (NB2, alpha {alpha:.3g}), t on {df} df", "ratio", np.exp, cautions
            )
        cautions.append(
            f"Counts scatter {words.ratio(phi)} times as much as Poisson counts would; the negative binomial fit did not converge, "
            "so intervals were widened by that dispersion instead (quasi-Poisson)."
        )
    if phi > 1:
        wald = Wald(linear.LinearFit(coef, phi * poisson_cov, phi, 0.0, float(df)))
        return Chosen(wald, f"quasi-Poisson (dispersion {phi:.2g}), t on {df} df", "ratio", np.exp, cautions)
    wald = Wald(linear.LinearFit(coef, poisson_cov, 1.0, 0.0, np.inf))
    return Chosen(wald, f"Poisson (dispersion {phi:.2g}, not above 1)", "ratio", np.exp, cautions)


def _negative_binomial(castings: Castings, design: Design, start: np.ndarray) -> tuple[Wald, float] | None:
    """NB2 by maximum likelihood with the expected information.

    The maximum likelihood dispersion is too small by a share of about p/n, so with few castings the intervals are
    widened to the Pearson scatter that the fit leaves.
    """
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
    scatter = max(1.0, float(fit.pearson_chi2) / df) if df < FEW else 1.0
    cov = scatter * np.asarray(fit.cov_params())
    return Wald(linear.LinearFit(np.asarray(fit.params), cov, scatter, 0.0, float(df))), alpha


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
            "and bias reduction keeps it finite."
        )
    if castings.codes is not None:
        model: likelihood.Logistic = replace(plain, penalised=True)
        best = likelihood.maximise(model)
        _must_converge(best)
        eta = X @ best.theta
        mu = special.expit(eta)
        w = np.maximum(mu * (1 - mu), 1e-6)
        leverage = w * np.einsum("ij,ji->i", X, np.linalg.solve(X.T @ (w[:, None] * X), X.T))
        try:
            wald = _working(castings, design, eta + (y + leverage * (0.5 - mu) - mu) / w, w)
        except FitError:
            return _whole_batches_alike(castings, design, model, best, cautions)
        method = "bias-reduced logistic working model with batches (Kenward-Roger)"
        return Chosen(wald, method, "odds ratio", special.expit, cautions)
    if reduced:
        plain = replace(plain, penalised=True)
        best = likelihood.maximise(plain)
        _must_converge(best)
        return Chosen(
            Profile(plain, best),
            "bias-reduced (Firth) logistic, profile penalised likelihood",
            "odds ratio",
            special.expit,
            cautions,
        )
    return Chosen(Profile(plain, best), "logistic, profile likelihood", "odds ratio", special.expit, cautions)


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
    if castings.codes is not None:
        upper, lower = odds.bounds(best.theta)
        eta = odds.X @ best.theta[k:]
        below = np.column_stack(
            [np.zeros(castings.n), special.expit(best.theta[None, :k] - eta[:, None]), np.ones(castings.n)]
        )
        w = np.maximum(np.sum(np.diff(below, axis=1) * (below[:, 1:] + below[:, :-1] - 1) ** 2, axis=1), 1e-6)
        wald = _working(castings, design, eta + (upper + lower - 1) / w, w)  # d log p / d eta of the logistic
        return Chosen(
            wald, "proportional odds working model with batches (Kenward-Roger)", "odds ratio", mean, cautions
        )
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
