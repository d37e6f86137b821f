"""Material families and what a user's own values do to them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from castlab import Material, cautions
from castlab.bench import materials
from castlab.errors import InputError

ASKED = [
    "slow clear epoxy",
    "platinum-cure silicone",
    "tin-cure silicone",
    "clear polyurethane",
    "polyester",
    "gypsum",
    "cement",
]


@pytest.mark.parametrize("name", ASKED)
def test_every_family_has_its_values_with_range_unit_and_source(name):
    family = materials.family(name)
    needed = set(materials.LABELS) - {"density_g_ml", "price_per_kg", "viscosity_e_kj_mol"}
    needed -= {n for n in materials.LABELS if n.startswith("tg_")}
    if "exotherm" not in family.cautions:
        needed -= {"cup_limit_g", "peak_c"}
    assert needed <= set(family.values)
    for value in family.values.values():
        assert value.low <= value.typical <= value.high
        assert value.unit
        assert value.source


@pytest.mark.parametrize("name", materials.families())
def test_families_name_known_properties_and_known_cautions_only(name):
    family = materials.family(name)
    assert set(family.values) <= set(materials.LABELS)
    assert cautions.about(*family.cautions) or not family.cautions
    assert len(family.parts) == 2
    assert list(family.table()["name"]) == list(family.values)


def test_other_names_lead_to_the_same_family_and_are_never_shared():
    names = [n for f in materials.families() for n in (f, *materials.family(f).also)]
    assert len(names) == len(set(names))
    assert materials.family("  Addition   Silicone ").name == "platinum-cure silicone"
    assert materials.family_of("mortar") == "cement"


def test_a_records_values_win_and_the_rest_is_marked_typical():
    record = Material(name="clear pour", family="slow clear epoxy", target_phr=28, pot_life_min=60)
    mix = materials.properties(record)
    assert mix["target_phr"] == 28
    assert mix.range("pot_life_min") == (60, 60, 60)
    assert "target_phr" not in mix.typical
    assert "foam_factor" in mix.typical
    assert "density_g_ml" in mix.typical
    assert "pot life" not in mix.sentence("pot_life_min", "foam_factor")
    assert "foam" in mix.sentence("pot_life_min", "foam_factor")
    assert mix.sentence("pot_life_min") == ""
    assert set(mix.table().query("`from` == 'yours'")["name"]) == {"target_phr", "pot_life_min"}


def test_the_density_is_yours_once_ratio_and_both_densities_are():
    mix = materials.properties("slow clear epoxy", target_phr=28, resin_g_ml=1.12, hardener_g_ml=0.96)
    assert "density_g_ml" not in mix.typical
    assert mix["density_g_ml"] == pytest.approx(128 / (100 / 1.12 + 28 / 0.96))


@given(phr=st.floats(1, 200), a=st.floats(0.8, 3), b=st.floats(0.8, 3))
def test_the_density_of_a_mix_lies_between_those_of_its_parts(phr, a, b):
    density = materials.properties("polyester", target_phr=phr, resin_g_ml=a, hardener_g_ml=b)["density_g_ml"]
    assert min(a, b) - 1e-9 <= density <= max(a, b) + 1e-9


def test_a_record_without_a_family_has_only_its_own_values():
    mix = materials.properties(Material(name="unknown goo", target_phr=50))
    assert mix["target_phr"] == 50
    assert mix.typical == ()
    with pytest.raises(InputError, match=r"unknown goo has no pot life.*give pot_life_min"):
        mix["pot_life_min"]
    with pytest.raises(InputError, match="unknown goo has no family"):
        materials.family_of(Material(name="unknown goo"))


def test_the_price_is_always_left_to_the_user():
    for name in materials.families():
        assert "price_per_kg" not in materials.properties(name)
    assert materials.properties("polyester", price_per_kg=9)["price_per_kg"] == 9


@pytest.mark.parametrize("name", ["slow epxy", "clear epoxy", "slow clear epoxi"])
def test_an_unknown_family_is_answered_with_the_nearest_names(name):
    with pytest.raises(InputError, match=r"did you mean .*slow clear epoxy.*accepted"):
        materials.family(name)


@pytest.mark.parametrize(
    ("own", "message"),
    [
        ({"pot_lif_min": 3}, "did you mean pot_life_min"),
        ({"pot_life_min": -3}, "more than 0"),
        ({"heat_j_g": -1}, "0 or more"),
        ({"pot_life_min": "soon"}, "accepted: a number"),
        ({"pot_life_min": float("nan")}, "accepted: a number"),
        ({"pot_life_min": True}, "accepted: a number"),
    ],
)
def test_values_that_cannot_be_are_refused(own, message):
    with pytest.raises(InputError, match=message):
        materials.properties("polyester", **own)


@pytest.mark.parametrize("thing", [3, None, ["polyester"]])
def test_things_that_are_no_material_are_refused(thing):
    with pytest.raises(InputError):
        materials.properties(thing)
    with pytest.raises(InputError):
        materials.family(thing)


@pytest.mark.parametrize(
    ("name", "molar_mass", "mass_shares", "rest"),
    [("slow clear epoxy", 108.14, (0.0, 0.15), 350), ("polyester", 104.15, (0.35, 0.45), 2000)],
)
def test_shares_by_moles_follow_from_the_shares_by_mass_that_are_named(name, molar_mass, mass_shares, rest):
    volatile = materials.family(name).volatiles[0]
    moles = [w / molar_mass / (w / molar_mass + (1 - w) / rest) for w in mass_shares]
    assert [volatile.low, volatile.high] == pytest.approx(moles, abs=0.01)
