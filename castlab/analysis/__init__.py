"""What made the difference: effects of factors, comparison of runs, and what the castings made so far cannot tell apart.

`fit_factors` and `compare_runs` answer in effects with intervals; `what_is_confounded` says which settings always
changed together and which castings would separate them; `watch` follows production as it runs. Pictures of these
results are in `castlab.figures`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from castlab.analysis.checking.checks import Checks
    from castlab.analysis.compare import Comparison, compare_runs
    from castlab.analysis.confounding import Confounding, what_is_confounded
    from castlab.analysis.fit import FactorFit, fit_factors
    from castlab.analysis.looks import ManyResponses, many_responses
    from castlab.analysis.production.lifetimes import MoldLife, mold_life
    from castlab.analysis.production.watching import Watch, watch
    from castlab.analysis.recommending.goals import Goal
    from castlab.analysis.recommending.prediction import next_casting
    from castlab.analysis.recommending.recommendation import Recommendation, recommend
    from castlab.analysis.screen import Screen, screen_effects

_HOME = {
    "fit_factors": "fit",
    "FactorFit": "fit",
    "compare_runs": "compare",
    "Comparison": "compare",
    "recommend": "recommending.recommendation",
    "Recommendation": "recommending.recommendation",
    "Goal": "recommending.goals",
    "many_responses": "looks",
    "ManyResponses": "looks",
    "next_casting": "recommending.prediction",
    "what_is_confounded": "confounding",
    "Confounding": "confounding",
    "Checks": "checking.checks",
    "screen_effects": "screen",
    "Screen": "screen",
    "mold_life": "production.lifetimes",
    "MoldLife": "production.lifetimes",
    "watch": "production.watching",
    "Watch": "production.watching",
}

__all__ = [
    "Checks",
    "Comparison",
    "Confounding",
    "FactorFit",
    "Goal",
    "ManyResponses",
    "MoldLife",
    "Recommendation",
    "Screen",
    "Watch",
    "compare_runs",
    "fit_factors",
    "many_responses",
    "mold_life",
    "next_casting",
    "recommend",
    "screen_effects",
    "watch",
    "what_is_confounded",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"castlab.analysis.{_HOME[name]}"), name)
    raise AttributeError(f"module 'castlab.analysis' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
