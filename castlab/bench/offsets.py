"""Volume of everything within a distance of a solid: the inside of a jacket that follows a master at a fixed wall.

Computed on a grid of distances to the surface, so that hollows, holes and neighbouring bodies merge as they would in
the shop. No files and no units here: a closed mesh in mm goes in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from castlab.errors import InputError

if TYPE_CHECKING:
    from trimesh import Trimesh

Array = NDArray[np.float64]

CELLS_PER_DISTANCE = 4.0
CELLS_ACROSS = 80.0
MOST_CELLS = 6_000_000
LEAST_CELLS_PER_DISTANCE = 1.6
"""Neighbouring grid points that both lie farther from the surface than the distance less a cell are then surely on the
same side of it."""
SURFACE_PIECES = 150_000


def offset_ml(mesh: Trimesh, distance_mm: float, floor_mm: float | None = None) -> float:
    """Volume within `distance_mm` of a closed solid, the solid included, ml.

    Arguments
    ---------
    mesh
        A closed `trimesh.Trimesh` in mm.
    distance_mm
        How far the offset reaches, mm.
    floor_mm
        Height of a plate on which the solid stands, mm; nothing below it counts. None: no plate.

    Returns
    -------
    ml. Within about 0.1 % of the Steiner formula for convex solids (see the tests).

    Raises
    ------
    InputError
        If the distance is so thin, against the size of the solid, that the grid would not resolve it.

    >>> import trimesh
    >>> round(offset_ml(trimesh.creation.box((20, 20, 20)), 5), 1)
    25.2
    """
    low, high = mesh.bounds[0] - distance_mm, mesh.bounds[1] + distance_mm
    if floor_mm is not None:
        low[2] = floor_mm
    size = high - low
    cell = min(distance_mm / CELLS_PER_DISTANCE, size.max() / CELLS_ACROSS)
    cell = max(cell, float((np.prod(size) / MOST_CELLS) ** (1 / 3)))
    if distance_mm < LEAST_CELLS_PER_DISTANCE * cell:
        raise InputError(
            f"a wall of {distance_mm:g} mm is too thin to follow a master of {mesh.extents.max():.3g} mm; "
            f"accepted: {LEAST_CELLS_PER_DISTANCE * cell:.2g} mm or more"
        )
    counts = np.ceil(size / cell).astype(int)
    axes = [start + cell * (np.arange(n) + 0.5) for start, n in zip(low, counts, strict=True)]
    distance = _distances(mesh, axes, distance_mm + 2 * cell, (distance_mm - 2 * cell, distance_mm + cell))
    filled = np.clip(0.5 + (distance_mm - distance) / cell, 0.0, 1.0)
    filled[_inside(mesh, axes, distance, distance > distance_mm - cell)] = 1.0
    return float(filled.sum(dtype=np.float64) * cell**3 / 1000)


def _distances(mesh: Trimesh, axes: list[Array], reach: float, exact: tuple[float, float]) -> NDArray[np.float32]:
    """Distance of each grid point to the surface, infinite beyond `reach`, exact within the band that counts."""
    import trimesh
    from scipy.spatial import cKDTree

    piece = max(reach / 8, float(np.sqrt(2 * mesh.area / SURFACE_PIECES)))
    spots, owner = _spots(mesh.triangles, piece)
    owners = mesh.triangles[owner]
    tree = cKDTree(spots, balanced_tree=False, compact_nodes=False)
    found = np.empty([len(a) for a in axes], dtype=np.float32)
    plane = np.stack(np.meshgrid(axes[1], axes[2], indexing="ij"), axis=-1).reshape(-1, 2)
    for i, x in enumerate(axes[0]):
        points = np.column_stack([np.full(len(plane), x), plane])
        near, index = tree.query(points, distance_upper_bound=reach + piece)
        band = (near > exact[0]) & (near < exact[1] + piece)
        closest = trimesh.triangles.closest_point(owners[index[band]], points[band])
        near[band] = np.linalg.norm(points[band] - closest, axis=1)
        found[i] = near.reshape(len(axes[1]), len(axes[2]))
    return found


def _spots(triangles: Array, spacing_mm: float) -> tuple[Array, NDArray[np.intp]]:
    """Points that cover the surface at about that spacing, and the triangle to which each belongs."""
    owner = np.arange(len(triangles))
    spots, owners = [], []
    while len(triangles):
        edges = np.linalg.norm(triangles - np.roll(triangles, -1, axis=1), axis=2)
        long = edges.max(axis=1) > spacing_mm
        spots.append(triangles[~long].mean(axis=1))
        owners.append(owner[~long])
        triangles, owner, start = triangles[long], owner[long], edges[long].argmax(axis=1)
        row = np.arange(len(triangles))
        a, b, c = (triangles[row, (start + k) % 3] for k in range(3))
        middle = (a + b) / 2
        triangles = np.concatenate([np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)])
        owner = np.concatenate([owner, owner])
    points = np.concatenate(spots)
    crowded = np.round(points / (spacing_mm / 3)).astype(np.int64)  # slender triangles give far too many
    _, kept = np.unique(crowded, axis=0, return_index=True)
    return points[kept], np.concatenate(owners)[kept]


def _inside(
    mesh: Trimesh, axes: list[Array], distance: NDArray[np.float32], far: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Which of the `far` points lie inside the solid: one winding number for each connected region of them."""
    from scipy import ndimage

    regions, count = ndimage.label(far)
    if count == 0:
        return np.zeros_like(far)
    deepest = ndimage.maximum_position(distance, regions, np.arange(1, count + 1))
    points = np.array([[axes[k][place[k]] for k in range(3)] for place in deepest])
    within = np.array([False, *(_winding(mesh.triangles, p) > 0.5 for p in points)])
    return np.asarray(within[regions])


def _winding(triangles: Array, point: Array) -> float:
    """How often the surface winds around a point: 1 inside, 0 outside.

    Source: solid angle of a triangle, Van Oosterom and Strackee, IEEE Trans. Biomed. Eng. 30 (1983) 125, from memory.
    """
    a, b, c = np.moveaxis(triangles - point, 1, 0)
    la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
    over = np.einsum("ij,ij->i", a, np.cross(b, c))
    under = la * lb * lc + np.sum(a * b, 1) * lc + np.sum(b * c, 1) * la + np.sum(c * a, 1) * lb
    return float(np.arctan2(over, under).sum() / (2 * np.pi))
