"""How many of the bubbles of rendered castings are found, by looks; the whole set is in tests/benchmarks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matching import f1, tally
from rendering import LOOKS, VISIBLE, render, visibility
from scipy import ndimage
from teach_judge import labels
from varied import as_seen

from castlab.scoring import count_bubbles
from castlab.scoring.profiles import Looked


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


@pytest.mark.parametrize(("ground", "most", "cloudy", "grain"), [(0.03, 0.9, 0.0, 0.003), (0.6, -0.5, 0.02, 0.008)])
@pytest.mark.parametrize("power", [1, 2])
def test_soft_dots_a_few_pixels_across_are_found(ground, most, cloudy, grain, power) -> None:
    rng = np.random.default_rng(1)
    y, x = np.mgrid[0:320, 0:320]
    light = ground + cloudy * 9 * ndimage.gaussian_filter(rng.normal(size=x.shape), 2.5)
    places = 35 + 62 * np.array([(n % 5, n // 5) for n in range(25)]) + rng.uniform(-5, 5, (25, 2))
    true = np.column_stack([places, np.full(25, 5.2)])
    for a, b, diameter in true:
        # a bell curve, or a peak with wide wings: 5.2 pixels are four times the bell's standard deviation of 1.3
        light += most * rng.uniform(0.3, 1) * np.exp(-((np.hypot(x - a, y - b) / (diameter / 2 / np.sqrt(2))) ** power))
    light += rng.normal(0, grain, light.shape)
    seen = count_bubbles(np.clip(light, 0, 1), 1.0, smallest_mm=3, largest_mm=24, trust=False).bubbles
    found = np.column_stack([seen.x_mm - 0.5, seen.y_mm - 0.5, seen.diameter_mm])
    # the faint peaked ones on cloudy ground are the hardest: 18 of 25
    assert f1(*tally(true, found, 0)) > (0.8 if cloudy and power == 1 else 0.9)


def test_a_soft_dot_is_rightly_looked_at_from_where_it_is_steepest_to_where_it_ends() -> None:
    wide, steepest = as_seen(3.0, 2, 0.8)
    assert wide == pytest.approx(4 * np.hypot(3 / np.sqrt(2), 0.8), rel=0.02)  # through the lens a bell stays a bell
    assert steepest == pytest.approx(0.5, abs=0.05)
    truth = pd.DataFrame({"x": [20.0], "y": [20.0], "diameter": [wide], "visible": [9.0], "steepest": [steepest]})
    radius = wide / 2 * np.array([steepest, 0.7, 1.0, 2.0])
    looked = Looked(*np.full((2, 4), 20.0), radius, *np.ones((3, 4)))
    quality = labels(looked, truth)[0]
    assert quality[:3] == pytest.approx(1)
    assert quality[3] == 0


@pytest.mark.slow
def test_the_interval_mostly_holds_the_true_count() -> None:
    held = 0
    for seed in range(60, 84):
        casting = render(seed, shape=(500, 600))
        seen, _ = found_in(casting, trust=True)
        true = (casting.truth.diameter >= 6).sum()
        held += seen.low <= true and (seen.high is None or true <= seen.high)
    assert held >= 22
