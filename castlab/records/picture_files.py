"""Picture files as they come from a camera: which kinds are kept, opening them safely, when they were taken."""

from __future__ import annotations

import io
import warnings
from datetime import datetime
from typing import TYPE_CHECKING, Any

from castlab.errors import InputError

if TYPE_CHECKING:
    from PIL.Image import Image

SUFFIXES = {"JPEG": ".jpg", "MPO": ".jpg", "PNG": ".png", "TIFF": ".tif", "HEIF": ".heic"}
"""Formats that are kept, as Pillow names them, and the ending of their files."""
MOST_PIXELS = 120_000_000
"""Larger pictures are refused before they are decoded: a phone's largest has 50 to 108 megapixels."""
_TAKEN, _EXIF_PART = 0x9003, 0x8769


def opened(data: bytes, name: str) -> Image:
    """The picture in these bytes, opened and not yet decoded.

    Raises
    ------
    InputError
        If it is no picture of a kind that is kept, cut short, or too large to be one.
    """
    from PIL import Image, UnidentifiedImageError

    know_heic()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of odd notes of the camera and of large pictures, which are refused here
            picture = Image.open(io.BytesIO(data))
            if picture.width * picture.height > MOST_PIXELS:
                raise Image.DecompressionBombError
            if picture.format in SUFFIXES:
                picture.load()
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError):
        raise InputError(
            f"{name} is not a whole picture; accepted: JPEG, PNG, TIFF (8 or 16 bit, or 32-bit floats in grey) or HEIC files"
        ) from None
    except Image.DecompressionBombError:
        raise InputError(f"{name} claims to be larger than any photo; it was not opened") from None
    if picture.format not in SUFFIXES:
        raise InputError(f"{name} is a {picture.format} file; accepted: JPEG, PNG, TIFF or HEIC")
    return picture


def taken_at(picture: Image) -> datetime | None:
    """When the camera says it was taken, by its own clock."""
    told = picture.getexif().get_ifd(_EXIF_PART).get(_TAKEN)
    try:
        return datetime.strptime(str(told).strip(), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None


def sixteen_bit(picture: Image) -> Image:
    """Grey of 16 or 32 bit or in floats as plain 16 bit; Pillow's own conversions cut it off at 255."""
    import numpy as np
    from PIL import Image

    pixels = np.asarray(picture)
    if pixels.dtype.itemsize > 2:
        brightest = float(pixels.max())
        top = 1.0 if brightest <= 1 and picture.mode == "F" else 255.0 if brightest <= 255 else 65535.0
        pixels = np.clip(np.rint(pixels * (65535 / top)), 0, 65535)
    return Image.fromarray(pixels.astype(np.uint16))


def is_deep(picture: Image) -> bool:
    """Whether it holds grey of more than 8 bit."""
    return picture.mode == "F" or picture.mode.startswith("I")


def know_heic() -> None:
    """Let Pillow read HEIC, where the library for it is installed; else such a file is no picture that can be read."""
    try:
        import pillow_heif
    except ImportError:
        return
    register: Any = pillow_heif.register_heif_opener
    register()
