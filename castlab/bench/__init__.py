"""Plan the pour: how much to mix, what it costs, whether it fits, and what vacuum and cure will do to it.

The names here load what they need on first use, so that `import castlab.bench` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from castlab.bench import bubbles, cost, cure, materials, shrinkage, solids, vacuum
    from castlab.bench.mixing import plan_mix
    from castlab.bench.sheet import run_sheet

__all__ = ["bubbles", "cost", "cure", "materials", "plan_mix", "run_sheet", "shrinkage", "solids", "vacuum"]

_FUNCTIONS = {"plan_mix": "mixing", "run_sheet": "sheet"}


def __getattr__(name: str) -> Any:
    if name in _FUNCTIONS:
        return getattr(import_module(f"castlab.bench.{_FUNCTIONS[name]}"), name)
    if name in __all__:
        return import_module(f"castlab.bench.{name}")
    raise AttributeError(f"module 'castlab.bench' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
