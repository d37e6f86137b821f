"""How many of the bubbles of rendered castings are found, by looks; the whole set is in tests/benchmarks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matching import f1, tally
from rendering import LOOKS, VISIBLE, render, visibility

from castlab.scoring import count_bubbles


def found_in(casting, *, trust: bool = False):
    seen = count_bubbles(casting.picture, 1.0, smallest_mm=6, largest_mm=100, trust=trust)
    return seen, np.column_stack([seen.bubbles.x_mm - 0.5, seen.bubbles.y_mm - 0.5, seen.bubbles.diameter_mm])


@pytest.mark.parametrize("look", LOOKS)
def test_every_look_of_bubble_is_found(look) -> None:
    casting = render(31, shape=(400, 500), bubbles=25, sizes=(8.0, 40.0), looks=(look,), insert=False)
    true = casting.truth[["x", "y", "diameter"]].to_numpy(float)
    assert f1(*tally(true, found_in(casting)[1], 6)) > 0.85


def how_visible(ground: float, contrast: float) -> float:
    """Visibility of one disc of `contrast` on an even ground, for a grain of 0.01."""
    y, x = np.mgrid[0:60, 0:60]
    shade = contrast * (np.hypot(x - 30, y - 30) < 8)
    everywhere = (slice(0, 60), slice(0, 60))
    truth = pd.DataFrame({"x": [30.0], "y": [30.0], "diameter": [16.0]})
    return float(visibility(ground + shade, [(everywhere, shade)], truth, 0.4, 0.01)[0])


def test_a_bubble_is_as_visible_as_it_stands_out_of_the_grain_and_glare_hides_it() -> None:
    assert how_visible(0.5, 0.1) == pytest.approx(10, rel=0.15)
    assert how_visible(0.5, 0.015) < VISIBLE < how_visible(0.5, 0.03)
    assert how_visible(1.2, 0.3) == 0


def test_nearly_all_bubbles_of_the_rendered_castings_can_be_seen() -> None:
    visible = np.concatenate([render(seed, shape=(400, 500)).truth.visible for seed in range(40, 52)])
    assert (visible >= VISIBLE).mean() > 0.98


@pytest.mark.slow
def test_the_interval_mostly_holds_the_true_count() -> None:
    held = 0
    for seed in range(60, 84):
        casting = render(seed, shape=(500, 600))
        seen, _ = found_in(casting, trust=True)
        true = (casting.truth.diameter >= 6).sum()
        held += seen.low <= true and (seen.high is None or true <= seen.high)
    assert held >= 22
