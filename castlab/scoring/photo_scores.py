"""Many photos of the logbook counted at once, on all cores; each count becomes a score of its casting, once."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab import __version__
from castlab.errors import CastlabError, InputError, NotFoundError
from castlab.given import listed, processes
from castlab.records.logbook import opened
from castlab.records.models import Score
from castlab.results import Result
from castlab.scoring import regions
from castlab.scoring.lengths import above_zero
from castlab.scoring.on_sheet import VIEW

if TYPE_CHECKING:
    from castlab.records import Logbook, Photo

SCORER = f"photo count {__version__}"
"""Who scored, as the scores say; the version is that of castlab."""
LOOK = "Look at the overlay of a few of them, and of those with wide intervals, before relying on the counts."
NONE = (
    "There is no photo to count yet. Keep one with its scale, by the form or by "
    "book.add_photo('T-014.3', 'front.jpg', mm_per_pixel=0.05), and count again. A scale comes from a ruler, a disc of known size "
    "or the marker sheet in the photo (scale_from_length, scale_from_disc, scale_from_sheet)."
)
WITHDRAWN = (
    "its count {0} was withdrawn, and the same settings would give it again: count with others, correct it by hand in the "
    "marking view, or take it back with book.correct('{0}', why=..., withdrawn=False)"
)
METHOD = "photo"
_MOST_LETTERS = 1000
"""Of the settings in a score's notes; a region may have very many corners."""
_WORKER_MB, _PER_MEGAPIXEL_MB = 300, 60
"""Memory of one count: of the program and of its photo (measured: 390 MB at 2 megapixels, 710 MB at 10)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PhotoScores(Result):
    """What a run over photos gave: `counted` (photo_id, trial_id, bubbles, low, high, score_id, and new: False where an
    earlier run had counted it), and `failed` (photo_id, trial_id, reason)."""

    counted: pd.DataFrame
    failed: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        every = {"Counted": self.counted, "Not counted": self.failed}
        return {title: table for title, table in every.items() if len(table)}


def score_photos(
    book: Logbook,
    photos: str | Sequence[str] | None = None,
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
        One or more ids of photos (P-014.3.1) or castings (T-014.3, all of their photos); None takes every photo, [] none.
    region
        What part counts, as `count_bubbles` takes it, such as (x, y, diameter) of a round casting in mm; the same for all
        photos, so lay the castings in one place.
    smallest_mm
        Smallest diameter that counts, mm.
    jobs
        Photos at a time; -1 uses all cores. Fewer are taken where memory is short.
    progress
        Show a bar.

    Returns
    -------
    PhotoScores
        A photo that cannot be counted (damaged, without scale) is listed and stops nothing. One that this version
        counted before, with the same settings and scale, is neither counted nor written again: after an interruption,
        the same call goes on where it stopped.

    Raises
    ------
    NotFoundError
        If an id is not in the logbook, or there is no photo.
    InputError
        If `book` is no logbook or has no folder for photos, the region is none, or `jobs` is no number of processes.
    """
    from tqdm.auto import tqdm

    opened(book)
    processes(jobs)
    smallest = above_zero(smallest_mm)
    if math.isnan(smallest):
        raise InputError(f"smallest_mm is {smallest_mm!r}; give a diameter in mm, above 0")
    wanted = None if photos is None else listed("photos", [photos] if isinstance(photos, str) else photos, "ids")
    chosen = [] if wanted == [] else _chosen(book, wanted)
    region = regions.read(region)
    settings = f"smallest {smallest:g} mm" + _region_told(region)
    before = _counted_before(book)
    counted, failed, todo = [], [], []
    for photo in chosen:
        try:
            if photo.mm_per_pixel is None:
                raise NotFoundError(f"it has no scale: book.correct({str(photo.id)!r}, why=..., mm_per_pixel=...)")
            known = book.by_origin("score", _origin(photo, settings))
            if known is not None and known.withdrawn:
                failed.append((photo.id, photo.trial_id, WITHDRAWN.format(known.id)))
            elif known is not None:
                counted.append(_row(photo, known, new=False))
            else:
                todo.append((photo, book.photo_path(str(photo.id))))
        except CastlabError as exc:
            failed.append((photo.id, photo.trial_id, str(exc)))
    tasks = [(path, photo.mm_per_pixel, region, smallest) for photo, path in todo]
    results = _counts(tasks, workers(jobs, [path for _, path in todo]))
    bar = tqdm(results, total=len(todo), desc="photos", unit="photo", disable=not (progress and todo))
    for (photo, _), got in zip(todo, bar, strict=True):
        if isinstance(got, str):
            failed.append((photo.id, photo.trial_id, got))
            continue
        score = Score(  # its time is that of the count; when the photo was taken stands with the photo
            trial_id=photo.trial_id,
            scorer=SCORER,
            scored_at=datetime.now().replace(microsecond=0),
            method=METHOD,
            photo_id=photo.id,
            notes=settings[:_MOST_LETTERS],
            **got,
        )
        counted.append(_row(photo, book.add(score, origin=_origin(photo, settings)), new=True))
    columns = ["photo_id", "trial_id", "bubbles", "low", "high", "score_id", "new"]
    table = pd.DataFrame(counted, columns=columns)
    new = int(table["new"].sum())
    verdict = f"{new} of {len(chosen)} photos were counted and written as scores." if chosen else NONE
    if len(table) > new:
        verdict += f" {len(table) - new} had been counted before."
    if failed:
        verdict += f" {len(failed)} could not be counted."
    twice = [known for row in counted if row[-1] for known in before.get(row[0], ())]
    cautions = [LOOK] if counted else []
    if twice:
        again = (
            f"Counted before with another scale, other settings or another version: {_some(twice)}. Both counts "
            "stand; withdraw those that were wrong (book.correct(..., withdrawn=True))."
        )
        cautions.append(again)
    counted_ids = {row[0] for row in counted}
    if region is None and (on_sheet := [p.id for p in chosen if p.view == VIEW and p.id in counted_ids]):
        cautions.append(
            f"On the marker sheet, and counted without a region: {_some(on_sheet)}. The outline of a casting may be what was counted, "
            "and hide the bubbles in it: count again with region= round the casting, and withdraw these counts."
        )
    return PhotoScores(
        verdict=verdict,
        cautions=tuple(cautions),
        counted=table,
        failed=pd.DataFrame(failed, columns=["photo_id", "trial_id", "reason"]),
    )


def _some(ids: list[Any]) -> str:
    return ", ".join(map(str, ids[:6])) + (f" and {len(ids) - 6} more" if len(ids) > 6 else "")


def _counts(tasks: list[tuple[Any, ...]], workers: int) -> Iterator[dict[str, Any] | str]:
    """What `_count` gives for each task, in their order; should a process die, the rest is done one by one."""
    from concurrent.futures.process import BrokenProcessPool

    from joblib import Parallel, delayed

    if workers == 1:
        yield from (_count(*task) for task in tasks)
        return
    done = 0
    try:
        for got in Parallel(n_jobs=workers, return_as="generator")(delayed(_count)(*task) for task in tasks):
            done += 1
            yield got
    except BrokenProcessPool:
        for task in tasks[done:]:
            try:
                yield from Parallel(n_jobs=2)([delayed(_count)(*task)])  # two, for one is no process of its own
            except BrokenProcessPool:
                yield "its count ended the process, most likely for want of memory; count a smaller copy of the photo"


def workers(jobs: int, paths: list[Path]) -> int:
    """How many photos at a time: as asked, but no more than there is work and memory for."""
    import psutil  # type: ignore[import-untyped]
    from joblib import cpu_count

    if len(paths) < 2 or jobs == 1:
        return 1
    need = (_WORKER_MB + _PER_MEGAPIXEL_MB * max(map(_megapixels, paths))) * 1e6
    room = int(0.8 * psutil.virtual_memory().available / need)
    return max(1, min(cpu_count() if jobs == -1 else jobs, len(paths), room))


def _megapixels(path: Path) -> float:
    """From the head of the file; a phone's usual photo where that cannot be read."""
    from PIL import Image

    try:
        with Image.open(path) as picture:
            return picture.width * picture.height / 1e6
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return 12.0


def _region_told(region: np.ndarray | None) -> str:
    if region is None:
        return ""
    if region.dtype == bool:
        return f", region {hashlib.sha256(region.tobytes()).hexdigest()[:12]}"
    return f", region {region.tolist()}"


def _counted_before(book: Logbook) -> dict[str, list[str]]:
    """Photo -> its scores by automatic counts that stand."""
    found: dict[str, list[str]] = {}
    for score in book.records("score"):
        one: Any = score
        if one.method == METHOD and one.photo_id is not None:
            found.setdefault(one.photo_id, []).append(str(one.id))
    return found


def _count(path: Path, mm_per_pixel: float, region: Any, smallest_mm: float) -> dict[str, Any] | str:
    """The readings of one photo, or why there are none; runs in a process of its own."""
    from castlab.scoring.bubbles import count_bubbles

    try:
        seen = count_bubbles(path, mm_per_pixel, region=region, smallest_mm=smallest_mm)
    except CastlabError as exc:
        return str(exc)
    except Exception as exc:  # an odd photo must not cost the others their counts; the reason is listed
        return f"the count failed ({type(exc).__name__}: {exc})"
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
    return f"{SCORER} of {photo.id}, {settings}, {photo.mm_per_pixel:.6g} mm per pixel"


def _row(photo: Photo, score: Any, *, new: bool) -> tuple[Any, ...]:
    return (photo.id, photo.trial_id, score.bubbles, score.auto_low, score.auto_high, score.id, new)
