"""Which castings to make next: factors and their settings, plans that respect batches and molds, and what they can tell.

`plan_trials` chooses the castings and their order, and says what is mixed up with what and how well each effect will be
known; `power` gives the chance that an effect of a given size will show.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from castlab.designs.design import Design
    from castlab.designs.detection import Power, power
    from castlab.designs.factors import Factor
    from castlab.designs.plan import plan_trials

_HOME = {"Factor": "factors", "plan_trials": "plan", "Design": "design", "power": "detection", "Power": "detection"}

__all__ = ["Design", "Factor", "Power", "plan_trials", "power"]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"castlab.designs.{_HOME[name]}"), name)
    raise AttributeError(f"module 'castlab.designs' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
