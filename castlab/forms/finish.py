"""The form for hours later: the cure, and when a casting came out of its mold."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from castlab import cautions
from castlab.errors import InputError
from castlab.forms import faces
from castlab.forms.columns import Column, ColumnsForm
from castlab.notebook import correct
from castlab.records import Logbook, Trial, typed
from castlab.records.models import Mold, Record
from castlab.records.typed import CLOCKS_DIFFER
from castlab.records.waiting import hours_since_pour, not_demolded, scored_castings

WHY = "demolded"
_MOST = 24


class FinishForm(ColumnsForm):
    """Castings that are not logged as demolded: what is known only now is added to them, as a correction."""

    form = "demolding"
    title = "Out of the mold"
    main = ("cure_h", "cure_c", "demold_h", "post_cure_h", "post_cure_c")
    more = ("hold_kpa", "hold_min", "mass_g", "extra", "notes")
    own = ("demold_h", "extra", "notes")

    def __init__(self, book: Logbook, *, clock: Callable[[], datetime] = datetime.now) -> None:
        super().__init__(book, clock=clock)

    def _open(self) -> None:
        self._castings = {str(t.id): t for t in not_demolded(self.book)[:_MOST]}
        molds = {m.id: m.name for m in self.book.records("mold") if isinstance(m, Mold)}
        scored = scored_castings(self.book)
        self._columns = {}
        for name, casting in self._castings.items():
            where = molds.get(casting.mold_id, casting.product or "no mold")
            cavity = f" {casting.cavity}" if casting.cavity else ""
            poured = f", poured {casting.poured_at:%d %b, %H:%M}" if casting.poured_at else ""
            out = ", scored already" if name in scored else ""
            self._columns[name] = Column(f"{name} {where}{cavity}", more=poured + out)
        super()._open()

    def _first_picks(self) -> list[str]:
        """The castings of the batch that was poured last."""
        batches = [casting.batch_id for casting in self._castings.values()]
        return [name for name, casting in self._castings.items() if casting.batch_id == batches[0]]

    def _begin(self) -> dict[str, str]:
        names = (*self.main, *self.more)
        return {
            f"{key}/{name}": typed.as_typed(value)
            for key, casting in self._castings.items()
            for name in names
            if (value := getattr(casting, name)) not in (None, {})
        }

    def _face(self) -> dict[str, Any]:
        if not self._castings:
            return {"lead": "No casting waits in its mold."}
        if self._done:
            return {"actions": [{"id": "again", "label": "Others"}]}
        care = {"kind": "words", "items": list(cautions.about("epoxy", "oven", "pressure"))}
        sections = [
            faces.section("which", "Castings not logged as demolded", self._picks("Came out"), wide=True),
            faces.section("care", "Take care", care, wide=True),
            faces.section("cure", "Cure", self._grid("From the pour to now", self.main, [], feet=True), wide=True),
            faces.section(
                "more", "More: pressure hold, mass, notes", self._grid("The rest", self.more, []), fold=True, wide=True
            ),
        ]
        actions = [self._save_all("Save", "Save all {}")] if self._picked else []
        return {"lead": "What is known only now is added to each casting.", "sections": sections, "actions": actions}

    def _row(self, name: str, records: list[Trial]) -> faces.Part:
        row = super()._row(name, records)
        if name == "demold_h":
            row |= {"input": "moment", "label": "from pour to demold"}
        return row

    def _check(self, key: str) -> None:
        """As any field; and a casting cannot have come out after now."""
        super()._check(key)
        name, _, field = key.rpartition("/")
        casting, hours = self._castings.get(name), self.read(key)
        if field != "demold_h" or casting is None or casting.poured_at is None or hours is None:
            return
        out, now = casting.poured_at + timedelta(hours=hours), self.clock()
        if out > now + CLOCKS_DIFFER:
            del self._read[key]
            gone = max(0.0, (now - casting.poured_at) / timedelta(hours=1))
            self._wrong[key] = (
                f"{faces.name(field)}: {hours:g} h after the pour is {out:%Y-%m-%d %H:%M}, still to come; "
                f"accepted: up to {gone:.3g} h"
            )

    def press(self, button: str, *, at: datetime | None = None) -> None:
        """A button was pressed; "now" beside the demolding counts the hours since the pour."""
        if button.startswith("now:") and button.endswith("/demold_h"):
            key = button.removeprefix("now:")
            hours = hours_since_pour(self._castings[key.split("/")[0]], at or self.clock())
            if hours is None:
                raise InputError("The time of the pour was not logged: type the hours.")
            self.change(key, typed.as_typed(hours))
            return
        super().press(button, at=at)

    def _press(self, button: str, at: datetime) -> None:
        if button == "again":
            self._open()
            self.say("")
        else:
            super()._press(button, at)

    def _changed(self, key: str) -> None:
        """The version that the entry was read at: another window's correction in between is not overwritten."""
        name = key.split("/")[0]
        versions = dict(self.marks.get("versions", {}))
        for casting in self._castings.values():
            if name in ("all", casting.id):
                versions.setdefault(str(casting.id), casting.version)
        if versions != self.marks.get("versions"):
            self.marks["versions"] = versions
            self._keep()

    def _write(self, keys: list[str]) -> list[Record]:
        versions = self.marks.get("versions", {})
        todo = {}
        for key in keys:
            now = self._castings[key]
            changes = {
                n: v
                for n, v in self.casting_values(key).items()
                if typed.as_typed(v) != typed.as_typed(getattr(now, n))
            }
            if not changes:
                raise InputError(f"Nothing was saved: nothing was filled in for {key}.")
            todo[key] = changes
        with self.book.together():
            return [
                correct(self.book, key, why=WHY, expected_version=versions.get(key), **changes)
                for key, changes in todo.items()
            ]

    def _told_saved(self, keys: list[str], added: list[Record]) -> None:
        items = [f"{r.id}: {'; '.join(faces.summary(r, self.main))}" for r in added]
        warned = [f"Look again, {r.id}: {text}" for r in added for text in r.cautions]
        rest = f" {len(self._left)} still to save." if self._left else " Next: score them."
        self.say(f"Saved: {', '.join(keys)}.{rest}", "care" if warned else "good", items + warned)
