"""The marking view: a photo with the circles that were found, to add and remove by hand; what is left is scored."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

import anywidget
import numpy as np
import traitlets

from castlab.analysis import words
from castlab.errors import CastlabError, InputError
from castlab.forms.panel import with_box
from castlab.given import shown
from castlab.records.logbook import opened
from castlab.scoring import pictures
from castlab.scoring.marking import DraftOfMarks, Marks, marks_of, save_marks
from castlab.scoring.regions import to_show

if TYPE_CHECKING:
    from castlab.records import Logbook, Score
    from castlab.scoring.bubbles import BubbleCount

_WIDEST = 3200
"""Pixels of the photo that is shown, across, so that zooming in shows small bubbles; its circles keep the full resolution's
places."""


class MarkingPanel(anywidget.AnyWidget):
    """The page side: shows, and reports what the person does."""

    _esm = with_box("marking.js")
    _css = with_box("marking.css")

    picture = traitlets.Bytes().tag(sync=True)
    box: Any = traitlets.List().tag(sync=True)
    usual_mm = traitlets.Float().tag(sync=True)
    title = traitlets.Unicode().tag(sync=True)
    circles: Any = traitlets.List().tag(sync=True)
    counted = traitlets.Unicode().tag(sync=True)
    said = traitlets.Dict().tag(sync=True)


class Marking:
    """The marking view of one photo; `.marks` holds what is marked, `.score` the score once it is saved."""

    def __init__(
        self,
        book: Logbook,
        photo_id: str,
        seen: BubbleCount,
        *,
        who: str | None = None,
        clock: Callable[[], datetime] = datetime.now,
    ) -> None:
        self.book = book
        self.who = who or book.who
        self.clock = clock
        self.score: Score | None = None
        self._turn = threading.RLock()
        self._draft = DraftOfMarks(book, photo_id)
        fresh, kept = marks_of(seen, photo_id), self._draft.read()
        restored = kept is not None and (kept.found, kept.region) == (fresh.found, fresh.region)
        self.marks: Marks = kept if kept is not None and restored else fresh
        usual = float(np.median(seen.bubbles["diameter_mm"])) if len(seen.bubbles) else 3 * seen.smallest_mm
        picture, box = _shown(seen)
        self.panel = MarkingPanel(
            picture=picture,
            box=box,
            usual_mm=usual,
            title=f"Bubbles in {photo_id}",
        )
        self.panel.on_msg(self._receive)
        self._show("What was marked before is restored." if restored else "")

    def do(self, message: Mapping[str, Any]) -> None:
        """What the person did: add (x_mm, y_mm, diameter_mm), remove (number), undo or save."""
        what, now = str(message.get("do")), self.clock()
        if what == "save":
            self.score = save_marks(self.book, self.marks, who=self.who, at=now)
            self._draft.end()
            self._show(f"Saved as {self.score.id}: {words.count(self.marks.count, 'bubble')}, by {self.who}.", "good")
            return
        if what == "add":
            x, y, across = (float(message[name]) for name in ("x_mm", "y_mm", "diameter_mm"))
            self.marks = self.marks.add(x, y, across, who=self.who, at=now)
            done = f"Added a bubble of {across:.2g} mm."
        elif what == "remove":
            self.marks = self.marks.remove(int(message["number"]), who=self.who, at=now)
            done = "Removed."
        elif what == "undo":
            done = "Taken back." if self.marks.changes else "Nothing to take back."
            self.marks = self.marks.undo()
        else:
            raise InputError(f"{what!r} is nothing that can be done here; accepted: add, remove, undo or save")
        self._draft.keep(self.marks)
        self._show(done)

    def _receive(self, _widget: Any, message: Mapping[str, Any], _buffers: list[Any]) -> None:
        with self._turn:
            try:
                with self.panel.hold_sync():
                    self.do(message)
            except CastlabError as problem:
                self._show(str(problem), "wrong")
            finally:
                self.panel.send({"heard": message.get("number_of_message", 0)})

    def _show(self, said: str, tone: str = "") -> None:
        marks = self.marks
        self.panel.circles = [
            {"n": c.number, "x": c.x_mm, "y": c.y_mm, "d": c.diameter_mm, "hand": c.by_hand} for c in marks.circles
        ]
        self.panel.counted = f"{words.count(marks.count, 'bubble')}: {len(marks.found)} found, {marks.removed} removed, {marks.added} added by hand"
        self.panel.said = {"text": said, "tone": tone}

    def __repr__(self) -> str:
        return f"Marking view: {self.panel.title}, {self.panel.counted} (open it in JupyterLab to correct it)"

    def _repr_mimebundle_(self, **options: Any) -> Any:
        """The widget, and for readers without one the line that says what stands here."""
        data, meta = self.panel._repr_mimebundle_(**options) or ({}, {})
        return {**data, "text/plain": repr(self)}, meta


def mark_bubbles(
    book: Logbook,
    photo_id: str | None = None,
    seen: BubbleCount | None = None,
    *,
    region: Any = None,
    smallest_mm: float = 0.2,
    who: str | None = None,
) -> Marking | None:
    """A view to correct the bubble count of a photo by hand: add what was overlooked, remove what is none.

    Parameters
    ----------
    book
        The logbook.
    photo_id
        A photo in it, with its scale (P-014.3.1), or a casting (T-014.3): its latest photo with a scale. None: the
        latest of all.
    seen
        What `count_bubbles` gave for it; None counts now.
    region, smallest_mm
        As `count_bubbles` takes them, for counting now.
    who
        Who corrects; None: who opened the logbook.

    Returns
    -------
    The view, to be the last line of a cell; its Save writes a score with the corrected and the automatic count. None
    while there is no photo with a scale and none was named.

    Raises
    ------
    NotFoundError
        If there is no such photo.
    InputError
        If `book` is no logbook, the photo has no scale, or cannot be counted, or `seen` is of another one.
    """
    from castlab.scoring.bubbles import BubbleCount, count_bubbles

    opened(book)
    if photo_id is None or str(photo_id).startswith("T-"):
        known = [photo for photo in book.photos(photo_id) if photo.mm_per_pixel is not None]
        if not known:
            return None
        photo_id = str(known[-1].id)
    path = book.photo_path(photo_id)
    photo: Any = book.get(photo_id)
    if seen is None:
        if photo.mm_per_pixel is None:
            raise InputError(f"{photo_id} has no scale: book.correct({photo_id!r}, why=..., mm_per_pixel=...)")
        seen = count_bubbles(path, photo.mm_per_pixel, region=region, smallest_mm=smallest_mm)
    elif not isinstance(seen, BubbleCount):
        raise InputError(f"seen is {shown(seen)}; accepted: what count_bubbles(...) gave for the photo, or None")
    elif pictures.read(path).shape != seen.picture.shape:
        raise InputError(
            f"seen is the count of another picture than {photo_id}; accepted: count_bubbles(book.photo_path(...), ...)"
        )
    return Marking(book, photo_id, seen, who=who)


def _shown(seen: BubbleCount) -> tuple[bytes, list[float]]:
    """The photo about the region as a JPEG, pale where it does not count, and where that part lies: x, y, width and height, mm."""
    from PIL import Image

    rows, columns = to_show(seen.region, seen.picture.shape[:2])
    pixels = seen.picture[rows, columns]
    if seen.region is not None:
        pixels = np.where(seen.region[rows, columns, None], pixels, (pixels // 2 + 110).astype(np.uint8))
    picture = Image.fromarray(pixels)
    picture.thumbnail((_WIDEST, _WIDEST))
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=88)
    places = (columns.start, rows.start, columns.stop - columns.start, rows.stop - rows.start)
    return buffer.getvalue(), [place * seen.mm_per_pixel for place in places]
