"""Copies of photos without what says where they were taken: notes of the camera out, picture and orientation as they were.

JPEG and PNG are taken apart by their own structure, so that the picture is not compressed again (ISO/IEC 10918-1, annex B;
PNG specification, W3C, section 5). TIFF becomes PNG, HEIC becomes JPEG. A copy of a copy is the same byte for byte.
"""

from __future__ import annotations

import io
import struct
import zlib

from castlab.errors import LogbookError
from castlab.records.picture_files import is_deep, opened, sixteen_bit

_ORIENTATION = 0x0112
_PNG = b"\x89PNG\r\n\x1a\n"
_PICTURE_CHUNKS = (
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"cHRM", b"gAMA", b"iCCP", b"sBIT", b"sRGB", b"cICP", b"bKGD", b"pHYs",
)  # fmt: skip
"""Those of PNG that picture and colours need. Whatever else there is, known or not, may say where it was taken."""


def without_location(data: bytes, suffix: str) -> tuple[bytes, str]:
    """A picture without its metadata but for orientation and colour profile, and the ending of its file.

    Raises
    ------
    LogbookError
        If the file's structure cannot be followed, so that nobody can say that it holds no place.
    """
    try:
        if data.startswith(b"\xff\xd8"):
            return _jpeg(data), ".jpg"
        if data.startswith(_PNG):
            return _png(data), ".png"
        return _again(data, suffix)
    except (struct.error, IndexError, OSError, ValueError) as exc:
        raise LogbookError(
            f"the location data of a {suffix} photo could not be taken out ({exc}); it was not copied"
        ) from exc


def _orientation(data: bytes) -> int:
    told = opened(data, "the photo").getexif().get(_ORIENTATION, 1)
    return told if isinstance(told, int) and 1 <= told <= 8 else 1


def _exif(orientation: int) -> bytes:
    """The smallest block of camera notes that says which way is up (Exif 2.3: one entry, little-endian)."""
    return b"II*\0" + struct.pack("<IHHHIHHI", 8, 1, _ORIENTATION, 3, 1, orientation, 0, 0)


def _jpeg(data: bytes) -> bytes:
    kept, place = [b"\xff\xd8"], 2
    if (turn := _orientation(data)) != 1:
        block = b"Exif\0\0" + _exif(turn)
        kept.append(b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block)
    while True:
        while data[place] == 0xFF and data[place + 1] == 0xFF:  # fill bytes
            place += 1
        if data[place] != 0xFF:
            raise ValueError("a marker is missing")
        marker = data[place + 1]
        if marker == 0xD9:  # the end of the picture; further pictures of the same file are left out
            return b"".join([*kept, b"\xff\xd9"])
        end = place + 2 + struct.unpack(">H", data[place + 2 : place + 4])[0]
        segment = data[place:end]
        kept.append(_of_picture(marker, segment))
        place = end
        if marker == 0xDA:
            place = _after_scan(data, end)
            kept.append(data[end:place])


def _of_picture(marker: int, segment: bytes) -> bytes:
    """What a segment says of the picture and its colours: no comment, and no application's notes but the heads of JFIF
    (without its small picture) and Adobe's, and the colour profile."""
    if 0xC0 <= marker <= 0xCF or 0xDA <= marker <= 0xDF:
        return segment
    if marker == 0xDB or (marker == 0xE2 and segment[4:16] == b"ICC_PROFILE\0"):
        return segment
    if marker == 0xE0 and segment[4:9] == b"JFIF\0" and len(segment) >= 18:
        return b"\xff\xe0\x00\x10" + segment[4:16] + b"\0\0"
    if marker == 0xEE and segment[4:9] == b"Adobe" and len(segment) >= 16:
        return b"\xff\xee\x00\x0e" + segment[4:16]
    return b""


def _after_scan(data: bytes, place: int) -> int:
    """Where the coded picture ends: at the next marker that is no restart and no stuffed byte."""
    while True:
        place = data.index(b"\xff", place)
        if data[place + 1] == 0 or 0xD0 <= data[place + 1] <= 0xD7:
            place += 2
        elif data[place + 1] == 0xFF:
            place += 1
        else:
            return place


def _png(data: bytes) -> bytes:
    kept, place, turn = [_PNG], len(_PNG), _orientation(data)
    while True:
        length = struct.unpack(">I", data[place : place + 4])[0]
        name, chunk = data[place + 4 : place + 8], data[place : place + 12 + length]
        if len(chunk) != 12 + length:
            raise ValueError("it is cut short")
        if name in _PICTURE_CHUNKS:
            kept.append(chunk)
        if name == b"IHDR" and turn != 1:
            block = b"eXIf" + _exif(turn)
            kept.append(struct.pack(">I", len(block) - 4) + block + struct.pack(">I", zlib.crc32(block)))
        if name == b"IEND":
            return b"".join(kept)
        place += 12 + length


def _again(data: bytes, suffix: str) -> tuple[bytes, str]:
    """Other formats are written anew, upright: TIFF as PNG without loss (floats in 16 bit), HEIC as a fine JPEG."""
    from PIL import ImageOps

    picture = ImageOps.exif_transpose(opened(data, f"the {suffix} photo"))
    profile = picture.info.get("icc_profile")
    picture.info.clear()
    buffer = io.BytesIO()
    if suffix == ".heic":
        picture.convert("RGB").save(buffer, "JPEG", quality=95, icc_profile=profile)
        return _jpeg(buffer.getvalue()), ".jpg"
    if is_deep(picture):
        picture = sixteen_bit(picture)
    mode = picture.mode if picture.mode in {"1", "L", "LA", "P", "RGB", "RGBA", "I;16"} else "RGB"
    picture.convert(mode).save(buffer, "PNG", icc_profile=profile)
    return _png(buffer.getvalue()), ".png"
