"""The form of one mixed cup: weighing with the ratio checked, the pot life running, the degas timed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from castlab import cautions
from castlab.bench.cup import weighing
from castlab.bench.planned import Planned
from castlab.errors import InputError
from castlab.forms import faces
from castlab.forms.clocks import Degas, pot_life
from castlab.forms.faces import Part
from castlab.forms.form import Form, Place
from castlab.notebook import save
from castlab.records import Batch, Logbook, again, typed
from castlab.records.models import Material, Record

_SHOWN = ("resin_lot", "resin_g", "hardener_g", "resin_c", "stir_min", "cup_degas_min", "cup_degas_kpa")
CUP_DEGAS = Degas("cup_degas")
_TONES = {"wanted": "", "inside": "good", "too little": "care", "too much": "wrong"}


class BatchForm(Form):
    """Start a batch: from a plan, or the same as the last one except for what differs."""

    form = "batch"
    title = "The cup"

    def __init__(
        self,
        book: Logbook,
        *,
        plan: Planned | None = None,
        last: Batch | None = None,
        clock: Callable[[], datetime] = datetime.now,
    ) -> None:
        self.plan = plan
        self.last = last
        self._batches = book.records("batch")
        self._before = again.choices(last) | again.readings(last) if last else {}
        self._ghosts = dict(plan.aims["batch"]) if plan else (again.readings(last) if last else {})
        self.form = f"batch of {plan.name}" if plan else "batch"
        super().__init__(book, clock=clock)

    # --- what it holds -------------------------------------------------------------------------------------

    @property
    def batch(self) -> Batch | None:
        """The batch, once it is saved."""
        return next((r for r in self.saved if isinstance(r, Batch)), None)

    def refresh(self) -> None:
        """Show the form as it stands, with the resins that are in the logbook now."""
        self._materials = {str(m.id): m for m in self.book.records("material") if isinstance(m, Material)}
        super().refresh()

    def _begin(self) -> dict[str, str]:
        start: dict[str, Any] = again.choices(self.last) if self.last else {}
        if self.plan:
            start = {n: v for n, v in start.items() if n != "plan"} | dict(self.plan.fixed["batch"])
        return {n: typed.as_typed(v) for n, v in start.items()}

    def _place(self, key: str) -> Place | None:
        return Place(Batch, key, self._ghosts.get(key)) if key in Batch.model_fields else None

    def _face(self) -> dict[str, Any]:
        field = self._field
        own = self._before.get("extra") or self._ghosts.get("extra")
        resins = faces.choice(faces.options_of(list(self._materials.values())), "not chosen")
        sections = [
            faces.section(
                "resin",
                "Resin",
                field("resin_id", **resins) if self._materials else None,
                field("resin_lot", suggest=faces.used_before(self._batches, "resin_lot")),
                field("hardener_lot", suggest=faces.used_before(self._batches, "hardener_lot")),
                None if self._target_is_known else field("target_phr"),
            ),
            faces.section(
                "scale", "On the scale", field("resin_g"), field("hardener_g"), {"kind": "board", "id": "weighing"}
            ),
            faces.section("room", "Temperatures", field("resin_c"), field("room_c"), field("humidity_pct")),
            faces.section(
                "stirring",
                "Stirring",
                {"kind": "clock", "id": "pot", "label": "Pot life"},
                field("stir_min"),
                field("stir_method", suggest=faces.used_before(self._batches, "stir_method")),
                field("extra") if own else None,
            ),
            faces.section(
                "degassing",
                "The cup under vacuum",
                {"kind": "words", "items": list(cautions.about("vacuum", "pump")[:-1])},
                {"kind": "clock", "id": "cup_degas", "label": "Under vacuum"},
                field("cup_degas_min"),
                field("cup_degas_kpa"),
            ),
            faces.section(
                "more",
                "More: plan, times, pump, notes",
                field("mixed_at"),
                field("rest_min"),
                field("pump_base_kpa"),
                field("colorant_g"),
                field("plan", suggest=faces.used_before(self._batches, "plan")),
                field("target_phr") if self._target_is_known else None,
                field("pot_life_min"),
                None if own else field("extra"),
                field("notes"),
                fold=True,
            ),
        ]
        if self._done:
            return {"sections": [], "actions": [], "lead": ""}
        actions = [{"id": "save", "label": "Save the batch", "main": True}]
        return {"lead": self._lead(), "sections": [self._care(), *sections], "actions": actions, "first": self._first()}

    def _field(self, name: str, **more: Any) -> Part:
        whose = "planned" if self.plan else str(self.last.id) if self.last else ""
        return faces.field(Batch, name, ghost=faces.ghost(self._ghosts.get(name), whose), **more)

    def _care(self) -> Part:
        known = ("epoxy", "exotherm")
        told = cautions.about(*known)
        return faces.section("care", "Take care", {"kind": "words", "items": list(told)}, wide=True)

    def _lead(self) -> str:
        take = (
            'An empty field shows {0} value: type "=" to log it as read. What you leave empty is logged as not known.'
        )
        if self.plan:
            return f"As planned in {self.plan.name}. " + take.format("the planned")
        if self.last:
            return f"Same as {self.last.id} except for what you change. " + take.format("the last")
        return "Leave empty what you do not know. Enter moves on, Ctrl+Enter saves."

    def _first(self) -> str:
        names = ("resin_id", "resin_lot") if self._materials else ("resin_lot",)
        return next((n for n in names if not self.values.get(n)), "resin_g")

    # --- while typing --------------------------------------------------------------------------------------

    @property
    def _material(self) -> Material | None:
        return self._materials.get(self.values.get("resin_id", ""))

    @property
    def _target_is_known(self) -> bool:
        own = self._material.target_phr if self._material else None
        return own is not None or bool(self._before.get("target_phr"))

    def _boards(self) -> dict[str, Part]:
        material = self._material
        resin, phr = self.read("resin_g"), self.read("target_phr") or (material.target_phr if material else None)
        if not resin or not phr:
            missing = "the resin on the scale" if phr else "a resin system, or the hardener aimed at,"
            return {"weighing": {"text": f"With {missing} the hardener that is wanted shows here.", "tone": ""}}
        tolerance = material.ratio_tolerance_pct if material else None
        scale = weighing(resin, phr, self.read("hardener_g"), tolerance)
        return {"weighing": {"text": scale.words, "tone": _TONES[scale.state]}}

    def _clocks(self) -> dict[str, Part]:
        pot: Part = {"idle": "Press when resin and hardener meet.", "buttons": [{"id": "mixed", "label": "Mixed now"}]}
        if mixed := self.read("mixed_at"):
            masses = self.read("resin_g"), self.read("hardener_g")
            pot = pot_life(mixed, self._material, *masses, self.read("resin_c"))
        return {"pot": pot, "cup_degas": CUP_DEGAS.face(self.marks)}

    def _notes(self) -> dict[str, Part]:
        notes = super()._notes()
        if self.last:
            for name, value in self._read.items():
                old = self._before.get(name)
                if old is None or value == old or name == "mixed_at":
                    continue
                was = f"{self.last.id}: {typed.shown(name, old)}"
                changed = name in again.CHOICES["batch"]
                told = was if changed else f"{notes.get(name, {}).get('text', '')} ({was})".strip()
                notes[name] = {"tone": "changed" if changed else "read", "text": told}
        return notes

    # --- buttons -------------------------------------------------------------------------------------------

    def _press(self, button: str, at: datetime) -> None:
        if button == "mixed":
            self.change("mixed_at", typed.as_typed(at))
        elif button == "cup_degas_start":
            self.marks = CUP_DEGAS.started(self.marks, at, self.read("cup_degas_min"))
            self._keep()
        elif button == "cup_degas_stop" and CUP_DEGAS.runs(self.marks):
            self.marks, ran = CUP_DEGAS.stopped(self.marks, at)
            self.change("cup_degas_min", typed.as_typed(ran))
        elif button == "save":
            self._save()
        elif button == "next":
            self._next()

    def _save(self) -> None:
        if self.batch is None:
            if self._draft is None:
                raise InputError("Nothing was saved: nothing was filled in yet.")
            self.check()
            batch = save(self.book, Batch(**self._read), self.origin)
            self.saved = [batch]
            self._end(f"saved as {batch.id}")
            self._told_saved(batch)
            self._tell()

    def _told_saved(self, batch: Batch) -> None:
        differs = again.differences(self._read, self._before) if self.last else []
        items = faces.summary(batch, _SHOWN)
        if differs and self.last:
            items.append(f"Against {self.last.id}: {'; '.join(differs)}")
        items += [f"Look again: {text}" for text in batch.cautions]
        text = f"Saved: batch {batch.id}, by {batch.logged_by}. The castings poured from it come next."
        self.say(text, "care" if batch.cautions else "good", items, [{"id": "next", "label": "Start the next cup"}])

    def _next(self) -> None:
        """A fresh form, the same as what was just saved."""
        batch = self.batch
        if batch is None:
            return
        self.plan, self.last, self.form = None, batch, "batch"
        self._batches = [*self._batches, batch]
        self._before = again.choices(batch) | again.readings(batch)
        self._ghosts = again.readings(batch)
        self._take(None)
        self.say("")


def last_batch(records: list[Record]) -> Batch | None:
    """The batch logged last, or None."""
    return next((r for r in reversed(records) if isinstance(r, Batch)), None)
