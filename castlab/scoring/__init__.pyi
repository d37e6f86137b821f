from .agreeing import Agreement, agreement
from .automatic import AutomaticError, automatic_error
from .bubbles import BubbleCount, count_bubbles
from .clearness import Clarity, clarity
from .drift import ScorerDrift, drift_of_scorer
from .gauge import GaugeStudy, gauge_study
from .marking import Marks, marks_of, save_marks, saved_marks
from .on_sheet import keep_on_sheet
from .photo_scores import PhotoScores, score_photos
from .printed import Sheet, clarity_target, marker_sheet
from .rescoring import Rescoring, enter_rescoring, plan_rescoring
from .scale import Scale, scale_from_disc, scale_from_length, scale_from_sheet

__all__ = [
    "Agreement",
    "AutomaticError",
    "BubbleCount",
    "Clarity",
    "GaugeStudy",
    "Marks",
    "PhotoScores",
    "Rescoring",
    "Scale",
    "ScorerDrift",
    "Sheet",
    "agreement",
    "automatic_error",
    "clarity",
    "clarity_target",
    "count_bubbles",
    "drift_of_scorer",
    "enter_rescoring",
    "gauge_study",
    "keep_on_sheet",
    "marker_sheet",
    "marks_of",
    "plan_rescoring",
    "save_marks",
    "saved_marks",
    "scale_from_disc",
    "scale_from_length",
    "scale_from_sheet",
    "score_photos",
]
