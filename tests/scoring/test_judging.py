"""What the judge says of a circle is set right by the company that the circle keeps."""

from __future__ import annotations

import numpy as np
import pytest
from rendering import render

from castlab.scoring import count_bubbles, judging
from castlab.scoring.profiles import Looked

SURE, DOUBTED = 0.9, 0.1


def likely(sure: float, others: float, *, number: int = 4, apart: float = 3.0, size: float = 1.0) -> float:
    """How likely a circle of radius 5 is right in a row of `number` others, `apart` and as large as said in its radii."""
    x = np.concatenate([[0.0], 5 * apart * (1 + 0.5 * np.arange(number))])
    radius = np.concatenate([[5.0], np.full(number, 5.0 * size)])
    row = Looked(x, np.zeros(len(x)), radius, *np.ones((3, len(x))))
    return float(judging.calibrated(row, np.where(np.arange(len(x)) == 0, sure, others))[0])


ALONE = likely(0.6, 0.5, number=0)


def test_a_circle_is_likelier_among_sure_ones_of_its_size_than_alone_and_least_among_doubted_ones() -> None:
    assert likely(0.6, SURE) > ALONE + 0.05
    assert likely(0.6, DOUBTED) < ALONE - 0.05


@pytest.mark.parametrize("others", [SURE, DOUBTED])
@pytest.mark.parametrize("far_or_unlike", [{"apart": 8.0}, {"size": 2.0}, {"size": 0.5}])
def test_what_is_far_or_of_another_size_is_no_company(others, far_or_unlike) -> None:
    assert likely(0.6, others, **far_or_unlike) == ALONE


def test_nothing_is_told_of_no_circles() -> None:
    assert judging.evidence(Looked(*np.empty((6, 0))), np.empty(0)).shape == (0, 3)


def test_round_letters_on_an_insert_are_no_bubbles() -> None:
    casting = render(1040)
    assert not len(casting.truth)
    assert count_bubbles(casting.picture, 1.0, smallest_mm=6, trust=False).count == 0
