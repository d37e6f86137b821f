"""Many photos of the logbook counted at once, on all cores; each count becomes a score of its casting, once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from castlab import __version__
from castlab.errors import CastlabError, NotFoundError
from castlab.records.models import Score
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records import Logbook, Photo

SCORER = f"photo count {__version__}"
"""Who scored, as the scores say; the version is that of castlab."""
LOOK = "Look at the overlay of a few of them, and of those with wide intervals, before relying on the counts."


@dataclass(frozen=True, kw_only=True, eq=False)
class PhotoScores(Result):
    """What a run over photos gave: `counted` (photo_id, trial_id, bubbles, low, high, score_id, and new: False where an
    earlier run had counted it), and `failed` (photo_id, trial_id, reason)."""

    counted: pd.DataFrame
    failed: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Counted": self.counted} | ({"Not counted": self.failed} if len(self.failed) else {})


def score_photos(
    book: Logbook,
    photos: Sequence[str] | None = None,
    *,
    region: Any = None,
    smallest_mm: float = 0.2,
    jobs: int = -1,
    progress: bool = True,
) -> PhotoScores:
    """Count the bubbles in photos of the logbook and write each count as a score of its casting.

    Parameters
    ----------
    book
        The logbook.
    photos
        Ids of photos (P-014.3.1) or castings (T-014.3, all of their photos); None takes every photo, [] none.
    region
        What part counts, in mm, as `count_bubbles` takes it; the same for all photos.
    smallest_mm
        Smallest diameter that counts, mm.
    jobs
        Photos at a time; -1 uses all cores.
    progress
        Show a bar.

    Returns
    -------
    PhotoScores
        A photo that cannot be counted (damaged, without scale) is listed and stops nothing. One that this version
        counted before, with the same settings, is neither counted nor written again.

    Raises
    ------
    NotFoundError
        If an id is not in the logbook, or there is no photo.
    InputError
        If the logbook has no folder for photos.
    """
    from joblib import Parallel, delayed
    from tqdm.auto import tqdm

    chosen = [] if photos is not None and not list(photos) else _chosen(book, photos)
    settings = f"smallest {smallest_mm:g} mm" + ("" if region is None else f", region {region}")
    counted, failed, todo = [], [], []
    for photo in chosen:
        known = book.by_origin("score", _origin(photo, settings))
        try:
            if known is not None:
                counted.append(_row(photo, known, new=False))
            elif photo.mm_per_pixel is None:
                raise NotFoundError("it has no scale: book.correct(its id, why=..., mm_per_pixel=...)")
            else:
                todo.append((photo, book.photo_path(str(photo.id))))
        except CastlabError as exc:
            failed.append((photo.id, photo.trial_id, str(exc)))
    tasks = (delayed(_count)(path, photo.mm_per_pixel, region, smallest_mm) for photo, path in todo)
    results = Parallel(n_jobs=min(jobs, len(todo)) if jobs > 0 else jobs, return_as="generator")(tasks) if todo else ()
    bar = tqdm(results, total=len(todo), desc="photos", unit="photo", disable=not progress)
    for (photo, _), got in zip(todo, bar, strict=True):
        if isinstance(got, str):
            failed.append((photo.id, photo.trial_id, got))
            continue
        score = Score(
            trial_id=photo.trial_id, scorer=SCORER, scored_at=photo.taken_at, method="photo", photo_id=photo.id, **got
        )
        counted.append(_row(photo, book.add(score, origin=_origin(photo, settings)), new=True))
    columns = ["photo_id", "trial_id", "bubbles", "low", "high", "score_id", "new"]
    table = pd.DataFrame(counted, columns=columns)
    new = int(table["new"].sum())
    verdict = f"{new} of {len(chosen)} photos were counted and written as scores." if chosen else "No photo was given."
    if len(table) > new:
        verdict += f" {len(table) - new} had been counted before."
    if failed:
        verdict += f" {len(failed)} could not be counted."
    return PhotoScores(
        verdict=verdict,
        cautions=(
            "Look at the overlay of a few of them, and of those with wide intervals, before relying on the counts.",
        ),
        counted=table,
        failed=pd.DataFrame(failed, columns=["photo_id", "trial_id", "reason"]),
    )


def _count(path: Path, mm_per_pixel: float, region: Any, smallest_mm: float) -> dict[str, Any] | str:
    """The readings of one photo, or why there are none; runs in a process of its own."""
    from castlab.scoring.bubbles import count_bubbles

    try:
        seen = count_bubbles(path, mm_per_pixel, region=region, smallest_mm=smallest_mm)
    except CastlabError as exc:
        return str(exc)
    largest = float(seen.bubbles["diameter_mm"].max()) if len(seen.bubbles) else None
    return {
        "bubbles": seen.count,
        "auto_bubbles": seen.count,
        "auto_low": seen.low,
        "auto_high": seen.high,
        "bubble_largest_mm": None if largest is None else round(largest, 3),
    }


def _chosen(book: Logbook, photos: Iterable[str] | None) -> list[Photo]:
    every = book.photos()
    if photos is None:
        found = every
    else:
        found = []
        for wanted in photos:
            record: Any = book.get(wanted)
            found += [record] if record.kind == "photo" else [p for p in every if p.trial_id == wanted]
    if not found:
        raise NotFoundError(
            "there are no photos of these castings; keep one with book.add_photo(trial_id, path, mm_per_pixel=...)"
        )
    return list({photo.id: photo for photo in found}.values())


def _origin(photo: Photo, settings: str) -> str:
    return f"{SCORER} of {photo.id}, {settings}"


def _row(photo: Photo, score: Any, *, new: bool) -> tuple[Any, ...]:
    return (photo.id, photo.trial_id, score.bubbles, score.auto_low, score.auto_high, score.id, new)
