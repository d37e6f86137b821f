"""What a curing mix is: its rates, heat, viscosity and glass transition, as one frozen set of numbers.

Nothing here knows of shapes or of time; `heat` marches a body of such a mix, `datasheet` finds the numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from castlab.errors import InputError

Array = NDArray[np.float64]

GAS_CONSTANT_KJ = 8.314462618e-3
"""kJ/mol K (CODATA 2018, exact)."""
REFERENCE_C = 25.0
ZERO_C_K = 273.15

_POSITIVE = [
    "k2_per_s",
    "e_kj_mol",
    "m",
    "n",
    "conductivity_w_mk",
    "specific_heat_j_gk",
    "density_g_ml",
    "gel_conversion",
    "demold_conversion",
    "tg_lambda",
    "viscosity_pa_s",
    "thick_ratio",
]
_FRACTIONS = ("gel_conversion", "demold_conversion")


@dataclass(frozen=True, kw_only=True)
class Resin:
    """A curing mix. Rates are per second at 25 C; all other units are in the names.

    Arguments
    ---------
    k1_per_s, k2_per_s, m, n, e_kj_mol
        Kamal-Sourour rate (k1 + k2 a^m)(1 - a)^n with one activation energy for both constants.
    heat_j_g
        Heat of reaction of the mix, J/g.
    density_g_ml, specific_heat_j_gk, conductivity_w_mk
        Thermal values, taken as constant.
    gel_conversion, demold_conversion
        Conversion at which the mix gels, and at which it is hard enough to demold.
    tg_start_c, tg_full_c, tg_lambda
        Glass transition of the fresh mix and of the fully cured one, and the DiBenedetto ratio between them. Without
        tg_full_c the mix has none to speak of (silicone, gypsum) and never vitrifies.
    viscosity_pa_s, viscosity_e_kj_mol, viscosity_power, viscosity_slope
        Fresh viscosity at 25 C, its flow activation energy, and the two exponents of the rise towards gel.
    thick_ratio
        Viscosity over fresh viscosity at which the mix is too thick to pour (the end of the pot life).
    surface_tension_n_m
        Surface tension, N/m.
    typical
        Names of the values that are typical of the family, not the user's own.
    hazards
        What to warn of (keys of `castlab.cautions.CAUTIONS`).

    Raises
    ------
    InputError
        If a value is not finite, not positive where it must be, or a conversion is not between 0 and 1.

    Sources: Kamal and Sourour, Polym. Eng. Sci. 13 (1973) 59 (rate); Castro and Macosko, AIChE J. 28 (1982) 250
    (viscosity); DiBenedetto's relation in the form of Pascault and Williams, J. Polym. Sci. B 28 (1990) 85 (Tg);
    Chern and Poehlein, Polym. Eng. Sci. 27 (1987) 788 (slowing by vitrification). All cited from memory.

    >>> mix = Resin(name="mix", k1_per_s=2e-6, k2_per_s=4e-5, heat_j_g=400.0)
    >>> round(mix.adiabatic_rise_c)
    222
    """

    name: str
    k1_per_s: float
    k2_per_s: float
    e_kj_mol: float = 55.0
    m: float = 1.0
    n: float = 1.5
    heat_j_g: float = 400.0
    density_g_ml: float = 1.1
    specific_heat_j_gk: float = 1.8
    conductivity_w_mk: float = 0.2
    gel_conversion: float = 0.6
    demold_conversion: float = 0.8
    tg_start_c: float = -30.0
    tg_full_c: float | None = 60.0
    tg_lambda: float = 0.45
    viscosity_pa_s: float = 0.6
    viscosity_e_kj_mol: float = 50.0
    viscosity_power: float = 2.2
    viscosity_slope: float = 1.0
    thick_ratio: float = 4.0
    surface_tension_n_m: float = 0.04
    typical: tuple[str, ...] = ()
    hazards: tuple[str, ...] = ("exotherm",)

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if f.name in {"name", "typical", "hazards"} or (f.name == "tg_full_c" and value is None):
                continue
            if not isinstance(value, (int, float)) or not math.isfinite(value):
                raise InputError(f"{f.name} of {self.name!r} is {value!r}; accepted: a finite number")
            if f.name in _POSITIVE and value <= 0:
                raise InputError(f"{f.name} of {self.name!r} is {value:g}; accepted: more than 0")
            if f.name in {"k1_per_s", "heat_j_g"} and value < 0:
                raise InputError(f"{f.name} of {self.name!r} is {value:g}; accepted: 0 or more")
            if f.name in _FRACTIONS and value >= 1:
                raise InputError(f"{f.name} of {self.name!r} is {value:g}; accepted: between 0 and 1")
        if self.thick_ratio <= 1:
            raise InputError(f"thick_ratio of {self.name!r} is {self.thick_ratio:g}; accepted: more than 1")
        if self.tg_full_c is not None and self.tg_full_c <= self.tg_start_c:
            raise InputError(
                f"tg_full_c of {self.name!r} is {self.tg_full_c:g}, not above tg_start_c {self.tg_start_c:g}; "
                "accepted: a glass transition that rises with cure"
            )

    @property
    def adiabatic_rise_c(self) -> float:
        """How far a mass that loses no heat would warm, C: heat of reaction over specific heat."""
        return self.heat_j_g / self.specific_heat_j_gk

    @property
    def reaction_j_m3(self) -> float:
        """Heat of the whole reaction, J/m3."""
        return self.heat_j_g * self.density_g_ml * 1e6

    @property
    def capacity_j_m3k(self) -> float:
        """Heat capacity, J/(m3 K)."""
        return self.specific_heat_j_gk * self.density_g_ml * 1e6

    def speedup(self, temperature_c: float | Array) -> Array:
        """How much faster the reaction runs than at 25 C (Arrhenius)."""
        return np.exp(self.e_kj_mol / GAS_CONSTANT_KJ * _inverse_below_reference(temperature_c))

    def rate(self, conversion: Array, temperature_c: Array) -> Array:
        """Rate of conversion, 1/s."""
        left = np.maximum(1.0 - conversion, 0.0)
        done = np.maximum(conversion, 0.0)
        catalysed = done if self.m == 1.0 else done**self.m
        chemical = (self.k1_per_s + self.k2_per_s * catalysed) * left**self.n * self.speedup(temperature_c)
        if self.tg_full_c is None:
            return chemical
        stalls_at = self.conversion_at_tg(temperature_c + _VITRIFICATION_C)
        return chemical * expit(_VITRIFICATION_SHARPNESS * (stalls_at - conversion))

    def conversion_at_tg(self, tg_c: float | Array) -> Array:
        """Conversion at which the glass transition reaches `tg_c` (above 1 if it never does)."""
        if self.tg_full_c is None:
            return np.full(np.shape(tg_c), np.inf)
        y = np.maximum((tg_c - self.tg_start_c) / (self.tg_full_c - self.tg_start_c), 0.0)
        return y / (self.tg_lambda + (1.0 - self.tg_lambda) * y)

    def tg_c(self, conversion: float | Array) -> Array:
        """Glass transition at a conversion, C (DiBenedetto); NaN where the mix has none."""
        if self.tg_full_c is None:
            return np.full(np.shape(conversion), np.nan)
        a = np.asarray(conversion, dtype=float)
        return self.tg_start_c + (self.tg_full_c - self.tg_start_c) * self.tg_lambda * a / (
            1.0 - (1.0 - self.tg_lambda) * a
        )

    def viscosity(self, conversion: float | Array, temperature_c: float | Array) -> Array:
        """Viscosity, Pa s; infinite from the gel point on."""
        a = np.asarray(conversion, dtype=float)
        fresh = self.viscosity_pa_s * np.exp(
            -self.viscosity_e_kj_mol / GAS_CONSTANT_KJ * _inverse_below_reference(temperature_c)
        )
        fluid = a < self.gel_conversion
        left = np.where(fluid, self.gel_conversion - a, 1.0)
        rise = (self.gel_conversion / left) ** (self.viscosity_power + self.viscosity_slope * a)
        return np.where(fluid, fresh * rise, np.inf)

    @property
    def thick_conversion(self) -> float:
        """Conversion at which cure alone has made the mix `thick_ratio` times as viscous: the end of its pot life."""
        grown = np.linspace(0.0, self.gel_conversion, 2001)[:-1]
        rise = self.viscosity(grown, REFERENCE_C) / self.viscosity_pa_s
        return float(np.interp(np.log(self.thick_ratio), np.log(rise), grown))

    def isothermal_s(self, conversion: float, temperature_c: float) -> float:
        """Time to reach a conversion at a constant temperature, s; infinite where it is never reached.

        Gauss-Legendre over u = ln(k1/k2 + a), in which the autocatalytic rate is smooth.
        """
        floor = max(self.k1_per_s / self.k2_per_s, 1e-12)
        low, high = math.log(floor), math.log(floor + conversion)
        if high <= low:
            return 0.0
        u = low + (high - low) * (_NODES + 1) / 2
        grown = np.exp(u)
        rate = self.rate(grown - floor, np.full_like(u, temperature_c))
        with np.errstate(divide="ignore"):
            return float((high - low) / 2 * np.sum(_WEIGHTS * grown / rate))

    def long_enough_s(self, temperature_c: float) -> float:
        """How long a run must last to show the demold time in air of this temperature, s: twice that, 8 h to 21 days."""
        return min(max(2 * self.isothermal_s(self.demold_conversion, temperature_c), 8 * 3600.0), 21 * 86400.0)


_VITRIFICATION_SHARPNESS = 50.0
_VITRIFICATION_C = 10.0
"""The reaction is halved where Tg stands 10 C above the temperature, and nearly stops within a few percent more
conversion (sharpness: published range 20 to 60, from memory; common practice for room-temperature amines: cure stalls
with Tg 10 to 25 C above the room)."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)


def _inverse_below_reference(temperature_c: float | Array) -> float | Array:
    return 1.0 / (REFERENCE_C + ZERO_C_K) - 1.0 / (temperature_c + ZERO_C_K)
