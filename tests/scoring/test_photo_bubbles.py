"""Bubbles counted in small rendered photos whose truth is known."""

from __future__ import annotations

import io

import numpy as np
import pytest
import tifffile
from PIL import Image

from castlab.errors import InputError
from castlab.figures import alt_text
from castlab.records import Photo
from castlab.records.models import MM_PER_PIXEL
from castlab.scoring import count_bubbles, scale_from_length
from castlab.scoring.finding import Found
from castlab.scoring.pictures import read_colours
from castlab.scoring.regions import region_mask
from castlab.scoring.trust import interval_of_count


def scene(*discs: tuple[float, float, float, float], shape: tuple[int, int] = (160, 220), grain: float = 0.004):
    """Grey ground with soft discs (x, y, radius, contrast)."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    plane = 0.45 + np.random.default_rng(3).normal(0, grain, shape)
    for cx, cy, radius, contrast in discs:
        plane += contrast * np.clip(radius - np.hypot(x - cx, y - cy) + 0.5, 0, 1)
    return np.clip(plane, 0, 1)


def png(plane: np.ndarray, **options: object) -> bytes:
    store = io.BytesIO()
    Image.fromarray((plane * 255).astype(np.uint8)).save(store, "PNG", **options)
    return store.getvalue()


DISCS = ((40, 40, 6, 0.3), (110, 60, 14, 0.3), (180, 110, 9, -0.25), (60, 120, 4, -0.3))


@pytest.fixture(scope="module")
def seen():
    return count_bubbles(scene(*DISCS), 0.05, smallest_mm=0.3)


def test_each_disc_bright_or_dark_is_found_once_where_it_is_and_as_large_as_it_is(seen) -> None:
    assert seen.count == len(DISCS)
    for x, y, radius, _contrast in DISCS:
        apart = np.hypot(seen.bubbles.x_mm - (x + 0.5) * 0.05, seen.bubbles.y_mm - (y + 0.5) * 0.05)
        assert apart.min() < 0.3 * radius * 0.05
        assert seen.bubbles.diameter_mm[apart.idxmin()] == pytest.approx(2 * radius * 0.05, rel=0.15)


def test_contrast_has_the_sign_of_the_light_inside(seen) -> None:
    dark = seen.bubbles[seen.bubbles.x_mm > 8]
    assert (dark.contrast < 0).all()
    assert seen.bubbles.contrast.max() == pytest.approx(0.3, abs=0.06)


def test_the_interval_holds_the_count_and_the_table_of_misses_says_what_was_drawn(seen) -> None:
    assert seen.low <= seen.count <= seen.high
    assert seen.missed.drawn.sum() > 20
    assert seen.missed.missed_share.dropna().between(0, 1).all()


def test_misses_do_not_raise_the_low_end_which_doubt_about_the_finds_lowers() -> None:
    sure, size = np.full(100, 0.97), np.full(100, 10.0)
    finds = Found(size, size, size, size, np.ones(100), sure)
    low, high = interval_of_count(
        np.random.default_rng(0), finds, np.array([6.0, 40.0]), np.array([60]), np.array([35]), smallest=6
    )
    assert low < 97 < 140 < high


def test_sizes_add_up_to_the_count_and_the_area_is_that_of_the_discs(seen) -> None:
    assert seen.sizes["count"].sum() == seen.count
    area = sum(np.pi * radius**2 for _x, _y, radius, _c in DISCS) / (160 * 220)
    assert seen.area_fraction == pytest.approx(area, rel=0.2)


def test_the_overlay_carries_its_text_alternative(seen) -> None:
    assert f"{seen.count} circles" in alt_text(seen.overlay())


def test_the_overlay_shows_the_region_with_a_margin_round_it() -> None:
    photo = scene(*DISCS, shape=(400, 500))
    axes = count_bubbles(photo, 0.05, region=(5.5, 3.0, 4.0), smallest_mm=0.3, trust=False).overlay().axes[0]
    assert axes.get_xlim() == pytest.approx((3.5 - 0.3, 7.5 + 0.3), abs=0.2)
    assert axes.get_ylim() == pytest.approx((5.0 + 0.3, 1.0 - 0.3), abs=0.2)
    whole = count_bubbles(photo, 0.05, smallest_mm=0.3, trust=False).overlay().axes[0]
    assert (whole.get_xlim(), whole.get_ylim()) == ((0, 25), (20, 0))


def test_without_a_bubble_the_sizes_start_at_none() -> None:
    sizes = count_bubbles(np.full((200, 200), 0.5), 0.05, smallest_mm=0.3, trust=False).overlay().axes[1]
    assert sizes.get_xlim()[0] == 0
    assert sizes.get_xlim()[1] >= 1


def test_a_second_count_of_the_same_photo_is_the_same() -> None:
    one, two = (count_bubbles(scene(*DISCS), 0.05, smallest_mm=0.3) for _ in range(2))
    assert one.bubbles.equals(two.bubbles)
    assert (one.low, one.high) == (two.low, two.high)


def test_plain_resin_with_a_straight_edge_holds_no_bubbles() -> None:
    plane = scene()
    plane[:, 90:] += 0.3
    assert count_bubbles(plane, 0.05, smallest_mm=0.3, trust=False).count == 0


def test_touching_bubbles_are_two() -> None:
    plane = scene((80, 80, 12, 0.3), (104, 80, 12, 0.3))
    assert count_bubbles(plane, 0.05, smallest_mm=0.3, trust=False).count == 2


def test_a_bubble_cut_by_the_edge_is_found_and_marked() -> None:
    found = count_bubbles(scene((3, 80, 12, 0.3), (120, 60, 10, 0.3)), 0.05, smallest_mm=0.3, trust=False)
    assert found.count == 2
    assert found.bubbles.cut_by_edge.sum() == 1


@pytest.mark.parametrize(
    "region",
    [
        (4.0, 0.0, 3.0, 8.0),
        [(4.0, 0.0), (7.0, 0.0), (7.0, 8.0), (4.0, 8.0)],
        (5.5, 3.0, 3.5),
    ],
)
def test_only_the_region_counts_and_places_stay_those_of_the_photo(region) -> None:
    found = count_bubbles(scene(*DISCS), 0.05, region=region, smallest_mm=0.3, trust=False)
    assert found.count == 1
    assert found.bubbles.x_mm[0] == pytest.approx(110.5 * 0.05, abs=0.1)


@pytest.mark.parametrize(("x", "y", "diameter"), [(5.0, 4.0, 6.0), (0.0, 0.0, 9.0), (11.0, 3.0, 30.0)])
def test_a_round_region_holds_the_pixels_whose_middle_lies_in_the_circle(x, y, diameter) -> None:
    mask = region_mask((x, y, diameter), (160, 220), 0.05)
    down, across = np.mgrid[0:160, 0:220]
    inside = np.hypot((across + 0.5) * 0.05 - x, (down + 0.5) * 0.05 - y) <= diameter / 2
    assert (mask != inside).sum() <= 4  # rounding on the circle itself


def test_a_mask_of_pixels_is_a_region_too() -> None:
    mask = np.zeros((160, 220), bool)
    mask[:, 80:140] = True
    assert count_bubbles(scene(*DISCS), 0.05, region=mask, smallest_mm=0.3, trust=False).count == 1


def test_a_path_bytes_an_array_and_an_image_give_the_same_count(tmp_path) -> None:
    plane = scene(*DISCS)
    data = png(plane)
    path = tmp_path / "casting.png"
    path.write_bytes(data)
    ways = [path, str(path), data, np.asarray(Image.open(path)), Image.open(path)]
    assert {count_bubbles(way, 0.05, smallest_mm=0.3, trust=False).count for way in ways} == {len(DISCS)}


@pytest.mark.parametrize("kind", ["JPEG", "TIFF", "HEIF"])
def test_other_kinds_of_file_are_read(kind, tmp_path) -> None:
    if kind == "HEIF":
        pytest.importorskip("pillow_heif").register_heif_opener()
    path = tmp_path / "casting"
    Image.fromarray((scene(*DISCS) * 255).astype(np.uint8)).convert("RGB").save(path, kind, quality=95)
    assert read_colours(path).shape == (160, 220, 3)


def test_sixteen_bit_and_transparent_pictures_are_read_as_light_from_0_to_1() -> None:
    deep = np.full((20, 20), 32768, np.uint16)
    assert read_colours(deep)[0, 0, 0] == pytest.approx(0.5, abs=0.001)
    clear = np.dstack([np.full((20, 20, 3), 51, np.uint8), np.zeros((20, 20), np.uint8)])
    assert read_colours(clear)[0, 0] == pytest.approx([0.2, 0.2, 0.2])


@pytest.mark.parametrize("brightest", [1, 255, 65504])
@pytest.mark.parametrize("kind", ["float32", "float64", "float16", "colour"])
def test_a_tiff_of_a_scientific_camera_is_read(kind, brightest, tmp_path) -> None:
    plane = np.dstack([scene(*DISCS)] * 3).astype("float32") if kind == "colour" else scene(*DISCS).astype(kind)
    tifffile.imwrite(
        tmp_path / "odd.tif",
        plane * np.asarray(brightest, plane.dtype),
        compression="deflate",
        photometric="rgb" if kind == "colour" else "minisblack",
    )
    for given in (tmp_path / "odd.tif", (tmp_path / "odd.tif").read_bytes()):
        assert np.allclose(read_colours(given), read_colours(plane), atol=0.002)
    assert count_bubbles(tmp_path / "odd.tif", 0.05, smallest_mm=0.3, trust=False).count == len(DISCS)


@pytest.mark.parametrize("turn", range(1, 9))
def test_a_tiff_of_floats_is_turned_as_pillow_turns_one_of_bytes(turn, tmp_path) -> None:
    grey = np.zeros((20, 30), np.uint8)
    grey[2:6, 3:12], grey[12, 25] = 255, 128
    exif = Image.Exif()
    exif[0x0112] = turn
    Image.fromarray(grey).save(tmp_path / "plain.tif", exif=exif)
    tifffile.imwrite(tmp_path / "odd.tif", grey / 255.0, extratags=[(274, "H", 1, turn, True)])
    assert np.allclose(read_colours(tmp_path / "odd.tif"), read_colours(tmp_path / "plain.tif"))


def test_an_odd_tiff_that_cannot_be_read_is_one_clear_error(tmp_path, monkeypatch) -> None:
    path = tmp_path / "odd.tif"
    tifffile.imwrite(path, np.zeros((3, 40, 40)), photometric="rgb")
    assert read_colours(path).shape == (40, 40, 3)
    tifffile.imwrite(path, np.zeros((3, 40, 40)), photometric="minisblack")
    with pytest.raises(InputError, match="holds 3 pictures"):
        read_colours(path)
    tifffile.imwrite(path, np.zeros((40, 40), complex))
    with pytest.raises(InputError, match="type complex128 are not light"):
        read_colours(path)
    tifffile.imwrite(path, np.zeros((40, 40)))
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(InputError, match=r"'odd.tif' is a TIFF that cannot be decoded"):
        read_colours(path)
    monkeypatch.setattr("castlab.scoring.pictures.MOST_PIXELS", 1000)
    tifffile.imwrite(path, np.zeros((40, 40)))
    with pytest.raises(InputError, match="claims 40 x 40 pixels"):
        read_colours(path)


@pytest.mark.parametrize("scale", [1e300, 1e-300, 5000.0])
def test_a_scale_that_no_photo_has_is_one_clear_error(scale) -> None:
    assert [getattr(m, "ge", getattr(m, "le", None)) for m in Photo.model_fields["mm_per_pixel"].metadata] == list(
        MM_PER_PIXEL
    )
    with pytest.raises(InputError, match=r"no scale: mm_per_pixel is .*1e-06 to 1000"):
        count_bubbles(scene(*DISCS), scale)


def test_the_orientation_a_camera_noted_is_applied() -> None:
    store = io.BytesIO()
    picture = Image.fromarray((scene(*DISCS) * 255).astype(np.uint8))
    exif = Image.Exif()
    exif[0x0112] = 6
    picture.save(store, "JPEG", exif=exif)
    assert read_colours(store.getvalue()).shape[:2] == (220, 160)


def bomb() -> bytes:
    """A PNG whose header claims 60000 x 60000 pixels and which holds none."""
    import struct
    import zlib

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


GOOD = png(scene(*DISCS))


def several(kind: str) -> bytes:
    """A file with two pictures in it."""
    kept, first = io.BytesIO(), Image.open(io.BytesIO(GOOD)).convert("RGB")
    first.save(
        kept, kind, save_all=True, append_images=[first.resize((80, 60)) if kind == "MPO" else first.rotate(180)]
    )
    return kept.getvalue()


@pytest.mark.parametrize(
    ("image", "arguments", "said"),
    [
        (b"not a picture at all", {}, "not a picture"),
        (GOOD[: len(GOOD) // 2], {}, "cut short"),
        (bomb(), {}, "more .*pixels than can be read safely|more than can be read safely"),
        (png(np.full((1, 1), 0.5)), {}, "too small"),
        ("no such file.jpg", {}, "no file"),
        (42, {}, "not a picture"),
        (np.zeros((3, 4, 5, 6)), {}, "not a picture"),
        (np.full((40, 40), np.nan), {}, "not numbers"),
        (np.full((40, 40), -0.5), {}, "from -0.5 to -0.5"),
        (np.full((40, 40), 1e9), {}, r"from 1e\+09 to"),
        (np.ma.masked_less(scene(), 1), {}, "masked pixels"),
        (np.full((40, 40), 4_000_000_000, np.uint32), {}, "pixels up to 4000000000"),
        (several("GIF"), {}, "holds 2 pictures"),
        (several("TIFF"), {}, "holds 2 pictures"),
        (GOOD, {"mm_per_pixel": None}, "no scale"),
        (GOOD, {"mm_per_pixel": 0}, "no scale"),
        (GOOD, {"mm_per_pixel": scale_from_length((0, 0), (400, 0), 20)}, "give its .mm_per_pixel$"),
        (GOOD, {"mm_per_pixel": -0.1}, "no scale"),
        (GOOD, {"region": (500, 500, 10, 10)}, "outside the picture"),
        (GOOD, {"region": (1, 1, -3, 3)}, "above 0"),
        (GOOD, {"region": [(0, 0), (5, 5), (8, 8)]}, "lie on one line"),
        (GOOD, {"region": (1, 2)}, r"shape \(2,\) cannot be read; accepted: .* of a box or .* of a circle"),
        (GOOD, {"region": (1, 2, 0)}, "a circle of 0 mm; its diameter must be above 0"),
        (GOOD, {"region": (90, 90, 9)}, "outside the picture"),
        (GOOD, {"region": "all"}, "cannot be read"),
        (GOOD, {"region": np.ones((9, 9), bool)}, r"a mask of shape \(9, 9\) does not fit"),
        (GOOD, {"region": np.full(scene().shape, 0.5)}, "a mask says yes or no"),
        (GOOD, {"smallest_mm": 0.05}, "pixels across"),
        (GOOD, {"smallest_mm": -1}, "above 0"),
        (GOOD, {"largest_mm": "x"}, "largest_mm is 'x'"),
        (GOOD, {"seed": "x"}, "seed is 'x'"),
        (GOOD, {"smallest_mm": 100}, "not below the largest"),
    ],
)
def test_what_cannot_be_counted_is_refused_in_one_sentence(image, arguments, said) -> None:
    with pytest.raises(InputError, match=said):
        count_bubbles(image, **{"mm_per_pixel": 0.05, "smallest_mm": 0.3, **arguments})


def test_without_a_scale_nothing_is_counted() -> None:
    with pytest.raises(InputError, match=r"no scale.*scale_from_length"):
        count_bubbles(GOOD)


def test_the_preview_in_a_phones_file_is_not_a_second_picture() -> None:
    assert count_bubbles(several("MPO"), 0.05, smallest_mm=0.3, trust=False).count == len(DISCS)


def test_the_usual_smallest_size_yields_to_coarse_pixels_and_says_so() -> None:
    found = count_bubbles(scene(*DISCS), 0.2, trust=False)
    assert found.smallest_mm == pytest.approx(0.6)
    assert any("0.6 mm are not counted" in caution for caution in found.cautions)


EMPTY = {
    "burnt out": np.ones((200, 200)),
    "black": np.zeros((200, 200)),
    "blank": np.full((200, 200), 0.5),
    "noise": np.random.default_rng(0).random((200, 200)),
}


@pytest.mark.parametrize("kind", list(EMPTY))
def test_a_picture_that_cannot_show_bubbles_is_not_said_to_hold_none(kind) -> None:
    found = count_bubbles(EMPTY[kind], 0.05)
    assert (found.count, found.low, found.high) == (0, 0, None)
    assert "cannot show whether there are bubbles" in found.verdict
    assert any("does not mean that there are none" in caution for caution in found.cautions)


def test_where_the_grain_hides_faint_bubbles_no_number_bounds_how_many_there_are() -> None:
    rims = scene(grain=0.02)
    y, x = np.mgrid[0:160, 0:220]
    for cx, cy in ((40, 40), (110, 60), (180, 110), (60, 120)):
        rims += 0.01 * np.exp(-(((np.hypot(x - cx, y - cy) / 7 - 0.85) / 0.2) ** 2))
    found = count_bubbles(rims, 0.05)
    assert (found.count, found.high) == (0, None)
    assert "fainter ones" in found.verdict


def test_a_clean_photo_bounds_the_bubbles_that_it_would_have_shown() -> None:
    found = count_bubbles(scene(grain=0.003), 0.05)
    assert found.count == 0
    assert 1 <= found.high <= 5
    assert "contrast below" in found.verdict


@pytest.mark.parametrize("mode", ["L", "RGB", "RGBA", "CMYK"])
def test_a_tiff_is_turned_once_from_a_path_as_from_bytes(mode, tmp_path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    grey = np.tile(np.arange(60, dtype=np.uint8), (40, 1))
    Image.fromarray(grey).convert(mode).save(tmp_path / "turned.tif", exif=exif)
    seen = read_colours(tmp_path / "turned.tif")
    assert seen.shape == (60, 40, 3)
    assert np.allclose(seen, read_colours((tmp_path / "turned.tif").read_bytes()))
