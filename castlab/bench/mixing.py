"""How much of each part to weigh into how many cups, and whether the scale, the cup and the pot life allow it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.analysis.words import about
from castlab.bench.inputs import Array, Number, number, numbers, rows, whole_numbers
from castlab.bench.materials import Properties, properties
from castlab.errors import InputError
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material

STIR_HEADROOM = 1.25
"""Cup over mix for stirring without spilling when nothing foams. Common practice, no source."""
POT_LIFE_MASS_G = 100.0
"""The mass for which data sheets give a pot life."""
MOST_CUPS = 200
_GAS_KJ = 8.314462618e-3


@dataclass(frozen=True, kw_only=True)
class MixPlan(Result):
    """What to weigh, in how many cups, and what the scale does to the ratio."""

    weigh: pd.DataFrame
    """volume_ml, molds, waste_pct, part, g_per_cup (as the scale shows it), ml_per_cup, total_g, worst_low_pct,
    worst_high_pct (ratio to the first part against the target): one row a part of each case."""
    cups: pd.DataFrame
    """volume_ml, molds, waste_pct, total_g, cups, cup_g, cup_mix_ml, cup_ml (least size of cup), pot_life_min (at that
    mass), working_min, why (what asked for more than one cup), ratio_worst_pct, tolerance_pct, ratio_ok, fits,
    scale_needed_g: one row a case."""
    typical: tuple[str, ...]
    """Names of the values that are typical of the family rather than the user's."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Weigh": self.weigh.round(3), "Cups": self.cups.round(2)}


@dataclass(frozen=True)
class _Recipe:
    names: tuple[str, ...]
    shares: Array
    """Mass fractions."""
    densities: Array

    @property
    def density_g_ml(self) -> float:
        return float(1 / np.sum(self.shares / self.densities))


@dataclass(frozen=True)
class _Limits:
    pot_life_min: float
    mass_power: float
    fixed_min: float
    pour_min: float
    cup_g: float
    cup_mix_ml: float

    def pot_life(self, mass_g: float) -> float:
        return _of_mass(self.pot_life_min, mass_g, self.mass_power)

    def working(self, molds: float) -> float:
        return self.fixed_min + self.pour_min * molds


def pot_life_of(mix: Properties, mass_g: float, mix_c: float) -> tuple[float, tuple[str, ...]]:
    """Pot life of a mass of mix at a temperature, min, and the names of the properties it rests on.

    >>> minutes, used = pot_life_of(properties("slow clear epoxy", pot_life_min=45), 100, 25)
    >>> minutes
    45.0
    """
    minutes, of_warmth = _pot_life_of_100_g(mix, mix_c)
    power, of_mass = _mass_power(mix)
    return _of_mass(minutes, mass_g, power), (*of_warmth, *of_mass)


def _pot_life_of_100_g(mix: Properties, mix_c: float) -> tuple[float, tuple[str, ...]]:
    if mix_c == 25:
        return mix["pot_life_min"], ("pot_life_min",)
    slower = math.exp(mix["e_kj_mol"] / _GAS_KJ * (1 / (mix_c + 273.15) - 1 / 298.15))
    return mix["pot_life_min"] * slower, ("pot_life_min", "e_kj_mol")


def _mass_power(mix: Properties) -> tuple[float, tuple[str, ...]]:
    """The power with which the pot life falls with the mass."""
    return (mix["pot_life_mass_power"], ("pot_life_mass_power",)) if "pot_life_mass_power" in mix else (0.0, ())


def _of_mass(pot_life_min: float, mass_g: float, power: float) -> float:
    return float(pot_life_min * (POT_LIFE_MASS_G / max(mass_g, POT_LIFE_MASS_G)) ** power)


def plan_mix(
    volume_ml: Number,
    material: str | Material | Properties,
    molds: Number = 1,
    waste_pct: Number = 5.0,
    cup_residue_g: float = 5.0,
    scale_resolution_g: float = 0.1,
    *,
    parts: Mapping[str, float] | None = None,
    by: Literal["mass", "volume"] = "mass",
    densities_g_ml: Mapping[str, float] | None = None,
    degas: bool = True,
    cup_ml: float | None = None,
    cup_limit_g: float | None = None,
    stir_min: float = 4.0,
    degas_min: float = 5.0,
    pour_min: float = 3.0,
    mix_c: float = 25.0,
) -> MixPlan:
    """Masses to weigh for a pour, the number and size of cups, and the error that the scale puts into the ratio.

    Arguments
    ---------
    volume_ml
        Volume to fill in one mold, ml (inserts taken off); one number or several to sweep.
    material
        A family's name, a Material record, or `materials.properties(...)` with values of your own.
    molds, waste_pct
        Number of molds, and what is lost besides the cup's residue, % of the volume poured; may be swept.
    cup_residue_g
        What stays in each cup, g.
    scale_resolution_g
        Smallest step of the scale, g.
    parts, by, densities_g_ml
        Ratio of any number of parts, {"resin": 100, "hardener": 28, "pigment": 1}, by mass or by volume, and the
        densities in g/ml of parts that the material does not give. Default: the material's own ratio by mass.
        The second part is the one whose tolerance counts.
    degas
        Whether the cup goes under vacuum and needs room for foam.
    cup_ml, cup_limit_g
        Largest cup at hand, ml, and most to mix in one cup because of heat, g; default for the latter: the material's.
    stir_min, degas_min, pour_min, mix_c
        Minutes to stir, to degas and to pour one mold, and the temperature of the mix, C.

    Returns
    -------
    MixPlan with `.weigh`, `.cups`, `.verdict`, `.typical`.

    Raises
    ------
    InputError
        If a value is out of range, the material or a density is not known, or no number of cups can work.

    Sources: the scale's worst case is half a step at the tare and half a step at the reading. Pot life falls with mass
    as (100 g / mass)^power and with temperature by the material's activation energy; foam, headroom and the limits of
    heat are common practice, no source. `cure.simulate` computes the heat instead.

    >>> plan = plan_mix(120, "slow clear epoxy", molds=4)
    >>> int(plan.cups["cups"][0]), list(plan.weigh["part"])
    (1, ['resin', 'hardener'])
    """
    case = rows(
        volume_ml=numbers("volume_ml", volume_ml, 1e-3, 1e6, "ml"),
        molds=whole_numbers("molds", molds, 1, 10_000),
        waste_pct=numbers("waste_pct", waste_pct, 0, 500, "%"),
    )
    step = number("scale_resolution_g", scale_resolution_g, 1e-5, 1000, "g")
    residue = number("cup_residue_g", cup_residue_g, 0, 10_000, "g")
    mix = properties(material)
    recipe, used = _recipe(mix, parts, by, densities_g_ml or {})
    limits, headroom, more_used = _limits(mix, degas, cup_ml, cup_limit_g, stir_min, degas_min, pour_min, mix_c)
    tolerance = mix["ratio_tolerance_pct"] if len(recipe.names) > 1 else math.inf
    used += (*more_used, *(["ratio_tolerance_pct"] if len(recipe.names) > 1 else []))

    weigh, cups = [], []
    for i in range(case["volume_ml"].size):
        key = {name: column[i] for name, column in case.items()} | {"molds": int(case["molds"][i])}
        net_g = key["volume_ml"] * key["molds"] * (1 + key["waste_pct"] / 100) * recipe.density_g_ml
        n, why = _number_of_cups(net_g, residue, key["molds"], recipe, limits)
        cup_g = net_g / n + residue
        exact = cup_g * recipe.shares
        shown = np.round(exact / step) * step
        low, high = _ratio_errors(shown, recipe.shares, step)
        worst = max(-low[1], high[1]) if len(exact) > 1 else 0.0
        ratio_ok = bool(worst <= tolerance)
        pot, work = limits.pot_life(cup_g), limits.working(math.ceil(key["molds"] / n))
        mix_ml = cup_g / recipe.density_g_ml
        cups.append(
            {**key, "total_g": cup_g * n, "cups": n, "cup_g": cup_g, "cup_mix_ml": mix_ml, "cup_ml": mix_ml * headroom}
            | {"pot_life_min": pot, "working_min": work, "why": why, "ratio_worst_pct": worst}
            | {"tolerance_pct": tolerance, "ratio_ok": ratio_ok, "fits": work <= pot}
            | {"scale_needed_g": _scale_needed(exact, tolerance)}
        )
        for name, grams, density, down, up in zip(recipe.names, shown, recipe.densities, low, high, strict=True):
            weigh.append(
                {**key, "part": name, "g_per_cup": grams, "ml_per_cup": grams / density, "total_g": grams * n}
                | {"worst_low_pct": down, "worst_high_pct": up}
            )
    table, portions = pd.DataFrame(cups), pd.DataFrame(weigh)
    activities = (*(mix.family.cautions if mix.family else ("exotherm",)), *(["vacuum"] if degas else []))
    typical = mix.sentence(*used)
    return MixPlan(
        verdict=_verdict(table, portions, recipe, step),
        cautions=(*_warnings(table, degas), *([typical] if typical else []), *cautions.about(*activities)),
        weigh=portions,
        cups=table,
        typical=mix.typical_of(*used),
    )


def _recipe(
    mix: Properties, parts: Mapping[str, float] | None, by: str, own: Mapping[str, float]
) -> tuple[_Recipe, tuple[str, ...]]:
    if by not in ("mass", "volume"):
        raise InputError(f"by is {by!r}; accepted: mass, volume")
    used: tuple[str, ...] = ()
    if parts is None:
        if by == "volume":
            raise InputError("by='volume' needs parts, such as {'resin': 2, 'hardener': 1}")
        names = mix.family.parts if mix.family else ("resin", "hardener")
        amounts = np.array([100.0, mix["target_phr"]])
        used = ("target_phr",)
    else:
        names = tuple(parts)
        if not names:
            raise InputError("parts is empty; accepted: at least one part, such as {'resin': 100, 'hardener': 28}")
        amounts = np.array([number(f"parts[{n!r}]", a, 1e-6, 1e9) for n, a in parts.items()])
    stray = sorted(set(own) - set(names))
    if stray:
        raise InputError(f"densities_g_ml names {', '.join(stray)}; accepted: the parts {', '.join(names)}")
    densities = []
    for place, name in enumerate(names):
        if name in own:
            densities.append(number(f"density of {name}", own[name], 0.05, 25, "g/ml"))
        elif place < 2:
            field = ("resin_g_ml", "hardener_g_ml")[place]
            densities.append(mix[field])
            used += (field,)
        else:
            raise InputError(f"the density of {name} is not known; give densities_g_ml={{{name!r}: …}} in g/ml")
    rho = np.array(densities)
    masses = amounts if by == "mass" else amounts * rho
    return _Recipe(names, masses / masses.sum(), rho), used


def _limits(
    mix: Properties,
    degas: bool,
    cup_ml: float | None,
    cup_limit_g: float | None,
    stir_min: float,
    degas_min: float,
    pour_min: float,
    mix_c: float,
) -> tuple[_Limits, float, tuple[str, ...]]:
    minutes, of_warmth = _pot_life_of_100_g(mix, number("mix_c", mix_c, -20, 120, "C"))
    used = list(of_warmth)
    headroom = STIR_HEADROOM
    if degas:
        headroom = max(mix.range("foam_factor")[2], STIR_HEADROOM)
        used.append("foam_factor")
    power, of_mass = _mass_power(mix)
    used += of_mass
    if cup_limit_g is not None:
        heaviest = number("cup_limit_g", cup_limit_g, 1e-3, 1e6, "g")
    elif "cup_limit_g" in mix:
        heaviest = mix["cup_limit_g"]
        used.append("cup_limit_g")
    else:
        heaviest = math.inf
    room = math.inf if cup_ml is None else number("cup_ml", cup_ml, 1e-3, 1e6, "ml") / headroom
    fixed = number("stir_min", stir_min, 0, 600, "min") + (
        number("degas_min", degas_min, 0, 600, "min") if degas else 0
    )
    limits = _Limits(
        pot_life_min=minutes,
        mass_power=power,
        fixed_min=fixed,
        pour_min=number("pour_min", pour_min, 0, 600, "min"),
        cup_g=heaviest,
        cup_mix_ml=room,
    )
    return limits, headroom, tuple(used)


def _number_of_cups(net_g: float, residue_g: float, molds: int, recipe: _Recipe, limits: _Limits) -> tuple[int, str]:
    """Fewest equal cups that each keep inside the cup, the limit of heat and the pot life; and what asked for them."""
    needs = {
        "cup size": _fewest(net_g, limits.cup_mix_ml * recipe.density_g_ml - residue_g, "cup_ml is"),
        "heat": _fewest(net_g, limits.cup_g - residue_g, "cup_limit_g is"),
        "pot life": _cups_for_pot_life(net_g, residue_g, molds, limits),
    }
    n = max(needs.values())
    if n > MOST_CUPS:
        raise InputError(f"{net_g:.0f} g would need {n} cups; accepted: at most {MOST_CUPS}; plan smaller pours")
    return n, ", ".join(reason for reason, k in needs.items() if k == n) if n > 1 else ""


def _fewest(net_g: float, room_g: float, name: str) -> int:
    if room_g <= 0:
        raise InputError(
            f"{name} smaller than what stays in the cup; accepted: a larger cup or a smaller cup_residue_g"
        )
    return 1 if math.isinf(room_g) else max(1, math.ceil(net_g / room_g - 1e-9))


def _cups_for_pot_life(net_g: float, residue_g: float, molds: int, limits: _Limits) -> int:
    for n in range(1, molds + 1):
        if limits.working(math.ceil(molds / n)) <= limits.pot_life(net_g / n + residue_g):
            return n
    return molds  # one mold a cup is still too slow; splitting a mold over cups would not help, the verdict says so


def _ratio_errors(shown: Array, shares: Array, step: float) -> tuple[Array, Array]:
    """Worst low and high error of each part's ratio to the first, %, with each mass within a step of what is shown."""
    target = shares / shares[0]
    with np.errstate(divide="ignore"):
        low = np.maximum(shown - step, 0) / (shown[0] + step) / target - 1
        high = (shown + step) / max(shown[0] - step, 0.0) / target - 1
    low[0] = high[0] = 0.0
    return 100 * low, 100 * high


def _scale_needed(exact: Array, tolerance_pct: float) -> float:
    """Coarsest scale step that keeps the second part inside the tolerance whatever the rounding, g."""
    if len(exact) < 2:
        return math.inf
    t = tolerance_pct / 100
    return float(t * exact[0] * exact[1] / (exact[0] + (1 + t) * exact[1]) / 1.5)


def _verdict(cups: pd.DataFrame, weigh: pd.DataFrame, recipe: _Recipe, step: float) -> str:
    if len(cups) > 1:
        return (
            f"{len(cups)} cases: {about(cups['total_g'].min(), 3)} to {about(cups['total_g'].max(), 3)} g in {cups['cups'].min()} to "
            f"{cups['cups'].max()} cups. The ratio keeps inside its tolerance in {int(cups['ratio_ok'].sum())}, the work "
            f"fits the pot life in {int(cups['fits'].sum())}."
        )
    c = cups.iloc[0]
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    each = ", ".join(f"{p} {g:.{decimals}f} g" for p, g in zip(weigh["part"], weigh["g_per_cup"], strict=True))
    text = f"Mix {about(c.total_g, 3)} g in one cup: {each}."
    if c.cups > 1:
        text = f"Mix {about(c.total_g, 3)} g in {c.cups} cups one after another, because of {c.why}: {each} in each."
    text += f" Each cup holds {about(c.cup_mix_ml)} ml of mix; take one of at least {about(c.cup_ml)} ml."
    if len(recipe.names) > 1:
        off = "without limit" if not math.isfinite(c.ratio_worst_pct) else f"by up to {about(c.ratio_worst_pct)}%"
        text += f" A scale that shows {step:g} g can put the share of {recipe.names[1]} off {off}: "
        text += (
            f"inside the {c.tolerance_pct:g}% that is tolerated."
            if c.ratio_ok
            else f"more than the {c.tolerance_pct:g}% that is tolerated. Use a scale of {about(c.scale_needed_g, 1)} g or finer, "
            "or mix more at once."
        )
    text += f" Work until the last mold is filled {about(c.working_min)} min, pot life of that mass about {about(c.pot_life_min)} min"
    return text + (
        ": it fits."
        if c.fits
        else ": it does not fit, even one mold at a time. Shorten the stirring or the degassing, cool the parts, or take a slower mix."
    )


def _warnings(cups: pd.DataFrame, degas: bool) -> list[str]:
    found = []
    if (cups["cups"] > cups["molds"]).any():
        found.append("More cups than molds: one mold is filled from several cups, so a layer line may show.")
    tight = cups["fits"] & (cups["working_min"] > 0.7 * cups["pot_life_min"])
    if tight.any():
        found.append(
            "The work takes more than 70% of the pot life: the last mold gets a mix that is already thickening."
        )
    if degas:
        found.append("Watch the foam: let in air when it nears the rim, whatever the size of the cup.")
    return found
