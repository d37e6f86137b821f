"""How good it is: bubbles counted from a photo, with how far the count can be trusted."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from castlab.scoring.bubbles import BubbleCount, count_bubbles

_HOME = {"BubbleCount": "bubbles", "count_bubbles": "bubbles"}

__all__ = ["BubbleCount", "count_bubbles"]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"castlab.scoring.{_HOME[name]}"), name)
    raise AttributeError(f"module 'castlab.scoring' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
