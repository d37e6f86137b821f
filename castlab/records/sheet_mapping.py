"""What each column of a hand-kept sheet becomes: shown, changed, saved and used again.

Proposing one is `castlab.records.sheet_proposal`; using one is `castlab.records.sheet_import`.
"""

from __future__ import annotations

import difflib
import html
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Self

from castlab import tables, units
from castlab.errors import InputError, NotFoundError
from castlab.records.sheet_cells import EXTRA_TYPES, is_gauge_unit
from castlab.records.sheet_column import Column, becomes, check_target, fitting, saved_column
from castlab.records.sheet_units import propose_unit
from castlab.records.sheet_words import TIMES

if TYPE_CHECKING:
    import pandas as pd

FORMAT = "castlab-sheet-mapping-1"
_LEFT_OUT = "Left out (mapping.as_extra(column, name) imports one as a setting of your own, as_grade as a grade):"


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
            check_target(column)
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
        for apart, joined in TIMES.items():
            dates = {joined} if joined == "scored_at" else {"mixed_at", "poured_at"}
            if (column := self.column_of(apart)) and not any(map(self.column_of, dates)):
                found.append(
                    f"{column!r} is a time of the day, but no column has the date: mapping.change(..., field={joined!r}) for "
                    f"the one that has it, or mapping.leave_out({column!r})"
                )
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
                    "becomes": becomes(c),
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
            check_target(Column(column, field))
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
            new = replace(new, unit=fitting(new, target, unit), sure="your choice")
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
        if level == "score":
            raise InputError(
                f"{column!r}: level is 'score'; for a grade of your own: mapping.as_grade({column!r}, {name!r})"
            )
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

    def as_grade(self, column: str, item: str, scale: str | None = None) -> Self:
        """Import a column as grades of an item of your own rubric; returns a new mapping.

        Parameters
        ----------
        column
            The column's heading.
        item
            The item's name in the rubric (`gloss`); frames name it `gloss_grade`.
        scale
            From worst to best ("0-4", "1-5", or "5-1" if 1 is best); by default what the heading says, else it is asked.

        Raises
        ------
        InputError
            If there is no such column, the name or the scale cannot be used, or another column has the name.
        """
        old = self._find(column)
        field = f"{item.removesuffix('_grade')}_grade"
        proposed, _ = propose_unit(old, field)
        new = replace(old, field=field, level="score", unit=proposed, could_be=(), sure="your choice")
        return self._with(new if scale is None else replace(new, unit=fitting(new, field, scale)))

    def settle(self, meant: dict[str, dict[str, str]]) -> Self:
        """Several changes at once, a column's heading -> what it means; returns a new mapping.

        Parameters
        ----------
        meant
            The arguments of `change` ({"unit": "F"}), of `as_extra` with the name as "extra" ({"extra": "tilt_deg"}), or of
            `as_grade` with the item as "grade" ({"grade": "gloss", "scale": "1-5"}).

        Raises
        ------
        InputError
            As `change`, `as_extra` and `as_grade`, or for another word.
        """
        found = self
        for column, said in meant.items():
            way = next((w for w in ("extra", "grade") if w in said), "change")
            words = {"extra": {"level", "type"}, "grade": {"scale"}, "change": {"field", "unit"}}[way]
            rest = {word: value for word, value in said.items() if word != way}
            if unknown := sorted(set(rest) - words):
                raise InputError(
                    f"{column!r} is given {unknown[0]!r}; accepted: field and unit, or extra with level and type, or grade "
                    "with scale"
                )
            if way == "change":
                found = found.change(column, **rest)
            elif way == "extra":
                found = found.as_extra(column, said[way], **rest)
            else:
                found = found.as_grade(column, said[way], **rest)
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
            columns = tuple(saved_column(entry) for entry in content["columns"])
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
