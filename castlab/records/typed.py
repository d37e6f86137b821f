"""What a person types into one field of a record: its value, or why it cannot be used. The rules are the models' own."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime, time, timedelta
from typing import Any

from castlab import labels, units
from castlab.errors import InputError
from castlab.given import SHORT
from castlab.given import shown as quoted
from castlab.records.columns import dtype_of, flatten
from castlab.records.models import Record, is_blank
from castlab.records.sheet_cells import DATES, read_date, read_yes_no

_STAND_IN = {"batch_id": "B-000", "trial_id": "T-000.1", "name": "unnamed", "sha256": "0" * 64}
"""For fields that a record must have, so that another field can be checked alone."""
CLOCKS_DIFFER = timedelta(minutes=10)
"""What is so little after now has happened: the shop's clock and the computer's need not agree."""


def read_field(
    model: type[Record],
    name: str,
    text: Any,
    *,
    pressure: Callable[[str], float] | None = None,
    now: datetime | None = None,
    label: str | None = None,
) -> Any:
    """The value of one field as it would be logged.

    Parameters
    ----------
    model
        The record's type, for example `Batch`.
    name
        The field.
    text
        What was typed: "72 F", "28.7 inHg gauge", "9:20", "yes"; blank is not known.
    pressure
        Reads gauge pressures (`Logbook.pressure`, which knows the altitude); without it they are refused.
    now
        The day that a time without a date belongs to, and the moment after which nothing was done yet; the computer's
        clock if not given.
    label
        What the field is called where it was typed; the name of its column if not given.

    Returns
    -------
    The value in the bench unit, or None if blank.

    Raises
    ------
    InputError
        What is wrong, in words for showing beside the field.

    Examples
    --------
    >>> from castlab import Batch
    >>> round(read_field(Batch, "resin_c", "79 F"), 1)
    26.1
    >>> read_field(Batch, "mixed_at", "9:20", now=datetime(2026, 8, 3, 10))
    datetime.datetime(2026, 8, 3, 9, 20)
    """
    if is_blank(text):
        return None
    field = model.model_fields[name]
    try:
        value = _prepared(model, name, text, dtype_of(field.annotation), pressure, now or datetime.now())
        needed = {n: v for n, v in _STAND_IN.items() if n in model.model_fields and model.model_fields[n].is_required()}
        reading = {"notes": "x", "bubbles": 0} if model.kind == "score" and name != "bubbles" else {}
        record = model(**{**needed, **reading, name: value})
    except InputError as problem:
        raise InputError(_in_words(str(problem), model, name, label or labels.name(name))) from None
    return getattr(record, name)


def shown(name: str, value: Any) -> str:
    """A value with its unit, as it is read aloud.

    Examples
    --------
    >>> shown("resin_c", 26.11111), shown("passed", True), shown("stir_method", "two cups")
    ('26.11 °C', 'yes', 'two cups')
    """
    if isinstance(value, datetime):
        return f"{value:%d %b %Y, %H:%M}"
    if isinstance(value, dict):
        return ", ".join(f"{key} = {labels.level(item)}" for key, item in value.items())
    if isinstance(value, float):
        return f"{value:.4g} {labels.unit(name)}".strip()
    return labels.level(value)


def as_typed(value: Any) -> str:
    """A value as a person would type it into the field: numbers to six figures, or four decimals of a large one.

    Examples
    --------
    >>> as_typed(24.0), as_typed(datetime(2026, 8, 3, 9, 20)), as_typed(None)
    ('24', '2026-08-03 09:20', '')
    """
    if value is None:
        return ""
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M:%S}".removesuffix(":00")
    if isinstance(value, dict):
        return "; ".join(f"{key} = {labels.level(item)}" for key, item in value.items())
    if isinstance(value, float):
        return f"{value:.6g}" if abs(value) < 100 else f"{round(value, 4):.10g}"
    return labels.level(value)


def read_extras(text: str) -> dict[str, bool | float | str]:
    """Settings of the shop's own, as "spin_rpm = 900; strained = yes".

    Raises
    ------
    InputError
        If a part has no name or no value.

    Examples
    --------
    >>> read_extras("spin_rpm = 900; strained = yes; cloth = fine")
    {'spin_rpm': 900.0, 'strained': True, 'cloth': 'fine'}
    """
    found: dict[str, bool | float | str] = {}
    for part in filter(None, (piece.strip() for piece in re.split(r"[;\n]", text))):
        name, sign, value = (piece.strip() for piece in part.partition("="))
        if not (name and sign and value):
            raise InputError(f"{quoted(part)} is not a setting; accepted: name = value, such as spin_rpm = 900")
        found[re.sub(r"\s+", "_", name.lower())] = _extra_value(value)
    return found


def _extra_value(text: str) -> bool | float | str:
    if text.lower() in {"yes", "no"}:
        return text.lower() == "yes"
    try:
        return units.to_bench(text, "number")
    except InputError:
        return text


def _prepared(
    model: type[Record], name: str, text: Any, dtype: str, pressure: Callable[[str], float] | None, now: datetime
) -> Any:
    if not isinstance(text, str):
        return text
    if name == "extra":
        return read_extras(text)
    if dtype != "str" and len(text) > SHORT:
        raise InputError(f"{quoted(text)} is too long to be read; accepted: up to {SHORT} characters")
    if dtype == "boolean":
        return read_yes_no(text, None)
    if dtype.startswith("datetime"):
        return _moment(text, now, with_time=is_moment(model, name))
    if name.endswith("_kpa") and pressure is not None and re.search(r"[^\W\d_]", text):
        return pressure(text)
    return text


def _moment(text: str, now: datetime, *, with_time: bool) -> datetime:
    """When something was done; a time alone is today's."""
    moment = read_date(text, None, settle=DATES)
    alone = isinstance(moment, time)
    if isinstance(moment, time):
        if not with_time:
            raise InputError(f"{text!r} is a time of the day; {DATES}")
        moment = datetime.combine(now.date(), moment)
    if moment > now + CLOCKS_DIFFER:
        date = (
            f"; with the date if it was not today, such as {now - timedelta(days=1):%Y-%m-%d} {text}" if alone else ""
        )
        raise InputError(f"{text!r} is still to come; accepted: a moment up to now{date}")
    return moment


def _in_words(message: str, model: type[Record], name: str, label: str) -> str:
    """Without the record's name and what only a line of Python can give; the field by its name on the bench, in front."""
    text = message.removeprefix(f"{model.__name__}: ").replace(
        ": densities_g_ml=(1.10, 0.98)", ", so give the one by mass"
    )
    text = re.sub(rf"^{re.escape(name)}(?= is |: )", label, text)
    return text if text.startswith((f"{label} is ", f"{label}: ")) else f"{label}: {text}"


def is_moment(model: type[Record], name: str) -> bool:
    """Whether a field is a point in time."""
    return datetime in flatten(model.model_fields[name].annotation)
