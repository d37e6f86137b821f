"""A blind session kept in a file, so that readings go to the castings whose labels were printed, whatever is logged since."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from castlab.errors import ConflictError, InputError
from castlab.given import shown

if TYPE_CHECKING:
    from castlab.scoring.rescoring import Rescoring


def kept(session: Rescoring, asked: dict[str, Any], path: str | Path) -> Rescoring:
    """The session of this file, as it was first planned; `session`, written there, if the file is not there yet.

    Raises
    ------
    InputError
        If the file holds no session, or cannot be written.
    ConflictError
        If the file holds a session that was asked for otherwise (`asked`: arguments of `plan_rescoring`).
    """
    if not isinstance(path, str | os.PathLike):
        raise InputError(f"keep is {shown(path)}; accepted: the name of a file, such as 'blind_session.json'")
    file = Path(path)
    asked = json.loads(json.dumps(asked, default=str))
    if file.exists():
        before, old = _read(file, session)
        if before != asked:
            other = ", ".join(f"{name} {before.get(name)!r}, now {asked[name]!r}" for name in asked if before.get(name) != asked[name])  # fmt: skip
            raise ConflictError(
                f"{file.name} holds session {old.name}, which was planned otherwise than session {session.name} asked for now "
                f"({other}): ask as before, or keep the new session in another file"
            )
        if old.name == session.name:
            return old
        note = (
            f"This is session {old.name} as kept in {file.name}; the castings at hand have changed since (they would make "
            f"session {session.name}). For a new session give another file."
        )
        return replace(old, cautions=(*old.cautions, note))
    told = {
        "session": session.name, "asked": asked, "verdict": session.verdict, "cautions": list(session.cautions),
        "key": session.key.to_dict("list"), "sheets": session.sheets.to_dict("list"), "half_width": session.half_width,
        "needed": session.needed,
    }  # fmt: skip
    try:
        with file.open("x", encoding="utf-8") as out:
            json.dump(told, out, indent=1)
    except OSError as exc:
        raise InputError(f"the session cannot be kept in {file.name}: {exc.strerror or exc}") from None
    return session


def _read(file: Path, like: Rescoring) -> tuple[dict[str, Any], Rescoring]:
    try:
        told = json.loads(file.read_text(encoding="utf-8"))
        old = replace(
            like, verdict=told["verdict"], cautions=tuple(told["cautions"]), key=pd.DataFrame(told["key"]),
            sheets=pd.DataFrame(told["sheets"]), half_width=told["half_width"], needed=told["needed"],
        )  # fmt: skip
        whole = isinstance(told["asked"], dict) and old.name == told["session"]
    except (OSError, ValueError, KeyError, TypeError):
        whole = False
    if not whole:
        raise InputError(
            f"{file.name} holds no whole blind session; give another file, or the one kept when it was planned"
        )
    return told["asked"], old
