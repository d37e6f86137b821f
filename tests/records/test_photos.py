"""Photos stay as they came, are checked when read, and leave the logbook without the place where they were taken."""

from __future__ import annotations

import io
import json
import os
import stat
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, TiffImagePlugin

from castlab import Batch, Logbook, Trial
from castlab.errors import InputError, LogbookError, NotFoundError
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
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1000)
    with pytest.raises(InputError, match="larger than any photo"):
        shop.add_photo("T-001.1", file)


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


def test_a_lost_photo_stops_an_export_until_its_record_is_withdrawn(shop, file, tmp_path):
    photo = shop.add_photo("T-001.1", file)
    shop.photo_path(photo.id).unlink()
    with pytest.raises(LogbookError, match="withdraw the record"):
        shop.export(tmp_path / "out")
    shop.correct(photo.id, why="file lost", withdrawn=True)
    assert (shop.export(tmp_path / "out") / "photo.csv").exists()


def test_a_name_that_is_no_checksum_finds_nothing(tmp_path):
    with pytest.raises(LogbookError, match="is not in"):
        PhotoStore(tmp_path).path("../../etc/passwd")
