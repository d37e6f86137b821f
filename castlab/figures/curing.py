"""Heat and cure: temperature and conversion in time and through the depth, an oven program, layers, the cup."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab.figures.style import FAINT, INK, QUIET, Picture, colour, marker, picture, styled, words
from castlab.figures.sweeps import case, label, level, moment, ranged, swept

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from castlab.bench.cure import CureResult, CureSweep, LayerPlan, PotLife, ScheduleCheck

HOT, COLD, AIR, LIMIT = 1, 0, 7, 3
"""Places in the palette of the hottest and coldest spot, the air, and a limit."""


def draw_cure(run: CureResult, *, limit_c: float | None = None, until_h: float | None = None) -> Picture:
    """Temperature (above) and conversion (below), in time on the left and through the depth on the right.

    Parameters
    ----------
    run
        The result of `cure.simulate` for one case.
    limit_c
        What the insert bears, C.
    until_h
        Hours to show; default: a while past demold hardness.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    end = until_h or _worth_showing(run)
    outcome = run.outcome.set_index("quantity")
    with styled():
        figure = picture(9.2, 5.8)
        (heat, deep_heat), (grown, deep_grown) = figure.subplots(
            2, 2, sharex="col", sharey="row", width_ratios=[1.35, 1]
        )
        _temperatures(heat, run.history)
        _peak(heat, run, outcome)
        _conversions(grown, run)
        for axes in (heat, grown):
            axes.set_xlim(0, end)
        _milestones(heat, run, end, said=False)
        _milestones(grown, run, end)
        _through_depth(deep_heat, deep_grown, run, end)
        if limit_c is not None:
            level(heat, limit_c, "", color=colour(LIMIT), ls="-", lw=1.6)
            level(deep_heat, limit_c, f"the insert bears {limit_c:g} °C", color=colour(LIMIT), ls="-", lw=1.6)
        heat.set_ylim(top=_headroom(heat))
        figure.legend(*heat.get_legend_handles_labels(), loc="outside upper center", ncols=3)
        grown.set_xlabel("time since mixing (h)")
        deep_grown.set_xlabel("depth below the surface (mm)" if run.shape == "slab" else "distance from the axis (mm)")
        heat.set_title("in time")
        deep_heat.set_title("through the depth" if run.shape == "slab" else "from the axis outwards")
    peak = outcome.loc["peak"]
    figure.alt = (
        f"Temperature and conversion of a {run.shape}, in time and through the depth: it peaks at {peak.value:.0f}{_span(peak)} °C "
        f"after {run.peak_at_h:.2g} h, {run.peak_at_mm:.0f} mm {'below the surface' if run.shape == 'slab' else 'from the axis'}; "
        f"{_when('gelled throughout', run.gel_last_h)}, {_when('hard enough to demold', run.demold_h)}."
    )
    if limit_c is not None:
        figure.alt += f" The insert bears {limit_c:g} °C."
    return figure


def draw_sweep(found: CureSweep, *, limit_c: float | None = None) -> Picture:
    """Several pours side by side: the hottest spot in time, and the peak with its range against what was swept.

    Parameters
    ----------
    found
        The result of `cure.simulate` for several cases.
    limit_c
        What the insert bears, C.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    table = found.table
    x = swept(table, ("depth_mm", "mass_g", "start_c", "air_c"))[0]
    shown = list(zip(table[x], found.results, strict=True))
    if len(shown) > 6:
        shown = [shown[i] for i in np.unique(np.linspace(0, len(shown) - 1, 6).astype(int))]
    with styled():
        figure = picture(9.2, 3.9)
        left, right = figure.subplots(1, 2, width_ratios=[1.25, 1])
        for place, (value, run) in enumerate(shown):
            peak = run.history["hottest_c"].idxmax()
            left.plot(
                run.history["time_h"], run.history["hottest_c"], color=colour(place), lw=1.7, marker=marker(place),
                markevery=[peak], ms=6.5, mec="white", label=case(x, value),
            )  # fmt: skip
        left.set_xlim(0, min(max(_worth_showing(run) for _, run in shown), 4 * max(run.peak_at_h for _, run in shown)))
        left.set_xlabel("time since mixing (h)")
        left.set_ylabel("hottest spot (°C)")
        left.legend(loc="upper right")
        ranged(right, table, x, ("peak_c", "peak_low_c", "peak_high_c"), color=INK, marker="o")
        right.set_xlabel(label(x))
        right.set_ylabel("peak (°C, band: range)")
        if limit_c is not None:
            level(right, limit_c, f"the insert bears {limit_c:g} °C", place=0.02, color=colour(LIMIT), ls="-", lw=1.6)
            level(left, limit_c, "", color=colour(LIMIT), ls="-", lw=1.6)
    figure.alt = f"Peak temperature by {label(x)}: " + words(
        f"{row.peak_c:.0f} ({row.peak_low_c:.0f} to {row.peak_high_c:.0f}) °C at {getattr(row, x):g}"
        for row in table.itertuples()
    )
    figure.alt += "." if limit_c is None else f". The insert bears {limit_c:g} °C."
    return figure


def draw_schedule(found: ScheduleCheck) -> Picture:
    """The oven's air, the mix and its glass transition in time, against the insert's limit; conversion below.

    Parameters
    ----------
    found
        The result of `cure.schedule`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    run, history = found.run, found.run.history
    outcome = run.outcome.set_index("quantity")
    with styled():
        figure = picture(8.4, 5.4)
        heat, grown = figure.subplots(2, 1, sharex=True, height_ratios=[1.7, 1])
        _temperatures(heat, history)
        if history["tg_min_c"].notna().any():
            heat.plot(
                history["time_h"],
                history["tg_min_c"],
                color=colour(4),
                lw=1.6,
                ls=(0, (4, 2)),
                label="glass transition",
            )
        _peak(heat, run, outcome)
        level(heat, found.limit_c, f"the insert bears {found.limit_c:g} °C", color=colour(LIMIT), ls="-", lw=1.6)
        _conversions(grown, run)
        end = float(history["time_h"].iloc[-1])
        heat.set_xlim(0, 1.04 * end)
        heat.set_ylim(bottom=min(0, 1.1 * float(history[["air_c", "coldest_c"]].min().min())), top=_headroom(heat))
        for axes in (heat, grown):
            for step in found.steps["ends_at_h"].iloc[:-1]:
                axes.axvline(step, color=FAINT, lw=1.2, zorder=0)
        _milestones(grown, run, end)
        grown.set_xlabel("time since mixing (h)")
        figure.legend(*heat.get_legend_handles_labels(), loc="outside upper center", ncols=4)
    peak = outcome.loc["peak"]
    figure.alt = (
        f"Oven program of {len(found.steps)} steps over {end:.3g} h: the mix peaks at {peak.value:.0f}{_span(peak)} °C, the "
        f"insert bears {found.limit_c:g} °C; least conversion at the end {100 * run.conversion:.0f}%, "
        f"{_when('hard enough to demold', run.demold_h)}."
    )
    return figure


def draw_layers(plan: LayerPlan) -> Picture:
    """The layers by the clock, each from its pour to gel and to demold hardness; beside them each layer's peak.

    Parameters
    ----------
    plan
        The result of `cure.layers`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    table = plan.layers
    first = table.iloc[0]
    tops = table["thickness_mm"].cumsum()
    with styled():
        figure = picture(9.2, max(3.2, 1.9 + 0.36 * len(table)))
        left, right = figure.subplots(1, 2, width_ratios=[1.9, 1], sharey=True)
        for row, top in zip(table.itertuples(), tops, strict=True):
            middle, high = top - row.thickness_mm / 2, 0.82 * row.thickness_mm
            for begin, end, shade, hatch in (
                (row.pour_after_h, row.gelled_after_h, colour(HOT), "///"),
                (row.gelled_after_h, row.demold_after_h, colour(COLD), None),
            ):
                left.barh(
                    middle, end - begin, high, begin, facecolor=shade, alpha=0.45, hatch=hatch, edgecolor="white", lw=0
                )
            right.hlines(middle, row.peak_low_c, row.peak_high_c, color=INK, lw=2)
            right.plot(row.peak_c, middle, marker="o", ms=6, color=INK, mec="white")
        for words_, begin, end in (
            ("liquid, gels", first.pour_after_h, first.gelled_after_h),
            ("hardens", first.gelled_after_h, first.demold_after_h),
        ):
            left.text((begin + end) / 2, tops.iloc[0] / 2, words_, ha="center", va="center", fontsize=9)
        left.set_xlabel("time since the first pour (h)")
        left.set_ylabel("height in the mold (mm)")
        left.set_title("when to pour")
        left.set_ylim(0, tops.iloc[-1])
        left.set_xlim(0, None)
        right.axvline(plan.limit_c, color=colour(LIMIT), lw=1.6)
        right.annotate(
            f"limit {plan.limit_c:g} °C", (plan.limit_c, 0.5), xycoords=right.get_xaxis_transform(), rotation=90,
            xytext=(-3, 0), textcoords="offset points", ha="right", va="center", fontsize=9,
        )  # fmt: skip
        right.set_xlabel("peak (°C, bar: range)")
        right.set_title("how hot each gets")
        right.margins(x=0.12)
    figure.alt = (
        f"{len(table)} layers of {first.thickness_mm:.0f} mm, poured after {words(f'{h:.0f}' for h in table['pour_after_h'])} h; "
        f"the hottest peaks at {table['peak_c'].max():.0f} (up to {table['peak_high_c'].max():.0f}) °C, limit "
        f"{plan.limit_c:g} °C; the last can be demolded after {table['demold_after_h'].iloc[-1]:.0f} h."
    )
    return figure


def draw_pot_life(found: PotLife) -> Picture:
    """How long a cup stays pourable and how hot it gets if it is left, against the mass in it.

    Parameters
    ----------
    found
        The result of `cure.pot_life`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    table = found.table
    x, *others = swept(table, ("mass_g", "temperature_c"))
    groups = list(table.groupby(others[0])) if others else [(None, table)]
    with styled():
        figure = picture(8.8, 3.6)
        left, right = figure.subplots(1, 2)
        for place, (value, rows) in enumerate(groups):
            said = None if value is None else case(others[0], float(value))
            ranged(left, rows, x, ("pot_life_min", "low_min", "high_min"), place, label=said)
            ranged(right, rows, x, ("peak_c", "peak_low_c", "peak_high_c"), place)
        left.set_ylim(bottom=0)
        left.set_ylabel("pot life (min, band: range)")
        right.set_ylabel("peak if left in the cup (°C)")
        for axes in (left, right):
            axes.set_xlabel(label(x))
        if others:
            left.legend()
    ends = table.sort_values(x).iloc[[0, -1]].drop_duplicates()
    figure.alt = "A cup of mix: " + words(
        f"{row.mass_g:g} g at {row.temperature_c:g} °C stays pourable {row.pot_life_min:.0f} ({row.low_min:.0f} to {row.high_min:.0f}) "
        f"min and peaks at {row.peak_c:.0f} ({row.peak_low_c:.0f} to {row.peak_high_c:.0f}) °C if left"
        for row in ends.itertuples()
    )
    figure.alt += "."
    return figure


def _temperatures(axes: Axes, history: pd.DataFrame) -> None:
    hours = history["time_h"]
    axes.fill_between(hours, history["coldest_c"], history["hottest_c"], color=FAINT, lw=0, zorder=0)
    axes.plot(hours, history["hottest_c"], color=colour(HOT), lw=2, label="hottest spot")
    axes.plot(hours, history["coldest_c"], color=colour(COLD), lw=1.6, ls=(0, (6, 2)), label="coldest spot")
    axes.plot(hours, history["air_c"], color=colour(AIR), lw=1.6, ls=(0, (1, 1.5)), label="air")
    axes.set_ylabel("temperature (°C)")


def _peak(axes: Axes, run: CureResult, outcome: pd.DataFrame) -> None:
    low, high = outcome.loc["peak", ["low", "high"]]
    axes.plot(run.peak_at_h, run.peak_c, marker="o", ms=6, color=INK, mec="white", zorder=4)
    if np.isfinite(low):
        axes.vlines(run.peak_at_h, low, high, color=INK, lw=2, alpha=0.55, zorder=3)
    axes.annotate(
        f"peak {run.peak_c:.0f} °C{_span(outcome.loc['peak'])}", (run.peak_at_h, run.peak_c), xytext=(8, 3),
        textcoords="offset points", fontsize=9, va="bottom", zorder=5,
    )  # fmt: skip


def _conversions(axes: Axes, run: CureResult) -> None:
    history = run.history
    axes.fill_between(
        history["time_h"], 100 * history["conversion_min"], 100 * history["conversion_max"], color=FAINT, lw=0, zorder=0
    )
    axes.plot(history["time_h"], 100 * history["conversion_max"], color=colour(HOT), lw=2)
    axes.plot(history["time_h"], 100 * history["conversion_min"], color=colour(COLD), lw=1.6, ls=(0, (6, 2)))
    level(axes, 100 * run.resin.gel_conversion, "gelled", place=0.01, color=QUIET)
    level(axes, 100 * run.resin.demold_conversion, "hard enough to demold", place=0.01, color=QUIET)
    axes.set_ylabel("conversion (%)")
    axes.set_ylim(0, 108)


def _milestones(axes: Axes, run: CureResult, end: float, *, said: bool = True) -> None:
    for at, word in ((run.gel_last_h, "all gelled"), (run.demold_h, "demold")):
        if np.isfinite(at) and at <= end:
            moment(axes, at, word if said else "", top=False)


def _through_depth(heat: Axes, grown: Axes, run: CureResult, end: float) -> None:
    """A few moments out of the profile: on the way up, at gel, at the peak, and cooling down."""
    hours = run.profile["time_h"].unique()
    rise, last = run.peak_at_h, min(end, hours[-1])
    wanted = [0.5 * rise, 0.85 * rise, rise, (rise + last) / 2, last]
    chosen = np.unique([hours[np.abs(hours - at).argmin()] for at in wanted])
    styles = ("-", (0, (6, 2)), "-", (0, (3, 1.5)), (0, (1, 1.2)))
    for place, at in enumerate(chosen):
        rows = run.profile[run.profile["time_h"] == at]
        drawn: dict[str, Any] = {"color": colour(place), "ls": styles[place % len(styles)], "lw": 1.8}
        heat.plot(rows["depth_mm"], rows["temperature_c"], **drawn, label=f"{at:.2g} h")
        grown.plot(rows["depth_mm"], 100 * rows["conversion"], **drawn)
    heat.legend(title="after", title_fontsize=9, loc="upper left", bbox_to_anchor=(1.0, 1.03))


def _worth_showing(run: CureResult) -> float:
    ends = [x for x in (1.3 * run.demold_h, 3 * run.peak_at_h) if np.isfinite(x)]
    return float(min(max(ends), run.history["time_h"].iloc[-1]))


def _headroom(axes: Axes) -> float:
    low, high = axes.get_ylim()
    return float(high + 0.12 * (high - low))


def _span(row: pd.Series) -> str:
    return f" ({row['low']:.0f} to {row['high']:.0f})" if np.isfinite(row["low"]) else ""


def _when(what: str, hours: float) -> str:
    return f"{what} after {hours:.2g} h" if np.isfinite(hours) else f"not {what} in the time shown"
