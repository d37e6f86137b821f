"""Colours against the colour-science library and published pairs.

CIEDE2000: Sharma, Wu and Dalal, Color Research and Application 30 (2005) 21, table 1, as the tests of the colour-science
library quote it: 33 of its 34 pairs, without the one whose hues are opposite to the last digit. Yellowness: ASTM E313 as the colour-science library has it.
"""

from __future__ import annotations

import numpy as np
import pytest

from castlab.scoring import colour

PAIRS = [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
    ((50, 2.8361, -74.02), (50, 0, -82.7485), 3.4412),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, -1.1848, -84.8006), (50, 0, -82.7485), 1.0000),
    ((50, -0.9009, -85.5211), (50, 0, -82.7485), 1.0000),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, -1, 2), (50, 0, 0), 2.3669),
    ((50, 2.49, -0.001), (50, -2.49, 0.0009), 7.1792),
    ((50, 2.49, -0.001), (50, -2.49, 0.001), 7.1792),
    ((50, 2.49, -0.001), (50, -2.49, 0.0011), 7.2195),
    ((50, 2.49, -0.001), (50, -2.49, 0.0012), 7.2195),
    ((50, -0.001, 2.49), (50, 0.0009, -2.49), 4.8045),
    ((50, -0.001, 2.49), (50, 0.0011, -2.49), 4.7461),
    ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((50, 2.5, 0), (61, -5, 29), 22.8977),
    ((50, 2.5, 0), (56, -27, -3), 31.9030),
    ((50, 2.5, 0), (58, 24, 15), 19.4535),
    ((50, 2.5, 0), (50, 3.1736, 0.5854), 1.0000),
    ((50, 2.5, 0), (50, 3.2972, 0), 1.0000),
    ((50, 2.5, 0), (50, 1.8634, 0.5757), 1.0000),
    ((50, 2.5, 0), (50, 3.2592, 0.335), 1.0000),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((63.0109, -31.0961, -5.8663), (62.8187, -29.7946, -4.0864), 1.2630),
    ((61.2901, 3.7196, -5.3901), (61.4292, 2.248, -4.962), 1.8731),
    ((35.0831, -44.1164, 3.7933), (35.0232, -40.0716, 1.5901), 1.8645),
    ((22.7233, 20.0904, -46.694), (23.0331, 14.973, -42.5619), 2.0373),
    ((36.4612, 47.858, 18.3852), (36.2715, 50.5065, 21.2231), 1.4146),
    ((90.8027, -2.0831, 1.441), (91.1528, -1.6435, 0.0447), 1.4441),
    ((90.9257, -0.5406, -0.9208), (88.6381, -0.8985, -0.7239), 1.5381),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("one", "other", "expected"), PAIRS)
def test_colour_differences_are_those_published(one, other, expected):
    assert float(colour.difference(one, other)) == pytest.approx(expected, abs=5e-5)


def test_light_lab_and_yellowness_agree_with_a_reference_library(colour_science):
    reference = colour_science
    coded = np.random.default_rng(5).uniform(0.05, 1, (200, 3))
    np.testing.assert_allclose(colour.linear(coded), reference.cctf_decoding(coded, "sRGB"), atol=1e-6)
    d65 = reference.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    for light in colour.linear(coded):
        xyz = colour.balanced(light, (1.0, 1.0, 1.0))
        known = 100 * reference.RGB_to_XYZ(light, "sRGB", apply_cctf_decoding=False)
        np.testing.assert_allclose(xyz, known, rtol=2e-3, atol=0.02)
        np.testing.assert_allclose(colour.lab(xyz), reference.XYZ_to_Lab(known / 100, d65), atol=0.15)
        assert float(colour.yellowness(known)) == pytest.approx(float(reference.colorimetry.yellowness_ASTME313(known)))


def test_a_measured_reference_patch_is_given_back_its_colour():
    xyz = colour.balanced((0.61, 0.55, 0.4), (0.61, 0.55, 0.4), white_lab=(93.0, 0.5, -2.0))
    np.testing.assert_allclose(colour.lab(xyz), (93.0, 0.5, -2.0), atol=1e-6)
