"""Reading and writing records over an open connection: numbering, references, extra factors, versions.

Who opens, commits and reports errors is `castlab.records.entries`.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from castlab.errors import InputError, NotFoundError
from castlab.records.checks import cautions_of
from castlab.records.models import ENVELOPE, KINDS, Batch, Mold, Record, Score, Trial
from castlab.records.tables import CURRENT, EXTRA_FACTOR, PARENT, PAST, kind_of, sayable_id

R = TypeVar("R", bound=Record)

_FIELDS = {kind: sa.select(*(table.c[n] for n in KINDS[kind].model_fields)) for kind, table in CURRENT.items()}
_BY_ID = {kind: query.where(CURRENT[kind].c.id == sa.bindparam("wanted")) for kind, query in _FIELDS.items()}
_BATCH_AND_MOLD = (
    sa.select(*_FIELDS["batch"].selected_columns, *_FIELDS["mold"].selected_columns)
    .select_from(CURRENT["batch"].outerjoin(CURRENT["mold"], CURRENT["mold"].c.id == sa.bindparam("mold")))
    .where(CURRENT["batch"].c.id == sa.bindparam("batch"))
)
_INSERT = {kind: table.insert() for kind, table in CURRENT.items()}
_LAST_SEQ = {
    kind: sa.select(sa.func.max(table.c.seq)).where(
        table.c[PARENT[kind]] == sa.bindparam("parent") if kind in PARENT else sa.true()
    )
    for kind, table in CURRENT.items()
}


_ADDED_IN = {
    "material": ": add it at the end of notebook 1, under “Once: a resin or a mold”",
    "mold": ": add it at the end of notebook 1, under “Once: a resin or a mold”",
    "batch": ": log it in notebook 1",
    "trial": ": log it in notebook 1",
    "score": ": score the casting in notebook 2",
}
"""Where a shop makes its first record of a kind."""


def insert(connection: sa.Connection, record: R, *, origin: str | None, at: datetime, by: str) -> R:
    """Give the record the next number of its kind (or parent) and write it as version 1."""
    kind = record.kind
    check_extras(connection, record)
    parent = getattr(record, PARENT[kind]) if kind in PARENT else None
    seq = (connection.execute(_LAST_SEQ[kind], {"parent": parent}).scalar() or 0) + 1
    new = record.model_copy(
        update={
            "id": sayable_id(kind, seq, parent),
            "version": 1,
            "logged_at": at,
            "logged_by": record.logged_by or by,
        }
    )
    late = (
        connection.dialect.name == "sqlite"
    )  # others end the transaction at the failure, too late to say what is missing
    if not late:
        check_references(connection, record)
    try:
        connection.execute(_INSERT[kind], {**new.model_dump(), "seq": seq, "origin": origin})
    except IntegrityError:
        if late:
            check_references(connection, record)
        raise
    return new.with_cautions(cautions(connection, new))


def read(connection: sa.Connection, record_id: str) -> Record:
    """The current version. Raises NotFoundError if there is none with that id."""
    kind = known_kind_of(record_id)
    row = connection.execute(_BY_ID[kind], {"wanted": record_id}).first()
    if row is None:
        raise NotFoundError(f"there is no {record_id} in this logbook; {_nearby(connection, kind)}")
    return KINDS[kind].model_construct(**row._mapping)


def by_origin(connection: sa.Connection, kind: str, origin: str) -> Record | None:
    """The record of this kind that was written with this origin, or None."""
    table = CURRENT[known_kind(kind)]
    found = connection.execute(sa.select(table.c.id).where(table.c.origin == origin)).scalar()
    return None if found is None else read(connection, found)


def origins(connection: sa.Connection, kind: str) -> list[str]:
    """The origins of the records of a kind that have one and are not withdrawn."""
    table = CURRENT[known_kind(kind)]
    query = sa.select(table.c.origin).where(table.c.origin.isnot(None), table.c.withdrawn.isnot(True))
    return list(connection.execute(query).scalars())


def check_references(connection: sa.Connection, record: Record) -> None:
    """Raise NotFoundError if a record that this one names does not exist."""
    for column in CURRENT[record.kind].c:
        value = getattr(record, column.name, None) if column.foreign_keys else None
        if value is not None:
            read(connection, value)


def extra_columns(connection: sa.Connection) -> dict[str, tuple[str, str]]:
    """Name of a setting or grade of the shop's own -> its level and type, trials first."""
    query = EXTRA_FACTOR.select().order_by(EXTRA_FACTOR.c.level.desc(), EXTRA_FACTOR.c.name)
    return {row.name: (row.level, row.type) for row in connection.execute(query)}


def check_extras(connection: sa.Connection, record: Record) -> None:
    """Note new extra factors and grades of one's own; raise InputError if one changes its type or level."""
    extra: dict[str, Any] = getattr(record, "extra", {})
    grades: dict[str, int] = getattr(record, "extra_grades", None) or {}
    types = {name: type_name(value) for name, value in extra.items()} | {f"{item}_grade": "grade" for item in grades}
    for name, kind in types.items():
        known = connection.execute(EXTRA_FACTOR.select().where(EXTRA_FACTOR.c.name == name)).one_or_none()
        what = "grade" if kind == "grade" else "extra factor"
        if known is None:
            connection.execute(EXTRA_FACTOR.insert(), {"name": name, "level": record.kind, "type": kind})
        elif known.level != record.kind:
            raise InputError(
                f"{what} {name!r} is a {'grade' if known.type == 'grade' else 'setting'} of a {known.level} in this logbook; "
                "log it there, or give this one another name"
            )
        elif known.type != kind:
            raise InputError(f"{what} {name!r} is a {known.type} in this logbook; {extra[name]!r} is a {kind}")


def cautions(connection: sa.Connection, record: Record) -> tuple[str, ...]:
    """The record's cautions, seen beside the records it names."""

    def named(record_id: str | None) -> Any:
        return read(connection, record_id) if record_id else None

    if isinstance(record, Batch):
        weighed = record.resin_g and record.hardener_g is not None
        return cautions_of(record, material=named(record.resin_id) if weighed else None)
    if isinstance(record, Trial):
        batch, mold = _batch_and_mold(connection, record)
        return cautions_of(record, mold=mold, batch=batch)
    if isinstance(record, Score):
        return cautions_of(record, trial=named(record.trial_id))
    return ()


def _batch_and_mold(connection: sa.Connection, trial: Trial) -> tuple[Batch | None, Mold | None]:
    """Both in one query, since every casting that is logged asks for them."""
    row = connection.execute(_BATCH_AND_MOLD, {"batch": trial.batch_id, "mold": trial.mold_id}).first()
    if row is None:
        return None, None
    size = len(Batch.model_fields)
    batch = Batch.model_construct(**dict(zip(Batch.model_fields, row[:size], strict=True)))
    mold = Mold.model_construct(**dict(zip(Mold.model_fields, row[size:], strict=True)))
    return batch, mold if mold.id else None


def known_kind_of(record_id: str) -> str:
    """The record type an id belongs to. Raises NotFoundError if it has no such form."""
    kind = kind_of(record_id) if isinstance(record_id, str) else None
    if kind is None:
        raise NotFoundError(
            f"{record_id!r} is not an id; accepted: B-014, T-014.3, S-014.3.1, P-014.3.1, M-02, R-01 or L-01"
        )
    return kind


def _nearby(connection: sa.Connection, kind: str) -> str:
    table = CURRENT[kind]
    ids = connection.execute(sa.select(table.c.id).order_by(table.c.logged_at.desc()).limit(5)).scalars().all()
    return f"the latest of its kind: {', '.join(ids)}" if ids else f"it has no {kind} yet{_ADDED_IN.get(kind, '')}"


def type_name(value: object) -> str:
    """The type an extra factor keeps: "number", "yes/no" or "text"."""
    if isinstance(value, bool):
        return "yes/no"
    return "number" if isinstance(value, int | float) else "text"


def known_kind(kind: str) -> str:
    """The kind itself. Raises InputError if there is none of that name."""
    if kind not in KINDS:
        raise InputError(f"there are no records of kind {kind!r}; accepted: {', '.join(KINDS)}")
    return kind


def _order(kind: str) -> list[Any]:
    table = CURRENT[kind]
    return (
        [sa.func.length(table.c[PARENT[kind]]), table.c[PARENT[kind]], table.c.seq] if kind in PARENT else [table.c.seq]
    )


def _changes(before: dict[str, Any], now: dict[str, Any]) -> str:
    return "; ".join(
        f"{name}: {_shown(before.get(name))} → {_shown(value)}"
        for name, value in now.items()
        if name not in ENVELOPE and value != before.get(name)
    )


def _shown(value: Any) -> str:
    return "empty" if value is None or value == {} else str(value)


def replace(connection: sa.Connection, old: Record, new: Record) -> None:
    """Keep the old version in the past and put the new one in its place."""
    connection.execute(PAST[old.kind].insert(), old.model_dump())
    table = CURRENT[old.kind]
    connection.execute(table.update().where(table.c.id == old.id), new.model_dump())


def every(connection: sa.Connection, kind: str, *, withdrawn: bool) -> list[Record]:
    """All current records of a kind in the order of their ids."""
    query = _FIELDS[known_kind(kind)].order_by(*_order(kind))
    if not withdrawn:
        query = query.where(CURRENT[kind].c.withdrawn.isnot(True))
    return [KINDS[kind].model_construct(**row) for row in connection.execute(query).mappings()]


def versions(connection: sa.Connection, record_id: str) -> list[dict[str, Any]]:
    """Every version of a record, oldest first, each with what it changed in words."""
    current = read(connection, record_id).model_dump()
    past = PAST[known_kind_of(record_id)]
    older = connection.execute(past.select().where(past.c.id == record_id).order_by(past.c.version)).mappings()
    found = [*(dict(row) for row in older), current]
    return [
        {**now, "changes": "first entry" if before is None else _changes(before, now)}
        for before, now in zip([None, *found[:-1]], found, strict=True)
    ]
