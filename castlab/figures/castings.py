"""Castings as they came out, each a dot: by the level of a setting, and in the order they were made."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words as numbers
from castlab.errors import InputError
from castlab.figures.style import FAINT, INK, QUIET, Picture, colour, letters, marker, picture, styled, words
from castlab.given import nearest

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MAX_LEVELS = 6
"""A number with more distinct values than this is drawn along an axis instead of in columns."""
_BESIDE_ALIKE = 0.25
"""How far apart castings of a batch that came out alike stand, of the step from batch to batch."""
_BESIDE = 0.11
"""How far right of its castings a fitted mean stands."""
_SLANT = 55
_FITTED: dict[str, Any] = {"ls": "", "marker": "o", "ms": 7, "color": INK, "mec": "white", "mew": 1}


def by_setting(
    frame: pd.DataFrame,
    response: str,
    factors: str | Sequence[str],
    *,
    batch: str | None = None,
    mold: str | None = None,
    fitted: Mapping[str, pd.DataFrame] | None = None,
) -> Picture:
    """Every casting by the level of one setting or of several, a panel for each.

    Within a level, castings stand from left to right in the order of their batches; those of one batch stand above
    each other on a line. The marker tells the mold.

    Parameters
    ----------
    frame
        One row per casting.
    response, factors
        Columns: what came out, and the setting or settings.
    batch, mold
        Columns with the batch and the mold, if known.
    fitted
        Factor -> table with the columns level, expected, low, high: drawn beside the castings.

    Returns
    -------
    The figure, with its text alternative as `alt`.

    Raises
    ------
    InputError
        If a column is not there, no setting was named, or no casting has a value of the response.
    """
    chosen = [factors] if isinstance(factors, str) else list(factors)
    if not chosen:
        raise InputError("no settings were given; accepted: one or more column names")
    across = 2 if len(chosen) in (2, 4) else min(3, len(chosen))
    down = math.ceil(len(chosen) / across)
    rows = _with_values(frame, response, *chosen, batch, mold)
    molds = _places(rows, mold)
    with styled():
        figure = picture({1: 5.4, 2: 7.6, 3: 9.4}[across], 0.5 + 2.9 * down)
        panels = figure.subplots(down, across, sharey=True, squeeze=False).ravel()
        for panel, factor in zip(panels, chosen, strict=False):
            means = (fitted or {}).get(factor)
            draw_panel(panel, rows.dropna(subset=[factor]), response, factor, batch, (mold, molds), means)
        for panel in panels[len(chosen) :]:
            panel.set_visible(False)
        for panel in panels[::across]:
            panel.set_ylabel(labels.label(response))
        name_markers(figure, molds, mold, fitted=bool(fitted), cups=batch is not None)
    figure.alt = (
        f"{len(rows)} castings as dots, {labels.name(response)} by {words(labels.name(f) for f in chosen)}"
        + (f"; markers tell the {labels.name(mold)}" if len(molds) > 1 and mold else "")
        + ". "
        + " ".join(_fitted_words(factor, (fitted or {}).get(factor)) for factor in chosen)
    ).strip()
    return figure


def run_order(
    frame: pd.DataFrame,
    response: str,
    *,
    batch: str | None = None,
    mold: str | None = None,
    part: str | None = None,
) -> Picture:
    """Every casting in the order of the frame's rows, with the batches as bands.

    Parameters
    ----------
    frame
        One row per casting, in the order they were made.
    response
        Column with what came out.
    batch, mold
        Columns with the batch and the mold, if known.
    part
        Column that names a stretch of the run, such as the plan; blank for the rest. Named above the bands.

    Returns
    -------
    The figure, with its text alternative as `alt`.

    Raises
    ------
    InputError
        If a column is not there, or no casting has a value of the response.
    """
    rows = _with_values(frame, response, batch, mold, part)
    molds = _places(rows, mold)
    values, ticks = _heights(rows[response])
    with styled():
        figure = picture(8.2, 3.4)
        axes = figure.subplots()
        if batch is not None:
            _bands(axes, rows[batch])
        for value, place in molds.items():
            own = rows[mold] == value if mold else np.ones(len(rows), dtype=bool)
            axes.plot(rows.index[own], values[own], **_dot(place), label=labels.level(value))
        if part is not None:
            _parts(axes, rows[part])
        axes.set_xlim(-0.8, len(rows) - 0.2)
        axes.set_ylim(*_room(values))
        if ticks:
            axes.set_yticks(range(len(ticks)), ticks)
        axes.set_ylabel(labels.label(response))
        axes.set_xlabel(f"castings in the order they were made, by {labels.name(batch)}" if batch else "run order")
        name_markers(figure, molds, mold, fitted=False)
        if batch is not None:
            _name_batches(figure, axes, rows[batch])
    bands = f" in {rows[batch].nunique()} batches" if batch else ""
    figure.alt = (
        f"{labels.name(response)} of {len(rows)} castings{bands} in the order they were made, "
        f"from {labels.level(rows[response].iloc[0])} in the first to {labels.level(rows[response].iloc[-1])} in the last."
        if len(rows)
        else f"No castings with {labels.name(response)}."
    )
    return figure


def draw_panel(
    axes: Axes,
    rows: pd.DataFrame,
    response: str,
    factor: str,
    batch: str | None,
    molds: tuple[str | None, dict[Any, int]],
    means: pd.DataFrame | None,
) -> None:
    """One panel of `by_setting`: `molds` is the column of the mold and the place of each mold in the legend."""
    column, places = molds
    levels = levels_of(rows[factor])
    number = pd.api.types.is_numeric_dtype(rows[factor]) and not pd.api.types.is_bool_dtype(rows[factor])
    along = number and len(levels) > MAX_LEVELS
    spread = _spread(levels)
    if along:
        x = rows[factor].astype("float64")
    else:
        x = rows[factor].astype(object).map({value: place for place, value in enumerate(levels)}).astype("float64")
        x = x + _offsets(rows, response, factor, batch) * spread
        figure = axes.get_figure(root=True)
        assert figure is not None
        fits = max(6, letters(figure, axes.get_position().width) // len(levels) - 1)
        names = [textwrap.fill(labels.level(value), fits, break_long_words=False) for value in levels]
        axes.set_xticks(range(len(levels)), names)
        axes.set_xlim(-0.55, len(levels) - 0.4)
    y, ticks = _heights(rows[response])
    if batch is not None:
        for _, index in rows.groupby([batch, factor], observed=True).groups.items():
            if len(index) > 1:
                axes.plot([x[index].mean()] * 2, [y[index].min(), y[index].max()], color=QUIET, lw=0.8, zorder=1)
    for value, place in places.items():
        own = rows[column] == value if column else np.ones(len(rows), dtype=bool)
        axes.plot(x[own], y[own], **_dot(place))
    if means is not None:
        at = means["level"].astype("float64") if along else means["level"].map({v: p for p, v in enumerate(levels)})
        if along:
            axes.fill_between(at, means["low"], means["high"], color=INK, alpha=0.12, lw=0)
            axes.plot(at, means["expected"], color=INK, lw=2)
        else:
            beside = at + spread + _BESIDE
            axes.vlines(beside, means["low"], means["high"], color=INK, lw=2, zorder=4)
            axes.plot(beside, means["expected"], **_FITTED, zorder=4)
    axes.set_ylim(*_room(y))
    if ticks:
        axes.set_yticks(range(len(ticks)), ticks)
    axes.set_xlabel(labels.label(factor))


def levels_of(column: pd.Series) -> list[Any]:
    """The levels in the order of the axis: as the category says, numbers up, text by the alphabet."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return list(column.cat.remove_unused_categories().cat.categories)
    return sorted(column.dropna().unique(), key=lambda v: (isinstance(v, str), v))


def _heights(column: pd.Series) -> tuple[pd.Series, list[str]]:
    """Where on the axis each value stands, and the names of the places where they are no numbers."""
    if pd.api.types.is_bool_dtype(column):
        return column.astype("float64"), ["no", "yes"]
    if pd.api.types.is_numeric_dtype(column):
        return column.astype("float64"), []
    ordered = column if isinstance(column.dtype, pd.CategoricalDtype) else column.astype("category")
    return ordered.cat.codes.astype("float64"), [str(name) for name in ordered.cat.categories]


def _spread(levels: Sequence[Any]) -> float:
    """Half the width of a column of castings; small beside numbers, where a dot off its mark reads as another setting."""
    try:
        _ = [float(labels.level(value)) for value in levels]
    except ValueError:
        return 0.34
    return 0.08


def _offsets(rows: pd.DataFrame, response: str, factor: str, batch: str | None) -> pd.Series:
    """Where in its column each casting stands, -1 to 1: the batches of a level evenly from left to right, and castings of a
    batch that came out alike close beside each other."""
    key = rows[batch] if batch is not None else pd.Series(range(len(rows)), index=rows.index)
    place = key.groupby(rows[factor], observed=True).transform(lambda keys: pd.factorize(keys)[0]).astype("float64")
    last = place.groupby(rows[factor], observed=True).transform("max")
    alike = rows.groupby([key, rows[factor], rows[response]], observed=True)[response]
    beside = _BESIDE_ALIKE * (alike.cumcount() - (alike.transform("size").astype("float64") - 1) / 2)
    return ((place + beside) / last.where(last > 0, 1) * 2 - 1).where(last > 0, beside)


def _with_values(frame: pd.DataFrame, response: str, *others: str | None) -> pd.DataFrame:
    missing = [name for name in (response, *others) if name is not None and name not in frame.columns]
    if missing:
        raise InputError(f"there is no column {words(map(repr, missing))}{nearest(missing[0], frame)}")
    rows = frame.dropna(subset=[response]).reset_index(drop=True)
    if rows.empty:
        raise InputError(f"no casting has a value of {labels.name(response)} yet: nothing to draw; score some first")
    return rows


def _places(rows: pd.DataFrame, column: str | None) -> dict[Any, int]:
    if column is None:
        return {"": 0}
    return {value: place for place, value in enumerate(sorted(rows[column].dropna().unique()))}


def _dot(place: int) -> dict[str, Any]:
    return {
        "ls": "", "marker": marker(place), "ms": 6, "mfc": colour(place), "mec": "white", "mew": 0.6, "alpha": 0.9,
        "zorder": 3,
    }  # fmt: skip


def _room(values: pd.Series) -> tuple[float, float]:
    if not len(values):
        return 0.0, 1.0
    low, high = float(values.min()), float(values.max())
    gap = 0.06 * ((high - low) or 1)
    return (low - gap if low < 0 or low > 0.5 * high else min(low, -gap), high + gap)


def _bands(axes: Axes, batches: pd.Series) -> None:
    for start, end in _stretches(batches)[::2]:
        axes.axvspan(start - 0.5, end - 0.5, color=FAINT, lw=0, zorder=0)


def _stretches(batches: pd.Series) -> list[tuple[int, int]]:
    """First place of each batch, and the place after its last."""
    starts = [place for place in range(len(batches)) if place == 0 or batches[place] != batches[place - 1]]
    return list(zip(starts, [*starts[1:], len(batches)], strict=True))


def _name_batches(figure: Picture, axes: Axes, batches: pd.Series) -> None:
    """The batches below their bands: side by side where they fit, else aslant, and then no closer than they are high."""
    stretches = _stretches(batches)
    names = [labels.level(batches[start]) for start, _ in stretches]
    middles = [(start + end - 1) / 2 for start, end in stretches]
    axes.set_xticks(middles, names)
    axes.tick_params(axis="x", length=0)
    figure.draw_without_rendering()
    boxes = [label.get_window_extent() for label in axes.get_xticklabels()]
    high = max(box.height for box in boxes)
    if all(right.x0 - left.x1 > high / 2 for left, right in pairwise(boxes)):
        return
    apart = 1.5 * high / math.sin(math.radians(_SLANT))
    places = axes.transData.transform([(middle, 0) for middle in middles])[:, 0]
    kept = [0]
    for place in range(1, len(places)):
        if places[place] - places[kept[-1]] >= apart:
            kept.append(place)
    axes.set_xticks(
        [middles[place] for place in kept], [names[place] for place in kept],
        rotation=_SLANT, ha="right", rotation_mode="anchor",
    )  # fmt: skip


def _parts(axes: Axes, parts: pd.Series) -> None:
    for name in parts.dropna().unique():
        inside = parts.index[parts == name]
        axes.annotate(
            f"planned: {name}",
            ((inside.min() + inside.max()) / 2, 1.01),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="bottom",
            fontsize=9,
        )
        axes.plot(
            [inside.min() - 0.4, inside.max() + 0.4], [1, 1], color=INK, lw=1.6, transform=axes.get_xaxis_transform(),
            clip_on=False,
        )  # fmt: skip


def name_markers(figure: Picture, molds: dict[Any, int], mold: str | None, *, fitted: bool, cups: bool = False) -> None:
    """The legend: what the markers, the bars and the lines between castings of one cup mean."""
    from matplotlib.lines import Line2D

    handles: list[Line2D] = []
    if mold is not None and len(molds) > 1:
        handles = [Line2D([], [], **_dot(place), label=labels.level(value)) for value, place in molds.items()]
    if fitted:
        handles.append(Line2D([], [], **_FITTED | {"ls": "-", "lw": 2}, label="fitted mean, 95% interval"))
    if cups:
        handles.append(Line2D([], [], color=QUIET, lw=0.8, label="castings of one batch"))
    for across in range(len(handles), 0, -1):
        legend = figure.legend(handles=handles, loc="outside upper right", ncols=across, handletextpad=0.3)
        if across == 1 or legend.get_window_extent().width < figure.bbox.width:
            break
        legend.remove()


def _fitted_words(factor: str, means: pd.DataFrame | None) -> str:
    if means is None or not len(means):
        return ""
    ends = means.iloc[[0, -1]] if len(means) > MAX_LEVELS else means
    said = words(
        f"{numbers.number(row.expected)} ({numbers.number(row.low)} to {numbers.number(row.high)}) at {labels.level(row.level)}"
        for row in ends.itertuples()
    )
    return f"Fitted by {labels.name(factor)}: {said}."
