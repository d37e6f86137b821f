"""What every form does: keep a draft at each change, say at once what is wrong, save once, and say what was saved."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar
from weakref import WeakSet

from castlab.errors import CastlabError, ConflictError, InputError
from castlab.forms import faces
from castlab.forms.faces import Part
from castlab.forms.panel import Panel
from castlab.records import Logbook, typed
from castlab.records.drafts import Draft, drafts_of
from castlab.records.models import Record

AS_SHOWN = ("=", "ok")
"""What is typed to take what the empty field shows: a planned value, or that of the entry before."""


@dataclass(frozen=True)
class Place:
    """The record and field that a key on the page stands for, and the value that "=" takes."""

    model: type[Record]
    name: str
    shown: Any = None


class Form:
    """One form over a logbook. Subclasses say what it holds (`_face`, `_place`) and what a button does (`_press`)."""

    title = "Form"
    form = "form"
    """The name under which its drafts are kept."""
    _on_page: ClassVar[WeakSet[Form]] = WeakSet()
    """Every form that is open: what one of them saves, the others show."""

    def __init__(self, book: Logbook, *, clock: Callable[[], datetime] = datetime.now) -> None:
        self.book = book
        self.clock = clock
        self.saved: list[Record] = []
        self._listeners: list[Callable[[], None]] = []
        self._drafts = drafts_of(book)
        self._draft: Draft | None = None
        self._restored = False
        self._conflict: str | None = None
        self._newest: dict[tuple[str, str], int] = {}
        self.values: dict[str, str] = {}
        self.marks: dict[str, Any] = {}
        self._wrong: dict[str, str] = {}
        self._read: dict[str, Any] = {}
        self.panel = Panel(self._told)
        self._open()
        Form._on_page.add(self)

    # --- for subclasses ------------------------------------------------------------------------------------

    def _begin(self) -> dict[str, str]:
        """What a fresh form holds before anyone types."""
        return {}

    def _place(self, key: str) -> Place | None:
        """The field that a key stands for, or None for what is no field."""
        raise NotImplementedError

    def _face(self) -> dict[str, Any]:
        """What there is to fill in."""
        raise NotImplementedError

    def _press(self, button: str, at: datetime) -> None:
        """A button was pressed."""
        raise NotImplementedError

    def _where(self, key: str) -> str:  # noqa: ARG002
        """Which of several fields of one name a key stands for, as a sentence about it begins."""
        return ""

    def _boards(self) -> dict[str, Part]:
        """What is said while typing, by place."""
        return {}

    def _ghosts_now(self) -> dict[str, str]:
        """What empty fields show, where it depends on what was typed elsewhere."""
        return {}

    def _clocks(self) -> dict[str, Part]:
        """The clocks, by place."""
        return {}

    def _news(self) -> None:
        """Another form has saved something: read the logbook again, unless something was typed here."""
        if self._draft is None and not self._done:
            self._open()
        else:
            self.refresh()

    @property
    def _done(self) -> bool:
        """Whether all of it is saved."""
        return bool(self.saved)

    # --- drafts --------------------------------------------------------------------------------------------

    def _open(self) -> None:
        """Start from the latest open draft, or afresh."""
        draft = self._drafts.latest(self.form)
        self._take(draft)
        self._restored = draft is not None
        self.refresh()

    def _take(self, draft: Draft | None) -> None:
        self._draft, self._conflict = draft, None
        self.saved = []
        self.marks = dict(draft.content["marks"]) if draft else {}
        self.values = dict(draft.content["values"]) if draft else self._begin()
        self._check_all()

    def _keep(self) -> None:
        content = {"values": self.values, "marks": self.marks}
        try:
            if self._draft is None:
                self._draft = self._drafts.begin(self.form, content)
            else:
                self._draft = self._drafts.keep(self._draft, content)
        except ConflictError as problem:
            self._conflict = str(problem)

    @property
    def origin(self) -> str:
        """The name under which this entry is written, once."""
        if self._draft is None:
            self._keep()
        assert self._draft is not None
        return self._draft.origin

    def _end(self, what: str) -> None:
        if self._draft is not None:
            self._drafts.end(self._draft, what)

    # --- what the person does ------------------------------------------------------------------------------

    def _told(self, message: Mapping[str, Any], buffers: list[Any]) -> None:
        try:
            self._take_changes(str(message.get("view")), message.get("changes", {}))
            if message["do"] == "press":
                at = datetime.fromtimestamp(message["at"] / 1000) if "at" in message else self.clock()
                self.press(str(message["button"]), at=at)
            elif message["do"] != "change":
                self._receive(message, buffers)
        except CastlabError as problem:
            self.say(str(problem), "wrong")
        except Exception as fault:
            self.say(f"A fault in castlab ({type(fault).__name__}: {fault}). What you typed is kept.", "wrong")
            raise

    def _take_changes(self, view: str, changes: Mapping[str, Any]) -> None:
        """What was typed on a page, unless something newer from there was taken already."""
        for key, (number, text) in changes.items():
            if number > self._newest.get((view, key), 0):
                self._newest[view, key] = number
                self.change(key, str(text))

    def _receive(self, message: Mapping[str, Any], buffers: list[Any]) -> None:
        """A photo or anything else with a body."""

    def change(self, key: str, text: str) -> None:
        """Something was typed into a field."""
        if self._done:
            return
        place = self._place(key)
        if text.strip().lower() in AS_SHOWN and place and place.shown is not None:
            text = typed.as_typed(place.shown)
        self.values[key] = text
        self._check(key)
        self._keep()
        self._changed(key)
        self.refresh()

    def _changed(self, key: str) -> None:
        """After a field has changed: for what follows from it."""

    def press(self, button: str, *, at: datetime | None = None) -> None:
        """A button was pressed."""
        moment = (at or self.clock()).replace(microsecond=0)
        if button == "discard":
            self._end("discarded")
            self._open()
            self.say("The draft is discarded.")
        elif button == "other" and self._draft is not None:
            self._take(self._drafts.get(self._draft.id))
            if self._draft is not None and self._draft.ended:
                self._take(None)
            self.say("This is what the other window holds.")
        elif button == "apart":
            self._draft, self._conflict = None, None
            self._keep()
            self.say("Kept as a draft of its own.")
        elif button.startswith("now:"):
            self.change(button.removeprefix("now:"), typed.as_typed(moment))
        else:
            self._press(button, moment)
        self.refresh()

    # --- reading -------------------------------------------------------------------------------------------

    def _check(self, key: str) -> None:
        self._wrong.pop(key, None)
        self._read.pop(key, None)
        place = self._place(key)
        if place is None:
            return
        try:
            value = typed.read_field(
                place.model, place.name, self.values.get(key, ""), pressure=self.book.pressure, now=self.clock(),
                label=faces.name(place.name),
            )  # fmt: skip
        except InputError as problem:
            self._wrong[key] = str(problem)
        else:
            if value not in (None, {}):
                self._read[key] = value

    def _check_all(self) -> None:
        self._wrong, self._read = {}, {}
        for key in self.values:
            self._check(key)

    def read(self, key: str) -> Any:
        """The value of a field as it would be logged, or None."""
        return self._read.get(key)

    def check(self, *starts: str) -> None:
        """Raise InputError naming the first field that cannot be used, of those whose key begins with one of `starts`.

        Nothing can be used while another window holds a newer draft.
        """
        if self._conflict:
            raise InputError(f"Nothing was saved: {self._conflict}. Choose above which one to go on with.")
        for key, problem in self._wrong.items():
            if not starts or key.startswith(starts):
                self.panel.focus(key)
                raise InputError(f"Nothing was saved. {self._where(key)}{problem}")

    # --- showing -------------------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the form as it stands."""
        face = self._face() | {"title": self.title, "restored": None if self._done else self._told_of_draft()}
        folds = {
            f"fold:{section['id']}": {"text": f"filled in: {', '.join(names)}"}
            for section in face.get("sections", [])
            if section["fold"] and (names := self._filled(section))
        }
        with self.panel.hold_sync():
            self.panel.face = face
            self.panel.values = dict(self.values)
            self.panel.notes = self._notes()
            self.panel.boards = self._boards() | folds
            self.panel.ghosts = self._ghosts_now()
            self.panel.clocks = self._clocks()
            self.panel.kept = self._kept()

    def say(self, text: str, tone: str = "", items: list[str] | None = None, actions: list[Part] | None = None) -> None:
        """The last word, under the form."""
        self.panel.said = {"text": text, "tone": tone, "items": items or [], "actions": actions or []}

    def _filled(self, section: Part) -> list[str]:
        """Labels of the fields in a folded section that hold something, so that nothing is logged unseen."""
        found = []
        for part in section["parts"]:
            for row in part.get("rows", [part]):
                keys = [f"{c['id']}/{row['key']}" for c in part["columns"]] if "rows" in part else [row.get("key")]
                if any(self.values.get(key, "") for key in keys):
                    found.append(row["label"])
        return found

    def _notes(self) -> dict[str, Part]:
        notes: dict[str, Part] = {key: {"tone": "wrong", "text": text} for key, text in self._wrong.items()}
        for key, value in self._read.items():
            place = self._place(key)
            if place and (words := typed.shown(place.name, value)) and not _plain(self.values[key], words):
                notes[key] = {"tone": "read", "text": f"= {words}"}
        return notes

    def _told_of_draft(self) -> Part | None:
        if self._conflict:
            return {
                "text": f"Not stored: {self._conflict}.",
                "actions": [
                    {"id": "other", "label": "Show what is there"},
                    {"id": "apart", "label": "Go on with mine as a new draft"},
                ],
            }
        if self._draft is None or not self._restored:
            return None
        waiting = len(self._drafts.open(self.form)) - 1
        more = f" {waiting} more wait{'s' if waiting == 1 else ''} after it." if waiting > 0 else ""
        return {
            "text": f"Draft of {self._draft.begun_at:%d %b, %H:%M} restored.{more}",
            "actions": [{"id": "discard", "label": "Discard this draft"}],
        }

    def _kept(self) -> str:
        if self._conflict:
            return "Not stored: choose at the top of this form which draft to go on with."
        if self._done or self._draft is None:
            return ""
        return f"Draft stored at {self._draft.changed_at:%H:%M:%S}; not in the logbook yet."

    def when_saved(self, listener: Callable[[], None]) -> None:
        """Call `listener` whenever something is saved."""
        self._listeners.append(listener)

    def _tell(self) -> None:
        for listener in self._listeners:
            listener()
        for other in [f for f in Form._on_page if f.book is self.book and f is not self]:
            other._news()

    def __repr__(self) -> str:
        return f"Form: {self.title.lower()} (fill it in in JupyterLab)"

    def _repr_mimebundle_(self, **options: Any) -> Any:
        """The widget, and for readers without one the line that says what stands here."""
        data, meta = self.panel._repr_mimebundle_(**options) or ({}, {})
        return {**data, "text/plain": repr(self)}, meta


def _plain(text: str, words: str) -> bool:
    """Whether what was typed is what was understood, so that saying it again adds nothing."""
    return words.split(" ")[0] == text.strip() or words == text.strip().lower() or words == text.strip()
