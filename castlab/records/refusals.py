"""What pydantic found wrong with a record, in the words of the bench: which field, what was given, what is accepted."""

from __future__ import annotations

import difflib
from collections.abc import Collection
from typing import TYPE_CHECKING, Any

from castlab.given import shown

if TYPE_CHECKING:
    from pydantic import ValidationError
    from pydantic.fields import FieldInfo

    from castlab.records.models import Record


def explain(exc: ValidationError, model: type[Record], filled_in: Collection[str]) -> str:
    """One line per wrong field: which, what was given, what is accepted; nobody means those `filled_in` by the logbook."""
    lines = []
    for error in exc.errors():
        name = str(error["loc"][0]) if error["loc"] else ""
        field = model.model_fields.get(name)
        if error["type"] == "value_error":
            text = str(error["ctx"]["error"])
            lines.append(text if name in text or not name else f"{name}: {text}")
        elif error["type"] == "missing":
            lines.append(f"{name} is missing; needed: {field.description if field else 'a value'}")
        elif field is None:
            lines.append(f"{name!r} is not a field of a {model.__name__.lower()}{_nearest(name, model, filled_in)}")
        else:
            lines.append(
                f"{name} is {shown(error['input'])}; accepted: {_accepted(error, field)} ({field.description})"
            )
    return f"{model.__name__}: " + "; ".join(lines)


def _accepted(error: Any, field: FieldInfo) -> str:
    ctx, kind = error.get("ctx", {}), error["type"]
    if "ge" in ctx or "le" in ctx:
        low = next((m.ge for m in field.metadata if hasattr(m, "ge")), ctx.get("ge"))
        high = next((m.le for m in field.metadata if hasattr(m, "le")), ctx.get("le"))
        return f"{low:.12g} to {high:.12g}" if low is not None and high is not None else f"{low:.12g} or more"
    if "pattern" in ctx:
        return "an id as the logbook gives it"
    if kind.startswith("datetime") or kind.startswith("date"):
        return "a date, and a time if known, such as 2026-03-14 09:30"
    if kind.startswith("int"):
        return "a whole number"
    if kind.startswith("float"):
        return "a number"
    if kind.startswith("bool"):
        return "yes or no"
    if "max_length" in ctx:
        return f"at most {ctx['max_length']} characters"
    return str(error["msg"]).lower()


def _nearest(name: str, model: type[Record], filled_in: Collection[str]) -> str:
    names = [n for n in model.model_fields if n not in filled_in]
    close = difflib.get_close_matches(name, names, n=1)
    if close:
        return f"; did you mean {close[0]}?"
    if "extra" in model.model_fields:
        return f"; a setting of your own goes in extra={{{name!r}: ...}}"
    return f"; accepted: {', '.join(names)}"
