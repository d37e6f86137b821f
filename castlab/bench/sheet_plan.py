"""What a run sheet plans: for the cup, for all its castings and for each alone; and the boxes that follow from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from castlab import labels
from castlab.errors import InputError
from castlab.records.models import is_blank

_BATCH_FIELDS = (
    "mixed_at", "resin_lot", "hardener_lot", "resin_g", "hardener_g", "resin_c", "room_c", "humidity_pct", "stir_min",
    "cup_degas_min", "cup_degas_kpa",
)  # fmt: skip
_TRIAL_FIELDS = (
    "poured_at", "pour_method", "insert_prep", "mold_c", "mold_degas_min", "hold_kpa", "hold_min", "cure_c", "cure_h",
    "post_cure_c", "post_cure_h", "demold_h",
)  # fmt: skip
_ONLY_IF_PLANNED = ("hold_kpa", "hold_min", "post_cure_c", "post_cure_h")


def boxes(molds: Sequence[str], for_cup: Mapping[str, Any], planned: Mapping[str, Mapping[str, Any]]) -> pd.DataFrame:
    """box, record, field, label, unit, planned: first the cup's, then those of each casting."""
    rows = []
    on_trials = dict.fromkeys([*_TRIAL_FIELDS, *(f for name in molds for f in planned[name])])
    on_trials = {f: None for f in on_trials if f not in _ONLY_IF_PLANNED or shared(planned, f)}
    for record, fields in (
        ("batch", dict.fromkeys([*_BATCH_FIELDS, *for_cup])),
        *((m, on_trials) for m in molds),
    ):
        letter = "A" if record == "batch" else chr(ord("B") + molds.index(record))
        aims = for_cup if record == "batch" else planned[record]
        for place, name in enumerate(fields, start=1):
            rows.append((f"{letter}{place}", record, name, labels.name(name), labels.unit(name), aims.get(name)))
    frame = pd.DataFrame(rows, columns=["box", "record", "field", "label", "unit", "planned"])
    return frame.astype({"planned": object})


def each(each: Mapping[str, Mapping[str, Any]] | None, names: Sequence[str]) -> dict[str, dict[str, Any]]:
    """What is planned for each casting alone, in the order of the molds."""
    stray = [name for name in each or {} if name not in names]
    if stray:
        raise InputError(f"each names {stray[0]!r}, which this cup does not fill; its molds: {', '.join(names)}")
    return {name: dict((each or {}).get(name, {})) for name in names}


def shared(planned: Mapping[str, Mapping[str, Any]], field: str) -> list[Any]:
    """The settings of this field over the castings, each once, without blanks."""
    return list(dict.fromkeys(s[field] for s in planned.values() if not is_blank(s.get(field))))


def told(planned: Mapping[str, Mapping[str, Any]], field: str, unit: str) -> str:
    """The setting with its unit where all castings share it, else all of them and whose they are."""
    found = shared(planned, field)
    if len(found) < 2:
        return f"{found[0]:g} {unit}" if found else ""
    return " or ".join(f"{value:g} {unit}" for value in sorted(found)) + ", as each casting's settings say"


def differing(alone: Mapping[str, Mapping[str, Any]]) -> pd.DataFrame:
    """One row per casting with what is planned for it alone; empty where nothing is."""
    if not any(alone.values()):
        return pd.DataFrame()
    return pd.DataFrame([{"casting": name, **settings} for name, settings in alone.items()])
