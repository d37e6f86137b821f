"""The clocks of the forms: what they show is counted on the page, from moments that the draft keeps."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from castlab.bench.cup import working_time
from castlab.errors import InputError
from castlab.forms.faces import Part
from castlab.records.models import Material


def pot_life(
    mixed: datetime, material: Material | None, resin_g: float | None, hardener_g: float | None, resin_c: float | None
) -> Part:
    """The clock of a mix that runs: minutes left if its pot life can be told, else minutes since mixing, and why."""
    running: Part = {"start": milliseconds(mixed), "buttons": []}
    if material is None:
        return running | {"basis": "No resin system is chosen, so it is not known here how long the mix can be worked."}
    mass = resin_g + hardener_g if resin_g and hardener_g else None
    try:
        time = working_time(mixed, material, mass, resin_c)
    except InputError:  # no family with typical values, or one that has no pot life
        own = material.pot_life_min
        sheet = f"says {own:g} min for 100 g at 25 °C, and more mass or warmth leaves less" if own else "says"
        return running | {
            "basis": f"How long {material.name} can be worked is not known here: keep to what its data sheet {sheet}."
        }
    return running | {"warn": milliseconds(time.warn), "until": milliseconds(time.end), "basis": time.words}


class Degas:
    """A start and a stop that fill in minutes; a second pull is added to the first. Kept in the draft's marks."""

    def __init__(self, name: str) -> None:
        self.name = name

    def face(self, marks: Mapping[str, Any]) -> Part:
        """The clock as it stands."""
        start, stop = (marks.get(f"{self.name}_{end}") for end in ("start", "stop"))
        press, words = ("stop", "Air let in") if start and not stop else ("start", "Once more" if start else "Pump on")
        return {
            "start": milliseconds(start),
            "stop": milliseconds(stop),
            "idle": "Press when the pump goes on.",
            "buttons": [{"id": f"{self.name}_{press}", "label": words}],
        }

    def started(self, marks: Mapping[str, Any], at: datetime, minutes: float | None) -> dict[str, Any]:
        """The marks once the pump goes on."""
        before = minutes if marks.get(f"{self.name}_stop") and minutes else 0.0
        return {**marks, f"{self.name}_start": at.isoformat(), f"{self.name}_stop": None, f"{self.name}_before": before}

    def stopped(self, marks: Mapping[str, Any], at: datetime) -> tuple[dict[str, Any], float]:
        """The marks once air is let in, and the minutes under vacuum."""
        began = datetime.fromisoformat(marks[f"{self.name}_start"])
        ran = (at - began).total_seconds() / 60 + marks.get(f"{self.name}_before", 0.0)
        return {**marks, f"{self.name}_stop": at.isoformat()}, round(ran, 1)

    def runs(self, marks: Mapping[str, Any]) -> bool:
        """Whether the pump is on."""
        return bool(marks.get(f"{self.name}_start")) and not marks.get(f"{self.name}_stop")


def milliseconds(moment: datetime | str | None) -> float | None:
    """A moment of the shop's clock as a page counts time."""
    if moment is None:
        return None
    stamp = datetime.fromisoformat(moment) if isinstance(moment, str) else moment
    return 1000 * stamp.timestamp()
