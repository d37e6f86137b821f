"""What pictures of bench results share: the swept axis in words, a line with its range, limits said on the line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.figures.style import INK, QUIET, colour, marker

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NAMES: dict[str, str] = {
    "air_c": "room temperature (°C)",
    "conversion": "conversion (%)",
    "cure_h": "time in the mold (h)",
    "depth_mm": "depth of the pour (mm)",
    "diameter_mm": "bubble before the hold (mm)",
    "hold_kpa": "pressure of the hold (kPa absolute)",
    "hold_min": "hold (min)",
    "mass_g": "mass left in the cup (g)",
    "molds": "molds",
    "pressure_kpa": "pressure over the mix (kPa absolute)",
    "scrap_pct": "scrap (%)",
    "start_c": "temperature of the mix (°C)",
    "start_min": "age of the mix when the hold begins (min)",
    "temperature_c": "temperature (°C)",
    "vacuum_kpa": "pressure over the mold (kPa absolute)",
    "volume_ml": "volume of a casting (ml)",
    "wall_mm": "wall of silicone (mm)",
    "waste_pct": "waste (%)",
}
"""Column of a bench table -> the label of its axis."""

WHITE = {"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none", "alpha": 0.85}


def label(column: str) -> str:
    """Label of an axis, with its unit."""
    return NAMES.get(column) or labels.label(column)


def case(column: str, value: float) -> str:
    """One level of a swept column in words: "depth of the pour 20 mm"."""
    if column == "molds":
        return f"{value:g} mold{'' if value == 1 else 's'}"
    name, _, unit = label(column).partition(" (")
    return f"{name} {value:.4g} {unit.removesuffix(')')}".strip()


def swept(table: pd.DataFrame, columns: Sequence[str]) -> list[str]:
    """Those of the columns that take several values, the one with most values first; at least one."""
    counts = {name: table[name].nunique() for name in columns if name in table}
    varied = sorted((n for n, count in counts.items() if count > 1), key=lambda n: -counts[n])
    return varied or list(counts)[:1]


def ranged(axes: Axes, rows: pd.DataFrame, x: str, names: tuple[str, str, str], place: int = 0, **line: Any) -> None:
    """A line through the middle values with its range as a band; `names` are the middle, low and high columns."""
    middle, low, high = names
    rows = rows[np.isfinite(rows[middle])].sort_values(x)
    ends = rows[[low, high]].where(np.isfinite(rows[[low, high]]))
    drawn = {"color": colour(place), "marker": marker(place), "ms": 5.5, "lw": 1.8, **line}
    if len(rows) > 1:
        axes.fill_between(rows[x], ends[low], ends[high], color=drawn["color"], alpha=0.16, lw=0)
    else:
        axes.vlines(rows[x], ends[low], ends[high], color=drawn["color"], lw=2, alpha=0.5)
    axes.plot(rows[x], rows[middle], **drawn)


def level(axes: Axes, at: float, said: str, *, place: float = 0.99, above: bool = True, **line: Any) -> None:
    """A level across the picture with its meaning written on it, at a share of the width."""
    axes.axhline(at, **{"color": INK, "lw": 1.1, "ls": (0, (5, 3)), "zorder": 1.5, **line})
    if not said:
        return
    axes.annotate(
        said, (place, at), xycoords=axes.get_yaxis_transform(), xytext=(0, 2.5 if above else -2.5),
        textcoords="offset points", ha="right" if place > 0.5 else "left", va="bottom" if above else "top",
        fontsize=9, bbox=WHITE, zorder=5,
    )  # fmt: skip


def moment(axes: Axes, at: float, said: str, *, top: bool = True, left: bool = False) -> None:
    """A moment as an upright line with its meaning written along it; nothing where it never comes."""
    if not np.isfinite(at):
        return
    axes.axvline(at, color=QUIET, lw=1.1, ls=(0, (2, 2)), zorder=1.5)
    if not said:
        return
    axes.annotate(
        said, (at, 0.97 if top else 0.03), xycoords=axes.get_xaxis_transform(), xytext=(-3 if left else 3, 0),
        textcoords="offset points", ha="right" if left else "left", va="top" if top else "bottom", rotation=90, fontsize=9, bbox=WHITE,
        zorder=5,
    )  # fmt: skip


def plain_log(axes: Axes, which: str = "y") -> None:
    """A logarithmic axis in plain numbers: 0.1, 1, 10 instead of powers."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axis = axes.yaxis if which == "y" else axes.xaxis
    (axes.set_yscale if which == "y" else axes.set_xscale)("log")
    low, high = axes.get_ylim() if which == "y" else axes.get_xlim()
    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if high / low < 300 else (1.0,)))
    axis.set_major_formatter(FuncFormatter(lambda value, _place: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())
