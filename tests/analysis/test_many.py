"""Many responses at once give what one at a time gives, and intervals and tests agree."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from castlab.analysis import fit_factors
from castlab.analysis.models import choose, many
from castlab.errors import FitError, InputError

SIZES = {"even": [3, 3, 3, 3], "uneven": [4, 3, 4, 3, 3], "none": None}


def case(kind: str, layout: str, seed: int, many_of: int = 12) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    rng = np.random.default_rng(seed)
    sizes = SIZES[layout] or [4] * 4
    codes = np.repeat(np.arange(len(sizes)), sizes)
    X = np.column_stack([np.ones(len(codes)), codes % 2, np.arange(len(codes)) % 2]).astype(float)
    if layout == "none":
        X[:, 1] = (np.arange(len(codes)) // 2) % 2
    line = X @ [0.3, 0.0, 0.6] + rng.normal(0, 0.4, (many_of, codes.max() + 1))[:, codes]
    chance = rng.random(line.shape)
    made = {
        "measure": line + rng.normal(0, 1, line.shape),
        "count": rng.poisson(3 * np.exp(line)).astype(float),
        "pass": (chance < 1 / (1 + np.exp(-line))).astype(float),
        "grade": np.digitize(line + np.log(chance / (1 - chance)), [-1.5, 0.0, 1.0, 2.0]).astype(float),
    }
    return X, made[kind], None if layout == "none" else codes


@pytest.mark.parametrize("layout", SIZES)
@pytest.mark.parametrize("kind", ["measure", "count", "pass", "grade"])
def test_many_responses_at_once_get_the_answers_that_each_gets_alone(kind, layout):
    X, Y, codes = case(kind, layout, seed=7, many_of=5 if kind == "pass" else 12)
    together = many.analyse(kind, X, Y, codes, [1, 2])
    quick = many.analyse(kind, X, Y, codes, [1, 2], intervals=False)
    for i, y in enumerate(Y):
        if np.ptp(y) == 0:
            assert not together.ok[i]
            continue
        alone = many.without_gaps(y[None, :])[0] if kind == "grade" else y
        try:
            model = choose.of_arrays(kind, X, alone, codes).model
        except FitError:
            assert not together.ok[i]
            continue
        assert together.ok[i]
        for k, j in enumerate((1, 2)):
            p = model.test([j]).p
            assert together.estimate[i, k] == pytest.approx(model.coef[j], abs=1e-6)
            assert [together.low[i, k], together.high[i, k]] == pytest.approx(list(model.interval(j)), abs=1e-6)
            assert together.p[i, k] == pytest.approx(p, abs=1e-6)
            assert quick.p[i, k] == pytest.approx(p, abs=1e-6)


@pytest.mark.parametrize("layout", ["even", "uneven"])
@pytest.mark.parametrize("kind", ["measure", "count", "pass", "grade"])
def test_an_interval_excludes_no_effect_exactly_when_the_test_rejects_it(kind, layout):
    X, Y, codes = case(kind, layout, seed=3, many_of=12 if kind == "pass" else 60)
    found = many.analyse(kind, X, Y, codes, [1, 2])
    outside = (found.low > 0) | (found.high < 0)
    assert (outside == (found.p < 0.05))[found.ok].all()
    assert ((found.low <= found.estimate) & (found.estimate <= found.high))[found.ok].all()


@pytest.mark.parametrize(("cups", "castings"), [(4, 3), (6, 4), (10, 10)])
@pytest.mark.parametrize("per_batch", [True, False])
@pytest.mark.parametrize("batched", [True, False])
def test_intervals_of_grades_that_separate_hold_the_estimate_and_agree_with_the_test(
    cups, castings, per_batch, batched
):
    rng = np.random.default_rng(castings)
    codes = np.repeat(np.arange(cups), castings)
    better = codes % 2 if per_batch else np.arange(len(codes)) % 2
    X = np.column_stack([np.ones(len(codes)), better])
    Y = np.vstack(
        [
            np.where(better, rng.choice([low, 4], (6, len(codes))), rng.choice([0, 1, 2], (6, len(codes))))
            for low in (2, 3)
        ]
    )
    found = many.analyse("grade", X, Y, codes if batched else None, [1])
    assert found.ok.all()
    assert ((found.low > 0) == (found.p < 0.05)).all()
    assert (found.low < found.estimate).all()
    assert np.isinf(found.high).all()


def test_the_value_that_is_tested_can_be_other_than_none():
    X, Y, codes = case("count", "uneven", seed=2)
    found = many.analyse("count", X, Y, codes, [2])
    at_the_end = many.analyse("count", X, Y[[0]], codes, [2], null=found.low[0, 0], intervals=False)
    assert at_the_end.p[0, 0] == pytest.approx(0.05, abs=1e-5)


def test_responses_without_an_answer_are_marked():
    X, Y, codes = case("pass", "even", seed=1)
    Y[0] = 1.0
    found = many.analyse("pass", X, Y, codes, [1])
    assert not found.ok[0]
    assert found.p[0, 0] == 1
    assert found.ok[1:].any()


def test_an_unknown_kind_and_a_design_that_leaves_nothing_are_refused():
    X, Y, codes = case("count", "even", seed=1)
    with pytest.raises(InputError, match="kind is 'score'"):
        many.analyse("score", X, Y, codes, [1])
    with pytest.raises(InputError, match="leaves nothing"):
        many.analyse("count", np.eye(12), Y, None, [1])


@pytest.mark.parametrize(("kind", "layout", "row", "col"), [("grade", "none", 6, 1), ("count", "uneven", 11, 1)])
def test_an_interval_has_its_end_where_the_test_first_rejects_though_far_values_are_not_rejected(
    kind, layout, row, col
):
    X, Y, codes = case(kind, layout, seed=11, many_of=40)
    low = many.analyse(kind, X, Y[[row]], codes, [col]).low[0, 0]
    beyond, within = (
        many.analyse(kind, X, Y[[row]], codes, [col], null=low + step, intervals=False).p[0, 0]
        for step in (-0.01, 0.01)
    )
    assert beyond < 0.05 < within


def test_a_complete_difference_of_three_castings_against_three_is_likely_at_most_and_its_exact_chance_is_told():
    made = pd.DataFrame({"passed": [0, 0, 0, 1, 1, 1], "pour": ["stream"] * 3 + ["ladle"] * 3})
    fit = fit_factors(made, "passed", ["pour"], kind="pass")
    assert fit.effects["p_value"][0] < 0.05
    assert fit.effects["strength"][0] == "likely"
    exact = stats.fisher_exact([[3, 0], [0, 3]]).pvalue
    assert any(f"{100 * exact:.2g}% of all ways" in caution for caution in fit.cautions)


@pytest.mark.slow
def test_the_expected_count_at_settings_tried_is_the_mean_of_many_castings():
    rng = np.random.default_rng(5)
    codes = np.repeat(np.arange(6), 4)
    X = np.column_stack([np.ones(24), codes % 2, np.arange(24) % 2]).astype(float)
    rows, spread, runs = np.array([[1.0, a, b] for a in (0, 1) for b in (0, 1)]), 0.3, 300
    line = X @ [np.log(8), 0.4, -0.5] + rng.normal(0, spread, (runs, 6))[:, codes]
    Y = rng.poisson(np.exp(line) * rng.gamma(5, 1 / 5, line.shape)).astype(float)
    true = np.exp(rows @ [np.log(8), 0.4, -0.5] + spread**2 / 2)  # the mean of a log-normal batch
    lines = [choose.of_arrays("count", X, y, codes).model.line(rows) for y in Y]
    middle, low, high = np.exp(np.array(lines)).transpose(1, 0, 2)
    assert (middle / true).mean() == pytest.approx(1, abs=0.03)
    assert 0.93 < ((low <= true) & (true <= high)).mean() < 0.97
