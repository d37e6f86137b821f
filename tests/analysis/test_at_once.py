"""Counts and grades that a likelihood answers for, and passes that separate, many at once: each gets what `choose` gives it
alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from castlab.analysis.models import at_once, choose, likelihood, likelihoods, many
from castlab.errors import FitError


def design(castings: int, factors: int, batch: int | None) -> tuple[np.ndarray, np.ndarray | None]:
    rng = np.random.default_rng(castings + factors)
    each = np.arange(castings)
    X = np.column_stack([np.ones(castings), *(rng.permutation(each % 2) for _ in range(factors))]).astype(float)
    if batch is None:
        return X, None
    X[:, 1] = (each // batch) % 2
    return X, each // batch


def counts(X: np.ndarray, mean: float, ratio: float, dispersion: float, many_of: int) -> np.ndarray:
    rng = np.random.default_rng(int(100 * mean) + len(X))
    line = np.broadcast_to(mean * ratio ** X[:, 1], (many_of, len(X)))
    return rng.poisson(line if dispersion == 1 else rng.gamma(line / (dispersion - 1), dispersion - 1)).astype(float)


def grades(X: np.ndarray, shares: list[float], odds: float, many_of: int) -> np.ndarray:
    rng = np.random.default_rng(len(shares) + len(X))
    latent = np.log(odds) * X[:, 1] + rng.logistic(size=(many_of, len(X)))
    below = np.cumsum(shares)[:-1]
    return many.without_gaps(np.digitize(latent, np.log(below / (1 - below))).astype(float))


def alone(
    kind: str, X: np.ndarray, y: np.ndarray, codes: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, float] | None:
    cols = range(1, X.shape[1])
    try:
        chosen = choose.of_arrays(kind, X, y, codes)
        p = np.array([chosen.model.test([j]).p for j in cols])
    except FitError:
        return None
    # where the library ends its search for the dispersion of the negative binomial, and ours for a bias-reduced maximum
    near = 1e-4 if chosen.method.startswith("negative") else 1e-6 if kind == "pass" else 1e-7
    return chosen.model.coef[1:], p, near


def hold(kind: str, X: np.ndarray, Y: np.ndarray, codes: np.ndarray | None) -> None:
    found = many.analyse(kind, X, Y, codes, range(1, X.shape[1]), intervals=False)
    for i, y in enumerate(Y):
        other = alone(kind, X, y, codes) if np.ptp(y) > 0 else None
        assert found.ok[i] == (other is not None)
        if other is not None:
            assert found.estimate[i] == pytest.approx(other[0], abs=other[2])
            assert found.p[i] == pytest.approx(other[1], abs=other[2])


@pytest.mark.parametrize("factors", [1, 4])
@pytest.mark.parametrize("castings", [44, 80])
@pytest.mark.parametrize(
    ("mean", "ratio", "dispersion"), [(1, 0.5, 1), (5, 0.5, 1), (5, 0.5, 2), (30, 0.8, 5), (2, 0.02, 1)]
)
def test_counts_without_batches_get_the_model_and_the_answer_that_each_gets_alone(
    castings, factors, mean, ratio, dispersion
):
    X, _ = design(castings, factors, None)
    hold("count", X, counts(X, mean, ratio, dispersion, 12), None)


def test_among_these_are_all_three_models_and_bias_reduction():
    X, _ = design(44, 1, None)
    Y = np.vstack([counts(X, 5, 0.5, d, 12) for d in (1, 2)] + [counts(X, 2, 0.02, 1, 12)])
    methods = {choose.of_arrays("count", X, y, None).method.split()[0] for y in Y}
    assert methods == {"Poisson", "quasi-Poisson", "negative", "bias-reduced"}


@pytest.mark.parametrize("factors", [1, 4])
@pytest.mark.parametrize("castings", [46, 80])
@pytest.mark.parametrize("shares", [[0.15, 0.3, 0.35, 0.2], [0.1, 0.1, 0.2, 0.6]])
@pytest.mark.parametrize("odds", [1, 4, 60])
def test_grades_without_batches_get_the_likelihood_ratio_that_each_gets_alone(castings, factors, shares, odds):
    X, _ = design(castings, factors, None)
    hold("grade", X, grades(X, shares, odds, 8), None)


@pytest.mark.parametrize(("castings", "batch"), [(12, None), (16, None), (16, 4), (24, 4), (15, 3)])
@pytest.mark.parametrize("kind", ["count", "grade"])
def test_what_no_finite_estimate_fits_gets_the_fallback_that_it_gets_alone(kind, castings, batch):
    X, codes = design(castings, 2, batch)
    Y = counts(X, 2, 0.02, 1, 12) if kind == "count" else grades(X, [0.3, 0.3, 0.4], 200, 12)
    Y = Y[(Y.max(axis=1) >= 2) & (np.ptp(Y, axis=1) > 0)]
    assert at_once.ran_off(kind, X, Y).any()
    hold(kind, X, Y, codes)


@pytest.mark.parametrize(("cups", "castings"), [(2, 4), (3, 4), (6, 4), (8, 2), (6, 8)])
def test_passes_that_separate_within_or_between_cups_get_the_test_that_each_gets_alone(cups, castings):
    codes = np.repeat(np.arange(cups), castings)
    within, other, whole = np.arange(len(codes)) % 2, (np.arange(len(codes)) // 2) % 2, codes % 2
    X = np.column_stack([np.ones(len(codes)), within, whole if cups > 2 else other]).astype(float)
    hold(
        "pass", X, np.array([within, 1 - within, np.where(codes == 0, 1 - within, within), X[:, 2]], dtype=float), codes
    )


def test_no_response_is_analysed_one_by_one_where_all_at_once_are_possible(monkeypatch):
    monkeypatch.setattr(many, "_one_by_one", lambda *_: pytest.fail("one by one"))
    for castings, batch in [(8, None), (24, None), (60, None), (16, 4), (48, 4)]:
        X, codes = design(castings, 1, batch)
        for Y, kind in (
            (counts(X, 2, 0.1, 1, 40), "count"),
            (counts(X, 8, 0.5, 3, 40), "count"),
            (grades(X, [0.1, 0.1, 0.2, 0.6], 8, 40), "grade"),
            ((grades(X, [0.3, 0.7], 4, 40)), "pass"),
        ):
            assert many.analyse(kind, X, Y, codes, [1], intervals=False).ok.any()


def test_the_negative_binomial_of_many_is_where_its_gradient_vanishes_and_its_curvature_is_that_of_its_value():
    X, _ = design(60, 2, None)
    Y = counts(X, 6, 0.6, 3, 20)
    start = likelihoods.maximise(likelihoods.Poisson(X, Y)).theta
    model = likelihoods.NegativeBinomial(X, Y, start)
    best = likelihoods.maximise(model)
    assert best.converged.all()
    every, step = np.arange(20), 1e-4
    _, gradient, information = model.at(best.theta, every)
    assert np.abs(gradient).max() < 1e-5
    for j in range(best.theta.shape[1]):
        move = step * (np.arange(best.theta.shape[1]) == j)
        up, down = (model.at(best.theta + sign * move, every) for sign in (1, -1))
        assert up[0] - down[0] == pytest.approx(np.zeros(20), abs=1e-6)
        assert (down[1] - up[1]) / (2 * step) == pytest.approx(information[:, j], rel=1e-5, abs=1e-4)
    alpha = np.exp(best.theta[:, -1:])
    mean = np.exp(best.theta[:, :-1] @ X.T)
    chance = stats.nbinom.logpmf(Y, 1 / alpha, 1 / (1 + alpha * mean)).sum(axis=1)
    told = best.value - chance  # up to what does not depend on the parameters
    from_y = np.array([float(np.sum(stats.poisson.logpmf(y, 1.0) + 1)) for y in Y])
    assert told == pytest.approx(-from_y, rel=1e-8)


@pytest.mark.parametrize("penalised", [False, True])
def test_poisson_maxima_are_those_of_one_at_a_time(penalised):
    X, _ = design(20, 3, None)
    Y = counts(X, 3, 0.5, 1, 10)
    found = likelihoods.maximise(likelihoods.Poisson(X, Y, penalised))
    for y, theta, value in zip(Y, found.theta, found.value, strict=True):
        one = likelihood.maximise(likelihood.Poisson(X, y, np.zeros(20), penalised))
        assert theta == pytest.approx(one.theta, abs=1e-6)
        assert value == pytest.approx(one.value, abs=1e-9)
