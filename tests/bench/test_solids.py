"""Meshes are read, mended or refused; shapes, inserts and molds add up."""

import numpy as np
import pytest

trimesh = pytest.importorskip("trimesh")

from castlab.bench import solids  # noqa: E402
from castlab.errors import InputError  # noqa: E402

FORMATS = ["stl", "3mf", "obj", "ply"]


def saved(mesh, tmp_path, name="part.stl"):
    path = tmp_path / name
    mesh.export(path)
    return path


def box(size=(40, 30, 10), at=(0, 0, 0)):
    made = trimesh.creation.box(size)
    made.apply_translation(at)
    return made


@pytest.mark.parametrize("kind", FORMATS)
def test_a_box_is_read_alike_from_every_format(kind, tmp_path):
    path = saved(box(), tmp_path, f"part.{kind}")
    assert solids.volume_ml(path) == pytest.approx(12.0, rel=1e-6)
    assert solids.volume_ml(str(path), unit="mm") == pytest.approx(12.0, rel=1e-6)


@pytest.mark.parametrize(("unit", "factor"), [("mm", 1), ("cm", 10), ("m", 1000), ("in", 25.4), ("ft", 304.8)])
def test_the_unit_that_is_given_is_used(unit, factor, tmp_path):
    path = saved(box(np.array([40, 30, 10]) / factor), tmp_path)
    assert solids.volume_ml(path, unit=unit) == pytest.approx(12.0, rel=1e-5)


@pytest.mark.parametrize(("factor", "guess"), [(1000, "in m"), (25.4, "in in or cm")])
def test_a_size_that_is_implausible_in_mm_asks_for_the_unit(factor, guess, tmp_path):
    path = saved(box(np.array([40, 30, 10]) / factor), tmp_path)
    with pytest.raises(InputError, match=rf"not a likely size.*{guess}.*unit="):
        solids.volume_ml(path)


def test_a_3mf_file_says_its_own_unit(tmp_path):
    path = saved(box(), tmp_path, "part.3mf")
    assert solids.read(path).cautions == ()
    assert "mm is assumed" in solids.read(saved(box(), tmp_path)).cautions[0]
    inches = box((2, 1, 0.5))
    inches.units = "inch"
    assert solids.volume_ml(inches) == pytest.approx(25.4**3 / 1000)


def test_a_cracked_and_partly_inverted_surface_is_mended(tmp_path):
    sphere = trimesh.creation.icosphere(3, 15)
    faces = sphere.faces.copy()
    faces[::7] = faces[::7, ::-1]
    holed = trimesh.Trimesh(sphere.vertices, np.delete(faces, 40, axis=0), process=False)
    solid = solids.read(saved(holed, tmp_path))
    assert solid.volume_ml == pytest.approx(sphere.volume / 1000, rel=1e-6)
    assert any("small holes" in r for r in solid.repairs)
    assert any("wrong way" in r for r in solid.repairs)
    assert "after mending" in solid.verdict


def test_corners_that_do_not_quite_meet_are_joined():
    sphere = trimesh.creation.icosphere(3, 15)
    loose = sphere.triangles.reshape(-1, 3) + np.random.default_rng(1).uniform(-2e-6, 2e-6, (3 * len(sphere.faces), 3))
    soup = trimesh.Trimesh(loose, np.arange(len(loose)).reshape(-1, 3), process=False)
    solid = solids.read(soup)
    assert solid.volume_ml == pytest.approx(sphere.volume / 1000, rel=1e-4)
    assert solid.repairs == ("joined corners that did not quite meet",)


def test_a_solid_turned_inside_out_is_turned_back(tmp_path):
    inverted = box()
    inverted.invert()
    solid = solids.read(saved(inverted, tmp_path))
    assert solid.volume_ml == pytest.approx(12.0)
    assert solid.repairs == ("turned the solid inside out",)


def test_bodies_that_overlap_are_counted_once(tmp_path):
    pair = trimesh.util.concatenate([box(), box(at=(20, 0, 0))])
    solid = solids.read(saved(pair, tmp_path))
    assert solid.volume_ml == pytest.approx(18.0, rel=1e-6)
    assert any("counted once" in c for c in solid.cautions)


def test_bodies_apart_add_and_hollows_are_taken_off(tmp_path):
    apart = trimesh.util.concatenate([box(), box(at=(60, 0, 0))])
    assert solids.volume_ml(saved(apart, tmp_path)) == pytest.approx(24.0)
    hole = box((20, 10, 5))
    hole.invert()
    assert solids.volume_ml(trimesh.util.concatenate([box(), hole])) == pytest.approx(11.0)
    stray = box(at=(60, 0, 0))
    stray.invert()
    assert solids.volume_ml(trimesh.util.concatenate([box(), stray])) == pytest.approx(24.0)


def test_a_leaky_mesh_is_refused_with_the_place_of_the_leak(tmp_path):
    sphere = trimesh.creation.icosphere(3, 15)
    sphere.update_faces(sphere.triangles_center[:, 2] < 5)
    with pytest.raises(InputError, match=r"part.stl leaks: \d+ open edges, around \(.*, .*, [45]\.\d+\) mm"):
        solids.volume_ml(saved(sphere, tmp_path))


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("part.stl", "hello", "part.stl"),
        ("part.stl", "", "part.stl"),
        ("part.3mf", "not a zip", "cannot be read as 3MF"),
        ("part.obj", "v 0 0 0\n", "part.obj"),
        ("part.ply", "ply\nnonsense", "part.ply"),
        ("part.step", "ISO-10303-21;", "accepted: .stl, .3mf, .obj, .ply"),
    ],
)
def test_files_that_hold_no_solid_are_refused(name, content, message, tmp_path):
    (tmp_path / name).write_text(content)
    with pytest.raises(InputError, match=message):
        solids.volume_ml(tmp_path / name)


def test_wrong_calls_get_one_clear_error(tmp_path):
    flat = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [0, 10, 0]], [[0, 1, 2]])
    broken = box()
    broken.vertices[0] = np.nan
    for call, message in [
        (lambda: solids.volume_ml(tmp_path / "none.stl"), "there is no file"),
        (lambda: solids.volume_ml(7), "is a mesh file, not 7"),
        (lambda: solids.volume_ml(saved(box(), tmp_path), unit="furlong"), "accepted: mm, cm, m, in, ft"),
        (lambda: solids.volume_ml("bocks", length_mm=3), "did you mean box"),
        (lambda: solids.volume_ml("bocks"), "neither a mesh file"),
        (lambda: solids.volume_ml("box", length_mm=3), "a box needs length_mm, width_mm, height_mm"),
        (lambda: solids.volume_ml("sphere", diameter_mm=-3), "diameter_mm is -3"),
        (lambda: solids.volume_ml("sphere", unit="cm", diameter_mm=3), "in mm"),
        (lambda: solids.volume_ml("tube", outer_mm=3, inner_mm=4, height_mm=1), "inner_mm is not smaller"),
        (lambda: solids.volume_ml("torus", outer_mm=3, thickness_mm=2), "a ring with a hole"),
        (lambda: solids.volume_ml("cylinder", diameter_mm=[1, 2], height_mm=[1, 2, 3]), "differ in length"),
        (lambda: solids.volume_ml(flat), "leaks"),
        (lambda: solids.volume_ml(broken), "not numbers"),
        (lambda: solids.mold_plan(box(), 10, style="shell"), "accepted: block, fitted"),
        (lambda: solids.mold_plan(box(), -2), "wall_mm is -2"),
        (lambda: solids.mold_plan(box((300, 300, 300)), 0.6, style="fitted"), "too thin to follow"),
        (lambda: solids.mold_plan(box(), 10, silicone="silly cone"), "not a material family"),
        (lambda: solids.fill_ml(10, [11]), "check their units"),
        (lambda: solids.fill_ml(-10), "cavity volume"),
        (lambda: solids.displaced_ml(-1), "shown_g"),
    ]:
        with pytest.raises(InputError, match=message):
            call()


def test_inserts_are_taken_off_the_cavity(tmp_path):
    path = saved(box((20, 10, 5)), tmp_path)
    assert solids.fill_ml(12.0, [path, 0.5]) == pytest.approx(10.5)
    assert solids.fill_ml(saved(box(), tmp_path, "cavity.stl")) == pytest.approx(12.0)
    assert solids.displaced_ml([0.998, 9.98]) == pytest.approx([1, 10])


def test_a_block_mold_is_its_box_less_the_master_however_the_master_is_turned():
    straight = solids.mold_plan(box(), 10)
    turned = box()
    turned.apply_transform(trimesh.transformations.rotation_matrix(0.6, [0, 0, 1]))
    assert straight.silicone_ml == pytest.approx(60 * 50 * 20 / 1000 - 12)
    assert solids.mold_plan(turned, 10).silicone_ml == pytest.approx(straight.silicone_ml)
    assert solids.mold_plan(box(), 10, on_plate=False).silicone_ml == pytest.approx(60 * 50 * 30 / 1000 - 12)
    assert straight.silicone_g == pytest.approx(straight.silicone_ml * 1.12)
    assert straight.typical == ("density_g_ml",)


def test_the_fitted_mold_never_takes_more_than_the_block_and_both_grow_with_the_wall():
    plan = solids.mold_plan(trimesh.creation.cone(20, 40), [8, 12, 20], style="fitted")
    assert plan.silicone_ml.shape == (3,)
    assert (plan.molds["saved_ml"] > 0).all()
    assert (np.diff(plan.molds["fitted_ml"]) > 0).all()
    assert (np.diff(plan.molds["block_ml"]) > 0).all()
    assert plan.silicone_ml == pytest.approx(plan.molds["fitted_ml"])
    assert any("jacket" in c for c in plan.cautions)
    assert "3 walls" in plan.verdict


def test_a_thin_wall_is_warned_about():
    assert any("bulges" in c for c in solids.mold_plan(box(), 3).cautions)
    assert not any("bulges" in c for c in solids.mold_plan(box(), 8).cautions)
