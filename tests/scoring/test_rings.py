"""What rings are sought by, against the Bessel functions of scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from castlab.scoring import rings


@pytest.mark.parametrize("radius", [1.5, 6.0, 20.0])
def test_the_transform_of_a_ring_is_that_of_bessel(radius) -> None:
    one, two = rings._ring(60, 64, radius)
    size = np.hypot(2 * np.pi * np.fft.fftfreq(60)[:, None], 2 * np.pi * np.fft.rfftfreq(64))
    soft = np.exp(-0.5 * (0.12 * radius * size) ** 2)
    assert one[:, ::2] == pytest.approx(special.jv(1, size * radius) * soft, abs=2e-3)
    assert two[:, ::2] == pytest.approx(-special.jv(2, size * radius) * soft, abs=2e-3)
