"""Whatever bears a public name says what it is: units, shapes, errors and sources stand where the name is looked up."""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import castlab

PACKAGE = Path(castlab.__file__).parent
MODULES = [
    ".".join(p.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__")
    for p in sorted(PACKAGE.rglob("*.py"))
    if "migrations" not in p.parts and p.name != "__main__.py"
]


def public(module: ModuleType) -> Iterator[tuple[str, Any]]:
    """Functions and classes that the module defines, and the methods and properties of these, by their names."""
    for name, each in vars(module).items():
        if name.startswith("_") or getattr(each, "__module__", None) != module.__name__:
            continue
        if inspect.isfunction(each) or inspect.isclass(each):
            yield name, each
        for inner, method in vars(each).items() if inspect.isclass(each) else ():
            if not inner.startswith("_") and callable(getattr(method, "fget", getattr(method, "__func__", method))):
                yield f"{name}.{inner}", getattr(each, inner)


@pytest.mark.parametrize("name", MODULES)
def test_what_is_public_has_a_docstring(name):
    module = importlib.import_module(name)
    assert module.__doc__ or Path(module.__file__).name == "__init__.py"
    assert [what for what, each in public(module) if not inspect.getdoc(each)] == []
