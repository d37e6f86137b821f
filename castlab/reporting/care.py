"""The safety cautions of a report: all of them at its end, and in one line where it advises a step that needs them."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from castlab import cautions
from castlab.reporting.markup import Markup, text

STEPS = {"vacuum": ("cup_degas_", "mold_degas_"), "pressure": ("hold_",), "oven": ("cure_", "post_cure_")}
"""Activity -> how the columns begin that set it."""

WARM_C = 30.0
"""A cure warmer than this needs an oven or the like (common practice, no source)."""

PLACE = "take-care"


def take_care(frame: pd.DataFrame) -> Markup:
    """The safety cautions for what these castings involve; empty where nothing of the trade is in the table."""
    about = _involved(frame)
    return Markup(f'<div id="{PLACE}">{cautions.show(*about)._repr_html_()}</div>' if about else "")


def beside(frame: pd.DataFrame, settings: Iterable[str]) -> Markup:
    """One line for the steps that these settings belong to, with the way to the whole; empty where there are none."""
    named = list(settings)
    steps = [step for step in _involved(frame) if step in STEPS and any(name.startswith(STEPS[step]) for name in named)]
    first = [cautions.CAUTIONS[step].partition(";")[0].rstrip(".") + "." for step in steps]
    way = f'More under <a href="#{PLACE}">“Take care”</a>.'
    return Markup(f'<p class="care">{text(" ".join(first))} {way}</p>' if steps else "")


def _involved(frame: pd.DataFrame) -> list[str]:
    """Activities of these castings, as `castlab.cautions` calls them."""
    about = ["epoxy", "exotherm", "dust"] if "batch_id" in frame else []
    if any(str(name).startswith(STEPS["vacuum"]) for name in frame.columns):
        about += ["vacuum", "pump"]
    if _reached(frame, ("hold_min", "hold_kpa"), 0):
        about.append("pressure")
    if _reached(frame, ("cure_c", "post_cure_c"), WARM_C):
        about.append("oven")
    return about


def _reached(frame: pd.DataFrame, columns: Iterable[str], limit: float) -> bool:
    """True if one of these columns was ever above the limit."""
    values = [pd.to_numeric(frame[name], errors="coerce") for name in columns if name in frame]
    return any(bool((column > limit).any()) for column in values)
