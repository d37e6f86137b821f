"""What changed together, and the castings that would separate it."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import fit_factors, what_is_confounded
from castlab.analysis.reading import coding
from castlab.designs import Factor, plan_trials
from castlab.errors import FitError, InputError


def rows(report) -> dict[tuple[str, str], str]:
    return {(r.one, r.other): r.words for r in report.pairs.itertuples()}


def half_fraction() -> pd.DataFrame:
    """2^(3-1) with C = A B, twice: no pair changed together, main effects are clear of each other."""
    corners = [(a, b, a * b) for a, b in product((-1, 1), repeat=2)]
    return pd.DataFrame(corners * 2, columns=["a", "b", "c"])


def test_a_full_factorial_has_nothing_to_report():
    frame = pd.DataFrame(
        list(product([22, 28], ["stream", "ladle"], [True, False])), columns=["resin_c", "pour", "dried"]
    )
    report = what_is_confounded(frame, ["resin_c", "pour", "dried"])
    assert report.pairs.empty
    assert "Every factor was varied" in report.verdict


def test_settings_that_always_changed_together_are_found():
    frame = pd.DataFrame({"resin_c": [22, 22, 28, 28], "pour": ["s", "s", "l", "l"], "dried": [True, False] * 2})
    report = what_is_confounded(frame, ["resin_c", "pour", "dried"])
    assert rows(report) == {("resin_c", "pour"): "always changed together: their effects cannot be told apart"}
    assert report.pairs["share"].iloc[0] == 1


def test_settings_that_were_never_varied_are_found():
    report = what_is_confounded(pd.DataFrame({"cure_h": [24, 24, 24], "pour": ["s", "l", "s"]}), ["cure_h", "pour"])
    assert rows(report)[("cure_h", "(never varied)")] == "always 24: these castings say nothing about it"
    assert "Never varied, so unknown: cure time" in report.verdict


def test_a_factor_that_follows_from_several_others_is_found():
    frame = pd.DataFrame({"x": [0, 0, 1, 1, 0, 1, 2, 2], "y": [0, 1, 0, 1, 2, 2, 0, 1]})
    frame["z"] = frame["x"] + frame["y"]
    report = what_is_confounded(frame, ["x", "y", "z"])
    assert rows(report)[("x", "y and z")].startswith("follows from these together")
    frame["bubbles"] = [3, 4, 5, 4, 6, 3, 5, 4]
    dropped = fit_factors(frame, "bubbles", ["x", "y", "z"], kind="count").dropped["z"]
    assert dropped.startswith("z follows from x and y together: their effects cannot be told apart. z was left out")


def test_the_share_is_the_squared_correlation_of_two_settings():
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({"a": rng.normal(size=30)})
    frame["b"] = frame["a"] + rng.normal(0, 0.3, 30)
    report = what_is_confounded(frame, ["a", "b"])
    assert report.pairs["share"].iloc[0] == pytest.approx(frame["a"].corr(frame["b"]) ** 2, abs=6e-4)


def test_settings_per_batch_and_settings_that_are_the_batch_are_told_apart():
    frame = pd.DataFrame(
        {"cup": np.repeat(list("abcd"), 3), "warm": np.repeat([0, 1, 0, 1], 3), "lot": np.repeat(list("pqrs"), 3)}
    )
    found = rows(what_is_confounded(frame, ["warm", "lot"], batch="cup"))
    assert found[("warm", "cup")].startswith("set per batch: judged on 4 batches")
    assert "cannot be told from the batch" in found[("lot", "cup")]


def test_next_castings_break_an_alias():
    frame = pd.DataFrame({"resin_c": [22, 22, 28, 28], "pour": ["stream", "stream", "ladle", "ladle"]})
    proposed = what_is_confounded(frame, ["resin_c", "pour"]).next_runs(2)
    new = pd.concat([frame, proposed], ignore_index=True)
    assert len(what_is_confounded(new, ["resin_c", "pour"]).pairs) == 0
    assert set(map(tuple, proposed.to_numpy())) == {(22, "ladle"), (28, "stream")}


def test_next_castings_are_as_good_as_the_best_of_all_choices():
    frame = half_fraction().iloc[:5]
    report = what_is_confounded(frame, ["a", "b", "c"])
    factors = [coding.read_factor(frame[c]) for c in frame.columns]

    def information(table: pd.DataFrame) -> float:
        X = coding.build(table, factors, []).X
        return float(np.linalg.det(X.T @ X))

    corners = pd.DataFrame(list(product((-1.0, 1.0), repeat=3)), columns=["a", "b", "c"])
    best = max(information(pd.concat([frame, corners.iloc[[i, j]]])) for i in range(8) for j in range(i, 8))
    assert information(pd.concat([frame, report.next_runs(2)])) >= 0.95 * best


def test_the_same_question_gives_the_same_castings():
    report = what_is_confounded(half_fraction(), ["a", "b", "c"])
    pd.testing.assert_frame_equal(report.next_runs(5), report.next_runs(5))


def test_many_factors_stay_quick_and_within_what_was_tried():
    rng = np.random.default_rng(3)
    frame = pd.DataFrame(rng.integers(0, 3, (30, 12)), columns=[f"f{i}" for i in range(12)])
    proposed = what_is_confounded(frame, list(frame.columns)).next_runs(4)
    assert proposed.shape == (4, 12)
    assert proposed.isin([0, 1, 2]).all(axis=None)


@pytest.mark.parametrize("wrong", [0, -1, 1.5, "3", True, 501, 10**6])
def test_a_number_of_castings_that_is_none_or_beyond_a_workshop_is_refused(wrong):
    report = what_is_confounded(half_fraction(), ["a", "b"])
    with pytest.raises(InputError, match=r"asked for .* castings; accepted: a whole number from 1 to 500"):
        report.next_runs(wrong)
    with pytest.raises(InputError, match=r"batch_size is .* castings of a cup; accepted: a whole number from 1 to 500"):
        report.next_runs(4, batch_size=wrong)
    assert len(report.next_runs(500)) == 500


@pytest.mark.parametrize(
    ("column", "said", "instead"),
    [
        ({"cure_h": [24, 24]}, "cure_h 24", Factor("cure_h", 24, 26.4)),
        ({"rest_min": [0, 0]}, "rest_min 0", Factor("rest_min", 0, 1)),
        ({"mold_vacuum": [True, True]}, "mold_vacuum yes", Factor.on_off("mold_vacuum")),
        ({"pour_method": ["stream", "stream"]}, "pour_method stream", Factor("pour_method", ["stream", "another"])),
    ],
)
def test_factors_never_varied_offer_no_castings_and_say_what_would(column, said, instead):
    report = what_is_confounded(pd.DataFrame(column), list(column))
    with pytest.raises(InputError, match=f"none of the factors was varied .always {said}.*nearest possible") as refused:
        report.next_runs(1)
    call = str(refused.value).partition("such as ")[2]
    assert eval(call, {"Factor": Factor}) == instead
    assert len(plan_trials([instead], 4).table) == 4


def test_a_setting_that_several_others_nearly_tell_is_found():
    rng = np.random.default_rng(3)
    frame = pd.DataFrame(rng.normal(size=(40, 3)), columns=list("abc"))
    frame["d"] = frame.sum(axis=1) + rng.normal(0, 0.4, 40)
    report = what_is_confounded(frame, list("abcd"))
    last = report.pairs[report.pairs["words"].str.startswith("nearly follows")].iloc[0]
    # the variance inflation factor is 1 / (1 - share) (Montgomery, Peck and Vining, Introduction to Linear Regression Analysis)
    from statsmodels.stats.outliers_influence import variance_inflation_factor

    names = ["const", *"abcd"]
    X = frame.assign(const=1.0)[names].to_numpy()
    assert variance_inflation_factor(X, names.index(last["one"])) == pytest.approx(1 / (1 - last["share"]), rel=0.05)
    assert "D nearly follows from a, b and c together: its effect can hardly be told from theirs." in report.verdict
    assert "changed together often enough" not in report.verdict
    frame["y"] = frame["a"] + rng.normal(0, 1, 40)
    assert any("D nearly follows from a, b and c together" in c for c in fit_factors(frame, "y", list("abcd")).cautions)
    frame["d"] = rng.normal(size=40)
    assert what_is_confounded(frame, list("abcd")).pairs.empty


def test_a_setting_that_changed_almost_only_from_batch_to_batch_is_found():
    rng = np.random.default_rng(5)
    frame = pd.DataFrame({"batch_id": np.repeat(list("abcdef"), 6), "warm": np.repeat([0, 1, 0, 1, 1, 0], 6)})
    frame.loc[3, "warm"] = 1
    frame["fresh"] = rng.permutation(frame["warm"])
    frame["y"] = rng.normal(size=36)
    report = what_is_confounded(frame, ["warm", "fresh"])
    said = "changed almost only from batch to batch: 6 batches tell most of its effect, not 36 castings"
    assert rows(report) == {("warm", "batch_id"): said}
    assert f"Warm {said}." in report.verdict
    assert report.set_per_batch == ()
    cautions = fit_factors(frame, "y", ["warm", "fresh"]).cautions
    assert f"Warm {said}." in cautions
    assert not any(c.startswith("Set per batch") for c in cautions)


def test_batches_of_one_casting_each_say_nothing_of_batches():
    frame = half_fraction().assign(batch_id=[f"B-{n:03d}" for n in range(8)])
    assert what_is_confounded(frame, ["a", "b", "c"]).pairs.empty


def test_missing_settings_are_counted_and_a_column_never_recorded_is_said():
    frame = pd.DataFrame({"a": [1, 2, None, 1], "b": [None] * 4, "c": ["x", "y", "x", "y"]})
    report = what_is_confounded(frame, ["a", "b", "c"])
    assert report.n == 3
    assert any("b was never recorded" in c for c in report.cautions)
    assert "B was never recorded." in report.verdict
    assert any("1 of 4 castings was left out" in c for c in report.cautions)
    with pytest.raises(FitError, match="no casting has all"):
        what_is_confounded(frame, ["b"])


def test_unknown_columns_are_said():
    with pytest.raises(InputError, match="no column 'mold'"):
        what_is_confounded(half_fraction(), ["mold"])


def haphazard() -> pd.DataFrame:
    """Six cups on three days in two molds: warm follows the day, pour the mold, prep nothing."""
    return pd.DataFrame(
        {
            "batch_id": np.repeat([f"B-{n:03d}" for n in range(1, 7)], 2),
            "poured_at": pd.to_datetime(np.repeat(["2026-03-02", "2026-03-03", "2026-03-05"], 4)) + pd.Timedelta("9h"),
            "mold": ["Block A", "Block B"] * 6,
            "resin_c": np.repeat([22, 28, 22], 4),
            "pour_method": ["stream", "ladle"] * 6,
            "insert_prep": ["none", "dried", "dried", "none"] * 3,
        }
    )


SETTINGS = ["resin_c", "pour_method", "insert_prep"]


def test_effects_that_follow_the_day_or_the_mold_are_found():
    found = rows(what_is_confounded(haphazard(), SETTINGS))
    assert found[("resin_c", "day")] == "changed only from day to day: 3 days tell its effect, not 12 castings"
    assert "each setting in one mold: its effect cannot be told from the mold" in found[("pour_method", "mold")]
    assert not any(one == "insert_prep" for one, _ in found)


def test_a_day_for_each_batch_says_nothing_more_than_the_batch():
    frame = haphazard().assign(poured_at=pd.to_datetime([f"2026-03-{d:02d}" for d in np.repeat(range(1, 7), 2)]))
    assert not any(other == "day" for _, other in rows(what_is_confounded(frame, SETTINGS)))


def test_nearly_following_the_mold_is_told_from_chance():
    rng = np.random.default_rng(4)
    frame = pd.DataFrame({"mold": np.repeat(list("abcd"), 10), "warm": np.repeat([0, 1, 0, 1], 10)})
    frame.loc[3, "warm"] = 1
    frame["fresh"] = rng.permutation(frame["warm"])
    found = rows(what_is_confounded(frame, ["warm", "fresh"]))
    assert found[("warm", "mold")].startswith("changed almost only from mold to mold")
    assert ("fresh", "mold") not in found


def test_a_mold_or_day_that_is_a_factor_or_has_gaps_is_no_group():
    frame = haphazard()
    assert not any("from mold" in words for words in rows(what_is_confounded(frame, [*SETTINGS, "mold"])).values())
    frame.loc[0, "poured_at"] = pd.NaT
    assert not any(other == "day" for _, other in rows(what_is_confounded(frame, SETTINGS)))


def test_the_analysis_says_what_follows_the_day_or_the_mold():
    frame = haphazard().assign(bubbles=[3, 5, 6, 4, 9, 7, 8, 9, 4, 3, 5, 6])
    cautions = fit_factors(frame, "bubbles", SETTINGS, kind="count").cautions
    assert any("Resin temperature changed only from day to day" in c for c in cautions)
    assert any("Pour method changed only from mold to mold" in c for c in cautions)


def test_next_castings_are_grouped_by_cup_with_its_settings_constant_within_it():
    proposed = what_is_confounded(haphazard(), SETTINGS).next_runs(7, batch_size=3)
    assert list(proposed.columns) == ["batch", "mold", *SETTINGS]
    assert list(proposed["batch"]) == [1, 1, 1, 2, 2, 2, 3]
    assert (proposed.groupby("batch")["resin_c"].nunique() == 1).all()
    assert list(what_is_confounded(haphazard(), SETTINGS).next_runs(4)["batch"]) == [1, 1, 2, 2]


def test_next_castings_separate_what_followed_the_mold_and_use_molds_in_turn():
    report = what_is_confounded(haphazard(), SETTINGS)
    proposed = report.next_runs(4, batch_size=2)
    assert (proposed.groupby("batch")["mold"].nunique() == 2).all()
    assert {("Block A", "ladle"), ("Block B", "stream")} <= set(
        zip(proposed["mold"], proposed["pour_method"], strict=True)
    )
    new = pd.concat([haphazard().drop(columns="poured_at"), proposed.drop(columns="batch")], ignore_index=True)
    assert ("pour_method", "mold") not in rows(what_is_confounded(new, SETTINGS, batch=False))


def test_what_is_set_per_cup_can_be_said():
    proposed = what_is_confounded(haphazard(), SETTINGS).next_runs(4, batch_size=2, per_batch=["insert_prep"])
    assert (proposed.groupby("batch")["insert_prep"].nunique() == 1).all()
    with pytest.raises(InputError, match="per_batch names 'lid'"):
        what_is_confounded(haphazard(), SETTINGS).next_runs(4, per_batch=["lid"])
    with pytest.raises(InputError, match="batch_size is 0"):
        what_is_confounded(haphazard(), SETTINGS).next_runs(4, batch_size=0)


def test_what_was_alike_within_every_cup_stays_so_unless_the_logbook_or_the_user_knows_better():
    frame = haphazard().assign(
        lid=np.repeat([0, 1, 1, 0, 0, 1], 2), hold_kpa=np.repeat([100, 300, 100, 300, 300, 100], 2)
    )
    report = what_is_confounded(frame, [*SETTINGS, "lid", "hold_kpa"])
    assert report.set_per_batch == ("resin_c", "lid")  # a pressure hold is kept with the casting, so it may differ
    assert (
        "lid was alike within every batch, so next_runs sets it per batch; per_batch= overrules that."
        in report.cautions
    )
    cups = report.next_runs(8, batch_size=4).groupby("batch")
    assert (cups[["resin_c", "lid"]].nunique() == 1).all(axis=None)
    assert (cups["hold_kpa"].nunique() == 2).any()
    assert (report.next_runs(8, batch_size=4, per_batch=()).groupby("batch")["lid"].nunique() == 2).any()
    assert (report.next_runs(8, batch_size=4, per_batch="hold_kpa").groupby("batch")["hold_kpa"].nunique() == 1).all()


def test_cups_of_one_casting_leave_it_to_the_logbook_what_is_set_per_batch():
    frame = haphazard().assign(lid=[0, 1] * 6, batch_id=[f"B-{n:03d}" for n in range(1, 13)])
    report = what_is_confounded(frame, [*SETTINGS, "lid"])
    assert report.set_per_batch == ("resin_c",)
    assert report.cautions == ()


def test_the_next_cup_is_as_good_as_the_best_of_all_cups():
    """Against every cup of two castings, by the determinant of the generalised least squares information."""
    frame = half_fraction().assign(cup=np.repeat([0, 1, 2, 3], 2))
    report = what_is_confounded(frame, ["a", "b", "c"], batch="cup")

    def information(table: pd.DataFrame) -> float:
        X = np.column_stack([np.ones(len(table)), table[["a", "b", "c"]].to_numpy(dtype=float)])
        same = np.equal.outer(table["cup"].to_numpy(), table["cup"].to_numpy())
        return float(np.linalg.det(X.T @ np.linalg.solve(np.eye(len(X)) + same, X)))

    def with_cup(castings: pd.DataFrame) -> pd.DataFrame:
        return pd.concat([frame, castings.assign(cup=9)], ignore_index=True)

    proposed = report.next_runs(2, per_batch=["a"])
    corners = pd.DataFrame(list(product((-1.0, 1.0), repeat=3)), columns=["a", "b", "c"])
    allowed = [corners.iloc[[i, j]] for i in range(8) for j in range(8) if corners["a"][i] == corners["a"][j]]
    best = max(information(with_cup(pair)) for pair in allowed)
    assert information(with_cup(proposed[["a", "b", "c"]])) >= 0.95 * best


def test_the_share_that_follows_batches_is_that_of_a_regression_on_them():
    rng = np.random.default_rng(1)
    batch = np.repeat(np.arange(6), [2, 3, 4, 5, 3, 4])
    made = pd.DataFrame({"batch_id": batch, "rest_min": rng.normal(size=6)[batch] + 0.1 * rng.normal(size=21)})
    made["pour"] = rng.integers(0, 2, 21)
    row = what_is_confounded(made, ["rest_min", "pour"], batch="batch_id").pairs.set_index("one").loc["rest_min"]
    y = made["rest_min"] - made["rest_min"].mean()
    left = y - np.eye(6)[batch] @ np.linalg.lstsq(np.eye(6)[batch], y, rcond=None)[0]  # analysis of variance
    assert row["share"] == pytest.approx(1 - (left @ left) / (y @ y), abs=1e-3)
