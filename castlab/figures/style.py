"""One look for every picture: readable in print, in grey and by colour-blind eyes. No data here."""

from __future__ import annotations

import base64
import contextlib
import io
import math
import textwrap
from collections.abc import Iterable, Iterator
from typing import Any

import matplotlib as mpl
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from castlab.analysis.words import listing

INK = "#1f2d33"
"""Text, axes and fitted values."""
QUIET = "#8a979e"
"""Lines that only help the eye."""
FAINT = "#e4e9ec"
"""Bands behind the data."""
COLOURS: list[str] = list(sns.color_palette("colorblind", 8).as_hex())
"""seaborn's colour-blind-safe palette; never the only sign, a marker goes with each."""
SURE = COLOURS[0]
"""Effects the data show."""
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
DPI = 110
_PER_INCH = 13
"""Letters of small print on an inch."""

_RC = {
    **sns.axes_style("ticks"),
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlelocation": "left",
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.labelsize": 10,
    "font.family": ["sans-serif"],
    "font.size": 10,
    "legend.fontsize": 9,
    "legend.frameon": False,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 9.5,
    "ytick.labelsize": 9.5,
}


class Picture(Figure):
    """A matplotlib figure that carries its text alternative, and shows itself in a notebook without pyplot."""

    alt: str = ""

    def _repr_mimebundle_(self, **_kwargs: Any) -> tuple[dict[str, str], dict[str, dict[str, Any]]]:
        buffer = io.BytesIO()
        with styled():
            self.savefig(buffer, format="png", dpi=2 * DPI)
        width, height = (round(side * DPI) for side in self.get_size_inches())
        data = {"image/png": base64.b64encode(buffer.getvalue()).decode("ascii"), "text/plain": self.alt}
        return data, {"image/png": {"width": width, "height": height, "alt": self.alt}}


@contextlib.contextmanager
def styled() -> Iterator[None]:
    """Draw in castlab's look, leaving the user's own matplotlib settings alone."""
    with mpl.rc_context(_RC):
        yield


def picture(width: float = 7.2, height: float = 3.6) -> Picture:
    """An empty picture, inches; its parts are laid out so that no label is cut off."""
    return Picture(figsize=(width, height), layout="constrained", dpi=DPI, facecolor="white")


def letters(figure: Figure, share: float = 1.0) -> int:
    """Letters that stand side by side on this share of the picture's width."""
    return int(share * _PER_INCH * figure.get_size_inches()[0])


def footnote(figure: Figure, text: str, share: float = 1.0) -> None:
    """A line or more below the picture, from its left edge, broken to this share of its width."""
    broken = textwrap.fill(text, letters(figure, share))
    figure.supxlabel(broken, x=0.01, ha="left", fontsize=9, ma="left")


def colour(place: int) -> str:
    """Colour of the nth group."""
    return COLOURS[place % len(COLOURS)]


def marker(place: int) -> str:
    """Marker of the nth group."""
    return MARKERS[place % len(MARKERS)]


_MULTIPLES = (1, 0.1, 10, 0.01, 100, 0.001, 1000, 0.5, 2, 0.25, 4, 0.75, 1.5, 0.05, 20, 0.02, 50, 3, 6)
"""Ticks of a ratio axis, the more telling first."""
_APART = 0.11
"""Share of the axis that two ticks keep apart, so that their numbers do not touch on half a page."""


def ratio_axis(axes: Axes, low: float, high: float) -> None:
    """A logarithmic x axis in plain multiples (0.5, 1, 2), wide enough for low to high."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    axes.set_xscale("log")
    axes.set_xlim(low, high)
    inside: list[float] = []
    for step in _MULTIPLES:
        if low <= step <= high and all(
            abs(math.log(step / other)) >= _APART * math.log(high / low) for other in inside
        ):
            inside.append(step)
    axes.xaxis.set_major_locator(FixedLocator(sorted(inside)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _place: f"{value:g}"))


def words(items: Iterable[object]) -> str:
    """A list in words: "a, b and c"."""
    return listing([str(item) for item in items]) or "none"
