"""Planned findings, findings by exploring, and many responses at once."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import compare_runs, fit_factors, many_responses, recommend
from castlab.analysis.effects import holm
from castlab.analysis.planned import from_plans
from castlab.errors import FitError, InputError
from castlab.records.models import Plan


def castings(seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({name: rng.permuted(np.resize([0, 1], 40)) for name in ("a_min", "b_min", "c_min", "d_min")})
    frame = frame.astype(float)
    frame["haze_pct"] = 3 + 0.9 * frame["a_min"] + 0.75 * frame["b_min"] + rng.normal(0, 1, 40)
    frame["shore_d"] = 78 + rng.normal(0, 1, 40)
    return frame


FACTORS = ["a_min", "b_min", "c_min", "d_min"]


def test_the_planned_family_is_adjusted_among_itself_and_exploring_over_everything():
    plain = fit_factors(castings(), "haze_pct", FACTORS)
    fit = fit_factors(castings(), "haze_pct", FACTORS, planned=["b_min", "c_min"])
    p = plain.tests.set_index("factor")["p_value"]
    told = fit.tests.set_index("factor")
    assert told.loc[["b_min", "c_min"], "p_adjusted"].tolist() == pytest.approx(holm(p[["b_min", "c_min"]]).tolist())
    everything = dict(zip(FACTORS, holm(p[FACTORS]), strict=True))
    assert told.loc["a_min", "p_adjusted"] == pytest.approx(everything["a_min"])
    assert fit.effects.set_index("factor")["look"].to_dict() == {
        "a_min": "exploring", "b_min": "planned", "c_min": "planned", "d_min": "exploring",
    }  # fmt: skip
    assert fit.effects["p_adjusted"].tolist() == pytest.approx(fit.tests["p_adjusted"].tolist())


def test_estimates_and_p_values_do_not_depend_on_the_plan():
    plain, planned = (fit_factors(castings(), "haze_pct", FACTORS, planned=plan) for plan in (None, True))
    columns = ["estimate", "low", "high", "p_value"]
    pd.testing.assert_frame_equal(plain.effects[columns], planned.effects[columns])
    assert planned.effects["p_adjusted"].tolist() == pytest.approx(plain.effects["p_adjusted"].tolist())


def test_the_verdict_says_which_of_the_two_a_finding_is():
    made = castings().assign(haze_pct=lambda f: f["haze_pct"] + 2 * f["a_min"] + 2 * f["b_min"])
    fit = fit_factors(made, "haze_pct", FACTORS, planned=["b_min", "c_min"])
    planned, _, exploring = fit.verdict.partition("Found by exploring, so a hint to confirm.")
    assert "Planned. B 1 against 0 min goes with a difference in haze of" in planned
    assert "A 1 against 0 min goes with a difference in haze of" in exploring
    assert "look" in fit.tables()["Effects"]


def test_without_a_plan_nothing_nags():
    fit = fit_factors(castings(), "haze_pct", FACTORS)
    assert "exploring" not in str(fit).lower()
    assert "look" not in fit.tables()["Effects"]
    assert set(fit.effects["look"]) == {"exploring"}


def test_interactions_count_as_planned_only_where_everything_was():
    some = fit_factors(castings(), "haze_pct", ["a_min", "b_min"], interactions=2, planned=["a_min", "b_min"])
    every = fit_factors(castings(), "haze_pct", ["a_min", "b_min"], interactions=2, planned=True)
    assert some.effects["look"].tolist() == ["planned", "planned", "exploring"]
    assert set(every.effects["look"]) == {"planned"}


def test_a_planned_factor_that_is_not_looked_at_is_refused():
    with pytest.raises(InputError, match="planned names 'resin_c'"):
        fit_factors(castings(), "haze_pct", FACTORS, planned=["resin_c"])


def test_many_responses_are_adjusted_over_the_whole_family():
    many = many_responses(castings(), ["haze_pct", "shore_d"], FACTORS)
    assert len(many.table) == 8
    assert many.table["p_adjusted"].tolist() == pytest.approx(holm(many.table["p_value"]).tolist())
    assert many.verdict.startswith("8 looks (4 settings, 2 responses), adjusted over all of them by Holm.")
    gentler = many_responses(castings(), ["haze_pct", "shore_d"], FACTORS, adjust="bh")
    assert (gentler.table["p_adjusted"] <= many.table["p_adjusted"] + 1e-12).all()
    assert "Benjamini and Hochberg" in gentler.verdict


def separated() -> pd.DataFrame:
    return pd.DataFrame({"passed": [0, 0, 0, 1, 1, 1], "pour": ["stream"] * 3 + ["ladle"] * 3})


def test_a_finding_of_too_few_castings_is_likely_at_most_wherever_it_is_told():
    fit = fit_factors(separated(), "passed", "pour", kind="pass")
    every = many_responses(separated(), {"passed": "pass"}, "pour")
    compared = compare_runs(separated(), "passed", "pour", kind="pass", better="more")
    assert fit.effects["p_adjusted"].iloc[0] < 0.05
    assert {
        *fit.effects["strength"],
        *fit.tests["strength"],
        *every.table["strength"],
        *compared.pairs["strength"],
    } == {"likely"}
    assert "Likely, though so few castings cannot make sure of it:" in fit.verdict
    assert "Likely, which is the most that so few castings can show: good enough to sell (pour)." in every.verdict
    assert compared.verdict.endswith("though so few castings cannot make sure of it.")
    for result in (fit, every, compared):
        assert "several settings" not in result.verdict


def test_one_look_is_not_said_to_be_adjusted():
    assert many_responses(castings(), ["haze_pct"], "a_min").verdict.startswith("1 look (1 setting, 1 response). ")


def test_what_was_planned_for_a_response_is_a_family_of_its_own():
    many = many_responses(castings(), ["haze_pct", "shore_d"], FACTORS, planned={"haze_pct": ["b_min"]})
    row = many.table[many.table["look"] == "planned"]
    assert row[["response", "factor"]].values.tolist() == [["haze_pct", "b_min"]]
    assert row["p_adjusted"].tolist() == pytest.approx(row["p_value"].tolist())
    assert many.verdict.endswith("Clear, planned: haze (b).")


def test_a_response_that_cannot_be_judged_is_listed_with_the_reason():
    made = castings().assign(bubbles=0)
    many = many_responses(made, {"haze_pct": None, "bubbles": "count"}, FACTORS)
    assert many.failed["response"].tolist() == ["bubbles"]
    assert "is 0 in all 40 castings" in many.failed["reason"].iloc[0]
    assert "Not judged" in many.tables()
    with pytest.raises(FitError, match="none of the responses"):
        many_responses(made, {"bubbles": "count"}, FACTORS)


def test_pure_noise_over_many_looks_rarely_gives_a_clear_finding():
    found = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        made = castings(seed).assign(**{f"y{k}_mm": rng.normal(0, 1, 40) for k in range(3)})
        found += (many_responses(made, ["y0_mm", "y1_mm", "y2_mm"], FACTORS).table["strength"] == "clear").any()
    assert found <= 4  # at most 5% of the tables are promised: more than 4 of 20 would happen in 3 of 1000 tries


def test_the_fits_of_many_responses_go_on_to_a_recommendation():
    many = many_responses(castings(), ["haze_pct", "shore_d"], FACTORS)
    assert recommend(many.fits, {"haze_pct": "fewer"}).settings["a_min"] == 0


def logged(**changes: object) -> Plan:
    plan = {
        "name": "warm or cold",
        "factors": "a_min, b_min",
        "responses": "haze_pct",
        "logged_at": datetime(2026, 3, 1, 9),
    }
    return Plan(**{**plan, **changes})


def planned_castings() -> pd.DataFrame:
    return castings().assign(plan="warm or cold", mixed_at=pd.Timestamp("2026-03-01 14:00"))


def test_a_recorded_plan_names_the_planned_factors():
    found = from_plans([logged()], planned_castings(), "haze_pct", FACTORS)
    assert found.factors == ("a_min", "b_min")


@pytest.mark.parametrize(
    ("plan", "frame", "said"),
    [
        (logged(logged_at=datetime(2026, 3, 9)), planned_castings(), "after its first batch"),
        (logged(responses="shore_d"), planned_castings(), "does not name haze"),
        (
            logged(),
            planned_castings().assign(plan=["warm or cold"] * 30 + [None] * 10),
            "10 castings of 40 belong to no",
        ),
    ],
)
def test_a_plan_that_came_late_or_covers_something_else_makes_nothing_planned(plan, frame, said):
    found = from_plans([plan], frame, "haze_pct", FACTORS)
    assert found.factors == ()
    assert said in found.said


def test_without_recorded_plans_nothing_is_known():
    for plans in ([], [logged(name="other")]):
        found = from_plans(plans, planned_castings(), "haze_pct", FACTORS)
        assert found.factors is None
        assert found.said.startswith(f"No record of the plan {logged().name} says what was to be judged")
    assert from_plans([], planned_castings().drop(columns="plan"), "haze_pct", FACTORS).said.startswith("No plan")


def test_the_picture_of_many_responses_names_what_is_shown():
    made = castings().assign(haze_pct=lambda f: f["haze_pct"] + 3 * f["a_min"])
    alt = many_responses(made, ["haze_pct", "shore_d"], FACTORS).figure().alt
    assert alt.startswith("4 settings and 2 responses, adjusted over all of them by Holm.")
    assert "haze, a 1 against 0 min: +" in alt


def whole_cups(cups: int, response: str) -> pd.DataFrame:
    """Cups of four castings that come out alike: half of them good and of one recipe, half bad and of the other."""
    cup, luck = np.repeat(np.arange(cups), 4), np.tile([0, 1, 1, 2], cups)
    good = cup % 2 == 0
    values = {
        "passed": good,
        "clarity_grade": np.where(good, 4 - luck, luck) // 2 + np.where(good, 2, 0),
        "bubbles": np.where(good, 0, 3 + luck),
    }
    return pd.DataFrame({"batch_id": cup, "pour": np.where(good, "ladle", "stream"), response: values[response]})


@pytest.mark.parametrize("response", ["passed", "clarity_grade", "bubbles"])
def test_whole_cups_told_apart_are_no_clearer_than_drawing_cups_by_lot_can_make_them(response):
    few = whole_cups(6, response)
    fit = fit_factors(few, response, "pour")
    assert fit.tests["p_value"].iloc[0] < 0.01
    limit = 2 / 20  # Fisher's: 20 ways to draw 3 of 6 cups, 2 of them as complete
    assert fit.randomisation()["smallest_possible"].iloc[0] == limit
    every, compared = many_responses(few, [response], "pour"), compare_runs(few, response, "pour")
    for found in (fit.effects, fit.tests, every.table, compared.pairs):
        assert found["strength"].tolist() == ["likely"]
    said = (
        "However 6 batches come out, shuffling the settings of pour cannot give a p-value below 0.1: only more batches"
    )
    assert said in fit.verdict
    assert said in compared.verdict
    assert fit_factors(whole_cups(8, response), response, "pour").effects["strength"].tolist() == [
        "clear"
    ]  # 2 of 70 ways


def test_a_clear_measure_of_few_cups_says_what_drawing_cups_by_lot_can_show():
    few = whole_cups(6, "passed")
    few["haze_pct"] = np.where(few["passed"], 1.0, 3.0) + np.random.default_rng(1).normal(0, 0.2, len(few))
    fit = fit_factors(few, "haze_pct", "pour")
    assert fit.effects["strength"].tolist() == ["clear"]  # judged on the scatter that batches show
    assert any("shuffling whole batches cannot give a p-value below 0.1" in said for said in fit.cautions)
