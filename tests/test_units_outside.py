"""Conversions against published tables.

- NIST Special Publication 811 (2008), appendix B.8: conversion factors to SI, printed to seven digits, looked up in
  quotations of that table (inch of mercury, conventional, 3.386 389 E+03 Pa; millimetre of mercury and torr 1.333 224
  E+02; psi 6.894 757 E+03; atm and bar exact; ounce (avoirdupois) 2.834 952 E-02 kg; fluid ounce 2.957 353 E-05 m3
  (U.S.) and 2.841 306 E-05 m3 (imperial); mil 2.54 E-05 m; degree Fahrenheit (t - 32)/1.8; pound 4.535 924 E-01 kg,
  here to the digits of its definition, and centipoise 1.0 E-03 Pa s).
- US Standard Atmosphere 1976, first layer: pressures recomputed with the `fluids` library (its ATMOSPHERE_1976).
"""

from __future__ import annotations

import pytest

from castlab import units


@pytest.mark.parametrize(
    ("typed", "kpa"),
    [
        ("1 atm abs", 101.325),
        ("1 bar abs", 100.0),
        ("1 inHg abs", 3.386389),
        ("1 mmHg abs", 0.1333224),
        ("1 torr abs", 0.1333224),
        ("1 psi abs", 6.894757),
    ],
)
def test_pressure_units_of_nist_sp_811(typed, kpa):
    assert units.pressure(typed) == pytest.approx(kpa, rel=2e-6)


@pytest.mark.parametrize(
    ("value", "published"),
    [
        (lambda: units.mass("1 lb"), 453.59237),
        (lambda: units.mass("1 oz"), 28.34952),
        (lambda: units.volume("1 us fl oz"), 29.57353),
        (lambda: units.volume("1 imp fl oz"), 28.41306),
        (lambda: units.length("1 thou"), 0.0254),
        (lambda: units.viscosity("1 cP"), 0.001),
        (lambda: units.temperature("212 F"), 100.0),
    ],
)
def test_other_units_of_nist_sp_811(value, published):
    assert value() == pytest.approx(published, rel=1e-6)


@pytest.mark.parametrize(
    ("altitude_m", "kpa"),
    [(0, 101.325), (300, 97.773), (500, 95.461), (1000, 89.876), (1500, 84.560), (2000, 79.501), (3000, 70.121)],
)
def test_the_us_standard_atmosphere_1976(altitude_m, kpa):
    assert units.standard_pressure_kpa(altitude_m) == pytest.approx(kpa, abs=6e-4)


def test_the_standard_atmosphere_of_the_fluids_library():
    atmosphere = pytest.importorskip("fluids.atmosphere")
    for altitude_m in (-400, 0, 250, 777, 1600, 4500, 8848):
        theirs = atmosphere.ATMOSPHERE_1976(altitude_m).P / 1000
        assert units.standard_pressure_kpa(altitude_m) == pytest.approx(theirs, rel=1e-5)
