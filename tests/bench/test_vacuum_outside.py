"""Vapour pressures, the atmosphere and pump-down against reference libraries and handbooks.

Sources
- Water: IAPWS-95 through CoolProp; acetone, ethanol, toluene, o-xylene: the reference equations of state in CoolProp.
- Styrene, benzyl alcohol and the rest: VDI Heat Atlas, 2nd ed. (Wagner coefficients, through `chemicals`), and for
  methyl methacrylate Landolt-Boernstein IV/20 (Antoine, through `chemicals`): tables other than the one the library
  uses.
- Standard atmosphere: US Standard Atmosphere 1976 through `fluids`.
- Pump-down at constant speed: t = (V/S) ln(p0/p1), a public engineering reference on evacuation (looked up), so a
  decade takes 2.303 V/S; and V dp/dt = -S (p - base) integrated step by step by scipy.
"""

from __future__ import annotations

import chemicals.vapor_pressure as tables
import CoolProp.CoolProp as reference
import fluids
import numpy as np
import pytest
from chemicals import CAS_from_any
from scipy.integrate import solve_ivp

from castlab.bench import vacuum

CELSIUS = np.array([5.0, 15.0, 25.0, 40.0, 60.0, 90.0, 120.0])


@pytest.mark.parametrize(
    ("name", "fluid", "within"),
    [
        ("water", "Water", 0.003),
        ("acetone", "Acetone", 0.01),
        ("ethanol", "Ethanol", 0.01),
        ("toluene", "Toluene", 0.01),
        ("o-xylene", "o-Xylene", 0.025),
    ],
)
def test_vapour_pressure_agrees_with_the_reference_equation_of_state(name, fluid, within):
    expected = [reference.PropsSI("P", "T", t + 273.15, "Q", 0, fluid) / 1000 for t in CELSIUS]
    assert vacuum.vapour_kpa(name, CELSIUS) == pytest.approx(expected, rel=within)


@pytest.mark.parametrize(
    ("name", "within"),
    [("styrene", 0.02), ("benzyl alcohol", 0.12), ("isopropanol", 0.05), ("methyl ethyl ketone", 0.02)],
)
def test_vapour_pressure_agrees_with_the_heat_atlas(name, within):
    tables.load_vapor_pressure_dfs()
    row = tables.Psat_data_VDI_PPDS_3.loc[CAS_from_any(name)]
    expected = [tables.Wagner(t + 273.15, row.Tc, row.Pc, row.A, row.B, row.C, row.D) / 1000 for t in CELSIUS]
    assert vacuum.vapour_kpa(name, CELSIUS) == pytest.approx(expected, rel=within)


def test_methyl_methacrylate_agrees_with_landolt_boernstein_in_its_range():
    tables.load_vapor_pressure_dfs()
    row = tables.Psat_data_Landolt_Antoine.loc[CAS_from_any("methyl methacrylate")]
    celsius = np.array([35.0, 60.0, 95.0])
    expected = np.exp(row.A - row.B / (celsius + 273.15 + row.C)) / 1000
    assert vacuum.vapour_kpa("methyl methacrylate", celsius) == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("altitude", [0.0, 300.0, 1000.0, 2000.0, 3000.0])
def test_the_standard_atmosphere_is_re_exported_and_right(altitude):
    assert vacuum.standard_pressure_kpa(altitude) == pytest.approx(fluids.ATMOSPHERE_1976(altitude).P / 1000, rel=2e-4)


def test_a_decade_of_pump_down_takes_2_303_volumes_over_speed():
    assert vacuum.pump_down_min(12.0, 4.0, 100.0, 10.0) == pytest.approx(np.log(10) * 3.0)


def test_pump_down_towards_a_base_pressure_is_the_balance_of_gas_integrated():
    def reached(_: float, p: np.ndarray) -> float:
        return p[0] - 3.0

    flow = solve_ivp(lambda _, p: -50 / 10 * (p - 1.0), (0, 10), [101.325], events=reached, rtol=1e-10, atol=1e-12)
    assert vacuum.pump_down_min(10, 50, 101.325, 3.0, 1.0) == pytest.approx(flow.t_events[0][0], rel=1e-8)
