"""The form of the castings poured from one cup."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from castlab import cautions
from castlab.bench.planned import Planned
from castlab.errors import InputError
from castlab.forms import faces
from castlab.forms.batch import BatchForm
from castlab.forms.clocks import Degas, pot_life
from castlab.forms.columns import ALL, Column, ColumnsForm
from castlab.forms.faces import Part
from castlab.notebook import save
from castlab.records import Batch, Logbook, Trial, again, typed
from castlab.records.models import Material, Mold, Record

MOLD_DEGAS = Degas("mold_degas")
_SETTLED = ("mold_id", "cavity")
_RECENT = 12


class CastingsForm(ColumnsForm):
    """The castings of one batch."""

    title = "The castings"
    main = ("poured_at", "pour_method", "insert", "insert_prep", "depth_mm", "mold_degas_min", "cure_c")
    more = (
        "product", "release", "mold_c", "wait_min", "pour_min", "mass_g", "mold_degas_kpa", "hold_kpa", "hold_min",
        "extra", "notes",
    )  # fmt: skip

    def __init__(
        self,
        book: Logbook,
        cup: BatchForm | Batch | str | None,
        *,
        product: str | None = None,
        clock: Callable[[], datetime] = datetime.now,
    ) -> None:
        self.product = product
        self.plan: Planned | None = None
        self.batch: Batch | None = None
        self._cup = cup if isinstance(cup, BatchForm) else None
        if isinstance(cup, BatchForm):
            self.plan, self.batch = cup.plan, cup.batch
            cup.when_saved(self._follow)
        elif cup is not None:
            found = cup if isinstance(cup, Batch) else book.get(cup)
            if not isinstance(found, Batch) or found.id is None:
                raise InputError(f"{cup!r} is no batch of this logbook; accepted: its id, such as B-014")
            self.batch = found
        super().__init__(book, clock=clock)

    # --- which batch, which castings -----------------------------------------------------------------------

    def _open(self) -> None:
        self.form = f"castings of {self.batch.id}" if self.batch else "castings"
        self._trials = [t for t in self.book.records("trial") if isinstance(t, Trial)]
        self._columns = self._choices()
        super()._open()

    def _follow(self) -> None:
        """The cup was saved: its castings come next."""
        if self._cup is not None and self._cup.batch is not None:
            self.batch, self.plan = self._cup.batch, self._cup.plan
            self._open()
            self.say("")
            self.panel.focus(self._at(self.main[0]))

    def _choices(self) -> dict[str, Column]:
        """Every casting that could have been poured: those planned, then each cavity of the molds in use."""
        found: dict[str, Column] = {}
        if self.plan:
            for name in self.plan.castings:
                found[name.replace("/", " ")] = Column(name, dict(self.plan.fixed[name]), dict(self.plan.aims[name]))
        planned = {column.fixed.get("mold_id") for column in found.values()}
        for mold in self.book.records("mold"):
            if not isinstance(mold, Mold) or mold.retired_on or mold.id in planned:
                continue
            if self.product and mold.product and mold.product != self.product.strip().lower():
                continue
            cavities = mold.cavities or 1
            for cavity in range(1, cavities + 1):
                settled = {"mold_id": mold.id, "product": mold.product} | ({"cavity": cavity} if cavities > 1 else {})
                found[f"{mold.id}.{cavity}"] = Column(mold.name + f", cavity {cavity}" * (cavities > 1), settled)
        return found or {f"casting {n}": Column(f"casting {n}") for n in (1, 2, 3, 4)}

    def _first_picks(self) -> list[str]:
        if self.plan:
            return [key for key, column in self._columns.items() if column.label in self.plan.castings]
        before = {_spot(again.choices(t)) for t in self._last_castings()}
        picked = [k for k, c in self._columns.items() if _spot(c.fixed) in before]
        return picked or list(self._columns)[:1]

    def _last_castings(self) -> list[Trial]:
        wanted = self.product.strip().lower() if self.product else None
        of_product = [t for t in self._trials if wanted in (None, t.product)]
        return [t for t in of_product if t.batch_id == of_product[-1].batch_id] if of_product else []

    # --- what it holds -------------------------------------------------------------------------------------

    def _begin(self) -> dict[str, str]:
        """What was the same for all castings of the batch before, and what was each mold's own."""
        before = {_spot(again.choices(t)): again.choices(t) for t in self._last_castings()}
        kept = [{n: v for n, v in c.items() if n not in _SETTLED} for c in before.values()]
        same = {n: v for n, v in kept[0].items() if all(c.get(n) == v for c in kept)} if len(kept) > 1 else {}
        if self.product:
            same["product"] = self.product
        start = {f"{ALL}/{n}": typed.as_typed(v) for n, v in same.items()}
        for key, column in self._columns.items():
            own = dict(before.get(_spot(column.fixed), {}))
            own |= {n: v for n, v in column.fixed.items() if v}
            start |= {f"{key}/{n}": typed.as_typed(v) for n, v in own.items() if n not in _SETTLED and same.get(n) != v}
        return self._settled(start)

    def _face(self) -> dict[str, Any]:
        if self.batch is None:
            return {"lead": "Save the cup first; its castings come here then.", "sections": [self._earlier()]}
        if self._done:
            return {"lead": f"Poured from {self.batch.id}.", "sections": [self._earlier()]}
        extra = ("extra",) if self._any_extra() else ()
        shown, rest = (*self.main, *extra), tuple(n for n in self.more if n not in extra)
        vacuum = {"kind": "clock", "id": "mold_degas", "label": "Filled molds under vacuum"}
        care = {"kind": "words", "items": list(cautions.about("exotherm", "vacuum")[:-1])}
        sections = [
            faces.section("molds", "Molds", self._picks("Poured into"), {"kind": "clock", "id": "pot", "label": "Pot life"}, wide=True),
            faces.section("care", "Take care", care, wide=True),
            faces.section("pours", "Pours", vacuum, self._grid("What was done", shown, self._trials, feet=True), wide=True),
            faces.section(
                "more",
                "More: product, release, pressure hold, notes",
                self._grid("The rest", rest, self._trials),
                fold=True,
                wide=True,
            ),
            self._earlier(),
        ]  # fmt: skip
        several = "The first column holds for every casting; a casting's own entry comes before it."
        lead = f"Poured from {self.batch.id}. {several if self._several else ''}"
        return {"lead": lead, "sections": sections, "actions": [self._save_all("Save the casting", "Save all {}")]}

    def _any_extra(self) -> bool:
        """Whether a setting of the shop's own is planned or taken over: it must not be folded away then."""
        aimed = any(self._columns[key].aims.get("extra") for key in self._picked)
        return aimed or any(self.values.get(f"{key}/extra") for key in (ALL, *self._picked))

    def _earlier(self) -> Part:
        recent = [str(b.id) for b in self.book.records("batch")][-_RECENT:][::-1]
        options = faces.choice([(name, name) for name in recent], "not chosen")
        field = {"kind": "field", "key": "batch", "label": "batch", "unit": "", "hint": "", **options}
        return faces.section("earlier", "Castings from another batch", field, fold=True)

    def _clocks(self) -> dict[str, Part]:
        batch = self.batch
        clocks: dict[str, Part] = {"mold_degas": MOLD_DEGAS.face(self.marks)}
        clocks["pot"] = {"idle": "Not running: the batch has no mixing time of today.", "buttons": []}
        if batch is not None and batch.mixed_at is not None and (self.clock() - batch.mixed_at).days < 1:
            material = self.book.get(batch.resin_id) if batch.resin_id else None
            known = material if isinstance(material, Material) else None
            clocks["pot"] = pot_life(batch.mixed_at, known, batch.resin_g, batch.hardener_g, batch.resin_c)
        return clocks

    # --- buttons -------------------------------------------------------------------------------------------

    def change(self, key: str, text: str) -> None:
        """Something was typed; or another batch was chosen."""
        if key != "batch":
            return super().change(key, text)
        found = self.book.get(text) if text else None
        self.batch, self.plan = (found if isinstance(found, Batch) else None), None
        self._open()
        self.say("")
        return None

    def _press(self, button: str, at: datetime) -> None:
        place = self._at("mold_degas_min")
        if button == "mold_degas_start":
            self.marks = MOLD_DEGAS.started(self.marks, at, self.read(place))
            self._keep()
        elif button == "mold_degas_stop" and MOLD_DEGAS.runs(self.marks):
            self.marks, ran = MOLD_DEGAS.stopped(self.marks, at)
            self.change(place, typed.as_typed(ran))
        else:
            super()._press(button, at)

    def casting(self, key: str) -> Trial:
        """The casting of one column as it would be logged."""
        settled = {n: v for n, v in self._columns[key].fixed.items() if n in _SETTLED}
        return Trial(batch_id=str(self.batch.id if self.batch else ""), **settled, **self.casting_values(key))

    def _write(self, keys: list[str]) -> list[Record]:
        with self.book.together():
            return [save(self.book, self.casting(key), f"{self.origin}, {key}") for key in keys]

    def _told_saved(self, keys: list[str], added: list[Record]) -> None:
        names = [f"{r.id} ({self._columns[k].label})" for k, r in zip(keys, added, strict=True)]
        items = [f"{r.id}: {'; '.join(faces.summary(r, self.main))}" for r in added]
        warned = [f"Look again, {r.id}: {text}" for r in added for text in r.cautions]
        rest = (
            f" {len(self._left)} still to save." if self._left else " Cure and demolding are added when they come out."
        )
        self.say(f"Saved: {', '.join(names)}.{rest}", "care" if warned else "good", items + warned)


def _spot(casting: dict[str, Any]) -> tuple[Any, ...]:
    """The mold and the cavity."""
    return tuple(casting.get(name) for name in _SETTLED)
