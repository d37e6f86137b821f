"""What people type becomes bench units, and what it leaves open is asked about."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from castlab import labels, units
from castlab.errors import InputError
from castlab.units.fields import SUFFIXES


@pytest.mark.parametrize(
    ("typed", "kpa"),
    [
        ("25 mbar abs", 2.5),
        ("25 mbar absolute", 2.5),
        ("0,5 bar abs", 50),
        ("14.7 psia", 101.353),
        ("60 psig", 515.010),
        ("2 bar gauge", 301.325),
        ("2 barg", 301.325),
        ("-0.92 bar gauge", 9.325),
        ("\N{MINUS SIGN}0.92\N{NO-BREAK SPACE}bar gauge", 9.325),
        ("0.92 bar gauge vacuum", 9.325),
        ("29 inHg gauge", 3.120),
        ("-29 in Hg gauge", 3.120),
        ("29 inHg vac", 3.120),
        ("-600 mmHg gauge", 21.332),
        ("1 atm abs", 101.325),
    ],
)
def test_pressures_are_absolute_at_sea_level_unless_told_otherwise(typed, kpa):
    assert units.pressure(typed) == pytest.approx(kpa, abs=5e-4)


@pytest.mark.parametrize("typed", ["29 inHg", "0.92 bar", "-0.92 bar", "25 mbar", "600 torr", "14.7 psi", "3 kPa"])
def test_a_pressure_without_gauge_or_absolute_is_asked_about(typed):
    with pytest.raises(InputError, match="gauge or absolute"):
        units.pressure(typed)


def test_an_unsigned_mercury_column_gauge_is_asked_about():
    with pytest.raises(InputError, match="above or below the atmosphere"):
        units.pressure("600 torr gauge")
    assert units.pressure("600 torr gauge vacuum") == units.pressure("-600 torr gauge")


@pytest.mark.parametrize("typed", ["5 mmHg vacuum", "5 torr vacuum", "25 mbar vacuum", "3 kPa vacuum", "1 psi vacuum"])
def test_a_vacuum_of_so_much_is_asked_about_but_on_an_inch_dial(typed):
    with pytest.raises(InputError, match="what is left or what was taken away"):
        units.pressure(typed)


def test_a_vacuum_deeper_than_the_local_atmosphere_is_refused_with_both_numbers():
    with pytest.raises(InputError, match=r"98\.21 kPa below the air pressure.*only 89\.88 kPa at 1000 m"):
        units.pressure("29 inHg gauge", altitude_m=1000)
    with pytest.raises(InputError, match="barometer"):
        units.pressure("29 inHg gauge", altitude_m=300)
    assert units.pressure("29 inHg gauge", altitude_m=300, barometer_kpa=99.1) == pytest.approx(0.895, abs=1e-3)


@pytest.mark.parametrize(
    "typed", ["", "29", "abs", "30 cats abs", "1,500 mbar abs", "0 kPa abs", "-1 kPa abs", "1e999 kPa abs"]
)
def test_a_pressure_that_cannot_be_read_says_so(typed):
    with pytest.raises(InputError, match=re.escape(typed.split()[0]) if typed else "nothing was typed"):
        units.pressure(typed)


@pytest.mark.parametrize(("altitude_m"), [-501, 11_001, float("nan")])
def test_heights_outside_the_standard_are_refused(altitude_m):
    with pytest.raises(InputError, match="accepted: -500 to 11000 m"):
        units.standard_pressure_kpa(altitude_m)


@pytest.mark.parametrize(
    ("read", "typed", "value"),
    [
        (units.temperature, "72 F", 22.2222),
        (units.temperature, "22,5 °C", 22.5),
        (units.temperature, "-40 F", -40),
        (units.temperature, "295.15 K", 22),
        (units.duration, "1 h 30 min", 90),
        (units.duration, "1h30", 90),
        (units.duration, "1:30 h", 90),
        (units.duration, "1:30 min", 1.5),
        (units.duration, "1½ h", 90),
        (units.duration, "90 s", 1.5),
        (units.duration, "2 days", 2880),
        (units.duration, "3 min 30 s", 3.5),
        (units.mass, "3 oz", 85.0486),
        (units.mass, "1 lb 3 oz", 538.641),
        (units.mass, "1.5 kg", 1500),
        (units.volume, "0.25 l", 250),
        (units.volume, "8 us fl oz", 236.588),
        (units.length, '0.5 "', 12.7),
        (units.viscosity, "600 cP", 0.6),
        (units.viscosity, "0.6 Pa·s", 0.6),
        (units.density, "1100 kg/m3", 1.1),
    ],
)
def test_other_quantities_become_bench_units(read, typed, value):
    assert read(typed) == pytest.approx(value, rel=1e-5)


@pytest.mark.parametrize(
    ("read", "typed", "asks"),
    [
        (units.temperature, "72", "which scale"),
        (units.temperature, "72 degrees", "scale"),
        (units.temperature, "-300 C", "absolute zero"),
        (units.duration, "1:30", "minutes and seconds"),
        (units.duration, "90", "no unit"),
        (units.duration, "-3 min", "below zero"),
        (units.mass, "3 fl oz", "volume"),
        (units.mass, "1,500 g", "1500 or 1.500"),
        (units.mass, "-3 g", "below zero"),
        (units.mass, "10\N{SUPERSCRIPT TWO} g", "raised digit"),
        (units.volume, "3 oz", "fluid ounce"),
        (units.volume, "3 fl oz", "imperial"),
        (units.viscosity, "thick", "not a viscosity"),
    ],
)
def test_what_is_left_open_is_asked_about(read, typed, asks):
    with pytest.raises(InputError, match=asks):
        read(typed)


def test_ratios_say_their_basis_and_need_densities_by_volume():
    assert units.ratio("100:28 by mass").phr == 28
    assert units.ratio("1 to 1 by weight").parts == (1, 1)
    assert units.ratio("2:1 by volume", densities_g_ml=(1.12, 0.98)).phr == pytest.approx(43.75)
    assert units.ratio("100:28:2 pbw").mass_parts == (100, 28, 2)
    for typed, asks in (
        ("100:28", "by mass or by volume"),
        ("100 by mass", "not a mix ratio"),
        ("1:0 by mass", "above zero"),
    ):
        with pytest.raises(InputError, match=asks):
            units.ratio(typed)
    with pytest.raises(InputError, match="density of each part"):
        _ = units.ratio("2:1 by volume").phr


@pytest.mark.parametrize(
    ("typed", "name", "value"),
    [
        ("72 F", "resin_c", 22.2222),
        ("1 h 30 min", "stir_min", 90),
        ("1 h 30 min", "cure_h", 1.5),
        ("2.5 cm", "depth_mm", 25),
        ("40 %", "humidity_pct", 40),
        ("40", "humidity_pct", 40),
        ("12", "bubbles", 12),
        ("20 cm2", "inspected_mm2", 2000),
        ("1.1 g/ml", "resin_g_ml", 1.1),
    ],
)
def test_the_suffix_of_a_field_says_the_bench_unit(typed, name, value):
    assert units.to_bench(typed, name) == pytest.approx(value, rel=1e-5)


@pytest.mark.parametrize(
    ("typed", "name", "asks"),
    [
        ("warm", "resin_c", "resin_c: 'warm' is not a temperature"),
        ("27 inHg gauge", "cup_degas_kpa", "altitude_m"),
        ("27 inHg", "cup_degas_kpa", "gauge or absolute"),
        ("3 min", "resin_g", "resin_g"),
        ("many", "bubbles", "accepted: a number"),
        ("-300 C", "resin_c", r"below absolute zero.*\(a bare number counts as C\)$"),
    ],
)
def test_a_field_says_what_it_cannot_use(typed, name, asks):
    with pytest.raises(InputError, match=asks):
        units.to_bench(typed, name)


@pytest.mark.parametrize(
    ("name", "unit"), [("resin_c", "C"), ("cup_degas_kpa", "kPa absolute"), ("cure_h", "h"), ("bubbles", None)]
)
def test_a_fields_unit_reads_as_people_write_it(name, unit):
    assert units.bench_unit(name) == unit


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_what_is_printed_as_a_fields_unit_can_be_typed_for_it(suffix):
    field = f"own{suffix}"
    assert units.to_bench(f"20 {labels.unit(field)}", field) == 20


finite = st.floats(0.001, 1000, allow_nan=False)


@given(finite, st.sampled_from(["kPa", "mbar", "bar", "psi", "inHg", "torr", "atm", "Pa", "hPa"]))
def test_any_absolute_pressure_reads_back_in_proportion(value, unit):
    one = units.pressure(f"1000000 {unit} abs") / 1_000_000
    assert units.pressure(f"{value!r} {unit} abs") == pytest.approx(value * one, rel=1e-6)


@given(st.floats(0, 0.99), st.floats(0, 5000))
def test_a_gauge_and_the_absolute_reading_of_one_vacuum_agree(share, altitude_m):
    local = units.standard_pressure_kpa(altitude_m)
    typed = f"-{share * local:.9f} kPa gauge"
    assert units.pressure(typed, altitude_m=altitude_m) == pytest.approx(local * (1 - share), abs=1e-6)


@given(st.floats(-273, 1000))
def test_fahrenheit_and_celsius_agree(celsius):
    assert units.temperature(f"{celsius * 1.8 + 32:.10f} F") == pytest.approx(celsius, abs=1e-6)


@given(st.integers(0, 99), st.integers(0, 59), st.integers(0, 59))
def test_a_duration_adds_up_however_it_is_typed(h, m, s):
    minutes = h * 60 + m + s / 60
    assert units.duration(f"{h} h {m} min {s} s") == pytest.approx(minutes)
    assert units.duration(f"{h}:{m:02d}:{s:02d}") == pytest.approx(minutes)


@given(st.text(max_size=20))
def test_no_text_ever_raises_anything_but_an_input_error(text):
    for read in (units.pressure, units.temperature, units.duration, units.mass, units.volume, units.ratio):
        try:
            value = read(text)
        except InputError:
            continue
        assert value is not None
