"""Photos of the logbook are counted once each, on several cores, and one that fails stops none of the others."""

from __future__ import annotations

import os
from datetime import datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from castlab import Batch, Logbook, Trial, __version__
from castlab.errors import InputError, NotFoundError
from castlab.forms import mark_bubbles
from castlab.scoring import automatic_error, saved_marks, score_photos


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    place = tmp_path_factory.mktemp("photos")
    book = Logbook.open(place / "shop.db", who="Ada")
    cup = book.add(Batch())
    y, x = np.mgrid[0:160, 0:200]
    for number in (1, 2, 3, 4):
        book.add(Trial(batch_id=cup.id))
        picture = np.full((160, 200), 110.0)
        for n in range(number):
            picture[np.hypot(x - 40 - 40 * n, y - 80) < 9] = 210
        Image.fromarray(picture.astype(np.uint8)).save(place / f"{number}.png")
        book.add_photo(f"T-001.{number}", place / f"{number}.png", mm_per_pixel=None if number == 4 else 0.1)
    damaged = book.photo_path("P-001.3.1")
    damaged.chmod(0o644)
    damaged.write_bytes(b"spoiled")
    return book


def test_photos_are_counted_once_and_failures_are_listed(shop):
    first = score_photos(shop, jobs=2, progress=False, smallest_mm=0.8)
    assert first.counted["bubbles"].tolist() == [1, 2], first.failed["reason"].tolist()
    assert first.counted["new"].all()
    assert first.failed["photo_id"].tolist() == ["P-001.3.1", "P-001.4.1"]
    assert "damaged" in first.failed["reason"][0]
    assert "no scale" in first.failed["reason"][1]
    score = shop.get(first.counted["score_id"][1])
    assert (score.method, score.photo_id, score.auto_bubbles) == ("photo", "P-001.2.1", 2)
    assert score.scorer == f"photo count {__version__}"
    assert score.notes == "smallest 0.8 mm"
    assert datetime.now() - score.scored_at < timedelta(minutes=5)  # when it was counted, though no camera noted a time
    again = score_photos(shop, jobs=1, progress=False, smallest_mm=0.8)
    assert not again.counted["new"].any()
    assert again.counted["score_id"].tolist() == first.counted["score_id"].tolist()
    assert len(shop.records("score")) == 2


def test_castings_without_photos_are_said(shop):
    shop.add(Trial(batch_id="B-001"))
    with pytest.raises(NotFoundError, match="no photos"):
        score_photos(shop, ["T-001.5"], progress=False)
    with pytest.raises(NotFoundError, match="no photos"):
        score_photos(shop, "T-001.5", progress=False)
    with pytest.raises(InputError, match="photos is 5; accepted: a list of ids"):
        score_photos(shop, 5, progress=False)


@pytest.fixture
def four(tmp_path):
    """Four photos of one casting each, told apart by their scale."""
    book = Logbook.open(tmp_path / "shop.db", who="Ada")
    book.add(Batch())
    for number in (1, 2, 3, 4):
        book.add(Trial(batch_id="B-001"))
        Image.fromarray(np.full((20, 20 + number), 90, np.uint8)).save(tmp_path / "x.png")
        book.add_photo(f"T-001.{number}", tmp_path / "x.png", mm_per_pixel=number / 10)
    return book


def counting(spoil):
    """A stand-in for the count that spoils the photo with scale 0.2 mm per pixel."""

    def count(_path, mm_per_pixel, _region, _smallest_mm):
        if mm_per_pixel == 0.2:
            return spoil()
        return {"bubbles": round(10 * mm_per_pixel), "auto_bubbles": 0}

    return count


def test_a_photo_whose_count_breaks_costs_the_others_nothing(four, monkeypatch):
    def broken(*_arguments, **_options):
        raise MemoryError("cannot allocate")

    from castlab.scoring import bubbles, photo_scores

    monkeypatch.setattr(bubbles, "count_bubbles", broken)
    assert photo_scores._count("x", 0.1, None, 0.2) == "the count failed (MemoryError: cannot allocate)"
    monkeypatch.setattr(photo_scores, "_count", counting(lambda: "the count failed (MemoryError: cannot allocate)"))
    done = score_photos(four, jobs=2, progress=False)
    assert done.counted["bubbles"].tolist() == [1, 3, 4]
    assert done.failed["photo_id"].tolist() == ["P-001.2.1"]
    assert done.verdict == "3 of 4 photos were counted and written as scores. 1 could not be counted."


def test_a_photo_that_kills_its_process_is_named_and_the_others_are_counted(four, monkeypatch):
    from castlab.scoring import photo_scores

    monkeypatch.setattr(photo_scores, "_count", counting(lambda: os._exit(9)))
    done = score_photos(four, jobs=2, progress=False)
    assert done.counted["bubbles"].tolist() == [1, 3, 4]
    assert done.failed["photo_id"].tolist() == ["P-001.2.1"]
    assert "ended the process" in done.failed["reason"][0]


def test_an_interrupted_run_keeps_what_was_done_and_goes_on_from_there(four, monkeypatch):
    from castlab.scoring import photo_scores

    def interrupt():
        raise KeyboardInterrupt

    monkeypatch.setattr(photo_scores, "_count", counting(interrupt))
    with pytest.raises(KeyboardInterrupt):
        score_photos(four, jobs=1, progress=False)
    assert [score.trial_id for score in four.records("score")] == ["T-001.1"]
    monkeypatch.setattr(photo_scores, "_count", counting(lambda: {"bubbles": 2, "auto_bubbles": 2}))
    done = score_photos(four, jobs=1, progress=False)
    assert done.counted["new"].tolist() == [False, True, True, True]
    assert done.counted["bubbles"].tolist() == [1, 2, 3, 4]
    assert len(four.records("score")) == 4


def test_a_corrected_scale_is_counted_anew_and_the_earlier_count_named(four, monkeypatch):
    from castlab.scoring import photo_scores

    monkeypatch.setattr(photo_scores, "_count", counting(lambda: {"bubbles": 2, "auto_bubbles": 2}))
    first = score_photos(four, ["T-001.3"], jobs=1, progress=False)
    four.correct("P-001.3.1", why="ruler misread", mm_per_pixel=0.5)
    again = score_photos(four, ["T-001.3"], jobs=1, progress=False)
    assert (again.counted["bubbles"].tolist(), again.counted["new"].tolist()) == ([5], [True])
    assert f"another version: {first.counted['score_id'][0]}. Both counts stand" in again.cautions[1]
    four.correct(first.counted["score_id"][0], why="ruler misread", withdrawn=True)
    assert len(score_photos(four, ["T-001.3"], jobs=1, progress=False).cautions) == 1


def test_a_photo_whose_count_was_withdrawn_is_named_and_not_counted_again(four, monkeypatch):
    from castlab.scoring import photo_scores

    monkeypatch.setattr(photo_scores, "_count", counting(lambda: {"bubbles": 2, "auto_bubbles": 2}))
    first = score_photos(four, ["T-001.3"], jobs=1, progress=False).counted["score_id"][0]
    four.correct(first, why="glare", withdrawn=True)
    again = score_photos(four, ["T-001.3"], jobs=1, progress=False)
    assert len(again.counted) == 0
    assert f"its count {first} was withdrawn" in again.failed["reason"][0]


@pytest.mark.parametrize("smallest", ["x", None, 0, float("nan")])
def test_a_smallest_size_that_is_none_is_refused(four, smallest):
    with pytest.raises(InputError, match="smallest_mm"):
        score_photos(four, smallest_mm=smallest, progress=False)


def test_two_regions_given_as_masks_are_two_counts(four, monkeypatch):
    from castlab.scoring import photo_scores

    monkeypatch.setattr(photo_scores, "_count", counting(lambda: {"bubbles": 2, "auto_bubbles": 2}))
    mask = np.ones((3000, 3000), bool)
    other = mask.copy()
    other[1500, 1500] = False
    news = [
        score_photos(four, ["T-001.1"], region=m, jobs=1, progress=False).counted["new"][0] for m in (mask, other, mask)
    ]
    assert news == [True, True, False]


def test_a_region_that_is_none_is_said_once_before_any_photo_is_counted(four, monkeypatch):
    from castlab.scoring import photo_scores

    monkeypatch.setattr(photo_scores, "_count", counting(lambda: pytest.fail("a photo was counted")))
    with pytest.raises(InputError, match="a circle of -3 mm"):
        score_photos(four, region=(1, 1, -3), progress=False)


def test_a_round_region_counts_and_is_one_however_it_is_written(shop):
    there, again, empty = (
        score_photos(shop, "T-001.2", region=region, smallest_mm=0.8, jobs=1, progress=False).counted
        for region in ((8, 8, 4), [8.0, 8.0, 4.0], (16, 8, 5))
    )
    assert (there["bubbles"][0], again["bubbles"][0], empty["bubbles"][0]) == (1, 1, 0)
    assert (there["new"][0], again["new"][0]) == (True, False)


def test_photos_may_be_named_in_a_column_of_a_table(shop):
    named = score_photos(shop, pd.Series(["T-001.1", "P-001.2.1"]), smallest_mm=0.8, jobs=1, progress=False)
    assert named.counted["photo_id"].tolist() == ["P-001.1.1", "P-001.2.1"]


@pytest.mark.parametrize("book", [None, "shop.db", 3])
def test_what_is_no_logbook_is_said(book):
    for use in (score_photos, automatic_error, lambda b: saved_marks(b, "P-001.1.1"), mark_bubbles):
        with pytest.raises(InputError, match=r"book is .*; accepted: an open logbook, book = Logbook.open"):
            use(book)


@pytest.mark.parametrize("jobs", [0, -2, 1.5, True])
def test_what_is_no_number_of_processes_is_refused(four, jobs):
    with pytest.raises(InputError, match=r"jobs is .*accepted: a number of processes"):
        score_photos(four, jobs=jobs, progress=False)


def test_no_more_photos_are_taken_at_a_time_than_memory_allows(monkeypatch, tmp_path):
    import joblib
    import psutil

    from castlab.scoring import photo_scores

    Image.new("L", (1000, 1000)).save(tmp_path / "one.png")
    paths = [tmp_path / "one.png"] * 9
    monkeypatch.setattr(joblib, "cpu_count", lambda: 16)
    for free_mb, workers in ((100_000, 9), (1_800, 4), (100, 1)):
        monkeypatch.setattr(psutil, "virtual_memory", lambda free=free_mb: SimpleNamespace(available=free * 1e6))
        assert photo_scores.workers(-1, paths) == workers
    assert photo_scores.workers(3, [tmp_path / "none.png"] * 9) == 1  # 12 megapixels are taken for granted


def test_without_a_photo_it_is_said_in_words_how_to_get_one(four):
    done = score_photos(four, [], progress=False)
    assert done.tables() == {}
    assert done.cautions == ()
    assert "no photo to count yet" in done.verdict
    assert "book.add_photo(" in done.verdict
    assert "<table" not in done._repr_html_()
