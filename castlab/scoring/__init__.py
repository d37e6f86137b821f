"""How good it is: bubbles counted from a photo, and whether scorers agree. Each says how far it can be trusted."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from castlab.scoring.agreeing import Agreement, agreement
    from castlab.scoring.automatic import AutomaticError, automatic_error
    from castlab.scoring.bubbles import BubbleCount, count_bubbles
    from castlab.scoring.clearness import Clarity, clarity
    from castlab.scoring.gauge import GaugeStudy, gauge_study
    from castlab.scoring.marking import Marks, marks_of, save_marks, saved_marks
    from castlab.scoring.photo_scores import PhotoScores, score_photos
    from castlab.scoring.printed import Sheet, clarity_target, marker_sheet
    from castlab.scoring.rescoring import Rescoring, ScorerDrift, drift_of_scorer, enter_rescoring, plan_rescoring
    from castlab.scoring.scale import Scale, scale_from_disc, scale_from_length, scale_from_sheet

_HOME = {
    "Agreement": "agreeing", "agreement": "agreeing",
    "AutomaticError": "automatic", "automatic_error": "automatic",
    "Marks": "marking", "marks_of": "marking", "save_marks": "marking", "saved_marks": "marking",
    "BubbleCount": "bubbles", "count_bubbles": "bubbles",
    "Clarity": "clearness", "clarity": "clearness",
    "GaugeStudy": "gauge", "gauge_study": "gauge",
    "PhotoScores": "photo_scores", "score_photos": "photo_scores",
    "Scale": "scale", "scale_from_disc": "scale", "scale_from_length": "scale", "scale_from_sheet": "scale",
    "Sheet": "printed", "clarity_target": "printed", "marker_sheet": "printed",
    "Rescoring": "rescoring", "plan_rescoring": "rescoring", "ScorerDrift": "rescoring", "drift_of_scorer": "rescoring",
    "enter_rescoring": "rescoring",
}  # fmt: skip

__all__ = [
    "Agreement", "AutomaticError", "BubbleCount", "Clarity", "GaugeStudy", "Marks", "PhotoScores", "Rescoring", "Scale",
    "ScorerDrift", "Sheet", "agreement", "automatic_error", "clarity", "clarity_target", "count_bubbles",
    "drift_of_scorer", "enter_rescoring", "gauge_study", "marker_sheet", "marks_of", "plan_rescoring", "save_marks",
    "saved_marks", "scale_from_disc", "scale_from_length", "scale_from_sheet", "score_photos",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"castlab.scoring.{_HOME[name]}"), name)
    raise AttributeError(f"module 'castlab.scoring' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
