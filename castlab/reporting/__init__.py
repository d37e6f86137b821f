"""What a report says, part by part: the report's notebook shows these, `castlab.reports` executes and prints it."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from castlab.reporting.evidence import Evidence, read
    from castlab.reporting.recipes import Recipes, compare_recipes
    from castlab.reporting.story import Story, tell

_HOME = {
    "Evidence": "evidence", "read": "evidence", "Recipes": "recipes", "compare_recipes": "recipes", "Story": "story",
    "tell": "story",
}  # fmt: skip

__all__ = ["Evidence", "Recipes", "Story", "compare_recipes", "read", "tell"]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"castlab.reporting.{_HOME[name]}"), name)
    raise AttributeError(f"module 'castlab.reporting' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
