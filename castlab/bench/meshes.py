"""Solids from mesh files: read, brought to mm, mended or refused. What is done with them lives in `solids`."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab.analysis.words import about
from castlab.bench.mending import mend
from castlab.bench.shapes import MM3_PER_ML
from castlab.errors import InputError
from castlab.results import Result

if TYPE_CHECKING:
    from trimesh import Trimesh

MESH_FILES = (".stl", ".3mf", ".obj", ".ply")
MM_PER_UNIT = {
    "mm": 1.0,
    "millimeter": 1.0,
    "cm": 10.0,
    "centimeter": 10.0,
    "m": 1000.0,
    "meter": 1000.0,
    "in": 25.4,
    "inch": 25.4,
    "ft": 304.8,
    "foot": 304.8,
    "micron": 0.001,
}
"""Units of length; the long names are those of the 3MF core specification."""
PLAUSIBLE_MM = (3.0, 1500.0)
"""Largest size of a master that is believed to be in mm when no unit is given."""


@dataclass(frozen=True, kw_only=True)
class Solid(Result):
    """A closed body read from a mesh, in mm."""

    volume_ml: float
    area_mm2: float
    size_mm: tuple[float, float, float]
    unit: str
    """The unit that the file's numbers were taken to be in."""
    repairs: tuple[str, ...]
    """What had to be mended before the volume could be believed."""
    mesh: Any = field(repr=False, compare=False)
    """The mended `trimesh.Trimesh`, in mm."""

    def tables(self) -> dict[str, pd.DataFrame]:
        length, width, height = self.size_mm
        row = {"volume_ml": self.volume_ml, "area_mm2": self.area_mm2}
        row |= {"length_mm": length, "width_mm": width, "height_mm": height}
        return {"Solid": pd.DataFrame([row]).round(2)}


def read(path: str | Path | Trimesh | Solid, unit: str | None = None) -> Solid:
    """Read a mesh, mend what can be mended safely, and refuse the rest.

    Arguments
    ---------
    path
        An STL, 3MF, OBJ or PLY file, or a `trimesh.Trimesh`.
    unit
        Unit of the numbers in the file: mm, cm, m, in, ft. Default: what a 3MF file says, else mm.

    Returns
    -------
    Solid, with `.volume_ml`, `.size_mm`, `.repairs` and the mesh in mm.

    Raises
    ------
    InputError
        If the file cannot be read, holds no surface, stays leaky after mending, or has an implausible size for mm.

    Source: the volume of a closed mesh is the sum of its signed tetrahedra (`trimesh`).

    >>> import trimesh
    >>> read(trimesh.creation.box((40, 30, 10))).volume_ml
    12.0
    """
    if isinstance(path, Solid):
        return path
    mesh, declared, name = _load(path)
    if unit is not None and unit not in MM_PER_UNIT:
        raise InputError(f"unit is {unit!r}; accepted: mm, cm, m, in, ft")
    if not np.isfinite(mesh.vertices).all():
        raise InputError(f"{name} holds corners that are not numbers; export it again")
    taken = unit or declared or "mm"
    mesh.apply_scale(MM_PER_UNIT[taken])
    mesh.units = "mm"
    largest = float(mesh.extents.max()) if len(mesh.faces) else 0.0
    if largest == 0:
        raise InputError(f"{name} holds no surface; accepted: a closed solid")
    if unit is None and not PLAUSIBLE_MM[0] <= largest <= PLAUSIBLE_MM[1]:
        guesses = [u for u in ("m", "in", "cm", "micron") if _believable(largest * MM_PER_UNIT[u])]
        hint = f"; in {' or '.join(guesses)} it would be a likely one" if guesses and taken == "mm" else ""
        raise InputError(
            f"{name} is {largest:.3g} mm at its largest if its numbers are in {taken}, not a likely size{hint}; "
            "say which with unit='mm', 'cm', 'm', 'in' or 'ft'"
        )
    mesh, repairs, notes = mend(mesh, name)
    size = tuple(float(x) for x in mesh.extents)
    volume = float(mesh.volume) / MM3_PER_ML
    text = f"{name}: {about(volume, 4)} ml, {' x '.join(about(x, 3) for x in size)} mm"
    if unit is None and declared is None:
        notes.append("The file does not say its unit; mm is assumed.")
    return Solid(
        verdict=f"{text}{', after mending: ' + '; '.join(repairs) if repairs else ''}.",
        cautions=tuple(notes),
        volume_ml=volume,
        area_mm2=float(mesh.area),
        size_mm=(size[0], size[1], size[2]),
        unit=taken,
        repairs=tuple(repairs),
        mesh=mesh,
    )


def _believable(largest_mm: float) -> bool:
    return 10 <= largest_mm <= 1000


def _load(path: str | Path | Trimesh) -> tuple[Trimesh, str | None, str]:
    """A copy of the mesh, the unit its file declares, and what to call it."""
    import trimesh

    if isinstance(path, trimesh.Trimesh):
        return path.copy(), path.units if path.units in MM_PER_UNIT else None, "the mesh"
    if not isinstance(path, str | Path):
        raise InputError(f"a solid is a mesh file, not {path!r}; accepted: {', '.join(MESH_FILES)}")
    file = Path(path)
    if file.suffix.lower() not in MESH_FILES:
        raise InputError(f"{file.name} is not a mesh file castlab reads; accepted: {', '.join(MESH_FILES)}")
    if not file.is_file():
        raise InputError(f"there is no file {file}; check the path")
    try:
        scene = trimesh.load_scene(str(file))
        mesh = scene.to_mesh() if scene.geometry else trimesh.Trimesh()
    except Exception as exc:  # each loader has its own errors; all mean that the file is damaged
        raise InputError(f"{file.name} cannot be read as {file.suffix[1:].upper()} ({exc}); export it again") from None
    if len(mesh.faces) == 0:
        raise InputError(f"{file.name} holds no surface; accepted: a closed solid as {', '.join(MESH_FILES)}")
    return mesh, scene.units if scene.units in MM_PER_UNIT else None, file.name
