from .checking.checks import Checks
from .compare import Comparison, compare_runs
from .confounding import Confounding, what_is_confounded
from .fit import FactorFit, fit_factors
from .looks import ManyResponses, many_responses
from .production.lifetimes import MoldLife, mold_life
from .production.watching import Watch, watch
from .recommending.goals import Goal
from .recommending.prediction import next_casting
from .recommending.recommendation import Recommendation, recommend
from .screen import Screen, screen_effects

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
