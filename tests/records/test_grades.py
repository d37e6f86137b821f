"""Grades as they were logged: mixed rubrics are told, and grades that no rubric has."""

from __future__ import annotations

import pandas as pd
import pytest

from castlab import Batch, Score, Trial
from castlab.analysis import compare_runs, fit_factors
from castlab.errors import InputError
from castlab.records import grades


@pytest.mark.parametrize("wrong", [None, 5, "scores", [1, 2]])
def test_mixed_rubrics_are_told_of_scores_only(wrong):
    with pytest.raises(InputError, match="a list of Score, or a frame"):
        grades.mixed(wrong)


def test_mixed_rubrics_are_said_and_ungraded_scores_do_not_count():
    ours = Score(trial_id="T-001.1", tack_grade=2, rubric="ours 1 (aaaaaa)")
    later = Score(trial_id="T-001.1", tack_grade=2, rubric="ours 2 (bbbbbb)")
    counted = Score(trial_id="T-001.1", bubbles=2)
    assert grades.mixed([ours, counted]) is None
    assert "two rubrics (ours 1 (aaaaaa); ours 2 (bbbbbb))" in grades.mixed([ours, later])
    frame = pd.DataFrame([s.model_dump() for s in (ours, later, counted)])
    assert grades.mixed(frame) == grades.mixed([ours, later])
    assert grades.mixed(pd.DataFrame({"a": [1]})) is None


def test_the_analysis_of_grades_says_when_rubrics_are_mixed(book):
    for number in range(6):
        cup = book.add(Batch(resin_c=22 + 2 * (number % 2)))
        for grade in (1 + number % 2, 2, 3):
            casting = book.add(Trial(batch_id=cup.id, pour_method="ladle" if grade == 2 else "stream"))
            name = "ours 1 (aaaaaa)" if number < 3 else "ours 2 (bbbbbb)"
            book.add(
                Score(
                    trial_id=casting.id,
                    clarity_grade=grade,
                    haze_pct=5 - grade + (number * 7 + grade * 3) % 5 / 4,
                    rubric=name,
                )
            )
    frame = book.frame()
    assert set(frame["rubrics"]) == {"ours 1 (aaaaaa)", "ours 2 (bbbbbb)"}
    note = grades.mixed(frame)
    assert note in fit_factors(frame, "clarity_grade", ["resin_c"]).cautions
    assert note in compare_runs(frame, "clarity_grade", "pour_method").cautions
    assert note not in fit_factors(frame, "haze_pct", ["resin_c"]).cautions


def test_grades_that_no_rubric_has_are_told_in_columns_of_the_rubric_only():
    assert grades.outside(pd.Series([0, 4, None], name="tack_grade")) is None
    assert grades.outside(pd.Series([9], name="gloss_grade")) is None
    assert "tack_grade holds -1, 2.5" in str(grades.outside(pd.Series([-1, 2.5, 3], name="tack_grade")))
