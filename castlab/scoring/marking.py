"""A bubble count corrected by hand: which circles were added and removed, by whom and when. What was found stays as it was.

Marks are kept beside the photo, in `marks/<checksum of the photo>/<checksum of the marks>.json` of the logbook's photo
folder; the score they lead to holds the corrected count and the automatic one.
"""

from __future__ import annotations

import json
import os
import tempfile
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from castlab.errors import InputError, LogbookError
from castlab.given import shown
from castlab.records.logbook import opened
from castlab.records.models import Score
from castlab.scoring.photo_scores import SCORER
from castlab.scoring.regions import Outlines, holds, outlines

if TYPE_CHECKING:
    from castlab.records import Logbook
    from castlab.scoring.bubbles import BubbleCount

METHOD = "photo, corrected"


@dataclass(frozen=True)
class Circle:
    """A bubble marked in a photo, mm from its upper left corner; `by_hand` or found."""

    number: int
    x_mm: float
    y_mm: float
    diameter_mm: float
    by_hand: bool = False


@dataclass(frozen=True)
class Change:
    """One correction: a circle added, or removed, with who and when (ISO 8601)."""

    do: str
    circle: Circle
    who: str
    at: str


@dataclass(frozen=True)
class Marks:
    """The circles found in one photo and what was changed by hand since. Frozen: each change gives new marks.

    `region` encloses what counts (`regions.outlines`), without lines all of the photo; `counted_by` found the circles.
    """

    photo_id: str
    mm_per_pixel: float
    smallest_mm: float
    width_mm: float
    height_mm: float
    found: tuple[Circle, ...]
    auto_low: int | None
    auto_high: int | None
    changes: tuple[Change, ...] = ()
    region: Outlines = ()
    counted_by: str = ""

    @property
    def circles(self) -> list[Circle]:
        """What counts now: found and not removed, or added."""
        now = {circle.number: circle for circle in self.found}
        for change in self.changes:
            if change.do == "add":
                now[change.circle.number] = change.circle
            else:
                now.pop(change.circle.number, None)
        return list(now.values())

    @property
    def count(self) -> int:
        """The corrected number of bubbles."""
        return len(self.circles)

    @property
    def added(self) -> int:
        """Circles added by hand that still count."""
        return sum(circle.by_hand for circle in self.circles)

    @property
    def removed(self) -> int:
        """Circles found that no longer count."""
        return len(self.found) - (self.count - self.added)

    def add(self, x_mm: float, y_mm: float, diameter_mm: float, *, who: str, at: datetime) -> Marks:
        """Mark a bubble.

        Raises
        ------
        InputError
            If it lies outside the photo or the region that counts, has no size, or anything is no number or no time.
        """
        try:
            x_mm, y_mm, diameter_mm = float(x_mm), float(y_mm), float(diameter_mm)
        except (TypeError, ValueError):
            raise InputError(
                f"({x_mm!r}, {y_mm!r}) of {diameter_mm!r} mm is no place and size of a bubble; accepted: numbers, mm"
            ) from None
        if not (0 <= x_mm <= self.width_mm and 0 <= y_mm <= self.height_mm):
            raise InputError(
                f"({x_mm:.4g}, {y_mm:.4g}) mm lies outside the photo, which is {self.width_mm:.4g} x {self.height_mm:.4g} mm"
            )
        if self.region and not holds(self.region, x_mm, y_mm):
            raise InputError(
                f"({x_mm:.4g}, {y_mm:.4g}) mm lies outside the region that counts; what is there is not counted. To count it too, "
                "open the view with a larger region="
            )
        if not 0 < diameter_mm <= max(self.width_mm, self.height_mm):
            raise InputError(f"a bubble of {diameter_mm:g} mm cannot be; accepted: above 0, up to the photo's size")
        number = len(self.found) + sum(change.do == "add" for change in self.changes)
        circle = Circle(number, round(x_mm, 4), round(y_mm, 4), round(diameter_mm, 4), by_hand=True)
        return self._with("add", circle, who, at)

    def remove(self, number: int, *, who: str, at: datetime) -> Marks:
        """Take a circle away that is no bubble.

        Raises
        ------
        InputError
            If no circle of this number counts.
        """
        circle = next((one for one in self.circles if one.number == number), None)
        if circle is None:
            raise InputError(f"there is no circle {number!r} to remove; it may have been removed already")
        return self._with("remove", circle, who, at)

    def undo(self) -> Marks:
        """Take the last change back; without changes nothing happens."""
        return replace(self, changes=self.changes[:-1])

    def _with(self, do: str, circle: Circle, who: str, at: datetime) -> Marks:
        if not isinstance(at, datetime):
            raise InputError(f"at is {at!r}; accepted: the time of the change, a datetime")
        change = Change(do, circle, who, at.isoformat(timespec="seconds"))
        return replace(self, changes=(*self.changes, change))

    @property
    def table(self) -> pd.DataFrame:
        """The circles that count, one a row: number, x_mm, y_mm, diameter_mm, by_hand."""
        return pd.DataFrame([asdict(c) for c in self.circles], columns=list(Circle.__dataclass_fields__))

    def to_json(self) -> str:
        """All of it as text."""
        return json.dumps({"what": "bubbles marked in a photo", **asdict(self)}, indent=1)

    @classmethod
    def from_json(cls, text: str) -> Marks:
        """Read what `to_json` wrote.

        Raises
        ------
        InputError
            If it is something else.
        """
        try:
            told: dict[str, Any] = json.loads(text)
            told.pop("what")
            told["region"] = tuple(tuple((x, y) for x, y in line) for line in told.get("region", ()))
            told["found"] = tuple(Circle(**one) for one in told["found"])
            told["changes"] = tuple(Change(**{**one, "circle": Circle(**one["circle"])}) for one in told["changes"])
            return cls(**told)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise InputError(f"these are no marks that castlab wrote ({type(error).__name__})") from error


def marks_of(seen: BubbleCount, photo_id: str) -> Marks:
    """The circles of an automatic count, ready to be corrected.

    Parameters
    ----------
    seen
        What `count_bubbles` gave for the photo.
    photo_id
        Its id in the logbook.

    Raises
    ------
    InputError
        If `seen` is no count.

    Examples
    --------
    >>> import numpy as np
    >>> from castlab.scoring import count_bubbles
    >>> y, x = np.mgrid[0:120, 0:160]
    >>> photo = np.where(np.hypot(x - 60, y - 50) < 9, 0.8, 0.4)
    >>> marks = marks_of(count_bubbles(photo, 0.1, smallest_mm=0.8, trust=False), "P-001.1.1")
    >>> marks.add(3.0, 4.0, 0.9, who="Ada", at=datetime(2026, 3, 1, 9, 0)).count
    2
    """
    from castlab.scoring.bubbles import BubbleCount

    if not isinstance(seen, BubbleCount):
        raise InputError(f"seen is {shown(seen)}; accepted: what count_bubbles(...) gave for the photo")
    rows = zip(*(seen.bubbles[name].tolist() for name in ("x_mm", "y_mm", "diameter_mm")), strict=True)
    found = tuple(Circle(n, round(x, 4), round(y, 4), round(across, 4)) for n, (x, y, across) in enumerate(rows))
    height, width = (side * seen.mm_per_pixel for side in seen.picture.shape[:2])
    region = () if seen.region is None else outlines(seen.region, seen.mm_per_pixel)
    return Marks(
        photo_id, seen.mm_per_pixel, seen.smallest_mm, width, height, found, seen.low, seen.high, region=region,
        counted_by=SCORER,
    )  # fmt: skip


def save_marks(book: Logbook, marks: Marks, *, who: str | None = None, at: datetime | None = None) -> Score:
    """Keep marks beside their photo and log the corrected count as a score of this person (None: who opened the logbook), once however often it is called.

    Saved anew after the score was withdrawn, they become another score.

    Raises
    ------
    NotFoundError, InputError, LogbookError
        If the photo is not in the logbook, or nothing can be written.
    """
    if not isinstance(marks, Marks):
        raise InputError(f"marks are {shown(marks)}; accepted: what marks_of(...) gave")
    opened(book)
    if at is not None and not isinstance(at, datetime):
        raise InputError(f"at is {shown(at)}; accepted: a datetime, or None for now")
    photo, who = book.photo(marks.photo_id), who or book.who
    key = book.photo_store().keep_marks(photo.sha256, marks.to_json())
    largest = max((circle.diameter_mm for circle in marks.circles), default=None)
    score = Score(
        trial_id=photo.trial_id, scorer=who, scored_at=(at or datetime.now()).replace(microsecond=0), method=METHOD,
        photo_id=marks.photo_id, bubbles=marks.count, auto_bubbles=len(marks.found), auto_low=marks.auto_low,
        auto_high=marks.auto_high, bubble_largest_mm=None if largest is None else round(largest, 3), notes=_told(marks),
    )  # fmt: skip
    origin = f"{_origin(key, marks.photo_id)} by {who}"
    while (known := book.by_origin("score", origin)) is not None and known.withdrawn:
        origin += f", after {known.id}"
    return book.add(score, origin=origin)


def saved_marks(book: Logbook, photo_id: str) -> list[Marks]:
    """All marks saved for a photo, in the order of the scores they first led to."""
    opened(book)
    files = {_origin(file.stem, photo_id): file for file in folder_of(book, photo_id).glob("*.json")}
    first: dict[str, int] = {}
    for origin in book.origins("score"):
        marks = origin.partition(" by ")[0]
        if marks in files:  # others are another casting's with the same photo, or never became a score that stands
            score: Any = book.by_origin("score", origin)
            number = int(str(score.id).rpartition(".")[2])
            first[marks] = min(number, first.get(marks, number))
    return [Marks.from_json(files[marks].read_text(encoding="utf-8")) for marks in sorted(first, key=first.__getitem__)]


def _told(marks: Marks) -> str:
    """What the count rests on."""
    told = f"found by {marks.counted_by}, " if marks.counted_by else ""
    told += f"smallest {marks.smallest_mm:g} mm, {'a region' if marks.region else 'all of the photo'}"
    return f"{told}; {marks.removed} removed and {marks.added} added by hand"


def _origin(key: str, photo_id: str) -> str:
    return f"marks {key} in {photo_id}"


def folder_of(book: Logbook, photo_id: str) -> Path:
    """Where the marks of a photo are kept."""
    return book.photo_store().marks(book.photo(photo_id).sha256)


class DraftOfMarks:
    """Marks that are not saved yet, kept at each change so that a closed page loses nothing."""

    def __init__(self, book: Logbook, photo_id: str) -> None:
        self._file = folder_of(book, photo_id) / "draft" / f"{photo_id}.json"

    def read(self) -> Marks | None:
        """What was kept, or None; what cannot be read any more is put aside."""
        if not self._file.exists():
            return None
        try:
            return Marks.from_json(self._file.read_text(encoding="utf-8"))
        except (InputError, UnicodeDecodeError):
            self._file.replace(self._file.with_suffix(".unreadable"))
            return None

    def keep(self, marks: Marks) -> None:
        """Keep these in place of what was kept."""
        _write(self._file, marks.to_json())

    def end(self) -> None:
        """They are saved."""
        self._file.unlink(missing_ok=True)


def _write(file: Path, text: str) -> None:
    """Whole or not at all."""
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".new-", dir=file.parent)
        with os.fdopen(handle, "w", encoding="utf-8") as new:
            new.write(text)
            new.flush()
            os.fsync(new.fileno())
        Path(name).replace(file)
    except OSError as exc:
        raise LogbookError(f"{file.parent}: the marks could not be kept ({exc.strerror}); nothing was logged") from exc
