"""One default cure simulation against a straightforward explicit finite-difference run of equal accuracy.

Run it: python tests/benchmarks/bench_cure.py

Both solve the same pour (a slab on a silicone wall, both faces to the air) to the same end time on cells of the same size;
the explicit run (numpy, forward Euler) takes the largest step that is stable. Their errors are printed beside the times,
against a run on cells eight times as fine.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from castlab.bench import cure
from castlab.bench.cure import Resin, Wall
from castlab.bench.cure.case import Case
from castlab.bench.cure.simulation import CELLS

MIX = Resin(name="benchmark mix", k1_per_s=6e-6, k2_per_s=6e-5)
DEPTH_MM, FILM, AIR_C = 20.0, 8.0, 25.0
WALL = Wall()


def explicit(hours: float, cells: int) -> tuple[float, float]:
    """Peak temperature and time of gel throughout, by forward Euler."""
    dx = DEPTH_MM / 1000 / cells
    wall_cells = round(WALL.thickness_mm / 1000 / dx)
    n = wall_cells + cells
    conductivity = np.r_[np.full(wall_cells, WALL.conductivity_w_mk), np.full(cells, MIX.conductivity_w_mk)]
    wall_capacity = WALL.density_g_ml * WALL.specific_heat_j_gk * 1e6
    capacity = np.r_[np.full(wall_cells, wall_capacity), np.full(cells, MIX.capacity_j_m3k)]
    between = 2 * conductivity[1:] * conductivity[:-1] / (conductivity[1:] + conductivity[:-1]) / dx
    ends = [1 / (1 / FILM + dx / 2 / k) for k in (conductivity[0], conductivity[-1])]
    step = 0.49 * dx**2 * (capacity / conductivity).min()
    temperature, conversion = np.full(n, AIR_C), np.zeros(cells)
    peak, gel, clock = AIR_C, np.nan, 0.0
    while clock < hours * 3600:
        flow = between * np.diff(temperature)
        heat = np.empty(n)
        heat[0] = flow[0] + ends[0] * (AIR_C - temperature[0])
        heat[1:-1] = flow[1:] - flow[:-1]
        heat[-1] = ends[1] * (AIR_C - temperature[-1]) - flow[-1]
        rate = MIX.rate(conversion, temperature[wall_cells:])
        temperature = temperature + step * heat / (capacity * dx)
        temperature[wall_cells:] += step * MIX.reaction_j_m3 * rate / MIX.capacity_j_m3k
        conversion = conversion + step * rate
        clock += step
        peak = max(peak, temperature.max())
        if np.isnan(gel) and conversion.min() >= MIX.gel_conversion:
            gel = clock
    return peak, gel / 3600


def timed(work: Callable[[], tuple[float, float]], repeats: int) -> tuple[float, tuple[float, float]]:
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        found = work()
        best = min(best, time.perf_counter() - start)
    return best, found


def main() -> None:
    def default(cells: int = CELLS) -> tuple[float, float]:
        run = cure.simulate(MIX, DEPTH_MM, cells=cells)
        return run.peak_c, run.gel_last_h

    case = Case("slab", DEPTH_MM, AIR_C, AIR_C, None, WALL, False, FILM, None, None)
    hours = case.end_s(MIX) / 3600
    reference = default(8 * CELLS)
    print(f"{DEPTH_MM:g} mm slab, {hours:.1f} h of cure, reference peak {reference[0]:.3f} C, gel {reference[1]:.4f} h")
    ours_s, ours = timed(default, 7)
    plain_s, plain = timed(lambda: explicit(hours, CELLS), 2)
    for name, seconds, found in (("simulate", ours_s, ours), ("explicit", plain_s, plain)):
        print(
            f"{name:>9}: {seconds * 1000:9.1f} ms   peak {found[0]:.3f} C (off {found[0] - reference[0]:+.3f})   "
            f"gel {found[1]:.4f} h (off {found[1] - reference[1]:+.4f})"
        )
    print(f"ratio: the explicit run takes {plain_s / ours_s:.0f} times as long (wanted: more than 20)")
    spread_s, _ = timed(lambda: (cure.simulate("slow clear epoxy", DEPTH_MM).peak_c, 0.0), 3)
    print(
        f"with the spread over a family's kinetics (fitted once): {spread_s * 1000:.1f} ms, ratio {plain_s / spread_s:.0f}"
    )


if __name__ == "__main__":
    main()
