"""Single values and names as they were given."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from castlab import given
from castlab.analysis import fit_factors
from castlab.errors import InputError


@pytest.mark.parametrize("value", [True, 1.5, "3", None, 0, np.float64(2)])
def test_what_is_no_whole_number_from_one_up_is_refused(value):
    with pytest.raises(InputError, match=r"runs is .*; accepted: a whole number from 1 up"):
        given.whole("runs", value, 1)


@pytest.mark.parametrize("value", [3, np.int64(3)])
def test_whole_numbers_of_numpy_are_whole_numbers(value):
    assert given.whole("runs", value, 1) == 3


@pytest.mark.parametrize("value", [True, "3", None, 0.0, 1.0, float("nan")])
def test_what_lies_not_between_the_ends_is_refused(value):
    with pytest.raises(InputError, match="accepted: a number between 0 and 1"):
        given.number("share", value, 0, 1)


def test_a_mistyped_column_of_many_is_told_the_near_ones_and_not_all():
    frame = pd.DataFrame({"bubbles": [1, 2, 3], "pour_method": [1, 2, 3], **{f"own_{n}": 1 for n in range(70)}})
    with pytest.raises(InputError) as refused:
        fit_factors(frame, "bubbles", ["pour"])
    assert str(refused.value) == "the frame has no column 'pour'; did you mean pour_method?"
    with pytest.raises(InputError, match=r"'xyz'; accepted: bubbles, .* and 42 more$"):
        fit_factors(frame, "xyz", ["pour_method"])
