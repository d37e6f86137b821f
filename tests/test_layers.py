"""Arrows point one way, and `import castlab` stays light."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from collections.abc import Iterable, Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import networkx
import pytest

import castlab

PACKAGE = Path(castlab.__file__).parent

LAYERS = [
    {"errors", "shipped", "tables"},
    {"given"},
    {"cautions", "units"},
    {"labels"},
    {"results"},
    {"records"},
    {"analysis"},
    {"bench"},
    {"designs", "scoring"},
    {"figures"},
    {"kernel", "notebook", "printing", "reporting", "workspace"},
    {"forms", "health", "reports"},
    {"cli"},
]
"""From below to above; a part imports from itself and from the layers below it, never sideways."""

LATE = {("results", "figures")}
"""The one arrow upwards: a result asks for its picture when someone wants to see it."""

CIRCLES = {
    ("castlab.records.models", "castlab.records.checks"): "a record asks for its cautions, which are checks of records",
    ("castlab.records.models", "castlab.records.display"): "a record shows itself as a card",
    ("castlab.records.models", "castlab.records.columns"): "a setting of one's own must not bear a column's name",
    ("castlab.records.columns", "castlab.records.models"): "most columns are fields of the models",
    ("castlab.analysis.fit", "castlab.analysis.checking.checks"): "a fit asks for its checks",
    ("castlab.analysis.models.many", "castlab.analysis.models.choose"): "see tests/analysis/test_arrows.py",
    ("castlab.analysis.models.many", "castlab.analysis.models.at_once"): "see tests/analysis/test_arrows.py",
    ("castlab.reporting.today", "castlab.reporting.glance"): "the shop's state shows itself as the home page",
}
"""Imports inside a function that close a circle (importing, imported), and why they stay."""


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
def test_no_part_imports_a_part_beside_or_above_it(path):
    part = part_of(path)
    for other in imported_parts(path):
        if other != part and (part, other) not in LATE:
            assert layer_of(other) < layer_of(part), f"{part} imports {other}"


def imported_modules(statements: Iterable[ast.AST]) -> set[str]:
    """Modules of castlab that these statements import, by their dotted names."""
    found = set()
    for node in statements:
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {name for name in found if (PACKAGE.parent / f"{name.replace('.', '/')}.py").is_file()}


def named(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)


def when_run(tree: ast.AST) -> Iterator[ast.AST]:
    """Statements that are run, at once or within a function: all but those for type checkers."""
    for node in ast.iter_child_nodes(tree):
        if not (isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"):
            yield node
            yield from when_run(node)


def test_modules_load_each_other_in_no_circle():
    loads = {named(p): imported_modules(ast.parse(p.read_text(encoding="utf-8")).body) for p in modules()}
    assert list(TopologicalSorter(loads).static_order())


def test_every_circle_that_a_late_import_closes_has_its_reason():
    trees = {named(p): ast.parse(p.read_text(encoding="utf-8")) for p in modules()}
    loads = {name: imported_modules(tree.body) for name, tree in trees.items()}
    late = {name: imported_modules(when_run(tree)) - loads[name] - {name} for name, tree in trees.items()}
    runs = networkx.DiGraph((name, other) for name in trees for other in loads[name] | late[name])
    closed = {(name, other) for name in trees for other in late[name] if networkx.has_path(runs, other, name)}
    assert closed == set(CIRCLES)


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
