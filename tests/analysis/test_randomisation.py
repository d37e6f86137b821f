"""Settings are shuffled as they were set, and what that cannot tell is said."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import fit_factors, randomisation
from castlab.analysis.models import permutation
from castlab.errors import InputError


def cups(batches: int, size: int, seed: int = 0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    codes = np.repeat(np.arange(batches), size)
    return pd.DataFrame(
        {
            "batch_id": codes, "warm": codes % 2, "pour": np.tile(np.arange(size) % 2, batches),
            "size_mm": rng.normal(size=batches)[codes] + rng.normal(size=batches * size),
        }
    )  # fmt: skip


def test_four_batches_two_against_two_can_neither_confirm_nor_contradict():
    table = fit_factors(cups(4, 4), "size_mm", ["warm", "pour"]).randomisation().set_index("factor")
    assert table.loc["warm", "arrangements"] == 6
    assert table.loc["warm", "smallest_possible"] == pytest.approx(1 / 3)
    assert table.loc["warm", "agree"] is None
    assert "neither confirm nor contradict" in table.loc["warm", "words"]
    assert table.loc["pour", "agree"] is not None


@pytest.mark.parametrize("blocked", [False, True])
def test_the_smallest_p_value_is_attained_by_the_most_extreme_castings(blocked):
    where = np.repeat([0, 1], 3) if not blocked else np.tile([0, 1], 4)
    codes = np.repeat(np.arange(4), 2) if blocked else None
    X = np.column_stack([np.ones(len(where)), where]).astype(float)
    found = permutation.randomised(X, 10.0 * where + np.linspace(0, 0.1, len(where)) * (codes is None), [1], codes)
    assert found.exact
    assert found.p == pytest.approx(found.smallest)


def test_within_molds_too_where_the_plan_drew_lots_within_them():
    frame = cups(6, 4).assign(mold_id=np.tile([0, 0, 1, 1], 6))
    fit = fit_factors(frame, "size_mm", ["pour"])
    assert "within batches and molds" in fit.randomisation(blocks="mold_id")["words"].iloc[0]
    assert "within batches:" not in fit.randomisation(blocks="mold_id")["words"].iloc[0]
    alone = frame.assign(mold_id=np.tile([0, 1, 2, 3], 6), pour=lambda f: (f.index + f["batch_id"]) % 2)
    shuffled = fit_factors(alone, "size_mm", ["pour"]).randomisation(blocks="mold_id")["words"].iloc[0]
    assert "within batches" in shuffled
    assert "and molds" not in shuffled


def test_settings_that_changed_both_ways_are_judged_where_they_changed_more_and_that_is_said():
    rng = np.random.default_rng(3)
    frame = cups(8, 4).assign(temp_c=lambda f: 20 + 5 * f["warm"] + 0.1 * rng.normal(size=32))
    assert (
        "only its batch means were shuffled"
        in fit_factors(frame, "size_mm", ["temp_c"]).randomisation()["words"].iloc[0]
    )
    frame["temp_c"] = 20 + 0.3 * frame["warm"] + rng.normal(size=32)
    assert (
        "only its changes within batches" in fit_factors(frame, "size_mm", ["temp_c"]).randomisation()["words"].iloc[0]
    )


@pytest.mark.parametrize("where", ["batches", "castings"])
def test_nominal_five_percent_is_about_five_percent_beside_an_active_correlated_factor(where):
    rng = np.random.default_rng(11)
    codes = np.repeat(np.arange(10), 3)
    rejected = 0
    for _ in range(300):
        if where == "batches":
            other = rng.normal(size=10)[codes]
            own = (0.7 * other + 0.7 * rng.normal(size=10)[codes])[:, None]
        else:
            other = rng.normal(size=30)
            own = (0.7 * other + 0.7 * rng.normal(size=30))[:, None]
        y = 2 * other + rng.normal(size=10)[codes] + rng.normal(size=30)
        X = np.column_stack([np.ones(30), other, own])
        rejected += permutation.randomised(X, y, [2], codes, samples=299).p <= 0.05
    assert 5 <= rejected <= 27  # 15 expected; the range is that of about 3 standard errors


def test_a_fit_is_told_when_shuffling_clearly_disagrees(monkeypatch):
    frame = cups(8, 4, seed=2)
    frame["size_mm"] += 3 * frame["pour"]
    assert not [c for c in fit_factors(frame, "size_mm", ["pour"]).cautions if "shuffles" in c]
    against = permutation.Randomised(0.3, 0.001, 1999, False, "castings within batches")
    monkeypatch.setattr(permutation, "randomised", lambda *_args, **_more: against)
    told = [c for c in fit_factors(frame, "size_mm", ["pour"]).cautions if "shuffles" in c]
    assert len(told) == 1
    assert "Take the effect for a hint" in told[0]


def test_unusable_blocks_and_shuffles_are_refused():
    fit = fit_factors(cups(6, 4), "size_mm", ["pour"])
    with pytest.raises(InputError, match="not a column of the frame"):
        fit.randomisation(blocks="mold_id")
    with pytest.raises(InputError, match="accepted: a whole number from 99 up"):
        fit.randomisation(shuffles=5)
    with pytest.raises(InputError, match="not written down for 1 casting"):
        fit_factors(cups(6, 4).assign(mold_id=[None, *range(23)]), "size_mm", ["pour"]).randomisation(blocks="mold_id")


def test_the_table_has_the_documented_columns():
    assert list(fit_factors(cups(6, 4), "size_mm", ["pour"]).randomisation().columns) == randomisation.COLUMNS


def test_arrangements_of_many_uneven_batches_are_counted_exactly():
    from math import factorial, prod

    rng = np.random.default_rng(1)
    batch, setting = rng.integers(0, 40, 200), rng.integers(0, 3, 200)
    each = [setting[batch == b] for b in range(40)]
    ways = [factorial(len(s)) // prod(factorial(int(np.sum(s == k))) for k in range(3)) for s in each]  # multinomial
    assert permutation.how_many(setting, batch) == prod(ways)


def test_shuffles_shared_by_the_factors_of_a_fit_are_not_kept_after_it():
    rng = np.random.default_rng(1)
    made = pd.DataFrame(
        {"haze_pct": rng.normal(size=60), "pour": rng.integers(0, 2, 60), "prep": rng.integers(0, 2, 60)}
    )
    fit = fit_factors(made, "haze_pct", ["pour", "prep"])
    table = fit.randomisation()
    assert permutation.some_orders.cache_info().currsize == 0
    assert (table["arrangements"] == permutation.SAMPLES).all()
