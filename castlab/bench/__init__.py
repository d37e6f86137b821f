"""Plan the pour: how much to mix, what it costs, whether it fits, and what vacuum and cure will do to it.

The names here load what they need on first use, so that `import castlab.bench` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from castlab.bench import bubbles, cost, cure, materials, shrinkage, solids, vacuum
    from castlab.bench.mixing import plan_mix

__all__ = ["bubbles", "cost", "cure", "materials", "plan_mix", "shrinkage", "solids", "vacuum"]


def __getattr__(name: str) -> Any:
    if name == "plan_mix":
        return import_module("castlab.bench.mixing").plan_mix
    if name in __all__:
        return import_module(f"castlab.bench.{name}")
    raise AttributeError(f"module 'castlab.bench' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
