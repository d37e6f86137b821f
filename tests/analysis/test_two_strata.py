"""A setting that differs much between batches and little within them, such as the temperature of the room, draws on both."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from castlab.analysis.models import linear


@pytest.fixture(scope="module", params=[1, 2, 3])
def rooms(request) -> tuple[np.ndarray, np.ndarray]:
    """Eight batches of four with a factor per batch, one within, and a temperature that castings of a batch almost share."""
    rng = np.random.default_rng(request.param)
    codes = np.repeat(np.arange(8), 4)
    room = rng.normal(size=8)[codes] + 0.1 * rng.normal(size=32)
    return np.column_stack([np.ones(32), codes % 2, np.arange(32) % 2, room]), codes


def drawn(codes: np.ndarray, spread: float, many: int = 4000) -> np.ndarray:
    rng = np.random.default_rng(9)
    return rng.normal(size=(many, 32)) + spread * rng.normal(size=(many, 8))[:, codes]


def p_values(fits: linear.LinearFits, effect: float = 0.0) -> np.ndarray:
    return np.asarray(2 * stats.t.sf(np.abs(fits.coef + effect) / np.sqrt(fits.variance), fits.df))


def test_it_is_judged_on_the_scatter_of_all_batches(rooms):
    """Not on the one direction in which the batch means are unsure for want of castings that differ within batches: then 1
    degree of freedom is left, what is set per batch reads as an effect in less than 1%, and power is 0.6."""
    X, codes = rooms
    fits = linear.fit_many(X, drawn(codes, 0.5), linear.strata(X, codes))
    assert linear.strata(X, codes).df_between == 6
    assert fits.df_between.min() > 3
    assert np.mean(p_values(fits, 1.5)[:, 3] < 0.05) > 0.75


@pytest.mark.parametrize("spread", [0.0, 0.5, 1.0])
def test_its_five_percent_and_those_of_what_is_set_per_batch_are_about_five(rooms, spread):
    X, codes = rooms
    found = np.mean(
        p_values(linear.fit_many(X, drawn(codes, spread), linear.strata(X, codes)))[:, [1, 3]] < 0.05, axis=0
    )
    assert found.min() > 0.02
    assert found.max() < 0.075


def test_a_setting_nearly_the_same_within_each_batch_is_judged_as_a_regression_of_batch_means():
    rng = np.random.default_rng(1)
    batch = np.repeat(np.arange(4), 4)
    warm = np.array([21.0, 24.0, 22.5, 26.0])[batch] + 1e-4 * rng.normal(size=16)
    for scatter in (0.0, 1.5):
        y = rng.normal(size=16) + scatter * rng.normal(size=4)[batch]
        found = linear.fit(np.column_stack([np.ones(16), warm - warm.mean()]), y, batch)
        means = stats.linregress(*(np.bincount(batch, v) / 4 for v in (warm, y)))  # least squares on four means
        assert found.coef[1] == pytest.approx(means.slope, rel=1e-3)
        assert found.f_test(np.eye(2)[[1]])[3] == pytest.approx(means.pvalue, rel=1e-2)
        assert found.df(np.eye(2)[1]) == pytest.approx(2, rel=1e-2)
