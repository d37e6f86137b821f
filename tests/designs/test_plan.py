"""Plans: what they keep to (batches, molds, forbidden combinations, castings made), and what they refuse."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from castlab.analysis import fit_factors
from castlab.designs import Factor, exchange, plan_trials, space
from castlab.designs.two_level import hadamard
from castlab.errors import InputError, NotFoundError

BENCH = [
    Factor("resin_c", 22, 32),
    Factor("pour", ["stream", "ladle"]),
    Factor.on_off("mold_vacuum"),
    Factor("cure_c", 40, 60),
]
NEEDS_CHAMBER = {"mold_vacuum": True, "chamber": False}


def numbers(k: int) -> list[Factor]:
    return [Factor(f"x{j}", -1, 1) for j in range(k)]


def mean_variance(plan) -> float:
    X = plan._runs.X
    return float(np.trace(np.linalg.inv(X.T @ X) @ plan._runs.space.moments(np.zeros((0, 0), dtype=int))))


# what a plan keeps to


def test_the_same_seed_gives_the_same_plan_and_another_another_order():
    one, same, other = (plan_trials(BENCH, 16, batch_size=4, seed=s) for s in (5, 5, 6))
    assert one.table.equals(same.table)
    assert not one.table.equals(other.table)


def test_the_order_of_castings_is_drawn_by_lot():
    firsts = {tuple(plan_trials(BENCH, 8, seed=s).table.iloc[0, 1:]) for s in range(1, 12)}
    assert len(firsts) > 3


def test_per_batch_factors_change_only_between_batches():
    plan = plan_trials(BENCH, 18, per_batch=["resin_c", "cure_c"], batch_size=3)
    assert plan.table["batch"].tolist() == sorted(plan.table["batch"])
    assert plan.table.groupby("batch")[["resin_c", "cure_c"]].nunique().to_numpy().max() == 1
    assert set(plan.table.groupby("batch").size()) == {3}
    judged = plan.precision.set_index("effect")["judged_on"]
    assert judged.to_dict() == {
        "resin_c": "batches",
        "pour": "castings",
        "mold_vacuum": "castings",
        "cure_c": "batches",
    }
    assert len(plan.batch(2)) == 3


def test_molds_take_turns_within_each_batch_and_are_clear_of_the_effects():
    plan = plan_trials(BENCH, 16, per_batch=["resin_c"], batch_size=4, blocks=["M-01", "M-02", "M-03", "M-04"])
    assert plan.table.groupby("batch")["mold"].nunique().tolist() == [4] * 4
    with_mold = plan.aliases[plan.aliases["alias"] == "mold"]
    assert not set(with_mold["effect"]) & set(plan.factors)
    assert plan.d_efficiency == 1.0


def test_forbidden_combinations_are_never_planned_whether_set_per_batch_or_not():
    factors = [*BENCH, Factor.on_off("chamber")]
    for per_batch, batch_size in (((), None), (["chamber"], 4), (["mold_vacuum"], 4)):
        rules = [NEEDS_CHAMBER, {"cure_c": (55, 60), "pour": "ladle"}]
        t = plan_trials(factors, 16, per_batch=per_batch, batch_size=batch_size, forbid=rules).table
        assert not (t["mold_vacuum"] & ~t["chamber"]).any()
        assert not ((t["cure_c"] == 60) & (t["pour"] == "ladle")).any()
        assert t[[f.name for f in factors]].nunique().min() == 2


@settings(max_examples=15, deadline=None)
@given(st.sets(st.tuples(st.integers(0, 2), st.integers(0, 1), st.integers(0, 1)), max_size=5), st.integers(0, 3))
def test_whatever_is_forbidden_is_kept_out_or_refused(cells, seed):
    factors = [Factor("a", ["p", "q", "r"]), Factor("b", ["s", "t"]), Factor("c", ["u", "v"])]
    rules = [{f.name: f.settings[k] for f, k in zip(factors, cell, strict=True)} for cell in cells]
    try:
        t = plan_trials(factors, 9, per_batch=["a"], batch_size=2, forbid=rules, seed=seed).table
    except InputError as error:
        t, said = pd.DataFrame(columns=["a", "b", "c"]), str(error)
    if t.empty:
        assert "nearest possible request" in said
    made = set(zip(t["a"], t["b"], t["c"], strict=True))
    assert not made & {tuple(rule.values()) for rule in rules}


def test_held_factors_stand_in_every_row_and_take_their_rules_with_them():
    factors = [*BENCH, Factor("chamber", hold=False)]
    with pytest.raises(InputError, match="leave factor mold_vacuum one setting"):
        plan_trials(factors, 8, forbid=[NEEDS_CHAMBER])
    plan = plan_trials([*BENCH, Factor("chamber", hold=True)], 8, forbid=[NEEDS_CHAMBER])
    assert plan.table["chamber"].all()
    assert "chamber" not in set(plan.precision["effect"])


def test_castings_already_made_are_completed_not_repeated():
    corner = {"x0": [-1, -1, 1, 1], "x1": [-1, 1, -1, 1], "x2": [-1, -1, -1, -1]}
    plan = plan_trials(numbers(3), 4, made=pd.DataFrame(corner))
    assert len(plan.table) == 4
    assert sorted(plan.table["x2"]) == [-1, -1, 1, 1]  # all at 1 would mix x2 with the difference between then and now
    assert any("made before" in c for c in plan.cautions)
    alone = plan_trials(numbers(3), 8, made=pd.DataFrame(corner))
    assert alone.precision["standard_error"].max() < plan.precision["standard_error"].max()


def test_castings_made_outside_a_range_are_told_and_far_outside_are_refused():
    made = pd.DataFrame({"resin_c": [20, 24, 33, 27], "pour": ["stream", "ladle"] * 2})
    near = plan_trials(BENCH[:2], 8, made=made)
    assert any("2 castings already made were outside the range of resin temperature" in c for c in near.cautions)
    assert not any("outside" in c for c in plan_trials(BENCH[:2], 8, made=made.iloc[[1, 3]]).cautions)
    with pytest.raises(
        InputError, match=r"made holds resin_c 320, far outside its range \(22 to 32\).*accepted: 12 to 42"
    ):
        plan_trials(BENCH[:2], 8, made=made.assign(resin_c=[22, 320, 32, 27]))


def test_castings_made_that_break_a_rule_are_told():
    factors = [Factor.on_off("mold_vacuum"), Factor.on_off("chamber"), Factor("tilt_deg", 0, 10)]
    rules = [NEEDS_CHAMBER, {"tilt_deg": (8, 9.5), "mold_vacuum": "yes"}]  # the range holds neither end of the factor's
    made = pd.DataFrame(
        {"mold_vacuum": [True, False, True, True], "chamber": [False, True, True, False], "tilt_deg": [0, 10, 9, 2]}
    )
    told = [c for c in plan_trials(factors, 6, made=made, forbid=rules).cautions if "forbidden" in c]
    assert told == [
        "2 castings already made (rows 1 and 4 of made) have mold vacuum yes with chamber no, which is forbidden: what they "
        "tell is used, and none like that is planned.",
        "1 casting already made (row 3 of made) has tilt 8 to 9.5 with mold vacuum yes, which is forbidden: what it tells is "
        "used, and none like that is planned.",
    ]
    assert not any("forbidden" in c for c in plan_trials(factors, 6, made=made.iloc[[1]], forbid=rules).cautions)


def test_rules_over_held_levels_are_read_as_those_over_varied_ones():
    factors = [Factor.on_off("mold_vacuum"), Factor("rest_min", 0, 10), Factor("chamber", hold=False)]
    rule = {"mold_vacuum": True, "rest_min": (5, 10), "chamber": "no"}
    plan = plan_trials(factors, 6, forbid=[rule])
    assert not (plan.table["mold_vacuum"] & plan.table["rest_min"].eq(10)).any()
    assert "Never cast: mold vacuum yes with rest 5 to 10." in plan.figure().alt
    free = plan_trials(factors, 8, forbid=[{**rule, "chamber": "yes"}])
    assert (free.table["mold_vacuum"] & free.table["rest_min"].eq(10)).any()
    with pytest.raises(InputError, match="chamber has no setting 'never'; its settings: no, yes"):
        plan_trials(factors, 8, forbid=[{**rule, "chamber": "never"}])


@pytest.mark.parametrize(
    "listed", [["ladle", "pump"], {"ladle", "pump"}, np.array(["ladle", "pump"]), pd.Series(["ladle", "pump"])]
)
def test_a_rule_lists_settings_however_lists_are_kept(listed):
    factors = [Factor.on_off("mold_vacuum"), Factor("pour", ["stream", "ladle", "pump"]), Factor("rest_min", 0, 10)]
    plan = plan_trials(factors, 12, forbid=[{"mold_vacuum": True, "pour": listed}])
    assert set(plan.table.loc[plan.table["mold_vacuum"], "pour"]) == {"stream"}


def test_a_rule_over_a_blank_is_refused():
    with pytest.raises(InputError, match="factor mold_vacuum has no setting None; its settings: no, yes"):
        plan_trials(BENCH, 8, forbid=[{"mold_vacuum": None, "pour": "ladle"}])


def test_doubled_columns_of_castings_made_are_named():
    made = pd.DataFrame({"resin_c": [22, 32], "pour": ["stream", "ladle"]})
    with pytest.raises(InputError, match="made has 2 columns 'resin_c'; accepted: each column once"):
        plan_trials(BENCH[:2], 8, made=pd.concat([made, made], axis=1))
    doubled = pd.concat([made, made.assign(batch=1)[["batch"]], made.assign(batch=2)[["batch"]]], axis=1)
    with pytest.raises(InputError, match="made has 2 columns 'batch'"):
        plan_trials(BENCH[:2], 8, made=doubled, batch_size=2)


def test_castings_made_in_known_batches_and_molds_join_the_model():
    made = pd.DataFrame({"resin_c": [22, 22, 32, 32], "pour": ["stream", "ladle"] * 2, "batch_id": ["B-1", "B-1", "B-2", "B-2"], "mold_id": ["M-01", "M-02"] * 2})  # fmt: skip
    plan = plan_trials(BENCH[:2], 8, made=made, per_batch=["resin_c"], batch_size=2, blocks=["M-01", "M-02"])
    assert plan.table["batch"].tolist() == [1, 1, 2, 2, 3, 3, 4, 4]
    assert plan._runs.n_batches == 6
    assert set(plan.table["mold"]) == {"M-01", "M-02"}


def test_odd_numbers_of_castings_and_mixed_levels_are_planned():
    factors = [
        *numbers(3),
        Factor("a", list("uvw")),
        Factor("b", list("klmn")),
        Factor.on_off("c"),
        Factor("d", [1, 2, 4]),
    ]
    plan = plan_trials(factors, 20)
    assert plan.d_efficiency > 0.98
    assert set(plan.table["b"].value_counts()) <= {4, 5, 6}
    assert any("only the lowest and highest" in c for c in plan.cautions)


def test_levels_without_order_are_all_compared_with_the_first():
    plan = plan_trials([Factor("sealer", ["none", "wax", "film"])], 9)
    assert plan.kind == "full factorial"
    assert plan.precision["contrast"].tolist() == ["wax instead of none", "film instead of none"]
    assert plan.precision["standard_error"].tolist() == pytest.approx([np.sqrt(2 / 3)] * 2)


def test_mean_prediction_variance_is_smaller_in_a_plan_made_for_it():
    by_effects = plan_trials(numbers(3), 16, goal="curve")
    by_response = plan_trials(numbers(3), 16, goal="curve", criterion="I")
    assert mean_variance(by_response) < 0.9 * mean_variance(by_effects)
    assert by_response.d_efficiency < by_effects.d_efficiency


def test_open_numbers_of_castings_leave_something_to_judge_by():
    for goal in ("screen", "effects", "curve"):
        plan = plan_trials(numbers(4), goal=goal)
        assert plan.precision["df"].min() >= 3
    assert plan_trials(numbers(6)).resolution == 4
    whole = plan_trials(BENCH, per_batch=["resin_c"], batch_size=3)
    assert len(whole.table) % 3 == 0
    assert whole.precision["df"].min() >= 2
    bent = plan_trials(numbers(4), goal="curve", batch_size=4)
    assert bent.precision["df"].min() >= 3


def test_wanted_interactions_are_kept_clear_of_each_other():
    wanted = [("x0", "x1"), ("x0", "x2"), ("x3", "x4")]
    plan = plan_trials(numbers(7), 16, interactions=wanted)
    model = {*plan.factors, *(" x ".join(p) for p in wanted)}
    inside = plan.aliases[plan.aliases["effect"].isin(model) & plan.aliases["alias"].isin(model)]
    assert inside.empty
    assert plan.d_efficiency == 1.0


def test_a_plan_shows_itself_in_words_and_tables():
    plan = plan_trials(BENCH, 16, per_batch=["resin_c"], batch_size=4)
    assert "16 castings in 4 batches for 4 factors" in plan.verdict
    assert "set afresh for each batch" in str(plan)
    assert "data sheets" in plan.cautions[-1]
    shown = plan._repr_html_()
    assert "Castings in the order to make them" in shown
    assert "32 against 22 °C" in shown
    bare = plan_trials(BENCH, 8)
    with pytest.raises(NotFoundError, match="batch_size"):
        bare.batch(1)
    with pytest.raises(NotFoundError, match="its batches: 1 to 4"):
        plan.batch(9)


def test_the_analysis_of_a_balanced_plan_judges_effects_as_the_plan_says():
    plan = plan_trials(BENCH, 16, per_batch=["resin_c"], batch_size=4)
    rng = np.random.default_rng(4)
    made = plan.table.assign(haze=rng.normal(size=4)[plan.table["batch"] - 1] + rng.normal(size=16))
    tests = fit_factors(made, "haze", list(plan.factors), kind="measure", batch="batch").tests.set_index("factor")
    for effect, df in zip(plan.precision["effect"], plan.precision["df"], strict=True):
        assert float(tests.loc[effect, "df"].split(",")[1]) == pytest.approx(df, rel=0.01)


# how plans are found


def test_the_search_ends_where_no_single_change_helps():
    s = space.build(numbers(3), [(0, 1)], True, ())
    plan = exchange.structure(np.arange(12) // 3, np.zeros((12, 0)), 1.0, 0)
    found, worth = exchange.search(s, space.moves(s), np.zeros((0, s.p)), plan, None, 8, np.random.default_rng(2))
    assert worth[0] == pytest.approx(float(exchange.worth(s.rows(found[0]), plan.A, None)))
    for levels in found:
        here = float(exchange.worth(s.rows(levels), plan.A, None))
        for i, j, k in product(range(12), range(3), range(3)):
            other = levels.copy()
            other[i, j] = k
            assert float(exchange.worth(s.rows(other), plan.A, None)) <= here + 1e-5


def test_weights_of_runs_are_the_inverse_covariance_with_nuisances_projected_out():
    batch, C = np.array([0, 0, 1, 1, 1]), np.array([[1.0], [0], [1], [0], [0]])
    plan = exchange.structure(batch, C - C.mean(), 2.0, 0)
    W = np.linalg.inv(np.eye(5) + 2 * np.equal.outer(batch, batch))
    centred = C - C.mean()
    direct = W - W @ centred @ np.linalg.inv(centred.T @ W @ centred) @ centred.T @ W
    assert np.allclose(plan.A, direct)


def test_sign_matrices_have_orthogonal_columns_and_some_sizes_have_none():
    for n in (4, 8, 12, 16, 20, 24, 28, 32, 36, 40, 44, 48, 56, 60):
        H = hadamard(n)
        assert np.array_equal(H.T @ H, n * np.eye(n))
        assert (H[:, 0] == 1).all()
    assert hadamard(14) is None
    assert hadamard(52) is None


# what is impossible


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Factor("x"), "has no settings"),
        (lambda: Factor("x", []), "empty list"),
        (lambda: Factor("x", ["a"]), "one setting, 'a'"),
        (lambda: Factor("x", 3, 3), "hold=3"),
        (
            lambda: Factor("x", 22, 32, hold=80),
            "held at 80, outside its settings; accepted: 22 to 32, or hold=80 alone",
        ),
        (lambda: Factor("x", ["stream", "ladle"], hold="jug"), "accepted: stream, ladle, or hold='jug' alone"),
        (lambda: Factor("x", 22, 32, hold="warm"), "held at 'warm'"),
        (lambda: Factor("x", hold=[1, 2]), r"held at \[1, 2\]; accepted: one setting"),
        (lambda: Factor("x", hold=float("nan")), "held at nan; accepted: one setting"),
        (lambda: Factor("x", 5, 3), "runs downwards"),
        (lambda: Factor("x", 5), "one setting, 5"),
        (lambda: Factor("x", ["a", "a"]), "twice"),
        (lambda: Factor("x", [1, "a"]), "mixes numbers"),
        (lambda: Factor("x", [1, float("nan")]), "blank"),
        (lambda: Factor("x", "low", "high"), "two numbers"),
        (lambda: Factor(" ", 1, 2), "name"),
    ],
)
def test_factors_without_two_settings_are_refused(make, said):
    with pytest.raises(InputError, match=said):
        make()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"runs": 4}, r"cannot tell 5 effects.*runs=6"),
        ({"runs": 12, "interactions": 2}, r"15 effects.*runs=16, or interactions=0"),
        ({"runs": 12, "per_batch": ["x0", "x1", "x2"], "batch_size": 4}, r"3 batches cannot.*runs=13, or batch_size=3"),
        ({"runs": 8, "per_batch": ["x0"]}, "per batch without batches.*batch_size=2"),
        ({"runs": 8, "per_batch": ["y"], "batch_size": 2}, "no factor"),
        ({"runs": 14, "using": "plackett-burman"}, "runs=12"),
        ({"runs": 14, "using": "factorial"}, "runs=16"),
        ({"runs": 10, "using": "central composite"}, "using='best'"),
        ({"runs": 10, "using": "box-behnken", "goal": "curve"}, "runs=41"),
        ({"runs": 8, "forbid": [{"x0": 1}, {"x0": -1}]}, "leave no casting"),
        ({"runs": 8, "forbid": [{"x0": 1}]}, r"leave factor x0 one setting.*hold=-1"),
        ({"runs": 16, "interactions": [("x0", "x1")], "forbid": [{"x0": 1, "x1": 1}]}, "x0 x x1 impossible"),
        ({"runs": 8, "forbid": [{"y": 1}]}, "no factor"),
        ({"runs": 8, "forbid": [{"x0": (1, -1), "x1": 1}]}, "the smaller first"),
        ({"runs": 8, "forbid": [{"x0": (float("nan"), 1), "x1": 1}]}, "the smaller first"),
        ({"runs": 8, "forbid": [{}]}, "forbidden combination"),
        ({"runs": 8, "blocks": ["M-01"]}, "names of 2 to 500 molds"),
        ({"runs": 8, "goal": "win"}, "goal"),
        ({"runs": 8, "criterion": "A"}, "criterion"),
        ({"runs": 8.5}, "whole number"),
        ({"runs": 8, "seed": -1}, "seed"),
        ({"runs": 8, "batch_scatter": -1}, "batch_scatter"),
        ({"runs": 8, "interactions": [("x0", "y")]}, "not among the factors"),
        ({"runs": 8, "made": pd.DataFrame({"x0": [1]})}, "no column 'x1'"),
        ({"runs": 501}, "runs=500"),
        ({"runs": 8, "per_batch": 3, "batch_size": 2}, "list of names of factors"),
        ({"runs": 8, "forbid": 3}, "list of forbidden combinations"),
        ({"runs": 30, "goal": "curve", "forbid": [{"x0": 0.0}]}, "bend of x0 impossible.*goal='effects'"),
    ],
)
def test_impossible_requests_say_what_is_impossible_and_what_is_near(options, said):
    with pytest.raises(InputError, match=said):
        plan_trials(numbers(5), **options)


def test_other_lists_of_factors_are_refused():
    with pytest.raises(InputError, match="list of Factor"):
        plan_trials(["resin_c"], 8)
    with pytest.raises(InputError, match="list of Factor"):
        plan_trials(None, 8)
    with pytest.raises(InputError, match="given twice"):
        plan_trials([*BENCH, BENCH[0]], 8)
    with pytest.raises(InputError, match="nothing to plan"):
        plan_trials([Factor("x", hold=1)], 8)
    with pytest.raises(InputError, match="goal='effects'"):
        plan_trials([Factor("pour", ["stream", "ladle"])], 8, goal="curve")
    with pytest.raises(InputError, match="name of a column of the plan"):
        plan_trials([Factor("batch", 1, 2)], 8)


def test_settings_may_be_given_as_a_notebook_gives_them():
    given = {
        "resin_c": [22, 32],
        "pour": ["stream", "ladle"],
        "lid": [False, True],
        "rest_min": [0, 5, 10],
        "cure_h": 24,
    }
    plan = plan_trials(given, 16)
    assert plan.settings == {
        "resin_c": (22.0, 32.0), "pour": ("stream", "ladle"), "lid": (False, True), "rest_min": (0.0, 5.0, 10.0), "cure_h": (24,),
    }  # fmt: skip
    assert (plan.table["cure_h"] == 24).all()
    made = [Factor("resin_c", 22, 32), Factor("pour", ["stream", "ladle"]), Factor.on_off("lid")]
    pd.testing.assert_frame_equal(
        plan_trials([*made, Factor("rest_min", [0, 5, 10]), Factor("cure_h", hold=24)], 16).table, plan.table
    )


def test_the_record_of_a_plan_holds_what_is_asked_and_makes_it_again(book):
    plan = plan_trials({"resin_c": [22, 32], "pour": ["stream", "ladle"], "cure_h": 24}, 8, batch_size=4, seed=5)
    written = book.add(plan.record(name="warmth", responses=["bubbles", "haze_pct"], question="Does warmth help?"))
    assert (written.factors, written.responses) == ("resin_c, pour", "bubbles, haze_pct")
    assert (written.castings, written.batches, written.seed) == (8, 2, 5)
    with pytest.raises(InputError):
        plan.record(name="", responses="bubbles")


def test_more_molds_than_castings_are_refused_with_requests_that_are_possible():
    factors = [Factor("resin_c", 22, 32), Factor("pour", ["stream", "ladle"])]
    with pytest.raises(
        InputError, match="4 castings cannot use 6 molds; nearest possible request: runs=8, or blocks=2"
    ):
        plan_trials(factors, 4, blocks=6)
    assert len(plan_trials(factors, 4, blocks=2).table) == 4
    assert len(plan_trials(factors, 8, blocks=6).table) == 8
    with pytest.raises(InputError, match="factors is empty"):
        plan_trials([], 8)


def test_the_search_of_a_large_plan_shows_how_far_it_is(monkeypatch, capsys):
    plan_trials(numbers(3), 7, using="optimal")
    assert "searching" not in capsys.readouterr().err
    monkeypatch.setattr("castlab.designs.plan.LONG", 1)
    plan_trials(numbers(3), 7, using="optimal")
    assert "searching plans" in capsys.readouterr().err
