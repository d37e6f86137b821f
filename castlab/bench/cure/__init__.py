"""Heat and cure of a pour: temperature, conversion, viscosity and gel together, from a data sheet's figures.

`from_datasheet` gives a mix, `simulate` one pour, `pot_life` the cup, `layers` a deep pour in steps, `schedule` an oven
program; `phr` is the mix ratio from equivalent weights.
"""

from castlab.bench.cure.bodies import Wall
from castlab.bench.cure.cup import PotLife, pot_life
from castlab.bench.cure.datasheet import DatasheetFit, from_datasheet, mix_of
from castlab.bench.cure.layering import LayerPlan, layers
from castlab.bench.cure.oven import ScheduleCheck, schedule
from castlab.bench.cure.reading import CureResult
from castlab.bench.cure.resin import Resin
from castlab.bench.cure.simulation import CureSweep, simulate
from castlab.bench.stoichiometry import phr

__all__ = [
    "CureResult",
    "CureSweep",
    "DatasheetFit",
    "LayerPlan",
    "PotLife",
    "Resin",
    "ScheduleCheck",
    "Wall",
    "from_datasheet",
    "layers",
    "mix_of",
    "phr",
    "pot_life",
    "schedule",
    "simulate",
]
