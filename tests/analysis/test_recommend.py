"""Recommending settings: what is chosen, what is kept, what is said, and how it is refused."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import Goal, fit_factors, next_casting, recommend
from castlab.errors import InputError


def castings(seed: int = 3, batches: int = 12, per_batch: int = 4) -> pd.DataFrame:
    """Bubbles fall with degassing and rise with the ladle; haze falls with dried inserts; the release does nothing."""
    rng = np.random.default_rng(seed)
    n = batches * per_batch
    batch = np.repeat(np.arange(batches), per_batch)
    frame = pd.DataFrame(
        {
            "batch_id": [f"B-{b + 1:03d}" for b in batch],
            "degas_min": np.resize([0.0, 2.0, 4.0], batches)[batch],
            "pour": rng.permuted(np.resize(["stream", "ladle"], n)),
            "prep": rng.permuted(np.resize(["none", "dried"], n)),
            "release": rng.permuted(np.resize(["wax", "spray", "spray"], n)),
        }
    )
    luck = rng.normal(0, 0.1, batches)[batch]
    line = 2.4 - 0.35 * frame["degas_min"] + 0.6 * (frame["pour"] == "ladle") + luck
    frame["bubbles"] = rng.poisson(np.exp(line))
    frame["haze_pct"] = 4 - 1.2 * (frame["prep"] == "dried") + rng.normal(0, 0.3, n)
    frame["clarity_grade"] = np.clip(np.round(4 - 0.25 * frame["bubbles"] + rng.normal(0, 0.6, n)), 0, 4).astype(int)
    frame["passed"] = (frame["bubbles"] <= 6) & (frame["haze_pct"] < 4)
    return frame


FACTORS = ["degas_min", "pour", "prep", "release"]


@pytest.fixture(scope="module")
def fits():
    made = castings()
    return {name: fit_factors(made, name, FACTORS) for name in ("bubbles", "haze_pct", "clarity_grade", "passed")}


@pytest.fixture(scope="module")
def both(fits):
    wishes = {"bubbles": Goal("fewer", good_enough=6), "haze_pct": Goal("fewer", good_enough=3.5)}
    return recommend([fits["bubbles"], fits["haze_pct"]], wishes)


def test_the_settings_that_serve_both_wishes_are_chosen(both):
    assert both.settings == {"degas_min": 4.0, "pour": "stream", "prep": "dried", "release": "spray"}
    assert not both.extrapolates


def test_a_setting_not_shown_to_matter_is_kept_and_not_recommended(both):
    reasons = both.choices.set_index("setting")["reason"]
    assert reasons["release"] == "not shown: usual kept"
    assert reasons[["degas_min", "pour", "prep"]].isin(["clear", "likely"]).all()
    assert "Not shown to matter, so keep the cheaper or the usual: release spray" in both.verdict


def test_where_nothing_is_shown_nothing_is_recommended():
    rng = np.random.default_rng(8)
    frame = pd.DataFrame({"bubbles": rng.poisson(5, 16), "pour": ["stream", "ladle"] * 8})
    found = recommend(fit_factors(frame, "bubbles", "pour"))
    assert found.verdict.startswith("No setting is shown to matter, so there is none to recommend")
    assert found.choices["reason"].tolist() == ["not shown: usual kept"]
    assert found.alternatives.empty
    assert "look better than they are" not in found.verdict
    assert found.figure().alt


def test_a_setting_fixed_by_the_limits_is_told_so_and_not_as_one_that_does_not_matter(fits):
    alone = recommend(fits["bubbles"], limits={"pour": "stream"})
    assert "Fixed by the limits: pour stream." in alone.verdict
    rng = np.random.default_rng(8)
    frame = pd.DataFrame({"pour": ["stream", "ladle"] * 8, "shelf": ["low", "low", "high", "high"] * 4})
    frame["bubbles"] = rng.poisson(np.where(frame["pour"] == "ladle", 4, 14))
    for factors, says in (
        (["pour"], "The limits leave no setting to choose."),
        (["pour", "shelf"], "No setting that the limits leave open is shown to matter"),
    ):
        found = recommend(fit_factors(frame, "bubbles", factors), limits={"pour": "stream"})
        assert found.verdict.startswith(says)
        assert "Fixed by the limits: pour stream." in found.verdict


def test_what_is_expected_is_what_the_fits_expect(fits, both):
    for name in ("bubbles", "haze_pct"):
        row = both.expected.set_index("response").loc[name]
        there = fits[name].expected(both.settings).iloc[0]
        assert row[["expected", "low", "high"]].tolist() == pytest.approx(there[["expected", "low", "high"]].tolist())


def test_the_next_casting_scatters_more_widely_than_the_mean(both):
    rows = both.expected
    assert (rows["next_low"] <= rows["low"]).all()
    assert (rows["next_high"] >= rows["high"]).all()
    assert rows.set_index("response").loc["bubbles", "next_low"] >= 0


def test_the_best_looking_is_told_to_be_optimistic(both):
    rows = both.expected.set_index("response")
    assert (rows["allowing"] > rows["expected"]).all()
    assert "The best-looking settings look better than they are" in both.verdict


def test_the_chance_to_pass_is_near_what_castings_at_these_settings_do(both):
    many = castings(seed=77, batches=600)
    same = many[(many["degas_min"] == 4) & (many["pour"] == "stream") & (many["prep"] == "dried")]
    true = ((same["bubbles"] <= 6) & (same["haze_pct"] <= 3.5)).mean()
    assert both.chance_low <= true <= both.chance_high
    assert both.chance == pytest.approx(true, abs=0.08)


def test_a_tighter_limit_makes_the_chance_smaller(fits):
    chances = [
        recommend(fits["bubbles"], {"bubbles": Goal("fewer", good_enough=limit)}).chance for limit in (1, 2, 4, 8)
    ]
    assert chances == sorted(chances)
    assert chances[0] < 0.6 < chances[-1]


@pytest.fixture(scope="module")
def hazy():
    """Haze falls by 1 % per minute of degassing, from 20 %, and scatters by 0.3 %."""
    rng = np.random.default_rng(3)
    made = pd.DataFrame({"degas_min": np.repeat([0.0, 2.0, 4.0, 6.0], 8), "pour": np.resize(["stream", "ladle"], 32)})
    return fit_factors(made.assign(haze_pct=20 - made["degas_min"] + rng.normal(0, 0.3, 32)), "haze_pct", list(made))


@pytest.mark.parametrize(
    ("wish", "best"),
    [
        (Goal("fewer", good_enough=2), 6.0),
        (Goal(5, good_enough=0.5), 6.0),
        (Goal("fewer", good_enough=(40, 41)), 0.0),
        (Goal("more", good_enough=60), 0.0),
    ],
)
def test_where_no_setting_comes_near_a_limit_the_nearest_is_chosen_and_that_is_said(hazy, wish, best):
    found = recommend(hazy, {"haze_pct": wish})
    assert found.settings["degas_min"] == best
    assert found.unmet == ("haze_pct",)
    assert found.alternatives["told_apart"].all()
    assert f"comes near the limit {wish.said('haze_pct')}" in found.verdict
    parts = found.tables()["Confirmation"].iloc[-1]
    assert parts["agrees"] == f"0 to 0 of {parts['castings']}"
    assert parts["contradicts"] == f"more than 0 of {parts['castings']}"
    assert found.tables()["Chance that a part passes"]["chance"].tolist() == ["under 0.1%"]


def test_a_limit_out_of_reach_does_not_silence_the_other_wishes(fits):
    wishes = {"bubbles": Goal("fewer", good_enough=6), "haze_pct": Goal("fewer", good_enough=-9)}
    found = recommend([fits["bubbles"], fits["haze_pct"]], wishes)
    assert found.unmet == ("haze_pct",)
    assert found.settings == {"degas_min": 4.0, "pour": "stream", "prep": "dried", "release": "spray"}


def test_a_limit_that_is_met_now_and_then_is_not_called_out_of_reach(fits):
    found = recommend(fits["bubbles"], {"bubbles": Goal("fewer", good_enough=0)})
    assert 0.001 < found.chance < 0.5
    assert not found.unmet


@pytest.mark.parametrize(
    ("response", "wish", "accepted"),
    [
        ("bubbles", Goal("fewer", good_enough=-1), "0 or more"),
        ("bubbles", Goal(-5, good_enough=2), "0 or more"),
        ("passed", Goal("more", good_enough=2), "0 to 1"),
    ],
)
def test_a_limit_that_nothing_can_meet_is_refused(fits, response, wish, accepted):
    with pytest.raises(InputError, match=f"accepted: {accepted}"):
        recommend(fits[response], {response: wish})


def test_the_next_casting_outside_what_was_tried_says_so(hazy):
    inside, outside = (next_casting(hazy, {"degas_min": minutes}).iloc[0] for minutes in (5, 60))
    assert not inside["extrapolates"]
    assert inside["caution"] == ""
    assert outside["extrapolates"]
    assert "outside what was tried" in outside["caution"]


def test_the_chance_of_one_pass_or_fail_response_is_its_expected_share(fits):
    found = recommend(fits["passed"])
    assert found.chance == pytest.approx(found.expected["expected"].iloc[0], abs=0.02)


def test_grades_take_part(fits):
    found = recommend(
        [fits["clarity_grade"], fits["bubbles"]], {"clarity_grade": Goal("more", good_enough=3), "bubbles": "fewer"}
    )
    row = found.expected.iloc[0]
    assert row["next_low"] in range(5)
    assert row["next_high"] in range(5)
    assert found.settings["degas_min"] == 4
    assert "clarity grade at least 3" in found.verdict


def test_the_chance_of_a_grade_is_the_share_of_the_castings_that_reach_it():
    got = {"stream": [0] * 6 + [1] * 8 + [2] * 6, "ladle": [1] * 2 + [2] * 6 + [3] * 12}
    made = pd.DataFrame([(p, g) for p, grades in got.items() for g in grades], columns=["pour", "clarity_grade"])
    fit = fit_factors(made, "clarity_grade", "pour")
    for limit, share in ((1, 1.0), (2, 18 / 20), (3, 12 / 20)):  # counted in `got`
        found = recommend(fit, {"clarity_grade": Goal("more", good_enough=limit)})
        assert found.settings == {"pour": "ladle"}
        assert found.chance == pytest.approx(share, abs=0.06)
    unseen = recommend(fit, {"clarity_grade": Goal("more", good_enough=4)})
    assert "no casting yet had such a clarity grade" in unseen.verdict


@pytest.mark.parametrize(
    ("response", "wish", "accepted"),
    [
        ("clarity_grade", Goal("more", good_enough=5), "accepted: 0 to 4"),
        ("clarity_grade", Goal("fewer", good_enough=-1), "accepted: 0 to 4"),
        ("clarity_grade", Goal(2.5, good_enough=0.4), "accepted: 0 to 4, with a whole number inside"),
        ("bubbles", Goal(2.5, good_enough=0.4), "accepted: 0 or more, with a whole number inside"),
        ("look", Goal("more", good_enough=3), r"accepted: 0 \(poor\) to 2 \(good\), the grades of these castings"),
        ("gloss", Goal("more", good_enough=10), "accepted: 7 to 9, the grades of these castings"),
    ],
)
def test_a_limit_that_no_casting_can_meet_is_refused(response, wish, accepted):
    made = castings()
    codes = pd.cut(made["bubbles"], [-1, 3, 7, 99], labels=["good", "fair", "poor"]).astype(str)
    made["look"] = pd.Categorical(codes, ["poor", "fair", "good"], ordered=True)
    made["gloss"] = made["look"].cat.codes + 7
    fit = fit_factors(made, response, FACTORS, kind="count" if response == "bubbles" else "grade")
    with pytest.raises(InputError, match=f"is met by no (grade|count); {accepted}$"):
        recommend(fit, {response: wish})


def test_limits_keep_the_settings_inside_what_the_bench_can_do(fits):
    found = recommend(fits["bubbles"], limits={"degas_min": (0, 3), "pour": ["ladle"]})
    assert found.settings["degas_min"] == 3
    assert found.settings["pour"] == "ladle"
    assert found.choices.set_index("setting")["reason"]["pour"] == "fixed by the limits"
    assert recommend(fits["bubbles"], limits={"degas_min": (0, 30)}).settings["degas_min"] == 4


def test_going_beyond_what_was_tried_is_flagged(fits):
    found = recommend(fits["bubbles"], limits={"degas_min": (0, 6)}, beyond=True)
    assert found.settings["degas_min"] == 6
    assert found.extrapolates
    assert any("beyond what was tried" in said for said in found.cautions)
    assert "Degas lies beyond what was tried: take the numbers that follow for a guess" in found.verdict
    assert found.outside == ("degas_min",)
    assert not any("each was tried on its own" in said for said in found.cautions)
    far = recommend(fits["bubbles"], {"bubbles": Goal("fewer", good_enough=0)}, {"degas_min": (0, 60)}, beyond=True)
    assert "bubbles under 0.001 (95% interval under 0.001" in far.verdict
    assert "is over 99%" in far.verdict
    assert "100%" not in far.verdict


def test_the_usual_settings_are_those_that_were_used_though_the_limits_forbid_them(fits):
    usual = float(recommend(fits["bubbles"]).choices.set_index("setting").loc["degas_min", "usual"])
    limit = (usual + 1, 4) if usual < 4 else (0, usual - 1)
    found = recommend(fits["bubbles"], limits={"degas_min": limit})
    assert found.choices.set_index("setting").loc["degas_min", "usual"] == usual
    there = fits["bubbles"].expected(found.choices.set_index("setting")["usual"].to_dict())["expected"].iloc[0]
    assert found.expected["usual"].iloc[0] == pytest.approx(there)
    assert not found.alternatives["change"].str.contains("the usual settings").any()


def test_a_limit_on_what_follows_from_the_settings_is_kept_or_said_to_be_out_of_reach(fits):
    def priced(limit):
        cost = Goal("fewer", good_enough=limit, of={"degas_min": 0.25, "pour": {"stream": 0.1}})
        return recommend(fits["bubbles"], {"bubbles": Goal("fewer", weight=6), "cost": cost})

    kept = priced(0.6)
    assert kept.expected.set_index("response").loc["cost", "expected"] <= 0.6
    assert kept.unmet == ()
    assert priced(2.0).expected.set_index("response").loc["cost", "expected"] > 0.6
    low = priced(-1)
    assert low.unmet == ("cost",)
    assert "No setting that was looked at keeps to the limit cost at most -1" in low.verdict


def test_a_combination_far_from_every_casting_is_flagged():
    rng = np.random.default_rng(4)
    one = np.repeat([0.0, 0.0, 1.0, 2.0], 8)
    other = np.repeat([2.0, 0.0, 1.0, 0.0], 8)  # never both high
    frame = pd.DataFrame({"a_min": one, "b_min": other, "haze_pct": 5 - one - other + rng.normal(0, 0.3, 32)})
    fit = fit_factors(frame, "haze_pct", ["a_min", "b_min"])
    ahead = next_casting(fit, {"a_min": 2.0, "b_min": 2.0}).iloc[0]
    assert ahead["extrapolates"]
    assert "No casting came near" in ahead["caution"]
    found = recommend(fit)
    assert found.settings == {"a_min": 2.0, "b_min": 2.0}
    assert found.extrapolates
    assert any("No casting came near this combination" in said for said in found.cautions)


def test_a_cost_that_follows_from_the_settings_takes_part(fits):
    free = recommend(fits["bubbles"], {"bubbles": "fewer"})
    dear = {"bubbles": "fewer", "cost": Goal("fewer", of={"degas_min": 1.0, "release": {"spray": 2.0}}, weight=20)}
    found = recommend(fits["bubbles"], dear)
    assert free.settings["degas_min"] == 4
    assert found.settings["degas_min"] == 0
    assert found.settings["release"] == "wax"
    assert found.choices.set_index("setting")["reason"]["release"] == "not shown: cheaper"
    assert found.expected.set_index("response").loc["cost", "expected"] == 0
    same = recommend(
        fits["bubbles"],
        {**dear, "cost": Goal("fewer", weight=20, of=lambda s: s["degas_min"] + 2 * (s["release"] == "spray"))},
    )
    assert same.settings == found.settings


def test_a_number_to_come_close_to_is_found_between_the_settings_tried():
    rng = np.random.default_rng(6)
    warm = np.resize([20.0, 25.0, 30.0], 30)
    frame = pd.DataFrame({"shore_d": 70 + 0.6 * (warm - 20) + rng.normal(0, 0.3, 30), "resin_c": warm})
    found = recommend(fit_factors(frame, "shore_d", "resin_c", kind="measure"), {"shore_d": Goal(74, good_enough=2)})
    assert found.settings["resin_c"] == pytest.approx(20 + 4 / 0.6, abs=0.6)
    assert found.chance > 0.95


def test_an_interaction_decides_where_it_is_in_the_fit():
    rng = np.random.default_rng(9)
    pour, prep = np.resize(["stream", "ladle"], 48), np.repeat(["none", "dried"], 24)
    crossed = (pour == "stream") == (prep == "dried")
    frame = pd.DataFrame(
        {"haze_pct": 3 + 1.5 * crossed + 0.4 * (prep == "dried") + rng.normal(0, 0.4, 48), "pour": pour, "prep": prep}
    )
    found = recommend(fit_factors(frame, "haze_pct", ["pour", "prep"], interactions=2))
    assert found.settings == {"pour": "stream", "prep": "none"}


def test_settings_that_cannot_be_told_apart_are_said_to_be(both):
    rows = both.alternatives
    assert rows["share"].between(0, 1).all()
    assert (rows["told_apart"] == (rows["share"] <= 0.025)).all()
    assert rows["score"].is_monotonic_decreasing
    worst = rows[rows["change"].str.contains("usual settings")]
    assert worst["told_apart"].all()
    few = castings(seed=5, batches=4, per_batch=3)
    doubtful = recommend(fit_factors(few, "bubbles", ["degas_min", "pour"]))
    if (doubtful.choices["reason"] == "likely").any():
        assert "hint to confirm" in " ".join(doubtful.cautions)


def test_the_share_as_good_agrees_with_the_p_value_of_the_only_factor():
    rng = np.random.default_rng(12)
    frame = pd.DataFrame(
        {"haze_pct": np.repeat([3.0, 3.5], 12) + rng.normal(0, 0.5, 24), "pour": ["stream"] * 12 + ["ladle"] * 12}
    )
    fit = fit_factors(frame, "haze_pct", "pour")
    found = recommend(fit)
    assert found.alternatives["share"].iloc[0] == pytest.approx(fit.effects["p_value"].iloc[0] / 2, abs=0.012)


def test_confirmation_castings_tell_the_settings_from_the_usual_ones(both):
    main = both.confirm.iloc[0]
    assert main["castings"] == 4 * main["batches"]
    assert main["low"] < both.expected["expected"].iloc[0] < main["high"]
    assert main["tells"]
    assert not main["low"] <= both.expected["usual"].iloc[0] <= main["high"]
    assert "would agree" in both.verdict
    assert both.confirm["response"].tolist() == ["bubbles", "haze_pct", "parts that pass"]


def test_every_number_of_the_verdict_stands_in_the_tables(fits, both):
    others = [
        recommend(
            list(fits.values()), {"bubbles": Goal("fewer", good_enough=6), "haze_pct": "fewer", "clarity_grade": "more"}
        ),
        recommend(fits["passed"]),
    ]
    for found in [both, *others]:
        tables = " ".join(table.to_string() for table in found.tables().values())
        known = set(re.findall(r"\d+(?:\.\d+)?", tables))
        told = set(re.findall(r"\d+(?:\.\d+)?", found.verdict.replace("95% interval", "")))
        others_alike = {str(int((~found.alternatives["told_apart"]).sum()) - 1)}
        assert told - known <= others_alike, found.verdict


def test_goals_are_known_where_every_maker_agrees(fits):
    assert recommend([fits["bubbles"], fits["haze_pct"]]).goals["haze_pct"].aim == "fewer"
    with pytest.raises(InputError, match="say what is wanted of shore_d"):
        recommend(fit_factors(castings().assign(shore_d=lambda f: 70 + f["haze_pct"]), "shore_d", "prep"))


@pytest.mark.parametrize(
    ("goals", "limits", "message"),
    [
        ({"bubbles": "cheaper"}, None, 'accepted: "fewer", "more"'),
        ({"bubbles": None}, None, "the goal for bubbles is None"),
        ({}, None, "goals is {}"),
        ({"haze_pct": "fewer"}, None, "'haze_pct' has no fit"),
        ({"cost": Goal("fewer", of={"degas_min": 1})}, None, "no goal is on a response that was fitted"),
        (
            {"bubbles": "fewer", "cost": Goal("fewer", of={"hours": 1})},
            None,
            "'hours', which is not among the settings",
        ),
        (
            {"bubbles": "fewer", "cost": Goal("fewer", of=lambda settings: str(settings))},
            None,
            "could not be worked out",
        ),
        (None, {"resin_c": (20, 30)}, "limits names 'resin_c'"),
        (None, {"degas_min": (4, 2)}, "the lowest first"),
        (None, {"degas_min": None}, "leave degas_min out of limits"),
        (None, {"pour": None}, "leave pour out of limits"),
        (None, {"degas_min": (8, 9)}, "leave nothing of what was tried"),
        (None, {"degas_min": "long"}, "accepted: \\(lowest, highest\\)"),
        (None, {"pour": ["jug"]}, "levels tried: ladle and stream|levels tried: stream and ladle"),
    ],
)
def test_bad_input_gets_one_clear_error(fits, goals, limits, message):
    with pytest.raises(InputError, match=message):
        recommend(fits["bubbles"], goals, limits)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"aim": "best"}, "the aim of a goal"),
        ({"aim": True}, "the aim of a goal"),
        ({"aim": "fewer", "weight": 0}, "a number above 0"),
        ({"aim": "fewer", "good_enough": (3, 1)}, "low below high"),
        ({"aim": 70.0, "good_enough": -1}, "a distance above 0"),
        ({"aim": "more", "ends": (1, 1)}, "two different numbers"),
        ({"aim": "fewer", "of": "cost"}, "a function of the settings"),
    ],
)
def test_a_goal_that_cannot_be_used_is_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        Goal(**arguments)


def test_fits_that_are_none_and_fits_on_one_response_twice_are_refused(fits):
    with pytest.raises(InputError, match="not results of fit_factors"):
        recommend([castings()])
    with pytest.raises(InputError, match="two fits are on the same response"):
        recommend([fits["bubbles"], fits["bubbles"]])
    with pytest.raises(InputError, match="one value per factor"):
        next_casting(fits["bubbles"], {"pour": ["stream", "ladle"]})
    with pytest.raises(InputError, match="not a factor of this fit"):
        next_casting(fits["bubbles"], {"poor": "stream"})
    for nothing in (None, 3):
        with pytest.raises(InputError, match="not results of fit_factors"):
            recommend(nothing)
    with pytest.raises(InputError, match="limits is"):
        recommend(fits["bubbles"], limits=["pour"])
    with pytest.raises(InputError, match="name no level"):
        recommend(fits["bubbles"], limits={"pour": []})


def test_the_picture_says_in_words_what_it_shows(both):
    alt = both.figure().alt
    assert "degas 4 min" in alt
    assert "next casting" in alt


def test_asking_twice_gives_the_same_answer(fits):
    first, second = (recommend(fits["bubbles"], {"bubbles": Goal("fewer", good_enough=4)}) for _ in range(2))
    assert first.verdict == second.verdict


def test_the_next_count_lies_in_its_interval_as_often_as_it_says():
    rng = np.random.default_rng(5)
    inside, runs = 0, 60
    for _ in range(runs):
        batch = np.repeat(np.arange(9), 2)
        pour = np.resize(["a", "b"], 18)
        mean = 8 * np.exp(0.5 * (pour == "b") + rng.normal(0, 0.3, 9)[batch])
        made = pd.DataFrame({"bubbles": rng.poisson(mean * rng.gamma(5, 0.2, 18)), "pour": pour, "batch_id": batch})
        row = next_casting(fit_factors(made.iloc[:-2], "bubbles", "pour", kind="count"), {"pour": "b"}).iloc[0]
        inside += row["next_low"] <= made["bubbles"].iloc[-1] <= row["next_high"]
    assert inside >= 52  # at least 95% are promised; fewer than 52 of 60 would happen in 1 of 200 tries


def test_what_is_unknown_of_one_response_is_drawn_apart_from_that_of_another():
    frame = castings()
    fits = [fit_factors(frame, response, FACTORS, batch="batch_id") for response in ("bubbles", "haze_pct")]
    fewer = {"bubbles": Goal("fewer", good_enough=6), "haze_pct": Goal("fewer", good_enough=3.5)}
    found = recommend(fits, fewer)
    alone = [
        recommend(fit, {fit.response: fewer[fit.response]}, limits={n: [v] for n, v in found.settings.items()})
        for fit in fits
    ]
    # both good at once at the one end or the other of what is possible is rarer than each at its own end
    assert found.chance_low > np.prod([one.chance_low for one in alone]) - 1e-9
    assert found.chance_high <= min(one.chance_high for one in alone)


def test_counts_of_millions_are_told_with_the_digits_that_their_interval_needs():
    rng = np.random.default_rng(1)
    pour = np.resize(["ladle", "stream"], 24)
    made = pd.DataFrame({"bubbles": rng.poisson(np.where(pour == "ladle", 2.0e6, 2.1e6)), "pour": pour})
    found = recommend(fit_factors(made, "bubbles", "pour"), {"bubbles": Goal("fewer", good_enough=2_001_000)})
    assert "bubbles at most 2001000" in found.verdict
    row = found.tables()["What to expect"].iloc[0]
    low, high = map(float, row["95% interval"].split(" to "))
    exact = found.expected.iloc[0]
    assert low < float(row["expected"]) < high
    assert [low, high] == pytest.approx([exact["low"], exact["high"]], abs=(exact["high"] - exact["low"]) / 10)


def test_what_is_no_more_than_likely_is_not_said_to_be_shown():
    made = pd.DataFrame({"passed": [1, 0] * 3, "pour": ["ladle", "stream"] * 3})
    likely = recommend(fit_factors(made, "passed", "pour", kind="pass"))
    assert likely.verdict.startswith("No setting is clear yet")
    assert "is shown to be worse" not in likely.verdict


def test_zeros_told_apart_are_two_answers_and_refused():
    rng = np.random.default_rng(1)
    made = pd.DataFrame({"pour": np.resize(["ladle", "stream"], 40), "bubbles": rng.poisson(5, 40)})
    made.loc[rng.random(40) < 0.4, "bubbles"] = 0
    fit = fit_factors(made, "bubbles", "pour", zeros="separate")
    with pytest.raises(InputError, match="zeros apart, which gives two answers; accepted: the fit without zeros="):
        recommend(fit)
    assert recommend(fit.any_at_all, {"any_bubbles": "fewer"}).settings


def test_a_limit_on_the_cost_that_is_kept_is_said_to_be(fits):
    dear = Goal("fewer", good_enough=12345, of={"pour": {"stream": 20000, "ladle": 9000}})
    found = recommend(fits["bubbles"], {"bubbles": "fewer", "cost": dear})
    assert found.settings["pour"] == "ladle"  # worse, and all that the limit leaves
    assert "cost 9000. That keeps to the limit cost at most 12345." in found.verdict
