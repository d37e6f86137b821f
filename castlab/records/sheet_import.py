"""Adding a hand-kept sheet to a logbook: each row is added whole or reported, and importing twice adds nothing twice.

How a row is known again: by its casting number if such a column is mapped (with its batch in front where the numbers
start again in each batch), else by its batch and its place within the batch, else by its row number in the sheet. A
sheet's name (its file name without the ending) is part of that: keep it, or give `name`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from castlab.errors import InputError
from castlab.records.models import ENVELOPE, KINDS, Batch, Material, Mold, Record, Score, Trial
from castlab.records.sheet_column import Column
from castlab.records.sheet_mapping import Mapping
from castlab.records.sheet_reading import Sheet, read_sheet
from castlab.records.sheet_rows import (
    NAMED,
    Row,
    by_batch,
    is_reading,
    kind_of,
    plain_reason,
    read_rows,
    record_values,
    same_name,
    stored_value,
)
from castlab.records.sheet_twin import twin_of
from castlab.records.sheet_words import KEYS
from castlab.results import Result

if TYPE_CHECKING:
    import pandas as pd

    from castlab.records.logbook import Logbook

BAR_FROM_ROWS = 200
"""Longer sheets show a progress bar."""

SHOWN_CAUTIONS = 20
"""How many cautions about single records are shown; all stay with the records."""

CHANGED = "changed in the sheet since it was imported: correct it with book.correct"


@dataclass(frozen=True, kw_only=True)
class ImportResult(Result):
    """What became of every row of a sheet.

    `added`, `already_there` and `changed` count rows; `rejected` has a line per value that kept a row out (changed rows
    among them): row as numbered in the sheet (headings = row 1), column, value, reason. `records` counts what was added.
    """

    name: str
    added: int
    already_there: int
    changed: int
    rejected: pd.DataFrame
    records: dict[str, int]

    def tables(self) -> dict[str, pd.DataFrame]:
        """The rejected rows, if there are any."""
        return {"Rows that were not added": self.rejected} if len(self.rejected) else {}


def import_sheet(
    book: Logbook, source: str | Path | pd.DataFrame, mapping: Mapping, *, name: str | None = None
) -> ImportResult:
    """Add the rows of a hand-kept sheet to a logbook; rows that cannot be used are reported and the others added.

    Parameters
    ----------
    book
        The logbook.
    source
        A .csv or .xlsx file, or a DataFrame.
    mapping
        What its columns mean, from `propose_mapping` or `Mapping.load`; everything unsettled must be settled.
    name
        Tells the sheet again on the next import; the file's name without its ending if not given. A DataFrame needs one.

    Returns
    -------
    Counts, the rejected rows, and cautions. Rows that were imported before add nothing, and are reported if they changed.

    Raises
    ------
    NotFoundError
        If there is no such file.
    InputError
        If it is not a sheet, the mapping is unsettled or not for this sheet, a DataFrame has no name, or every row is
        in the logbook under another sheet's name and `name` does not say which it is.
    LogbookError
        If the logbook cannot be written now; rows added before stay, and importing again goes on from there.

    Examples
    --------
    >>> import pandas as pd, tempfile, os
    >>> from castlab import Logbook
    >>> from castlab.records.sheets import propose_mapping
    >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
    >>> sheet = pd.DataFrame({"Cup": ["7", "7"], "Room temp (F)": ["77", "77"], "bubbles": ["3", "0"]})
    >>> import_sheet(book, sheet, propose_mapping(sheet), name="spring").records
    {'batch': 1, 'trial': 2, 'score': 2}
    >>> import_sheet(book, sheet, propose_mapping(sheet), name="spring").already_there
    2
    """
    if not isinstance(mapping, Mapping):
        raise InputError(f"mapping is {mapping!r}; accepted: what propose_mapping(sheet) or Mapping.load(path) returns")
    sheet = read_sheet(source)
    given, name = name, name or sheet.name
    if not name:
        raise InputError(
            "a DataFrame needs a name, by which its rows are known again: import_sheet(..., name='spring castings')"
        )
    if mapping.altitude_m is None and book.altitude_m is not None:
        mapping = mapping.at(book.altitude_m)
    cautions = [*sheet.notes, *_check(sheet, mapping)]
    rows = read_rows(sheet, mapping)
    adding = _Adding(book, sheet, name, mapping)
    if given is None and (other := twin_of(book, name, rows, adding.columns)):
        raise InputError(
            f"nothing was imported: every row of {name!r} is in the logbook already, imported as {other!r}. For the same "
            f"sheet under a new file name, give name={other!r}; for other castings that came out alike, name={name!r}"
        )
    for group in _with_bar(by_batch(rows)):
        adding.add_group(group)
    return adding.result(rows, cautions)


def _check(sheet: Sheet, mapping: Mapping) -> Iterator[str]:
    """Cautions about the mapping for this sheet. Raises InputError if it cannot be used."""
    mapped = {c.column: c for c in mapping.columns if c.field}
    if not mapped:
        raise InputError("the mapping leaves every column out; map them with mapping.change(column, field=...)")
    if unsettled := mapping.unsettled:
        raise InputError(
            "the mapping is not settled yet; nothing was imported:\n" + "\n".join(f"- {u}" for u in unsettled)
        )
    missing = [c for c in mapped if c not in sheet.headings]
    keys = [c for c in missing if mapped[c].field in KEYS]
    if keys or len(missing) == len(mapped):
        raise InputError(
            f"the mapping is not for this sheet: it has no column {', '.join(map(repr, keys or missing))}; its columns are "
            f"{', '.join(map(repr, sheet.headings))}: rename the heading, or make a new mapping with propose_mapping"
        )
    if missing:
        yield f"this sheet has no column {', '.join(map(repr, missing))}, which the mapping knows; their values stay empty"
    known = {c.column for c in mapping.columns}
    if new := [h for h in sheet.headings if h not in known]:
        yield (
            f"columns that are new to the mapping were left out: {', '.join(map(repr, new))}; propose a mapping again to "
            "import them"
        )
    if mapping.column_of("batch") is None:
        yield (
            "no column says which cup a casting was poured from, so every row became a batch of its own; castings of one "
            "cup are then taken for independent ones, and intervals may come out too narrow"
        )


def _with_bar(groups: list[list[Row]]) -> Iterator[list[Row]]:
    total = sum(map(len, groups))
    if total <= BAR_FROM_ROWS:
        yield from groups
        return
    from tqdm.auto import tqdm

    with tqdm(total=total, desc="Importing", unit="row") as bar:
        for group in groups:
            yield group
            bar.update(len(group))


# --- adding ------------------------------------------------------------------------------------------------


class _Adding:
    """One import under way: what was added so far, and the molds and materials known by name."""

    def __init__(self, book: Logbook, sheet: Sheet, name: str, mapping: Mapping) -> None:
        self.book, self.name = book, name
        mapped = [c for c in mapping.columns if c.field and c.column in sheet.headings]
        self.columns = {kind: [c for c in mapped if kind_of(c) == kind] for kind in ("batch", "trial", "score")}
        self.batch_column = mapping.column_of("batch")
        self.records: Counter[str] = Counter()
        self.made: list[str] = []
        self.kept: list[str] = []
        self.added = self.already = 0
        self.changed: set[int] = set()
        self.ids: dict[str, dict[str, list[str]]] = {target: {} for target in NAMED}
        for target, ids in self.ids.items():
            for record in book.records(target):
                ids.setdefault(same_name(str(getattr(record, "name", ""))), []).append(str(record.id))

    def origin(self, key: str, kind: str) -> str:
        return f"sheet:{self.name}:{key}:{kind}"

    def stored(self, key: str, kind: str) -> Record | None:
        return self.book.by_origin(kind, self.origin(key, kind))

    def add_group(self, rows: list[Row]) -> None:
        """Add the rows of one batch that agree about it; those already there are compared."""
        batch = self.stored(rows[0].batch, "batch")
        for row in rows:
            self._check_batch(row, batch)
        usable = [row for row in rows if not row.problems]
        agreed = self._agree(usable) if batch is None else self._agree_with(batch, rows, usable)
        for row in usable:
            try:
                if not row.problems:
                    self._add_row(row, agreed)
            except InputError as exc:
                row.problem(None, plain_reason(exc))

    def _check_batch(self, row: Row, batch: Record | None) -> None:
        """Report a casting that is in the logbook under another batch."""
        trial = self.stored(row.key, "trial") if not row.problems else None
        if isinstance(trial, Trial) and trial.batch_id != (batch and batch.id):
            self.changed.add(row.number)
            row.problem(
                self.batch_column,
                f"{CHANGED} ({trial.id} was poured from {trial.batch_id}: withdraw it, and give the casting another number)",
            )

    def _agree(self, rows: list[Row]) -> dict[str, Any]:
        """The settings of a new batch: what its rows say, blanks disagreeing with nothing."""
        agreed: dict[str, Any] = {}
        for row in rows:
            said = {str(c.field): (c, row.said[str(c.field)]) for c in self.columns["batch"] if c.field in row.said}
            for target, (column, value) in said.items():
                if target in agreed and agreed[target] != value:
                    row.problem(
                        column.column,
                        f"an earlier row of batch {rows[0].batch!r} has {target} {_shown(agreed[target])}, this one "
                        f"{_shown(value)}: a setting of the cup "
                        "has one value",
                    )
            if not row.problems:
                agreed |= {target: value for target, (_, value) in said.items()}
        return agreed

    def _agree_with(self, batch: Record, rows: list[Row], usable: list[Row]) -> dict[str, Any]:
        """Compare rows with the batch that is in the logbook already."""
        first = self._first_version(batch)
        for row in usable:
            self._compare(row, batch, first, self.stored(row.key, "trial") is not None)
        known = next((row for row in usable if self.stored(row.key, "trial")), None)
        for column in self.columns["batch"]:
            stated = any(column.field in row.said or column.column in {p[0] for p in row.problems} for row in rows)
            if known and not stated and None not in (stored_value(first, column), stored_value(batch, column)):
                self._differs(known, column, batch, None, imported=True)
        return {}

    def _compare(self, row: Row, record: Record, first: Record, imported: bool) -> None:
        """Report what a row says otherwise than its record, as first imported and as corrected since."""
        for column in self.columns[record.kind]:
            said = row.said.get(str(column.field))
            if said is None and record.kind == "batch":
                continue
            known = [stored_value(r, column) for r in (record, first)]
            target = str(column.field)
            same = self._known_ids(target, said) if target in NAMED and said is not None else [said]
            if not set(map(repr, same)) & set(map(repr, known)):
                self._differs(row, column, record, said, imported=imported)

    def _differs(self, row: Row, column: Column, record: Record, said: Any, *, imported: bool) -> None:
        has = f"{record.id} has {column.field} {_shown(stored_value(record, column))}, the sheet {_shown(said)}"
        if imported:
            self.changed.add(row.number)
            row.problem(column.column, f"{CHANGED} ({has})")
        else:
            row.problem(
                column.column,
                f"its batch is in the logbook with another value ({has}): correct the sheet, or {record.id} with book.correct",
            )

    def _first_version(self, record: Record) -> Record:
        """The record as it was first added."""
        if record.version == 1:
            return record
        row = self.book.history(str(record.id)).iloc[0]
        values = {
            n: v.item() if hasattr(v := row[n], "item") else v for n in type(record).model_fields if n in row.index
        }
        return type(record)(**{n: v for n, v in values.items() if n not in ENVELOPE})

    def _add_row(self, row: Row, agreed: dict[str, Any]) -> None:
        trial, score = self.stored(row.key, "trial"), self.stored(row.key, "score")
        scored = any(is_reading(c) and c.field in row.said for c in self.columns["score"])
        for record in (trial, score):
            if record is not None:
                self._compare(row, record, self._first_version(record), True)
        if row.problems:
            return
        if trial is not None and (score is not None or not scored):
            self.already += 1
            return
        made: list[Record] = []
        with self.book.together():
            if trial is None:
                batch = self.stored(row.batch, "batch") or self._add(
                    Batch(
                        resin_id=self._named("material", agreed, made), **record_values(agreed, self.columns["batch"])
                    ),
                    row.batch,
                    made,
                )
                mold = self._named("mold", row.said, made)
                values = record_values(row.said, self.columns["trial"])
                trial = self._add(Trial(batch_id=str(batch.id), mold_id=mold, **values), row.key, made)
            if scored:
                values = record_values(row.said, self.columns["score"])
                self._add(Score(trial_id=str(trial.id), **values), row.key, made)
        self.added += 1
        self._note(row, made)

    def _note(self, row: Row, made: list[Record]) -> None:
        """Remember what a row added, once it is sure to be in the logbook."""
        for record in made:
            self.records[record.kind] += 1
            if isinstance(record, Mold | Material):
                self.ids[record.kind].setdefault(same_name(record.name), []).append(str(record.id))
                self.made.append(f"{record.kind} {record.id} ({record.name})")
            self.kept += [f"row {row.number}, {record.id}: {caution}" for caution in record.cautions]

    def _named(self, target: str, said: dict[str, Any], made: list[Record]) -> str | None:
        """The id of a mold or material, which is made if the logbook does not know its name."""
        if target not in said:
            return None
        name = said[target]
        ids = self._known_ids(target, name)
        if len(ids) > 1:
            raise InputError(
                f"{target} {name!r} could be {' or '.join(ids)}: rename one in the logbook with book.correct"
            )
        return ids[0] if ids else self._add(NAMED[target][2](name=name), same_name(name), made).id

    def _known_ids(self, target: str, name: str) -> list[str]:
        """Ids of the molds or materials of this name, or of the one that this sheet made and that was renamed since."""
        ids = self.ids[target].get(same_name(name), [])
        made = None if ids else self.stored(same_name(name), target)
        return ids if made is None else [str(made.id)]

    def _add(self, record: Record, key: str, made: list[Record]) -> Record:
        added = self.book.add(record, origin=self.origin(key, record.kind))
        made.append(added)
        return added

    def result(self, rows: list[Row], cautions: list[str]) -> ImportResult:
        """What became of every row."""
        import pandas as pd

        lines = [(row.number, *problem) for row in rows for problem in row.problems]
        rejected = pd.DataFrame(lines, columns=["row", "column", "value", "reason"])
        refused = len({number for number, *_ in lines} - self.changed)
        changed = f", {len(self.changed)} changed since their import" if self.changed else ""
        if self.made:
            cautions.append(
                f"made because the logbook had none of that name: {', '.join(self.made)}; add what you know of them"
            )
        cautions += self.kept[:SHOWN_CAUTIONS]
        if len(self.kept) > SHOWN_CAUTIONS:
            cautions.append(
                f"and {len(self.kept) - SHOWN_CAUTIONS} more rows to look at again: record.cautions says why"
            )
        return ImportResult(
            verdict=(
                f"{self.name}: of {len(rows)} rows, {self.added} added, {self.already} already there{changed}, "
                f"{refused} rejected."
            ),
            cautions=tuple(cautions),
            name=self.name,
            added=self.added,
            already_there=self.already,
            changed=len(self.changed),
            rejected=rejected,
            records={kind: self.records[kind] for kind in KINDS if kind in self.records},
        )


def _shown(value: Any) -> str:
    if value is None:
        return "nothing"
    return f"{value:g}" if isinstance(value, float) else str(value)
