"""What the forms of several castings share: a column per casting, and a first one for what is the same for all."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, ClassVar

from castlab.forms import faces
from castlab.forms.faces import Part
from castlab.forms.form import Form, Place
from castlab.records import Trial, again
from castlab.records.models import Record

ALL = "all"


@dataclass(frozen=True)
class Column:
    """One casting on the page: its name there, what is settled about it, and what was planned."""

    label: str
    fixed: dict[str, Any] = field(default_factory=dict)
    aims: dict[str, Any] = field(default_factory=dict)
    more: str = ""
    """What tells it apart where it is chosen, besides its name."""


class ColumnsForm(Form):
    """Castings side by side, saved one by one or all at once. Subclasses say which there are and how one is written."""

    main: ClassVar[tuple[str, ...]] = ()
    """Fields shown at once."""
    more: ClassVar[tuple[str, ...]] = ()
    """Fields folded away."""
    own: ClassVar[tuple[str, ...]] = ()
    """Fields without a column for all."""

    _columns: dict[str, Column]

    # --- for subclasses ------------------------------------------------------------------------------------

    def _first_picks(self) -> list[str]:
        """Which castings a fresh form holds."""
        raise NotImplementedError

    def _write(self, keys: list[str]) -> list[Record]:
        """Write these castings to the logbook, all or none."""
        raise NotImplementedError

    def _told_saved(self, keys: list[str], added: list[Record]) -> None:
        """Say what was saved."""
        raise NotImplementedError

    # --- what it holds -------------------------------------------------------------------------------------

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
    def _several(self) -> bool:
        """Whether there is a column for all."""
        return len(self._picked) > 1

    def _at(self, name: str) -> str:
        """The key of a field in the first column."""
        return f"{ALL if self._several or not self._picked else self._picked[0]}/{name}"

    def _settled(self, values: dict[str, str]) -> dict[str, str]:
        """With a single casting there is no column for all: what stood there becomes its own."""
        if self._several or not self._picked:
            return values
        only = self._picked[0]
        for_all = faces.given(values, f"{ALL}/")
        own = {f"{only}/{n}": t for n, t in for_all.items() if not values.get(f"{only}/{n}")}
        return {key: text for key, text in values.items() if not key.startswith(f"{ALL}/")} | own

    @property
    def _left(self) -> list[str]:
        return [key for key in self._picked if key not in self._written]

    @property
    def _done(self) -> bool:
        return bool(self._written) and not self._left

    def _place(self, key: str) -> Place | None:
        column, _, name = key.rpartition("/")
        if name not in Trial.model_fields:
            return None
        known = self._columns.get(column)
        return Place(Trial, name, known.aims.get(name) if known else None)

    def _where(self, key: str) -> str:
        known = self._columns.get(key.rpartition("/")[0])
        return f"{known.label}, " if known and self._several else ""

    def casting_values(self, key: str) -> dict[str, Any]:
        """What is known of one casting: its own entries before those for all."""
        values: dict[str, Any] = {}
        for name in (*self.main, *self.more):
            own = self.read(f"{key}/{name}")
            values[name] = self.read(f"{ALL}/{name}") if own is None else own
        return {name: value for name, value in values.items() if value is not None}

    # --- showing -------------------------------------------------------------------------------------------

    def _picks(self, label: str) -> Part:
        picked = self._picked
        options = [{"value": key, "label": c.label + c.more, "on": key in picked} for key, c in self._columns.items()]
        return {"kind": "picks", "id": "picks", "label": label, "options": options}

    def _grid(self, caption: str, names: tuple[str, ...], records: list[Trial], *, feet: bool = False) -> Part:
        """The fields as rows, the castings as columns. `records`: where words used before are taken from."""
        several = self._several
        columns: list[Part] = [{"id": ALL, "label": "Same for all"}] if several else []
        for key in self._picked:
            written, label = self._written.get(key), self._columns[key].label
            foot: Part | None = {"text": f"Saved {written}"} if written else None
            if several and not written:
                foot = {"id": f"save:{key}", "label": "Save", "about": f"Save {label}"}
            columns.append({"id": key, "label": label, "shut": bool(written), "foot": foot if feet else None})
        rows = [self._row(name, records) for name in names]
        return {"kind": "grid", "caption": caption, "columns": columns, "rows": rows}

    def _row(self, name: str, records: list[Trial]) -> Part:
        words = name in again.CHOICES["trial"] and Trial.model_fields[name].annotation == (str | None)
        row = faces.field(Trial, name, suggest=faces.used_before(records, name) if words else None)
        if row["input"] == "long":
            row["input"] = "text"
        if name in self.own:
            row["only"] = self._picked
        return row

    def _ghosts_now(self) -> dict[str, str]:
        """A casting's empty field shows what was planned for it, or what holds for all."""
        shown = {}
        for key in self._picked:
            for name in (*self.main, *self.more):
                planned = faces.ghost(self._columns[key].aims.get(name), "planned")
                for_all = self.read(f"{ALL}/{name}")
                if text := planned or (
                    f"{for_all:%H:%M}" if isinstance(for_all, datetime) else self.values.get(f"{ALL}/{name}")
                ):
                    shown[f"{key}/{name}"] = text
        return shown

    def _save_all(self, one: str, several: str) -> Part:
        count = len(self._left)
        return {"id": "save_all", "label": several.format(count) if count > 1 else one, "main": True}

    def _keep(self) -> None:
        """Which castings were begun belongs to the draft: what is picked at first changes as castings are saved."""
        self.marks.setdefault("picked", self._picked)
        super()._keep()

    # --- buttons -------------------------------------------------------------------------------------------

    def _press(self, button: str, at: datetime) -> None:  # noqa: ARG002
        what, _, which = button.partition(":")
        if what in ("pick", "unpick"):
            picked = {*self._picked, which} if what == "pick" else {*self._picked} - {which}
            self.marks["picked"] = [key for key in self._columns if key in picked]
            self.values = self._settled(self.values)
            self._check_all()
            self._keep()
        elif what == "save":
            self._save([which])
        elif button == "save_all":
            self._save(self._left)

    def _save(self, keys: list[str]) -> None:
        wanted = [key for key in keys if key in self._left]
        if not wanted:
            return
        self.check(f"{ALL}/", *(f"{key}/" for key in wanted))
        added = self._write(wanted)
        self.saved += added
        self.marks["written"] = self._written | {k: str(r.id) for k, r in zip(wanted, added, strict=True)}
        self._keep()
        if self._done:
            self._end(f"saved as {', '.join(self._written.values())}")
        self._told_saved(wanted, added)
        self._tell()
