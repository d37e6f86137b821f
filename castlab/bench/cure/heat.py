"""Heat and reaction together in one space coordinate: the grid, the equations and their integration.

A body is a row of regions (resin, mold wall, an older layer) cut into cells; each cell balances what flows in, what is
lost to the air and what its reaction releases (finite volumes). SciPy's stiff solver marches the cells in time with a
banded Jacobian. What a resin is lives in `resin`; what a maker asks lives in `simulation` and `plans`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicHermiteSpline

from castlab.errors import FitError

Array = NDArray[np.float64]
Rate = Callable[[Array, Array], Array]
"""(conversion, temperature in C) -> rate of conversion, 1/s."""

POWER = {"slab": 0, "cylinder": 1, "sphere": 2}


@dataclass(frozen=True, kw_only=True)
class Region:
    """A stretch of one substance along the coordinate, with its start state."""

    thickness_m: float
    cells: int
    conductivity_w_mk: float
    capacity_j_m3k: float
    reaction_j_m3: float = 0.0
    """Heat a unit volume releases from conversion 0 to 1; 0 for what does not react."""
    reacts: bool = False
    start_c: float | Array = 25.0
    start_conversion: float | Array = 0.0


@dataclass(frozen=True, kw_only=True)
class Air:
    """The surroundings: film coefficients in W/m2 K at the inner and the outer end, and a temperature in time.

    A coefficient of 0 insulates (a plane of symmetry), infinity holds the surface at the air temperature.
    """

    inner_w_m2k: float
    outer_w_m2k: float
    times_s: tuple[float, ...] = (0.0,)
    temperatures_c: tuple[float, ...] = (25.0,)
    side_w_m3k: float = 0.0
    """Loss of each unit volume to the air across the coordinate (the top and bottom of a cup)."""

    def at(self, time_s: float | Array) -> Array | float:
        """Air temperature at a time, °C: a straight line between the times given, constant beyond them."""
        if len(self.times_s) == 1:
            return self.temperatures_c[0]
        return np.interp(time_s, self.times_s, self.temperatures_c)


@dataclass(frozen=True)
class March:
    """What the integration gave: states at the times the solver chose, and the balance of heat.

    Temperatures and conversions are arrays of shape (times, cells); heats are in J for a unit area of slab, a unit
    of (length times radian) of cylinder, a unit solid angle of sphere.
    """

    times_s: Array
    temperature_c: Array
    conversion: Array
    positions_m: Array
    volumes: Array
    reacting: NDArray[np.bool_]
    released_j: float
    stored_j: float
    lost_j: float
    _slope_c: Array = field(repr=False)
    _slope_conversion: Array = field(repr=False)

    @property
    def imbalance_pct(self) -> float:
        """Heat that went missing, in percent of the largest flow of heat."""
        scale = max(abs(self.released_j), abs(self.lost_j), abs(self.stored_j), 1e-300)
        return 100.0 * abs(self.released_j - self.stored_j - self.lost_j) / scale

    def resample(self, times_s: Array) -> tuple[Array, Array]:
        """Temperature and conversion at other times, by the cubic that also matches the solver's slopes."""
        temperature = CubicHermiteSpline(self.times_s, self.temperature_c, self._slope_c)(times_s)
        conversion = CubicHermiteSpline(self.times_s, self.conversion, self._slope_conversion)(times_s)
        return temperature, np.clip(conversion, 0.0, 1.0)


class Body:
    """Regions cut into cells, with the conductances between them. `march` integrates it in time."""

    def __init__(self, regions: Sequence[Region], air: Air, rate: Rate | None, shape: str = "slab") -> None:
        power = POWER[shape]
        widths = np.concatenate([np.full(r.cells, r.thickness_m / r.cells) for r in regions])
        faces = np.concatenate([[0.0], np.cumsum(widths)])
        areas = faces**power
        volumes = np.diff(faces ** (power + 1)) / (power + 1)

        def per_cell(name: str) -> Array:
            return np.concatenate([np.broadcast_to(getattr(r, name), r.cells).astype(float) for r in regions])

        half = widths / 2 / per_cell("conductivity_w_mk")
        self.air, self.rate, self.volumes = air, rate, volumes
        self.positions_m = (faces[1:] + faces[:-1]) / 2
        self.conductance = areas[1:-1] / (half[:-1] + half[1:])
        self.inner = _end(areas[0], half[0], air.inner_w_m2k)
        self.outer = _end(areas[-1], half[-1], air.outer_w_m2k)
        self.capacity = volumes * per_cell("capacity_j_m3k")
        self.reacting = per_cell("reacts").astype(bool)
        first = int(np.argmax(self.reacting))
        last = len(widths) - int(np.argmax(self.reacting[::-1]))
        self._live = slice(first, last) if self.reacting.any() else slice(0, 0)
        self.reaction = volumes * per_cell("reaction_j_m3")
        self.side = volumes * air.side_w_m3k * self.reacting
        self.start = np.empty(2 * len(widths))
        self.start[0::2] = per_cell("start_c")
        self.start[1::2] = per_cell("start_conversion")

    def slopes(self, time_s: float | Array, state: Array) -> Array:
        """Time derivative of the state; the last axis runs over cells as temperature, conversion, temperature, ..."""
        temperature = state[..., 0::2]
        surrounding = self.air.at(time_s)
        out = np.zeros_like(state)
        heat = out[..., 0::2]
        flow = self.conductance * (temperature[..., 1:] - temperature[..., :-1])
        heat[..., :-1] = flow
        heat[..., 1:] -= flow
        heat[..., 0] += self.inner * (surrounding - temperature[..., 0])
        heat[..., -1] += self.outer * (surrounding - temperature[..., -1])
        if self.air.side_w_m3k:
            heat += self.side * (np.asarray(surrounding)[..., None] - temperature)
        if self.rate is not None:
            live = self._live
            speed = self.rate(state[..., 1::2][..., live], temperature[..., live])
            out[..., 1::2][..., live] = speed
            heat[..., live] += self.reaction[live] * speed
        heat /= self.capacity
        return out

    def march(self, end_s: float, rtol: float = 1e-6, atol: float = 1e-6) -> March:
        """Integrate from 0 to `end_s` with LSODA (stiff, banded), restarting where the air temperature has a corner.

        Raises
        ------
        FitError
            If the solver gives up.
        """
        corners = [t for t in self.air.times_s if 0.0 < t < end_s]
        times, states, slopes, lost = [], [], [], 0.0
        state = self.start
        for start, stop in pairwise([0.0, *corners, end_s]):
            run = solve_ivp(self.slopes, (start, stop), state, method="LSODA", rtol=rtol, atol=atol, lband=2, uband=2)
            if not run.success:
                raise FitError(f"the heat balance could not be integrated past {run.t[-1] / 3600:.3g} h: {run.message}")
            state = run.y[:, -1]
            slope = self.slopes(run.t, run.y.T)
            lost += self._lost_j(run.t, run.y.T, slope)
            keep = slice(None) if stop == end_s else slice(0, -1)
            times.append(run.t[keep])
            states.append(run.y.T[keep])
            slopes.append(slope[keep])
        return self._collect(np.concatenate(times), np.concatenate(states), np.concatenate(slopes), lost)

    def _flow_w(self, temperature: Array, surrounding: Array) -> Array:
        over = temperature - surrounding[:, None]
        return np.asarray(self.inner * over[:, 0] + self.outer * over[:, -1] + (self.side * over).sum(axis=1))

    def _lost_j(self, times: Array, states: Array, slopes: Array) -> float:
        """Heat lost to the air: trapezoids with end slopes (fourth order), apart from the solver's own sums."""
        flow = self._flow_w(states[:, 0::2], np.broadcast_to(self.air.at(times), times.shape))
        warming = (self.air.at(times[-1]) - self.air.at(times[0])) / (times[-1] - times[0])
        change = self._flow_w(slopes[:, 0::2], np.full(times.shape, warming))
        steps = np.diff(times)
        return float(np.sum(steps * (flow[1:] + flow[:-1]) / 2 - steps**2 * np.diff(change) / 12))

    def _collect(self, times: Array, states: Array, slopes: Array, lost: float) -> March:
        temperature, conversion = states[:, 0::2], states[:, 1::2]
        return March(
            times_s=times,
            temperature_c=temperature,
            conversion=conversion,
            positions_m=self.positions_m,
            volumes=self.volumes,
            reacting=self.reacting,
            released_j=float(np.sum(self.reaction * (conversion[-1] - conversion[0]))),
            stored_j=float(np.sum(self.capacity * (temperature[-1] - temperature[0]))),
            lost_j=lost,
            _slope_c=slopes[:, 0::2],
            _slope_conversion=slopes[:, 1::2],
        )


def _end(area: float, half_resistance: float, film: float) -> float:
    if film == 0.0 or area == 0.0:
        return 0.0
    return float(area / (half_resistance + (0.0 if np.isinf(film) else 1.0 / film)))
