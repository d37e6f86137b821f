"""Bubbles in a mix: how they grow under vacuum, rise, clear in time, shrink under pressure, or stay.

Pressures are absolute, in kPa; the mix thickens as `cure` says. Pumping down and boiling live in `vacuum`.
"""

from castlab.bench.bubbles.clearing import Clearing, clearing
from castlab.bench.bubbles.pressure import UnderPressure, dissolve, under_pressure
from castlab.bench.bubbles.single import VISIBLE_MM, growth, rise_speed_mm_s
from castlab.bench.bubbles.trap import FilledMold, filled_mold_vacuum

__all__ = [
    "VISIBLE_MM",
    "Clearing",
    "FilledMold",
    "UnderPressure",
    "clearing",
    "dissolve",
    "filled_mold_vacuum",
    "growth",
    "rise_speed_mm_s",
    "under_pressure",
]
