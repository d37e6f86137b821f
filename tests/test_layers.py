"""Arrows point one way, and `import castlab` stays light."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import castlab

PACKAGE = Path(castlab.__file__).parent

LAYERS = [
    {"errors", "shipped", "tables", "given"},
    {"results", "cautions", "units", "labels"},
    {"records"},
    {"analysis", "scoring", "designs", "bench"},
    {"figures"},
    {"forms", "reports", "reporting", "cli", "workspace", "notebook", "kernel", "health", "printing"},
]
"""From below to above; a part imports only from its own layer and those below."""

LATE = {("results", "figures")}
"""The one arrow upwards: a result asks for its picture when someone wants to see it."""


def part_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def layer_of(part: str) -> int:
    return next(n for n, parts in enumerate(LAYERS) if part in parts)


def imported_parts(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        found |= {name.split(".")[1] for name in names if name.startswith("castlab.")}
    return {name for name in found if any(name in parts for parts in LAYERS)}


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if p.name != "__init__.py" or p.parent != PACKAGE)


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_part_imports_a_part_above_it(path):
    part = part_of(path)
    for other in imported_parts(path):
        if (part, other) not in LATE:
            assert layer_of(other) <= layer_of(part), f"{part} imports {other}"


def test_importing_castlab_loads_no_heavy_library():
    code = "import sys, castlab, castlab.units; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    heavy = {"pandas", "numpy", "sqlalchemy", "pydantic", "pint", "statsmodels", "matplotlib", "seaborn", "trimesh"}
    assert heavy & set(loaded) == set()


@pytest.mark.parametrize("name", ["", ".analysis", ".bench", ".designs", ".reporting", ".scoring"])
def test_each_name_that_a_package_offers_is_there(name):
    package = importlib.import_module(f"castlab{name}")
    stub = Path(package.__file__).with_suffix(".pyi").read_text(encoding="utf-8")
    offered = next(
        ast.literal_eval(node.value) for node in ast.parse(stub).body if getattr(node, "targets", [None])[0] is not None
    )
    assert set(dir(package)) <= set(offered)
    assert all(getattr(package, each) is not None for each in offered)
