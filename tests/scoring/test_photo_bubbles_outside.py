"""Round things in pictures that nobody here made.

Source: the sample pictures inside the scikit-image package (`skimage.data.coins`, "Greek coins from Pompeii", the
Brooklyn Museum collection as its documentation says; `skimage.data.cell`, `hubble_deep_field`; `gravel`, `brick`, `page`).
Counted by eye in data/counted_by_hand.csv, which says how.
"""

from __future__ import annotations

import counted
import numpy as np
import pytest
from matching import f1, tally

from castlab.scoring import count_bubbles


def against_hand(name: str, smallest: float, largest: float) -> float:
    seen = count_bubbles(counted.picture(name), 1.0, smallest_mm=smallest, largest_mm=largest, trust=False).bubbles
    found = np.column_stack([seen.x_mm - 0.5, seen.y_mm - 0.5, seen.diameter_mm])
    true, counts = counted.truth(name)
    return f1(*tally(true, found, counted.LEAST_PX.get(name, 0), counts))


def test_coins_counted_by_hand_are_found_on_uneven_ground() -> None:
    assert against_hand("coins", 16, 100) >= 0.9


@pytest.mark.parametrize("smallest", [60, 100])
def test_one_cell_in_phase_contrast_is_one(smallest) -> None:
    assert against_hand("cell", smallest, 200) == 1.0


def test_bright_stars_counted_by_hand_are_found() -> None:
    assert against_hand("hubble_deep_field", 3, 24) >= 0.9


def test_dark_dots_between_lines_counted_by_hand_are_found() -> None:
    assert against_hand("microaneurysms", 3, 8) == 1.0


def test_craters_lit_from_one_side_counted_by_hand_are_mostly_found() -> None:
    assert against_hand("moon", 5, 80) >= 0.6


@pytest.mark.parametrize(("name", "most"), [("gravel", 1), ("brick", 0), ("page", 0)])
def test_hardly_anything_is_found_where_nothing_is_round(name, most) -> None:
    assert count_bubbles(counted.picture(name), 1.0, smallest_mm=8, trust=False).count <= most
