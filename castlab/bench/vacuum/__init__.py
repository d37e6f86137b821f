"""The vacuum over a mix: how fast the chamber pumps down, what limits it, and where the mix itself boils.

Pressures are absolute, in kPa. Bubbles in the mix live in `bubbles`; reading a gauge as typed lives in `units`.
"""

from castlab.bench.vacuum.boiling import BoilingMargin, boiling_margin, vapour_kpa
from castlab.bench.vacuum.limits import HIGHEST_BAROMETER_KPA, SEA_LEVEL_KPA
from castlab.bench.vacuum.pumping import PumpFit, fit_pump, pump_down_min
from castlab.units import standard_pressure_kpa

__all__ = [
    "HIGHEST_BAROMETER_KPA",
    "SEA_LEVEL_KPA",
    "BoilingMargin",
    "PumpFit",
    "boiling_margin",
    "fit_pump",
    "pump_down_min",
    "standard_pressure_kpa",
    "vapour_kpa",
]
