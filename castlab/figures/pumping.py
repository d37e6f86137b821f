"""Pumping a chamber down: pressure against time, with what the gauge shows and where the mix boils."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab import units
from castlab.errors import InputError
from castlab.figures.style import FAINT, INK, Picture, colour, marker, picture, styled
from castlab.figures.sweeps import level, plain_log

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from castlab.bench.vacuum import BoilingMargin, PumpFit

GAUGES = {"kPa": 1.0, "mbar": 0.1, "bar": 100.0, "inHg": 3.386389}
"""Unit of a gauge -> kPa (conventional inch of mercury)."""
FAR = 20.0
"""A mix that boils so many times below the foot of the picture is told in words, not drawn."""


def draw_pump(
    found: PumpFit,
    *,
    boiling: BoilingMargin | None = None,
    aim_kpa: float | None = None,
    altitude_m: float = 0.0,
    gauge: str = "kPa",
) -> Picture:
    """Readings of a pump-down with the fitted curve and the base pressure; the rise test beside it, if there was one.

    Parameters
    ----------
    found
        The result of `fit_pump`.
    boiling
        Where the mix boils (`boiling_margin`); its first row is drawn.
    aim_kpa
        Pressure wanted over the mix, kPa absolute.
    altitude_m, gauge
        Height of the shop, m, and the unit of its gauge ("kPa", "mbar", "bar", "inHg"), for the scale on the right.

    Returns
    -------
    The figure, with its text alternative as `alt`.

    Raises
    ------
    InputError
        If the gauge's unit is not known.
    """
    tests = dict(tuple(found.readings.groupby("test", sort=False)))
    base = found.estimates.set_index("quantity").loc["base pressure"]
    said = f"base {base.estimate:.3g} kPa ({base.low:.3g} to {base.high:.3g})"
    with styled():
        figure = picture(9.4 if len(tests) > 1 else 7.4, 3.9)
        panels = figure.subplots(1, len(tests), squeeze=False, width_ratios=[1.5, 1][: len(tests)])[0]
        down = tests["pump-down"]
        _curve(panels[0], down["time_min"], down["fitted_kpa"], down["pressure_kpa"])
        _levels(panels[0], down["fitted_kpa"].min(), said.partition(" (")[0], base.estimate, boiling, aim_kpa)
        _gauge_scale(panels[0], altitude_m, gauge)
        panels[0].set_title("pump-down")
        if "rise" in tests:
            rise = tests["rise"]
            panels[1].plot(rise["time_min"], rise["fitted_kpa"], color=INK, lw=1.8)
            panels[1].plot(rise["time_min"], rise["pressure_kpa"], **_dot(1))
            panels[1].set_xlabel("time (min)")
            panels[1].set_ylabel("pressure (kPa absolute)")
            panels[1].set_title("rise with the valve shut")
            panels[1].set_ylim(0, rise["pressure_kpa"].max() * 1.1)
    figure.alt = (
        f"Pressure while pumping down, {len(down)} readings with the fitted curve: {said}. {_words(boiling, aim_kpa)}"
    )
    if "rise" in tests:
        first, last = rise["pressure_kpa"].iloc[[0, -1]]
        figure.alt += f" With the valve shut it rises from {first:.3g} to {last:.3g} kPa."
    figure.alt = figure.alt.replace("  ", " ").strip()
    return figure


def pump_down(
    plan: pd.DataFrame,
    *,
    base_kpa: float | None = None,
    boiling: BoilingMargin | None = None,
    aim_kpa: float | None = None,
    altitude_m: float = 0.0,
    gauge: str = "kPa",
) -> Picture:
    """A planned pump-down: pressure against time.

    Parameters
    ----------
    plan
        time_min and pressure_kpa (absolute), one row a moment, as `pump_down_min` gives for several pressures.
    base_kpa
        Lowest pressure the pump reaches, kPa absolute.
    boiling, aim_kpa, altitude_m, gauge
        As for `draw_pump`.

    Returns
    -------
    The figure, with its text alternative as `alt`.

    Raises
    ------
    InputError
        If the gauge's unit is not known.
    """
    with styled():
        figure = picture(7.4, 3.9)
        axes = figure.subplots()
        _curve(axes, plan["time_min"], plan["pressure_kpa"])
        said = None if base_kpa is None else f"base {base_kpa:.3g} kPa"
        _levels(axes, plan["pressure_kpa"].min(), said, base_kpa, boiling, aim_kpa)
        _gauge_scale(axes, altitude_m, gauge)
    last = plan.iloc[-1]
    figure.alt = (
        f"Planned pump-down: {last.pressure_kpa:.3g} kPa after {last.time_min:.2g} min"
        + (f"; {said}. " if said else ". ")
        + _words(boiling, aim_kpa)
    ).strip()
    return figure


def draw_boiling(found: BoilingMargin) -> Picture:
    """The pressure below which the mix boils, against its temperature, with the pressures asked about.

    Parameters
    ----------
    found
        The result of `boiling_margin`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    rows = found.margins.sort_values("temperature_c")
    with styled():
        figure = picture(7.0, 3.8)
        axes = figure.subplots()
        axes.plot(
            rows["temperature_c"], rows["pressure_kpa"], **_dot(0) | {"ls": "-", "lw": 1.4, "color": colour(0)},
            label="pressure over the mix",
        )  # fmt: skip
        if rows["water_leaves_below_kpa"].gt(0).any():
            axes.plot(
                rows["temperature_c"], rows["water_leaves_below_kpa"], color=colour(2), lw=1.8, ls=(0, (5, 2)),
                label="dissolved moisture comes out below",
            )  # fmt: skip
        boils = bool(rows["boils_below_high_kpa"].gt(0).any())
        if boils:
            least = rows.loc[rows["boils_below_high_kpa"] > 0, "boils_below_high_kpa"].min() / 5
            if (rows["boils_below_low_kpa"] < rows["boils_below_high_kpa"]).any():
                axes.fill_between(
                rows["temperature_c"], rows["boils_below_low_kpa"].clip(lower=least), rows["boils_below_high_kpa"],
                color=colour(1), alpha=0.3, lw=0, label="the mix boils below, range",
            )  # fmt: skip
            axes.plot(
                rows["temperature_c"], rows["boils_below_kpa"], color=colour(1), lw=1.8, label="the mix boils below"
            )
        axes.set_ylim(bottom=0.5 * least if boils else None)
        plain_log(axes)
        axes.set_xlabel("temperature of the mix (°C)")
        axes.set_ylabel("pressure (kPa absolute)")
        figure.legend(loc="outside upper left", ncols=2)
    worst = rows.loc[rows["margin"].idxmin()]
    figure.alt = (
        f"Boiling pressure of the mix against its temperature, {len(rows)} cases: at {worst.temperature_c:g} °C it boils "
        f"below {worst.boils_below_kpa:.2g} kPa, dissolved moisture comes out below {worst.water_leaves_below_kpa:.2g} kPa, "
        f"the pressure over it is {worst.pressure_kpa:.3g} kPa."
    )
    return figure


def _curve(axes: Axes, time: pd.Series, fitted: pd.Series, readings: pd.Series | None = None) -> None:
    axes.plot(time, fitted, color=INK, lw=1.8, label="fitted" if readings is not None else None)
    if readings is not None:
        axes.plot(time, readings, **_dot(0), label="readings")
        axes.legend(loc="upper right")
    axes.set_xlabel("time (min)")
    axes.set_ylabel("pressure (kPa absolute)")


def _levels(
    axes: Axes, least: float, base: str | None, base_kpa: float | None, boiling: BoilingMargin | None,
    aim_kpa: float | None,
) -> None:  # fmt: skip
    """Base pressure, aim and boiling as levels on a logarithmic scale that has room for them."""
    floor = 0.4 * min(x for x in (least, base_kpa, aim_kpa) if x is not None and x > 0)
    row = None if boiling is None else boiling.margins.iloc[0]
    near = row is not None and row.boils_below_high_kpa > floor / FAR
    if row is not None and near:
        floor = min(floor, 0.3 * row.boils_below_high_kpa)
    axes.set_ylim(floor, 160)
    plain_log(axes)
    if row is not None:
        if row.boils_below_high_kpa > 0 and not near:
            said = f"the mix boils far below, under {row.boils_below_high_kpa:.2g} kPa at {row.temperature_c:g} °C"
            axes.text(0.01, 0.02, said, transform=axes.transAxes, fontsize=9, va="bottom")
        elif row.boils_below_high_kpa > 0:
            axes.axhspan(floor, row.boils_below_high_kpa, color=FAINT, lw=0, zorder=0)
            said = f"the mix may boil below {row.boils_below_high_kpa:.2g} kPa at {row.temperature_c:g} °C"
            level(axes, row.boils_below_high_kpa, said, color=colour(3), ls="-", lw=1.6)
        if row.water_leaves_below_kpa > 0:
            level(
                axes, row.water_leaves_below_kpa, "moisture comes out below", place=0.01, above=False, color=colour(2),
                ls=(0, (1, 1.5)), lw=1.6,
            )  # fmt: skip
    if aim_kpa is not None:
        level(axes, aim_kpa, f"aim {aim_kpa:.3g} kPa", color=colour(0), ls=(0, (6, 2, 1, 2)), lw=1.4)
    if base is not None and base_kpa is not None:
        level(axes, base_kpa, base, place=0.01)


def _gauge_scale(axes: Axes, altitude_m: float, gauge: str) -> None:
    """The same heights as a gauge shows them that reads zero in the open room."""
    if gauge not in GAUGES:
        raise InputError(f"gauge is {gauge!r}; accepted: {', '.join(GAUGES)}")
    room = units.standard_pressure_kpa(altitude_m)
    beside = axes.twinx()
    beside.set_yscale("log")
    beside.set_ylim(axes.get_ylim())
    shown = _round_readings(room / GAUGES[gauge], *(end / GAUGES[gauge] for end in axes.get_ylim()))
    beside.set_yticks(
        [room + value * GAUGES[gauge] for value in shown],
        [f"{value:g}".replace("-", "\N{MINUS SIGN}") for value in shown],
    )
    beside.minorticks_off()
    beside.spines["right"].set_visible(True)
    beside.set_ylabel(f"gauge at {altitude_m:g} m ({gauge})")


def _round_readings(room: float, low: float, high: float) -> list[float]:
    """Round readings below the room's pressure that stand clear of each other on a logarithmic scale; all in gauge units."""
    chosen = [0.0]
    step = 10.0 ** np.floor(np.log10(room))
    while step > room / 200:
        for part in (step, step / 2, step / 10):
            for value in -part * np.arange(1, int(room / part) + 1):
                left = room + value
                apart = min(abs(np.log(left / (room + other))) for other in chosen) if left > 0 else 0.0
                if low < left < high and apart > 0.07 * np.log(high / low):
                    chosen.append(round(float(value), 9))
        step /= 10
    return sorted(chosen, reverse=True)


def _words(boiling: BoilingMargin | None, aim_kpa: float | None) -> str:
    said = "" if aim_kpa is None else f"Aim {aim_kpa:.3g} kPa. "
    if boiling is not None:
        row = boiling.margins.iloc[0]
        said += f"The mix may boil below {row.boils_below_high_kpa:.2g} kPa at {row.temperature_c:g} °C"
        said += f", moisture comes out below {row.water_leaves_below_kpa:.2g} kPa."
    return said


def _dot(place: int) -> dict[str, Any]:
    return {"ls": "", "marker": marker(place), "ms": 6, "mfc": colour(place), "mec": "white", "mew": 0.6, "zorder": 3}
