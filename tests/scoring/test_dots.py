"""Soft dots that stand alone are found by how they curve the light, held against what lies round them; nothing else is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matching import tally

from castlab.scoring import count_bubbles, dots, rings
from castlab.scoring.profiles import Looked

SIDE = 320


def ground(level: float, grain: float) -> np.ndarray:
    return level + np.random.default_rng(1).normal(0, grain, (SIDE, SIDE))


def bell(x: float, y: float, width: float, long: float = 1.0, turn: float = 0.4) -> np.ndarray:
    """A bell curve that falls to 1/e `width` pixels from its middle, and is `long` times as long as wide."""
    down, across = np.mgrid[0:SIDE, 0:SIDE]
    u = (across - x) * np.cos(turn) + (down - y) * np.sin(turn)
    v = (down - y) * np.cos(turn) - (across - x) * np.sin(turn)
    return np.exp(-(u**2 / long + v**2 * long) / width**2)


def is_plain(light: np.ndarray, *, grain: float = 0.01, larger: float | None = None) -> bool:
    """Whether a circle of radius 3 in the middle is; `larger` is the radius of a bubble that is found about it."""
    middle = np.full(1 if larger is None else 2, SIDE / 2)
    radius = np.array([3.0, larger][: len(middle)], float)
    circles = Looked(middle, middle, radius, *np.ones((3, len(middle))))
    steps = rings.levels((ground(0.4, grain) + light).astype(np.float32), 40)
    return bool(dots.plain(steps, circles, radius > 3, None)[0])


ALONE = bell(SIDE / 2, SIDE / 2, 3)


@pytest.mark.parametrize("contrast", [0.4, -0.3, 0.1])
def test_a_soft_dot_alone_on_even_ground_is_plain(contrast) -> None:
    assert is_plain(contrast * ALONE)


@pytest.mark.parametrize(
    "light",
    [
        0.4 * (ALONE + bell(SIDE / 2 + 9, SIDE / 2, 3)),
        0.4 * ALONE - 0.2 * bell(SIDE / 2, SIDE / 2 + 8, 3),
        0.4 * bell(SIDE / 2, SIDE / 2, 3, long=2.0),
        0.02 * ALONE,
        0.4 * (np.mgrid[0:SIDE, 0:SIDE][1] > SIDE / 2),
    ],
    ids=["its like beside it", "a dark one beside it", "twice as long as wide", "twice the grain", "an edge"],
)
def test_what_has_its_like_near_is_long_or_faint_is_not_plain(light) -> None:
    assert not is_plain(light)


def test_a_dot_is_plain_beside_a_line_as_dark_as_itself_and_on_a_slope_of_the_light() -> None:
    down, across = np.mgrid[0:SIDE, 0:SIDE]
    line = np.exp(-((down - SIDE / 2 - 14 - 3 * np.sin(across / 20)) ** 2) / 3**2)
    assert is_plain(-0.12 * ALONE - 0.12 * line)
    assert is_plain(-0.12 * ALONE + 0.3 * across / SIDE)
    assert not is_plain(-0.12 * line)


def test_what_a_white_ground_without_grain_holds_of_a_grey_value_or_two_is_not_plain() -> None:
    steps = rings.levels((1 - 0.01 * ALONE).astype(np.float32), 40)
    middle, radius = np.full(1, SIDE / 2), np.full(1, 3.0)
    faint = Looked(middle, middle, radius, np.full(1, -0.01), np.ones(1), np.ones(1))
    assert not dots.plain(steps, faint, np.zeros(1, bool), None)[0]
    assert dots.plain(steps, replace(faint, contrast=np.full(1, -0.1)), np.zeros(1, bool), None)[0]


def test_a_highlight_in_a_larger_bubble_is_no_dot_of_its_own() -> None:
    assert is_plain(0.4 * ALONE, larger=None)
    assert not is_plain(0.4 * ALONE, larger=30.0)


@pytest.mark.parametrize(("level", "most", "grain"), [(0.5, -0.3, 0.01), (0.04, 0.6, 0.006)])
def test_soft_dots_somewhat_longer_than_wide_are_found_on_calm_and_on_grainy_ground(level, most, grain) -> None:
    rng = np.random.default_rng(2)
    places = 35 + 62 * np.array([(n % 5, n // 5) for n in range(25)]) + rng.uniform(-5, 5, (25, 2))
    light = ground(level, grain)
    for x, y in places:
        light += most * rng.uniform(0.6, 1) * bell(x, y, 1.6, long=1.4, turn=rng.uniform(0, np.pi))
    seen = count_bubbles(np.clip(light, 0, 1), 1.0, smallest_mm=3, largest_mm=40, trust=False).bubbles
    found = np.column_stack([seen.x_mm - 0.5, seen.y_mm - 0.5, seen.diameter_mm])
    hits, _, false = tally(np.column_stack([places, np.full(25, 4.5)]), found, 0)
    assert hits >= 23
    assert false == 0
