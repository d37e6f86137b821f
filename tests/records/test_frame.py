"""One row per casting, with the documented columns and dtypes."""

from __future__ import annotations

import pandas as pd
import pytest

from castlab import Batch, Material, Mold, Score, Trial
from castlab.errors import NotFoundError
from castlab.records.columns import describe


@pytest.fixture
def filled(book):
    book.add(Material(name="clear", target_phr=28))
    book.add(Mold(name="block 1", earlier_pulls=10))
    book.add(Batch(resin_id="R-01", resin_g=100, hardener_g=29.4, cup_degas_min=4, extra={"spin_rpm": 900}))
    book.add(Batch(mixed_at="2026-03-02 09:00", cup_degas_min=0))
    book.add(Batch())
    book.add(Trial(batch_id="B-001", mold_id="M-01", product="pod block", poured_at="2026-03-05", mold_degas_min=2))
    book.add(Trial(batch_id="B-001", product="path marker", notes="tilted", extra={"tilt": 3, "lid_on": False}))
    book.add(Trial(batch_id="B-002", mold_id="M-01", mold_degas_min=0))
    book.add(Trial(batch_id="B-003"))
    for bubbles, grade, haze, passed in ((3, 4, 2.0, True), (8, 2, 3.0, False), (4, 3, None, None)):
        book.add(
            Score(trial_id="T-001.1", scorer="A", bubbles=bubbles, clarity_grade=grade, haze_pct=haze, passed=passed)
        )
    book.add(Score(trial_id="T-002.1", scorer="A", bubbles=1))
    book.add(Score(trial_id="T-002.1", scorer="B", bubbles=2))
    return book


def test_an_empty_logbook_has_every_documented_column(book):
    frame = book.frame()
    documented = describe()
    assert len(frame) == 0
    assert set(frame.columns) == set(documented["column"])
    for column, dtype in zip(documented["column"], documented["dtype"], strict=True):
        assert frame[column].dtype == pd.Series(dtype=dtype).dtype, column


def test_columns_and_dtypes_do_not_depend_on_what_is_filled_in(filled):
    frame = filled.frame()
    documented = describe()
    for column, dtype in zip(documented["column"], documented["dtype"], strict=True):
        assert frame[column].dtype == pd.Series(dtype=dtype).dtype, column
    assert frame["spin_rpm"].dtype == "float64"
    assert frame["lid_on"].dtype == "boolean"


def test_rows_are_castings_with_their_batch_settings(filled):
    frame = filled.frame().set_index("trial_id")
    assert list(frame.index) == ["T-001.1", "T-001.2", "T-002.1", "T-003.1"]
    assert frame["spin_rpm"].tolist()[:2] == [900, 900]
    assert frame.loc["T-001.1", "phr"] == pytest.approx(29.4)
    assert frame.loc["T-001.1", "ratio_error_pct"] == pytest.approx(5.0)
    assert frame["vacuum_on"].fillna("?").tolist() == ["both", "cup", "none", "?"]
    assert frame.attrs["levels"]["spin_rpm"] == "batch"
    assert frame.attrs["levels"]["tilt"] == "trial"


def test_pulls_of_a_mold_count_in_order_of_pouring_after_the_earlier_ones(filled):
    pulls = filled.frame().set_index("trial_id")["mold_pull"]
    assert pulls["T-002.1"] == 11  # no pour time: its batch's, 2 March
    assert pulls["T-001.1"] == 12  # poured on 5 March
    assert pd.isna(pulls["T-001.2"])


def test_several_scores_are_summarised_as_documented(filled):
    row = filled.frame().set_index("trial_id").loc["T-001.1"]
    assert (row["bubbles"], row["clarity_grade"], row["haze_pct"]) == (4, 3, 2.5)
    assert not row["passed"]  # one yes, one no: the worse
    assert (row["scores"], row["scorers"]) == (3, 1)
    two = filled.frame().set_index("trial_id").loc["T-002.1"]
    assert (two["bubbles"], two["scorers"]) == (2, 2)  # of two middle counts the worse
    assert pd.isna(two["clarity_grade"])


def test_a_withdrawn_score_no_longer_counts(filled):
    filled.correct("S-002.1.2", why="scored the wrong block", withdrawn=True)
    row = filled.frame().set_index("trial_id").loc["T-002.1"]
    assert (row["bubbles"], row["scores"]) == (1, 1)


def test_one_product_can_be_picked_however_it_is_typed(filled):
    assert list(filled.frame(product="Pod  Block")["trial_id"]) == ["T-001.1"]
    with pytest.raises(NotFoundError, match="its products: path marker, pod block"):
        filled.frame(product="no such thing")
