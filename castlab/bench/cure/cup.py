"""The cup of mix on the bench: pot life and peak temperature against the mass left in it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.bench.cure.bodies import cup_size_mm
from castlab.bench.cure.datasheet import DatasheetFit, mix_of
from castlab.bench.cure.fitting import in_cup
from castlab.bench.cure.resin import Resin
from castlab.bench.inputs import Number, numbers, rows
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material

HOT_CUP_C = 100.0
"""A plastic cup softens and the mix begins to fume (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class PotLife(Result):
    """How long a cup of mix stays pourable, and how hot it gets if it is left."""

    table: pd.DataFrame
    """mass_g, temperature_c, pot_life_min, low_min, high_min, peak_c, peak_low_c, peak_high_c, peak_after_min,
    diameter_mm, height_mm."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Pot life by mass": self.table}


def pot_life(
    material: str | Material | Resin | DatasheetFit, mass_g: Number = 100.0, temperature_c: Number = 25.0
) -> PotLife:
    """Pot life and peak temperature of a mass of mix left in its cup.

    Arguments
    ---------
    material
        A family name, a material record, a `from_datasheet` fit, or a `Resin`.
    mass_g
        Mass in the cup, g. A number or a list.
    temperature_c
        Temperature of mix and room, C. A number or a list.

    Returns
    -------
    PotLife

    Raises
    ------
    InputError
        If a value is out of range or the material unknown.

    Source: the heat balance of `simulate` for a plastic cup in still air; see `Resin` for the rate.

    >>> mix = Resin(name="mix", k1_per_s=2e-5, k2_per_s=5e-5)
    >>> life = pot_life(mix, [50, 500]).table["pot_life_min"]
    >>> bool(life[0] > life[1])
    True
    """
    cases = pd.DataFrame(
        rows(
            mass_g=numbers("mass_g", mass_g, 0.5, 20_000, "g"),
            temperature_c=numbers("temperature_c", temperature_c, -10, 120, "C"),
        )
    )
    fit = mix_of(material)
    lines = [_one(fit, case["mass_g"], case["temperature_c"]) for case in cases.to_dict("records")]
    table = pd.concat([cases, pd.DataFrame(lines)], axis=1)
    first, last = table.iloc[0], table.loc[table["peak_c"].idxmax()]
    text = (
        f"{first.mass_g:g} g of {fit.resin.name} at {first.temperature_c:g} °C stays pourable for {_span(first)} min."
    )
    if len(table) > 1 and last.name != first.name:
        text += f" {last.mass_g:g} g at {last.temperature_c:g} °C: {_span(last)} min."
    text += f" Left in the cup, {last.mass_g:g} g peaks at {last.peak_c:.0f} °C"
    text += f" ({last.peak_low_c:.0f} to {last.peak_high_c:.0f})." if fit.members else "."
    hot = table[["peak_c", "peak_high_c"]].max(axis=None)
    notes = [
        "The cup is taken as plastic, four fifths as deep as wide, in still air; a tray buys time, a bucket costs it."
    ]
    if hot > HOT_CUP_C:
        notes.insert(0, f"A cup left standing may reach {hot:.0f} °C: pour at once, spread what is left out thin.")
    notes += fit.typical_note
    return PotLife(verdict=text, cautions=(*notes, *cautions.about("exotherm", *fit.resin.hazards)), table=table)


def _span(row: pd.Series) -> str:
    return f"{row.pot_life_min:.0f}" + (
        f" ({row.low_min:.0f} to {row.high_min:.0f})" if row.low_min < row.high_min else ""
    )


def _one(fit: DatasheetFit, mass_g: float, temperature_c: float) -> dict[str, float]:
    def left(resin: Resin) -> tuple[float, float, float]:
        longest = resin.isothermal_s(resin.thick_conversion, temperature_c)
        life, peak, when = in_cup(resin, mass_g, temperature_c, max(3 * longest, 3600.0))
        return (longest if math.isinf(life) else life) / 60, peak, when / 60

    found = np.array([left(r) for r in (fit.resin, *fit.members)])
    diameter, height = cup_size_mm(fit.resin, mass_g)
    return {
        "pot_life_min": found[0, 0],
        "low_min": found[:, 0].min(),
        "high_min": found[:, 0].max(),
        "peak_c": found[0, 1],
        "peak_low_c": found[:, 1].min(),
        "peak_high_c": found[:, 1].max(),
        "peak_after_min": found[0, 2],
        "diameter_mm": diameter,
        "height_mm": height,
    }
