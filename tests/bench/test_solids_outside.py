"""Volumes against formulas of solid geometry and of convex bodies, from outside the project.

- Solids with known volumes: textbook formulas, applied to meshes made by `trimesh` and to bodies that `manifold3d` made.
- Volume of the parallel body of a convex solid: Steiner's formula V + S r + M r^2 + 4/3 pi r^3, M the integral of mean
  curvature (for a polyhedron half the sum of edge length times exterior angle); textbook of integral geometry.
- Pappus's theorem for the torus, whose parallel body is a thicker torus.
- Offset of a body that is not convex: the exact Minkowski sum with a polyhedral ball by `manifold3d`, bracketed between
  inscribed and circumscribed balls.
"""

import numpy as np
import pytest

trimesh = pytest.importorskip("trimesh")
manifold3d = pytest.importorskip("manifold3d")

from castlab.bench import shapes, solids  # noqa: E402
from castlab.bench.offsets import offset_ml  # noqa: E402

WITHIN = 1e-4


def made(kind):
    if kind == "box":
        return trimesh.creation.box((40, 30, 10)), 40 * 30 * 10
    if kind == "cylinder":
        return trimesh.creation.cylinder(15, 40, sections=1024), np.pi * 15**2 * 40
    if kind == "cone":
        return trimesh.creation.cone(15, 40, sections=1024), np.pi * 15**2 * 40 / 3
    if kind == "sphere":
        return trimesh.creation.uv_sphere(15, count=(300, 300)), 4 / 3 * np.pi * 15**3
    if kind == "torus":
        return trimesh.creation.torus(20, 6, major_sections=440, minor_sections=440), 2 * np.pi**2 * 20 * 36
    if kind == "tube":
        return trimesh.creation.annulus(10, 15, 40, sections=1024), np.pi * (15**2 - 10**2) * 40
    quarter = manifold3d.Manifold.revolve(manifold3d.CrossSection([[[0, 0], [10, 0], [15, 40], [0, 40]]]), 1024)
    out = quarter.to_mesh()
    return trimesh.Trimesh(out.vert_properties[:, :3], out.tri_verts), np.pi * 40 / 3 * (10**2 + 10 * 15 + 15**2)


@pytest.mark.parametrize(
    ("kind", "suffix"),
    [(kind, "stl") for kind in ("box", "cylinder", "cone", "sphere", "torus", "tube", "frustum")]
    + [(kind, "3mf") for kind in ("box", "cylinder", "frustum")],
)
def test_mesh_volumes_are_within_a_hundredth_of_a_percent_of_the_formula(kind, suffix, tmp_path):
    mesh, mm3 = made(kind)
    path = tmp_path / f"part.{suffix}"
    mesh.export(path)
    assert solids.volume_ml(path) == pytest.approx(mm3 / 1000, rel=WITHIN)


@pytest.mark.parametrize(
    ("shape", "dimensions", "kind"),
    [
        ("box", {"length_mm": 40, "width_mm": 30, "height_mm": 10}, "box"),
        ("cylinder", {"diameter_mm": 30, "height_mm": 40}, "cylinder"),
        ("cone", {"diameter_mm": 30, "height_mm": 40}, "cone"),
        ("sphere", {"diameter_mm": 30}, "sphere"),
        ("torus", {"outer_mm": 52, "thickness_mm": 12}, "torus"),
        ("tube", {"outer_mm": 30, "inner_mm": 20, "height_mm": 40}, "tube"),
        ("frustum", {"top_mm": 30, "bottom_mm": 20, "height_mm": 40}, "frustum"),
    ],
)
def test_shapes_by_dimensions_agree_with_the_meshes_of_another_library(shape, dimensions, kind):
    assert solids.volume_ml(shape, **dimensions) == pytest.approx(made(kind)[0].volume / 1000, rel=WITHIN)


def test_caps_trays_and_ellipsoids_agree_with_cut_and_stretched_meshes():
    sphere = trimesh.creation.uv_sphere(25, count=(300, 300))
    top = trimesh.boolean.intersection([sphere, trimesh.creation.box(bounds=[[-30, -30, 15], [30, 30, 30]])])
    assert shapes.cap(base_mm=40, height_mm=10) == pytest.approx(top.volume / 1000, rel=WITHIN)
    tray = trimesh.convex.convex_hull(
        [[x * a, y * b, z] for a, b, z in [(20, 15, 10), (16, 12, 0)] for x in (-1, 1) for y in (-1, 1)]
    )
    assert shapes.tray(40, 30, 32, 24, 10) == pytest.approx(tray.volume / 1000)
    egg = trimesh.creation.uv_sphere(1, count=(300, 300)).apply_scale((20, 15, 10))
    assert shapes.ellipsoid(40, 30, 20) == pytest.approx(egg.volume / 1000, rel=WITHIN)


def test_the_prismatoid_of_a_tray_is_the_box_when_its_walls_are_upright():
    assert shapes.tray(40, 30, 40, 30, 10) == pytest.approx(shapes.box(40, 30, 10))


def steiner_ml(mesh, r):
    edges = mesh.vertices[mesh.face_adjacency_edges]
    curvature = 0.5 * np.sum(np.linalg.norm(edges[:, 0] - edges[:, 1], axis=1) * mesh.face_adjacency_angles)
    return (mesh.volume + mesh.area * r + curvature * r**2 + 4 / 3 * np.pi * r**3) / 1000


def turned_box():
    mesh = trimesh.creation.box((40, 30, 20))
    return mesh.apply_transform(trimesh.transformations.rotation_matrix(0.7, [1, 2, 3]))


@pytest.mark.parametrize("wall", [6, 20])
@pytest.mark.parametrize(
    "mesh",
    [
        trimesh.creation.box((40, 30, 20)),
        turned_box(),
        trimesh.creation.icosphere(3, 20),
        trimesh.creation.cylinder(15, 40, sections=64),
        trimesh.creation.box((100, 60, 4)),
    ],
    ids=["box", "turned box", "sphere", "cylinder", "plate"],
)
def test_the_fitted_volume_of_convex_solids_follows_steiner(mesh, wall):
    silicone = solids.mold_plan(mesh, wall, style="fitted", on_plate=False).silicone_ml
    assert silicone == pytest.approx(steiner_ml(mesh, wall) - mesh.volume / 1000, rel=2e-3)


def test_steiner_for_the_box_and_the_sphere_is_the_school_formula():
    a, b, c, r = 40, 30, 20, 8
    school = a * b * c + 2 * (a * b + b * c + c * a) * r + np.pi * (a + b + c) * r**2 + 4 / 3 * np.pi * r**3
    assert steiner_ml(trimesh.creation.box((a, b, c)), r) == pytest.approx(school / 1000)
    assert steiner_ml(trimesh.creation.icosphere(5, 20), r) == pytest.approx(4 / 3 * np.pi * 28**3 / 1000, rel=2e-3)


def test_a_box_on_a_plate_has_the_upper_half_of_steiner_and_a_flat_skirt():
    a, b, c, r = 40, 30, 20, 8
    skirt = 2 * (a + b) * c * r + np.pi * r**2 * c
    lid = a * b * r + np.pi / 2 * (a + b) * r**2 + 2 / 3 * np.pi * r**3
    silicone = solids.mold_plan(trimesh.creation.box((a, b, c)), r, style="fitted").silicone_ml
    assert silicone == pytest.approx((skirt + lid) / 1000, rel=2e-3)


def test_a_hemisphere_on_a_plate_is_wrapped_by_a_larger_hemisphere():
    dome = trimesh.boolean.intersection(
        [trimesh.creation.icosphere(4, 20), trimesh.creation.box(bounds=[[-30, -30, 0], [30, 30, 30]])]
    )
    silicone = solids.mold_plan(dome, 8, style="fitted").silicone_ml
    assert silicone == pytest.approx(2 / 3 * np.pi * (28**3 - 20**3) / 1000, rel=4e-3)


@pytest.mark.parametrize("wall", [4, 8])
def test_the_jacket_of_a_ring_is_a_thicker_ring(wall):
    ring = trimesh.creation.torus(20, 6, major_sections=128, minor_sections=64)
    assert offset_ml(ring, wall) == pytest.approx(2 * np.pi**2 * 20 * (6 + wall) ** 2 / 1000, rel=2e-3)


def test_a_hollow_wider_than_the_wall_stays_open_and_a_narrow_one_fills():
    outside, hollow = trimesh.creation.box((60, 60, 60)), trimesh.creation.box((40, 40, 40))
    hollow.invert()
    shell = trimesh.util.concatenate([outside, hollow])
    grown = steiner_ml(outside, 5) - 30**3 / 1000
    assert offset_ml(shell, 5) == pytest.approx(grown, rel=2e-3)
    assert offset_ml(shell, 21) == pytest.approx(steiner_ml(outside, 21), rel=2e-3)


def test_a_body_with_an_inner_corner_agrees_with_an_exact_minkowski_sum():
    corner = manifold3d.Manifold.cube((40, 40, 10)) + manifold3d.Manifold.cube((10, 40, 40))
    out = corner.to_mesh()
    mesh = trimesh.Trimesh(out.vert_properties[:, :3], out.tri_verts)
    ball = manifold3d.Manifold.sphere(6, 64)
    points = ball.to_mesh().vert_properties[:, :3]
    hull = trimesh.convex.convex_hull(points)
    inner = np.abs(np.einsum("ij,ij->i", hull.triangles[:, 0], hull.face_normals)).min()
    low = corner.minkowski_sum(ball).volume() / 1000
    high = corner.minkowski_sum(ball.scale([6 / inner] * 3)).volume() / 1000
    assert low * 0.999 < offset_ml(mesh, 6) < high * 1.001
    assert high / low < 1.01
