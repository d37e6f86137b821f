"""Contrast transfer recovered from rendered photos, against closed forms.

A Gaussian blur of standard deviation s leaves exp(-2 pi^2 s^2 f^2) of a wave of frequency f (its Fourier transform;
Bracewell, The Fourier Transform and Its Applications, table of transforms); an even veil v over a mean m leaves
m / (m + v). Seen m times as large, a wave of the print has the frequency f / m in the photo, where a blur of the photo acts
on it. Tolerances: 0.01 of the contrast for the printed target, 0.03 where it is seen magnified or
slanted and for bars of one's own, 0.04 for photos from different distances.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from photographed import DOTS, Camera, page, srgb
from scipy import ndimage

from castlab.errors import FitError, InputError
from castlab.scoring import clarity, clarity_target, marker_sheet

SHEET = clarity_target()
CAMERA = Camera(shape=(1900, 1340), tilt=4, turn=2, fill=0.98)
INK, PAPER = 0.04, 0.85


@pytest.fixture(scope="module")
def bare():
    return page(SHEET, ink=INK, paper=PAPER)


def through(bare, *, blur_mm=0.0, veil=0.0, gain=(1.0, 1.0, 1.0)):
    """The page with a casting over its first bars."""
    x, y, width, height = SHEET.fields[0].box
    left, top = (x - 3 + SHEET.origin[0]) * DOTS, (y - 3 + SHEET.origin[1]) * DOTS
    rows, columns = slice(int(top), int(top + (height + 6) * DOTS)), slice(int(left), int(left + (width + 6) * DOTS))
    covered = np.repeat(bare[..., None], 3, axis=2)
    part = ndimage.gaussian_filter(bare[rows, columns], blur_mm * DOTS) if blur_mm else bare[rows, columns]
    covered[rows, columns] = part[..., None] * np.array(gain) + veil
    return covered


def test_a_gaussian_blur_is_recovered_at_every_frequency(bare):
    found = clarity(CAMERA.photo(SHEET, through(bare, blur_mm=0.12)))
    known = found.bars[found.bars["resolved"]]
    assert len(known) >= 6
    expected = np.exp(-2 * (np.pi * 0.12 * known["lp_mm"]) ** 2)
    np.testing.assert_allclose(known["transfer"], expected, atol=0.01)
    assert found.half_lp_mm == pytest.approx(np.sqrt(np.log(2) / 2) / np.pi / 0.12, rel=0.06)
    assert found.tint < 0.5


def test_a_veil_lowers_the_contrast_by_its_share_of_the_mean_at_every_frequency(bare):
    mean = (INK + PAPER) / 2
    found = clarity(CAMERA.photo(SHEET, through(bare, veil=0.15)))
    known = found.bars[found.bars["resolved"]]
    np.testing.assert_allclose(known["transfer"], mean / (mean + 0.15), atol=0.01)
    assert found.transfer == pytest.approx(mean / (mean + 0.15), abs=0.01)


def test_an_invisible_casting_leaves_everything_in_one_photo_or_two(bare):
    photo, plain = CAMERA.photo(SHEET, through(bare)), CAMERA.photo(SHEET, bare, seed=2)
    for found in (clarity(photo), clarity(photo, plain)):
        assert found.transfer == pytest.approx(1, abs=0.01)
        assert found.half_lp_mm is None
        assert found.tint < 0.5
        assert abs(found.yellowness) < 0.5
        assert "0.0 less" not in found.verdict
        assert "0.0 yellower" not in found.verdict


def test_a_yellow_casting_is_seen_as_the_colour_it_is(bare, colour_science):
    """Expected Lab by the colour-science library from the same linear sRGB."""
    colour = colour_science
    gain = np.array([0.95, 0.93, 0.80])
    found = clarity(CAMERA.photo(SHEET, through(bare, gain=gain), exposure=0.85, colour=(1.0, 0.93, 0.88)))
    xyz = colour.RGB_to_XYZ(gain, "sRGB", apply_cctf_decoding=False)
    white = colour.RGB_to_XYZ(np.ones(3), "sRGB", apply_cctf_decoding=False)
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    expected = [float(colour.delta_E(colour.XYZ_to_Lab(xyz, d65), colour.XYZ_to_Lab(white, d65), method="CIE 2000"))]
    expected += [float(np.diff([colour.colorimetry.yellowness_ASTME313(100 * one) for one in (white, xyz)])[0])]
    assert found.tint == pytest.approx(expected[0], abs=0.5)
    assert found.yellowness == pytest.approx(expected[1], abs=1.0)


def lens(bare, size, blur_mm=0.0):
    """The page with a casting over its first bars through which they look so much larger."""
    x, y, width, height = (DOTS * side for side in SHEET.fields[0].box)
    left, top = x + (SHEET.origin[0] - 3) * DOTS, y + (SHEET.origin[1] - 3) * DOTS
    rows, columns = np.mgrid[int(top) : int(top + height + 6 * DOTS), int(left) : int(left + width + 6 * DOTS)]
    middle = rows.mean(), columns.mean()
    part = ndimage.map_coordinates(
        bare, [middle[0] + (rows - middle[0]) / size, middle[1] + (columns - middle[1]) / size], order=3
    )
    covered = bare.copy()
    covered[rows, columns] = ndimage.gaussian_filter(part, blur_mm * DOTS) if blur_mm else part
    return covered


@pytest.mark.parametrize("size", [0.9, 1.12, 1.3])
def test_bars_that_a_curved_front_magnifies_give_the_same_contrast(bare, size):
    found = clarity(CAMERA.photo(SHEET, lens(bare, size, 0.1)))
    known = found.bars[found.bars["resolved"]]
    assert len(known) >= 6
    expected = np.exp(-2 * (np.pi * 0.1 * known["lp_mm"] / size) ** 2)
    np.testing.assert_allclose(known["transfer"], expected, atol=0.03)
    assert any("as a lens does" in caution for caution in found.cautions)


@pytest.mark.parametrize("slant", [-10, 10])
def test_a_slanted_camera_that_shows_one_set_of_bars_larger_gives_the_same_contrast(bare, slant):
    camera = Camera(shape=(1900, 1340), slant=slant, fill=0.98)
    found = clarity(camera.photo(SHEET, through(bare, blur_mm=0.05)))
    known = found.bars[found.bars["resolved"]]
    assert len(known) >= 6
    np.testing.assert_allclose(known["transfer"], np.exp(-2 * (np.pi * 0.05 * known["lp_mm"]) ** 2), atol=0.03)
    assert any(("farther" if slant > 0 else "nearer") in caution for caution in found.cautions), found.cautions


@pytest.mark.parametrize("fill", [0.8, 1.0])
def test_two_photos_from_different_distances_give_the_same_contrast(bare, fill):
    camera, other = (Camera(shape=(1900, 1340), fill=f) for f in (0.9, fill))
    found = clarity(camera.photo(SHEET, through(bare, blur_mm=0.05)), other.photo(SHEET, bare, seed=2))
    known = found.bars[found.bars["resolved"]]
    np.testing.assert_allclose(known["transfer"], np.exp(-2 * (np.pi * 0.05 * known["lp_mm"]) ** 2), atol=0.04)
    assert any(("nearer" if fill < 0.9 else "farther") in caution for caution in found.cautions)


def test_a_stronger_lens_is_refused_and_haze_is_not(bare):
    with pytest.raises(InputError, match="strong lens"):
        clarity(CAMERA.photo(SHEET, lens(bare, 1.9)))
    assert clarity(CAMERA.photo(SHEET, through(bare, blur_mm=3))).transfer < 0.1


def test_bars_of_another_width_than_given_are_told(bare):
    with pytest.raises(InputError, match=r"40 mm wide: give target=clarity_target\(field_mm=40\)"):
        clarity(CAMERA.photo(SHEET, bare), target=clarity_target(field_mm=30))


@pytest.mark.parametrize(("width", "given"), [(16, 17), (30, 29), (45, 44)])
def test_bars_a_millimetre_wider_or_narrower_than_given_are_told(width, given):
    sheet = clarity_target(field_mm=width)
    photo = CAMERA.photo(sheet, page(sheet))
    with pytest.raises(InputError, match=f"they are {width} mm wide"):
        clarity(photo, target=clarity_target(field_mm=given))


@pytest.mark.parametrize("width", [16, 30, 45])
def test_a_blurred_photo_of_the_target_still_shows_its_coarse_bars(width):
    sheet = clarity_target(field_mm=width)
    found = clarity(CAMERA.photo(sheet, page(sheet), blur_px=4), target=sheet)
    assert found.transfer == pytest.approx(1, abs=0.03)


def own_bars(blur_px=0.0, size=1.0):
    """Bars of 5, 8, 12 and 20 pixels per pair, one above the other (sRGB)."""
    rng = np.random.default_rng(3)
    x = np.arange(480) / size
    rows = [np.repeat((0.45 + 0.4 * np.sin(2 * np.pi * x / period))[None], 120, axis=0) for period in (5, 8, 12, 20)]
    scene = np.concatenate(rows)
    scene = ndimage.gaussian_filter1d(scene, blur_px, axis=1) if blur_px else scene
    return np.clip(srgb(scene) + rng.normal(0, 0.005, scene.shape), 0, 1)


def test_bars_of_ones_own_give_the_blur_too():
    found = clarity(own_bars(1.2), own_bars(), mm_per_pixel=0.1)
    assert len(found.bars) == 4
    expected = np.exp(-2 * (np.pi * 1.2 / np.array([20, 12, 8, 5])) ** 2)
    np.testing.assert_allclose(found.bars["transfer"], expected, atol=0.03)
    both = np.hstack([own_bars(1.2), own_bars()])
    one = clarity(both, mm_per_pixel=0.1, region=(0, 0, 480, 480), direct_region=(480, 0, 480, 480))
    assert one.transfer == pytest.approx(found.transfer)


def test_bars_of_ones_own_may_look_larger_but_not_beyond_what_is_sought():
    found = clarity(own_bars(1.2, size=1.12), own_bars(), mm_per_pixel=np.float32(0.1))
    expected = np.exp(-2 * (np.pi * 1.2 / 1.12 / np.array([20, 12, 8, 5])) ** 2)
    np.testing.assert_allclose(found.bars["transfer"], expected, atol=0.03)
    assert any("12% larger" in caution for caution in found.cautions)
    with pytest.raises(InputError, match="is then a lens"):
        clarity(own_bars(size=1.245), own_bars(), mm_per_pixel=0.1)


def test_a_large_photo_does_not_fill_the_memory(bare):
    photo = CAMERA.photo(SHEET, through(bare, veil=0.15))
    tracemalloc.start()
    try:
        clarity(photo)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # three colours in single precision are 12 bytes a pixel; as much again, for 48 megapixels in 1.5 GB
    assert peak / (photo.shape[0] * photo.shape[1]) < 31


def test_burnt_out_paper_gives_no_colour(bare):
    found = clarity(CAMERA.photo(SHEET, through(bare), exposure=1.5))
    assert found.tint is None
    assert any("burnt out" in caution for caution in found.cautions)


def test_overexposed_bars_are_not_graded(bare):
    found = clarity(CAMERA.photo(SHEET, through(bare, blur_mm=0.1), exposure=1.5))
    assert "not to be trusted" in found.verdict or "not possible" in found.verdict
    assert any("lowers the contrast" in caution for caution in found.cautions)


def test_more_contrast_through_the_casting_than_directly_is_said_to_be_impossible():
    found = clarity(own_bars(), own_bars(1.2), mm_per_pixel=0.1)
    assert "not possible" in found.verdict
    assert "clear" not in found.verdict
    assert any("swapped" in caution for caution in found.cautions)


def test_the_picture_shows_what_is_said(bare):
    from castlab.figures import alt_text

    found = clarity(CAMERA.photo(SHEET, through(bare, blur_mm=0.1)))
    assert found.verdict in alt_text(found.figure())
    assert "Contrast by bars" in found._repr_html_()


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        (lambda: clarity(np.full((200, 300), 0.6)), InputError, "no marker sheet"),
        (lambda: clarity(own_bars(), mm_per_pixel=0.1), InputError, "give region= and direct_region="),
        (lambda: clarity(own_bars(), own_bars(), mm_per_pixel=0), InputError, "mm_per_pixel is 0"),
        (lambda: clarity(own_bars(), own_bars()[:200], mm_per_pixel=0.1), InputError, "equally large"),
        (lambda: clarity(own_bars(), np.full((480, 480), 0.5), mm_per_pixel=0.1), InputError, "no upright bars"),
        (lambda: clarity(own_bars(), own_bars(), region=(0, 0, 90, 90)), InputError, "bars of your own"),
        (lambda: clarity(own_bars(), own_bars(), mm_per_pixel=0.1, region=(9000, 0, 9, 9)), InputError, "does not lie"),
        (lambda: clarity(own_bars()[:120], own_bars()[:120], mm_per_pixel=0.1), FitError, "1 of 1"),
        (lambda: clarity(own_bars(), target=marker_sheet()), InputError, "no bars"),
        (lambda: clarity("nowhere.jpg"), InputError, "there is no file"),
        (lambda: clarity(own_bars(), target="a4"), InputError, "target is 'a4'"),
        (lambda: clarity(own_bars(), white_lab=(1, 2)), InputError, "white_lab is"),
        (lambda: clarity(own_bars(), white_lab=(0, 0, 0)), InputError, "white_lab is"),
    ],
)
def test_what_cannot_be_used_is_said_in_one_sentence(call, error, words):
    with pytest.raises(error, match=words):
        call()
