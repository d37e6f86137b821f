"""What each column of a hand-kept sheet becomes: shown, changed, saved and used again.

Proposing one is `castlab.records.sheet_proposal`; using one is `castlab.records.sheet_import`.
"""

from __future__ import annotations

import difflib
import html
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from castlab import tables, units
from castlab.errors import InputError, NotFoundError
from castlab.records.models import EXTRA_NAME, reserved_names
from castlab.records.sheet_cells import EXTRA_TYPES, accepted_units, check_unit, is_gauge_unit, marks_of
from castlab.records.sheet_headings import likely_field
from castlab.records.sheet_words import TARGETS, meaning, reader_of

if TYPE_CHECKING:
    import pandas as pd

FORMAT = "castlab-sheet-mapping-1"
EXTRA_LEVELS = ("trial", "batch")
_LEFT_OUT = "Left out (mapping.as_extra(column, name) imports one as a setting of your own):"


@dataclass(frozen=True)
class Column:
    """One column of the sheet and what it becomes.

    `field` is the target, or the name of an extra factor if `level` is "trial" or "batch"; None leaves the column out.
    `could_be` names the fields its keeper has to choose from. `kind` is what the cells look like, `reading` how its yes/no marks
    or dates are read.
    """

    column: str
    field: str | None = None
    unit: str | None = None
    level: str | None = None
    sure: str = ""
    samples: tuple[str, ...] = ()
    could_be: tuple[str, ...] = ()
    kind: str = "text"
    reading: str = "yes/no"

    @property
    def unsettled(self) -> str | None:
        """What its keeper has to say before it can be imported, and how; None if nothing."""
        if self.field is None:
            if not self.could_be:
                return None
            choice = f"mapping.change({self.column!r}, field={self.could_be[0]!r})"
            return f"{self.column!r} could be {' or '.join(self.could_be)}: {choice}, or mapping.leave_out({self.column!r})"
        problem = None if self.level else check_unit(self.field, self.unit)
        if problem is None:
            return None
        hint = f" Its {self.sure}" if self.sure.startswith("values") else ""
        return (
            f"{self.column!r} as {self.field}: {problem}{hint} Say so with mapping.change({self.column!r}, unit=...); "
            f"accepted: {accepted_units(self.field)}"
        )


@dataclass(frozen=True)
class Mapping:
    """Which column of a sheet becomes what, and in which unit. Frozen: every change returns a new one.

    Examples
    --------
    >>> import pandas as pd
    >>> from castlab.records.sheets import propose_mapping
    >>> sheet = pd.DataFrame({"Cup": ["1"], "Resin temp (F)": ["72"], "vacuum cup inHg": ["28"]})
    >>> mapping = propose_mapping(sheet, altitude_m=150)
    >>> mapping.unsettled[0]
    "'vacuum cup inHg' as cup_degas_kpa: gauge or absolute? Say so with mapping.change('vacuum cup inHg', unit=...); \
accepted: 'inHg vacuum', 'mbar abs', 'psi gauge' and the like"
    >>> mapping.change("vacuum cup inHg", unit="inHg vacuum").unsettled
    ()
    """

    columns: tuple[Column, ...]
    altitude_m: float | None = None

    def __post_init__(self) -> None:
        """Refuse unknown fields, unusable extras, two columns for one field, and an impossible height."""
        if self.altitude_m is not None:
            units.standard_pressure_kpa(self.altitude_m)
        taken: dict[str, str] = {}
        for column in self.columns:
            if column.field is None:
                continue
            _check_target(column)
            if column.field in taken:
                raise InputError(
                    f"{taken[column.field]!r} and {column.column!r} are both mapped to {column.field}: leave one out with "
                    f"mapping.leave_out({column.column!r}), or give it another field"
                )
            taken[column.field] = column.column

    @property
    def unsettled(self) -> tuple[str, ...]:
        """What has to be said before a sheet can be imported with this mapping, and how."""
        found = [text for column in self.columns if (text := column.unsettled)]
        gauges = [c.column for c in self.columns if c.field and c.field.endswith("_kpa") and is_gauge_unit(c.unit)]
        if gauges and self.altitude_m is None:
            found.append(
                f"{', '.join(map(repr, gauges))}: a gauge reads against the air of the place: mapping.at(altitude_m=...), "
                "or Logbook.open(path, altitude_m=...)"
            )
        return tuple(found)

    @property
    def left_out(self) -> tuple[str, ...]:
        """The columns that are not imported."""
        return tuple(c.column for c in self.columns if c.field is None and not c.could_be)

    def column_of(self, field: str) -> str | None:
        """The column that is mapped to a field, or None."""
        return next((c.column for c in self.columns if c.field == field), None)

    def table(self) -> pd.DataFrame:
        """One row per column of the sheet: what it becomes, the unit taken, how sure that is, and sample values."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "sheet column": c.column,
                    "becomes": _becomes(c),
                    "unit": c.unit or "",
                    "how sure": "to be settled" if c.unsettled else c.sure,
                    "sample values": ", ".join(c.samples),
                }
                for c in self.columns
            ]
        )

    # --- changing ------------------------------------------------------------------------------------------

    def change(self, column: str, *, field: str | None = None, unit: str | None = None) -> Self:
        """Map a column to a field, give the unit of its cells, or both; returns a new mapping.

        Parameters
        ----------
        column
            The column's heading.
        field
            A field of a batch, trial or score (`resin_c`), or batch, casting, mold, material, trial_notes, batch_notes,
            score_notes.
        unit
            What bare numbers are in ("F", "inHg vacuum"); the order of dates ("day first"); the scale of grades from
            worst to best ("1-5"); the marks of a yes/no column ("yes/no; x = no").

        Raises
        ------
        InputError
            If there is no such column or field, another column has the field, or the unit does not fit it.
        """
        old = self._find(column)
        if field is None and old.field is None:
            raise InputError(f"{column!r} is left out; say what it becomes: mapping.change({column!r}, field=...)")
        if field is None and unit is None:
            raise InputError(f"nothing to change for {column!r}; give field=, unit= or both")
        target = field or str(old.field)
        if field is not None and (field != old.field or old.level):
            from castlab.records.sheet_proposal import propose_unit

            _check_target(Column(column, field))
            proposed, sure = propose_unit(old, field)
            new = replace(
                old,
                field=field,
                level=None,
                unit=proposed,
                sure=f"your choice; {sure}" if sure else "your choice",
                could_be=(),
            )
        else:
            new = replace(old, could_be=())
        if unit is not None:
            new = replace(new, unit=_fitting(new, target, unit), sure="your choice")
        return self._with(new)

    def leave_out(self, column: str) -> Self:
        """Do not import a column; returns a new mapping. Raises InputError if there is no such column."""
        return self._with(
            replace(self._find(column), field=None, unit=None, level=None, could_be=(), sure="your choice")
        )

    def as_extra(self, column: str, name: str, level: str = "trial", type: str | None = None) -> Self:
        """Import a column as a setting of your own; returns a new mapping.

        Parameters
        ----------
        column
            The column's heading.
        name
            What to call it: lower-case letters, digits and _, the unit last (`tilt_deg`).
        level
            "trial" if it is set per casting, "batch" if per cup.
        type
            "number", "yes/no" (with marks: "yes/no; x = yes") or "text"; by default what its cells look like.

        Raises
        ------
        InputError
            If there is no such column, the name or the level cannot be used, or another column has the name.
        """
        old = self._find(column)
        looks = old.reading if old.kind == "yes/no" else old.kind if old.kind in EXTRA_TYPES else "text"
        return self._with(
            replace(
                old,
                field=name,
                level=level,
                unit=type or looks,
                could_be=(),
                sure="your choice" if type else "by its cells",
            )
        )

    def settle(self, meant: dict[str, dict[str, str]]) -> Self:
        """Several changes at once, a column's heading -> what it means; returns a new mapping.

        Parameters
        ----------
        meant
            The arguments of `change` ({"unit": "F"}), or of `as_extra` with the name as "extra" ({"extra": "tilt_deg"}).

        Raises
        ------
        InputError
            As `change` and `as_extra`, or for another word.
        """
        found = self
        for column, said in meant.items():
            words = {"extra", "level", "type"} if "extra" in said else {"field", "unit"}
            unknown = sorted(set(said) - words)
            if unknown:
                raise InputError(
                    f"{column!r} is given {unknown[0]!r}; accepted: field and unit, or extra with level and type"
                )
            rest = {name: value for name, value in said.items() if name != "extra"}
            found = found.as_extra(column, said["extra"], **rest) if "extra" in said else found.change(column, **rest)
        return found

    def at(self, altitude_m: float) -> Self:
        """The same mapping for gauges that stand at this height above sea level, m."""
        return replace(self, altitude_m=altitude_m)

    def _find(self, column: str) -> Column:
        for candidate in self.columns:
            if candidate.column == column:
                return candidate
        names = {c.column.casefold(): c.column for c in self.columns}
        close = difflib.get_close_matches(column.casefold(), names, n=1)
        known = f"did you mean {names[close[0]]!r}?" if close else f"it has {', '.join(map(repr, names.values()))}"
        raise InputError(f"the mapping has no column {column!r}; {known}")

    def _with(self, new: Column) -> Self:
        return replace(self, columns=tuple(new if c.column == new.column else c for c in self.columns))

    # --- saving --------------------------------------------------------------------------------------------

    def save(self, path: str | Path) -> Path:
        """Write the mapping to a JSON file, to be used again on the next sheet; returns the path."""
        path = Path(path)
        content = {"format": FORMAT, "altitude_m": self.altitude_m, "columns": [asdict(c) for c in self.columns]}
        try:
            path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        except OSError as exc:
            raise InputError(f"{path} cannot be written ({exc.strerror}); give another path") from None
        return path

    @classmethod
    def load(cls, path: str | Path) -> Self:
        """Read a mapping that was saved.

        Raises
        ------
        NotFoundError
            If there is no such file.
        InputError
            If it is not a saved mapping, or names a field that does not exist.
        """
        path = Path(path)
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
            if content["format"] != FORMAT:
                raise ValueError
            columns = tuple(_column(entry) for entry in content["columns"])
            altitude = content.get("altitude_m")
            altitude = None if altitude is None else float(altitude)
        except FileNotFoundError:
            raise NotFoundError(f"there is no file {path}: check the path") from None
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            raise InputError(
                f"{path} is not a mapping as mapping.save writes it; make one with propose_mapping"
            ) from None
        return cls(columns, altitude)

    # --- showing -------------------------------------------------------------------------------------------

    def __str__(self) -> str:
        lines = [self.table().to_string(index=False)]
        if self.left_out:
            lines.append(f"{_LEFT_OUT} {', '.join(self.left_out)}")
        lines += ["To be settled before it can be imported:"] * bool(self.unsettled)
        lines += [f"- {text}" for text in self.unsettled]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        def listed(title: str, texts: Iterable[str]) -> str:
            items = "".join(f"<li>{html.escape(t)}</li>" for t in texts)
            return f"<p>{title}</p><ul>{items}</ul>" if items else ""

        return (
            "<div class='castlab-mapping'>"
            + tables.table(self.table())
            + listed(_LEFT_OUT, self.left_out)
            + listed("To be settled before it can be imported:", self.unsettled)
            + "</div>"
        )


def _becomes(column: Column) -> str:
    if column.field is None:
        return " or ".join(column.could_be) + "?" if column.could_be else "(left out)"
    return f"{column.field} (your own, per {column.level})" if column.level else column.field


def _check_target(column: Column) -> None:
    name, level = str(column.field), column.level
    if level is None:
        if name not in TARGETS:
            close = likely_field(name) or next(iter(difflib.get_close_matches(name, TARGETS, n=1)), None)
            raise InputError(
                f"{column.column!r} is mapped to {name!r}, which is not a field"
                + (f"; did you mean {close} ({meaning(close)})?" if close else f"; accepted: {', '.join(TARGETS)}")
                + f" A setting of your own: mapping.as_extra({column.column!r}, {name!r})"
            )
        return
    if level not in EXTRA_LEVELS:
        raise InputError(
            f"{column.column!r}: level is {level!r}; accepted: 'trial' (set per casting) or 'batch' (per cup)"
        )
    if not EXTRA_NAME.fullmatch(name):
        raise InputError(
            f"{column.column!r}: {name!r} is not a usable name; accepted: lower-case letters, digits and _, starting with a "
            "letter, at most 40, the unit last (spin_rpm)"
        )
    if name in reserved_names() or name in TARGETS:
        raise InputError(
            f"{column.column!r}: {name!r} is already a field; map it there with mapping.change, or rename it"
        )
    if str(column.unit).split(";")[0].strip() not in EXTRA_TYPES:
        raise InputError(f"{column.column!r}: type is {column.unit!r}; accepted: {', '.join(EXTRA_TYPES)}")


def _fitting(column: Column, target: str, unit: str) -> str:
    """The unit if it settles how the column is read. Raises InputError if not."""
    if column.level:
        return unit
    if reader_of(target) == "yes/no" and marks_of(unit) and not unit.startswith("yes/no"):
        unit = f"yes/no; {unit}"
    accepted = accepted_units(target)
    if accepted == "none":
        raise InputError(f"{target} has no unit, so {unit!r} cannot be used for {column.column!r}")
    if problem := check_unit(target, unit):
        raise InputError(
            f"{column.column!r} as {target}: unit {unit!r} cannot be used: {problem}; accepted: {accepted}"
        )
    return unit


def _column(entry: dict[str, Any]) -> Column:
    known = {f.name for f in fields(Column)}
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in entry.items() if k in known}
    column = Column(**values)
    if not isinstance(column.column, str):
        raise TypeError("column")
    for name in ("field", "unit", "level"):
        if not isinstance(getattr(column, name), str | None):
            raise TypeError(name)
    return column
