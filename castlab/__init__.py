"""castlab: log resin and silicone castings, compare runs, and see which settings made the difference.

The names here load what they need on first use, so that `import castlab` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from castlab.records import Batch, Logbook, Material, Mold, Photo, Plan, Score, Trial

__version__ = "0.1.0"

__all__ = ["Batch", "Logbook", "Material", "Mold", "Photo", "Plan", "Score", "Trial", "__version__"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        return getattr(import_module("castlab.records"), name)
    raise AttributeError(f"module 'castlab' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
