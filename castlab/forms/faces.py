"""What a form shows of a record's fields: label, unit, hint, how it is filled in. All of it follows from the record models."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from castlab import labels
from castlab.records import typed
from castlab.records.columns import dtype_of
from castlab.records.models import Record

Part = dict[str, Any]

WORDS = {
    "resin_id": "resin system",
    "resin_g": "resin weighed",
    "hardener_g": "hardener weighed",
    "colorant_g": "pigment or filler",
    "stir_min": "stirring time",
    "cup_degas_min": "time under vacuum",
    "cup_degas_kpa": "lowest pressure on the gauge",
    "mold_degas_min": "filled mold under vacuum",
    "mold_degas_kpa": "lowest pressure over the mold",
    "pump_base_kpa": "pump's base pressure today",
    "humidity_pct": "relative humidity",
    "mixed_at": "stirring began",
    "poured_at": "pouring began",
    "pour_min": "pour took",
    "wait_min": "wait before the pour",
    "rest_min": "rest after stirring",
    "mold_id": "mold",
    "cavity_ml": "volume of one cavity",
    "extra": "settings of your own",
    "plan": "plan it belongs to",
    "mm_per_pixel": "scale of the photo",
}
"""Field -> label, where the column's own name is too short to stand alone."""

_UNITS = {
    "cup_degas_kpa": "kPa abs",
    "mold_degas_kpa": "kPa abs",
    "pump_base_kpa": "kPa abs",
    "hold_kpa": "kPa abs",
    "target_phr": "per 100 of resin",
    "price_per_kg": "per kg",
    "mm_per_pixel": "mm per pixel",
}
_HINTS = {
    "cup_degas_kpa": "as the gauge shows it: 28.7 inHg gauge, 25 mbar abs",
    "mold_degas_kpa": "as the gauge shows it: 28.7 inHg gauge, 25 mbar abs",
    "hold_kpa": "as the gauge shows it: 60 psig, 4 bar gauge",
    "pump_base_kpa": "as the gauge shows it",
    "resin_c": "a bare number is °C; 77 F is read too",
    "stir_min": "4.5, or 4 min 30 s",
    "mixed_at": "9:20, or with the date",
    "extra": "name = value; name = value",
    "target_phr": "from the data sheet: 28, or 100:28 by mass",
}


def name(field: str) -> str:
    """The label of a field."""
    return WORDS.get(field, labels.name(field))


def field(model: type[Record], field_name: str, *, key: str | None = None, **more: Any) -> Part:
    """One field of a record. `more` adds or replaces: suggest, ghost, options, input, hint."""
    about = model.model_fields[field_name]
    dtype = dtype_of(about.annotation)
    part: Part = {
        "kind": "field",
        "key": key or field_name,
        "label": name(field_name),
        "unit": _UNITS.get(field_name, labels.unit(field_name)),
        "hint": _HINTS.get(field_name, ""),
        "input": "text",
    }
    if typed.is_moment(model, field_name):
        part["input"] = "moment"
    elif dtype == "boolean" and field_name != "extra":
        part |= {"input": "yesno", "options": [{"value": "yes", "label": "yes"}, {"value": "no", "label": "no"}]}
    elif field_name == "notes":
        part["input"] = "long"
    return part | {k: v for k, v in more.items() if v is not None}


def section(identity: str, title: str, *parts: Part | None, fold: bool = False, wide: bool = False) -> Part:
    """Parts under a heading; folded away if asked."""
    return {"id": identity, "title": title, "parts": [p for p in parts if p], "fold": fold, "wide": wide}


def choice(options: Sequence[tuple[str, str]], none: str) -> Part:
    """A choice of few: (value, label), and what it says when nothing is chosen."""
    return {
        "input": "choice",
        "options": [{"value": "", "label": none}, *({"value": v, "label": w} for v, w in options)],
    }


def used_before(records: Sequence[Record], field_name: str, most: int = 12) -> list[str]:
    """Words that were logged in a field, the latest first, for taking again."""
    found = dict.fromkeys(str(v) for r in reversed(records) if (v := getattr(r, field_name)) is not None)
    return list(found)[:most]


def ghost(value: Any, whose: str) -> str | None:
    """What an empty field shows of an earlier or planned value."""
    return None if value in (None, {}) else f"{whose}: {typed.as_typed(value)}"


def summary(record: Record, names: Sequence[str]) -> list[str]:
    """The named fields of a record that are known, in words."""
    pairs = ((n, getattr(record, n)) for n in names)
    return [f"{name(n)} {typed.shown(n, v)}" for n, v in pairs if v not in (None, {})]


def options_of(records: Sequence[Record]) -> list[tuple[str, str]]:
    """Records with a name as choices; the id first, since a narrow page cuts off the end."""
    return [(str(r.id), f"{r.id} {getattr(r, 'name', '')}") for r in records]


def given(values: Mapping[str, str], start: str) -> dict[str, str]:
    """The texts whose key begins with `start`, by the rest of the key."""
    return {key.removeprefix(start): text for key, text in values.items() if key.startswith(start)}
