"""What changed together, and the castings that would separate it."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import coding, what_is_confounded
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
    assert "Never varied, so unknown: cure_h" in report.verdict


def test_a_factor_that_follows_from_several_others_is_found():
    frame = pd.DataFrame({"x": [0, 0, 1, 1, 0, 1, 2, 2], "y": [0, 1, 0, 1, 2, 2, 0, 1]})
    frame["z"] = frame["x"] + frame["y"]
    report = what_is_confounded(frame, ["x", "y", "z"])
    assert rows(report)[("x", "y and z")].startswith("follows from these together")


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


@pytest.mark.parametrize("wrong", [0, -1, 1.5, "3", True])
def test_a_number_of_castings_that_is_none_is_refused(wrong):
    with pytest.raises(InputError, match="whole number from 1 up"):
        what_is_confounded(half_fraction(), ["a", "b"]).next_runs(wrong)


def test_factors_never_varied_offer_no_castings():
    report = what_is_confounded(pd.DataFrame({"cure_h": [24, 24]}), ["cure_h"])
    with pytest.raises(InputError, match="none of the factors was varied"):
        report.next_runs(1)


def test_missing_settings_are_counted_and_a_column_never_recorded_is_said():
    frame = pd.DataFrame({"a": [1, 2, None, 1], "b": [None] * 4, "c": ["x", "y", "x", "y"]})
    report = what_is_confounded(frame, ["a", "b", "c"])
    assert report.n == 3
    assert any("b was never recorded" in c for c in report.cautions)
    assert any("1 of 4 castings was left out" in c for c in report.cautions)
    with pytest.raises(FitError, match="no casting has all"):
        what_is_confounded(frame, ["b"])


def test_unknown_columns_are_said():
    with pytest.raises(InputError, match="no column 'mold'"):
        what_is_confounded(half_fraction(), ["mold"])
