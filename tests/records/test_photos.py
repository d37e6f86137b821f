"""Photos stay as they came, are checked when read, and leave the logbook without the place where they were taken."""

from __future__ import annotations

import io
import json
import os
import stat
import warnings
import zlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image, TiffImagePlugin

from castlab import Batch, Logbook, Trial
from castlab.errors import CastlabWarning, InputError, LogbookError, NotFoundError
from castlab.records import exchange_photos, photos, picture_files
from castlab.records.photos import PhotoStore
from castlab.records.stripping import without_location

GPS, ORIENTATION, NOTES = 0x8825, 0x0112, 0x8769


def camera_photo(kind: str = "JPEG", *, turn: int = 6, extra: bytes = b"", **options) -> bytes:
    """A made-up picture with the notes of a made-up camera: place, orientation, time."""
    pixels = np.random.default_rng(2).integers(0, 255, (12, 20, 3), dtype=np.uint8).repeat(8, 0).repeat(8, 1)
    exif = Image.Exif()
    exif[ORIENTATION] = turn
    place = TiffImagePlugin.IFDRational
    exif.get_ifd(GPS).update({1: "N", 2: (place(12), place(34), place(56)), 3: "E", 4: (place(7), place(8), place(9))})
    exif.get_ifd(NOTES)[0x9003] = "2026:05:04 10:20:30"
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, kind, exif=exif, **options)
    return buffer.getvalue() + extra


def notes_of(data: bytes) -> Image.Exif:
    return Image.open(io.BytesIO(data)).getexif()


@pytest.fixture
def shop(tmp_path):
    book = Logbook.open(tmp_path / "shop.db", who="Ada")
    cup = book.add(Batch())
    book.add(Trial(batch_id=cup.id, product="pod block"))
    book.add(Trial(batch_id=cup.id, product="pod block"))
    return book


@pytest.fixture
def file(tmp_path) -> Path:
    path = tmp_path / "from camera.jpg"
    path.write_bytes(camera_photo())
    return path


def test_the_file_is_kept_as_it_came_and_read_only(shop, file):
    photo = shop.add_photo("T-001.1", file, view="Top", mm_per_pixel=0.05)
    kept = shop.photo_path(photo.id)
    assert (photo.id, photo.view, photo.file_name) == ("P-001.1.1", "top", "from camera.jpg")
    assert photo.taken_at.isoformat() == "2026-05-04T10:20:30"
    assert kept.read_bytes() == file.read_bytes()
    assert kept.parent.parent.name == "shop.db.photos"
    assert (kept.parent.name, kept.stem) == (photo.sha256[:2], photo.sha256)
    assert stat.S_IMODE(kept.stat().st_mode) == 0o444
    assert shop.get("P-001.1.1") == photo


def test_the_same_content_is_kept_once_and_logged_once_per_casting(shop, file):
    one = shop.add_photo("T-001.1", file)
    assert shop.add_photo("T-001.1", file).id == one.id
    with pytest.warns(
        CastlabWarning, match=r"as P-001\.1\.1 with mm_per_pixel = None, .*why=..., mm_per_pixel=0\.05\)"
    ):
        assert shop.add_photo("T-001.1", file, mm_per_pixel=0.05).mm_per_pixel is None
    other = shop.add_photo("T-001.2", file)
    assert [p.id for p in shop.photos()] == ["P-001.1.1", "P-001.2.1"]
    assert [p.id for p in shop.photos("T-001.2")] == [other.id]
    assert shop.photo_path(one.id) == shop.photo_path(other.id)
    assert len(list(Path(f"{shop._engine.url.database}.photos").rglob("*.jpg"))) == 1


def test_a_damaged_or_missing_file_is_said_when_it_is_read_and_comes_back_when_added_again(shop, file):
    photo = shop.add_photo("T-001.1", file)
    kept = shop.photo_path(photo.id)
    kept.chmod(0o644)
    kept.write_bytes(kept.read_bytes()[:-9])
    with pytest.raises(LogbookError, match="damaged or was changed"):
        shop.photo_path(photo.id)
    shop.add_photo("T-001.2", file)
    assert shop.photo_path(photo.id).read_bytes() == file.read_bytes()
    kept.unlink()
    with pytest.raises(LogbookError, match="put its file back"):
        shop.photo_path(photo.id)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"no picture", "not a whole picture"),
        (camera_photo()[:900], "not a whole picture"),
        (b"", "not a whole picture"),
    ],
)
def test_what_is_no_whole_picture_is_refused_and_nothing_is_kept(shop, tmp_path, content, said):
    (tmp_path / "x.jpg").write_bytes(content)
    with pytest.raises(InputError, match=said):
        shop.add_photo("T-001.1", tmp_path / "x.jpg")
    assert shop.photos() == []
    assert not (tmp_path / "shop.db.photos").exists()


def test_a_picture_too_large_to_be_a_photo_is_not_opened(shop, file, monkeypatch):
    monkeypatch.setattr(picture_files, "MOST_PIXELS", 1000)
    with pytest.raises(InputError, match="larger than any photo"):
        shop.add_photo("T-001.1", file)


def test_what_fills_a_page_is_cut_off_in_a_message(shop, file):
    with pytest.raises(InputError, match=r"mm_per_pixel is a list of 5000; accepted: a number") as said:
        shop.add_photo("T-001.1", file, mm_per_pixel=[0.1] * 5000)
    assert len(str(said.value)) < 200


def test_unknown_castings_files_and_ids_are_named(shop, file, tmp_path):
    with pytest.raises(NotFoundError, match=r"T-009\.9"):
        shop.add_photo("T-009.9", file)
    with pytest.raises(NotFoundError, match="nowhere"):
        shop.add_photo("T-001.1", tmp_path / "nowhere.jpg")
    with pytest.raises(InputError, match="is a trial"):
        shop.photo_path("T-001.1")


def test_a_photo_that_cannot_be_written_is_not_logged(shop, file, monkeypatch):
    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(LogbookError, match="No space left"):
        shop.add_photo("T-001.1", file)
    monkeypatch.undo()
    assert shop.photos() == []
    assert [p for p in Path(f"{shop._engine.url.database}.photos").rglob("*") if p.is_file()] == []


def test_a_thumbnail_is_small_upright_and_without_notes(shop, file):
    photo = shop.add_photo("T-001.1", file)
    small = Image.open(shop.thumbnail(photo.id, 64))
    assert small.size == (38, 64)
    assert dict(small.getexif()) == {}
    assert shop.thumbnail(photo.id, 64) == shop.thumbnail(photo.id, 64)


@pytest.mark.parametrize(
    ("kind", "suffix", "options"),
    [("JPEG", ".jpg", {}), ("JPEG", ".jpg", {"progressive": True}), ("PNG", ".png", {}), ("TIFF", ".tif", {})],
)
def test_a_copy_has_no_place_keeps_every_pixel_upright_and_is_its_own_copy(kind, suffix, options):
    from PIL import ImageOps

    data = camera_photo(kind, **options)
    assert notes_of(data).get_ifd(GPS) or kind == "TIFF"  # Pillow writes no place into a TIFF
    copy, ending = without_location(data, suffix)
    notes = notes_of(copy)
    assert notes.get_ifd(GPS) == {}
    assert notes.get_ifd(NOTES) == {}
    before, after = (np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(d)))) for d in (data, copy))
    assert np.array_equal(before, after)
    assert without_location(copy, ending) == (copy, ending)


def test_places_hide_in_other_corners_of_a_jpeg_too():
    plain = camera_photo()
    xmp = b"http://ns.adobe.com/xap/1.0/\0<x exif:GPSLatitude='12,34N'/>"
    segments = b"\xff\xe1" + (len(xmp) + 2).to_bytes(2, "big") + xmp + b"\xff\xfe\x00\x0cGPS 12.34N"
    data = plain[:2] + segments + plain[2:] + plain  # and a second picture with its own place behind the first
    copy, _ = without_location(data, ".jpg")
    assert b"GPS" not in copy
    assert copy == without_location(plain, ".jpg")[0]


def test_notes_that_nobody_knows_leave_no_trace_in_a_copy():
    secret = b"GPS 12.34N"
    own = len(secret).to_bytes(4, "big") + b"caBX" + secret + zlib.crc32(b"caBX" + secret).to_bytes(4, "big")
    png = camera_photo("PNG", turn=1)
    assert secret not in without_location(png[:33] + own + png[33:], ".png")[0]
    plain = camera_photo(turn=1)
    for marker in (0xEE, 0xEB):
        segment = bytes([0xFF, marker]) + (len(secret) + 2).to_bytes(2, "big") + secret
        assert secret not in without_location(plain[:2] + segment + plain[2:], ".jpg")[0]


def test_a_thumbnail_of_sixteen_bit_grey_is_grey(shop, tmp_path):
    Image.fromarray(np.full((60, 80), 30000, np.uint16)).save(tmp_path / "grey.png")
    small = Image.open(shop.thumbnail(shop.add_photo("T-001.1", tmp_path / "grey.png").id, 32))
    assert np.asarray(small).mean() == pytest.approx(30000 / 257, abs=2)


@pytest.mark.parametrize(
    ("kind", "brightest"),
    [("float32", 1), ("float32", 255), ("float32", 65535), ("int32", 65535), ("int32", 255), (">u2", 65535)],
)
def test_a_deep_tiff_is_shown_and_copied_as_bright_as_it_is(shop, tmp_path, kind, brightest):
    grey = np.full((60, 80), 0.2)
    grey[10:40, 20:60] = 1.0
    tifffile.imwrite(tmp_path / "deep.tif", (grey * brightest).astype(kind), byteorder=">" if kind == ">u2" else "<")
    photo = shop.add_photo("T-001.1", tmp_path / "deep.tif")
    small = Image.open(shop.thumbnail(photo.id, 80)).convert("L")
    assert small.getpixel((40, 25)) == pytest.approx(255, abs=6)
    assert small.getpixel((70, 50)) == pytest.approx(51, abs=6)
    (copy,) = (shop.export(tmp_path / "out") / "photos").iterdir()
    # as Pillow's own reading of the copy gives it, of 65535
    assert np.asarray(Image.open(copy)) == pytest.approx(65535 * grey, abs=1)


def test_a_heic_photo_is_copied_as_a_fine_jpeg_without_place():
    heif = pytest.importorskip("pillow_heif")
    heif.register_heif_opener()
    data = camera_photo("HEIF", turn=1)
    copy, ending = without_location(data, ".heic")
    assert ending == ".jpg"
    assert notes_of(copy).get_ifd(GPS) == {}
    assert Image.open(io.BytesIO(copy)).size == (160, 96)


def test_an_export_restores_with_its_photos_and_without_their_place(shop, file, tmp_path):
    photo = shop.add_photo("T-001.1", file, view="top")
    folder = shop.export(tmp_path / "out")
    told = json.loads((folder / "manifest.json").read_text())["photos"]
    copy = folder / told[photo.sha256]["file"]
    assert told[photo.sha256]["sha256"] == copy.stem != photo.sha256
    assert notes_of(copy.read_bytes()).get_ifd(GPS) == {}
    assert notes_of(copy.read_bytes())[ORIENTATION] == 6
    again = Logbook.restore(folder, to=tmp_path / "again.db")
    assert again.get(photo.id) == photo
    assert again.photo_path(photo.id).read_bytes() == copy.read_bytes()
    second = again.export(tmp_path / "second")
    files = {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    assert {p.relative_to(second): p.read_bytes() for p in second.rglob("*") if p.is_file()} == files


def test_a_changed_or_missing_copy_stops_a_restore(shop, file, tmp_path):
    shop.add_photo("T-001.1", file)
    folder = shop.export(tmp_path / "out")
    (copy,) = (folder / "photos").iterdir()
    copy.write_bytes(copy.read_bytes() + b"x")
    with pytest.raises(InputError, match="changed since it was exported"):
        Logbook.restore(folder, to=tmp_path / "again.db")
    copy.unlink()
    with pytest.raises(InputError, match="is missing from the export"):
        Logbook.restore(folder, to=tmp_path / "again.db")
    assert not (tmp_path / "again.db").exists()


@pytest.fixture
def spoiled(shop, tmp_path):
    """A logbook with one whole photo, one that is missing and one that is damaged."""
    kept = []
    for number, trial in enumerate(("T-001.1", "T-001.2", "T-001.2")):
        path = tmp_path / f"{number}.png"
        Image.new("RGB", (8, 8 + number)).save(path)
        kept.append(shop.photo_path(shop.add_photo(trial, path).id))
    kept[1].unlink()
    kept[2].chmod(0o644)
    kept[2].write_bytes(b"spoiled")
    return shop


def test_lost_photos_do_not_stop_an_export_and_are_named_in_it(spoiled, tmp_path):
    with pytest.warns(CastlabWarning) as told:
        folder = spoiled.export(tmp_path / "out")
    assert len(told) == 1
    assert "P-001.2.1 (1.png): missing; P-001.2.2 (2.png): damaged" in str(told[0].message)
    manifest = json.loads((folder / "manifest.json").read_text())
    assert manifest["lost_photos"] == [
        {"photo": "P-001.2.1", "what": "1.png", "how": "missing"},
        {"photo": "P-001.2.2", "what": "2.png", "how": "damaged"},
    ]
    assert list(manifest["photos"]) == [spoiled.get("P-001.1.1").sha256]
    assert len(list((folder / "photos").iterdir())) == 1
    assert "P-001.2.1" in (folder / "photo.csv").read_text()


def test_a_restore_says_what_was_lost_before_and_a_photo_added_again_is_whole(spoiled, tmp_path):
    with pytest.warns(CastlabWarning, match="whole but for"):
        folder = spoiled.export(tmp_path / "out")
    with pytest.warns(CastlabWarning, match=r"restored, but .* P-001\.2\.1 \(1\.png\): missing; P-001\.2\.2"):
        again = Logbook.restore(folder, to=tmp_path / "again.db")
    assert [p.id for p in again.photos()] == ["P-001.1.1", "P-001.2.1", "P-001.2.2"]
    assert again.photo_path("P-001.1.1").exists()
    with pytest.raises(LogbookError, match="put its file back"):
        again.photo_path("P-001.2.1")
    for number in (1, 2):
        again.add_photo("T-001.2", tmp_path / f"{number}.png")
    assert len(again.photos()) == 3
    assert again.photo_path("P-001.2.2").read_bytes() == (tmp_path / "2.png").read_bytes()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        again.export(tmp_path / "second")


def test_the_last_copy_of_a_lost_photo_is_kept_from_the_export_that_is_replaced(shop, file, tmp_path):
    photo = shop.add_photo("T-001.1", file)
    folder = shop.export(tmp_path / "out")
    (copy,) = (folder / "photos").iterdir()
    content = copy.read_bytes()
    shop.photo_path(photo.id).unlink()
    with pytest.warns(CastlabWarning, match="missing; its copy is kept from the earlier export"):
        shop.export(folder)
    assert copy.read_bytes() == content
    with pytest.warns(CastlabWarning, match="its copy is kept"):
        again = Logbook.restore(folder, to=tmp_path / "again.db")
    assert again.photo_path(photo.id).read_bytes() == content
    copy.write_bytes(b"changed")
    with pytest.warns(CastlabWarning, match=r"missing\. Add"):
        shop.export(folder)


def test_a_photo_whose_place_cannot_be_taken_out_is_not_copied_and_named(shop, tmp_path, monkeypatch):

    def unreadable(_data, _suffix):
        raise LogbookError("a marker is missing")

    Image.new("RGB", (8, 8)).save(tmp_path / "odd.png")
    shop.add_photo("T-001.1", tmp_path / "odd.png")
    monkeypatch.setattr(photos, "without_location", unreadable)
    with pytest.warns(CastlabWarning, match="of a structure that cannot be followed"):
        folder = shop.export(tmp_path / "out")
    assert list((folder / "photos").iterdir()) == []


def test_a_withdrawn_photo_that_is_lost_is_no_matter(spoiled, tmp_path):
    for photo in ("P-001.2.1", "P-001.2.2"):
        spoiled.correct(photo, why="file lost", withdrawn=True)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert (spoiled.export(tmp_path / "out") / "photo.csv").exists()


def test_of_many_lost_photos_a_warning_names_ten_and_the_manifest_all():
    lost = [{"photo": f"P-001.1.{n}", "what": "x.jpg", "how": "missing"} for n in range(1, 14)]
    told = exchange_photos.restored_without(exchange_photos.in_words(lost))
    assert "P-001.1.10 (x.jpg): missing; and 3 more" in told
    assert "P-001.1.11" not in told


def test_a_name_that_is_no_checksum_finds_nothing(tmp_path):
    with pytest.raises(LogbookError, match="is not in"):
        PhotoStore(tmp_path).path("../../etc/passwd")


@pytest.mark.postgres
def test_a_logbook_on_a_server_keeps_its_photos_in_the_folder_it_was_told(postgres_url, file, tmp_path):
    with Logbook.open(postgres_url, who="Ada") as book:
        book.add(Batch())
        book.add(Trial(batch_id="B-001"))
        assert book.photo_folder is None
        with pytest.raises(InputError, match=r"server, which holds no photos.*photo_folder='/a/shared/folder'"):
            book.add_photo("T-001.1", file)
        assert book.photos() == []
    with pytest.raises(InputError, match=r"photo_folder is 'photos'; accepted: the whole path"):
        Logbook.open(postgres_url, photo_folder="photos")
    Logbook.open(postgres_url, photo_folder=tmp_path / "shared").close()
    with Logbook.open(postgres_url, who="Noor") as book:  # it is remembered
        photo = book.add_photo("T-001.1", file)
        assert book.photo_path(photo.id).is_relative_to(tmp_path / "shared")
        assert book.thumbnail(photo.id).is_relative_to(tmp_path / "shared")
        assert book.photo_path(photo.id).read_bytes() == file.read_bytes()


@pytest.mark.postgres
def test_photos_move_between_a_server_and_a_file_with_an_export(shop, file, postgres_url, tmp_path):
    photo = shop.add_photo("T-001.1", file)
    folder = shop.export(tmp_path / "from file")
    with pytest.raises(InputError, match=r"Logbook\.restore\(\.\.\., photo_folder="):
        Logbook.restore(folder, to=postgres_url)
    with Logbook.open(postgres_url) as nothing:
        assert nothing.records("batch") == []
    with Logbook.restore(folder, to=postgres_url, photo_folder=tmp_path / "shared") as server:
        assert server.get(photo.id) == photo
        copy = server.photo_path(photo.id).read_bytes()
        assert server.photo_path(photo.id).is_relative_to(tmp_path / "shared")
        out = server.export(tmp_path / "from server")
    with Logbook.restore(out, to=tmp_path / "again.db") as again:
        assert again.photo_path(photo.id).is_relative_to(tmp_path / "again.db.photos")
        assert again.photo_path(photo.id).read_bytes() == copy
        second = again.export(tmp_path / "second")
    files = {p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file()}
    assert {p.relative_to(second): p.read_bytes() for p in second.rglob("*") if p.is_file()} == files


@pytest.mark.postgres
def test_photos_on_a_server_whose_folder_is_not_there_do_not_stop_its_export(postgres_url, file, tmp_path):
    with Logbook.open(postgres_url, who="Ada", photo_folder=tmp_path / "shared") as book:
        book.add(Batch())
        book.add(Trial(batch_id="B-001"))
        book.add_photo("T-001.1", file)
        (tmp_path / "shared").rename(tmp_path / "elsewhere")
        with pytest.warns(CastlabWarning, match=r"P-001\.1\.1 \(from camera\.jpg\): missing"):
            out = book.export(tmp_path / "out")
    assert json.loads((out / "manifest.json").read_text())["photos"] == {}


def test_a_logbook_file_keeps_its_photos_beside_it_and_nowhere_else(shop, tmp_path):
    assert shop.photo_folder == tmp_path / "shop.db.photos"
    with pytest.raises(InputError, match="photo_folder is for a database server"):
        Logbook.open(tmp_path / "shop.db", photo_folder=tmp_path / "other")


@pytest.mark.parametrize("size", [0, -5, "x", 64.5, True, 100_000])
def test_a_thumbnail_of_no_size_is_refused(shop, file, size):
    photo = shop.add_photo("T-001.1", file)
    with pytest.raises(InputError, match="whole number of pixels from 16"):
        shop.thumbnail(photo.id, size)


def test_bytes_are_no_path_of_a_photo(shop, file):
    with pytest.raises(InputError, match="a bytes is no path of a photo"):
        shop.add_photo("T-001.1", file.read_bytes())
