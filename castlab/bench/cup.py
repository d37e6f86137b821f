"""While the cup stands on the bench: what is on the scale against what is wanted, and how long the mix can be worked."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from castlab.bench.inputs import number
from castlab.bench.materials import Properties, properties
from castlab.bench.mixing import pot_life_of
from castlab.records.checks import RATIO_TOLERANCE_PCT

if TYPE_CHECKING:
    from castlab.records.models import Material

WARN_AT = 0.75
"""Share of the pot life after which a maker should be pouring. Common practice, no source."""


@dataclass(frozen=True)
class Weighing:
    """Hardener against resin. `state`: "wanted" (no hardener yet), "too little", "inside" or "too much"."""

    wanted_g: float
    low_g: float
    high_g: float
    error_pct: float | None
    tolerance_pct: float
    state: str
    words: str


def weighing(
    resin_g: float, target_phr: float, hardener_g: float | None = None, tolerance_pct: float | None = None
) -> Weighing:
    """What the scale should show for the hardener, and how far off it is.

    Parameters
    ----------
    resin_g
        Resin weighed, g.
    target_phr
        Hardener per hundred of resin by mass.
    hardener_g
        Hardener on the scale, g; None before it is weighed.
    tolerance_pct
        How far the hardener may miss, % of it; the usual one of an epoxy if None.

    Returns
    -------
    Weighing, with `.words` for showing.

    Raises
    ------
    InputError
        If a value is out of range.

    Source: phr is grams of hardener per 100 g of resin; the tolerance is the data sheet's, else common practice.

    >>> weighing(288.4, 28, 88.1, 3).words
    '88.1 g is 9.1% too much (3% is tolerated): with 26.2 g more resin it is right.'
    """
    resin = number("resin_g", resin_g, 0.001, 100_000, "g")
    phr = number("target_phr", target_phr, 0.01, 1000)
    tolerance = RATIO_TOLERANCE_PCT if tolerance_pct is None else number("tolerance_pct", tolerance_pct, 0.01, 100, "%")
    wanted = resin * phr / 100
    low, high = wanted * (1 - tolerance / 100), wanted * (1 + tolerance / 100)
    if not hardener_g:
        words = f"Hardener wanted: {wanted:.1f} g ({low:.1f} to {high:.1f} g is within {tolerance:g}%)."
        return Weighing(wanted, low, high, None, tolerance, "wanted", words)
    grams = number("hardener_g", hardener_g, 0, 100_000, "g")
    error = 100 * (grams / wanted - 1)
    miss = f"{grams:g} g is {abs(error):.1f}% too {'much' if error > 0 else 'little'}"
    if abs(error) <= tolerance:
        exact = f"{grams:g} g is what is wanted" if abs(error) < 0.05 else miss
        return Weighing(
            wanted, low, high, error, tolerance, "inside", f"{exact}: inside the {tolerance:g}% that is tolerated."
        )
    outside = f"{miss} ({tolerance:g}% is tolerated)"
    if error < 0:
        words = f"{outside}: add {wanted - grams:.1f} g of hardener, up to {wanted:.1f} g."
        return Weighing(wanted, low, high, error, tolerance, "too little", words)
    words = f"{outside}: with {grams / phr * 100 - resin:.1f} g more resin it is right."
    return Weighing(wanted, low, high, error, tolerance, "too much", words)


@dataclass(frozen=True)
class WorkingTime:
    """When the mix was begun, when three quarters of its pot life are over, and when all of it is. `words` says the basis."""

    begun: datetime
    warn: datetime
    end: datetime
    words: str


def working_time(
    begun: datetime, material: str | Material | Properties, mass_g: float | None = None, mix_c: float | None = None
) -> WorkingTime:
    """Until when a mix can be poured.

    Parameters
    ----------
    begun
        When stirring began.
    material
        A family's name, a Material record, or properties.
    mass_g, mix_c
        Mass of the mix, g, and its temperature, C; 100 g and 25 C if not known.

    Raises
    ------
    InputError
        If the material has no pot life, or a value is out of range.

    Source: as `castlab.bench.mixing.plan_mix`.

    >>> time = working_time(datetime(2026, 8, 3, 9, 20), "slow clear epoxy", 370)
    >>> time.begun < time.warn < time.end
    True
    """
    mix = properties(material)
    mass = 100.0 if mass_g is None else number("mass_g", mass_g, 0.001, 1_000_000, "g")
    warmth = 25.0 if mix_c is None else number("mix_c", mix_c, -20, 120, "C")
    minutes, used = pot_life_of(mix, mass, warmth)
    end = begun + timedelta(minutes=minutes)
    basis = (
        f"{mass:.0f} g at {warmth:.3g} °C" if mass_g is not None else f"100 g at {warmth:.3g} °C (mass not known yet)"
    )
    typical = mix.typical_of(*used)
    guess = "; in part from values typical of the family" if typical else ""
    return WorkingTime(
        begun,
        begun + timedelta(minutes=WARN_AT * minutes),
        end,
        f"Pot life of {basis}: about {minutes:.0f} min, until {end:%H:%M}{guess}.",
    )
