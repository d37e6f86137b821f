"""Power: what it says, and what it refuses because it has no exact answer."""

from __future__ import annotations

import numpy as np
import pytest

from castlab.designs import Factor, plan_trials, power
from castlab.designs.chances import of_means
from castlab.errors import InputError


def plan(**options):
    factors = [Factor("resin_c", 22, 32), Factor("pour", ["stream", "ladle"]), Factor("cure_c", 40, 60)]
    return plan_trials(factors, 12, **options)


def test_without_an_effect_the_chance_is_the_level_or_less():
    assert power(9, effect=0, kind="measure", spread=2).power == pytest.approx(0.05)
    for n in (6, 12, 25):
        assert power(n, effect=1, kind="count", base=3).power <= 0.05
        assert 0.01 < power(n, effect=1, kind="pass", base=0.6).power < 0.07


def test_one_call_says_how_many_castings_show_bubbles_halved():
    halved = power(8, effect=0.5, kind="count", base=6)
    assert power(halved.needed, effect=0.5, kind="count", base=6).power >= 0.8
    assert power(halved.needed - 1, effect=0.5, kind="count", base=6).power < 0.8
    assert f"takes {halved.needed} castings in each group" in halved.verdict
    assert halved.table["power"].is_monotonic_increasing
    assert halved.table["castings"].max() >= 2 * halved.needed


def test_more_castings_more_effect_and_less_scatter_all_raise_the_chance():
    base = power(8, effect=1, kind="measure", spread=1).power
    assert power(9, effect=1, kind="measure", spread=1).power > base
    assert power(8, effect=1.1, kind="measure", spread=1).power > base
    assert power(8, effect=1, kind="measure", spread=0.9).power > base


def test_large_effects_are_certain_to_show_for_any_degrees_of_freedom():
    shifts = np.linspace(0, 1e4, 4001)
    for df in (1, 2, 3, 4, 5, 10, 14, 40, 78, 998):
        found = of_means(shifts, df, 0.05)
        assert np.all(np.diff(found) >= -1e-9)
        assert found[0] == pytest.approx(0.05)
        assert found[-1] == pytest.approx(1, abs=1e-13)


def test_effects_too_small_for_the_workshop_say_so():
    tiny = power(8, effect=0.01, kind="measure", spread=1)
    assert tiny.needed is None
    assert "more than 500 castings" in tiny.verdict


def test_a_plan_names_its_weakest_main_effect_and_any_that_is_asked_for():
    batched = plan(per_batch=["resin_c"], batch_size=2)
    weakest = power(batched, effect=2, kind="measure", spread=1)
    assert weakest.power == weakest.table["power"].min()
    assert "resin temperature" in weakest.verdict
    assert "the plan's guess" in weakest.cautions[0]
    pour = power(batched, effect=2, kind="measure", spread=1, factor="pour")
    assert pour.power == weakest.table.set_index("effect").loc["pour", "power"]
    assert "<h4>Chance to show it</h4>" in pour._repr_html_()


def test_the_table_of_a_plan_names_effects_as_its_picture_and_verdict_do():
    plan = plan_trials([Factor("resin_c", 22, 32), Factor("rest_min", 0, 10)], 9, goal="curve")
    found = power(plan, kind="measure", effect=2, spread=1)
    told = found.tables()["Chance to show it"]["effect"].tolist()
    assert told == [
        "resin temperature",
        "rest",
        "resin temperature x rest",
        "bend of resin temperature",
        "bend of rest",
    ]
    assert told == [t.get_text().partition("\n")[0] for t in found.figure().axes[0].get_yticklabels()][::-1]


def test_a_plan_with_nothing_left_over_shows_nothing():
    saturated = plan_trials([Factor(f"x{j}", 0, 1) for j in range(11)], 12)
    found = power(saturated, effect=5, kind="measure", spread=1)
    assert found.power == 0
    assert any("nothing is left over" in c for c in found.cautions)


@pytest.mark.parametrize(
    ("castings", "options", "said"),
    [
        (8, {"effect": 1, "kind": "grade"}, "base is None; accepted for grades"),
        (8, {"effect": 2, "kind": "grade", "base": [0.5, 0.2]}, "1 together"),
        (8, {"effect": 1, "kind": "colour"}, "accepted: count, measure, grade, pass"),
        (8, {"effect": 0.5, "kind": "count", "base": 3, "dispersion": 0.5}, "from 1 up"),
        (8, {"effect": 2, "kind": "pass", "base": 0.5, "dispersion": 2}, "dispersion is for counts"),
        (8, {"effect": 2, "kind": "measure", "spread": 1, "batch_spread": 1}, "need batches"),
        (8, {"effect": 2, "kind": "measure", "spread": 1, "per_batch": True}, "need batches"),
        (8, {"effect": 2, "kind": "measure", "spread": 1, "batches": 4}, "batch_spread is None"),
        (8, {"effect": 2, "kind": "measure", "spread": 1, "batches": 4, "batch_spread": -1}, "from 0 up"),
        (8, {"effect": 2, "kind": "measure", "spread": 1, "simulations": 10}, "from 100 up"),
        (8, {"effect": 2, "kind": "measure", "spread": 1, "seed": -1}, "seed is -1"),
        ((8, 6), {"effect": 2, "kind": "measure", "spread": 1, "batches": 4, "batch_spread": 1}, "one number"),
        (8, {"effect": 0, "kind": "count", "base": 3}, "between 0 and 10000"),
        (8, {"effect": 0.5, "kind": "count"}, "base is None"),
        (8, {"effect": 0.5, "kind": "pass", "base": 0.5, "spread": 1}, "spread is for measures and counts"),
        (8, {"effect": 0.5, "kind": "count", "base": 9, "spread": 1}, "scatter by 3 by chance alone"),
        (8, {"effect": 0.5, "kind": "count", "base": 9, "spread": 4, "dispersion": 2}, "give one of them"),
        (8, {"effect": 2, "kind": "pass", "base": 1.2}, "between 0 and 1"),
        (8, {"effect": 2, "kind": "measure"}, "spread is None"),
        (8, {"effect": np.nan, "kind": "measure", "spread": 1}, "effect is nan"),
        (1, {"effect": 2, "kind": "measure", "spread": 1}, "2 to 500"),
        ((4, 5, 6), {"effect": 2, "kind": "measure", "spread": 1}, "pair"),
        ("many", {"effect": 2, "kind": "measure", "spread": 1}, "castings is 'many'"),
        (8, {"effect": 2, "kind": "measure", "spread": 1, "factor": "pour"}, "without a plan"),
        (8, {"effect": 2, "kind": "measure", "spread": 1, "alpha": 1}, "alpha"),
    ],
)
def test_what_has_no_exact_answer_or_no_meaning_is_refused(castings, options, said):
    with pytest.raises(InputError, match=said):
        power(castings, **options)


@pytest.mark.parametrize(
    ("castings", "batches", "per_batch", "said"),
    [
        (8, 2, True, "two batches leave none over .* batches=4"),
        (8, 5, True, "nearest possible request: batches=4"),
        (6, 5, False, "nearest possible request: batches=4"),
        (8, 16, False, "leave batches out"),
        (2, 3, True, "castings=4 and batches=4"),
    ],
)
def test_castings_that_cannot_be_shared_out_to_batches_are_refused_with_the_nearest_request(
    castings, batches, per_batch, said
):
    given = {"effect": 1, "kind": "measure", "spread": 1, "batch_spread": 1}
    with pytest.raises(InputError, match=said):
        power(castings, batches=batches, per_batch=per_batch, **given)


def test_a_plan_has_its_own_effects_and_batches():
    with pytest.raises(InputError, match="its effects: resin_c, pour, cure_c"):
        power(plan(), effect=1, kind="measure", spread=1, factor="phr")
    with pytest.raises(InputError, match="a plan has its own batches"):
        power(plan(), effect=1, kind="measure", spread=1, batches=4)
    with pytest.raises(InputError, match="this one has none"):
        power(plan(), effect=1, kind="measure", spread=1, batch_spread=1)
    batched = plan(per_batch=["resin_c"], batch_size=2)
    with pytest.raises(InputError, match="log of the mean count between batches"):
        power(batched, effect=0.5, kind="count", base=6)


def test_scatter_between_batches_of_your_own_replaces_the_guess_of_the_plan():
    guessed = plan(per_batch=["resin_c"], batch_size=2, batch_scatter=0.25)
    own = power(plan(per_batch=["resin_c"], batch_size=2), effect=2, kind="measure", spread=2, batch_spread=1)
    assert own.table["power"].to_list() == pytest.approx(
        power(guessed, effect=2, kind="measure", spread=2).table["power"].to_list(), abs=1e-6
    )
    assert "is yours" in own.cautions[0]


def test_whole_batches_need_more_castings_than_both_groups_in_each_batch():
    given = {"effect": 2, "kind": "measure", "spread": 1, "batches": 8, "batch_spread": 1}
    whole, each = power(16, per_batch=True, **given), power(16, **given)
    assert whole.needed > each.needed
    assert f"takes {whole.needed} castings in each group, in {whole.needed // 4 * 2} batches in all" in whole.verdict
    assert (whole.method, each.method) == ("t test of batch means", "t test within batches")


def test_the_spread_of_counts_says_the_same_as_their_variance_over_the_mean():
    same = {"effect": 0.5, "kind": "count", "base": 9, "simulations": 400, "seed": 3}
    assert power(8, spread=6, **same).power == power(8, dispersion=4, **same).power
    assert power(8, spread=3, **same).power == power(8, **same).power


def test_false_alarms_are_asked_for_by_no_effect():
    found = power(8, effect=0, kind="measure", spread=1)
    assert (round(found.power, 3), found.needed) == (0.05, None)
    assert "although there is none (false alarms)" in found.verdict
