"""Reading a photo: a path, bytes, an array or a Pillow image becomes one plane of light from 0 to 1, upright.

Everything that can be wrong with a picture is found here and said in one sentence. Nothing here looks for bubbles.
"""

from __future__ import annotations

import contextlib
import io
import os
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from castlab.errors import InputError
from castlab.records.picture_files import MOST_PIXELS, know_heic

if TYPE_CHECKING:
    from PIL.Image import Image

Picture = "str | os.PathLike[str] | bytes | np.ndarray | Image"

FEWEST_PIXELS = 16
"""A picture narrower or lower than this shows nothing to count."""
_OF_EQUALS = ("GIF", "PNG", "WEBP", "TIFF")
"""Kinds of file in which several pictures stand side by side; in a phone's files a preview or depths go with the first."""
KINDS = "JPEG, PNG, TIFF, HEIC, BMP or WebP"
_TURNS: dict[int, Callable[[np.ndarray], np.ndarray]] = {
    2: lambda seen: seen[:, ::-1],
    3: lambda seen: seen[::-1, ::-1],
    4: lambda seen: seen[::-1],
    5: lambda seen: seen.swapaxes(0, 1),
    6: lambda seen: seen.swapaxes(0, 1)[:, ::-1],
    7: lambda seen: seen.swapaxes(0, 1)[::-1, ::-1],
    8: lambda seen: seen.swapaxes(0, 1)[::-1],
}
"""What makes a picture upright, by its orientation tag (TIFF 6.0, page 36)."""
_ORIENTATION = 274


def read_colours(image: Any) -> np.ndarray:
    """The picture upright, as rows x columns x 3 of red, green and blue from 0 to 1 (float32).

    Parameters
    ----------
    image
        A path, the bytes of a file, an array (rows x columns, or x 3 or x 4; 8 or 16 bit, or floats from 0 to 1),
        or a Pillow image. The orientation a camera noted (EXIF) is applied.

    Raises
    ------
    InputError
        If it is no picture, is cut short, is too large to decode safely or too small to show anything.

    Examples
    --------
    >>> read_colours(np.zeros((20, 30), np.uint8)).shape
    (20, 30, 3)
    """
    return floats(read(image))


def read(image: Any) -> np.ndarray:
    """The same as `read_colours`, but in 8 bit (0 to 255) what comes in 8 bit: a quarter of the memory."""
    colours = _from_array(image if isinstance(image, np.ndarray) else _decoded(image))
    if min(colours.shape[:2]) < FEWEST_PIXELS:
        rows, columns = colours.shape[:2]
        raise InputError(
            f"the picture is {columns} x {rows} pixels, too small to show bubbles; at least {FEWEST_PIXELS} each way"
        )
    return colours


def floats(colours: np.ndarray) -> np.ndarray:
    """What `read` gives, from 0 to 1 (float32)."""
    return colours * np.float32(1 / 255) if colours.dtype == np.uint8 else colours


def eight_bit(colours: np.ndarray) -> np.ndarray:
    """A copy of what `read` gives as 0 to 255, without a second large array; a hair more than 255, so that what was read
    from 8 bits comes back."""
    if colours.dtype == np.uint8:
        return colours.copy()
    return np.multiply(colours, np.float32(255.01), out=np.empty(colours.shape, np.uint8), casting="unsafe")


def light(colours: np.ndarray) -> np.ndarray:
    """One plane in which things stand out best: the mix of red, green and blue that varies most from place to place.

    `colours` as from `read` or `read_colours`; the plane is from 0 to 1 (float32).
    """
    step = max(1, int(np.sqrt(colours.shape[0] * colours.shape[1] / 200_000)))
    some = floats(colours[::step, ::step])
    near = [np.diff(some, axis=axis).reshape(-1, 3) for axis in (0, 1)]
    spread = np.cov(np.concatenate(near).T) + 1e-12 * np.eye(3)
    # white glass shows in all colours alike: a mix that sets one colour against another is not followed
    first = np.linalg.eigh(spread)[1][:, -1]
    first = np.maximum(first * np.sign(first.sum()), 0.05)
    shares = (first / first.sum() / (255 if colours.dtype == np.uint8 else 1)).astype(np.float32)
    mixed = np.multiply(colours[..., 0], shares[0], dtype=np.float32)
    for n in (1, 2):
        mixed += np.multiply(colours[..., n], shares[n], dtype=np.float32)
    return mixed


def _decoded(image: Any) -> np.ndarray:
    from PIL import Image, ImageOps, UnidentifiedImageError

    know_heic()
    name = "the picture"
    try:
        with warnings.catch_warnings(), contextlib.ExitStack() as files:
            # of large pictures, which are refused below, and of odd notes of the camera
            warnings.simplefilter("ignore")
            if isinstance(image, Image.Image):
                opened = image
            elif isinstance(image, bytes | bytearray | memoryview):
                opened = Image.open(io.BytesIO(bytes(image)))
            elif isinstance(image, str | os.PathLike):
                name = f"'{Path(image).name}'"
                # an open file, since Pillow turns some TIFF files twice when it maps a path into memory itself
                opened = Image.open(files.enter_context(Path(image).open("rb")))
            else:
                raise InputError(
                    f"a {type(image).__name__} is not a picture; accepted: a path, bytes, an array or a Pillow image"
                )
            if opened.width * opened.height > MOST_PIXELS:
                raise _too_large(name, opened.width, opened.height)
            if opened.format in _OF_EQUALS and getattr(opened, "n_frames", 1) > 1:
                raise InputError(
                    f"{name} holds {opened.n_frames} pictures; save the one that is meant as a file of its own"  # type: ignore[attr-defined]
                )
            upright = ImageOps.exif_transpose(opened)
            return _plain(upright)
    except InputError:
        raise
    except FileNotFoundError as error:
        raise InputError(f"there is no file {name}; give the path of a photo") from error
    except (IsADirectoryError, PermissionError) as error:
        raise InputError(f"{name} is no file that can be read ({error.strerror}); give the path of a photo") from error
    except Image.DecompressionBombError as error:
        raise InputError(
            f"{name} claims more pixels than can be read safely (limit {MOST_PIXELS / 1e6:.0f} megapixels); "
            "give a smaller picture"
        ) from error
    except UnidentifiedImageError as error:
        if _is_tiff(image):
            return _odd_tiff(image, name)
        raise InputError(f"{name} is not a picture that can be read; accepted: {KINDS}") from error
    except (OSError, SyntaxError, ValueError, EOFError, MemoryError) as error:
        raise InputError(
            f"{name} cannot be decoded, it may be cut short ({' '.join(str(error).split())}); copy it anew"
        ) from error


def _is_tiff(image: Any) -> bool:
    """Whether what holds no picture that Pillow knows begins as a TIFF does (little and big end first, and both large)."""
    if isinstance(image, str | os.PathLike):
        with Path(image).open("rb") as file:
            start = file.read(4)
    else:
        start = bytes(image[:4])
    return start in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def _odd_tiff(image: Any, name: str) -> np.ndarray:
    """Upright pixels of a TIFF that Pillow does not know, such as 64-bit floats or floats in colour of a scientific camera."""
    import tifffile

    try:
        with tifffile.TiffFile(
            io.BytesIO(bytes(image)) if isinstance(image, bytes | bytearray | memoryview) else Path(image)
        ) as file:
            if len(file.pages) != 1:
                raise InputError(
                    f"{name} holds {len(file.pages)} pictures; save the one that is meant as a file of its own"
                )
            page: Any = file.pages[0]
            if page.imagewidth * page.imagelength > MOST_PIXELS:
                raise _too_large(name, page.imagewidth, page.imagelength)
            pixels = page.asarray()
            turned = page.tags.valueof(_ORIENTATION, 1)
    except InputError:
        raise
    except Exception as error:  # what it raises for damaged files is of many kinds
        raise InputError(
            f"{name} is a TIFF that cannot be decoded ({' '.join(str(error).split())}); accepted: 8 or 16 bit, or floats from 0 to "
            "1, 255 or 65535, plain or packed by deflate"
        ) from error
    if pixels.ndim == 3 and page.planarconfig == tifffile.PLANARCONFIG.SEPARATE:
        pixels = np.moveaxis(pixels, 0, -1)
    return _TURNS.get(turned, lambda seen: seen)(pixels)


def _too_large(name: str, width: int, height: int) -> InputError:
    return InputError(
        f"{name} claims {width} x {height} pixels, more than can be read safely "
        f"(limit {MOST_PIXELS / 1e6:.0f} megapixels); give a smaller picture"
    )


def _plain(picture: Image) -> np.ndarray:
    """Pixels as an array; palettes, transparency and odd modes made plain first."""
    if picture.mode in ("RGB", "L", "F") or picture.mode.startswith("I"):
        return np.asarray(picture)
    if picture.mode in ("LA", "La"):
        return np.asarray(picture.convert("LA"))[..., 0]
    return np.asarray(picture.convert("RGB"))


def _from_array(pixels: np.ndarray) -> np.ndarray:
    shape = pixels.shape
    if np.ma.is_masked(pixels):
        raise InputError("the array has masked pixels; give it whole, and what part counts as region=")
    pixels = np.asarray(pixels)
    if pixels.ndim == 3 and shape[2] == 1:
        pixels = pixels[..., 0]
    if not (pixels.ndim == 2 or (pixels.ndim == 3 and shape[2] in (3, 4))) or 0 in shape:
        raise InputError(
            f"an array of shape {shape} is not a picture; accepted: rows x columns, or rows x columns x 3 or 4 colours"
        )
    if pixels.shape[0] * pixels.shape[1] > MOST_PIXELS:
        raise _too_large("the array", shape[1], shape[0])
    plain = pixels if pixels.ndim == 2 else pixels[..., :3]
    if pixels.dtype == np.uint8:
        return _in_three(plain)
    if pixels.dtype == bool:
        scale = 1.0
    elif pixels.dtype.kind in "iu":
        top = int(pixels.max())
        if int(pixels.min()) < 0:
            raise InputError(
                "the picture has negative pixels, or 32-bit ones; accepted: 8 or 16 bit, or floats from 0 to 1"
            )
        if top > 65535:
            raise InputError(f"the picture has pixels up to {top}; accepted: 8 or 16 bit, or floats from 0 to 1")
        scale = float(np.iinfo(pixels.dtype).max) if pixels.dtype.itemsize <= 2 else (65535.0 if top > 255 else 255.0)
    elif pixels.dtype.kind == "f":
        if not np.isfinite(pixels).all():
            raise InputError("the picture has pixels that are not numbers; accepted: floats from 0 to 1")
        darkest, brightest = float(pixels.min()), float(pixels.max())
        # a little beyond the ends comes from sharpening and resampling
        if darkest < -0.1 * brightest or darkest < 0 >= brightest or brightest > 1.1 * 65535:
            raise InputError(
                f"the picture has pixels from {darkest:.3g} to {brightest:.3g}; accepted: 8 or 16 bit, or floats from 0 to 1"
            )
        scale = 1.0 if brightest <= 1.0 else (255.0 if brightest <= 255.0 else 65535.0)
    else:
        raise InputError(f"pixels of type {pixels.dtype} are not light; accepted: 8 or 16 bit, or floats from 0 to 1")
    plain = plain.astype(np.float32)
    plain *= np.float32(1 / scale)
    return _in_three(plain)


def _in_three(plain: np.ndarray) -> np.ndarray:
    """A grey plane as red, green and blue."""
    return np.repeat(plain[..., None], 3, axis=2) if plain.ndim == 2 else plain
