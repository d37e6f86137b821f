"""Scales against photos whose camera is known exactly (a rendered pinhole camera; see photographed.py)."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from photographed import Camera, disc_photo, page, srgb
from skimage import data

from castlab.errors import InputError
from castlab.scoring import marker_sheet, scale_from_disc, scale_from_length, scale_from_sheet
from castlab.scoring.printed import PAPERS, clarity_target

SHEET = marker_sheet()
PLACES = np.array([(60.0, 80.0), (150.0, 80.0), (150.0, 220.0), (60.0, 220.0)])


@pytest.fixture(scope="module")
def printed():
    return page(SHEET)


def off_mm(scale, camera):
    """How far the sheet's places come out from where the known camera saw them."""
    seen = scale.to_mm(camera.to_pixels("a4")(PLACES)) + np.array(SHEET.origin)
    return float(np.abs(seen - PLACES).max())


@pytest.mark.parametrize(
    "camera",
    [Camera(), Camera(tilt=20, slant=10, turn=5), Camera(turn=180), Camera(tilt=35, turn=30)],
    ids=["from above", "tilted", "upside down", "tilted and turned"],
)
def test_a_slanted_photo_is_straightened_to_within_a_twentieth_of_a_millimetre(camera, printed):
    scale = scale_from_sheet(camera.photo(SHEET, printed))
    assert off_mm(scale, camera) < 0.05
    assert scale.residual_mm < 0.05
    assert not any("bent" in caution for caution in scale.cautions)


def test_the_straightened_picture_has_the_scale_that_it_is_said_to_have(printed, tmp_path):
    straight = scale_from_sheet(Camera(tilt=25, turn=12).photo(SHEET, printed))
    again = scale_from_sheet(straight.save_picture(tmp_path / "straight.png"))
    assert again.mm_per_pixel == pytest.approx(straight.mm_per_pixel, rel=0.001)


def test_a_bent_sheet_is_said_to_be_bent(printed):
    scale = scale_from_sheet(Camera(tilt=10).photo(SHEET, printed, bend_mm=6))
    assert any("bent" in caution for caution in scale.cautions)


def test_a_sheet_that_the_printer_shrank_is_corrected_by_its_rulers(printed):
    photo = Camera().photo(SHEET, printed)
    plain, shrunk = scale_from_sheet(photo), scale_from_sheet(photo, ruler_mm=(96.0, 97.0))
    assert shrunk.mm_per_pixel == pytest.approx(plain.mm_per_pixel * np.sqrt(0.96 * 0.97))
    assert any("printer scaled" in caution for caution in shrunk.cautions)
    assert any("cannot show whether the printer" in caution for caution in plain.cautions)


def test_a_covered_square_is_named_and_changes_little(printed):
    camera = Camera(tilt=15)
    surface = printed.copy()
    x, y = (np.array(SHEET.marks.centres[6]) + SHEET.origin) * 16
    surface[int(y) - 120 : int(y) + 120, int(x) - 120 : int(x) + 120] = 0.5
    scale = scale_from_sheet(camera.photo(SHEET, surface))
    assert any("1 of the sheet's 14 squares" in caution for caution in scale.cautions)
    assert off_mm(scale, camera) < 0.05


@pytest.mark.parametrize("squeeze", [1.0, 0.9])
@pytest.mark.parametrize(("diameter", "ground"), [(80, 0.35), (300, 0.35), (300, 0.9), (520, 0.9)])
def test_a_disc_gives_the_scale_within_half_a_percent_and_within_its_interval(diameter, ground, squeeze):
    scale = scale_from_disc(disc_photo(diameter, squeeze=squeeze, ground=ground), 23.0)
    assert scale.mm_per_pixel == pytest.approx(23.0 / diameter, rel=0.005)
    assert scale.low <= 23.0 / diameter <= scale.high
    assert any("degrees off" in caution for caution in scale.cautions) == (squeeze < 1)


def test_the_picture_of_a_scale_shows_the_disc_that_was_measured():
    """The outline against the rendered disc: centre (430.3, 350.7), 300 px wide, 0.9 of it high."""
    scale = scale_from_disc(disc_photo(300, squeeze=0.9, ground=0.9), 23.0, region=(200, 100, 500, 500))
    figure = scale.figure()
    x, y = figure.axes[0].lines[-1].get_data()
    away = np.hypot(x - 430.3, (y - 350.7) / 0.9)
    np.testing.assert_allclose(away, 150, atol=1.5)
    assert "make sure that it is the right one" in figure.alt


def test_the_interval_of_a_scale_is_told_with_as_many_digits_as_it_needs(printed):
    scale = scale_from_sheet(Camera().photo(SHEET, printed))
    told = scale.verdict.partition("interval ")[2].partition(")")[0].split(" to ")
    assert len(set(told)) == 2
    assert float(told[0]) == pytest.approx(scale.low, abs=0.2 * (scale.high - scale.low))
    assert scale.figure().axes[0].get_xlabel() == "mm"


def test_a_known_length_gives_the_scale_and_how_surely_it_is_known():
    scale = scale_from_length((10, 20), (310, 420), 25.0, placed_px=2, read_mm=0.1)
    assert scale.mm_per_pixel == pytest.approx(0.05)
    share = np.hypot(np.sqrt(2) * 2 / 500, 0.1 / 25)
    assert scale.high / scale.mm_per_pixel - 1 == pytest.approx(share)


@pytest.mark.parametrize("make", [marker_sheet, clarity_target])
@pytest.mark.parametrize("paper", list(PAPERS))
def test_sheets_fit_their_paper_and_print_in_true_size(make, paper, tmp_path):
    sheet = make(paper)
    width, height = PAPERS[paper]
    for x, y, w, h in [
        *((x + sheet.origin[0], y + sheet.origin[1], w, h) for x, y, w, h in sheet.black),
        *sheet._ruler(),
    ]:
        assert x >= 8
        assert y >= 8
        assert x + w <= width - 8
        assert y + h <= height - 8
    assert f'width="{width:g}mm"' in sheet.svg
    text = sheet.save(tmp_path / "sheet.PDF").read_bytes().decode("latin-1")
    box = text[text.index("/MediaBox") :].partition("[")[2].split()[:4]
    assert [float(side.rstrip("]")) for side in box[2:]] == pytest.approx(
        [width / 25.4 * 72, height / 25.4 * 72], abs=0.01
    )
    assert "@page" in sheet.save(tmp_path / "sheet.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: scale_from_sheet(np.full((300, 300), 0.7)), "no marker sheet is seen"),
        (lambda: scale_from_disc(np.full((300, 300), 0.7), 20), "no disc"),
        (lambda: scale_from_disc(disc_photo(100), 0), "diameter_mm is 0"),
        (lambda: scale_from_disc(disc_photo(100), 20, region=(5000, 0, 10, 10)), "leaves less than"),
        (lambda: scale_from_length((0, 0), (3, 0), 5), "3 pixels apart"),
        (lambda: scale_from_length((0, 0), "there", 5), "not two pixels"),
        (lambda: scale_from_length((0, 0), (100, 0), -5), "length_mm is -5"),
        (lambda: scale_from_length((0, 0), (100, 0), 0.4), "known to 63% only"),
        (lambda: marker_sheet("napkin"), "paper 'napkin'"),
        (lambda: SHEET.save("sheet.docx"), "accepted: names ending"),
        (lambda: scale_from_length((0, 0), (100, 0), 5).save_picture("a.png"), "only scale_from_sheet"),
        (lambda: clarity_target(field_mm=90), "16 to 45 mm"),
        (lambda: clarity_target(field_mm=50), "16 to 45 mm"),
        (lambda: clarity_target(field_mm="wide"), "16 to 45 mm"),
        (lambda: scale_from_sheet(disc_photo(100), "a4"), "sheet is 'a4'"),
        (lambda: scale_from_disc(disc_photo(100), 20, region=(0, 0, float("nan"), 10)), "cannot be read"),
        (lambda: scale_from_disc(disc_photo(100), 20, region=(0, 0, float("inf"), 10)), "cannot be read"),
        (lambda: scale_from_length((0, 0), (100, 0), 5, placed_px="x"), "placed_px is 'x'"),
        (lambda: SHEET.save("no such folder/sheet.pdf"), "could not be written"),
        (lambda: SHEET.save("no such folder/sheet.svg"), "could not be written"),
        (lambda: scale_from_length((0, 0), (100, 0), 5).figure(), "rests on no picture"),
    ],
)
def test_what_cannot_be_used_is_said_in_one_sentence(call, words):
    with pytest.raises(InputError, match=words):
        call()


def test_a_mirrored_photo_is_refused(printed):
    with pytest.raises(InputError, match="mirrored"):
        scale_from_sheet(Camera().photo(SHEET, printed)[:, ::-1])


@pytest.mark.parametrize("name", ["noise", "brick", "gravel", "text"])
def test_a_photo_without_a_disc_gives_no_scale(name):
    photo = np.random.default_rng(1).random((300, 300)) if name == "noise" else getattr(data, name)()
    with pytest.raises(InputError, match="no disc"):
        scale_from_disc(photo, 24)


@pytest.mark.parametrize("radius", [13, 20])
def test_a_small_clean_disc_on_plain_ground_is_measured_right(radius):
    y, x = np.mgrid[0:450, 0:600]
    cover = np.clip(radius - np.hypot(x - 250.3, y - 200.6) + 0.5, 0, 1)
    grain = np.random.default_rng(2).normal(0, 0.01, cover.shape)
    scale = scale_from_disc(np.clip(srgb(0.3 + 0.4 * cover) + grain, 0, 1), 30)
    assert scale.low <= 15 / radius <= scale.high
    assert scale.mm_per_pixel == pytest.approx(15 / radius, rel=0.015)


def test_a_disc_of_too_few_pixels_is_refused_with_the_least_size():
    y, x = np.mgrid[0:450, 0:600]
    with pytest.raises(InputError, match="24 pixels across"):
        scale_from_disc(np.where(np.hypot(x - 250, y - 200) < 8, 0.8, 0.4), 30)


@pytest.mark.parametrize("paper", list(PAPERS))
def test_the_words_of_the_marker_sheet_stay_between_its_marks(paper):
    from matplotlib.textpath import TextPath

    sheet = marker_sheet(paper)
    limit = sheet.origin[0] + sheet.marks.width - sheet.marks.side / 2
    for x, _, size, anchor, words in sheet._texts():
        if anchor == "end":  # the ruler's numbers stand well clear of the squares on their left
            left = x - TextPath((0, 0), words, size=size).get_extents().width
            assert left > sheet.origin[0] + sheet.marks.side / 2 + 2
        if anchor == "start":
            assert x + TextPath((0, 0), words, size=size).get_extents().width < limit - 2


@pytest.mark.parametrize("way", ["sheet", "disc"])
def test_a_large_photo_does_not_fill_the_memory(way, printed):
    if way == "sheet":
        photo, use = Camera(shape=(2400, 1800)).photo(SHEET, printed), scale_from_sheet
    else:
        disc = np.repeat(np.repeat(disc_photo(300), 2, axis=0), 2, axis=1)
        photo, use = (
            np.repeat((255 * disc).astype(np.uint8)[..., None], 3, axis=2),
            lambda image: scale_from_disc(image, 20),
        )
    tracemalloc.start()
    try:
        use(photo)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # as clarity: 48 megapixels in 1.5 GB
    assert peak / (photo.shape[0] * photo.shape[1]) < 31


def test_a_sheet_is_saved_in_a_file():
    with pytest.raises(InputError, match=r"path is None; accepted: the name of a file ending in .pdf"):
        marker_sheet().save(None)
