"""Bubbles against reference libraries and published solutions.

Sources
- Stokes 1851 through `fluids` (drag of a sphere, terminal velocity); Hadamard 1911 and Rybczynski 1911: a gas bubble
  with a slipping surface rises half as fast again. The equation of both, 2/3 R^2 g drho / mu (mu + mu') / (2 mu + 3
  mu') with mu' of the gas, is in open encyclopaedias (looked up); air has 1.8e-5 Pa s. The coated case 0.5 mm in 0.6 Pa
  s, 1100 kg/m3: 0.249 mm/s with the density of air taken off.
- Boyle with Laplace: the closed forms without tension and without outer pressure.
- Dissolution: P. S. Epstein and M. S. Plesset, J. Chem. Phys. 18 (1950) 1505: lifetime without surface tension x =
  exp(-g / sqrt(1 - g^2) arctan(sqrt(1 - g^2) / g)), g = sqrt(solubility (1 - f) / 2 pi), t = x^2 R0^2 / (2 D L (1 -
  f)); in the quasi-steady limit R^2 falls in proportion to time.
"""

from __future__ import annotations

import numpy as np
import pytest
from fluids import v_terminal

from castlab.bench import bubbles


@pytest.mark.parametrize("diameter_mm", [0.05, 0.2, 0.5])
@pytest.mark.parametrize("viscosity", [0.6, 15.0])
def test_a_coated_bubble_rises_at_the_terminal_speed_of_the_reference_library(diameter_mm, viscosity):
    expected = v_terminal(D=diameter_mm / 1000, rhop=1e-9, rho=1100.0, mu=viscosity, Method="Stokes") * 1000
    found = bubbles.rise_speed_mm_s(diameter_mm, viscosity, 1100.0)
    assert found == pytest.approx(abs(expected), rel=1e-4)


@pytest.mark.parametrize("diameter_mm", [0.05, 0.2, 0.5])
@pytest.mark.parametrize("viscosity", [0.6, 15.0])
def test_a_clean_bubble_rises_at_the_speed_of_hadamard_and_rybczynski(diameter_mm, viscosity):
    air, r = 1.8e-5, diameter_mm / 2000
    slip = (viscosity + air) / (2 * viscosity + 3 * air)
    expected = 2 / 3 * r**2 * 9.80665 * 1100.0 / viscosity * slip * 1000
    assert bubbles.rise_speed_mm_s(diameter_mm, viscosity, 1100.0, "clean") == pytest.approx(expected, rel=2e-3)


def test_a_clean_bubble_rises_half_as_fast_again():
    assert bubbles.rise_speed_mm_s(0.5, 0.6, 1100.0, "clean") == pytest.approx(0.374, abs=0.001)
    coated = bubbles.rise_speed_mm_s([0.1, 0.5], 0.6, 1100.0)
    assert bubbles.rise_speed_mm_s([0.1, 0.5], 0.6, 1100.0, "clean") == pytest.approx(1.5 * coated)


def test_growth_is_boyles_cube_root_without_surface_tension():
    assert bubbles.growth(1.0, 101.325, 3.0, 0.0) == pytest.approx((101.325 / 3.0) ** (1 / 3))
    assert bubbles.growth(1.0, 101.325, 405.3, 0.0) == pytest.approx(0.63, abs=0.001)


def test_growth_is_a_square_root_where_surface_tension_rules():
    tension, gas = 0.04, 100e3 * (1e-6) ** 3 + 4 * 0.04 * (1e-6) ** 2
    found = bubbles.growth(0.001, 100.0, 0.01, tension) / 1000
    assert 10.0 * found**3 + 4 * tension * found**2 == pytest.approx(gas, rel=1e-10)
    assert found == pytest.approx(np.sqrt(gas / (4 * tension)), rel=1e-3)


@pytest.mark.parametrize("solubility", [0.005, 0.02, 0.2])
@pytest.mark.parametrize("undersaturation", [1.0, 0.5])
def test_a_bubble_lives_as_long_as_epstein_and_plesset_say(solubility, undersaturation):
    radius, diffusivity, pressure = 1e-5, 2e-9, 101.325
    g = np.sqrt(solubility * undersaturation / (2 * np.pi))
    x = np.exp(-g / np.sqrt(1 - g**2) * np.arctan(np.sqrt(1 - g**2) / g))
    seconds = x**2 * radius**2 / (2 * diffusivity * solubility * undersaturation)
    _, gone = bubbles.dissolve(
        2e3 * radius, 60.0, pressure, (1 - undersaturation) * pressure, 0.0, diffusivity, solubility
    )
    assert gone * 60 == pytest.approx(seconds, rel=2e-3)


def test_the_square_of_the_radius_falls_in_proportion_to_time_when_little_dissolves():
    diffusivity, solubility, radius = 1e-10, 1e-6, 1e-4
    minutes = np.array([0.25, 0.5, 0.75]) * radius**2 / (2 * diffusivity * solubility) / 60
    left = [bubbles.dissolve(2e3 * radius, m, 100.0, 0.0, 0.0, diffusivity, solubility)[0] for m in minutes]
    assert (np.array(left) / (2e3 * radius)) ** 2 == pytest.approx([0.75, 0.5, 0.25], abs=2e-3)
