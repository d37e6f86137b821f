"""Photos of the logbook are counted once each, on several cores, and one that fails stops none of the others."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from castlab import Batch, Logbook, Trial
from castlab.errors import NotFoundError
from castlab.scoring import score_photos


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
    assert first.counted["bubbles"].tolist() == [1, 2]
    assert first.counted["new"].all()
    assert first.failed["photo_id"].tolist() == ["P-001.3.1", "P-001.4.1"]
    assert "damaged" in first.failed["reason"][0]
    assert "no scale" in first.failed["reason"][1]
    score = shop.get(first.counted["score_id"][1])
    assert (score.method, score.photo_id, score.auto_bubbles) == ("photo", "P-001.2.1", 2)
    assert score.scorer.startswith("photo count ")
    again = score_photos(shop, jobs=1, progress=False, smallest_mm=0.8)
    assert not again.counted["new"].any()
    assert again.counted["score_id"].tolist() == first.counted["score_id"].tolist()
    assert len(shop.records("score")) == 2


def test_castings_without_photos_are_said(shop):
    shop.add(Trial(batch_id="B-001"))
    with pytest.raises(NotFoundError, match="no photos"):
        score_photos(shop, ["T-001.5"], progress=False)
