"""Pictures show the numbers they are given, nothing computed; each carries a text alternative."""

from __future__ import annotations

import base64
import io
from itertools import pairwise

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

from castlab import Logbook, figures, labels, shipped
from castlab.analysis import compare_runs, fit_factors, recommend, watch, what_is_confounded
from castlab.errors import InputError
from castlab.figures import castings, style
from castlab.figures.effects import draw_fit, forest
from castlab.results import Result

FACTORS = ["cup_degas_min", "mold_degas_min", "pour_method", "insert_prep", "resin_c"]


@pytest.fixture(scope="module")
def frame(tmp_path_factory) -> pd.DataFrame:
    with Logbook.restore(shipped.path("data", "demo"), to=tmp_path_factory.mktemp("demo") / "demo.db") as book:
        return book.frame(product="pod block")


@pytest.fixture(scope="module")
def fit(frame):
    return fit_factors(frame, "bubbles", FACTORS)


def dots(axes) -> np.ndarray:
    """Coordinates of every marker drawn without a line."""
    return np.array([point for line in axes.lines if line.get_linestyle() == "None" for point in line.get_xydata()])


def test_every_effect_stands_at_its_estimate_with_its_interval(fit):
    figure = draw_fit(fit)
    axes = figure.axes[0]
    rows = fit.effects.sort_values("p_value", kind="stable")
    assert [label.get_text().partition(": ")[2] for label in axes.get_yticklabels()] == list(rows["contrast"])
    assert dots(axes)[:, 0] == pytest.approx(rows["estimate"].to_numpy())
    spans = [
        line.get_xdata() for line in axes.lines if line.get_linestyle() != "None" and len(set(line.get_ydata())) == 1
    ]
    assert np.array(spans) == pytest.approx(rows[["low", "high"]].to_numpy())
    assert axes.get_xscale() == "log"


def test_no_change_is_at_one_for_ratios_and_at_zero_for_differences(frame, fit):
    assert draw_fit(fit).axes[0].lines[0].get_xdata() == [1, 1]
    haze = fit_factors(frame, "haze_pct", FACTORS)
    axes = draw_fit(haze).axes[0]
    assert axes.lines[0].get_xdata() == [0, 0]
    assert axes.get_xscale() == "linear"
    assert axes.get_xlabel() == "difference in haze (%)"


def test_how_sure_an_effect_is_shows_in_its_marker_not_in_its_colour_alone():
    rows = pd.DataFrame(
        {
            "estimate": [2.0, 1.5, 1.1],
            "low": [1.5, 1.1, 0.8],
            "high": [2.6, 2.1, 1.5],
            "strength": ["clear", "likely", "not shown"],
        }
    )
    lines = forest(rows, ["a", "b", "c"], scale="ratio", response="bubbles", kind="count").axes[0].lines
    drawn = [line for line in lines if line.get_linestyle() == "None"]
    assert len({line.get_marker() for line in drawn}) == 3


def told(axes) -> list:
    """The boxes of all texts in and around these axes, the names of the rows too."""
    axes.figure.draw_without_rendering()
    texts = [*axes.texts, *axes.get_yticklabels()]
    return [text.get_window_extent() for text in texts if text.get_text()]


def overlapping(boxes: list) -> int:
    return sum(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[k + 1 :])


@pytest.mark.parametrize(("low", "high"), [(-1.4, -0.1), (0.2, 1.3), (-0.4, 0.5)])
def test_no_words_of_the_forest_overlap_wherever_no_change_lies(low, high):
    rows = pd.DataFrame({"estimate": [(low + high) / 2], "low": [low], "high": [high], "strength": ["likely"]})
    figure = forest(
        rows, ["insert preparation: dried instead of none"], scale="difference", response="haze_pct", kind="measure"
    )
    assert overlapping(told(figure.axes[0])) == 0


def test_long_names_and_interactions_have_room():
    rng = np.random.default_rng(5)
    made = pd.DataFrame(
        {f"what was done with mold half {k}": rng.permuted(["left dry"] * 24 + ["wiped"] * 24) for k in "ABCD"}
    )
    made["bubbles"] = rng.poisson(6, 48)
    figure = draw_fit(fit_factors(made, "bubbles", list(made)[:4], interactions=2))
    axes = figure.axes[0]
    assert overlapping(told(axes)) == 0
    assert min(box.x0 for box in told(axes)) >= 0
    assert axes.get_window_extent().width > 0.4 * figure.bbox.width
    assert "wiped" in axes.get_yticklabels()[-1].get_text()


def test_what_lies_beyond_the_axis_has_an_arrow_and_its_number_instead_of_a_marker():
    rows = pd.DataFrame(
        {"estimate": [0.0003, 30.0, 5000.0], "low": [1e-6, 12.0, 2000.0], "high": [0.0005, 4e5, np.inf], "strength": ["clear"] * 3}
    )  # fmt: skip
    axes = forest(rows, ["a", "b", "c"], scale="ratio", response="bubbles", kind="count").axes[0]
    drawn = [(line.get_marker(), line.get_ydata()[0]) for line in axes.lines if line.get_linestyle() == "None"]
    assert [marker for marker, _ in drawn] == ["<", ">", "o", ">"]
    assert {"less than 0.001", "more than 1000"} <= {text.get_text() for text in axes.texts}


def test_a_fit_in_two_parts_shows_both():
    rng = np.random.default_rng(7)
    made = pd.DataFrame({"pour": ["stream", "ladle"] * 20})
    made["bubbles"] = rng.poisson(8, 40) * (rng.random(40) < 0.7)
    fit = fit_factors(made, "bubbles", "pour", zeros="separate")
    figure = draw_fit(fit)
    assert [axes.get_title(loc="left") for axes in figure.axes] == [
        "chance of any bubbles",
        "number of bubbles where there are any",
    ]
    at = [dots(axes)[0, 0] for axes in figure.axes]
    assert at == pytest.approx([fit.any_at_all.effects["estimate"][0], fit.effects["estimate"][0]])
    assert "Chance of any bubbles" in figure.alt


def test_labels_of_a_watched_process_do_not_pile_up():
    rng = np.random.default_rng(3)
    made = pd.DataFrame(
        {"bubbles": rng.poisson(np.repeat([5, 12], [30, 30])), "resin_lot": [f"L-{2000 + i // 5}" for i in range(60)],
         "trial_id": [f"T-{i // 4 + 1:03d}.{i % 4 + 1}" for i in range(60)], "mold": np.resize(list("ABCDEFGH"), 60)}
    )  # fmt: skip
    seen = watch(made, "bubbles", baseline=20, retired=["A"])
    figure = seen.figure()
    assert (seen.points["flag"] != "").sum() > 10
    figure.draw_without_rendering()
    for axes in figure.axes:
        assert overlapping([text.get_window_extent() for text in axes.texts]) == 0
    assert figure.get_suptitle().startswith("since 31: bubbles changed with lot L-2006\n")


@pytest.mark.parametrize(("limits", "said"), [((74, 80), "at least 74 and at most 80"), ((75.9, 76.1), "at least 75.9 and"),
                                              ((None, 78.5), "at most 78.5"), ((60, None), "at least 60")])  # fmt: skip
def test_limits_asked_for_stand_among_the_castings(limits, said):
    rng = np.random.default_rng(1)
    batch = np.repeat(np.arange(20), 4)
    made = pd.DataFrame({"batch_id": batch, "shore_d": 76 + rng.normal(0, 1, 20)[batch] + rng.normal(0, 0.8, 80)})
    seen = watch(made, "shore_d", limits=limits)
    figure = seen.figure()
    figure.draw_without_rendering()
    axes = next(a for a in figure.axes if a.get_title(loc="left") == "castings and what is accepted")
    lines = [line.get_xdata()[0] for line in axes.lines]
    assert lines == [end for end in limits if end is not None]
    assert all(axes.get_xlim()[0] < end < axes.get_xlim()[1] for end in lines)
    assert sum(bar.get_height() for bar in axes.patches) == len(made)
    assert overlapping([text.get_window_extent() for text in axes.texts]) == 0
    cpk = seen.capability.set_index("index").loc["Cpk", "estimate"]
    assert f"Accepted: {said}" in figure.alt
    assert f"Cpk {cpk:.2f}" in figure.alt
    assert not any("accepted" in a.get_title(loc="left") for a in watch(made, "shore_d").figure().axes)


def test_every_casting_is_a_dot_and_castings_of_one_batch_share_a_line(frame):
    figure = castings.by_setting(frame, "bubbles", "pour_method", batch="batch_id", mold="mold")
    drawn = dots(figure.axes[0])
    assert sorted(drawn[:, 1]) == sorted(frame["bubbles"].astype(float))
    one = frame[(frame["batch_id"] == "B-001") & (frame["pour_method"] == "ladle")]
    at = {drawn[drawn[:, 1] == bubbles][0, 0] for bubbles in one["bubbles"].astype(float)}
    assert len(one) == 2
    assert len(at) == 1
    assert len({line.get_marker() for line in figure.axes[0].lines if line.get_linestyle() == "None"}) == 3


def test_fitted_means_are_drawn_where_they_were_given(frame):
    means = pd.DataFrame(
        {"level": ["ladle", "stream"], "expected": [14.0, 8.0], "low": [11.0, 6.0], "high": [19.0, 11.0]}
    )
    figure = castings.by_setting(frame, "bubbles", "pour_method", fitted={"pour_method": means})
    assert dots(figure.axes[0])[-2:, 1].tolist() == [14.0, 8.0]
    spans = figure.axes[0].collections[-1].get_segments()
    assert [span[:, 1].tolist() for span in spans] == [[11, 19], [6, 11]]
    assert "14 (11 to 19) at ladle" in figure.alt


def test_dots_of_a_numeric_setting_keep_to_their_level(frame, fit):
    """A dot off its mark on an axis of numbers would read as another setting."""
    means = fit.expected({"mold_degas_min": [0, 3]}).rename(columns={"mold_degas_min": "level"})
    for setting, fitted in (("rest_min", None), ("cup_degas_min", None), ("mold_degas_min", means)):
        given = None if fitted is None else {setting: fitted}
        axes = castings.by_setting(frame, "bubbles", setting, batch="batch_id", fitted=given).axes[0]
        drawn = dots(axes)[: len(frame)]
        levels = sorted(frame[setting].unique())
        assert len(levels) > 1
        at = frame[setting].map({level: place for place, level in enumerate(levels)})
        far = [abs(x - place) for (x, _), place in zip(drawn, at, strict=True)]
        assert max(far) <= 0.1, "a tenth of the gap to the next level"
        assert max(far) > 0, "castings of one level are still told apart"
        if fitted is not None:
            beside = dots(axes)[len(frame) :, 0] - [0, 1]
            assert ((beside > max(far)) & (beside < 0.25)).all()
    words = castings.by_setting(frame, "bubbles", "pour_method", batch="batch_id").axes[0]
    assert np.ptp(dots(words)[:, 0] % 1) > 0.5, "words leave room for the batches"


def test_dots_of_numbers_written_as_words_keep_to_their_level_too(frame):
    left = compare_runs(frame, "bubbles", "rest_min").figure().axes[0]
    drawn = dots(left)[:-2, 0]
    assert np.abs(drawn - drawn.round()).max() <= 0.1


@pytest.mark.parametrize("count", [3, 6, 8])
@pytest.mark.parametrize("name", ["{}", "a mold with a rather long name {}"])
def test_the_legend_stays_within_the_picture_whatever_the_number_of_molds(frame, fit, count, name):
    made = frame.assign(mold=[name.format("ABCDEFGH"[place % count]) for place in range(len(frame))])
    means = fit.expected({"pour_method": ["ladle", "stream"]}).rename(columns={"pour_method": "level"})
    drawn = (
        castings.by_setting(made, "bubbles", "pour_method", mold="mold", fitted={"pour_method": means}),
        castings.run_order(made, "bubbles", mold="mold"),
    )
    for figure in drawn:
        with style.styled():
            figure.draw_without_rendering()
            box = figure.legends[0].get_window_extent()
        assert len(figure.legends) == 1
        assert box.x0 >= 0
        assert box.x1 <= figure.bbox.x1
        assert len(figure.legends[0].get_texts()) == count + (figure is drawn[0])


@pytest.mark.parametrize(
    "asked",
    [{"factors": ["pour_method", "spin"]}, {"response": "spin"}, {"batch": "spin"}, {"mold": "spin"}],
)
def test_an_unknown_column_is_one_error_that_names_it(frame, asked):
    asked = {"response": "bubbles", "factors": "pour_method", **asked}
    with pytest.raises(InputError, match=r"no column 'spin'; did you mean .*strained"):
        castings.by_setting(frame, **asked)
    with pytest.raises(InputError, match="no column 'spin'"):
        castings.run_order(frame, "bubbles", part="spin")
    with pytest.raises(InputError, match="no settings were given"):
        castings.by_setting(frame, "bubbles", [])


def test_axes_carry_units(frame):
    figure = castings.by_setting(frame, "haze_pct", ["resin_c", "cup_degas_min"])
    assert [axes.get_xlabel() for axes in figure.axes] == ["resin temperature (°C)", "cup degas (min)"]
    assert figure.axes[0].get_ylabel() == "haze (%)"


def test_run_order_follows_the_rows_and_names_batches_and_plan(frame):
    figure = castings.run_order(frame, "bubbles", batch="batch_id", mold="mold", part="plan")
    axes = figure.axes[0]
    drawn = dots(axes)
    assert drawn[np.argsort(drawn[:, 0]), 1].tolist() == frame["bubbles"].astype(float).tolist()
    assert [label.get_text() for label in axes.get_xticklabels()] == list(frame["batch_id"].unique())
    assert "planned: May screen" in [text.get_text() for text in axes.texts]


@pytest.mark.parametrize(
    "sizes", [[20, 1, 1, 1, 1, 1], [1, 1, 1, 8, 1, 1, 6] * 12, [1] * 60, [3] * 18, [20, 20], [1, 30, 1, 30, 1, 1]]
)
@pytest.mark.parametrize("name", ["B-{:03d}", "second kettle {:03d}"])
def test_names_of_narrow_batches_do_not_run_into_each_other(sizes, name):
    batches = np.repeat([name.format(place) for place in range(len(sizes))], sizes)
    figure = castings.run_order(
        pd.DataFrame({"bubbles": range(len(batches)), "batch": batches}), "bubbles", batch="batch"
    )
    axes = figure.axes[0]
    with style.styled():
        figure.draw_without_rendering()
        names = axes.get_xticklabels()
        corners = [_corners(label) for label in names]
    assert len(names) > 1
    assert names[0].get_text() == batches[0]
    for place, one in enumerate(corners):
        assert not any(_overlap(one, other) for other in corners[place + 1 :])
    middles = pd.Series(range(len(batches))).groupby(batches).mean()
    assert axes.get_xticks().tolist() == middles[[label.get_text() for label in names]].tolist()


def _corners(label) -> np.ndarray:
    """Corners of a text as it is drawn, slant and all (pixels)."""
    from matplotlib.transforms import Affine2D

    turned, slant = label.get_window_extent(), label.get_rotation()
    label.set_rotation(0)
    flat = label.get_window_extent()
    label.set_rotation(slant)
    centre = np.array([(turned.x0 + turned.x1) / 2, (turned.y0 + turned.y1) / 2])
    half = np.array([flat.width, flat.height]) / 2
    return (
        Affine2D().rotate_deg(slant).transform([half * sign for sign in ((-1, -1), (-1, 1), (1, 1), (1, -1))]) + centre
    )


def _overlap(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether two rectangles share a point: no side of either parts them (separating axis theorem)."""
    sides = np.vstack([np.diff(one[:3], axis=0), np.diff(other[:3], axis=0)])
    return not any((one @ n).max() < (other @ n).min() or (other @ n).max() < (one @ n).min() for n in sides)


def test_the_map_writes_the_share_of_settings_that_changed_together(frame):
    figure = what_is_confounded(frame, ["rest_min", "stir_method", "pour_method"]).figure()
    assert "100%" in [text.get_text() for text in figure.axes[0].texts]
    assert "rest and stir method 100%" in figure.alt
    with pytest.raises(InputError, match="two settings"):
        what_is_confounded(frame[["pour_method"]], ["pour_method"]).figure()


def test_the_map_of_a_log_shows_what_says_nothing_and_what_follows_the_batch():
    made = pd.DataFrame(
        {
            "resin_c": [22] * 4 + [28] * 4,
            "insert_prep": ["none"] * 8,
            "tilt_deg": [None] * 8,
            "rest_min": [0, 10] * 4,
            "batch_id": np.repeat(["B-001", "B-002", "B-003", "B-004"], 2),
        }
    )
    figure = what_is_confounded(made, ["resin_c", "insert_prep", "tilt_deg", "rest_min"]).figure()
    axes = figure.axes[0]
    rows = [t.get_text() for t in axes.get_yticklabels()]
    columns = [t.get_text() for t in axes.get_xticklabels()]
    assert rows == ["insert preparation", "tilt", "rest", "batch"]
    assert columns == ["resin temperature", "insert preparation", "tilt", "rest"]
    hatched = {(rows[int(p.get_y())], columns[int(p.get_x())]) for p in axes.patches if p.get_hatch()}
    drawn = {(rows[int(p.get_y())], columns[int(p.get_x())]) for p in axes.patches}
    silent = {"insert preparation", "tilt"}
    assert hatched == {pair for pair in drawn if silent & set(pair)}
    assert len(drawn) == 6 + 4
    told = {(rows[int(t.get_position()[1])], columns[int(t.get_position()[0])]): t.get_text() for t in axes.texts}
    assert told == {("batch", "resin temperature"): "100%"}
    note = " ".join(figure.get_supxlabel().split())
    assert "Hatched: never varied or never recorded." in note
    assert "Beside the batch, 100%: changed only from one to the next" in note
    assert "Never varied or never recorded: insert preparation and tilt." in figure.alt


def test_what_follows_from_several_settings_stands_below_their_map():
    made = pd.DataFrame({"x": [0, 0, 1, 1, 0, 1, 2, 2], "y": [0, 1, 0, 1, 2, 2, 0, 1]}).assign(
        z=lambda rows: rows["x"] + rows["y"]
    )
    figure = what_is_confounded(made, ["x", "y", "z"]).figure()
    told = "X follows from y and z together: their effects cannot be told apart."
    assert told in " ".join(figure.get_supxlabel().split())
    assert told in figure.alt


@pytest.mark.parametrize(
    ("response", "group"),
    [
        ("bubbles", "pour_method"),
        ("haze_pct", "insert_prep"),
        ("clarity_grade", "strained"),
        ("passed", "cup_degas_min"),
    ],
)
def test_a_comparison_shows_every_casting_and_every_group(frame, response, group):
    result = compare_runs(frame, response, group)
    figure = result.figure()
    left, right = figure.axes
    assert len(dots(left)) == len(result.fit.data) + len(result.groups)
    assert dots(left)[-len(result.groups) :, 1] == pytest.approx(result.groups["expected"].to_numpy())
    assert [label.get_text() for label in right.get_yticklabels()] == list(result.pairs["contrast"])


def test_grades_given_as_words_stand_in_their_order():
    made = pd.DataFrame(
        {
            "clarity": pd.Categorical(["good", "poor", "fair", "good"], ["poor", "fair", "good"], ordered=True),
            "pour": list("abab"),
        }
    )
    axes = castings.by_setting(made, "clarity", "pour").axes[0]
    assert [label.get_text() for label in axes.get_yticklabels()] == ["poor", "fair", "good"]
    assert sorted(dots(axes)[:, 1]) == [0, 1, 2, 2]


def test_every_picture_has_a_text_alternative_that_a_notebook_keeps(fit):
    figure = fit.figure()
    assert figures.alt_text(figure) == figure.alt
    assert "pour method: ladle instead of stream" in figure.alt
    data, about = figure._repr_mimebundle_()
    assert data["text/plain"] == figure.alt == about["image/png"]["alt"]
    from PIL import Image

    image = Image.open(io.BytesIO(base64.b64decode(data["image/png"])))
    shown = about["image/png"]["width"], about["image/png"]["height"]
    assert image.size == pytest.approx([2 * side for side in shown], abs=2)  # twice as fine as it is shown


def test_drawing_leaves_the_users_matplotlib_alone(fit):
    import matplotlib.pyplot as plt

    before = dict(mpl.rcParams)
    fit.figure()._repr_mimebundle_()
    assert plt.get_fignums() == []
    assert dict(mpl.rcParams) == before


def test_the_colours_differ_in_lightness_or_come_with_a_marker():
    assert len(set(style.MARKERS)) == len(style.COLOURS) == len(style.MARKERS)
    assert len(set(style.COLOURS)) == len(style.COLOURS)


def test_a_result_without_a_picture_says_so():
    with pytest.raises(InputError, match="no picture of Result"):
        figures.draw(Result(verdict="nothing"))


@pytest.mark.parametrize(
    ("column", "label", "name", "unit"),
    [
        ("resin_c", "resin temperature (°C)", "resin temperature", "°C"),
        ("depth_mm", "depth (mm)", "depth", "mm"),
        ("clarity_grade", "clarity grade (0 worst, 4 best)", "clarity grade", ""),
        ("spin_rpm", "spin (rpm)", "spin", "rpm"),
        ("breaks", "breaks", "breaks", ""),
    ],
)
def test_columns_are_named_in_words_with_their_unit(column, label, name, unit):
    assert (labels.label(column), labels.name(column), labels.unit(column)) == (label, name, unit)


def test_a_logbook_without_scores_says_that_there_is_nothing_to_draw(book):
    with pytest.raises(InputError, match="nothing to draw"):
        castings.run_order(book.frame(), "bubbles")


@pytest.mark.parametrize(("low", "high"), [(0.09, 2.0), (0.5, 2.0), (0.3, 7.0), (0.01, 1000.0), (0.2, 100.0)])
def test_ticks_of_ratios_keep_apart_and_hold_the_one(low, high):
    axes = style.picture(3.0, 2.0).subplots()
    style.ratio_axis(axes, low, high)
    ticks = np.log(axes.get_xticks())
    assert 1.0 in axes.get_xticks()
    assert len(ticks) >= 3
    assert np.diff(ticks).min() >= 0.11 * np.log(high / low)


def test_effects_of_two_settings_stand_below_those_of_one_and_are_explained():
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({"pour": np.tile(["ladle", "stream"], 16), "prep": np.repeat(["raw", "dried"], 16)})
    both = (frame["pour"] == "stream") & (frame["prep"] == "raw")
    frame["bubbles"] = rng.poisson(np.where(both, 30, 5))
    figure = fit_factors(frame, "bubbles", ["pour", "prep"], interactions=2).figure()
    names = [text.get_text().replace("\n", " ") for text in figure.axes[0].get_yticklabels()]
    assert ", with " in names[-1]
    assert not any(", with " in name for name in names[:-1])
    assert "at 1 they do not act together" in figure.get_supxlabel().replace("\n", " ")


def test_no_heading_of_the_checks_is_cut_off():
    rng = np.random.default_rng(7)
    n = 48
    frame = pd.DataFrame(
        {
            "resin_c": rng.choice([22.0, 26.0, 30.0], n), "cup_degas_min": rng.choice([2.0, 4.0, 6.0], n),
            "insert_prep": rng.permuted(np.resize(["raw", "dried and sealed"], n)),
        }
    )  # fmt: skip
    frame["bubbles"] = rng.poisson(np.exp(2.0 - 0.25 * (frame["insert_prep"] == "raw")))
    figure = fit_factors(frame, "bubbles", list(frame.columns)[:3]).checks().figure()
    figure.canvas.draw()
    wide = figure.bbox.width
    for axes in figure.axes:
        ends = axes.title.get_window_extent()
        assert 0 <= ends.x0 <= ends.x1 <= wide


def test_what_was_never_tried_is_drawn_with_dashes():
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"cup_degas_min": np.resize([0.0, 2.0, 4.0], 24)})
    frame["bubbles"] = rng.poisson(np.exp(3 - 0.5 * frame["cup_degas_min"]))
    fit = fit_factors(frame, "bubbles", "cup_degas_min")
    inside, beyond = (
        recommend(fit, {"bubbles": "fewer"}, limits={"cup_degas_min": (0, most)}, beyond=True).figure()
        for most in (4, 8)
    )
    told = [[text.get_text() for text in figure.legends[0].get_texts()] for figure in (inside, beyond)]
    assert "beyond what was tried" not in told[0]
    assert "beyond what was tried" in told[1]


def test_castings_of_a_batch_that_came_out_alike_do_not_hide_each_other():
    frame = pd.DataFrame(
        {"batch_id": np.repeat(["B-1", "B-2", "B-3"], 4), "pour": ["ladle", "ladle", "stream", "stream"] * 3}
    )
    frame["passed"] = [True, True, False, False] * 3
    for figure in (
        castings.by_setting(frame, "passed", "pour", batch="batch_id"),
        castings.by_setting(frame, "passed", "pour"),
    ):
        dots = [line.get_xydata() for line in figure.axes[0].lines if line.get_marker() not in ("None", None, "")]
        places = {tuple(np.round(place, 4)) for own in dots for place in own}
        assert len(places) == 12


def test_long_levels_do_not_run_into_each_other():
    levels = ["none", "dried", "sealed with two thin coats of the same resin"]
    made = pd.DataFrame(
        {"bubbles": range(12), "insert_prep": levels * 4, "pour": ["ladle", "stream"] * 6, "t": [1, 2, 3] * 4}
    )
    figure = castings.by_setting(made, "bubbles", ["t", "pour", "insert_prep"])
    figure.draw_without_rendering()
    boxes = [label.get_window_extent() for label in figure.axes[2].get_xticklabels()]
    assert all(left.x1 < right.x0 for left, right in pairwise(boxes))


def test_the_names_of_molds_that_were_used_long_end_where_their_triangle_is():
    rows = [
        (f"B-{b:03}", m) for b in range(30) for m in ("Block A", "Block B, the one with the torn corner", "Block C")
    ]
    made = pd.DataFrame(rows, columns=["batch_id", "mold"]).assign(bubbles=range(len(rows)))
    made["bubbles"] = made["bubbles"] % 7
    figure = watch(made, "bubbles", retired=[]).figure()
    figure.draw_without_rendering()
    axes = next(panel for panel in figure.axes if panel.get_xlabel().startswith("pulls"))
    (name,) = [text for text in axes.texts if "torn corner" in text.get_text()]
    triangle = axes.transData.transform((30, 0))[0]
    assert name.get_window_extent().x0 < triangle < name.get_window_extent().x1
