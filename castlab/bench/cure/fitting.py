"""From the few figures a data sheet gives to a set of kinetics, and to all the other sets that fit them as well.

Two or three figures cannot fix a rate law. So the parameters they leave open are drawn from their usual ranges, the
figures are met by each draw, and what the draws disagree about is reported as a range.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from castlab.bench.cure import bodies
from castlab.bench.cure.heat import Air
from castlab.bench.cure.resin import Array, Resin
from castlab.errors import FitError

CUP_CELLS = 8
LOG_RATIO = (-5.0, 1.5)
"""Range searched for log10 of k1/k2: from purely autocatalytic to not at all."""
DRAWS = 24
MEMBERS = 6
HEAT_REACH = 1.6
"""How far above its usual value the heat of reaction is looked for; below, down to a `HEAT_LEAST`th."""
HEAT_LEAST = 2.5
PATIENCE = 6
"""Draws after which figures that none has met are given up."""
STILL_AIR_W_M2K = 8.0
"""Film of still room air, radiation included (textbook range 5-10)."""

OPEN_RANGES: dict[str, tuple[float, float]] = {
    "viscosity_power": (1.6, 2.8),
    "thick_ratio": (2.0, 6.0),
    "_pot_life_reads": (0.85, 1.15),
    "_cure_h_reads": (0.5, 1.1),
}
"""What no data sheet tells: how steeply the mix thickens, how much thicker it is when its maker calls it too thick, how
well a pot life is read, and that cure hours are rounded up to be safe. Common practice, no source."""
_READS: dict[str, float | None] = {"_pot_life_reads": 1.0, "_cure_h_reads": 1.0, "_peak_c": None}
"""Draws that concern how the figures are read rather than the mix, with what they are if they are not drawn."""
STEEPER_TAILS = (0.0, 0.5, 1.0, 1.5)
"""Added in turn to the order n where the hours ask for a slower tail than the family's usual one."""


@dataclass(frozen=True)
class Figures:
    """What the data sheet says."""

    pot_life_min: float
    cure_h: float
    peak_c: float | None
    mass_g: float
    temperature_c: float


def in_cup(resin: Resin, mass_g: float, temperature_c: float, until_s: float) -> tuple[float, float, float]:
    """Pot life in s (infinite if not reached by `until_s`), peak temperature in C and its time in s, in a cup."""
    air = Air(inner_w_m2k=0.0, outer_w_m2k=STILL_AIR_W_M2K, temperatures_c=(temperature_c,))
    march = bodies.cup(resin, mass_g, air=air, start_c=temperature_c, cells=CUP_CELLS).march(until_s, 5e-4, 5e-4)
    middle = march.conversion[:, 0]
    end = resin.thick_conversion
    life = math.inf if middle[-1] < end else float(np.interp(end, np.maximum.accumulate(middle), march.times_s))
    hottest = march.temperature_c.max(axis=1)
    return life, float(hottest.max()), float(march.times_s[hottest.argmax()])


def _fitted(base: Resin, figures: Figures, log_tolerance: float) -> Resin | None:
    """`base` with rates that meet the pot life and the cure hours; None where no such rates exist."""

    def rated(log_ratio: float) -> Resin:
        return _with_cure(base, 10.0**log_ratio, figures.cure_h, figures.temperature_c)

    pot_s = figures.pot_life_min * 60
    end = base.thick_conversion

    def lateness(log_ratio: float) -> float:
        candidate = rated(log_ratio)
        air = Air(inner_w_m2k=0.0, outer_w_m2k=STILL_AIR_W_M2K, temperatures_c=(figures.temperature_c,))
        body = bodies.cup(candidate, figures.mass_g, air=air, start_c=figures.temperature_c, cells=CUP_CELLS)
        return float(body.march(pot_s, 5e-4, 5e-4).conversion[-1, 0]) - end

    ratio = _root(lateness, *LOG_RATIO, log_tolerance)
    if ratio is None:
        return None
    # Near runaway the pot life can jump past the figure: then there is no such mix.
    life, _, _ = in_cup(rated(ratio), figures.mass_g, figures.temperature_c, 2 * pot_s)
    return rated(ratio) if abs(math.log(life / pot_s)) < max(0.03, 2 * log_tolerance) else None


def _fitted_with_peak(base: Resin, figures: Figures, start: Resin, evaluations: int) -> Resin | None:
    """Three figures: rates, heat and tail order together, held near their usual values; None if the figures are missed.

    Deviations are weighted by how well each figure is usually known (pot life 5 %, hours 20 %, peak 3 C).
    """
    from scipy.optimize import least_squares

    peak_c = figures.peak_c or 0.0
    horizon = 5 * figures.pot_life_min * 60

    def candidate(x: Array) -> Resin:
        resin = replace(base, heat_j_g=math.exp(x[2]), n=float(x[3]))
        return _with_cure(resin, 10.0 ** x[0], math.exp(x[1]), figures.temperature_c)

    def misses(x: Array) -> Array:
        resin = candidate(x)
        life, peak, _ = in_cup(resin, figures.mass_g, figures.temperature_c, horizon)
        return np.array(
            [
                math.log(min(life, 3 * horizon) / 60 / figures.pot_life_min) / 0.05,
                (x[1] - math.log(figures.cure_h)) / 0.2,
                (peak - peak_c) / 3.0,
                (x[2] - math.log(base.heat_j_g)) / 0.2,
                (x[3] - base.n) / 0.5,
            ]
        )

    ratio = math.log10(max(start.k1_per_s / start.k2_per_s, 1e-5))
    direct = _two_unknowns(start, base.heat_j_g, figures, ratio, horizon)
    if direct is not None:
        return direct
    first = np.array([ratio, math.log(figures.cure_h), math.log(start.heat_j_g), start.n])
    low = np.array([LOG_RATIO[0], math.log(figures.cure_h / 3), math.log(base.heat_j_g / HEAT_LEAST), 1.0])
    high = np.array([LOG_RATIO[1], math.log(figures.cure_h * 2), math.log(base.heat_j_g * HEAT_REACH), 3.0])
    first = np.clip(first, low + 1e-3, high - 1e-3)
    best = least_squares(misses, first, bounds=(low, high), xtol=1e-3, ftol=1e-3, diff_step=1e-2, max_nfev=evaluations)
    off = misses(best.x)
    met = best.status > 0 and abs(off[0]) < 2 and abs(off[1]) < 3 and abs(off[2]) < 2
    return candidate(best.x) if met else None


def _two_unknowns(start: Resin, usual_j_g: float, figures: Figures, ratio: float, horizon: float) -> Resin | None:
    """The rates and the heat that meet all three figures exactly, if they lie near the start; else None."""
    from scipy.optimize import root

    rise = (figures.peak_c or 0.0) - figures.temperature_c

    def candidate(x: Array) -> Resin:
        resin = replace(start, heat_j_g=math.exp(min(max(x[1], 0.0), 8.0)))
        return _with_cure(
            resin, 10.0 ** min(max(x[0], LOG_RATIO[0]), LOG_RATIO[1]), figures.cure_h, figures.temperature_c
        )

    def misses(x: Array) -> list[float]:
        life, peak, _ = in_cup(candidate(x), figures.mass_g, figures.temperature_c, horizon)
        return [
            math.log(min(life, 3 * horizon) / 60 / figures.pot_life_min),
            math.log(max(peak - figures.temperature_c, 0.1) / rise),
        ]

    found = root(
        misses,
        [ratio, math.log(start.heat_j_g)],
        method="hybr",
        options={"eps": 1e-4, "factor": 1.0, "xtol": 1e-3, "maxfev": 25},
    )
    resin = candidate(found.x)
    near = usual_j_g / HEAT_LEAST < resin.heat_j_g < usual_j_g * HEAT_REACH
    return resin if near and max(map(abs, found.fun)) < 0.02 else None


def _demolds_before_it_stalls(resin: Resin, temperature_c: float) -> Resin:
    """A mix that cures at `temperature_c` is demolded before its glass transition stops it, and after it gels."""
    stalls = float(resin.conversion_at_tg(temperature_c + 5.0))
    return replace(resin, demold_conversion=max(min(resin.demold_conversion, stalls), resin.gel_conversion + 0.02))


def _with_cure(resin: Resin, ratio: float, cure_h: float, temperature_c: float) -> Resin:
    """`resin` with k1/k2 as given and a speed that makes it demoldable after `cure_h` at that temperature."""
    unit = replace(resin, k1_per_s=ratio, k2_per_s=1.0)
    k2 = unit.isothermal_s(resin.demold_conversion, temperature_c) / (cure_h * 3600)
    return replace(resin, k1_per_s=ratio * k2, k2_per_s=k2)


def _root(f: Callable[[float], float], low: float, high: float, tolerance: float) -> float | None:
    """Where `f` crosses zero, or None if it does not between the ends."""
    from scipy.optimize import brentq

    if f(low) * f(high) > 0:
        return None
    return float(brentq(f, low, high, xtol=tolerance, rtol=1e-4))


def plausible(base: Resin, ranges: dict[str, tuple[float, float]], figures: Figures) -> tuple[Resin, tuple[Resin, ...]]:
    """A central set of kinetics and up to `MEMBERS` others, all meeting the figures.

    Raises
    ------
    FitError
        If no draw can meet them.
    """
    from scipy.stats import qmc

    names = list(ranges)
    unit = qmc.LatinHypercube(d=len(names), rng=np.random.default_rng(20)).random(DRAWS)
    members: list[Resin] = []
    central: Resin | None = None
    middle: dict[str, Any] = {name: getattr(base, name) for name in names if name not in _READS}
    low, high = (np.array([pair[i] for pair in ranges.values()]) for i in (0, 1))
    drawn_rows: list[dict[str, Any]] = [
        dict(zip(names, map(float, row), strict=True)) for row in low + unit * (high - low)
    ]
    for tried, draw in enumerate([middle, *drawn_rows]):
        if central is None and tried == PATIENCE:
            break
        reads = {name: draw.pop(name, usual) for name, usual in _READS.items()}
        if central is None:
            read = figures  # the central set meets the figures as given
        else:
            read = replace(
                figures,
                pot_life_min=figures.pot_life_min * reads["_pot_life_reads"],
                cure_h=figures.cure_h * reads["_cure_h_reads"],
                peak_c=reads["_peak_c"] or figures.peak_c,
            )
        drawn = _demolds_before_it_stalls(replace(base, **draw), figures.temperature_c)
        rough = 2e-3 if read.peak_c is None else 0.1
        tails = (replace(drawn, n=drawn.n + more) for more in STEEPER_TAILS)
        found = next((r for tail in tails if (r := _fitted(tail, read, rough))), None)
        if read.peak_c is not None:
            start = found or central or _with_cure(drawn, 0.1, read.cure_h, read.temperature_c)
            found = _fitted_with_peak(drawn, read, start, evaluations=15 if central else 30)
        if found is not None and central is None:
            central = found
        elif found is not None:
            members.append(found)
        if len(members) == MEMBERS:
            break
    if central is None:
        raise FitError(
            f"no usual kinetics give a pot life of {figures.pot_life_min:g} min in {figures.mass_g:g} g together with "
            f"{figures.cure_h:g} h to demold"
            + (f" and a peak of {figures.peak_c:g} °C" if figures.peak_c is not None else "")
            + f" at {figures.temperature_c:g} °C; check what the figures mean (mass, temperature, through-cure or demold)"
        )
    return central, tuple(members)
