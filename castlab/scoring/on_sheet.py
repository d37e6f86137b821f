"""A photo of a casting on the marker sheet, straightened and kept in the logbook with its scale."""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from castlab.errors import CastlabWarning, InputError, NotFoundError
from castlab.given import shown
from castlab.records import photos, picture_files
from castlab.records.logbook import opened
from castlab.scoring.scale import Scale, scale_from_sheet

if TYPE_CHECKING:
    from castlab.records import Logbook, Photo
    from castlab.scoring.printed import Sheet

VIEW = "straightened by the marker sheet"
_FROM = "straightened from the photo with the SHA-256"


def keep_on_sheet(
    book: Logbook,
    trial_id: str | None,
    photo: str | Path,
    *,
    sheet: Sheet | None = None,
    ruler_mm: float | tuple[float, float] | None = None,
) -> Scale:
    """Straighten a photo of a casting on the marker sheet and keep it in the logbook with its scale, ready to be counted.

    Parameters
    ----------
    book
        The logbook.
    trial_id
        The casting that the photo shows; None is asked about, since a notebook may not know it yet.
    photo
        The photo's file, which is left as it is; all four corner squares and the oblong must be seen.
    sheet, ruler_mm
        As `scale_from_sheet` takes them.

    Returns
    -------
    Scale
        Its `.figure()` shows the straightened photo with its edges in mm, from which a region can be read. A photo is kept
        once and has one scale: straightened again with another `ruler_mm`, its scale is corrected, or the new picture takes the
        place of the one before; a `CastlabWarning` says so and names the counts that stand.

    Raises
    ------
    NotFoundError
        If there is no such casting or file.
    InputError
        If the sheet is not found in the photo, or something given cannot be used.
    """
    if trial_id is None:
        raise InputError("no casting is named for the photo; give its id, such as trial_id='T-014.3'")
    opened(book).get(trial_id)
    if not isinstance(photo, str | Path):
        raise InputError(f"photo is {shown(photo)}; accepted: the name of a picture file")
    file = Path(photo).expanduser()
    try:
        data = file.read_bytes()
        taken = picture_files.taken_at(picture_files.opened(data, file.name))
    except OSError as exc:
        raise NotFoundError(f"the photo {file} cannot be read ({exc.strerror}); accepted: a picture file") from None
    scale = scale_from_sheet(file, sheet, ruler_mm=ruler_mm)
    with tempfile.TemporaryDirectory() as folder:
        straight = scale.save_picture(Path(folder) / f"{file.stem}, straightened.jpg")
        source = f"{_FROM} {photos.sha256(data)}"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", CastlabWarning)  # of another scale, which is put right below
            kept = book.add_photo(
                trial_id, straight, view=VIEW, mm_per_pixel=scale.mm_per_pixel, taken_at=taken, notes=source
            )
    _put_right(book, kept, source, scale.mm_per_pixel)
    return scale


def _put_right(book: Logbook, kept: Photo, source: str, mm_per_pixel: float) -> None:
    """One photo has one scale: what was kept of it with another is corrected or withdrawn, and its counts are named."""
    name, told, touched = str(kept.id), [], []
    if kept.withdrawn:
        book.correct(name, why="straightened like this again", withdrawn=False)
    if kept.mm_per_pixel != mm_per_pixel:
        book.correct(name, why="straightened with another ruler_mm", mm_per_pixel=mm_per_pixel)
        told.append(f"the scale of {name} is corrected from {kept.mm_per_pixel:.5g} to {mm_per_pixel:.5g} mm per pixel")
        touched.append(name)
    for earlier in book.photos(kept.trial_id):
        if earlier.notes == source and earlier.id != name:
            book.correct(str(earlier.id), why=f"straightened with another scale, as {name}", withdrawn=True)
            told.append(f"{name} takes the place of {earlier.id}, which is withdrawn")
            touched.append(str(earlier.id))
    scores: list[Any] = book.records("score") if touched else []
    if stand := [str(score.id) for score in scores if score.photo_id in touched]:
        told.append(
            f"counts by the scale before still stand: {', '.join(stand)}; count anew, and withdraw them: "
            f"book.correct({stand[0]!r}, why=..., withdrawn=True)"
        )
    if told:
        warnings.warn("; ".join(told), CastlabWarning, stacklevel=3)
