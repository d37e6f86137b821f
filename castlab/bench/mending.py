"""Mend a mesh until its volume can be believed, or say why it cannot. Only repairs that leave the shape alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from castlab.errors import InputError

if TYPE_CHECKING:
    from trimesh import Trimesh

WELD = 1e-5
"""Corners nearer to each other than this share of the size of the solid are one corner."""


def mend(mesh: Trimesh, name: str) -> tuple[Trimesh, list[str], list[str]]:
    """A closed mesh with its faces outward, what was done to get there, and what the user should know.

    Raises
    ------
    InputError
        If the surface still leaks, or encloses nothing.
    """
    import trimesh

    repairs: list[str] = []
    notes: list[str] = []
    if not mesh.is_watertight:
        mesh = _welded(mesh)
        if mesh.is_watertight:
            repairs.append("joined corners that did not quite meet")
    if not mesh.is_watertight:
        before = len(mesh.faces)
        trimesh.repair.fill_holes(mesh)
        if len(mesh.faces) > before:
            repairs.append(f"closed small holes with {len(mesh.faces) - before} faces")
    if not mesh.is_watertight:
        raise InputError(_leak(mesh, name))
    if not mesh.is_winding_consistent:
        trimesh.repair.fix_winding(mesh)
        if not mesh.is_winding_consistent:
            raise InputError(f"{name} has a surface without an inside; accepted: a closed solid")
        repairs.append("turned faces that pointed the wrong way")
    mesh = _bodies_outward(mesh, repairs, notes)
    if mesh.volume <= 1e-9 * np.prod(np.maximum(mesh.extents, 1e-9)):
        raise InputError(f"{name} encloses no volume; accepted: a closed solid")
    return mesh, repairs, notes


def _welded(mesh: Trimesh) -> Trimesh:
    import trimesh

    step = WELD * mesh.extents.max()
    joined = trimesh.Trimesh(np.round(mesh.vertices / step) * step, mesh.faces, process=True)
    joined.update_faces(joined.nondegenerate_faces() & joined.unique_faces())
    joined.remove_unreferenced_vertices()
    return joined if joined.is_watertight else mesh


def _leak(mesh: Trimesh, name: str) -> str:
    edges = mesh.edges_sorted
    unique, counts = np.unique(edges, axis=0, return_counts=True)
    open_edges, crowded = unique[counts == 1], unique[counts > 2]
    wrong = open_edges if len(open_edges) else crowded
    place = mesh.vertices[wrong].reshape(-1, 3).mean(axis=0) if len(wrong) else mesh.centroid
    where = ", ".join(f"{x:.3g}" for x in place)
    what = (
        f"{len(open_edges)} open edges" if len(open_edges) else f"{len(crowded)} edges where more than two faces meet"
    )
    return (
        f"{name} leaks: {what}, around ({where}) mm, so it has no volume. Close it in the program that made it "
        "(make it one solid) and export it again; accepted: a closed solid"
    )


def _bodies_outward(mesh: Trimesh, repairs: list[str], notes: list[str]) -> Trimesh:
    """Faces outward for every body, inward for hollows, and bodies that overlap united into one."""
    import trimesh

    bodies = mesh.split(only_watertight=False)
    if len(bodies) < 2:
        if mesh.volume < 0:
            mesh.invert()
            repairs.append("turned the solid inside out")
        return mesh
    if all(b.volume < 0 for b in bodies):
        for body in bodies:
            body.invert()
        repairs.append("turned the solids inside out")
    for body in bodies:
        if body.volume < 0 and not any(b.volume > 0 and _encloses(b, body) for b in bodies):
            body.invert()
            repairs.append("turned a body inside out")
    solids, hollows = [b for b in bodies if b.volume > 0], [b for b in bodies if b.volume < 0]
    if any(_boxes_meet(a, b) for i, a in enumerate(solids) for b in solids[:i]):
        apart = sum(b.volume for b in solids)
        united = trimesh.boolean.union(solids, engine="manifold")
        if united.volume < apart * (1 - 1e-6):
            repairs.append(f"united {len(solids)} bodies that overlap")
            notes.append("Bodies overlap in the file: what they share is counted once.")
            solids = [united]
    whole: Trimesh = trimesh.util.concatenate([*solids, *hollows])  # type: ignore[assignment]
    return whole


def _encloses(outer: Trimesh, inner: Trimesh) -> bool:
    return bool((outer.bounds[0] <= inner.bounds[0]).all() and (inner.bounds[1] <= outer.bounds[1]).all())


def _boxes_meet(a: Trimesh, b: Trimesh) -> bool:
    return bool((a.bounds[0] < b.bounds[1]).all() and (b.bounds[0] < a.bounds[1]).all())
