"""The bodies a maker pours: a slab in a mold, a round bar, a cup of mix: each one row of cells for `heat`."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from castlab.bench.cure.heat import Air, Body, Region
from castlab.bench.cure.resin import Resin

CUP_HEIGHT_PER_DIAMETER = 0.8
CUP_WALL_M = 0.001
CUP_WALL_W_MK = 0.2
"""A thin plastic cup filled a little less deep than wide (common practice, no source)."""
WALL_CELLS = 10


@dataclass(frozen=True, kw_only=True)
class Wall:
    """The mold wall: thickness in mm, conductivity in W/m K, density in g/ml, specific heat in J/g K."""

    thickness_mm: float = 10.0
    conductivity_w_mk: float = 0.2
    density_g_ml: float = 1.15
    specific_heat_j_gk: float = 1.4

    def region(self, start_c: float) -> Region:
        """The wall as one region of the heat equation, at start_c throughout."""
        return Region(
            thickness_m=self.thickness_mm / 1000,
            cells=WALL_CELLS,
            conductivity_w_mk=self.conductivity_w_mk,
            capacity_j_m3k=self.specific_heat_j_gk * self.density_g_ml * 1e6,
            start_c=start_c,
        )


def poured(resin: Resin, thickness_m: float, start_c: float, cells: int) -> Region:
    """A fresh pour as a region."""
    return Region(
        thickness_m=thickness_m,
        cells=cells,
        conductivity_w_mk=resin.conductivity_w_mk,
        capacity_j_m3k=resin.capacity_j_m3k,
        reaction_j_m3=resin.reaction_j_m3,
        reacts=True,
        start_c=start_c,
    )


def slab(
    resin: Resin, depth_mm: float, *, wall: Wall, air: Air, start_c: float, mold_c: float, covered: bool, cells: int
) -> Body:
    """A wide flat pour: from the air below through the mold wall, the resin, and a lid if it is covered, to the air."""
    regions = [poured(resin, depth_mm / 1000, start_c, cells)]
    if wall.thickness_mm > 0:
        regions.insert(0, wall.region(mold_c))
        if covered:
            regions.append(wall.region(mold_c))
    return Body(regions, air, resin.rate)


def cylinder(
    resin: Resin, diameter_mm: float, *, wall: Wall, air: Air, start_c: float, mold_c: float, cells: int
) -> Body:
    """A long round bar: from the axis through the resin and the mold wall to the air."""
    regions = [poured(resin, diameter_mm / 2000, start_c, cells)]
    if wall.thickness_mm > 0:
        regions.append(wall.region(mold_c))
    return Body(regions, replace(air, inner_w_m2k=0.0), resin.rate, "cylinder")


def cup_size_mm(resin: Resin, mass_g: float) -> tuple[float, float]:
    """Diameter and height of the mix in its cup, mm."""
    volume_mm3 = mass_g / resin.density_g_ml * 1000
    diameter = (4 * volume_mm3 / (math.pi * CUP_HEIGHT_PER_DIAMETER)) ** (1 / 3)
    return diameter, CUP_HEIGHT_PER_DIAMETER * diameter


def cup(resin: Resin, mass_g: float, *, air: Air, start_c: float, cells: int) -> Body:
    """A cup of mix: the radius is resolved, top and bottom are a loss to the air.

    That loss passes the film and the mix itself. A uniformly heated slab of height H resists with H/6k from its mean
    temperature and H/4k from its middle (steady heating, any heat transfer textbook); the value between, H/5k, comes
    closest to a two-dimensional solution: pot life within some 5 %, peak within some 15 % of its rise (see the tests).
    """
    diameter, height = (x / 1000 for x in cup_size_mm(resin, mass_g))
    through_wall = 1 / (1 / air.outer_w_m2k + CUP_WALL_M / CUP_WALL_W_MK)
    inside = height / (5 * resin.conductivity_w_mk)
    ends = 1 / (inside + 1 / air.outer_w_m2k) + 1 / (inside + 1 / through_wall)
    air = replace(air, inner_w_m2k=0.0, outer_w_m2k=through_wall, side_w_m3k=ends / height)
    return Body([poured(resin, diameter / 2, start_c, cells)], air, resin.rate, "cylinder")
