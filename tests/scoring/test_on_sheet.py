"""A photo on the marker sheet is straightened and kept with its scale, the file itself left as it was."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from photographed import Camera, page
from PIL import Image
from skimage.draw import disk

from castlab import Batch, Logbook, Trial
from castlab.errors import CastlabWarning, InputError, NotFoundError
from castlab.scoring import count_bubbles, keep_on_sheet, marker_sheet, scale_from_sheet, score_photos
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
    seen = score_photos(book, region=(80 + side, 150 + side, 46), smallest_mm=1, jobs=1, progress=False)
    assert not any("On the marker sheet" in caution for caution in seen.cautions)
    counted = seen.counted
    assert counted["bubbles"].tolist() == [2]
    assert book.get(counted["score_id"][0]).bubble_largest_mm == pytest.approx(ACROSS_MM, rel=0.05)
    keep_on_sheet(book, "T-001.1", photo)
    assert len(book.photos()) == 1
    whole = score_photos(book, smallest_mm=1, jobs=1, progress=False)
    assert any("On the marker sheet, and counted without a region: P-001.1.1." in caution for caution in whole.cautions)


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


def test_what_is_printed_on_the_sheet_is_no_bubble():
    surface = page(SHEET)
    dots = surface.shape[0] / PAPERS["a4"][1]
    # two dark bubbles on the paper, and three round letters among the sheet's words, below the ruler across
    letters = [(27.0 + 5 * n, 27.0) for n in range(3)]
    for x, y, across in ((70, 150, ACROSS_MM), (90, 155, ACROSS_MM), *((*place, 2.5) for place in letters)):
        at = np.array([y + SHEET.origin[1], x + SHEET.origin[0]]) * dots
        surface[disk(at, across / 2 * dots, shape=surface.shape)] = 0.25
    photo = Camera(shape=(2000, 1500), tilt=15, turn=8).photo(SHEET, surface)
    for picture, scale in ((photo, 0.15), (scale_from_sheet(photo).picture, 0.14)):
        seen = count_bubbles(picture, scale, smallest_mm=1, trust=False)
        assert seen.count == 2, seen.bubbles
        assert any("marker sheet is seen" in caution for caution in seen.cautions)
        assert 0.75 < seen.region.mean() < 0.95
    whole = count_bubbles(photo, 0.15, smallest_mm=1, trust=False, region=(0, 0, 225, 300))
    assert whole.count >= 5  # a region is the person's own word on what counts
    assert whole.cautions == tuple(caution for caution in whole.cautions if "marker sheet" not in caution)


def test_straightened_with_other_rulers_a_photo_takes_the_place_of_the_one_before(book, photo):
    plain = keep_on_sheet(book, "T-001.1", photo)
    score = score_photos(book, region=(90, 160, 46), smallest_mm=1, jobs=1, progress=False).counted["score_id"][0]
    with pytest.warns(CastlabWarning, match=rf"P-001\.1\.2 takes the place of P-001\.1\.1.* still stand: {score}"):
        longer = keep_on_sheet(book, "T-001.1", photo, ruler_mm=(98.0, 97.0))
    (kept,) = book.photos()
    assert (kept.id, kept.mm_per_pixel) == ("P-001.1.2", longer.mm_per_pixel)
    assert book.get("P-001.1.1").withdrawn
    assert "P-001.1.2" in book.get("P-001.1.1").why
    with pytest.warns(CastlabWarning, match=r"P-001\.1\.1 takes the place of P-001\.1\.2"):
        keep_on_sheet(book, "T-001.1", photo)
    (kept,) = book.photos()
    assert (kept.id, kept.mm_per_pixel) == ("P-001.1.1", plain.mm_per_pixel)


def test_a_ruler_that_changes_only_the_scale_corrects_it(book, photo):
    keep_on_sheet(book, "T-001.1", photo)
    with pytest.warns(CastlabWarning, match=r"^the scale of P-001\.1\.1 is corrected from .* to .* mm per pixel$"):
        longer = keep_on_sheet(book, "T-001.1", photo, ruler_mm=98.0)
    (kept,) = book.photos()
    assert kept.mm_per_pixel == longer.mm_per_pixel


def test_another_photo_of_the_same_name_keeps_its_place(book, photo):
    keep_on_sheet(book, "T-001.1", photo)
    Image.open(photo).save(photo, quality=80)
    keep_on_sheet(book, "T-001.1", photo)
    assert len(book.photos()) == 2
