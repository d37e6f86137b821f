"""Forms of one record: a resin or a mold that is new, and a slip of the pen put right."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any, ClassVar

from castlab.bench.materials import families, family
from castlab.errors import InputError, NotFoundError
from castlab.forms import faces
from castlab.forms.faces import Part
from castlab.forms.form import Form, Place
from castlab.given import shown as quoted
from castlab.notebook import correct, save
from castlab.records import Logbook, typed
from castlab.records.models import KINDS, Material, Mold, Record

_RECENT = 30


class RecordForm(Form):
    """A new record of one kind, saved once."""

    model: ClassVar[type[Record]]
    main: ClassVar[tuple[str, ...]]

    def __init__(self, book: Logbook, *, clock: Callable[[], datetime] = datetime.now) -> None:
        self.form = self.model.kind
        super().__init__(book, clock=clock)

    def _place(self, key: str) -> Place | None:
        return Place(self.model, key) if key in self.model.model_fields else None

    def _face(self) -> dict[str, Any]:
        if self._done:
            return {}
        rest = [n for n in (*self.model.settings(), "notes") if n not in self.main]
        return {
            "lead": self._lead(),
            "sections": [
                faces.section("main", "", *(self._field(n) for n in self.main)),
                faces.section("more", "More", *(self._field(n) for n in rest), fold=True),
            ],
            "actions": [{"id": "save", "label": "Save", "main": True}],
        }

    def _lead(self) -> str:
        known = [f"{getattr(r, 'name', '')} ({r.id})" for r in self.book.records(self.model.kind)]
        return f"In the logbook already: {', '.join(known)}." if known else "None is in the logbook yet."

    def _field(self, name: str) -> Part:
        return faces.field(self.model, name)

    def _check(self, key: str) -> None:
        """As any field; a name that another one in use has already is refused, for lists could not tell the two apart."""
        super()._check(key)
        name = str(self._read.get("name", ""))
        if key == "name" and name:
            others = [r for r in self.book.records(self.model.kind) if not getattr(r, "retired_on", None)]
            same = [r.id for r in others if str(getattr(r, "name", "")).lower() == name.lower()]
            if same:
                self._wrong[key] = (
                    f"name: {same[0]} is called {name!r} already; accepted: a name that no other in use has"
                )
                del self._read[key]

    def _press(self, button: str, at: datetime) -> None:  # noqa: ARG002
        if button == "save" and not self.saved:
            self._check("name")
            self.check()
            record = save(self.book, self.model(**self._read), self.origin)
            self.saved = [record]
            self._end(f"saved as {record.id}")
            items = faces.summary(record, list(self.model.settings()))
            self.say(f"Saved: {record.id}.", "good", items, [{"id": "next", "label": "One more"}])
            self._tell()
        elif button == "next":
            self._take(None)
            self.say("")


class MaterialForm(RecordForm):
    """A resin system, silicone or other material."""

    title = "A resin or silicone"
    model = Material
    main = ("name", "family", "target_phr", "ratio_tolerance_pct", "pot_life_min", "cure_h")

    def _field(self, name: str) -> Part:
        return faces.field(Material, name, suggest=list(families()) if name == "family" else None)

    def _notes(self) -> dict[str, Part]:
        """As in any form; of a family without typical values it is said that there are none, and which have them."""
        notes = super()._notes()
        typed_now = str(self._read.get("family", ""))
        if typed_now:
            try:
                family(typed_now)
            except InputError as problem:
                notes["family"] = {"tone": "care", "text": f"{problem}. Of another one no pot life or cure can be told"}
        return notes


class MoldForm(RecordForm):
    """A mold."""

    title = "A mold"
    model = Mold
    main = ("name", "product", "cavities", "cavity_ml", "made_on")

    def _field(self, name: str) -> Part:
        if name == "silicone_id":
            return faces.field(
                Mold, name, **faces.choice(faces.options_of(self.book.records("material")), "not chosen")
            )
        known = self.book.records("mold")
        return faces.field(Mold, name, suggest=faces.used_before(known, name) if name == "product" else None)


class CorrectionForm(Form):
    """A slip of the pen put right: a new version with a reason; the old one stays readable."""

    form = "correction"
    title = "A slip of the pen"

    def __init__(self, book: Logbook, *, clock: Callable[[], datetime] = datetime.now) -> None:
        self._record: Record | None = None
        super().__init__(book, clock=clock)

    def _take(self, draft: Any) -> None:
        chosen = draft.content["values"].get("entry") if draft else None
        self._record = self.book.get(chosen) if chosen else None
        super()._take(draft)

    def _begin(self) -> dict[str, str]:
        if self._record is None:
            return {}
        known = {n: typed.as_typed(v) for n in self._names() if (v := getattr(self._record, n)) not in (None, {})}
        return {"entry": str(self._record.id)} | known

    def _names(self) -> list[str]:
        if self._record is None:
            return []
        fixed = {"batch_id", "trial_id", "sha256"}
        return [
            n
            for n in (*self._record.settings(), "extra", "notes")
            if n in type(self._record).model_fields and n not in fixed
        ]

    def _place(self, key: str) -> Place | None:
        return Place(type(self._record), key) if self._record and key in self._names() else None

    def _face(self) -> dict[str, Any]:
        if self._done:
            return {}
        chosen = faces.choice([(name, name) for name in self._entries()], "not chosen")
        which = {"kind": "field", "key": "entry", "label": "entry", "unit": "", "hint": "", **chosen}
        hint = f"the list holds the latest {_RECENT}; such as B-014 or T-014.3"
        older = {
            "kind": "field",
            "key": "older",
            "label": "or an older one, by its id",
            "unit": "",
            "hint": hint,
            "input": "text",
        }
        sections = [faces.section("which", "What was written down wrong", which, older)]
        if self._record is None:
            return {"lead": "Nothing in a logbook is overwritten: the old value stays readable.", "sections": sections}
        why = {
            "kind": "field",
            "key": "why",
            "label": "why",
            "unit": "",
            "hint": "such as: misread the scale",
            "input": "long",
        }
        model = type(self._record)
        fields = [faces.field(model, name) for name in self._names()]
        sections.append(faces.section("values", f"{self._record.id} as it is: change what is wrong", *fields))
        sections.append(faces.section("why", "The reason", why))
        drop = {"id": "withdraw", "label": "Withdraw it: entered by mistake"}
        return {"sections": sections, "actions": [{"id": "save", "label": "Save the correction", "main": True}, drop]}

    def _entries(self) -> list[str]:
        every = [r for kind in KINDS for r in self.book.records(kind)]
        latest = sorted(every, key=lambda r: r.logged_at or datetime.min, reverse=True)
        listed = [str(r.id) for r in latest[:_RECENT]]
        chosen = [str(self._record.id)] if self._record else []
        return [*(name for name in chosen if name not in listed), *listed]

    def _check(self, key: str) -> None:
        super()._check(key)
        asked = self.values.get("older", "").strip()
        if key == "older" and asked and (self._record is None or asked.upper() != self._record.id):
            self._wrong[key] = (
                f"there is no entry {quoted(asked)}; accepted: an id of this logbook, such as B-014 or T-014.3"
            )

    def change(self, key: str, text: str) -> None:
        """Something was typed; or an entry was chosen, whose values come into the form then."""
        if key not in ("entry", "older") or self._done:
            return super().change(key, text)
        try:
            self._record = self.book.get(text.strip().upper()) if text.strip() else None
        except NotFoundError:
            self._record = None
        self.values = self._begin() | ({"older": text} if key == "older" else {})
        self.marks["version"] = self._record.version if self._record else None
        self._check_all()
        self._keep()
        self.refresh()
        return None

    def _press(self, button: str, at: datetime) -> None:  # noqa: ARG002
        if button == "next":
            self._take(None)
            self.say("")
        if button not in ("save", "withdraw") or self._record is None or self.saved:
            return
        why = self.values.get("why", "")
        if not why.strip():
            self.panel.focus("why")
            raise InputError("Nothing was saved: a correction needs a reason.")
        self.check()
        record = self._record
        typed_now = {n: self.values.get(n, "").strip() for n in self._names()}
        changed = [n for n, text in typed_now.items() if text != typed.as_typed(getattr(record, n) or None)]
        changes: dict[str, Any] = {n: self.read(n) for n in changed}
        if button == "withdraw":
            changes = {"withdrawn": True}
        new = correct(self.book, str(record.id), why=why, expected_version=self.marks.get("version"), **changes)
        self.saved = [new]
        self._end(f"saved as version {new.version} of {new.id}")
        told = [f"{faces.name(n)}: {_words(n, getattr(record, n))} → {_words(n, getattr(new, n))}" for n in changes]
        self.say(f"Saved: {new.id}, version {new.version}.", "good", told, [{"id": "next", "label": "Another one"}])
        self._tell()


def _words(name: str, value: Any) -> str:
    return "not known" if value in (None, {}) else typed.shown(name, value)
