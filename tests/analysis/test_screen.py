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


def test_a_missing_score_is_named_where_the_plan_is_sound_without_it():
    made = plan().astype({"haze_pct": float})
    made.loc[made.index[3], "haze_pct"] = np.nan
    with pytest.raises(FitError, match=r"haze_pct is missing for 1 of 16 castings \(.*: score or cast what is missing"):
        screen_effects(made, "haze_pct", NAMES)


# settings of a whole batch


def split_plot(seed: int, between: float, **sizes: float) -> pd.DataFrame:
    """Three settings per batch (8 batches) and two per casting, all combinations once."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(list(product([0, 1], repeat=5)), columns=["warm", "thin", "long", "slow", "dried"])
    batch = np.repeat(np.arange(8), 4)
    level = sum((frame[name] * size for name, size in sizes.items()), start=np.zeros(32))
    return frame.assign(batch_id=batch, haze_pct=5 + level + rng.normal(0, between, 8)[batch] + rng.normal(0, 0.5, 32))


BOTH = ["warm", "thin", "long", "slow", "dried"]


def test_what_is_set_per_batch_is_judged_on_batches_and_the_rest_on_castings():
    found = screen_effects(split_plot(1, 1.0, slow=1.5), "haze_pct", BOTH, batch="batch_id")
    assert found.effects.groupby("judged_on")["effect"].size().to_dict() == {"batches": 7, "castings": 24}
    own = found.effects[found.effects["judged_on"] == "batches"]
    assert not own["effect"].str.contains("slow|dried").any()
    strata = found.strata.set_index("judged_on")
    assert strata.loc["batches", "pse"] > 2 * strata.loc["castings", "pse"]
    assert (own["high"] - own["low"]).to_list() == pytest.approx([2 * strata.loc["batches", "margin"]] * 7)
    assert found.effects.loc[found.effects["strength"] == "clear", "effect"].to_list() == ["slow"]
    assert found.margin == strata.loc["castings", "margin"]
    assert "Set per batch: no effect stands out" in found.verdict
    assert "Set per casting: stand out clearly, all effects counted: slow 1 against 0" in found.verdict
    assert not any("share a batch" in c for c in found.cautions)
    figure = found.figure()
    assert len(figure.axes) == 2
    assert "Set per batch: 7 effects" in figure.alt


def test_without_effects_batches_that_scatter_give_no_more_findings_than_one_plan_in_twenty():
    apart, together = (
        [
            (screen_effects(split_plot(seed, 1.0), "haze_pct", BOTH, batch=batch).effects["strength"] == "clear").any()
            for seed in range(120)
        ]
        for batch in ("batch_id", None)
    )
    assert sum(apart) <= 12
    assert sum(together) > 40


def test_batches_too_few_to_judge_by_are_told_and_the_rest_is_judged():
    frame = split_plot(2, 1.0, dried=2.0)
    part = frame[frame["long"] == 0].assign(batch_id=lambda f: f["warm"] * 2 + f["thin"])
    found = screen_effects(part, "haze_pct", ["warm", "thin", "slow", "dried"], batch="batch_id")
    own = found.effects[found.effects["judged_on"] == "batches"]
    assert own["p_value"].isna().all()
    assert set(own["strength"]) == {"not shown"}
    assert "Set per batch: 3 effects (" in found.verdict
    assert any("told, not judged" in c for c in found.cautions)
    assert found.effects.set_index("effect").loc["dried", "strength"] == "clear"
    assert len(found.figure().axes) == 1


def test_a_setting_that_changed_both_ways_is_refused_and_a_batch_each_changes_nothing():
    frame = split_plot(3, 0.5, slow=2.0)
    with pytest.raises(FitError, match="warm changed between batches as well as within them"):
        screen_effects(frame.assign(batch_id=frame["batch_id"].replace({7: 0})), "haze_pct", BOTH, batch="batch_id")
    alone = screen_effects(frame.assign(batch_id=range(32)), "haze_pct", BOTH, batch="batch_id")
    pd.testing.assert_frame_equal(alone.effects, screen_effects(frame, "haze_pct", BOTH).effects)
    with pytest.raises(InputError, match="not written down for 1 casting"):
        screen_effects(frame.assign(batch_id=[None, *range(31)]), "haze_pct", BOTH, batch="batch_id")
