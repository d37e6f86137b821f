"""Passes and fails that a setting tells apart, wholly or but for a few castings, in batches.

Sources: the mid-p value (Lancaster, JASA 56, 1961, 223-234) of the most telling outcome there is, added up here; the
permutation test within cups, whose least value is a count of arrangements.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import fit_factors
from castlab.analysis.models import many, permutation

CUPS = [2, 3, 4, 6, 8]


def cups_of_four(cups: int) -> pd.DataFrame:
    """Two castings of each pour and each rest in every cup; every other cup is warm."""
    cup = np.repeat(np.arange(cups), 4)
    return pd.DataFrame(
        {"batch_id": cup, "pour": np.tile([0, 0, 1, 1], cups), "rest": np.tile([0, 1], 2 * cups), "warm": cup % 2}
    )


def spoiled(passed: pd.Series, castings: list[int]) -> np.ndarray:
    y = passed.to_numpy().copy()
    y[castings] = 1 - y[castings]
    return y


def fitted(frame: pd.DataFrame, y: np.ndarray, factors: list[str]) -> pd.DataFrame:
    return fit_factors(frame.assign(good=y), "good", factors, kind="pass", batch="batch_id").effects.set_index("factor")


@pytest.mark.parametrize(
    ("cups", "other"),
    [(cups, other) for cups in CUPS for other in ([], ["rest"], ["warm"]) if cups > 2 or other != ["warm"]],
)
def test_what_is_wholly_separated_within_cups_is_clear_and_what_is_beside_it_is_not_shown(cups, other):
    frame = cups_of_four(cups)
    effects = fitted(frame, frame["pour"], ["pour", *other])
    pour = effects.loc["pour"]
    assert pour["strength"] == "clear"
    assert pour["p_value"] < 0.05
    assert 1 < pour["low"] < pour["estimate"]
    assert pour["high"] == np.inf
    for name in other:
        assert effects.loc[name, "strength"] == "not shown"
        assert effects.loc[name, "low"] < 1 < effects.loc[name, "high"]
    X = np.column_stack([np.ones(len(frame)), frame[["pour", *other]]]).astype(float)
    cols = list(range(1, X.shape[1]))
    at_once = many.analyse(
        "pass", X, frame[["pour"]].to_numpy(float).T, frame["batch_id"].to_numpy(), cols, intervals=False
    )
    assert at_once.ok.all()
    assert at_once.p[0] == pytest.approx(effects["p_value"].to_numpy())


@pytest.mark.parametrize("cups", CUPS)
@pytest.mark.parametrize("factors", [["pour"], ["pour", "rest"]])
def test_more_complete_data_never_read_weaker(cups, factors):
    frame = cups_of_four(cups)
    p = [fitted(frame, spoiled(frame["pour"], wrong), factors).loc["pour", "p_value"] for wrong in ([], [2], [2, 0])]
    assert p == sorted(p)
    assert p[0] < p[1]


@pytest.mark.parametrize("castings", [3, 4])
@pytest.mark.parametrize("factors", [["warm"], ["warm", "pour"]])
def test_whole_cups_that_separate_read_no_weaker_than_with_an_exception(castings, factors):
    frame = cups_of_four(4).groupby("batch_id").head(castings).reset_index(drop=True)
    whole, spoilt = (fitted(frame, spoiled(frame["warm"], wrong), factors).loc["warm"] for wrong in ([], [1]))
    assert whole["p_value"] < spoilt["p_value"]
    assert whole["low"] > max(1, spoilt["low"])


@pytest.mark.parametrize("cups", [2, 3])
def test_the_most_telling_outcome_has_half_the_chance_of_itself_and_its_mirror_image(cups):
    frame = cups_of_four(cups)
    n = len(frame)
    expected = 0.5**n / (1 - 2 * 0.5**n)  # half of two outcomes, all passes and all fails left out
    assert fitted(frame, frame["pour"], ["pour"]).loc["pour", "p_value"] == pytest.approx(expected)


@pytest.mark.parametrize("cups", CUPS)
def test_shuffling_within_cups_does_not_go_lower_there(cups):
    frame = cups_of_four(cups)
    X = np.column_stack([np.ones(len(frame)), frame["pour"]]).astype(float)
    shuffled = permutation.randomised(X, frame["pour"].to_numpy(float), [1], frame["batch_id"].to_numpy())
    if shuffled.exact:
        assert shuffled.p == pytest.approx(2 / 6**cups)
    assert shuffled.p == pytest.approx(shuffled.smallest)
    assert fitted(frame, frame["pour"], ["pour"]).loc["pour", "p_value"] < max(shuffled.smallest, 0.05)


@pytest.mark.parametrize("wrong", [[], [2], [2, 6], [0, 2, 5]])
@pytest.mark.parametrize(("cups", "castings"), [(3, 4), (4, 3), (6, 8)])
def test_an_interval_excludes_no_effect_exactly_when_p_is_below_its_level(cups, castings, wrong):
    each = np.arange(cups * castings)
    frame = pd.DataFrame({"batch_id": each // castings, "pour": each % 2, "warm": (each // castings) % 2})
    for name in ("pour", "warm"):
        effects = fitted(frame, spoiled(frame[name], wrong), ["pour", "warm"])
        outside = (effects["low"] > 1) | (effects["high"] < 1)
        assert (outside == (effects["p_value"] < 0.05)).all()


def test_two_grades_that_separate_are_passes_and_fails():
    frame = cups_of_four(6)
    graded = fit_factors(
        frame.assign(clear_grade=2 + frame["pour"]), "clear_grade", ["pour"], kind="grade", batch="batch_id"
    )
    assert graded.method.startswith("two grades in use: logistic with batches")
    assert graded.effects["p_value"][0] == pytest.approx(fitted(frame, frame["pour"], ["pour"])["p_value"].iloc[0])


def test_an_interval_is_open_where_other_effects_are_so_large_that_outcomes_reject_the_estimate_itself():
    cup = np.repeat(np.arange(5), [4, 3, 4, 3, 3])
    frame = pd.DataFrame(
        {
            "batch_id": cup, "warm": cup % 2, "pour": [0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0],
            "rest": [1, 0, 1, 0, 1, 0, 1, 0, 0, 0, 1, 1, 0, 1, 0, 0, 1],
            "dip": [0, 1, 1, 0, 1, 1, 0, 0, 0, 0, 1, 1, 0, 0, 0, 1, 1],
        }
    )  # fmt: skip
    effects = fitted(frame, np.array([1, 0, 1, 1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1, 0, 1]), list(frame)[1:])
    assert effects.loc["rest", "p_value"] < 0.05
    assert 1 < effects.loc["rest", "low"] < effects.loc["rest", "estimate"] / 3
    assert effects.loc["rest", "high"] == np.inf
