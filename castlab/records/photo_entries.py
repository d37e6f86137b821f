"""Photos in a logbook: logged as records, their files beside it. How files are kept is in `castlab.records.photos`."""

from __future__ import annotations

import warnings
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from castlab.errors import CastlabWarning, InputError, NotFoundError
from castlab.records.entries import Entries

if TYPE_CHECKING:
    from castlab.records.models import Photo
    from castlab.records.photos import PhotoStore


class PhotoEntries(Entries):
    """The records of a logbook with the photos among them."""

    def add_photo(
        self,
        trial_id: str,
        path: str | Path,
        *,
        view: str | None = None,
        mm_per_pixel: float | None = None,
        taken_at: datetime | str | None = None,
        notes: str | None = None,
    ) -> Photo:
        """Keep a photo of a casting beside the logbook, its file unaltered, and log it.

        Parameters
        ----------
        trial_id
            The casting it shows.
        path
            The picture: JPEG, PNG, TIFF or HEIC.
        view
            What it shows (top, side, target through the casting).
        mm_per_pixel
            Its scale, mm per pixel.
        taken_at
            When it was taken; None takes what the camera noted.
        notes
            Anything else, in plain words.

        Returns
        -------
        Photo
            The record. The same file for the same casting is logged once; a `CastlabWarning` says so where another scale or
            view was given than is logged.

        Raises
        ------
        NotFoundError
            If there is no such casting or file.
        InputError
            If the file is no whole picture, or the logbook is a database without a folder for photos.
        LogbookError
            If it cannot be written; nothing was logged.
        """
        from castlab.records import picture_files
        from castlab.records.models import Photo

        self.get(trial_id)
        if not isinstance(path, str | Path):
            raise InputError(
                f"a {type(path).__name__} is no path of a photo; accepted: a path; save the picture as a file first"
            )
        file = Path(path).expanduser()
        try:
            data = file.read_bytes()
        except OSError as exc:
            raise NotFoundError(f"the photo {file} cannot be read ({exc.strerror}); accepted: a picture file") from None
        picture = picture_files.opened(data, file.name)
        key = self.photo_store().put(data, picture_files.SUFFIXES[str(picture.format)])
        when = taken_at if taken_at is not None else picture_files.taken_at(picture)
        told: dict[str, Any] = {"view": view, "mm_per_pixel": mm_per_pixel, "taken_at": when, "notes": notes}
        record = Photo(trial_id=trial_id, sha256=key, file_name=file.name, **told)
        kept: Any = self.add(record, origin=f"photo {key} of {trial_id}")
        if other := [n for n in ("view", "mm_per_pixel") if getattr(record, n) not in (None, getattr(kept, n))]:
            was = ", ".join(f"{name} = {getattr(kept, name)!r}" for name in other)
            new = ", ".join(f"{name}={getattr(record, name)!r}" for name in other)
            text = f"{file.name} was logged before as {kept.id} with {was}, which stays; to change it: book.correct({kept.id!r}, why=..., {new})"
            warnings.warn(text, CastlabWarning, stacklevel=2)
        return kept

    def photos(self, trial_id: str | None = None) -> list[Photo]:
        """The photos in the logbook, or those of one casting, withdrawn ones left out."""
        found: list[Any] = self.records("photo")
        return [photo for photo in found if trial_id is None or photo.trial_id == trial_id]

    def photo_path(self, photo_id: str) -> Path:
        """The file of a photo, to read and never to change.

        Raises
        ------
        NotFoundError
            If there is no such photo.
        LogbookError
            If its file is missing or damaged.
        """
        return self.photo_store().path(self.photo(photo_id).sha256)

    def thumbnail(self, photo_id: str, size: int = 320) -> Path:
        """A small JPEG of a photo, upright and without location data: at most `size` pixels wide and high.

        Raises as `photo_path`, and InputError for a size that is none.
        """
        return self.photo_store().thumbnail(self.photo(photo_id).sha256, size)

    def photo(self, photo_id: str) -> Photo:
        """The record of a photo, whose `sha256` its file is kept under. Raises as `photo_path` for what is no photo."""
        record: Any = self.get(photo_id)
        if record.kind != "photo":
            raise InputError(f"{photo_id} is a {record.kind}; accepted: the id of a photo, such as P-014.3.1")
        return cast("Photo", record)

    def photo_store(self) -> PhotoStore:
        """The files behind the records of photos, and what was marked in them.

        Raises InputError for a logbook on a server without a folder for photos.
        """
        from castlab.records.photos import PhotoStore

        folder = self.photo_folder
        if folder is None:
            raise InputError(
                "this logbook is on a database server, which holds no photos: say once in which folder they are kept, "
                "Logbook.open(..., photo_folder='/a/shared/folder') or Logbook.restore(..., photo_folder=...)"
            )
        return PhotoStore(folder)

    @property
    def photo_folder(self) -> Path | None:
        """Where photos and their marks are kept: beside a logbook file; for one on a server where `open` was told, or None."""
        url = self._engine.url
        if url.get_backend_name() == "sqlite":
            return Path(f"{url.database}.photos").absolute()
        folder = self.setting("photo_folder")
        return None if folder is None else Path(folder)

    def _keep_photos_in(self, folder: str | Path) -> None:
        if self._engine.url.get_backend_name() == "sqlite":
            raise InputError(f"photo_folder is for a database server; this logbook keeps photos in {self.photo_folder}")
        path = Path(folder).expanduser()
        if not path.is_absolute():
            raise InputError(f"photo_folder is {str(folder)!r}; accepted: the whole path of a folder, from its root")
        self.set("photo_folder", str(path))
