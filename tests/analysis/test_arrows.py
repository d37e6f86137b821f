"""Arrows inside the analysis point one way too."""

from __future__ import annotations

import ast
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import castlab.analysis

PACKAGE = Path(castlab.analysis.__file__).parent

ORDER = [
    "words", "verdicts", "reading", "models", "effects", "separating", "confounding", "randomisation", "planned",
    "zeros", "screen", "fit", "checking", "looks", "recommending", "needed", "compare", "production",
]  # fmt: skip
"""From below to above; a part (a module or a folder) imports from itself and from those before it."""

LATE = {
    ("fit.py", "checking.checks"): "a fit asks for its checks when someone wants to see them",
    ("zeros.py", "fit"): "names the type of the two fits that it puts together; `fit_factors` itself is handed in",
    (
        "models/many.py",
        "models.choose",
    ): "responses that have no way for many at once go through `choose`, which rests on `many`",
    (
        "models/many.py",
        "models.at_once",
    ): "the ways of `choose` for many at once, by `count_fit`, which rests on `many`",
    ("recommending/advice.py", "recommending.recommendation"): "names the type of what it puts into words",
    ("recommending/advice.py", "recommending.space"): "names a type",
}
"""Imports inside a function, or for types only, that would be upwards or in a circle at the top, and why they stay."""


def modules() -> dict[str, Path]:
    return {
        ".".join(p.relative_to(PACKAGE).with_suffix("").parts): p
        for p in sorted(PACKAGE.rglob("*.py"))
        if p.name != "__init__.py"
    }


def imported(tree: ast.AST) -> set[str]:
    """Modules of the analysis that these statements import."""
    named = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("castlab.analysis"):
            inside = (node.module or "").removeprefix("castlab.analysis").removeprefix(".")
            named |= {f"{inside}.{alias.name}".removeprefix(".") for alias in node.names} | {inside}
        elif isinstance(node, ast.Import):
            named |= {
                a.name.removeprefix("castlab.analysis.") for a in node.names if a.name.startswith("castlab.analysis.")
            }
    return named & set(modules())


def at_the_top(path: Path) -> set[str]:
    """What is imported when the module is loaded."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    kept = [node for node in tree.body if isinstance(node, (ast.Import, ast.ImportFrom))]
    return imported(ast.Module(kept, []))


def place(module: str) -> int:
    return ORDER.index(module.partition(".")[0])


@pytest.mark.parametrize("module", modules())
def test_no_part_of_the_analysis_imports_one_above_it(module):
    for other in at_the_top(modules()[module]):
        assert place(other) <= place(module), f"{module} imports {other}"


def test_modules_of_the_analysis_import_each_other_in_no_circle():
    assert list(TopologicalSorter({m: at_the_top(p) for m, p in modules().items()}).static_order())


def test_every_late_import_upwards_has_its_reason():
    late = set()
    for module, path in modules().items():
        top = at_the_top(path)
        tree = ast.parse(path.read_text(encoding="utf-8"))
        late |= {(str(path.relative_to(PACKAGE).as_posix()), other) for other in imported(tree) - top - {module}}
    assert late == set(LATE)
