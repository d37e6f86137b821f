"""What `fit_factors` says, and how it fails."""

from __future__ import annotations

import subprocess
import sys
import warnings

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import fit_factors, screen_effects, watch, what_is_confounded
from castlab.analysis.effects import STRENGTHS, holm
from castlab.analysis.models import choose
from castlab.errors import FitError, InputError


def batches(number: int = 8, size: int = 4, seed: int = 3, **ratios: float) -> pd.DataFrame:
    """Castings in batches: `warm` set per batch, `ladle` per casting, counts with batch scatter."""
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(number), size)
    warm, ladle = batch % 2 == 1, np.tile(np.arange(size) % 2 == 1, number)
    log_mean = np.log(12) + warm * np.log(ratios.get("warm", 1.0)) + ladle * np.log(ratios.get("ladle", 1.0))
    log_mean = log_mean + rng.normal(0, 0.2, number)[batch]
    return pd.DataFrame(
        {
            "batch_id": [f"B-{b:03d}" for b in batch],
            "warm": warm,
            "pour": np.where(ladle, "ladle", "stream"),
            "bubbles": rng.poisson(np.exp(log_mean)),
            "size_mm": 0.1 * log_mean + rng.normal(0, 0.02, number * size),
        }
    )


def test_known_effects_are_recovered_within_their_intervals():
    fit = fit_factors(batches(number=12, warm=0.5, ladle=1.8), "bubbles", ["warm", "pour"])
    low, high = fit.effects["low"], fit.effects["high"]
    assert low[0] < 0.5 < high[0]
    assert low[1] < 1 / 1.8 < high[1]  # stream against ladle: ties of the most common level go by name
    assert set(fit.effects["strength"]) == {"clear"}
    assert "times as many bubbles" in fit.verdict
    assert "95% interval" in fit.verdict


def test_the_columns_of_the_tables_are_the_documented_ones():
    fit = fit_factors(batches(), "bubbles", ["warm", "pour"])
    assert list(fit.effects.columns) == [
        "factor", "contrast", "estimate", "low", "high", "p_value", "p_adjusted", "ratio", "strength", "look",
    ]  # fmt: skip
    assert list(fit.tests.columns) == [
        "factor", "statistic", "df", "p_value", "p_adjusted", "method", "strength", "look",
    ]  # fmt: skip
    assert set(fit.effects["strength"]) <= set(STRENGTHS)
    assert set(fit.tables()) == {"Effects", "Tests"}
    assert fit.response == "bubbles"
    assert fit.factors == ("warm", "pour")
    assert fit.batch == "batch_id"
    assert len(fit.data) == fit.n == 32


def test_the_logbooks_batch_column_is_used_and_said_and_can_be_switched_off():
    used = fit_factors(batches(), "bubbles", ["warm", "pour"])
    assert used.n_batches == 8
    assert any("batch_id" in c for c in used.cautions)
    assert used.tests["method"].str.startswith(("between batches", "within batches")).all()
    switched_off = fit_factors(batches(), "bubbles", ["warm", "pour"], batch=False)
    assert switched_off.n_batches == 0
    assert any("switched off" in c for c in switched_off.cautions)


def test_the_batch_column_of_a_plans_table_is_used_and_said():
    planned = batches().rename(columns={"batch_id": "batch"})
    used = fit_factors(planned, "bubbles", ["warm", "pour"])
    assert used.effects.equals(fit_factors(batches(), "bubbles", ["warm", "pour"]).effects)
    assert any("Batches were taken from batch:" in c for c in used.cautions)
    assert fit_factors(planned, "bubbles", ["batch", "pour"]).batch is None
    blank = planned.assign(batch=None)
    assert fit_factors(blank, "bubbles", ["warm", "pour"]).n == 32


@pytest.mark.parametrize("name", ["cup", "Cup No", "batch_number"])
def test_a_column_that_may_name_the_cup_is_pointed_at_where_no_batch_was_given(name):
    frame = batches().rename(columns={"batch_id": name})
    said = [c for c in fit_factors(frame, "bubbles", ["warm", "pour"]).cautions if "independent" in c]
    assert len(said) == 1
    assert f"batch={name!r}" in said[0]
    for quiet in (
        fit_factors(frame, "bubbles", ["warm", "pour"], batch=name),
        fit_factors(frame, "bubbles", ["warm", "pour"], batch=False),
        fit_factors(frame.drop_duplicates(name), "bubbles", ["warm"]),
        fit_factors(frame.rename(columns={name: "cup_degas_min"}), "bubbles", ["warm", "pour"]),
    ):
        assert not any("give batch=" in c for c in quiet.cautions)


def test_a_per_batch_factor_is_judged_on_batches_and_a_per_casting_factor_on_castings():
    fit = fit_factors(batches(), "size_mm", ["warm", "pour"])
    df = fit.tests.set_index("factor")["df"].str.split(", ").str[1].astype(float)
    assert df["warm"] == pytest.approx(6)
    assert df["pour"] == pytest.approx(23)


def test_not_shown_is_never_called_no_effect():
    fit = fit_factors(batches(), "bubbles", ["warm", "pour"])
    assert (fit.effects["strength"] == "not shown").any()
    assert "Not shown by these castings" in fit.verdict
    assert "remains possible" in fit.verdict
    assert "no effect" not in str(fit).lower()


def test_holm_agrees_with_statsmodels():
    from statsmodels.stats.multitest import multipletests

    p = [0.01, 0.04, 0.03, 0.5, 0.005]
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


def test_the_order_of_rows_does_not_matter():
    frame = batches(warm=0.6)
    one = fit_factors(frame, "bubbles", ["warm", "pour"]).effects
    other = fit_factors(frame.sample(frac=1, random_state=1), "bubbles", ["warm", "pour"]).effects
    assert one["estimate"].to_numpy() == pytest.approx(other["estimate"].to_numpy())
    assert one["p_value"].to_numpy() == pytest.approx(other["p_value"].to_numpy())


def test_exposure_turns_counts_into_counts_per_area():
    frame = batches(number=12)
    frame["area"] = np.where(frame["pour"] == "ladle", 2.0, 1.0)
    plain = fit_factors(frame, "bubbles", ["pour"], batch=False).effects["estimate"].iloc[0]
    per_area = fit_factors(frame, "bubbles", ["pour"], batch=False, exposure="area").effects["estimate"].iloc[0]
    assert per_area == pytest.approx(2 * plain, rel=0.02)


def test_a_setting_without_any_count_gets_a_finite_estimate_and_a_caution():
    frame = pd.DataFrame({"bubbles": [4, 6, 3, 5, 0, 0, 0, 0], "pour": ["stream"] * 4 + ["ladle"] * 4})
    fit = fit_factors(frame, "bubbles", ["pour"])
    assert np.isfinite(fit.effects[["estimate", "low"]].to_numpy()).all()
    assert any("No count at all" in c for c in fit.cautions)
    assert fit.method.startswith("bias-reduced Poisson")
    in_batches = frame.assign(batch=list("aabbccdd"))
    fit = fit_factors(in_batches, "bubbles", ["pour"], batch="batch")
    assert np.isfinite(fit.effects[["estimate", "low", "high"]].to_numpy()).all()


def test_a_negative_binomial_that_does_not_converge_becomes_quasi_poisson_with_the_reason(monkeypatch):
    from castlab.analysis.models import count_fit

    monkeypatch.setattr(count_fit, "_negative_binomial", lambda *_: None)
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({"bubbles": rng.negative_binomial(1, 0.1, 60), "pour": ["stream", "ladle"] * 30})
    fit = fit_factors(frame, "bubbles", ["pour"])
    assert fit.method.startswith("quasi-Poisson")
    assert any("did not converge" in c for c in fit.cautions)


def graded(grades: list[list[int]], warm_cups: bool = False) -> pd.DataFrame:
    """Grades of cups: in each the first half of the castings is poured in a stream, or whole cups in turn are warm."""
    batch = np.repeat(np.arange(len(grades)), len(grades[0]))
    ladle = batch % 2 if warm_cups else np.tile(np.arange(len(grades[0])) >= len(grades[0]) / 2, len(grades))
    return pd.DataFrame({"batch_id": batch, "ladle": ladle.astype(bool), "clarity_grade": np.concatenate(grades)})


def test_grades_that_separate_keep_their_model_with_an_interval_that_is_open_on_one_side():
    frame = pd.DataFrame({"clarity_grade": [0, 0, 1, 1, 3, 3, 4, 4], "ladle": [False] * 4 + [True] * 4})
    fit = fit_factors(frame, "clarity_grade", ["ladle"])
    assert fit.scale == "odds ratio"
    row = fit.effects.iloc[0]
    assert 1 < row["low"] < row["estimate"] < row["high"] == np.inf
    assert row["strength"] == "clear"
    expected = fit.expected({"ladle": [False, True]})["expected"]
    assert expected[0] < 1.2
    assert expected[1] > 2.8
    assert any("separate on" in c for c in fit.cautions)


def test_grades_that_separate_in_fewer_than_eight_castings_are_likely_at_most():
    frame = pd.DataFrame({"clarity_grade": [0, 0, 1, 3, 4, 4], "ladle": [False] * 3 + [True] * 3})
    fit = fit_factors(frame, "clarity_grade", ["ladle"])
    assert fit.effects["p_value"].iloc[0] < 0.05
    assert fit.effects["strength"].iloc[0] == "likely"
    assert any("10% of all ways" in c for c in fit.cautions)  # 2 of the 20 ways to choose three of six


@pytest.mark.parametrize(
    ("cups", "warm_cups"),
    [
        ([[0, 0, 4, 4]] * 5 + [[0, 1, 3, 4]], False),
        ([[0, 1, 3, 4]] * 4, False),
        ([[0, 3], [1, 4], [0, 4], [1, 3], [0, 4], [2, 4]], False),
        ([[0, 0, 0, 0], [4, 4, 4, 4]] * 2 + [[0, 0, 0, 1], [3, 4, 4, 4]], True),
    ],
)
def test_no_grades_read_surer_than_those_that_are_told_apart_completely(cups, warm_cups):
    p = []
    for swaps in range(3):  # the best of one setting against the worst of the other, cup by cup
        made = [list(cup) for cup in cups]
        for k in range(swaps):
            one, other = (made[2 * k], made[2 * k + 1]) if warm_cups else (made[k], made[k])
            one[0], other[-1] = other[-1], one[0]
        fit = fit_factors(graded(made, warm_cups), "clarity_grade", ["ladle"])
        p.append(fit.tests["p_value"].iloc[0])
    assert p[0] < 0.01
    assert p[0] < min(p[1:])


def test_grades_that_follow_two_settings_without_any_scatter_are_judged():
    ladle, tilt = np.tile([0, 0, 1, 1], 4), np.tile([0, 1], 8)
    frame = pd.DataFrame(
        {"clarity_grade": 2 * ladle + tilt, "ladle": ladle, "tilt": tilt, "batch_id": np.repeat(range(4), 4)}
    )
    for batch in (None, False):
        fit = fit_factors(frame, "clarity_grade", ["ladle", "tilt"], batch=batch)
        assert (fit.effects["p_value"] < 0.05).all()
        assert (fit.effects["low"] > 1).all()


def test_two_grades_in_use_are_analysed_as_two_outcomes():
    frame = pd.DataFrame({"tack_grade": [3, 4, 4, 3, 3, 4, 3, 3], "pour": ["stream", "ladle"] * 4})
    fit = fit_factors(frame, "tack_grade", ["pour"])
    assert "two grades in use" in fit.method
    expected = fit.expected({"pour": ["stream", "ladle"]})
    assert expected["expected"].between(3, 4).all()


def test_pass_that_separates_in_batches_stays_finite():
    frame = pd.DataFrame(
        {
            "batch_id": np.repeat(list("abcdef"), 3),
            "warm": np.repeat([False, True] * 3, 3),
            "passed": np.repeat([False, True] * 3, 3),
        }
    )
    fit = fit_factors(frame, "passed", ["warm"])
    assert np.isfinite(fit.effects["estimate"]).all()
    assert fit.effects["low"].iloc[0] > 1
    assert fit.effects["high"].iloc[0] == np.inf
    assert any("only one outcome" in c for c in fit.cautions)
    assert any("judged on 6 batches, not on 18 castings" in c for c in fit.cautions)


def test_settings_that_always_changed_together_are_reported_and_one_is_left_out():
    frame = batches(warm=0.5).assign(dried=lambda f: f["warm"])
    fit = fit_factors(frame, "bubbles", ["warm", "dried", "pour"])
    assert set(fit.dropped) == {"dried"}
    assert fit.factors == ("warm", "pour")
    assert any("dried and warm always changed together" in c for c in fit.cautions)
    assert "dried" in fit.verdict


def test_a_factor_that_was_never_varied_is_left_out_and_said():
    fit = fit_factors(batches().assign(cure_h=24), "bubbles", ["cure_h", "pour"])
    assert "never varied" in fit.dropped["cure_h"]
    with pytest.raises(FitError, match=r"none of the factors can be judged.*never varied"):
        fit_factors(batches().assign(cure_h=24), "bubbles", ["cure_h"])


def test_with_two_batches_a_per_batch_factor_cannot_be_told_from_the_batch():
    frame = batches(number=2, size=8)
    with pytest.raises(FitError, match="cannot be told from the batch"):
        fit_factors(frame, "bubbles", ["warm"])
    fit = fit_factors(frame, "bubbles", ["warm", "pour"])
    assert fit.factors == ("pour",)
    assert "warm" in fit.dropped


def test_one_casting_per_batch_makes_castings_the_units():
    frame = batches(number=12, size=1).drop(columns="pour")
    fit = fit_factors(frame, "bubbles", ["warm"])
    assert fit.batch is None
    assert any("one casting" in c for c in fit.cautions)


def test_missing_values_are_counted_per_column():
    frame = batches().astype({"bubbles": "Int64"})
    frame.loc[0, "bubbles"] = pd.NA
    frame.loc[[1, 2], "pour"] = None
    fit = fit_factors(frame, "bubbles", ["warm", "pour"])
    assert fit.rows_left_out == 3
    assert fit.missing == {"bubbles": 1, "pour": 2}
    assert any("3 of 32 castings were left out" in c for c in fit.cautions)


@pytest.mark.parametrize("dtype", ["object", "str", "category", "string"])
def test_text_factors_of_any_dtype_give_the_same_answer(dtype):
    frame = batches(ladle=1.8)
    reference = fit_factors(frame, "bubbles", ["pour"]).effects["estimate"].iloc[0]
    assert fit_factors(frame.astype({"pour": dtype}), "bubbles", ["pour"]).effects["estimate"].iloc[0] == pytest.approx(
        reference
    )


@pytest.mark.parametrize("dtype", ["int64", "Int64", "float64", "Float64", "int8", "object"])
def test_counts_of_any_dtype_give_the_same_answer(dtype):
    frame = batches(ladle=1.8)
    reference = fit_factors(frame, "bubbles", ["pour"]).effects["estimate"].iloc[0]
    fit = fit_factors(frame.astype({"bubbles": dtype}), "bubbles", ["pour"])
    assert fit.kind == "count"
    assert fit.effects["estimate"].iloc[0] == pytest.approx(reference)


@pytest.mark.parametrize(
    ("values", "name", "kind"),
    [
        ([True, False, True, True] * 3, "passed", "pass"),
        (pd.array([True, False, None, True] * 3, dtype="boolean"), "passed", "pass"),
        (["yes", "no", "No ", "YES"] * 3, "sellable", "pass"),
        ([0, 1, 3, 2] * 3, "clarity_grade", "grade"),
        (pd.Categorical(["low", "mid", "high", "mid"] * 3, ["low", "mid", "high"], ordered=True), "look", "grade"),
        ([0, 4, 2, 7] * 3, "bubbles", "count"),
        ([80.0, 82.0, 79.0, 81.0] * 3, "shore_d", "measure"),
        ([80, 82, 79, 81] * 3, "shore_d", "measure"),
        ([3, 5, 2, 4] * 3, "haze_pct", "measure"),
        ([0, 1, 1, 0] * 3, "bubbles", "count"),
        ([0.1, 0.4, 0.2, 0.3] * 3, "gap", "measure"),
        ([-1, 0, 2, 1] * 3, "offset", "measure"),
    ],
)
def test_the_kind_is_inferred_and_said(values, name, kind):
    frame = pd.DataFrame({name: values, "way": ["a", "a", "b", "b"] * 3})
    fit = fit_factors(frame, name, ["way"])
    assert fit.kind == kind
    assert any(f"taken as a {kind}" in c for c in fit.cautions)


def test_column_names_may_hold_anything():
    frame = batches(ladle=1.8).rename(columns={"pour": "pour method (how?)", "bubbles": "bubbles: all + 1 ~ x"})
    fit = fit_factors(frame, "bubbles: all + 1 ~ x", ["pour method (how?)", "warm"], interactions=2)
    assert fit.effects["factor"].tolist()[:2] == ["pour method (how?)", "warm"]


def test_expected_holds_missing_factors_and_flags_extrapolation():
    frame = batches(warm=0.5).assign(resin_c=lambda f: np.where(f["warm"], 30.0, 22.0) + (f.index % 3))
    fit = fit_factors(frame, "bubbles", ["resin_c", "pour"])
    table = fit.expected({"resin_c": [22, 40]})
    assert table["extrapolates"].tolist() == [False, True]
    assert (table["low"] < table["expected"]).all()
    assert (table["expected"] < table["high"]).all()
    assert "pour at" in table.attrs["held"]
    assert len(fit.expected(pd.DataFrame({"resin_c": [22, 25, 28]}))) == 3
    with pytest.raises(InputError, match="not a factor"):
        fit.expected({"mold": "A"})
    with pytest.raises(InputError, match="no level 'syringe'"):
        fit.expected({"pour": "syringe"})
    with pytest.raises(InputError, match="lists of settings"):
        fit.expected({"pour": ["ladle", "stream"], "resin_c": [22, 23, 24]})
    with pytest.raises(InputError, match="missing value"):
        fit.expected({"resin_c": None})


def test_text_among_numbers_is_refused_with_the_casting_and_the_text():
    warm = [22.0, 24.0, 28.0, "about 24"] * 3
    frame = pd.DataFrame({"resin_c": warm, "bubbles": [3, 5, 4, 6, 2, 7, 5, 3, 4, 6, 5, 4]})
    with pytest.raises(InputError, match=r"resin_c holds 'about 24' \(row 3\) among numbers"):
        fit_factors(frame, "bubbles", ["resin_c"])
    named = frame.assign(trial_id=[f"T-{k:03d}.1" for k in range(12)])
    for asked in (lambda f: fit_factors(f, "bubbles", ["resin_c"]), lambda f: what_is_confounded(f, ["resin_c"])):
        with pytest.raises(InputError, match=r"'about 24' \(casting T-003.1\)"):
            asked(named)
    levels = frame.assign(resin_c=pd.Categorical([str(v) for v in warm]))
    assert len(fit_factors(levels, "bubbles", ["resin_c"]).effects) == 3


def test_numbers_typed_as_text_beside_another_text_are_levels_and_that_is_said():
    frame = pd.DataFrame(
        {"resin_c": ["22", "24", "28", "about 24"] * 3, "bubbles": [3, 5, 4, 6, 2, 7, 5, 3, 4, 6, 5, 4]}
    )
    fit = fit_factors(frame, "bubbles", ["resin_c"])
    assert any("'about 24' (row 3), so all of its settings were taken as levels" in said for said in fit.cautions)
    for plain in (["wax", "spray", "none", "1"], ["1", "2", "3", "4"], [5.0, "none", 5.0, "none"]):
        other = fit_factors(frame.assign(release=plain * 3), "bubbles", ["release"])
        assert not any("taken as levels" in said for said in other.cautions)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["22", "32"], "resin_c holds numbers written as text, which were taken as levels"),
        (["22", "22.0", "32", "32"], "resin_c holds numbers written as text, which were taken as levels"),
        (["22", "32", "32 C", "22"], "resin_c holds '32 C' (row 2), so all of its settings were taken as levels"),
        (["22 C", "32 C"], "resin_c holds '22 C' (row 0), so all of its settings were taken as levels"),
        (["22", "22,5", "32", "32"], "resin_c holds '22,5' (row 1), so all of its settings were taken as levels"),
    ],
)
def test_text_in_a_column_with_a_unit_becomes_levels_but_not_without_a_word(typed, said):
    counts = [3, 5, 4, 6, 2, 7, 5, 3, 4, 6, 5, 4]
    fit = fit_factors(pd.DataFrame({"resin_c": (typed * 6)[:12], "bubbles": counts}), "bubbles", "resin_c")
    assert any(caution.startswith(said) for caution in fit.cautions)


@pytest.mark.parametrize("size", [5_000, 20_000, 150_000, 1_000_000])
@pytest.mark.parametrize("apart", [0.02, 0.6])
def test_large_counts_in_batches_get_the_answer_of_their_logarithms(size, apart):
    """Where counting adds no luck to speak of, the model of log counts is that of a measure, so its answers are the check."""
    rng = np.random.default_rng(11)
    batch = np.repeat(np.arange(6), 4)
    for within in (0.002, 0.1):
        for _ in range(5):
            frame = pd.DataFrame({"batch_id": batch, "warm": batch % 2, "pour": np.tile(["ladle", "stream"], 12)})
            line = 0.1 * (frame["pour"] == "stream") + rng.normal(0, apart, 6)[batch] + rng.normal(0, within, 24)
            frame["bubbles"] = rng.poisson(size * np.exp(line))
            frame["log_bubbles"] = np.log(frame["bubbles"])
            counted = fit_factors(frame, "bubbles", ["warm", "pour"], kind="count").effects
            measured = fit_factors(frame, "log_bubbles", ["warm", "pour"], kind="measure").effects
            for column in ("estimate", "low", "high"):
                assert np.log(counted[column].to_numpy()) == pytest.approx(
                    measured[column].to_numpy(), abs=0.15 * within + 0.1 * apart
                )
            assert counted["p_value"].iloc[1] == pytest.approx(measured["p_value"].iloc[1], rel=0.2, abs=1e-3)


def test_numeric_contrasts_are_over_a_step_that_was_tried():
    two = pd.DataFrame({"resin_c": [22.0, 28.0] * 4, "size_mm": [1.0, 2.0, 1.1, 2.2, 0.9, 2.1, 1.0, 1.9]})
    assert fit_factors(two, "size_mm", ["resin_c"]).effects["contrast"].iloc[0] == "28 against 22 °C"
    rng = np.random.default_rng(2)
    many = pd.DataFrame({"resin_c": rng.uniform(20, 32, 40)}).assign(
        size_mm=lambda f: 0.1 * f["resin_c"] + rng.normal(0, 0.1, 40)
    )
    row = fit_factors(many, "size_mm", ["resin_c"]).effects.iloc[0]
    high, _, low = row["contrast"].split()[:3]
    assert row["low"] < 0.1 * (float(high) - float(low)) < row["high"]


def test_interactions_are_named_pairs_or_all_of_them():
    frame = batches()
    assert fit_factors(frame, "bubbles", ["warm", "pour"], interactions=2).tests["factor"].tolist()[-1] == "warm x pour"
    assert len(fit_factors(frame, "bubbles", ["warm", "pour"], interactions=[("pour", "warm")]).tests) == 3
    for wrong in (1, 3, [("warm",)], [("warm", "warm")], ["wp"], [("warm", "mold")]):
        with pytest.raises(InputError, match="interactions"):
            fit_factors(frame, "bubbles", ["warm", "pour"], interactions=wrong)


@pytest.mark.parametrize(
    ("change", "arguments", "message"),
    [
        ({}, {"response": "haze"}, "no column 'haze'"),
        ({}, {"factors": ["mold"]}, "no column 'mold'"),
        ({}, {"factors": []}, "no factors"),
        ({}, {"factors": ["bubbles"]}, "both the response and a factor"),
        ({}, {"kind": "score"}, "kind is 'score'"),
        ({}, {"batch": "cup"}, "no column 'cup'"),
        ({}, {"batch": 3}, "batch is 3"),
        ({}, {"exposure": "area"}, "no column 'area'"),
        ({"area": 0.0}, {"exposure": "area"}, "exposure area holds 0"),
        ({"area": 1.0}, {"exposure": "area", "kind": "measure"}, "exposure='area' belongs to counts"),
        ({"bubbles": "many"}, {}, "'many', which is not a number"),
        ({"bubbles": -2}, {"kind": "count"}, "holds -2"),
        ({"bubbles": 1.5}, {"kind": "count"}, "holds 1.5"),
        ({"bubbles": np.inf}, {"kind": "measure"}, "infinite"),
        ({"bubbles": "perhaps"}, {"kind": "pass"}, "'perhaps'"),
        ({"pour": pd.Timestamp("2026-03-01")}, {}, "date or time"),
        ({"bubbles": pd.Timestamp("2026-03-01")}, {}, "dates or times"),
        ({"bubbles": 3 + 1j}, {}, "complex"),
        ({}, {"factors": None}, "factors is None"),
        ({}, {"factors": [["pour"]]}, "factors holds"),
        ({}, {"planned": 4}, "planned is 4"),
        ({}, {"batch": "bubbles"}, "both the response and the batch"),
        ({}, {"exposure": "bubbles"}, "both the response and the exposure"),
    ],
)
def test_bad_input_gets_one_clear_error(change, arguments, message):
    frame = batches().assign(**change)
    call = {"frame": frame, "response": "bubbles", "factors": ["pour"], **arguments}
    with pytest.raises(InputError, match=message):
        fit_factors(**call)


@pytest.mark.parametrize(("column", "what"), [("pour", "a factor"), ("cup", "a batch")])
def test_cells_that_hold_a_collection_are_refused(column, what):
    frame = batches()
    frame[column] = [[1, 2]] * len(frame)
    with pytest.raises(InputError, match=f"accepted for {what}"):
        fit_factors(frame, "bubbles", ["pour"], batch="cup" if column == "cup" else None)


def test_a_number_that_differs_by_rounding_alone_was_not_varied():
    frame = batches().assign(resin_c=lambda f: 21 + 1e-13 * np.arange(len(f)))
    with pytest.raises(FitError, match="never varied"):
        fit_factors(frame, "bubbles", ["resin_c"])


def test_a_frame_that_is_none_and_an_empty_frame_are_said():
    with pytest.raises(InputError, match="accepted: a pandas DataFrame"):
        fit_factors({"bubbles": [1]}, "bubbles", ["pour"])  # type: ignore[arg-type]
    with pytest.raises(InputError, match="no rows"):
        fit_factors(batches().iloc[:0], "bubbles", ["pour"])


def test_a_factor_that_was_never_recorded_is_told_and_stops_nothing():
    made = batches().assign(rest_min=np.nan, stir=None)
    fit = fit_factors(made, "bubbles", ["pour", "rest_min", "stir"], kind="count", interactions=2, planned=["rest_min"])
    plain = fit_factors(made, "bubbles", ["pour"], kind="count")
    assert fit.factors == ("pour",)
    assert (fit.n, fit.rows_left_out, fit.missing) == (len(made), 0, {})
    assert fit.effects["estimate"].tolist() == plain.effects["estimate"].tolist()
    assert set(fit.dropped) == {"rest_min", "stir"}
    said = "est and stir were never recorded; these castings say nothing about that"
    assert said in fit.verdict
    assert sum("never recorded" in caution for caution in fit.cautions) == 1
    assert fit.expected({"pour": ["ladle"]})["expected"].notna().all()
    fit.checks()
    fit.randomisation()
    with pytest.raises(FitError, match=r"^rest_min and stir were never recorded; write down"):
        fit_factors(made, "bubbles", ["rest_min", "stir"])


@pytest.mark.parametrize("n", [1, 2])
def test_too_few_castings_are_said_before_blanks_are_asked_to_be_filled(n):
    made = batches().head(n).assign(rest_min=[1.0, np.nan][:n], stir=[None, "slow"][-n:])
    with pytest.raises(
        FitError, match=rf"^only {n} castings? with bubbles; at least 3 are needed .* log and score more$"
    ):
        fit_factors(made, "bubbles", ["pour", "rest_min", "stir"])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bubbles": np.nan}, "not recorded for any of the 32 castings; score them"),
        ({"bubbles": 0}, "at most 0.094 per casting"),
        ({"bubbles": 3}, "is 3 in all 32 castings"),
    ],
)
def test_data_that_cannot_answer_are_refused_with_the_reason(change, message):
    with pytest.raises(FitError, match=message):
        fit_factors(batches().assign(**change), "bubbles", ["pour"], kind="count")


def test_all_passed_is_refused_with_the_bound_that_it_gives():
    with pytest.raises(FitError, match=r"all 32 castings passed.*at least 91%"):
        fit_factors(batches().assign(passed=True), "passed", ["pour"])


def test_more_effects_than_castings_are_refused():
    frame = pd.DataFrame({"bubbles": [1, 2, 3, 4], "way": list("abcd")})
    with pytest.raises(FitError, match="cannot carry"):
        fit_factors(frame, "bubbles", ["way"])


def test_scatterless_measures_are_refused():
    frame = pd.DataFrame({"size_mm": [1.0, 2.0] * 6, "way": list("ab") * 6, "cup": list("aabbccddeeff")})
    with pytest.raises(FitError, match="without any scatter"):
        fit_factors(frame, "size_mm", ["way"], batch="cup")
    with pytest.raises(FitError, match="without any scatter"):
        fit_factors(frame, "size_mm", ["way"])


def test_nothing_is_printed_and_no_warning_leaks(capsys):
    rng = np.random.default_rng(5)
    frame = batches().assign(
        passed=lambda f: f["warm"], tack_grade=rng.integers(0, 5, 32), bubbles=rng.negative_binomial(1, 0.2, 32)
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for response in ("bubbles", "size_mm", "passed", "tack_grade"):
            for batch in (None, False):
                fit_factors(frame, response, ["warm", "pour"], batch=batch)
    assert capsys.readouterr() == ("", "")


def test_no_warning_leaks_when_statsmodels_is_first_imported_by_a_fit():
    code = (
        "import numpy as np, pandas as pd; from castlab.analysis import fit_factors\n"
        "frame = pd.DataFrame({'n': [0, 1, 0, 3, 3, 4, 6, 12, 18, 18, 39, 29] * 2, 'a': list('ab') * 12, 'b': list('aab') * 8})\n"
        "fit_factors(frame, 'n', ['a', 'b'])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert (done.stdout, done.stderr) == ("", "")


def test_importing_the_package_does_not_load_statsmodels():
    code = "import sys, castlab.analysis as a; a.fit_factors; print('statsmodels' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_the_notebook_display_escapes_what_people_typed():
    frame = batches().assign(pour=lambda f: f["pour"].replace("ladle", "<b>ladle</b>"))
    assert "<b>ladle" not in fit_factors(frame, "bubbles", ["pour"])._repr_html_()


def test_settings_that_are_no_settings_are_refused():
    fit = fit_factors(batches(ladle=1.8), "bubbles", ["pour"])
    with pytest.raises(InputError, match="accepted"):
        fit.expected("ladle")


def test_few_castings_and_few_batches_are_said_to_carry_little():
    few = pd.DataFrame({"y": [1.0, 1.2, 2.9, 3.1, 1.1, 2.8], "pour": list("aabbab")})
    assert any("only 6 castings" in c for c in fit_factors(few, "y", "pour", kind="measure").cautions)
    cups = pd.DataFrame(
        {"y": [9, 8, 9, 8, 4, 5, 4, 4], "warm": [0, 0, 0, 0, 1, 1, 1, 1], "b": [1, 1, 2, 2, 3, 3, 4, 4]}
    )
    fit = fit_factors(cups, "y", "warm", kind="count", batch="b")
    assert any(c.startswith("4 batches say little") for c in fit.cautions)


@pytest.mark.parametrize("kind", ["count", "measure", "grade", "pass"])
def test_an_interval_leaves_out_no_effect_exactly_when_p_is_below_five_percent(kind):
    judged = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        batch = np.repeat(np.arange(6), 3)
        warm, pour = batch % 2, rng.permuted(np.resize(["stream", "ladle"], 18))
        line = rng.choice([0, 1.5, 4]) * warm + (pour == "ladle") + rng.normal(0, 0.3, 6)[batch]
        y = {
            "count": rng.poisson(2 * np.exp(line - 1)), "measure": line + rng.normal(0, 0.7, 18),
            "grade": np.clip(np.round(line + rng.logistic(0, 0.4, 18)), 0, 4).astype(int),
            "pass": rng.random(18) < 1 / (1 + np.exp(2 - 2 * line)),
        }[kind]  # fmt: skip
        frame = pd.DataFrame({"y": y, "warm": warm == 1, "pour": pour, "cup": batch})
        try:
            fit = fit_factors(frame, "y", ["warm", "pour"], kind=kind, batch="cup" if seed % 3 else None)
        except FitError:
            continue
        none = 0.0 if fit.scale == "difference" else 1.0
        for row in fit.effects.itertuples():
            assert (row.low > none or row.high < none) == (row.p_value < 0.05), (seed, fit.method, row)
            judged += 1
    assert judged > 12


@pytest.mark.parametrize("batch", [None, False])
@pytest.mark.parametrize(("level", "unit"), [(1e9, 1.0), (-1e9, 1e-2), (0.0, 1e-9), (3e12, 1e6)])
def test_a_measure_far_from_zero_or_in_another_unit_gives_the_same_answer(level, unit, batch):
    frame = batches()
    frame["width_mm"] = np.random.default_rng(4).normal(0, 1, len(frame)) + 0.8 * (frame["pour"] == "ladle")
    plain, moved = (
        fit_factors(
            frame.assign(width_mm=to + by * frame["width_mm"]),
            "width_mm",
            ["warm", "pour"],
            kind="measure",
            batch=batch,
        )
        for to, by in ((0.0, 1.0), (level, unit))
    )
    for column in ("estimate", "low", "high"):
        assert (moved.effects[column] / unit).tolist() == pytest.approx(plain.effects[column].tolist(), rel=1e-3)
    assert moved.effects["p_value"].tolist() == pytest.approx(plain.effects["p_value"].tolist(), rel=1e-3)
    assert moved.randomisation()["p_randomisation"].tolist() == plain.randomisation()["p_randomisation"].tolist()
    one, other = moved.checks(), plain.checks()
    assert one.table["finding"].tolist() == other.table["finding"].tolist()
    for column in ("residual", "cook", "leverage"):
        assert one.castings[column].tolist() == pytest.approx(other.castings[column].tolist(), rel=1e-3, abs=1e-6)


@pytest.mark.parametrize("times", [20_000, 100_000, 10_000_000])
def test_large_counts_in_batches_are_judged_as_their_logarithms_would_be(times):
    frame = batches(ladle=1.5)
    frame["log"] = np.log(frame["bubbles"])
    counts = fit_factors(frame.assign(bubbles=times * frame["bubbles"]), "bubbles", ["warm", "pour"], kind="count")
    measures = fit_factors(frame, "log", ["warm", "pour"], kind="measure")
    for column in ("estimate", "low", "high"):
        assert np.log(counts.effects[column]).tolist() == pytest.approx(measures.effects[column].tolist(), abs=1e-4)
    assert counts.effects["p_value"].tolist() == pytest.approx(measures.effects["p_value"].tolist(), rel=1e-3)


@pytest.mark.parametrize("times", [100, 10_000_000, 1_000_000_000])
def test_counts_without_batches_give_the_same_ratios_in_any_unit(times):
    frame = batches(ladle=1.5)
    plain, many = (
        fit_factors(frame.assign(bubbles=by * frame["bubbles"]), "bubbles", ["warm", "pour"], kind="count", batch=False)
        for by in (1, times)
    )
    for column in ("estimate", "low", "high", "p_value"):
        assert many.effects[column].tolist() == pytest.approx(plain.effects[column].tolist(), rel=1e-4)


def test_large_over_dispersed_counts_give_the_same_ratios_in_any_unit():
    frame = batches(number=20, ladle=1.5)
    plain, many = (
        fit_factors(frame.assign(bubbles=by * frame["bubbles"]), "bubbles", ["warm", "pour"], kind="count", batch=False)
        for by in (100_000, 1_000_000_000)
    )
    assert many.method.startswith("negative binomial")
    for column in ("estimate", "low", "high", "p_value"):
        assert many.effects[column].tolist() == pytest.approx(plain.effects[column].tolist(), rel=1e-3)


@pytest.mark.parametrize("level", [0.0, 1e9])
def test_readings_that_differ_by_rounding_alone_are_refused(level):
    frame = pd.DataFrame({"pour": list("aaaabbbb")})
    alike = [level + 0.1] * 4 + [level + 0.3 - 0.2] * 4
    with pytest.raises(FitError, match="in all 8 castings"):
        fit_factors(frame.assign(haze_pct=alike), "haze_pct", "pour")
    exactly = [level + 0.1, level + 0.3 - 0.2] * 2 + [level + 2.0] * 4
    with pytest.raises(FitError, match="without any scatter"):
        fit_factors(frame.assign(haze_pct=exactly), "haze_pct", "pour")


@pytest.mark.slow
def test_the_expected_count_midway_between_settings_tried_is_the_mean_of_many_castings():
    rng = np.random.default_rng(7)
    codes, runs, spread = np.repeat(np.arange(6), 4), 300, 0.4
    X = np.column_stack([np.ones(24), codes % 2 - 0.5, np.arange(24) % 2 - 0.5])
    coef = [np.log(5), 0.4, -0.5]
    line = X @ coef + rng.normal(0, spread, (runs, 6))[:, codes]
    Y = rng.poisson(np.exp(line) * rng.gamma(3, 1 / 3, line.shape)).astype(float)
    rows = np.array([[1.0, 0.0, 0.0], [1.0, -0.5, -0.5], [1.0, 0.5, 0.5]])
    true = np.exp(rows @ coef + spread**2 / 2)  # the mean of a log-normal batch
    fits = [choose.of_arrays("count", X, y, codes) for y in Y]
    expected, low, high = np.array([fit.expected(rows) for fit in fits]).transpose(1, 0, 2)
    plain = np.array([fit.mean(fit.model.line(rows)[0]) for fit in fits])
    assert (expected / true).mean(axis=0) == pytest.approx(1, abs=0.05)  # two standard errors of the simulation
    assert (plain / true).mean(axis=0)[0] < (expected / true).mean(axis=0)[0] - 0.02
    assert ((low <= true) & (true <= high)).mean(axis=0) == pytest.approx(0.95, abs=0.03)


def test_few_or_odd_castings_give_an_answer_or_say_what_is_missing():
    made = pd.DataFrame({"passed": [True, True, True, False], "pour": list("abab"), "prep": list("xxyy")})
    fit = fit_factors(made, "passed", ["pour", "prep"])
    assert set(fit.effects["strength"]) == {"not shown"}
    assert not fit.effects[["low", "high"]].isna().any(axis=None)
    graded = made.assign(tack_grade=[1, 2, 5, 3])
    assert any(
        "holds 5, and the rubric grades from 0 to 4" in c for c in fit_factors(graded, "tack_grade", "pour").cautions
    )
    with pytest.raises(FitError, match="not recorded for any of the 4 castings; score them"):
        fit_factors(made.assign(bubbles=np.nan), "bubbles", "pour")


def test_both_parts_of_a_fit_compare_with_the_same_level():
    rng = np.random.default_rng(8)
    made = pd.DataFrame({"pour": ["stream", "ladle"] * 20})
    some = rng.random(40) < np.where(
        made["pour"] == "ladle", 0.5, 0.8
    )  # among those with any, stream is the most common
    made["bubbles"] = (1 + rng.poisson(5, 40)) * some
    fit = fit_factors(made, "bubbles", "pour", zeros="separate")
    assert (
        fit.any_at_all.effects["contrast"].to_list() == fit.effects["contrast"].to_list() == ["stream instead of ladle"]
    )


@pytest.mark.parametrize("ask", [fit_factors, watch, screen_effects])
def test_a_casting_that_stands_in_two_rows_is_refused(ask):
    frame = batches().assign(trial_id=[f"T-{i}" for i in range(32)])
    twice = pd.concat([frame, frame.head(2)])
    asked = (twice, "bubbles") if ask is watch else (twice, "bubbles", ["warm", "pour"])
    with pytest.raises(InputError, match=r"trial_id T-0 stands in 2 rows \(and 1 other\)"):
        ask(*asked)
    with pytest.raises(InputError, match="one row per casting"):
        what_is_confounded(twice, ["warm", "pour"])


def test_effects_that_separate_only_together_are_not_said_to_do_so_alone():
    made = pd.DataFrame({"warm": [0, 1, 2, 3] * 6, "pour": [0] * 12 + [1] * 12})
    made["passed"] = made["warm"] + 2 * made["pour"] >= 3
    assert (made.groupby("pour")["passed"].nunique() == 2).all()
    said = next(c for c in fit_factors(made, "passed", ["warm", "pour"]).cautions if "only one outcome" in c)
    assert said.startswith("Some settings, alone or together, gave only one outcome (")
