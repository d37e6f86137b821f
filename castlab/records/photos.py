"""Photos beside the logbook: originals by their checksum, never altered; copies without location data; thumbnails.

A folder holds `ab/abcdef....jpg` (the first two signs of the SHA-256 of the content, then all of it), `marks/` (what was
marked by hand), `thumbnails/` (may be deleted at any time) and, after a restore, `copies.json`. An export holds copies without location data, whose checksums
differ from the originals'; the records keep naming the original. `copies.json` maps original to copy, so that a restored
logbook finds and checks its copies, and says so when an original is asked for that it never had.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from castlab.errors import InputError, LogbookError, LostPhotoError
from castlab.records.picture_files import is_deep, opened, sixteen_bit
from castlab.records.stripping import without_location

if TYPE_CHECKING:
    from PIL.Image import Image

COPIES = "copies.json"


def sha256(data: bytes) -> str:
    """The checksum under which content is kept."""
    return hashlib.sha256(data).hexdigest()


def _eight_bit(picture: Image) -> Image:
    if not is_deep(picture):
        return picture
    return sixteen_bit(picture).convert("I").point(lambda grey: grey / 257).convert("L")


class PhotoStore:
    """The photos of one logbook in one folder, made when the first is put in."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, data: bytes, suffix: str) -> str:
        """Keep content, once however often it comes; durable when the checksum is returned.

        Raises
        ------
        LogbookError
            If it cannot be written; nothing was kept.
        """
        key = sha256(data)
        try:
            found = self._find(key)
            if found is None or sha256(found.read_bytes()) != key:
                self._write(found or self.folder / key[:2] / f"{key}{suffix}", data, mode=0o444)
        except OSError as exc:
            raise LogbookError(
                f"{self.folder}: the photo could not be kept ({exc.strerror}); nothing was logged"
            ) from exc
        return key

    def path(self, key: str) -> Path:
        """The file of a photo, its content checked against its checksum.

        Raises
        ------
        LostPhotoError
            If the file is missing or was changed.
        """
        wanted = self.copies().get(key, key) if self._find(key) is None else key
        found = self._find(wanted)
        if found is None:
            raise LostPhotoError(
                f"the photo {key[:12]}... is not in {self.folder}: put its file back from a copy of that folder, or withdraw "
                "the record of the photo",
                how="missing",
            )
        try:
            damaged = sha256(found.read_bytes()) != wanted
        except OSError as exc:
            raise LostPhotoError(f"the photo {found} cannot be read ({exc.strerror})", how="unreadable") from exc
        if damaged:
            raise LostPhotoError(
                f"the photo {found} is damaged or was changed (its checksum differs): put the file back from a copy, or "
                "withdraw the record of the photo",
                how="damaged",
            )
        return found

    def thumbnail(self, key: str, size: int) -> Path:
        """A small JPEG of a photo, upright and without the camera's notes; made when first asked for."""
        from PIL import ImageOps

        if isinstance(size, bool) or not isinstance(size, int) or not 16 <= size <= 4096:
            raise InputError(f"size is {size!r}; accepted: a whole number of pixels from 16 to 4096")
        target = self.folder / "thumbnails" / f"{key}-{size}.jpg"
        if not target.exists():
            original = self.path(key)
            picture = opened(original.read_bytes(), original.name)
            picture.draft("RGB", (2 * size, 2 * size))
            small = _eight_bit(ImageOps.exif_transpose(picture)).convert("RGB")
            small.thumbnail((size, size))
            small.info.clear()
            buffer = io.BytesIO()
            small.save(buffer, "JPEG", quality=85)
            try:
                self._write(target, buffer.getvalue(), mode=0o644)
            except OSError as exc:
                raise LogbookError(f"{target} could not be written ({exc.strerror})") from exc
        return target

    def copy(self, key: str) -> tuple[str, bytes]:
        """File name (by its own checksum) and content of a copy without location data, for exports and reports.

        Raises
        ------
        LostPhotoError
            If the file is missing or was changed, or nobody can say that the copy holds no place.
        """
        original = self.path(key)
        try:
            data, suffix = without_location(original.read_bytes(), original.suffix)
        except OSError as exc:
            raise LostPhotoError(f"the photo {original} cannot be read ({exc.strerror})", how="unreadable") from exc
        except LogbookError as exc:
            raise LostPhotoError(str(exc), how="of a structure that cannot be followed") from exc
        return f"{sha256(data)}{suffix}", data

    def restore(self, key: str, data: bytes, suffix: str) -> None:
        """Keep the copy of a photo that came with an export, under the original's name where they differ."""
        kept = self.put(data, suffix)
        if kept != key:
            known = json.dumps(self.copies() | {key: kept}, indent=1, sort_keys=True)
            self._write(self.folder / COPIES, known.encode("utf-8"), mode=0o644)

    def marks(self, key: str) -> Path:
        """The folder of what was marked by hand in a photo: a file each, by its own checksum."""
        return self.folder / "marks" / key

    def keep_marks(self, key: str, text: str) -> str:
        """Keep what was marked by hand in a photo, once however often it comes; returns its checksum.

        Raises
        ------
        LogbookError
            If it cannot be written; nothing was kept.
        """
        data = text.encode("utf-8")
        name = sha256(data)
        try:
            self._write(self.marks(key) / f"{name}.json", data, mode=0o644)
        except OSError as exc:
            raise LogbookError(
                f"{self.folder}: the marks could not be kept ({exc.strerror}); nothing was logged"
            ) from exc
        return name

    def copies(self) -> dict[str, str]:
        """Checksum of an original that is not here -> that of the copy that stands for it."""
        file = self.folder / COPIES
        if not file.exists():
            return {}
        try:
            told: dict[str, str] = json.loads(file.read_text(encoding="utf-8"))
        except (OSError, ValueError) as exc:
            raise LostPhotoError(
                f"{file} cannot be read ({exc}); restore the export again into a new logbook",
                how=f"missing from {COPIES}",
            ) from exc
        return told

    def _find(self, key: str) -> Path | None:
        if not re.fullmatch(r"[0-9a-f]{64}", key):
            return None
        return next(iter(sorted((self.folder / key[:2]).glob(f"{key}.*"))), None)

    def _write(self, target: Path, data: bytes, *, mode: int) -> None:
        """Whole or not at all: a temporary file, flushed to disk, then renamed."""
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".new-", dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            Path(name).chmod(mode)
            Path(name).replace(target)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
        if os.name == "posix":
            folder = os.open(target.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
