"""How many of the bubbles of rendered castings are found, by looks; the whole set is in tests/benchmarks."""

from __future__ import annotations

import numpy as np
import pytest
from matching import f1, tally
from rendering import LOOKS, render

from castlab.scoring import count_bubbles


def found_in(casting, *, trust: bool = False):
    seen = count_bubbles(casting.picture, 1.0, smallest_mm=6, largest_mm=100, trust=trust)
    return seen, np.column_stack([seen.bubbles.x_mm - 0.5, seen.bubbles.y_mm - 0.5, seen.bubbles.diameter_mm])


@pytest.mark.parametrize("look", LOOKS)
def test_every_look_of_bubble_is_found(look) -> None:
    casting = render(31, shape=(400, 500), bubbles=25, sizes=(8.0, 40.0), looks=(look,), insert=False)
    true = casting.truth[["x", "y", "diameter"]].to_numpy(float)
    assert f1(*tally(true, found_in(casting)[1], 6)) > 0.85


@pytest.mark.slow
def test_the_interval_mostly_holds_the_true_count() -> None:
    held = 0
    for seed in range(60, 72):
        casting = render(seed, shape=(500, 600))
        seen, _ = found_in(casting, trust=True)
        held += seen.low <= (casting.truth.diameter >= 6).sum() <= seen.high
    assert held >= 11
