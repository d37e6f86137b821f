"""A logbook as a folder of plain files and back: CSV per table, a JSON Schema, and a manifest with checksums.

The folder is the same byte for byte whenever the content is. Hand-kept sheets are read in `castlab.records.sheets`.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import shutil
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from castlab.errors import CastlabWarning, InputError, LogbookError
from castlab.records import exchange_photos
from castlab.records.exchange_photos import Pictures
from castlab.records.models import KINDS
from castlab.records.tables import CURRENT, EXTRA_FACTOR, PAST, SCHEMA, SETTING

if TYPE_CHECKING:
    from castlab.records.photos import PhotoStore

TABLES: dict[str, sa.Table] = {
    **{table.name: table for table in CURRENT.values()},
    **{table.name: table for table in PAST.values()},
    EXTRA_FACTOR.name: EXTRA_FACTOR,
    SETTING.name: SETTING,
}
"""Every table in the order in which rows may be inserted."""

MANIFEST = "manifest.json"
FORMAT = "castlab-export-1"


@dataclass(frozen=True)
class Content:
    """What an exported folder holds, read and checked: table name -> rows of typed values."""

    rows: dict[str, list[dict[str, Any]]]
    pictures: Pictures = field(default_factory=Pictures)


def export(connection: sa.Connection, folder: Path, photos: PhotoStore | None = None) -> Path:
    """Write every table to `folder`, whole or not at all, with copies of the photos without location data.

    Warns
    -----
    CastlabWarning
        If the file of a photo is missing or damaged: all else is exported.

    Raises
    ------
    InputError
        If the folder holds something other than an earlier export.
    LogbookError
        If it cannot be written (disk full, no permission); an earlier export there is left as it was.
    """
    if folder.is_file():
        raise InputError(f"{folder} is a file: give a new folder")
    if folder.exists() and any(folder.iterdir()) and not (folder / MANIFEST).exists():
        raise InputError(f"{folder} is not empty and not an earlier export: give a new folder")
    staging = _staging(folder)
    try:
        files: dict[str, dict[str, Any]] = {}
        for name, table in TABLES.items():
            result = connection.execute(table.select().order_by(*table.primary_key.columns))
            rows = [[_text(value) for value in row] for row in result]
            files[f"{name}.csv"] = {
                "rows": len(rows),
                **_write(staging, f"{name}.csv", _csv(list(result.keys()), rows)),
            }
        files["schema.json"] = _write(staging, "schema.json", _json(json_schema()))
        manifest: dict[str, Any] = {"format": FORMAT, "schema_version": SCHEMA, "files": files}
        manifest |= exchange_photos.write(connection, photos, staging, folder)
        _write(staging, MANIFEST, _json(manifest))
        for path in sorted(p for p in staging.rglob("*") if p.is_file()):
            _flush(path)
        _swap(staging, folder)
    except OSError as exc:
        raise LogbookError(f"{folder} could not be written ({exc.strerror}); the logbook is unchanged") from exc
    finally:
        shutil.rmtree(staging, ignore_errors=True)
    if lost := exchange_photos.in_words(manifest.get(exchange_photos.LOST, [])):
        warnings.warn(exchange_photos.exported_without(folder, lost), CastlabWarning, stacklevel=3)
    return folder


def json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of every record type: field, type, range and meaning."""
    models = {kind: model.model_json_schema(mode="serialization") for kind, model in KINDS.items()}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "castlab records",
        "description": (
            "Each record type has a CSV file of current versions and one (_past) of the versions they replaced. Empty "
            "cells are not known; yes/no is true or false; times are ISO 8601 (logged_at in UTC, others by the shop's "
            "clock); extra is JSON."
        ),
        "$defs": models,
    }


def check_folder(folder: Path) -> Content:
    """Read an exported folder, its checksums verified and every cell typed.

    Raises
    ------
    InputError
        Naming the file (and row and column) that is missing, changed or unreadable.
    """
    accepted = "accepted: a folder that `castlab export` (or book.export) wrote"
    if not folder.is_dir():
        what = "is a file" if folder.exists() else "does not exist"
        raise InputError(f"{folder} {what}; {accepted}")
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        raise InputError(f"{folder} is not an export: it has no readable {MANIFEST}; {accepted}") from None
    if not isinstance(manifest, dict) or not str(manifest.get("format")).startswith(FORMAT.rstrip("0123456789")):
        raise InputError(f"{folder} is not an export: its {MANIFEST} is of something else; {accepted}")
    if manifest.get("format") != FORMAT or manifest.get("schema_version", "") > SCHEMA:
        raise InputError(
            f"{folder} was written by another castlab (format {manifest.get('format')}, schema "
            f"{manifest.get('schema_version')}); this one reads {FORMAT} up to schema {SCHEMA}"
        )
    rows: dict[str, list[dict[str, Any]]] = {}
    for name, table in TABLES.items():
        file = folder / f"{name}.csv"
        expected = manifest["files"].get(file.name)
        if expected is None:
            continue
        if not file.exists():
            raise InputError(f"{file} is missing from the export; nothing was restored")
        data = file.read_bytes()
        if hashlib.sha256(data).hexdigest() != expected["sha256"]:
            raise InputError(
                f"{file} changed since it was exported (its checksum differs); nothing was restored: use an untouched "
                "copy, or import edited tables as a sheet"
            )
        rows[name] = _parse(file, data.decode("utf-8"), table)
    return Content(rows, exchange_photos.read(folder, manifest))


def restore(connection: sa.Connection, content: Content) -> None:
    """Insert checked content into an empty logbook.

    Raises
    ------
    InputError
        If the logbook holds records already.
    """
    for table in TABLES.values():
        if connection.execute(sa.select(sa.func.count()).select_from(table)).scalar():
            raise InputError("the logbook to restore into already holds records: give a new file; nothing was changed")
    for name, table in TABLES.items():
        if rows := content.rows.get(name):
            connection.execute(table.insert(), rows)


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, dict):
        return json.dumps(value, ensure_ascii=False, sort_keys=True)
    return repr(value) if isinstance(value, float) else str(value)


def _reader(column: sa.Column) -> Callable[[str], Any]:
    kind = column.type
    if isinstance(kind, sa.JSON):
        return json.loads
    if isinstance(kind, sa.Boolean):
        return {"true": True, "false": False}.__getitem__
    if isinstance(kind, sa.DateTime):
        return datetime.fromisoformat
    if isinstance(kind, sa.Date):
        return date.fromisoformat
    if isinstance(kind, sa.Double):
        return float
    return int if isinstance(kind, sa.Integer) else str


def _parse(file: Path, text: str, table: sa.Table) -> list[dict[str, Any]]:
    reader = csv.DictReader(io.StringIO(text, newline=""))
    unknown = sorted(set(reader.fieldnames or ()) - set(table.c.keys()))
    if unknown:
        raise InputError(f"{file} has columns that a logbook does not: {', '.join(unknown)}")
    readers = {column.name: _reader(column) for column in table.c}
    rows = []
    for number, row in enumerate(reader, start=2):
        typed: dict[str, Any] = dict.fromkeys(table.c.keys())
        for name, cell in row.items():
            try:
                typed[name] = readers[name](cell) if cell else None
            except (ValueError, KeyError):
                raise InputError(f"{file}, row {number}, column {name}: {cell!r} cannot be read") from None
        rows.append(typed)
    return rows


def _csv(header: list[str], rows: list[list[str]]) -> str:
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)  # CRLF lines as RFC 4180 has them, so that a lone CR in a note is quoted too
    writer.writerow(header)
    writer.writerows(rows)
    return buffer.getvalue()


def _json(value: Any) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def _write(folder: Path, name: str, text: str) -> dict[str, Any]:
    data = text.encode("utf-8")
    (folder / name).write_bytes(data)
    return {"sha256": hashlib.sha256(data).hexdigest()}


def _staging(folder: Path) -> Path:
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        return Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as exc:
        raise LogbookError(
            f"the folder {folder} cannot be made ({exc.strerror}): give one in a place that you may write to; the logbook is "
            "unchanged"
        ) from exc


def _flush(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _swap(staging: Path, folder: Path) -> None:
    """Put the finished folder in place; an earlier export stands until the new one is whole."""
    staging.chmod(0o755)
    if not folder.exists():
        staging.rename(folder)
        return
    old = Path(tempfile.mkdtemp(prefix=f".{folder.name}-old-", dir=folder.parent))
    folder.rename(old / folder.name)
    staging.rename(folder)
    shutil.rmtree(old)
