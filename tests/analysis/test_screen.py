"""What screening finds, says and refuses."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import fit_factors, screen_effects
from castlab.designs import Factor, plan_trials
from castlab.errors import FitError, InputError

NAMES = ["warm", "slow", "dried", "tall"]


def plan(seed: int = 0, **sizes: float) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(list(product([0, 1], repeat=4)), columns=NAMES)
    return frame.assign(haze_pct=5 + sum(frame[n] * v for n, v in sizes.items()) + rng.normal(0, 0.5, 16))


def test_effects_that_are_there_are_named_and_the_others_are_not():
    found = screen_effects(plan(warm=4.0), "haze_pct", NAMES)
    assert found.effects.loc[found.effects["strength"] != "not shown", "effect"].to_list() == ["warm"]
    assert "warm 1 against 0 +" in found.verdict
    figure = found.figure()
    assert "Standing out: warm" in figure.alt
    assert found.left_over == 0


def test_about_one_plan_in_twenty_without_effects_shows_a_clear_one():
    clear = [
        (screen_effects(plan(seed), "haze_pct", NAMES).effects["strength"] == "clear").any() for seed in range(200)
    ]
    assert 2 <= sum(clear) <= 21


def test_a_plan_with_its_results_is_screened_and_its_aliases_are_named():
    design = plan_trials([Factor(n, 0, 1) for n in NAMES], runs=8, goal="screen", seed=2)
    rng = np.random.default_rng(1)
    made = design.table.assign(haze_pct=5 + 4 * design.table["slow"] + rng.normal(0, 0.2, 8))
    found = screen_effects(made, "haze_pct", NAMES)
    assert found.effects["effect"].iloc[0] == "slow"
    assert any("aliases together" in c for c in found.cautions)
    assert len(found.effects) == 7


def test_counts_are_compared_by_square_roots_and_that_is_said():
    rng = np.random.default_rng(4)
    frame = plan().assign(bubbles=lambda f: rng.poisson(np.where(f["warm"] == 1, 40, 9)))
    found = screen_effects(frame, "bubbles", NAMES)
    assert found.kind == "count"
    assert found.effects["effect"].iloc[0] == "warm"
    assert any("square roots" in c for c in found.cautions)


def test_a_saturated_fit_names_the_screen():
    frame = plan(warm=4.0)
    half = frame[frame[NAMES].sum(axis=1) % 2 == 0]
    with pytest.raises(FitError, match="screen_effects"):
        fit_factors(half, "haze_pct", NAMES, interactions=2 if len(half) == 8 else 0)


@pytest.mark.parametrize(
    ("change", "response", "factors", "error", "message"),
    [
        ({"warm": [20, 25, 30, 20] * 4}, "haze_pct", NAMES, InputError, "two settings each"),
        ({"passed": [True, False] * 8}, "passed", NAMES, InputError, "too coarse"),
        ({"haze_pct": 5.0}, "haze_pct", NAMES, FitError, "same in all castings"),
        ({}, "haze_pct", ["warm", "haze_pct"], InputError, "both the response and a factor"),
        ({}, "haze_pct", ["warm", "mold"], InputError, "no column 'mold'"),
        ({}, "haze_pct", ["warm", "slow"], FitError, "3 independent effects"),
    ],
)
def test_what_cannot_be_screened_is_refused_with_the_reason(change, response, factors, error, message):
    with pytest.raises(error, match=message):
        screen_effects(plan().assign(**change), response, factors)


def test_a_plan_with_gaps_is_refused():
    with pytest.raises(FitError, match="mixed up with"):
        screen_effects(plan().iloc[:13], "haze_pct", NAMES)
