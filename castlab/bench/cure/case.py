"""One pour as it is set up: shape, size, temperatures, mold and air."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from castlab.bench.cure import bodies
from castlab.bench.cure.bodies import Wall
from castlab.bench.cure.heat import Air, Body, March
from castlab.bench.cure.resin import Array, Resin

Shape = Literal["slab", "cylinder", "cup"]


@dataclass(frozen=True)
class Case:
    """What one run needs to know of the pour. `size` is mm (of a slab its depth, of a cylinder its diameter) or, of a cup, g;
    temperatures are °C, `film` is W/m²K. `program` is the air over time (s, °C), None for air at `air_c` throughout; without
    `hours` the run ends when it is surely hard.
    """

    shape: Shape
    size: float
    start_c: float
    air_c: float
    mold_c: float | None
    wall: Wall
    covered: bool
    film: float
    program: tuple[tuple[float, ...], tuple[float, ...]] | None
    hours: float | None

    @property
    def air(self) -> Air:
        """The air around it over time."""
        times, temperatures = self.program or ((0.0,), (self.air_c,))
        return Air(inner_w_m2k=self.film, outer_w_m2k=self.film, times_s=times, temperatures_c=temperatures)

    def body(self, resin: Resin, cells: int) -> Body:
        """The pour cut into so many cells, the mold beside it."""
        mold = float(self.air.at(0.0)) if self.mold_c is None else self.mold_c
        if self.shape == "cup":
            return bodies.cup(resin, self.size, air=self.air, start_c=self.start_c, cells=cells)
        if self.shape == "cylinder":
            return bodies.cylinder(
                resin, self.size, wall=self.wall, air=self.air, start_c=self.start_c, mold_c=mold, cells=cells
            )
        return bodies.slab(
            resin,
            self.size,
            wall=self.wall,
            air=self.air,
            start_c=self.start_c,
            mold_c=mold,
            covered=self.covered,
            cells=cells,
        )

    def end_s(self, resin: Resin) -> float:
        """When the run ends, s: as asked, with the oven's program, or at twice the time to demold (8 h to 21 days)."""
        if self.hours is not None:
            return self.hours * 3600
        if self.program is not None:
            return self.program[0][-1] if len(self.program[0]) > 1 else 8 * 3600.0
        return resin.long_enough_s(self.air_c)

    def depth_mm(self, march: March) -> Array:
        """Position of the resin's cells as a maker measures it."""
        at = march.positions_m[march.reacting] * 1000
        if self.shape != "slab":
            return at
        below = self.wall.thickness_mm
        return np.asarray(self.size - (at - below))
