"""What a plan's verdict, table and picture say is mixed agrees with the plain correlation of the columns of its run list."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from matplotlib.patches import Rectangle

from castlab.designs import Factor, aliasing, plan_trials

CLEAR = 0.01


def numbers(k: int) -> list[Factor]:
    return [Factor(f"x{j}", -1, 1) for j in range(k)]


def columns(plan) -> dict[str, np.ndarray]:
    """Main effects and two-factor interactions of a plan of two settings, from its run list alone."""
    signs = {n: np.where(plan.table[n].eq(plan.settings[n][-1]), 1.0, -1.0) for n in plan.factors}
    return signs | {f"{a} x {b}": signs[a] * signs[b] for a, b in combinations(plan.factors, 2)}


def between(x: np.ndarray, group: pd.Series) -> float:
    """Multiple correlation of a column with the groups: the root of the share of its variation between their means."""
    x = x - x.mean()
    means = pd.Series(x).groupby(group.to_numpy()).transform("mean")
    return float(np.sqrt(np.sum(means**2) / np.sum(x**2)))


def split(**options):
    factors = [
        Factor("resin_c", 22, 28, per_batch=True),
        Factor.on_off("mold_vacuum"),
        Factor("pour_method", ["stream", "ladle"]),
    ]
    return plan_trials(factors, batch_size=4, **options)


PLANS = {
    "12 castings, 5 factors": lambda: plan_trials(numbers(5), 12, goal="screen"),
    "20 castings, 6 factors": lambda: plan_trials(numbers(6), 20, goal="screen"),
    "13 castings, 4 factors": lambda: plan_trials(numbers(4), 13),
    "16 castings in 4 molds": lambda: split(runs=16, blocks=list("ABCD")),
    "24 castings in 3 molds": lambda: split(runs=24, blocks=list("ABC")),
    "16 castings in batches of 4": lambda: split(runs=16),
}


@pytest.mark.parametrize("which", PLANS)
def test_every_pair_that_is_mixed_stands_in_the_table_and_no_other(which):
    plan = PLANS[which]()
    found = {(r.effect, r.alias): r.correlation for r in plan.aliases.itertuples()}
    expected = {}
    effects = columns(plan)
    for (one, x), (other, y) in combinations(effects.items(), 2):
        expected[one, other] = np.corrcoef(x, y)[0, 1]
    for name, x in effects.items():
        for group in {"batch", "mold"} & set(plan.table):
            expected[name, group] = between(x, plan.table[group])
    assert found == {k: pytest.approx(r, abs=6e-4) for k, r in expected.items() if abs(r) >= CLEAR}


@pytest.mark.parametrize("which", PLANS)
def test_an_empty_field_of_the_map_is_clear_as_its_caption_says(which):
    plan = PLANS[which]()
    figure = plan.figure(kind="aliases")
    assert "empty: clear of each other" in " ".join(figure.get_suptitle().split())
    effects = columns(plan) | {g: plan.table[g] for g in ("batch", "mold") if g in plan.table}
    said = {aliasing.said(name): name for name in effects}
    axes = figure.axes[0]
    rows, across = ([said[t.get_text()] for t in labels] for labels in (axes.get_yticklabels(), axes.get_xticklabels()))
    written = {(int(t.get_position()[1]), int(t.get_position()[0])) for t in axes.texts}
    for field in [p for p in axes.patches if isinstance(p, Rectangle)]:
        place = int(field.get_y()), int(field.get_x())
        x, y = (effects[name] for name in (across[place[1]], rows[place[0]]))
        r = between(x, y) if rows[place[0]] in ("batch", "mold") else np.corrcoef(x, y)[0, 1]
        assert (abs(r) >= CLEAR) == (place in written)


def test_a_factorial_says_which_interaction_is_one_with_the_mold():
    plan = split(runs=8, blocks=list("ABCD"))
    pairs = ["resin temperature x mold vacuum", "resin temperature x pour method", "mold vacuum x pour method"]
    assert plan.kind == "full factorial"
    assert f"R{pairs[0][1:]}, {pairs[1]} and {pairs[2]} cannot be told from the mold." in plan.verdict
    assert [", ".join(pairs), "mold", "cannot be told apart"] in plan.tables()["What is mixed up with what"][
        ["effect", "alias", "words"]
    ].to_numpy().tolist()
    assert "mold" not in split(runs=16, blocks=list("ABCD")).verdict
    assert "mold" not in plan_trials(numbers(3), 16).verdict


def test_what_is_largely_and_what_is_partly_mixed_with_the_batch_are_told_apart():
    factors = [Factor("resin_c", 22, 28, per_batch=True), Factor("rest_min", 0, 10, per_batch=True), *numbers(2)]
    plan = plan_trials(factors, 24, batch_size=3, blocks=3)
    largely = plan.aliases[plan.aliases["alias"].eq("batch") & plan.aliases["words"].eq("largely mixed")]
    assert largely["effect"].tolist() == ["x0 x x1"]
    assert "X0 x x1 is largely mixed with the batch (correlation up to 0." in plan.verdict
    assert "X0, x1 and 4 interactions are partly mixed with the batch (correlation up to 0.33)" in plan.verdict


def test_what_the_castings_made_before_share_with_an_effect_is_told():
    made = pd.DataFrame({"resin_c": [22, 32, 22], "pour": ["stream"] * 3})
    factors = [Factor("resin_c", 22, 32), Factor("pour", ["stream", "ladle"])]
    plan = plan_trials(factors, 6, made=made)
    ladle = np.r_[np.zeros(3), plan.table["pour"].eq("ladle")]
    expected = abs(np.corrcoef(ladle, np.r_[np.ones(3), np.zeros(6)])[0, 1])
    found = plan.aliases.set_index(["effect", "alias"])["correlation"]
    assert found["pour", "made before"] == pytest.approx(expected, abs=6e-4)
    assert (
        "Pour is largely mixed with what has changed since the castings made before (correlation up to" in plan.verdict
    )
    assert "made before" in [t.get_text() for t in plan.figure(kind="aliases").axes[0].get_yticklabels()]
    assert not (plan_trials(factors, 6).aliases["alias"] == "made before").any()


def test_a_factorial_over_uneven_numbers_does_not_say_that_nothing_is_mixed():
    plan = plan_trials([Factor("resin_c", 22, 32), Factor("rest_min", [0, 2, 10])], 9, goal="curve")
    assert plan.kind == "full factorial"
    assert "no effect is mixed" not in plan.verdict
    assert "Bends are partly mixed with main effects (correlation up to 0.33)" in plan.verdict


def test_partial_mixing_among_interactions_is_in_the_verdict():
    assert "two-factor interactions (correlation up to 0.33), which are partly mixed among themselves (correlation up to 0.33)" in PLANS[
        "12 castings, 5 factors"
    ]().verdict  # fmt: skip
    assert "among themselves" not in plan_trials(numbers(5), 16).verdict


def test_many_pairs_are_told_in_few_rows_and_none_is_lost():
    screen = plan_trials(numbers(11), 12, goal="screen")
    told = screen.tables()["What is mixed up with what"]
    assert told["words"].tolist() == [f"partly mixed: {n} pairs, each in .aliases" for n in (495, 990)]
    assert set(told["correlation"]) == {"up to 0.33"}
    assert len(screen.aliases) == 495 + 990
    saturated = plan_trials(numbers(15), 16, goal="screen")
    chains = saturated.tables()["What is mixed up with what"]
    assert len(chains) == 15
    pairs = {
        frozenset(pair) for row in chains.itertuples() for pair in combinations([row.effect, *row.alias.split(", ")], 2)
    }
    assert pairs == {frozenset((r.effect, r.alias)) for r in saturated.aliases.itertuples()}


def test_levels_that_share_one_contrast_with_each_of_two_effects_do_not_chain_them():
    ties = pd.DataFrame(
        [("a", "b", 1.0, "cannot be told apart"), ("a", "c", 1.0, "cannot be told apart")], columns=aliasing.COLUMNS
    )
    space = plan_trials([Factor(n, 0, 1) for n in "abc"], 8)._runs.space
    assert aliasing.in_short(ties, space)["alias"].tolist() == ["b", "c"]


def test_one_is_said_only_of_effects_that_cannot_be_told_apart():
    nearly = pd.DataFrame([("a", "b", -0.997, "largely mixed")], columns=aliasing.COLUMNS)
    space = plan_trials([Factor(n, 0, 1) for n in "ab"], 4)._runs.space
    assert aliasing.in_short(nearly, space)["correlation"].tolist() == ["-0.99"]


def test_an_interaction_that_is_read_with_another_is_told():
    plan = plan_trials(numbers(6), 16, interactions=[("x0", "x1")])
    assert any("An effect is read together with the interactions" in c for c in plan.cautions)
    assert any("A main effect is read together" in c for c in plan_trials(numbers(7), 8).cautions)


def test_the_precision_in_the_verdict_holds_for_every_effect_bends_too():
    plan = plan_trials(
        [Factor("resin_c", 22, 32, per_batch=True), Factor.on_off("dried")], 16, goal="curve", batch_size=2
    )
    known = plan.precision[plan.precision["judged_on"] == "batches"]
    widest = known["half_width"].max()
    assert known.loc[known["half_width"].idxmax(), "effect"] == "bend of resin_c"
    assert f"Effects judged on batches will be known to within {widest:.2f} standard deviations" in plan.verdict


def test_nothing_left_within_batches_is_not_called_as_many_effects_as_castings():
    factors = [Factor("resin_c", 22, 28, per_batch=True), *numbers(4)]
    plan = plan_trials(factors, 8, batch_size=2)
    assert plan.precision.loc[plan.precision["judged_on"] == "castings", "df"].eq(0).all()
    assert plan.precision.loc[plan.precision["judged_on"] == "batches", "df"].gt(0).all()
    assert any(c.startswith("No casting is left over within batches") for c in plan.cautions)
    assert not any("As many effects as castings" in c for c in plan.cautions)
