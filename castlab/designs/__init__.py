"""Which castings to make next: factors and their settings, plans that respect batches and molds, and what they can tell.

`plan_trials` chooses the castings and their order, says what is mixed up with what and how well each effect will be known,
and prints the run sheets; `power` gives the chance that an effect of a given size will show, `power_sweep` that chance for
many numbers of castings and sizes of effect.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from castlab.designs.design import Design
    from castlab.designs.detection import Power, power
    from castlab.designs.factors import Factor
    from castlab.designs.plan import plan_trials
    from castlab.designs.sheets import RunSheets
    from castlab.designs.sweep import PowerSweep, power_sweep

_HOME = {
    "Design": "design", "Factor": "factors", "Power": "detection", "PowerSweep": "sweep", "RunSheets": "sheets",
    "plan_trials": "plan", "power": "detection", "power_sweep": "sweep",
}  # fmt: skip

__all__ = ["Design", "Factor", "Power", "PowerSweep", "RunSheets", "plan_trials", "power", "power_sweep"]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"castlab.designs.{_HOME[name]}"), name)
    raise AttributeError(f"module 'castlab.designs' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
