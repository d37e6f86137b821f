"""Size and speed of one bubble: Boyle with Laplace, Stokes, Hadamard and Rybczynski."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from castlab.bench.inputs import Array, Number, numbers, plain
from castlab.errors import InputError

GRAVITY_M_S2 = 9.80665
VISIBLE_MM = 0.1
"""Bubbles smaller than this are not noticed at arm's length (common practice, no source)."""
HIGHEST_HOLD_KPA = 1200.0
Surface = Literal["coated", "clean"]
STOKES = {"coated": 18.0, "clean": 12.0}


def growth(diameter_mm: Number, from_kpa: Number, to_kpa: Number, surface_tension_n_m: Number = 0.04) -> float | Array:
    """Diameter of a bubble after a change of pressure, mm: (p + 4 s/d) d^3 stays constant.

    Arguments
    ---------
    diameter_mm
        Diameter at the first pressure, mm. A number or an array, like all below.
    from_kpa, to_kpa
        Pressure in the mix around the bubble before and after, kPa absolute.
    surface_tension_n_m
        0.035 to 0.045 N/m for epoxy, about 0.021 for silicone.

    Returns
    -------
    Diameter in mm, a float or an array.

    Raises
    ------
    InputError
        If a value is out of range.

    Source: Boyle's law with the Laplace pressure of a sphere, isothermal; no gas enters or leaves.

    >>> round(growth(0.5, 101.325, 3.0, 0.04), 2)
    1.6
    """
    d = numbers("diameter_mm", diameter_mm, 1e-4, 100, "mm") / 1000
    before = numbers("from_kpa", from_kpa, 1e-5, HIGHEST_HOLD_KPA, "kPa absolute") * 1000
    after = numbers("to_kpa", to_kpa, 1e-5, HIGHEST_HOLD_KPA, "kPa absolute") * 1000
    tension = numbers("surface_tension_n_m", surface_tension_n_m, 0.0, 1.0, "N/m")
    gas = (before + 4 * tension / d) * d**3
    return plain(diameter_of(gas, after, tension) * 1000)


def diameter_of(gas: Array, pressure_pa: Array, tension: Array | float) -> Array:
    """Diameter, m, at which p d^3 + 4 s d^2 equals `gas` (Newton from above: convex, so it falls on the root)."""
    d = np.cbrt(gas / pressure_pa)
    for _ in range(60):
        step = (pressure_pa * d**3 + 4 * tension * d**2 - gas) / (3 * pressure_pa * d**2 + 8 * tension * d)
        d = d - step
        if np.all(np.abs(step) <= 1e-14 * d):
            break
    return np.asarray(d)


def rise_speed_mm_s(
    diameter_mm: Number, viscosity_pa_s: Number, density_kg_m3: Number, surface: Surface = "coated"
) -> float | Array:
    """Speed at which a bubble rises, mm/s.

    Arguments
    ---------
    diameter_mm, viscosity_pa_s, density_kg_m3
        Bubble, and viscosity and density of the mix. Numbers or arrays.
    surface
        "coated": a stiff surface, as surfactants, dust and partly cured skins make it (Stokes); the careful choice.
        "clean": a surface that slips (Hadamard and Rybczynski), half as fast again.

    Returns
    -------
    mm/s, a float or an array. Holds while the Reynolds number is below about 1; beyond it reads too fast.

    Raises
    ------
    InputError
        If a value is out of range.

    Source: Stokes 1851; Hadamard 1911 and Rybczynski 1911 for a gas of negligible viscosity and density.

    >>> round(rise_speed_mm_s(0.5, 0.6, 1100), 3)
    0.25
    """
    checked_surface(surface)
    d = numbers("diameter_mm", diameter_mm, 1e-4, 100, "mm") / 1000
    viscosity = numbers("viscosity_pa_s", viscosity_pa_s, 1e-4, math.inf, "Pa s")
    density = numbers("density_kg_m3", density_kg_m3, 300, 5000, "kg/m3")
    return plain(np.asarray(density * GRAVITY_M_S2 * d**2 / (STOKES[surface] * viscosity) * 1000))


def checked_surface(surface: str) -> None:
    """Raises `InputError` unless it is "coated" or "clean"."""
    if surface not in STOKES:
        raise InputError(f"surface is {surface!r}; accepted: coated, clean")
