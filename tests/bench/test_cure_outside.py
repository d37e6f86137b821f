"""The heat and cure solver against what textbooks and papers know.

Sources
- Transient conduction in slab, cylinder and sphere with a film: the exact series (Carslaw and Jaeger, Conduction of
  Heat in Solids, 2nd ed., 3.11, 7.7, 9.4); first-term constants (Bi 0.1, 1, 10) of a heat transfer textbook's table
  "Coefficients used in the one-term approximate solution" (Cengel and Ghajar, Heat and Mass Transfer, table 4-2, looked
  up).
- Critical parameter of thermal explosion: Frank-Kamenetskii 1955: slab 0.878, cylinder 2.00, sphere 3.32.
- Rate law with m = n = 1: closed form of the autocatalytic (logistic) equation, any kinetics textbook.
- Adiabatic rise: heat of reaction over specific heat.
- Gel point of four- and two-functional parts: Flory 1941 and Stockmayer 1943: 1/sqrt(3) = 0.577.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import j0, j1

from castlab.bench import cure
from castlab.bench.cure.heat import Air, Body, Region
from castlab.bench.cure.resin import Resin
from castlab.bench.cure.simulation import CELLS

# eigenvalue equation f(zeta) = 0 and the term of the series, by shape; x is position over size.
SHAPES = {
    "slab": (
        lambda z, bi: z * np.sin(z) - bi * np.cos(z),
        lambda z, x: 4 * np.sin(z) / (2 * z + np.sin(2 * z)) * np.cos(z * x),
    ),
    "cylinder": (
        lambda z, bi: z * j1(z) - bi * j0(z),
        lambda z, x: 2 / z * j1(z) / (j0(z) ** 2 + j1(z) ** 2) * j0(z * x),
    ),
    "sphere": (
        lambda z, bi: np.sin(z) * (1 - bi) - z * np.cos(z),
        lambda z, x: 4 * (np.sin(z) - z * np.cos(z)) / (2 * z - np.sin(2 * z)) * np.sinc(z * x / np.pi),
    ),
}


def eigenvalues(shape, biot, count=40):
    f = SHAPES[shape][0]
    grid = np.linspace(1e-6, (count + 1) * np.pi, 40 * count)
    values = f(grid, biot)
    signs = np.flatnonzero(np.sign(values[:-1]) != np.sign(values[1:]))
    roots = [brentq(f, grid[i], grid[i + 1], args=(biot,), xtol=1e-13) for i in signs]
    return np.array([z for z in roots if z > 1e-4])[:count]


def series(shape, biot, x, fourier):
    zeta = eigenvalues(shape, biot)
    return sum(SHAPES[shape][1](z, x) * np.exp(-(z**2) * fourier) for z in zeta)


def cooling(shape, biot, times):
    """A unit body (size, conductivity and capacity 1) that starts at 1 in air at 0, on the default grid."""
    region = Region(thickness_m=1.0, cells=CELLS, conductivity_w_mk=1.0, capacity_j_m3k=1.0, start_c=1.0)
    air = Air(inner_w_m2k=0.0, outer_w_m2k=biot, temperatures_c=(0.0,))
    march = Body([region], air, None, shape).march(times[-1], 1e-8, 1e-10)
    return march, march.resample(times)[0]


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("biot", [0.1, 1.0, 10.0])
def test_conduction_agrees_with_the_series_within_a_thousandth(shape, biot):
    times = np.array([0.02, 0.1, 0.3, 1.0])
    march, found = cooling(shape, biot, times)
    exact = np.array([series(shape, biot, march.positions_m, t) for t in times])
    assert np.abs(found - exact).max() < 1e-3


@pytest.mark.parametrize(
    ("shape", "biot", "zeta", "constant"),
    [
        ("slab", 0.1, 0.3111, 1.0161),
        ("slab", 1, 0.8603, 1.1191),
        ("slab", 10, 1.4289, 1.2620),
        ("cylinder", 0.1, 0.4417, 1.0246),
        ("cylinder", 1, 1.2558, 1.2071),
        ("cylinder", 10, 2.1795, 1.5677),
        ("sphere", 0.1, 0.5423, 1.0298),
        ("sphere", 1, 1.5708, 1.2732),
        ("sphere", 10, 2.8363, 1.9249),
    ],
)
def test_late_cooling_follows_the_first_term_of_the_textbook_table(shape, biot, zeta, constant):
    across = {"slab": np.cos, "cylinder": j0, "sphere": lambda x: np.sinc(x / np.pi)}[shape]
    times = np.array([0.5, 1.0])
    march, found = cooling(shape, biot, times)
    middle = found[:, 0] / across(zeta * march.positions_m[0])
    assert middle == pytest.approx(constant * np.exp(-(zeta**2) * times), rel=1e-3, abs=2e-6)


@pytest.mark.parametrize(("shape", "critical"), [("slab", 0.878), ("cylinder", 2.00), ("sphere", 3.32)])
def test_thermal_explosion_sets_in_at_the_frank_kamenetskii_parameter(shape, critical):
    def explodes(parameter):
        region = Region(
            thickness_m=1.0,
            cells=CELLS,
            conductivity_w_mk=1.0,
            capacity_j_m3k=1.0,
            reaction_j_m3=parameter,
            reacts=True,
            start_c=0.0,
        )
        air = Air(inner_w_m2k=0.0, outer_w_m2k=np.inf, temperatures_c=(0.0,))
        heating = Body([region], air, lambda _, t: np.exp(np.minimum(t, 6.0)), shape)
        return heating.march(200.0, 1e-6, 1e-8).temperature_c.max() > 4.0

    low, high = 0.8 * critical, 1.2 * critical
    assert not explodes(low)
    assert explodes(high)
    while high - low > 5e-4 * critical:
        middle = (low + high) / 2
        low, high = (low, middle) if explodes(middle) else (middle, high)
    assert (low + high) / 2 == pytest.approx(critical, rel=5e-3)


def test_the_rate_law_gives_the_closed_form_of_autocatalysis():
    k1, k2 = 2e-5, 3e-4
    mix = Resin(name="logistic", k1_per_s=k1, k2_per_s=k2, m=1.0, n=1.0, heat_j_g=0.0, tg_full_c=None)
    run = cure.simulate(mix, 10.0, hours=6, spread=False)
    t = run.history["time_h"].to_numpy() * 3600
    grown = np.exp((k1 + k2) * t)
    exact = (grown - 1) / (grown + k2 / k1)
    assert run.history["conversion_min"].to_numpy() == pytest.approx(exact, abs=2e-5)
    half = np.log((1 + 0.5 * k2 / k1) / 0.5) / (k1 + k2)
    assert mix.isothermal_s(0.5, 25.0) == pytest.approx(half, rel=1e-9)


def test_a_mass_that_loses_no_heat_warms_by_heat_of_reaction_over_specific_heat():
    mix = Resin(name="adiabatic", k1_per_s=1e-4, k2_per_s=1e-4, heat_j_g=400.0, specific_heat_j_gk=1.8, tg_full_c=None)
    region = Region(
        thickness_m=0.02,
        cells=10,
        conductivity_w_mk=0.2,
        capacity_j_m3k=mix.capacity_j_m3k,
        reaction_j_m3=mix.reaction_j_m3,
        reacts=True,
    )
    march = Body([region], Air(inner_w_m2k=0.0, outer_w_m2k=0.0), mix.rate).march(40 * 3600)
    assert march.conversion[-1].min() > 0.9999
    assert march.temperature_c[-1] == pytest.approx(25.0 + 400.0 / 1.8, abs=0.05)


def test_the_typical_epoxy_gels_where_flory_and_stockmayer_put_it():
    from castlab.bench.materials import properties

    assert properties("slow clear epoxy")["gel_conversion"] == pytest.approx(1 / np.sqrt(3), abs=1e-3)


def test_rates_double_for_ten_degrees_near_room_temperature_at_53_kj_mol():
    mix = Resin(name="mix", k1_per_s=1e-5, k2_per_s=1e-4, e_kj_mol=53.0)
    assert mix.speedup(35.0) == pytest.approx(2.0, rel=0.01)
