"""A photo on the marker sheet is straightened and kept with its scale, the file itself left as it was."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from photographed import Camera, page
from PIL import Image
from skimage.draw import disk

from castlab import Batch, Logbook, Trial
from castlab.errors import InputError, NotFoundError
from castlab.scoring import keep_on_sheet, marker_sheet, score_photos
from castlab.scoring.on_sheet import VIEW
from castlab.scoring.printed import PAPERS

SHEET = marker_sheet()
ACROSS_MM = 4.0


@pytest.fixture
def book(tmp_path):
    book = Logbook.open(tmp_path / "shop.db", who="Ada")
    book.add(Batch())
    book.add(Trial(batch_id="B-001"))
    return book


@pytest.fixture
def photo(tmp_path):
    """Two dark bubbles on a grey casting of 50 mm about (80, 150) mm of the sheet, seen aslant; the camera noted when."""
    surface = page(SHEET)
    dots = surface.shape[0] / PAPERS["a4"][1]
    for x, y, across, shade in ((80, 150, 50, 0.5), (70, 150, ACROSS_MM, 0.25), (90, 155, ACROSS_MM, 0.25)):
        at = np.array([y + SHEET.origin[1], x + SHEET.origin[0]]) * dots
        surface[disk(at, across / 2 * dots, shape=surface.shape)] = shade
    picture = Image.fromarray(Camera(shape=(2000, 1500), tilt=15, turn=8).photo(SHEET, surface))
    noted = Image.Exif()
    noted.get_ifd(0x8769)[0x9003] = "2026:03:01 10:20:30"
    picture.save(tmp_path / "front.jpg", quality=95, exif=noted)
    return tmp_path / "front.jpg"


def test_a_photo_on_the_sheet_is_straightened_kept_with_its_scale_and_counted_in_the_casting(book, photo):
    before = hashlib.sha256(photo.read_bytes()).hexdigest()
    scale = keep_on_sheet(book, "T-001.1", photo)
    assert scale.figure().axes[0].get_xlabel() == "mm"
    assert hashlib.sha256(photo.read_bytes()).hexdigest() == before
    (kept,) = book.photos()
    assert (kept.trial_id, kept.view, kept.file_name) == ("T-001.1", VIEW, "front, straightened.jpg")
    assert kept.mm_per_pixel == scale.mm_per_pixel
    assert str(kept.taken_at) == "2026-03-01 10:20:30"
    side = SHEET.marks.side  # the straightened photo begins a square's side before the first square's middle
    counted = score_photos(book, region=(80 + side, 150 + side, 46), smallest_mm=1, jobs=1, progress=False).counted
    assert counted["bubbles"].tolist() == [2]
    assert book.get(counted["score_id"][0]).bubble_largest_mm == pytest.approx(ACROSS_MM, rel=0.05)
    keep_on_sheet(book, "T-001.1", photo)
    assert len(book.photos()) == 1


@pytest.mark.parametrize(
    ("trial", "given", "said"),
    [
        (None, "front.jpg", "no casting is named for the photo"),
        ("T-009.1", "front.jpg", "T-009.1"),
        ("T-001.1", 3, "photo is 3; accepted: the name of a picture file"),
        ("T-001.1", "none.jpg", "cannot be read"),
        ("T-001.1", "text.jpg", "not a whole picture"),
        ("T-001.1", "plain.png", "no marker sheet is seen"),
    ],
)
def test_what_cannot_be_kept_is_said_and_nothing_is_logged(book, tmp_path, trial, given, said):
    (tmp_path / "text.jpg").write_text("no picture")
    Image.new("L", (300, 200), 200).save(tmp_path / "plain.png")
    with pytest.raises((InputError, NotFoundError), match=said):
        keep_on_sheet(book, trial, tmp_path / given if isinstance(given, str) else given)
    assert book.photos() == []
