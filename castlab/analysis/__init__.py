"""What made the difference: effects of factors, comparison of runs, and what the castings made so far cannot tell apart.

`fit_factors` and `compare_runs` answer in effects with intervals; `what_is_confounded` says which settings always
changed together and which castings would separate them. Pictures of these results are in `castlab.figures`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from castlab.analysis.compare import Comparison, compare_runs
    from castlab.analysis.confounding import Confounding, what_is_confounded
    from castlab.analysis.fit import FactorFit, fit_factors

_HOME = {
    "fit_factors": "fit",
    "FactorFit": "fit",
    "compare_runs": "compare",
    "Comparison": "compare",
    "what_is_confounded": "confounding",
    "Confounding": "confounding",
}

__all__ = ["Comparison", "Confounding", "FactorFit", "compare_runs", "fit_factors", "what_is_confounded"]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"castlab.analysis.{_HOME[name]}"), name)
    raise AttributeError(f"module 'castlab.analysis' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
