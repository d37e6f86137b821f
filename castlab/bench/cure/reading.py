"""What a run of the heat balance means to a maker: peak, gel, demold time, in tables and in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.analysis.words import about
from castlab.bench.cure.case import Case, Shape
from castlab.bench.cure.datasheet import DatasheetFit
from castlab.bench.cure.heat import March
from castlab.bench.cure.resin import Array, Resin
from castlab.results import Result

SCORCH_C = 150.0
"""Above this a clear mix yellows, cracks or smokes (common practice, no source)."""
VALID_TO_C = 200.0
MOMENTS = 60
"""Of a profile that is kept, at most."""


@dataclass(frozen=True, kw_only=True)
class CureResult(Result):
    """What happens in one pour."""

    resin: Resin
    shape: Shape
    history: pd.DataFrame
    """time_h, air_c, hottest_c, coldest_c, middle_c, conversion_min, conversion_max, tg_min_c, viscosity_min_pa_s."""
    profile: pd.DataFrame
    """time_h, depth_mm (below the free surface; from the axis for a cylinder or cup), temperature_c, conversion."""
    outcome: pd.DataFrame
    """quantity, value, low, high, unit: the range is over kinetics that meet the same figures."""
    energy: pd.DataFrame
    """heat released, stored and lost (J per m2 of slab, per m and radian of a cylinder), and the imbalance in percent."""
    peak_c: float
    peak_at_mm: float
    peak_at_h: float
    gel_first_h: float
    gel_last_h: float
    demold_h: float
    """NaN where it does not happen within the time simulated, like the gel times."""
    pot_life_min: float
    tg_c: float
    conversion: float
    """At the end, where it is lowest."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"What happens": self.outcome, "Heat": self.energy}


@dataclass(frozen=True)
class Milestones:
    """The moments and figures of one run: temperatures °C, times h (pot life min), depths mm; NaN where it does not happen."""

    peak_c: float
    peak_at_mm: float
    peak_at_h: float
    gel_first_h: float
    gel_last_h: float
    demold_h: float
    pot_life_min: float
    tg_c: float
    conversion: float


def milestones(resin: Resin, case: Case, march: March) -> Milestones:
    """Peak, gel, demold and pot life of one run.

    Parameters
    ----------
    resin
        The kinetics, with the conversions at which it thickens, gels and can be demolded.
    case
        The pour as it was set up; says from where depths are measured.
    march
        The solver's steps: times_s (t,), temperature_c and conversion (t, cells), of which `reacting` are resin.

    Returns
    -------
    Milestones, interpolated between steps; NaN for what does not happen within the time simulated.
    """
    hours = march.times_s / 3600
    temperature, conversion = march.temperature_c[:, march.reacting], march.conversion[:, march.reacting]
    least, most = conversion.min(axis=1), conversion.max(axis=1)
    when, where = np.unravel_index(int(temperature.argmax()), temperature.shape)
    return Milestones(
        peak_c=float(temperature.max()),
        peak_at_mm=float(case.depth_mm(march)[where]),
        peak_at_h=float(hours[when]),
        gel_first_h=_crossing(hours, most, resin.gel_conversion),
        gel_last_h=_crossing(hours, least, resin.gel_conversion),
        demold_h=_crossing(hours, least, resin.demold_conversion),
        pot_life_min=60 * _crossing(hours, most, resin.thick_conversion),
        tg_c=float(resin.tg_c(least[-1])),
        conversion=float(least[-1]),
    )


def _crossing(hours: Array, grown: Array, level: float) -> float:
    above = grown >= level
    if not above.any():
        return math.nan
    i = int(np.argmax(above))
    if i == 0:
        return float(hours[0])
    share = (level - grown[i - 1]) / (grown[i] - grown[i - 1])
    return float(hours[i - 1] + share * (hours[i] - hours[i - 1]))


_OUTCOME = (
    ("peak", "peak_c", "C"),
    ("peak after", "peak_at_h", "h"),
    ("peak at", "peak_at_mm", "mm"),
    ("pot life", "pot_life_min", "min"),
    ("first gel", "gel_first_h", "h"),
    ("gelled throughout", "gel_last_h", "h"),
    ("hard enough to demold", "demold_h", "h"),
    ("glass transition at the end", "tg_c", "C"),
    ("least conversion at the end", "conversion", "1"),
)


def outcome_of(best: Milestones, others: list[Milestones]) -> pd.DataFrame:
    """The milestones as a table, each with its range over `others`, runs of kinetics that meet the same figures.

    Returns
    -------
    DataFrame: quantity, value, low, high, unit; one row each. Without others low and high are NaN; where it does not happen in
    all of them, high is.
    """
    lines = []
    for title, name, unit in _OUTCOME:
        values = np.array([getattr(m, name) for m in (best, *others)], dtype=float)
        known = values[np.isfinite(values)] if len(others) else np.array([])
        low, high = (known.min(), known.max()) if known.size else (np.nan, np.nan)
        lines.append((title, values[0], low, high if np.isfinite(values).all() else np.nan, unit))
    return pd.DataFrame(lines, columns=["quantity", "value", "low", "high", "unit"])


def history_of(resin: Resin, case: Case, march: March) -> pd.DataFrame:
    """The run over time, one row per step of the solver.

    Returns
    -------
    DataFrame: time_h, air_c, hottest_c, coldest_c, middle_c, conversion_min and conversion_max (0 to 1), tg_min_c,
    viscosity_min_pa_s, over the cells that are resin.
    """
    temperature, conversion = march.temperature_c[:, march.reacting], march.conversion[:, march.reacting]
    viscosity = resin.viscosity(conversion, temperature)
    return pd.DataFrame(
        {
            "time_h": march.times_s / 3600,
            "air_c": np.broadcast_to(case.air.at(march.times_s), march.times_s.shape),
            "hottest_c": temperature.max(axis=1),
            "coldest_c": temperature.min(axis=1),
            "middle_c": temperature[:, temperature.shape[1] // 2 if case.shape == "slab" else 0],
            "conversion_min": conversion.min(axis=1),
            "conversion_max": conversion.max(axis=1),
            "tg_min_c": resin.tg_c(conversion.min(axis=1)),
            "viscosity_min_pa_s": viscosity.min(axis=1),
        }
    )


def profile_of(case: Case, march: March) -> pd.DataFrame:
    """Evenly spread over the solver's own steps, so that the fast part is well drawn."""
    index = np.unique(np.linspace(0, len(march.times_s) - 1, MOMENTS).astype(int))
    depth = case.depth_mm(march)
    return pd.DataFrame(
        {
            "time_h": np.repeat(march.times_s[index] / 3600, depth.size),
            "depth_mm": np.tile(depth, index.size),
            "temperature_c": march.temperature_c[index][:, march.reacting].ravel(),
            "conversion": march.conversion[index][:, march.reacting].ravel(),
        }
    )


def verdict_of(resin: Resin, case: Case, best: Milestones, outcome: pd.DataFrame, hours: float) -> str:
    """The run in two or three sentences: peak, gel and demold time, each with its range where there is one.

    Parameters
    ----------
    resin, case
        What was poured, and how.
    best
        The milestones of the run.
    outcome
        The same with their ranges, as `outcome_of` gives them.
    hours
        How long was simulated, h.
    """
    table = outcome.set_index("quantity")

    def span(title: str) -> str:
        low, high = table.loc[title, "low"], table.loc[title, "high"]
        if not np.isfinite(low):
            return ""
        return f" ({about(low)} to {about(high)})" if np.isfinite(high) else f" ({about(low)} or more)"

    low, high = table.loc["peak", ["low", "high"]]
    peak_span = f" ({low:.0f} to {high:.0f})" if np.isfinite(low) else ""
    place = "below the surface" if case.shape == "slab" else "from the axis"
    body = f"{case.size:g} g cup" if case.shape == "cup" else f"{case.size:g} mm {case.shape}"
    text = f"A {body} of {resin.name} peaks at {best.peak_c:.0f} °C{peak_span}, {best.peak_at_mm:.0f} mm {place}, "
    text += f"after {about(best.peak_at_h)} h. "
    if math.isnan(best.gel_last_h):
        text += f"It is not gelled throughout within {about(hours, 3)} h. "
    else:
        text += f"It gels between {about(best.gel_first_h)} and {about(best.gel_last_h)} h{span('gelled throughout')}; "
    if math.isnan(best.demold_h):
        text += f"not hard enough to demold within {about(hours, 3)} h (conversion {best.conversion:.2f})."
    else:
        text += f"hard enough to demold after {about(best.demold_h)} h{span('hard enough to demold')}."
    return text


def cautions_of(
    fit: DatasheetFit, case: Case, best: Milestones, outcome: pd.DataFrame, ranged: bool
) -> tuple[str, ...]:
    """What limits the run's figures, and the safety cautions for what was poured.

    Parameters
    ----------
    fit
        The kinetics and the values behind them that are typical of the family.
    case, best, outcome
        The pour, its milestones, and these with their ranges.
    ranged
        Whether several kinetics were run, so that the ranges say something.
    """
    notes = []
    hottest = np.nanmax([best.peak_c, outcome.loc[0, "high"]])
    if hottest > SCORCH_C:
        notes.append(
            f"It may reach {hottest:.0f} °C: that yellows, cracks, smokes or worse. Pour thinner or in layers."
        )
    if hottest > VALID_TO_C:
        notes.append(
            f"Above about {VALID_TO_C:.0f} °C the mix decomposes, which is not in the model: read it as runaway."
        )
    if not ranged:
        notes.append("No range is given: one set of kinetics was used as if it were exact.")
    else:
        notes.append("The ranges are over kinetics that meet the same figures, not confidence intervals.")
    notes += fit.typical_note
    if case.shape == "slab":
        notes.append("Edges and corners run cooler than this wide slab; inserts take up heat; moving air cools more.")
    if case.shape == "cup":
        notes.append("The cup is taken as plastic, four fifths as deep as wide, in still air.")
    return (*notes, *cautions.about("exotherm", *fit.resin.hazards))
