"""The database tables, derived from the record models. Migrations live in `castlab/records/migrations`.

Each record type has a table of current versions and a `_past` table of the versions they replaced. Rows of the
past are only ever inserted; a row of the present is replaced only together with the insert of its past.
"""

from __future__ import annotations

from datetime import date, datetime

import sqlalchemy as sa
from pydantic.fields import FieldInfo

from castlab.records.columns import flatten
from castlab.records.models import KINDS

SCHEMA = "0003"
"""The newest migration; a logbook with another version is migrated or refused."""

PARENT = {"trial": "batch_id", "photo": "trial_id", "score": "trial_id"}
"""Records that are numbered within another record, and the field that names it."""

REFERENCES = {model.prefix: kind for kind, model in KINDS.items()}
"""Id prefix -> record type."""

_TARGETS = {
    "resin_id": "material",
    "silicone_id": "material",
    "mold_id": "mold",
    "batch_id": "batch",
    "trial_id": "trial",
    "photo_id": "photo",
}

metadata = sa.MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    }
)


def _column_type(field: FieldInfo) -> sa.types.TypeEngine:
    leaves = set(flatten(field.annotation))
    if dict in leaves or "dict" in str(field.annotation):
        return sa.JSON(none_as_null=True)
    for kind, column_type in (
        (bool, sa.Boolean()),
        (datetime, sa.DateTime()),
        (date, sa.Date()),
        (float, sa.Double()),
        (int, sa.Integer()),
    ):
        if kind in leaves:
            return column_type
    return sa.Text()


def _table(kind: str, *, past: bool) -> sa.Table:
    columns: list[sa.schema.SchemaItem] = []
    for name, field in KINDS[kind].model_fields.items():
        required = field.is_required() or name in {"id", "version", "logged_at", "logged_by"}
        arguments: list[sa.schema.SchemaItem] = []
        if name == "id" and past:
            arguments = [sa.ForeignKey(f"{kind}.id")]
        elif name in _TARGETS and not past:
            arguments = [sa.ForeignKey(f"{_TARGETS[name]}.id")]
        key = name == "id" or (past and name == "version")
        columns.append(sa.Column(name, _column_type(field), *arguments, primary_key=key, nullable=not required))
    if past:
        return sa.Table(f"{kind}_past", metadata, *columns)
    columns += [sa.Column("seq", sa.Integer(), nullable=False), sa.Column("origin", sa.Text(), unique=True)]
    columns.append(sa.UniqueConstraint(*([PARENT[kind]] if kind in PARENT else []), "seq"))
    return sa.Table(kind, metadata, *columns)


CURRENT: dict[str, sa.Table] = {kind: _table(kind, past=False) for kind in KINDS}
PAST: dict[str, sa.Table] = {kind: _table(kind, past=True) for kind in KINDS}

EXTRA_FACTOR = sa.Table(
    "extra_factor",
    metadata,
    sa.Column("name", sa.Text(), primary_key=True),
    sa.Column("level", sa.Text(), nullable=False),
    sa.Column("type", sa.Text(), nullable=False),
)
"""The free-form settings, and grades of items of one's own, in use: each name keeps one level (batch, trial, score) and one type."""

SETTING = sa.Table(
    "setting",
    metadata,
    sa.Column("name", sa.Text(), primary_key=True),
    sa.Column("value", sa.Text(), nullable=False),
)
"""What holds for the whole logbook, such as the shop's altitude."""


sa.Index("ix_trial_mold_id", CURRENT["trial"].c.mold_id)


def sayable_id(kind: str, seq: int, parent_id: str | None = None) -> str:
    """B-014, T-014.3, S-014.3.1, M-02, R-01.

    Examples
    --------
    >>> sayable_id("batch", 14), sayable_id("trial", 3, "B-014"), sayable_id("mold", 2)
    ('B-014', 'T-014.3', 'M-02')
    """
    prefix = KINDS[kind].prefix
    if parent_id is not None:
        return f"{prefix}-{parent_id.split('-', 1)[1]}.{seq}"
    return f"{prefix}-{seq:03d}" if kind == "batch" else f"{prefix}-{seq:02d}"


def kind_of(record_id: str) -> str | None:
    """The record type that an id belongs to, or None if it has no such form."""
    return REFERENCES.get(record_id.split("-", 1)[0]) if "-" in record_id else None
