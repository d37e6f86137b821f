"""How a mix thickens until it gels, and what that leaves for bubbles to rise: the time integral of 1/viscosity."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.integrate import cumulative_simpson

from castlab.bench.cure import bodies
from castlab.bench.cure.bodies import Wall
from castlab.bench.cure.fitting import STILL_AIR_W_M2K
from castlab.bench.cure.heat import Air
from castlab.bench.cure.resin import Array, Resin

CELLS = 16
POINTS = 600
LONGEST_S = 60 * 86400.0


@dataclass(frozen=True)
class Thickening:
    """A mix from fresh to gel: time, conversion and viscosity where it is furthest cured, and fluidity summed up."""

    time_s: Array
    conversion: Array
    viscosity_pa_s: Array
    fluidity_per_pa: Array
    gel_s: float
    """Infinite for what does not gel within `LONGEST_S`."""

    def fluidity(self, start_s: float | Array, end_s: float | Array) -> Array:
        """Integral of 1/viscosity between two times, 1/Pa; nothing is added after gel."""
        start, end = (np.interp(t, self.time_s, self.fluidity_per_pa) for t in (start_s, end_s))
        return np.asarray(end - start)

    def viscosity(self, time_s: float | Array) -> Array:
        """Viscosity at a time, Pa s; infinite after gel."""
        fluid = np.isfinite(self.viscosity_pa_s)
        log = np.interp(time_s, self.time_s[fluid], np.log(self.viscosity_pa_s[fluid]))
        return np.where(np.asarray(time_s) < self.gel_s, np.exp(log), np.inf)


@lru_cache(maxsize=512)
def thickening(resin: Resin, temperature_c: float, depth_mm: float | None = None) -> Thickening:
    """How the mix thickens: in a wide pour of that depth in a silicone mold, warmed by its own heat; or, without a
    depth, held at its temperature.

    Mix, mold and room start at `temperature_c`.
    """
    if depth_mm is None:
        return _held_at(resin, temperature_c)
    air = Air(inner_w_m2k=STILL_AIR_W_M2K, outer_w_m2k=STILL_AIR_W_M2K, temperatures_c=(temperature_c,))
    body = bodies.slab(
        resin, depth_mm, wall=Wall(), air=air, start_c=temperature_c, mold_c=temperature_c, covered=False, cells=CELLS
    )
    longest = min(1.02 * resin.isothermal_s(resin.gel_conversion, temperature_c), LONGEST_S)
    march = body.march(longest, 1e-4, 1e-4)
    most = np.maximum.accumulate(march.conversion[:, march.reacting].max(axis=1))
    gels = most[-1] >= resin.gel_conversion
    end = float(np.interp(resin.gel_conversion, most, march.times_s))
    times = end * (1 - np.linspace(1.0, 0.0, POINTS) ** 2)  # closer together towards gel
    temperature, conversion = (x[:, march.reacting] for x in march.resample(times))
    furthest = conversion.argmax(axis=1)
    rows = np.arange(POINTS)
    cured = np.minimum(conversion[rows, furthest], resin.gel_conversion)
    if gels:
        cured[-1] = resin.gel_conversion
    return _summed(resin, times, cured, temperature[rows, furthest], end if gels else np.inf)


def _held_at(resin: Resin, temperature_c: float) -> Thickening:
    cured = resin.gel_conversion * (1 - np.linspace(1.0, 0.0, POINTS) ** 2)
    times = np.array([resin.isothermal_s(a, temperature_c) for a in cured])
    return _summed(resin, times, cured, np.full(POINTS, temperature_c), float(times[-1]))


def _summed(resin: Resin, times: Array, conversion: Array, temperature: Array, gel_s: float) -> Thickening:
    viscosity = resin.viscosity(conversion, temperature)
    fluidity = cumulative_simpson(1 / viscosity, x=times, initial=0.0)
    return Thickening(times, conversion, viscosity, fluidity, gel_s)
