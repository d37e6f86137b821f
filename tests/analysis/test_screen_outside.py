"""Screening unreplicated plans against published worked examples.

Filtration rate, 2 x 2 x 2 x 2: Montgomery, Design and Analysis of Experiments, the example of Lenth's method: s0 =
3.9375, PSE = 2.625, margin 6.75, simultaneous margin 13.70 (6.747777 and 13.698960 with R's qt(0.975, 5) and qt(1 - (1
- 0.95^(1 / 15)) / 2, 5)); effects A 21.625, C 9.875, D 14.625, AC -18.125, AD 16.625 (data as in public course
material; effects are 2 * coef(lm(rate ~ A * B * C * D)) of R 4.2.2). Reactor, 2^5 and its half: Box, Hunter and Hunter,
Statistics for Experimenters (1978, chapter 12; data as in public course material): full plan B 19.5, D 10.75, E -6.25,
BD 13.25, DE -11.0; half B 20.5, D 12.25, E -6.25, BD 10.75, DE -9.5 (R: lm of the full plan, and of (A + B + C + D +
E)^2 in the half). Critical values of Lenth's ratio for 7, 15 and 31 effects by Ye and Hamada, Journal of Quality
Technology 32 (2000) and Wu and Hamada, Experiments (appendix): single 2.297, 2.156, 2.064, largest 4.867, 4.240, 3.925
(from memory; 400 000 plans without effects, simulated in R, give 2.294, 2.154, 2.063 and 4.867, 4.232, 3.923).
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import screen, screen_effects

RATE = [45, 71, 48, 65, 68, 60, 80, 65, 43, 100, 45, 104, 75, 86, 70, 96]
REACTED = [
    61, 53, 63, 61, 53, 56, 54, 61, 69, 61, 94, 93, 66, 60, 95, 98,
    56, 63, 70, 65, 59, 55, 67, 65, 44, 45, 78, 77, 49, 42, 81, 82,
]  # fmt: skip


def standard(names: str, y: list[int]) -> pd.DataFrame:
    """All combinations in standard order, the first factor changing fastest."""
    rows = [combination[::-1] for combination in product([-1, 1], repeat=len(names))]
    return pd.DataFrame(rows, columns=list(names)).assign(y=[float(v) for v in y])


def test_the_filtration_example_of_lenths_method():
    found = screen_effects(standard("ABCD", RATE), "y", list("ABCD"), kind="measure")
    assert found.pse == pytest.approx(2.625)
    assert found.margin == pytest.approx(6.747777319, rel=1e-8)
    assert found.simultaneous_margin == pytest.approx(13.69895956, rel=1e-8)
    known = {"A": 21.625, "A x C": -18.125, "A x D": 16.625, "D": 14.625, "C": 9.875}
    top = found.effects.head(5).set_index("effect")
    assert top["estimate"].to_dict() == pytest.approx(known)
    assert (found.effects["strength"] != "not shown").sum() == 5


def test_the_reactor_example_full_and_half():
    full = standard("ABCDE", REACTED)
    known = {"B": 19.5, "B x D": 13.25, "D x E": -11.0, "D": 10.75, "E": -6.25}
    found = screen_effects(full, "y", list("ABCDE"), kind="measure").effects
    assert found.head(5).set_index("effect")["estimate"].to_dict() == pytest.approx(known)
    assert list(found.loc[found["strength"] != "not shown", "effect"]) == list(known)
    half = full[full[list("ABCDE")].prod(axis=1) == 1]
    known = {"B": 20.5, "D": 12.25, "B x D": 10.75, "D x E": -9.5, "E": -6.25}
    found = screen_effects(half, "y", list("ABCDE"), kind="measure").effects
    assert found.head(5).set_index("effect")["estimate"].to_dict() == pytest.approx(known)
    aliases = found.set_index("effect")["aliases"]
    assert (aliases["B"], aliases["B x D"]) == ("A x C x D x E", "A x C x E")


@pytest.mark.parametrize(("m", "single", "largest"), [(7, 2.297, 4.867), (15, 2.156, 4.240), (31, 2.064, 3.925)])
def test_the_simulated_critical_values_are_the_published_ones(m, single, largest):
    each, most = screen.without_effects(m)
    assert np.quantile(each, 0.95) == pytest.approx(single, rel=0.01)
    assert np.quantile(most, 0.95) == pytest.approx(largest, rel=0.02)
