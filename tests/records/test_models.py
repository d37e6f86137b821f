"""Records accept what a maker knows and say in one line what they cannot use."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from castlab import Batch, Material, Mold, Score, Trial
from castlab.errors import CastlabError, InputError
from castlab.records.models import KINDS


@pytest.mark.parametrize(
    ("model", "values", "field", "accepted"),
    [
        (Batch, {"humidity_pct": 130}, "humidity_pct", "0 to 100"),
        (Batch, {"resin_c": -300}, "resin_c", "-20 to 120"),
        (Batch, {"cup_degas_kpa": 150}, "cup_degas_kpa", "0.001 to 110"),
        (Batch, {"stir_min": -1}, "stir_min", "0 to 120"),
        (Batch, {"mixed_at": "nonsense"}, "mixed_at", "a date"),
        (Batch, {"resin_g": True}, "resin_g", "a number"),
        (Trial, {"batch_id": "14"}, "batch_id", "an id"),
        (Score, {"trial_id": "T-001.1", "clarity_grade": 5}, "clarity_grade", "0 to 4"),
        (Score, {"trial_id": "T-001.1", "bubbles": 2.5}, "bubbles", "a whole number"),
        (Score, {"trial_id": "T-001.1"}, "reading", "bubbles"),
        (Mold, {}, "name", "required"),
    ],
)
def test_a_value_that_cannot_be_used_is_named_with_what_is_accepted(model, values, field, accepted):
    with pytest.raises(InputError) as caught:
        model(**values)
    message = str(caught.value)
    assert field in message
    assert accepted in message
    assert "\n" not in message
    assert isinstance(caught.value, CastlabError)


def test_an_unknown_field_suggests_the_nearest_or_an_extra_factor():
    with pytest.raises(InputError, match="did you mean humidity_pct"):
        Batch(humidty_pct=40)
    with pytest.raises(InputError, match="extra="):
        Batch(moon_phase=0.5)


def test_blanks_of_every_kind_are_not_known():
    import pandas as pd

    batch = Batch(resin_c=float("nan"), notes="  ", resin_lot="", room_c=pd.NA, mixed_at=pd.NaT)
    assert batch.model_dump(exclude_defaults=True, exclude={"extra"}) == {}


def test_typed_quantities_become_bench_units():
    batch = Batch(resin_c="77 F", stir_min="3 min 30 s", cup_degas_kpa="25 mbar abs", resin_g="102,5")
    assert batch.resin_c == pytest.approx(25)
    assert batch.stir_min == pytest.approx(3.5)
    assert batch.cup_degas_kpa == pytest.approx(2.5)
    assert batch.resin_g == 102.5


def test_a_gauge_reading_in_a_record_is_asked_about():
    with pytest.raises(InputError, match="altitude_m"):
        Batch(cup_degas_kpa="27 inHg gauge")


def test_levels_written_differently_are_one_level():
    assert Trial(batch_id="B-001", pour_method="  Ladle ").pour_method == "ladle"
    assert Trial(batch_id="B-001", product="Pod  Block").product == "pod block"


@pytest.mark.parametrize("name", ["Spin", "resin_c", "bubbles", "mold_pull", "a-b", "", "x" * 41])
def test_an_extra_factor_needs_a_usable_name_of_its_own(name):
    with pytest.raises(InputError, match="extra factor"):
        Batch(extra={name: 1})


def test_a_record_cannot_be_edited_in_place():
    batch = Batch(resin_c=20)
    with pytest.raises(ValueError, match="frozen"):
        batch.resin_c = 21


def test_every_field_says_what_it_means():
    for model in KINDS.values():
        for name, field in model.model_fields.items():
            assert field.description, f"{model.__name__}.{name}"


def test_the_weighed_ratio_off_its_target_is_a_caution_and_kept():
    batch = Batch(resin_g=100, hardener_g=31, target_phr=28)
    assert len(batch.cautions) == 1
    assert "10.7% too much" in batch.cautions[0]
    assert Batch(resin_g=100, hardener_g=28.5, target_phr=28).cautions == ()


@given(
    st.dictionaries(
        st.from_regex(r"zz[a-z0-9_]{0,10}", fullmatch=True),
        st.one_of(
            st.booleans(), st.integers(-(10**9), 10**9), st.floats(allow_nan=False, allow_infinity=False), st.just("a")
        ),
        max_size=4,
    )
)
def test_extra_factors_keep_their_values_and_types(extra):
    kept = Batch(extra=extra).extra
    assert kept == extra
    assert [type(v) for v in kept.values()] == [type(v) for v in extra.values()]


def test_a_material_and_a_mold_show_a_card_with_what_is_known():
    html = Mold(name="block <1>", cavities=2)._repr_html_()
    assert "block &lt;1&gt;" in html
    assert "cavities" in html
    assert "made_on" not in html
    assert "Material" in Material(name="clear")._repr_html_()


def test_a_humidity_that_was_meant_as_a_fraction_gets_a_caution():
    assert "was a fraction meant, 45%?" in Batch(humidity_pct=0.45).cautions[0]
    assert Batch(humidity_pct=15).cautions == ()


def test_large_limits_are_written_out():
    with pytest.raises(InputError, match="0 to 1000000 "):
        Score(trial_id="T-001.1", bubbles=-1)
