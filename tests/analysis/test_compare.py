"""Comparing runs: groups, equivalence, and how they are refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from castlab.analysis import compare_runs, fit_factors
from castlab.errors import FitError, InputError


def recipes(shift: float = 0.0, n: int = 12, spread: float = 1.0, seed: int = 2) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, spread, 2 * n)
    noise -= np.repeat([noise[:n].mean(), noise[n:].mean()], n)  # the means differ by `shift` exactly
    return pd.DataFrame(
        {
            "haze_pct": 5 + np.repeat([0.0, shift], n) + noise,
            "recipe": pd.Categorical(np.repeat(["old", "new"], n), ["old", "new"]),
        }
    )


@pytest.mark.parametrize(
    ("shift", "spread", "margin", "conclusion"),
    [
        (0.0, 0.3, 0.5, "equivalent"),
        (2.0, 0.3, 0.5, "more"),
        (-2.0, 0.3, 0.5, "less"),
        (0.5, 0.3, 0.5, "no less"),
        (-0.5, 0.3, 0.5, "no more"),
        (0.0, 4.0, 0.5, "too few to tell"),
    ],
)
def test_an_equivalence_margin_gives_a_conclusion(shift, spread, margin, conclusion):
    result = compare_runs(recipes(shift, spread=spread), "haze_pct", "recipe", equivalence=margin)
    assert result.conclusion == conclusion
    assert "0.5 %" in result.verdict


def test_equivalence_is_two_one_sided_t_tests():
    frame = recipes(0.2, spread=0.4)
    old, new = (frame.loc[frame["recipe"] == r, "haze_pct"] for r in ("old", "new"))
    for margin in (0.3, 0.4, 0.45, 0.5, 0.6):
        lower = stats.ttest_ind(new + margin, old, alternative="greater").pvalue
        upper = stats.ttest_ind(new - margin, old, alternative="less").pvalue
        result = compare_runs(frame, "haze_pct", "recipe", equivalence=margin)
        assert (result.conclusion == "equivalent") == (max(lower, upper) < 0.05)


def test_the_estimate_is_the_other_group_against_the_reference():
    result = compare_runs(recipes(1.5), "haze_pct", "recipe")
    assert result.scale == "difference"
    assert result.reference == "old"
    assert result.estimate == pytest.approx(1.5)
    assert result.low < 1.5 < result.high
    assert result.conclusion is None
    assert result.groups["castings"].tolist() == [12, 12]
    assert result.groups["expected"].to_numpy() == pytest.approx([5, 6.5])


def test_counts_compare_as_ratios_and_pass_as_odds_ratios():
    frame = pd.DataFrame(
        {"bubbles": [4, 6, 5, 7, 9, 12, 10, 11], "ok": [1, 0, 1, 1, 0, 0, 1, 0], "pump": ["old"] * 4 + ["new"] * 4}
    )
    assert compare_runs(frame, "bubbles", "pump", equivalence=1.25).scale == "ratio"
    assert compare_runs(frame, "ok", "pump", kind="pass").scale == "odds ratio"


def test_more_than_two_groups_give_pairs_against_the_reference_and_an_overall_test():
    rng = np.random.default_rng(1)
    frame = pd.DataFrame(
        {"size_mm": rng.normal(0, 1, 30) + np.repeat([0, 0, 3], 10), "mold": np.repeat(["A", "B", "C"], 10)}
    )
    result = compare_runs(frame, "size_mm", "mold")
    assert result.pairs["group"].tolist() == ["B", "C"]
    reference = stats.f_oneway(*(g["size_mm"] for _, g in frame.groupby("mold")))
    assert result.overall_p == pytest.approx(reference.pvalue)
    assert (result.pairs["p_adjusted"] >= result.pairs["p_value"]).all()
    assert "any of the 3 groups" in result.verdict


def test_numbers_name_groups_too():
    frame = recipes(1.0).assign(lot=np.repeat([7, 12], 12)).drop(columns="recipe")
    result = compare_runs(frame, "haze_pct", "lot")
    assert result.reference == "7"
    assert result.pairs["contrast"].iloc[0] == "12 instead of 7"


def test_recipes_made_in_one_batch_each_cannot_be_compared():
    frame = recipes(2.0).assign(batch_id=lambda f: f["recipe"].astype(str))
    with pytest.raises(FitError, match="cannot be told from the batch"):
        compare_runs(frame, "haze_pct", "recipe")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"group": "pump"}, "no column 'pump'"),
        ({"equivalence": 0}, "above 0"),
        ({"equivalence": -1}, "above 0"),
        ({"equivalence": float("nan")}, "above 0"),
        ({"equivalence": "close"}, "a number"),
    ],
)
def test_bad_input_gets_one_clear_error(arguments, message):
    with pytest.raises(InputError, match=message):
        compare_runs(**{"frame": recipes(), "response": "haze_pct", "group": "recipe", **arguments})


def test_one_group_and_a_ratio_margin_below_one_are_refused():
    with pytest.raises(InputError, match="recipe is old in every casting, so there is nothing to compare"):
        compare_runs(recipes().assign(recipe="old"), "haze_pct", "recipe")
    with pytest.raises(InputError, match="recipe is not recorded for any casting"):
        compare_runs(recipes().assign(recipe=None), "haze_pct", "recipe")
    frame = pd.DataFrame({"bubbles": [4, 6, 5, 9, 12, 10], "pump": ["old"] * 3 + ["new"] * 3})
    with pytest.raises(InputError, match="a factor above 1"):
        compare_runs(frame, "bubbles", "pump", equivalence=0.8)


@pytest.mark.parametrize("dtype", ["float64", "category"])
def test_a_group_of_which_no_casting_was_read_does_not_spoil_the_picture(dtype):
    frame = pd.DataFrame({"haze_pct": [1.2, 2.1, 3.3, 2.2, 3.1, None], "warm": [20.0, 20, 22, 22, 22, 25]})
    result = compare_runs(frame.astype({"warm": dtype}), "haze_pct", "warm")
    assert result.groups["group"].tolist() == ["20", "22"]
    assert "22, 3 castings" in result.figure().alt


@pytest.mark.parametrize(
    ("shift", "spread", "margin", "better", "judgement"),
    [
        (-2.0, 0.3, None, None, "better"),  # haze: fewer is better
        (2.0, 0.3, None, None, "worse"),
        (2.0, 0.3, None, "more", "better"),
        (0.0, 0.3, 0.5, None, "equivalent"),
        (-0.2, 0.55, 0.5, None, "no worse"),
        (0.0, 4.0, 0.5, None, "too few to tell"),
        (0.0, 4.0, None, None, "too few to tell"),
    ],
)
def test_where_a_direction_is_better_the_comparison_says_so(shift, spread, margin, better, judgement):
    result = compare_runs(recipes(shift, spread=spread), "haze_pct", "recipe", equivalence=margin, better=better)
    assert result.judgement == judgement
    assert ("would be enough in 4 of 5 tries" in result.verdict) == (judgement in ("no worse", "too few to tell"))


def test_no_judgement_is_made_where_it_is_not_known_what_is_better():
    result = compare_runs(recipes(2.0, spread=0.3).rename(columns={"haze_pct": "shore_d"}), "shore_d", "recipe")
    assert (result.better, result.judgement) == (None, None)
    with pytest.raises(InputError, match='accepted: "fewer", "more"'):
        compare_runs(recipes(), "haze_pct", "recipe", better="nicer")


def test_a_smaller_difference_and_more_scatter_between_batches_need_more_castings():
    def batched(shift: float, tau: float) -> pd.DataFrame:
        rng = np.random.default_rng(4)
        batch = np.repeat(np.arange(12), 3)
        luck = np.resize([-1.0, -1.0, 1.0, 1.0], 12)[batch] * tau
        recipe = np.where(batch % 2, "new", "old")
        haze = 5 + shift * (recipe == "new") + luck + rng.normal(0, 0.4, 36)
        return pd.DataFrame({"haze_pct": haze, "recipe": recipe, "batch_id": batch})

    calm, rough = (
        compare_runs(batched(0.0, tau), "haze_pct", "recipe", equivalence=0.2).more_needed for tau in (0.2, 1.0)
    )
    assert rough.castings > calm.castings > 0
    assert calm.batches == np.ceil(calm.castings / 3)
    assert calm.low <= calm.castings <= calm.high
    near, far = (compare_runs(batched(shift, 0.3), "haze_pct", "recipe").more_needed for shift in (0.2, 2.0))
    assert near.castings > far.castings == 0


def test_the_numbers_of_what_is_needed_stand_in_a_table():
    result = compare_runs(recipes(0.0, spread=1.0), "haze_pct", "recipe", equivalence=0.5)
    table = result.tables()["To settle it (80% power)"].iloc[0]
    assert table["castings more"] == f"{result.more_needed.castings:.0f}"
    assert f"about {table['castings more']} more castings" in result.verdict.lower()


@pytest.mark.parametrize("recorded", [{"missed": (6, 40)}, {"within": ("low", "high")}, {"at_least": "stopped"}])
def test_counts_not_known_exactly_are_compared_with_wider_intervals(recorded):
    rng = np.random.default_rng(5)
    bubbles = rng.poisson(np.repeat([9.0, 5.0], 10))
    frame = pd.DataFrame(
        {
            "bubbles": bubbles, "recipe": np.repeat(["old", "new"], 10), "low": np.maximum(bubbles - 4, 0),
            "high": bubbles + 4, "stopped": bubbles >= np.sort(bubbles)[-6],
        }
    )  # fmt: skip
    exact, told = (compare_runs(frame, "bubbles", "recipe", **how) for how in ({}, recorded))
    assert np.log(told.high / told.low) > np.log(exact.high / exact.low)


def test_single_scores_are_compared_as_in_the_fit():
    rng = np.random.default_rng(6)
    frame = pd.DataFrame({"trial_id": [f"T-{i}" for i in range(16)], "recipe": np.repeat(["old", "new"], 8)})
    read = pd.concat(
        [frame.assign(scorer=who, bubbles=rng.poisson(6, 16))[["trial_id", "scorer", "bubbles"]] for who in "ab"]
    )
    compared = compare_runs(frame, "bubbles", "recipe", scores=read)
    fitted = fit_factors(frame, "bubbles", "recipe", scores=read)
    assert [compared.low, compared.high] == fitted.effects.loc[0, ["low", "high"]].to_list()


def test_a_group_that_stands_out_among_several_is_not_called_sure():
    rng = np.random.default_rng(8)
    haze = rng.normal(0, 1, 40)
    haze -= np.repeat(haze.reshape(4, 10).mean(axis=1), 10)
    frame = pd.DataFrame(
        {"haze_pct": 5 + haze + np.repeat([0, -1.15, 0, 0], 10), "recipe": np.repeat(list("ABCD"), 10)}
    )
    found = compare_runs(frame, "haze_pct", "recipe")
    row = found.pairs.iloc[0]
    assert row["p_value"] < 0.05 < row["p_adjusted"]
    assert "B came out better than A, though not surely after looking at several groups." in found.verdict


def test_what_settles_a_comparison_is_told_for_each_pair_that_is_open():
    rng = np.random.default_rng(3)
    haze = rng.normal(0, 1, 32)
    haze -= np.repeat(haze.reshape(4, 8).mean(axis=1), 8)
    shift = np.repeat([0, -0.3, -3.0, -0.8], 8)
    frame = pd.DataFrame({"haze_pct": 5 + haze + shift, "recipe": np.repeat(list("ABCD"), 8)})
    found = compare_runs(frame, "haze_pct", "recipe")
    assert found.pairs["judgement"].to_list() == ["too few to tell", "better", "too few to tell"]
    table = found.tables()["To settle it (80% power)"].set_index("pair")
    assert list(table.index) == ["B against A", "D against A"]
    small, _, large = found.needed
    assert small.castings > large.castings > 0
    assert found.more_needed is small
    for name, more in (("B against A", small), ("D against A", large)):
        assert f"{name} {more.said()}" in found.verdict
        assert table.loc[name, "castings more"] == f"{more.castings:.0f}"
    two = compare_runs(frame[frame["recipe"].isin(["A", "D"])], "haze_pct", "recipe")
    assert "each pair" not in two.verdict


def test_a_numeric_group_is_told_with_its_unit():
    made = pd.DataFrame({"bubbles": [9, 12, 8, 11, 3, 5, 2, 4], "resin_c": [22.0] * 4 + [30.0] * 4})
    said = compare_runs(made, "bubbles", "resin_c").verdict
    assert "4 at 22 °C and 4 at 30 °C" in said
    assert "Resin temperature 30 instead of 22 °C: " in said
    assert "came out better than 22 °C" in said
    named = compare_runs(made.assign(resin_c=["cold"] * 4 + ["22"] * 4), "bubbles", "resin_c").verdict
    assert "°C" not in named
