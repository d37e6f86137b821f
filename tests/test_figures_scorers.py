"""Pictures of scorers show every reading, share and shift as they are in the result, and name what is drawn."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from castlab.errors import InputError
from castlab.scoring import agreement, drift_of_scorer, gauge_study, plan_rescoring

PEOPLE = ("Noor", "Wim", "Ada")


def readings(castings: int, repeats: int, value: str = "bubbles", most: int = 12) -> pd.DataFrame:
    rng = np.random.default_rng(castings)
    rows = []
    for casting in range(castings):
        true = rng.integers(0, most + 1)
        for place, who in enumerate(PEOPLE):
            for turn in range(repeats):
                told = int(np.clip(true + rng.normal(place / 2), 0, most))
                rows.append((f"T-001.{casting + 1}", who, f"2026-0{3 + turn}-10 10:00", told))
    return pd.DataFrame(rows, columns=["trial_id", "scorer", "scored_at", value])


def points(axes) -> dict[str, np.ndarray]:
    """Label of each series of markers -> its points, ordered by their place."""
    lines = [line for line in axes.lines if line.get_linestyle() == "None"]
    return {line.get_label(): line.get_xydata() for line in lines}


def names_below(axes) -> list[str]:
    return [tick.get_text() for tick in axes.get_xticklabels()]


def legend(figure) -> list[str]:
    return [text.get_text() for text in figure.legends[0].get_texts()]


def inside(figure) -> bool:
    """Whether everything written and drawn lies within the picture."""
    figure.draw_without_rendering()
    edge = figure.get_tightbbox()
    width, height = figure.get_size_inches()
    return edge.x0 >= -0.01 and edge.y0 >= -0.01 and edge.x1 <= width + 0.01 and edge.y1 <= height + 0.01


@pytest.fixture(scope="module")
def agreed():
    scores = readings(12, 1, "clarity_grade", 4)
    return agreement(scores, "ordinal", item="trial_id", scorer="scorer", value="clarity_grade")


def test_agreement_shows_every_reading_of_every_casting_from_low_to_high(agreed):
    figure = agreed.figure()
    axes = figure.axes[0]
    drawn = points(axes)
    assert sorted(drawn) == sorted(PEOPLE) == sorted(legend(figure))
    order = names_below(axes)
    assert len(order) == 12
    means = agreed.ratings.loc[order].mean(axis=1)
    assert means.is_monotonic_increasing
    for who, spots in drawn.items():
        assert spots[:, 1].tolist() == agreed.ratings.loc[order, who].tolist()
        assert np.round(spots[:, 0]).tolist() == list(range(12))
    assert axes.get_ylabel() == "clarity grade (0 worst, 4 best)"
    assert axes.get_xlabel() == "casting, from the lowest mean reading to the highest"
    assert all(tick % 1 == 0 for tick in axes.get_yticks())


def test_a_line_joins_the_lowest_and_the_highest_reading_of_a_casting(agreed):
    axes = agreed.figure().axes[0]
    spans = [segment[:, 1].tolist() for segment in axes.collections[0].get_segments()]
    table = agreed.ratings.loc[names_below(axes)]
    assert spans == [[low, high] for low, high in zip(table.min(axis=1), table.max(axis=1), strict=True)]


@pytest.mark.parametrize("castings", [3, 12, 40, 150])
def test_names_of_castings_and_scorers_stay_within_the_picture_and_apart(castings):
    scores = readings(castings, 1).assign(trial_id=lambda rows: rows["trial_id"].str.replace("T-001", "T-1234"))
    figure = agreement(scores, "ratio", item="trial_id", scorer="scorer", value="bubbles").figure()
    assert inside(figure)
    boxes = [tick.get_window_extent() for tick in figure.axes[0].get_xticklabels()]
    assert all(one.x1 <= other.x0 + 0.5 for one, other in pairwise(boxes))
    legend_box, axes_box = figure.legends[0].get_window_extent(), figure.axes[0].get_window_extent()
    assert legend_box.y0 >= axes_box.y1 - 1


def test_the_text_alternative_tells_alpha_with_its_interval(agreed):
    alt = agreed.figure().alt
    assert f"Alpha {agreed.alpha:.2f}, 95% interval {agreed.low:.2f} to {agreed.high:.2f}." in alt
    assert "12 castings by 3 scorers" in alt


@pytest.fixture(scope="module", params=[1, 2])
def studied(request):
    return gauge_study(readings(10, request.param), "trial_id", "scorer", "bubbles")


def test_shares_of_the_variance_stand_in_percent_with_their_intervals(studied):
    left = studied.figure().axes[0]
    words = {
        "part": "the casting", "part by appraiser": "who scores which casting", "reproducibility": "who scores",
        "repeatability": "the same scorer again",
    }  # fmt: skip
    shares = studied.shares.dropna(subset=["share"]).set_index("source")
    wanted = [source for source in words if source in shares.index]
    assert [tick.get_text() for tick in left.get_yticklabels()] == [words[source] for source in wanted]
    (spots,) = points(left).values()
    assert spots[:, 0] == pytest.approx(100 * shares.loc[wanted, "share"].to_numpy())
    spans = np.array([segment[:, 0] for segment in left.collections[0].get_segments()])
    assert spans == pytest.approx(100 * shares.loc[wanted, ["low", "high"]].to_numpy())
    assert left.get_xlabel() == "share of the variance (%), with 95% interval"


def test_beside_the_shares_stands_every_reading(studied):
    figure = studied.figure()
    right = figure.axes[1]
    at = {name: place for place, name in enumerate(names_below(right))}
    for who, spots in points(right).items():
        rows = studied.data[studied.data["scorer"] == who]
        assert np.round(spots[:, 0]).tolist() == [at[casting] for casting in rows["casting"]]
        assert spots[:, 1].tolist() == rows["bubbles"].tolist()
    assert set(points(right)) == set(PEOPLE)
    assert right.get_ylabel() == "bubbles"
    assert inside(figure)


def test_drift_shows_each_casting_at_its_first_and_its_last_reading():
    drift = drift_of_scorer(readings(12, 2).assign(bubbles=lambda rows: rows["bubbles"] + 0.25), "bubbles")
    figure = drift.figure()
    drawn = points(figure.axes[0])
    assert sorted(legend(figure)) == sorted(PEOPLE)
    for who, rows in drift.data.groupby("scorer"):
        assert drawn[who] == pytest.approx(rows[["first", "again"]].to_numpy())
    assert figure.axes[0].get_xlabel() == "first reading: bubbles"
    assert figure.alt.endswith(drift.verdict)


def test_whole_numbers_of_several_scorers_stand_side_by_side_and_say_how_many_are_alike():
    drift = drift_of_scorer(readings(12, 2, "clarity_grade", 4), "clarity_grade")
    axes = drift.figure().axes[0]
    drawn = points(axes)
    for who, rows in drift.data.groupby("scorer"):
        assert np.round(drawn[who]) == pytest.approx(rows[["first", "again"]].to_numpy())
    every = np.unique(np.vstack(list(drawn.values())), axis=0)
    alike = drift.data.groupby(["scorer", "first", "again"]).size()
    assert len(every) == len(alike)
    told = sorted(text.get_text() for text in axes.texts if text.get_text() != "no change")
    assert told == sorted(f"×{n}" for n in alike if n > 1) != []
    assert all(tick % 1 == 0 for tick in (*axes.get_xticks(), *axes.get_yticks()))


@pytest.mark.parametrize(("value", "most"), [("bubbles", 12), ("clarity_grade", 4), ("bubbles", 300)])
def test_no_change_is_the_diagonal_and_its_name_stands_clear_of_it(value, most):
    figure = drift_of_scorer(readings(12, 2, value, most), value).figure()
    axes = figure.axes[0]
    assert inside(figure)
    (line,) = [line for line in axes.lines if line.get_linestyle() != "None"]
    assert list(line.get_xdata()) == list(line.get_ydata())
    (name,) = [text for text in axes.texts if text.get_text() == "no change"]
    box = name.get_window_extent()
    end = axes.transData.transform((line.get_xdata()[-1], line.get_ydata()[-1]))
    assert box.x0 > end[0]
    assert axes.get_aspect() == 1


def test_the_plan_of_a_session_shows_how_well_it_will_know_the_agreement():
    castings = [f"T-001.{n}" for n in range(1, 31)]
    session = plan_rescoring(castings, ["Ada", "Noor"], how_many=20, expected=0.7)
    figure = session.figure()
    axes = figure.axes[0]
    curve, here = axes.lines
    assert curve.get_xydata() == pytest.approx(session.precision.to_numpy())
    assert here.get_xydata().tolist() == [[20, session.half_width]]
    assert session.precision.set_index("castings")["half_width"][20] == session.half_width
    assert "20 castings" in axes.texts[0].get_text()
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("castings in the session", "half of the 95% interval")
    assert "agreement of 0.7" in figure.alt
    assert inside(figure)


def test_a_session_that_shows_no_agreement_has_no_picture_and_says_why():
    alone = plan_rescoring([f"T-001.{n}" for n in range(1, 9)], ["Ada"])
    with pytest.raises(InputError, match="one reading of each casting shows no agreement"):
        alone.figure()


def test_grades_in_words_are_named_on_the_axis_and_whole_grades_have_whole_ticks_where_some_are_missing():
    order = pd.CategoricalDtype(["bad", "fair", "good"], ordered=True)
    words = pd.DataFrame({who: pd.Series(["bad", "fair", "good", "good", last]).astype(order) for who, last in (("Noor", "bad"), ("Wim", "fair"))})  # fmt: skip
    axes = agreement(words, "ordinal").figure().axes[0]
    assert [tick.get_text() for tick in axes.get_yticklabels()] == ["bad", "fair", "good"]
    gaps = pd.DataFrame({"Noor": [0, 1, 1, 2, np.nan], "Wim": [0, 1, 2, 2, 1], "Ada": [np.nan, 1, 1, 2, 1]})
    ticks = agreement(gaps, "ordinal").figure().axes[0].get_yticks()
    assert all(tick % 1 == 0 for tick in ticks)


def test_no_two_of_twelve_scorers_look_alike_and_the_legend_of_a_gauge_study_covers_no_reading():
    rows = [(c, f"scorer {w}", 3 * c + w % 3 + turn) for c in range(5) for w in range(12) for turn in (0, 1)]
    study = gauge_study(pd.DataFrame(rows, columns=["casting", "scorer", "bubbles"]), "casting", "scorer", "bubbles")
    figure = study.figure()
    right = figure.axes[1]
    assert len({(line.get_marker(), line.get_color()) for line in right.lines}) == 12
    assert inside(figure)
    assert right.get_legend() is None
    assert figure.legends[0].get_window_extent().y0 >= right.get_window_extent().y1 - 1
