"""The form of the castings poured from one cup: a column per mold or cavity, and one for what is the same for all."""

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
from castlab.forms.faces import Part
from castlab.forms.form import Form, Place
from castlab.notebook import save
from castlab.records import Batch, Logbook, Trial, again, typed
from castlab.records.models import Mold

ALL = "all"
MOLD_DEGAS = Degas("mold_degas")
_MAIN = ("poured_at", "pour_method", "insert", "insert_prep", "depth_mm", "mold_degas_min", "cure_c")
_MORE = (
    "product", "release", "mold_c", "wait_min", "pour_min", "mass_g", "mold_degas_kpa", "hold_kpa", "hold_min", "extra",
    "notes",
)  # fmt: skip
_OWN = ("mold_id", "cavity")
_RECENT = 12


class CastingsForm(Form):
    """The castings of one batch, saved one by one or all at once."""

    title = "The castings"

    def __init__(
        self,
        book: Logbook,
        cup: BatchForm | Batch | str | None,
        *,
        plan: Planned | None = None,
        product: str | None = None,
        clock: Callable[[], datetime] = datetime.now,
    ) -> None:
        self.plan = plan
        self.product = product
        self.batch: Batch | None = None
        self._cup = cup if isinstance(cup, BatchForm) else None
        self._molds: dict[str, Mold] = {}
        self._trials: list[Trial] = []
        if isinstance(cup, BatchForm):
            self.plan = plan or cup.plan
            cup.when_saved(self._follow)
            self.batch = cup.batch
        elif cup is not None:
            found = cup if isinstance(cup, Batch) else book.get(cup)
            if not isinstance(found, Batch) or found.id is None:
                raise InputError(f"{cup!r} is no batch of this logbook; accepted: its id, such as B-014")
            self.batch = found
        super().__init__(book, clock=clock)

    # --- which batch, which castings -----------------------------------------------------------------------

    def _open(self) -> None:
        self.form = f"castings of {self.batch.id}" if self.batch else "castings"
        self._molds = {str(m.id): m for m in self.book.records("mold") if isinstance(m, Mold) and m.retired_on is None}
        self._trials = [t for t in self.book.records("trial") if isinstance(t, Trial)]
        self._columns = self._choices()
        super()._open()

    def _follow(self) -> None:
        """The cup was saved: its castings come next."""
        if self._cup is not None and self._cup.batch is not None:
            self.batch, self.plan = self._cup.batch, self._cup.plan
            self._open()
            self.say("")
            self.panel.focus(f"{ALL}/poured_at")

    def _choices(self) -> dict[str, dict[str, Any]]:
        """Every casting that could have been poured: its key -> name on the page and what is known of it."""
        found: dict[str, dict[str, Any]] = {}
        for name in self.plan.castings if self.plan else ():
            fixed = dict(self.plan.fixed[name]) if self.plan else {}
            found[name.replace("/", " ")] = {"label": name, "fixed": fixed, "aims": dict(self.plan.aims[name])}  # type: ignore[union-attr]
        planned = {c["fixed"].get("mold_id") for c in found.values()}
        for mold in self._molds.values():
            if mold.id in planned or (self.product and mold.product and mold.product != self.product):
                continue
            for cavity in range(1, (mold.cavities or 1) + 1):
                several = (mold.cavities or 1) > 1
                fixed = {"mold_id": mold.id, "product": mold.product} | ({"cavity": cavity} if several else {})
                label = f"{mold.name}, cavity {cavity}" if several else mold.name
                found[f"{mold.id}.{cavity}"] = {"label": label, "fixed": fixed, "aims": {}}
        if not found:
            found = {f"casting {n}": {"label": f"casting {n}", "fixed": {}, "aims": {}} for n in (1, 2, 3, 4)}
        return found

    def _first_picks(self) -> list[str]:
        if self.plan:
            return [key for key, column in self._columns.items() if column["label"] in self.plan.castings]
        before = {(t.mold_id, t.cavity) for t in self._last_castings()}
        picked = [
            k for k, c in self._columns.items() if (c["fixed"].get("mold_id"), c["fixed"].get("cavity")) in before
        ]
        return picked or list(self._columns)[:1]

    def _last_castings(self) -> list[Trial]:
        of_product = [t for t in self._trials if self.product in (None, t.product)]
        return [t for t in of_product if t.batch_id == of_product[-1].batch_id] if of_product else []

    @property
    def _picked(self) -> list[str]:
        picked = self.marks.get("picked")
        wanted = self._first_picks() if picked is None else picked
        return [key for key in self._columns if key in wanted or key in self._written]

    @property
    def _written(self) -> dict[str, str]:
        """Column -> id of the casting that was saved from it."""
        return dict(self.marks.get("written", {}))

    @property
    def _done(self) -> bool:
        return bool(self._written) and all(key in self._written for key in self._picked)

    # --- what it holds -------------------------------------------------------------------------------------

    def _begin(self) -> dict[str, str]:
        """What was the same for all castings of the batch before, and what was each mold's own."""
        before = {(t.mold_id, t.cavity): again.choices(t) for t in self._last_castings()}
        kept = [{n: v for n, v in c.items() if n not in _OWN} for c in before.values()]
        same = {n: v for n, v in kept[0].items() if all(c.get(n) == v for c in kept)} if kept else {}
        if self.product:
            same["product"] = self.product
        start = {f"{ALL}/{n}": typed.as_typed(v) for n, v in same.items()}
        for key, column in self._columns.items():
            fixed = column["fixed"]
            own = before.get((fixed.get("mold_id"), fixed.get("cavity")), {})
            for n, v in (own | {n: v for n, v in fixed.items() if v}).items():
                if n not in _OWN and same.get(n) != v:
                    start[f"{key}/{n}"] = typed.as_typed(v)
        return start

    def _place(self, key: str) -> Place | None:
        column, _, name = key.rpartition("/")
        if name not in Trial.model_fields:
            return None
        return Place(Trial, name, self._columns.get(column, {}).get("aims", {}).get(name))

    def _face(self) -> dict[str, Any]:
        if self.batch is None:
            return {"lead": "Save the cup first; its castings come here then.", "sections": [self._earlier()]}
        columns = self._page_columns()
        main = self._grid("What was done", _MAIN, columns, feet=True)
        more = self._grid("The rest", _MORE, columns)
        options = [{"value": key, "label": c["label"], "on": key in self._picked} for key, c in self._columns.items()]
        molds = {"kind": "picks", "id": "molds", "label": "Poured into", "options": options}
        cautious = [*cautions.about("exotherm", "vacuum")[:-1]]
        sections = [
            faces.section("molds", "Molds", molds, {"kind": "clock", "id": "pot", "label": "Pot life"}, wide=True),
            faces.section("care", "Take care", {"kind": "words", "items": cautious}, wide=True),
            faces.section(
                "pours",
                "Pours",
                {"kind": "clock", "id": "mold_degas", "label": "Filled molds under vacuum"},
                main,
                wide=True,
            ),
            faces.section("more", "More: product, release, pressure hold, notes", more, fold=True, wide=True),
        ]
        count = sum(key not in self._written for key in self._picked)
        actions = [{"id": "save_all", "label": f"Save all {count}" if count > 1 else "Save the casting", "main": True}]
        if self._done:
            sections, actions = [], []
        lead = f"Poured from {self.batch.id}. The first column holds for every casting; a casting's own entry comes before it."
        return {"lead": lead, "sections": [*sections, self._earlier()], "actions": actions}

    def _earlier(self) -> Part:
        recent = [str(b.id) for b in self.book.records("batch")][-_RECENT:][::-1]
        options = faces.choice([(name, name) for name in recent], "not chosen")
        field = {"kind": "field", "key": "batch", "label": "Batch", "unit": "", "hint": "", **options}
        return faces.section("earlier", "Castings from another batch", field, fold=True)

    def _page_columns(self) -> list[Part]:
        several = len(self._picked) > 1
        columns: list[Part] = [{"id": ALL, "label": "Same for all"}]
        for key in self._picked:
            label, written = self._columns[key]["label"], self._written.get(key)
            foot: Part = {"id": f"save:{key}", "label": "Save", "about": f"Save {label}"}
            if written:
                foot = {"text": f"Saved {written}"}
            columns.append(
                {"id": key, "label": label, "shut": bool(written), "foot": foot if several or written else None}
            )
        return columns

    def _grid(self, caption: str, names: tuple[str, ...], columns: list[Part], *, feet: bool = False) -> Part:
        rows = []
        for name in names:
            suggest = (
                faces.used_before(self._trials, name) if name in again.CHOICES["trial"] and name != "extra" else []
            )
            row = faces.field(Trial, name, suggest=[s for s in suggest if not s.replace(".", "").isdigit()])
            row["ghosts"] = {key: self._ghost(key, name) for key in self._picked}
            if row["input"] == "long":
                row["input"] = "text"
            rows.append(row)
        shown = columns if feet else [{**c, "foot": None} for c in columns]
        return {"kind": "grid", "caption": caption, "corner": "", "columns": shown, "rows": rows}

    def _ghost(self, key: str, name: str) -> str | None:
        if own := faces.ghost(self._columns[key]["aims"].get(name), "planned"):
            return own
        return self.values.get(f"{ALL}/{name}") or None

    def _clocks(self) -> dict[str, Part]:
        batch = self.batch
        clocks: dict[str, Part] = {"mold_degas": MOLD_DEGAS.face(self.marks)}
        if batch is not None and batch.mixed_at is not None and (self.clock() - batch.mixed_at).days < 1:
            material = self.book.get(batch.resin_id) if batch.resin_id else None
            clocks["pot"] = pot_life(batch.mixed_at, material, batch.resin_g, batch.hardener_g, batch.resin_c)  # type: ignore[arg-type]
        else:
            clocks["pot"] = {"idle": "Not running: the batch has no mixing time of today.", "buttons": []}
        return clocks

    # --- buttons -------------------------------------------------------------------------------------------

    def change(self, key: str, text: str) -> None:
        """Something was typed; or another batch was chosen."""
        if key == "batch":
            found = self.book.get(text) if text else None
            self.batch, self.plan = (found if isinstance(found, Batch) else None), None
            self._open()
            self.say("")
        else:
            super().change(key, text)

    def _press(self, button: str, at: datetime) -> None:
        what, _, which = button.partition(":")
        if what in ("pick", "unpick"):
            picked = {*self._picked, which} if what == "pick" else {*self._picked} - {which}
            self.marks["picked"] = [key for key in self._columns if key in picked]
            self._keep()
        elif button == "mold_degas_start":
            self.marks = MOLD_DEGAS.started(self.marks, at, self.read(f"{ALL}/mold_degas_min"))
            self._keep()
        elif button == "mold_degas_stop" and MOLD_DEGAS.runs(self.marks):
            self.marks, ran = MOLD_DEGAS.stopped(self.marks, at)
            self.change(f"{ALL}/mold_degas_min", typed.as_typed(ran))
        elif what == "save":
            self._save([which])
        elif button == "save_all":
            self._save([key for key in self._picked if key not in self._written])

    def casting(self, key: str) -> Trial:
        """The casting of one column as it would be logged."""
        fixed = {n: v for n, v in self._columns[key]["fixed"].items() if n in _OWN}
        values: dict[str, Any] = {}
        for name in (*_MAIN, *_MORE):
            own = self.read(f"{key}/{name}")
            values[name] = self.read(f"{ALL}/{name}") if own is None else own
        known = {n: v for n, v in values.items() if v is not None}
        return Trial(batch_id=str(self.batch.id if self.batch else ""), **fixed, **known)

    def _save(self, keys: list[str]) -> None:
        if self._conflict:
            raise InputError(f"Nothing was saved: {self._conflict}. Choose above which one to go on with.")
        wanted = [key for key in keys if key not in self._written]
        if not wanted:
            return
        self.check(f"{ALL}/", *(f"{key}/" for key in wanted))
        origin = self.origin
        with self.book.together():
            added = [save(self.book, self.casting(key), f"{origin}, {key}") for key in wanted]
        self.saved += added
        self.marks["written"] = self._written | {k: str(t.id) for k, t in zip(wanted, added, strict=True)}
        self._keep()
        if self._done:
            self._end(f"saved as {', '.join(self._written.values())}")
        self._told_saved(wanted, added)
        self._tell()

    def _told_saved(self, keys: list[str], added: list[Trial]) -> None:
        names = [f"{t.id} ({self._columns[k]['label']})" for k, t in zip(keys, added, strict=True)]
        items = [f"{t.id}: {'; '.join(faces.summary(t, _MAIN))}" for t in added]
        warned = [f"Look again, {t.id}: {text}" for t in added for text in t.cautions]
        left = len([k for k in self._picked if k not in self._written])
        rest = f" {left} still to save." if left else " Cure and demolding are added when they come out."
        self.say(f"Saved: {', '.join(names)}.{rest}", "care" if warned else "good", items + warned)
