"""Volumes to fill: from a mesh file, from a simple shape, less the inserts, and the silicone that a mold of it takes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.analysis.words import about
from castlab.bench import shapes
from castlab.bench.inputs import Array, Number, number, numbers, plain
from castlab.bench.materials import Properties, properties
from castlab.bench.meshes import MESH_FILES, Solid, read
from castlab.errors import InputError
from castlab.given import nearest
from castlab.results import Result

if TYPE_CHECKING:
    from trimesh import Trimesh

    from castlab.records.models import Material

__all__ = ["MoldPlan", "Solid", "displaced_ml", "fill_ml", "mold_plan", "read", "volume_ml"]

THIN_WALL_MM = 5.0
"""Silicone walls below this bulge and tear. Common practice, no source."""


def volume_ml(what: str | Path | Trimesh | Solid, unit: str | None = None, **dimensions_mm: Number) -> float | Array:
    """Volume of a mesh file, or of a simple shape by its dimensions, ml.

    Arguments
    ---------
    what
        An STL, 3MF, OBJ or PLY file; or the name of a shape: box, cylinder, tube, cone, frustum, tray, sphere, cap,
        ellipsoid, torus.
    unit
        Unit of the numbers in the file (see `read`).
    **dimensions_mm
        The shape's dimensions, mm, one number or arrays to sweep (see `shapes`).

    Returns
    -------
    ml, a float, or an array where a dimension was swept.

    Raises
    ------
    InputError
        As `read` does; or if the shape is not known, or a dimension is missing or not positive.

    >>> volume_ml("box", length_mm=40, width_mm=30, height_mm=[10, 20])
    array([12., 24.])
    """
    if isinstance(what, str) and (dimensions_mm or what.strip().lower() in shapes.SHAPES):
        if unit is not None:
            raise InputError("a shape's dimensions are in mm; unit is for mesh files")
        return shapes.by_name(what, dimensions_mm)
    if isinstance(what, str) and not Path(what).suffix:
        raise InputError(
            f"{what!r} is neither a mesh file ({', '.join(MESH_FILES)}) nor a shape{nearest(what, shapes.SHAPES)}"
        )
    return read(what, unit).volume_ml


def displaced_ml(shown_g: Number, liquid_g_ml: float = 0.998) -> float | Array:
    """Volume of an insert by weighing: hang it under water in a tared cup, touching nothing, and read the scale.

    Arguments
    ---------
    shown_g
        What the tared scale shows while the insert hangs in the liquid, g; one number or an array.
    liquid_g_ml
        Density of the liquid, g/ml; default water at 20 C (handbook).

    Returns
    -------
    ml.

    Raises
    ------
    InputError
        If a value is out of range.

    Source: Archimedes. Test electrical parts dry and unpowered afterwards, or hang them in a sealed bag.

    >>> displaced_ml(4.99)
    5.0
    """
    shown = numbers("shown_g", shown_g, 0, 1e6, "g")
    return plain(np.asarray(shown / number("liquid_g_ml", liquid_g_ml, 0.3, 15, "g/ml")))


def fill_ml(
    cavity: float | str | Path | Trimesh | Solid,
    inserts: Iterable[float | str | Path | Trimesh | Solid] = (),
    unit: str | None = None,
) -> float:
    """What a cavity takes once its inserts are in it, ml.

    Arguments
    ---------
    cavity, inserts
        Volumes in ml, or mesh files; every insert lies wholly in the resin.
    unit
        Unit of the mesh files (see `read`).

    Returns
    -------
    ml of resin.

    Raises
    ------
    InputError
        If a volume is negative or a mesh cannot be used, or the inserts are larger than the cavity.

    >>> fill_ml(120.0, [14.5, 2.0])
    103.5
    """
    whole = _any_ml("cavity", cavity, unit)
    displaced = sum(_any_ml("insert", part, unit) for part in inserts)
    if displaced >= whole:
        raise InputError(f"the inserts displace {displaced:.4g} ml of a cavity of {whole:.4g} ml; check their units")
    return whole - displaced


@dataclass(frozen=True, kw_only=True)
class MoldPlan(Result):
    """Silicone for a mold of one master, as a block and as a fitted jacket of the same wall."""

    style: Literal["block", "fitted"]
    silicone_ml: float | Array
    """Silicone for the style that was asked for; an array where the wall was swept."""
    silicone_g: float | Array
    master_ml: float
    """What the master displaces."""
    molds: pd.DataFrame
    """wall_mm, box_length_mm, box_width_mm, box_height_mm, block_ml, fitted_ml, saved_ml, saved_pct, silicone_ml,
    silicone_g: one row a wall."""
    typical: tuple[str, ...]

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Silicone": self.molds.round(1)}


def mold_plan(
    path: str | Path | Trimesh | Solid,
    wall_mm: Number,
    style: Literal["block", "fitted"] = "block",
    *,
    silicone: str | Material | Properties = "platinum-cure silicone",
    on_plate: bool = True,
    unit: str | None = None,
) -> MoldPlan:
    """Silicone for a block mold and for a fitted one around a master, and what the fitted shape saves.

    Arguments
    ---------
    path
        The master: a mesh file, a `trimesh.Trimesh` or a `Solid`, its open face down.
    wall_mm
        Least thickness of silicone around and over the master, mm; one number or several to sweep.
    style
        "block": a box of silicone, turned about the vertical to the least area. "fitted": a skin of even wall that a
        rigid jacket holds.
    silicone
        Family, record or properties of the silicone, for its density.
    on_plate
        True: the master stands on a plate and the mold is open below. False: silicone on all sides.
    unit
        Unit of the mesh file (see `read`).

    Returns
    -------
    MoldPlan. Add waste and the cup's residue with `plan_mix(plan.silicone_ml, ...)`.

    Raises
    ------
    InputError
        If the mesh cannot be used, the wall is out of range or too thin for the master, or the style is not known.

    Source: the fitted volume is the volume within the wall's distance of the master, less the master (see `offsets`).

    >>> import trimesh
    >>> plan = mold_plan(trimesh.creation.box((40, 30, 20)), 10)
    >>> plan.silicone_ml
    66.0
    """
    if style not in ("block", "fitted"):
        raise InputError(f"style is {style!r}; accepted: block, fitted")
    walls = numbers("wall_mm", wall_mm, 0.5, 500, "mm")
    master = read(path, unit)
    kind = properties(silicone)
    density = kind["density_g_ml"]
    plan_mm = _footprint(master.mesh)
    rows = []
    for wall in np.atleast_1d(walls):
        box = (plan_mm[0] + 2 * wall, plan_mm[1] + 2 * wall, master.size_mm[2] + (1 if on_plate else 2) * wall)
        block = float(np.prod(box)) / shapes.MM3_PER_ML - master.volume_ml
        fitted = _fitted_ml(master, float(wall), on_plate)
        ml = block if style == "block" else fitted
        rows.append(
            {"wall_mm": wall, "box_length_mm": box[0], "box_width_mm": box[1], "box_height_mm": box[2]}
            | {"block_ml": block, "fitted_ml": fitted, "saved_ml": block - fitted}
            | {"saved_pct": 100 * (block - fitted) / block, "silicone_ml": ml, "silicone_g": ml * density}
        )
    table = pd.DataFrame(rows)
    swept = walls.ndim > 0
    typical = kind.sentence("density_g_ml")
    activities = kind.family.cautions if kind.family else ()
    return MoldPlan(
        verdict=_mold_verdict(table, style, master),
        cautions=(
            *master.cautions,
            *_mold_notes(walls, style),
            *([typical] if typical else []),
            *cautions.about(*activities),
        ),
        style=style,
        silicone_ml=table["silicone_ml"].to_numpy() if swept else float(table["silicone_ml"][0]),
        silicone_g=table["silicone_g"].to_numpy() if swept else float(table["silicone_g"][0]),
        master_ml=master.volume_ml,
        molds=table,
        typical=kind.typical_of("density_g_ml"),
    )


def _fitted_ml(master: Solid, wall_mm: float, on_plate: bool) -> float:
    from castlab.bench.offsets import offset_ml

    floor = float(master.mesh.bounds[0][2]) if on_plate else None
    return offset_ml(master.mesh, wall_mm, floor) - master.volume_ml


def _footprint(mesh: Trimesh) -> tuple[float, float]:
    """Sides of the smallest upright box around the master, turned about the vertical, mm."""
    from trimesh.bounds import oriented_bounds_2D

    a, b = sorted(float(x) for x in oriented_bounds_2D(mesh.vertices[:, :2])[1])
    return b, a


def _mold_verdict(table: pd.DataFrame, style: str, master: Solid) -> str:
    r = table.iloc[0]
    if len(table) > 1:
        return (
            f"{len(table)} walls from {about(table.wall_mm.min())} to {about(table.wall_mm.max())} mm: "
            f"{about(table.silicone_ml.min(), 3)} to {about(table.silicone_ml.max(), 3)} ml of silicone for the {style} "
            f"mold; a fitted one saves {about(table.saved_pct.min())} to {about(table.saved_pct.max())}% of the block."
        )
    text = (
        f"The {style} mold with a wall of {about(r.wall_mm)} mm takes {about(r.silicone_ml, 3)} ml "
        f"({about(r.silicone_g, 3)} g) of silicone around a master of {about(master.volume_ml, 3)} ml."
    )
    if style == "block":
        inside = " x ".join(about(x, 3) for x in (r.box_length_mm, r.box_width_mm, r.box_height_mm))
        return (
            f"{text} Box inside: {inside} mm. A fitted mold would save {about(r.saved_ml)} ml ({about(r.saved_pct)}%)."
        )
    return (
        f"{text} That is {about(r.saved_ml)} ml ({about(r.saved_pct)}%) less than a block, but it needs a rigid jacket."
    )


def _mold_notes(walls: Array, style: str) -> list[str]:
    notes = []
    if (walls < THIN_WALL_MM).any():
        notes.append(f"A silicone wall under {THIN_WALL_MM:g} mm bulges and tears early (common practice, no source).")
    if style == "fitted":
        notes.append("Undercuts of the outside may lock the skin in its jacket: fill them, or split the jacket.")
    return notes


def _any_ml(name: str, part: float | str | Path | Trimesh | Solid, unit: str | None) -> float:
    if isinstance(part, int | float | np.number):
        return number(f"{name} volume", part, 0, 1e7, "ml")
    return read(part, unit).volume_ml
