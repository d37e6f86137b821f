"""A mix as the bench knows it: kinetics that meet the data sheet's figures, typical values of the family for the rest.

The fitting itself is in `fitting`; the families are the files of `data/materials`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.analysis.words import about
from castlab.bench.cure.fitting import HEAT_REACH, OPEN_RANGES, Figures, in_cup, plausible
from castlab.bench.cure.resin import Resin
from castlab.bench.inputs import number
from castlab.bench.materials import LABELS, Properties, families, properties
from castlab.errors import FitError, InputError
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material

_TAKEN = [
    "heat_j_g",
    "specific_heat_j_gk",
    "conductivity_w_mk",
    "density_g_ml",
    "viscosity_pa_s",
    "e_kj_mol",
    "m",
    "n",
    "gel_conversion",
    "demold_conversion",
    "tg_start_c",
    "tg_full_c",
    "tg_lambda",
    "viscosity_e_kj_mol",
    "surface_tension_n_m",
]
"""Properties of a material that a `Resin` takes over by name."""
_DRAWN = [
    "heat_j_g",
    "specific_heat_j_gk",
    "conductivity_w_mk",
    "viscosity_pa_s",
    "e_kj_mol",
    "n",
    "gel_conversion",
    "demold_conversion",
    "tg_full_c",
]
"""Those of them whose usual range makes the spread, where the value is not the user's."""


@dataclass(frozen=True, kw_only=True)
class DatasheetFit(Result):
    """Kinetics that reproduce the data sheet, and the other sets that do so too."""

    resin: Resin
    members: tuple[Resin, ...]
    """Equally plausible sets; their spread is the uncertainty."""
    figures: pd.DataFrame
    """figure, given, modelled, low, high (over the members), unit, from ("yours" or "typical")."""
    parameters: pd.DataFrame
    """parameter, value, low, high, from ("fitted", "yours" or "typical")."""

    @property
    def typical_note(self) -> tuple[str, ...]:
        """The caution that names what is typical of the family rather than the user's; empty if nothing is."""
        if not self.resin.typical:
            return ()
        return ("Typical of the family, not your product's: " + ", ".join(self.resin.typical) + ".",)

    def tables(self) -> dict[str, pd.DataFrame]:
        if self.figures.empty:
            return {}
        return {"Data sheet and model": self.figures, "Kinetics": self.parameters}


def from_datasheet(
    pot_life_min: float | None = None,
    cure_h: float | None = None,
    peak_exotherm_c: float | None = None,
    *,
    family: str | Material | Properties = "slow clear epoxy",
    mass_g: float = 100.0,
    temperature_c: float = 25.0,
    name: str | None = None,
    **own: float,
) -> DatasheetFit:
    """Kinetics from the two or three figures of a data sheet, and how uncertain they are.

    Arguments
    ---------
    pot_life_min
        Time until `mass_g` of mix in a cup is too thick to pour, min.
    cure_h
        Hours until a thin part is hard enough to demold at `temperature_c`.
    peak_exotherm_c
        Highest temperature of that cup, C; it fixes the heat of reaction.
    family
        Family whose typical values fill in the rest, or a material record.
    mass_g, temperature_c
        Mass and temperature of the pot life test (and of the exotherm), g and C.
    name
        What to call the mix.
    **own
        Other known values by property name (`castlab.bench.materials.LABELS`), such as heat_j_g or tg_full_c.

    Returns
    -------
    DatasheetFit; give it to `simulate`, `layers`, `schedule` or `bubbles.clearing` as the material.

    Raises
    ------
    InputError
        If a value is out of range, or the family or a property unknown.
    FitError
        If no usual kinetics meet the figures together.

    Source: Kamal-Sourour kinetics (see `Resin`); the spread is over parameters that the figures leave open, drawn from
    their usual ranges (Latin hypercube, fixed seed).

    >>> fit = from_datasheet(pot_life_min=60, cure_h=24)
    >>> round(fit.figures.set_index("figure").loc["pot life", "modelled"])
    60
    """
    known = properties(family, **{**own, "pot_life_min": pot_life_min, "cure_h": cure_h, "peak_c": peak_exotherm_c})
    if known.family is None:
        raise InputError(
            f"{known.name} has no family to fill in what its data sheet leaves open; accepted: {', '.join(families())}"
        )
    # A typical peak belongs to the typical pot life and hours; beside a user's own figures it would contradict them.
    all_typical = {"pot_life_min", "cure_h", "peak_c"} <= set(known.typical)
    peak = known["peak_c"] if "peak_c" in known.own or all_typical else None
    given = Figures(
        pot_life_min=number("pot_life_min", known["pot_life_min"], 0.2, 1e4, "min"),
        cure_h=number("cure_h", known["cure_h"], 0.02, 2000, "h"),
        peak_c=None if peak is None else number("peak_exotherm_c", peak, 5, 400, "C"),
        mass_g=number("mass_g", mass_g, 1, 20_000, "g"),
        temperature_c=number("temperature_c", temperature_c, 0, 120, "C"),
    )
    if given.peak_c is not None and given.peak_c <= given.temperature_c:
        raise InputError(
            f"peak_exotherm_c is {given.peak_c:g} °C; accepted: above the test's {given.temperature_c:g} °C"
        )
    if given.cure_h * 60 <= given.pot_life_min:
        raise InputError(
            f"cure_h is {given.cure_h:g} h, not longer than the pot life of {given.pot_life_min:g} min; check the units"
        )
    if given.peak_c is not None:
        if "heat_j_g" in known.own:
            raise InputError(
                "heat_j_g and peak_exotherm_c are both given; accepted: one of them, the peak fixes the heat"
            )
        least = (given.peak_c - given.temperature_c) * known["specific_heat_j_gk"]
        if least > HEAT_REACH * known["heat_j_g"]:
            raise FitError(
                f"a peak of {given.peak_c:g} °C asks for at least {least:.0f} J/g of heat, where {known['heat_j_g']:g} J/g is "
                f"usual of {known.family.name}; check the figure and the family"
            )
    return _cached(known, given, name or known.name)


def mix_of(material: str | Material | Properties | Resin | DatasheetFit) -> DatasheetFit:
    """The kinetics behind whatever names a mix: a fit as it is, a `Resin` taken as exact, else `from_datasheet`.

    Raises
    ------
    InputError
        If it is none of these, or its family is unknown.
    """
    if isinstance(material, DatasheetFit):
        return material
    if isinstance(material, Resin):
        empty = pd.DataFrame()
        return DatasheetFit(
            verdict=f"{material.name}: one set of kinetics, taken as exact.",
            resin=material,
            members=(),
            figures=empty,
            parameters=empty,
        )
    return from_datasheet(family=material)


class _Key:
    """Hashable stand-in for `Properties`, so that a family is fitted once."""

    def __init__(self, known: Properties) -> None:
        self.known = known
        self.key = (known.name, known.family.name if known.family else None, tuple(sorted(known.own.items())))

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.key == other.key


def _cached(known: Properties, given: Figures, name: str) -> DatasheetFit:
    return _fit(_Key(known), given, name)


@lru_cache(maxsize=64)
def _fit(key: _Key, given: Figures, name: str) -> DatasheetFit:
    known = key.known
    values: dict[str, Any] = {n: known[n] for n in _TAKEN if n in known}
    if "tg_full_c" not in known:
        values = {n: v for n, v in values.items() if not n.startswith("tg_")} | {"tg_full_c": None}
    peak_given = given.peak_c is not None
    needed = ["pot_life_min", "cure_h", *(["peak_c"] if peak_given else []), *values]
    typical = known.typical_of(*(n for n in needed if not (n == "heat_j_g" and peak_given)))
    base = Resin(
        name=name,
        k1_per_s=0.0,
        k2_per_s=1.0,
        typical=tuple(LABELS[n] for n in typical),
        hazards=known.family.cautions if known.family else (),
        **values,
    )
    ranges = {n: known.range(n)[::2] for n in _DRAWN if n in typical} | OPEN_RANGES
    if "peak_c" in typical:
        ranges["_peak_c"] = known.range("peak_c")[::2]
    resin, members = plausible(base, ranges, given)
    figures, parameters = _figures(known, given, resin, members), _parameters(known, resin, members)
    return DatasheetFit(
        verdict=_verdict(name, figures, members),
        cautions=_cautions(known, resin, members, given),
        resin=resin,
        members=members,
        figures=figures,
        parameters=parameters,
    )


def _figures(known: Properties, given: Figures, resin: Resin, members: tuple[Resin, ...]) -> pd.DataFrame:
    def measured(r: Resin) -> tuple[float, float, float]:
        life, peak, _ = in_cup(r, given.mass_g, given.temperature_c, max(6 * given.pot_life_min * 60, 3600.0))
        return life / 60, r.isothermal_s(r.demold_conversion, given.temperature_c) / 3600, peak

    all_of_them = np.array([measured(r) for r in (resin, *members)])
    asked = (given.pot_life_min, given.cure_h, math.nan if given.peak_c is None else given.peak_c)
    origin = ["typical" if n in known.typical else "yours" for n in ("pot_life_min", "cure_h", "peak_c")]
    return pd.DataFrame(
        {
            "figure": ["pot life", "time to demold", "peak in the cup"],
            "given": asked,
            "modelled": all_of_them[0],
            "low": all_of_them.min(axis=0),
            "high": all_of_them.max(axis=0),
            "unit": ["min", "h", "°C"],
            "from": [*origin[:2], "not given" if given.peak_c is None else origin[2]],
        }
    )


def _parameters(known: Properties, resin: Resin, members: tuple[Resin, ...]) -> pd.DataFrame:
    names = (
        "k1_per_s",
        "k2_per_s",
        "m",
        "n",
        "e_kj_mol",
        "heat_j_g",
        "gel_conversion",
        "demold_conversion",
        "tg_full_c",
    )
    lines = []
    for n in names:
        if getattr(resin, n) is None:
            continue
        values = [getattr(r, n) for r in (resin, *members)]
        own = n in LABELS and n in known and n not in known.typical
        typical = n in LABELS and LABELS[n] in resin.typical
        lines.append((n, values[0], min(values), max(values), "yours" if own else "typical" if typical else "fitted"))
    return pd.DataFrame(lines, columns=["parameter", "value", "low", "high", "from"])


def _verdict(name: str, figures: pd.DataFrame, members: tuple[Resin, ...]) -> str:
    life, cure, peak = (figures.iloc[i] for i in range(3))
    text = (
        f"Kinetics found for {name}: pot life {about(life.modelled, 3)} min (given {life.given:g}), demold after "
        f"{about(cure.modelled, 3)} h (given {cure.given:g}), peak in the cup {peak.modelled:.0f} °C"
    )
    if math.isfinite(peak.given):
        return text + f" (given {peak.given:g}). {len(members)} other sets meet these figures about as well."
    return (
        text + f" ({peak.low:.0f} to {peak.high:.0f} over {len(members)} other sets that meet the figures): a measured "
        "peak would narrow it."
    )


def _cautions(known: Properties, resin: Resin, members: tuple[Resin, ...], given: Figures) -> tuple[str, ...]:
    notes = ["Two or three figures do not fix a rate law: use the range, and measure the peak of one small cup."]
    if resin.typical:
        notes.append("Typical of the family, not your product's: " + ", ".join(resin.typical) + ".")
    if len(members) < 4:
        notes.append("Few usual kinetics meet these figures: check mass, temperature and what the figures mean.")
    usual = known.family.values.get("heat_j_g") if known.family else None
    if given.peak_c is not None and usual is not None and not usual.low <= resin.heat_j_g <= usual.high:
        notes.append(
            f"The peak asks for {resin.heat_j_g:.0f} J/g of heat, outside the usual {usual.low:g} to {usual.high:g}: check it."
        )
    return (*notes, *cautions.about(*resin.hazards))
