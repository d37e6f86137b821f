"""What a new entry takes over from the one before it, and how the two differ. Readings are never taken over unasked."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from castlab import labels
from castlab.records.models import ENVELOPE, Record
from castlab.records.typed import shown

CHOICES: dict[str, tuple[str, ...]] = {
    "batch": ("resin_id", "resin_lot", "hardener_lot", "target_phr", "stir_method", "extra"),
    "trial": (
        "mold_id", "cavity", "product", "insert", "insert_prep", "release", "pour_method", "depth_mm", "cure_c",
        "extra",
    ),
}  # fmt: skip
"""Kind -> what a maker decides and does the same again. The rest is read off a scale, a clock or a gauge each time."""


def choices(record: Record) -> dict[str, Any]:
    """The choices of a record, to begin the next one with.

    Examples
    --------
    >>> from castlab import Batch
    >>> choices(Batch(resin_lot="L-2317", resin_g=288.4))
    {'resin_lot': 'L-2317'}
    """
    return {n: v for n in CHOICES[record.kind] if (v := getattr(record, n)) not in (None, {})}


def readings(record: Record) -> dict[str, Any]:
    """The rest of what is known of a record: what was read or measured for it alone.

    Examples
    --------
    >>> from castlab import Batch
    >>> readings(Batch(resin_lot="L-2317", resin_g=288.4))
    {'resin_g': 288.4}
    """
    left_out = {*ENVELOPE, "notes", "withdrawn", *CHOICES[record.kind]}
    return {n: v for n in type(record).model_fields if n not in left_out and (v := getattr(record, n)) is not None}


def differences(values: Mapping[str, Any], before: Mapping[str, Any]) -> list[str]:
    """Where values differ from those of an earlier entry, in words; what either does not know, and times, do not count.

    Examples
    --------
    >>> differences({"stir_min": 4.5, "resin_lot": "L-2"}, {"stir_min": 4.0, "resin_lot": "L-2"})
    ['stir 4.5 min (was 4 min)']
    """
    found = []
    for name, value in values.items():
        old = before.get(name)
        if None not in (value, old) and value != old and not isinstance(value, datetime):
            found.append(f"{labels.name(name)} {shown(name, value)} (was {shown(name, old)})")
    return found
