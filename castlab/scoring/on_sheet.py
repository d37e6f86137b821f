"""A photo of a casting on the marker sheet, straightened and kept in the logbook with its scale."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from castlab.errors import InputError, NotFoundError
from castlab.given import shown
from castlab.records import photos
from castlab.records.logbook import opened
from castlab.scoring.scale import Scale, scale_from_sheet

if TYPE_CHECKING:
    from castlab.records import Logbook
    from castlab.scoring.printed import Sheet

VIEW = "straightened by the marker sheet"


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
        Its `.figure()` shows the straightened photo with its edges in mm, from which a region can be read. The same photo
        is kept once.

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
        taken = photos.taken_at(photos.opened(file.read_bytes(), file.name))
    except OSError as exc:
        raise NotFoundError(f"the photo {file} cannot be read ({exc.strerror}); accepted: a picture file") from None
    scale = scale_from_sheet(file, sheet, ruler_mm=ruler_mm)
    with tempfile.TemporaryDirectory() as folder:
        straight = scale.save_picture(Path(folder) / f"{file.stem}, straightened.jpg")
        book.add_photo(trial_id, straight, view=VIEW, mm_per_pixel=scale.mm_per_pixel, taken_at=taken)
    return scale
