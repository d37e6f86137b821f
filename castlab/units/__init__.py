"""Quantities as people type them -> bench units; gauge against absolute pressure.

What can be read in two ways is asked about, never guessed: every function raises `castlab.errors.InputError` that says
what to add. `pint` is loaded on the first conversion.
"""

from castlab.units.amounts import area, density, duration, length, mass, percentage, temperature, viscosity, volume
from castlab.units.fields import bench_unit, to_bench
from castlab.units.gauges import is_gauge, pressure, standard_pressure_kpa
from castlab.units.ratios import Ratio, ratio

__all__ = [
    "Ratio",
    "area",
    "bench_unit",
    "density",
    "duration",
    "is_gauge",
    "length",
    "mass",
    "percentage",
    "pressure",
    "ratio",
    "standard_pressure_kpa",
    "temperature",
    "to_bench",
    "viscosity",
    "volume",
]
