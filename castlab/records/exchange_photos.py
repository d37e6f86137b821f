"""The photos of an exported folder: copies without location data, marks made by hand, and what could not come along.

Copies are in `photos/`, marks in `marks/<checksum of the photo>/`. The manifest names each with its checksum, and under
`lost_photos` every photo (or marks of one) whose file was missing or damaged when the export was made.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from castlab.errors import InputError, LostPhotoError
from castlab.records.photos import PhotoStore, sha256
from castlab.records.tables import CURRENT

PHOTOS, MARKS, LOST = "photos", "marks", "lost_photos"
"""Parts of the manifest; the first two are folders as well."""
NAMED = 10
"""Lost photos that a warning names; the manifest names all."""


@dataclass(frozen=True)
class Pictures:
    """What an exported folder holds of photos, its checksums verified."""

    copies: dict[str, Path] = field(default_factory=dict)
    """Checksum of an original -> the copy of it."""
    marks: dict[str, list[Path]] = field(default_factory=dict)
    """Checksum of an original -> what was marked by hand in it."""
    lost: tuple[str, ...] = ()
    """What was lost before the export, in words."""

    def put_into(self, store: PhotoStore) -> None:
        """Keep all of it in the photo folder of a logbook."""
        for key, file in self.copies.items():
            store.restore(key, file.read_bytes(), file.suffix)
        for key, files in self.marks.items():
            for file in files:
                store.keep_marks(key, file.read_text(encoding="utf-8"))


def write(connection: sa.Connection, store: PhotoStore | None, staging: Path, earlier: Path) -> dict[str, Any]:
    """Copy photos and marks to `staging`; returns their parts of the manifest, none where there is no photo.

    Withdrawn photos are left out, their marks are not. The copy of a lost photo is taken over from the export that stands
    in `earlier`, if that has it.
    """
    photo = CURRENT["photo"]
    columns = (photo.c.id, photo.c.sha256, photo.c.file_name, photo.c.withdrawn)
    found = connection.execute(sa.select(*columns).order_by(photo.c.sha256, photo.c.id)).all()
    if not found:
        return {}
    old = _earlier_copies(earlier)
    copies: dict[str, dict[str, str]] = {}
    marks: dict[str, str] = {}
    lost: list[dict[str, str]] = []
    (staging / PHOTOS).mkdir()
    for key in dict.fromkeys(row.sha256 for row in found):
        records = [row for row in found if row.sha256 == key]
        current = [row for row in records if not row.withdrawn]
        if current:
            try:
                if store is None:
                    raise LostPhotoError("", how="missing: no folder for photos is set (photo_folder)")
                name, data = store.copy(key)
                (staging / PHOTOS / name).write_bytes(data)
                copies[key] = {"file": f"{PHOTOS}/{name}", "sha256": sha256(data)}
            except LostPhotoError as exc:
                how = exc.how
                if (copy := old.get(key)) is not None:
                    shutil.copyfile(copy, staging / PHOTOS / copy.name)
                    copies[key] = {"file": f"{PHOTOS}/{copy.name}", "sha256": sha256(copy.read_bytes())}
                    how += "; its copy is kept from the earlier export"
                lost += [{"photo": r.id, "what": r.file_name or f"{key[:12]}...", "how": how} for r in current]
        for file in sorted(store.marks(key).glob("*.json")) if store is not None else ():
            data = file.read_bytes()
            if sha256(data) != file.stem:
                lost.append({"photo": records[0].id, "what": f"marks {file.stem[:12]}...", "how": "damaged"})
                continue
            target = staging / MARKS / key / file.name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(data)
            marks[target.relative_to(staging).as_posix()] = file.stem
    told: dict[str, Any] = {PHOTOS: copies}
    if marks:
        told[MARKS] = marks
    if lost:
        told[LOST] = sorted(lost, key=lambda one: one["photo"])
    return told


def read(folder: Path, manifest: dict[str, Any]) -> Pictures:
    """What a folder holds of photos.

    Raises
    ------
    InputError
        If a file is missing or changed.
    """
    copies = {
        key: _checked(folder / PHOTOS / Path(copy["file"]).name, copy["sha256"])
        for key, copy in manifest.get(PHOTOS, {}).items()
    }
    marks: dict[str, list[Path]] = {}
    for place, checksum in manifest.get(MARKS, {}).items():
        key, name = Path(place).parts[-2:]
        marks.setdefault(key, []).append(_checked(folder / MARKS / key / name, checksum))
    return Pictures(copies, marks, tuple(in_words(manifest.get(LOST, []))))


def in_words(lost: Iterable[dict[str, str]]) -> list[str]:
    """Each lost photo as a maker would say it."""
    return [f"{one['photo']} ({one['what']}): {one['how']}" for one in lost]


def exported_without(folder: Path, lost: Iterable[str]) -> str:
    """What is said at the end of an export that is whole but for these."""
    return (
        f"The export in {folder} is whole but for these photos: {_list(lost)}. Add the same file again (book.add_photo) or put "
        f"it back from a copy of the photo folder, and export anew; or withdraw the record. The manifest lists them ({LOST})."
    )


def restored_without(lost: Iterable[str]) -> str:
    """What is said at the end of a restore from such an export."""
    return (
        f"Everything in the export is restored, but it was made without the files of these photos: {_list(lost)}. Their records "
        "are here; add the same file again (book.add_photo), or withdraw the record."
    )


def _list(lost: Iterable[str]) -> str:
    every = list(lost)
    more = f"; and {len(every) - NAMED} more" if len(every) > NAMED else ""
    return "; ".join(every[:NAMED]) + more


def _checked(file: Path, checksum: str) -> Path:
    if not file.exists():
        raise InputError(f"{file} is missing from the export; nothing was restored")
    if sha256(file.read_bytes()) != checksum:
        raise InputError(f"{file} changed since it was exported (its checksum differs); nothing was restored")
    return file


def _earlier_copies(folder: Path) -> dict[str, Path]:
    """Checksum of an original -> its whole copy in an export that stands here."""
    try:
        told = json.loads((folder / "manifest.json").read_text(encoding="utf-8")).get(PHOTOS, {})
        places = {key: (folder / PHOTOS / Path(copy["file"]).name, copy["sha256"]) for key, copy in told.items()}
        return {key: file for key, (file, checksum) in places.items() if sha256(file.read_bytes()) == checksum}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
