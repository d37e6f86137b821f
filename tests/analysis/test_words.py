"""Numbers in words, and the examples in the docstrings."""

from __future__ import annotations

import doctest

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import compare, confounding, fit, fit_factors, words
from castlab.errors import InputError


@pytest.mark.parametrize("module", [fit, compare, confounding], ids=lambda m: m.__name__)
def test_the_examples_in_the_docstrings_run(module):
    done = doctest.testmod(module)
    assert done.attempted > 0
    assert done.failed == 0


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.4783, "0.48"), (1.0, "1.0"), (3.14, "3.1"), (12.34, "12"), (134.0, "130"), (0.0999, "0.10"), (9.96, "10"), (996.0, "1000"), (5000, "more than 1000"), (0.0004, "less than 0.001"), (float("inf"), "more than 1000")],
)  # fmt: skip
def test_ratios_have_two_significant_digits(value, text):
    assert words.ratio(value) == text


@pytest.mark.parametrize(
    ("value", "spread", "text"),
    [(0.12345, 0.07, "+0.123"), (12.345, 3.5, "+12.3"), (-4.02, 3.5, "-4.0"), (1234.5, 120, "+1234"), (0.0001, 0.5, "0.00"), (-0.0001, 0.5, "0.00")],
)  # fmt: skip
def test_measures_are_rounded_to_two_digits_of_their_uncertainty(value, spread, text):
    assert words.signed(value, spread) == text


@pytest.mark.parametrize(
    ("effect", "times", "text"),
    [((1.06, 1.02, 1.1), True, "1.06 (1.02 to 1.10)"), ((1.31, 1.0004, 1.7), True, "1.3 (1.0004 to 1.7)"),
     ((0.81, 0.66, 0.9996), True, "0.81 (0.66 to 0.9996)"), ((0.99, 0.98, 1.001), True, "0.99 (0.98 to 1.001)"), ((2.1, 0.9, 4.9), True, "2.1 (0.90 to 4.9)"),
     ((1.0, 0.6, 1.7), True, "1.0 (0.60 to 1.7)"), ((0.25, 0.0004, 0.5), False, "+0.25 (+0.0004 to +0.50)"), ((-0.3, -0.6, -0.001), False, "-0.30 (-0.60 to -0.001)"),
     ((3.0, 3.0, 3.0), False, "+3.00 (+3.00 to +3.00)"), ((2.0, 0.0, 4.0), False, "+2.0 (0.0 to +4.0)"), ((3.0, 1.001, np.inf), True, "3.0 (1.001 to more than 1000)")],
)  # fmt: skip
def test_an_interval_shows_on_which_side_of_no_effect_it_ends(effect, times, text):
    assert "{} ({} to {})".format(*words.effect(*effect, times=times)) == text


def test_a_table_tells_the_same_numbers_as_the_sentences():
    rows = pd.DataFrame(
        {"estimate": [1.06, np.nan], "low": [1.003, np.nan], "high": [1.12, np.nan], "mean": [1234.4, 4]}
    )
    told = words.table(rows, ratios=True)
    assert told.iloc[0].to_list() == ["1.06", "1.003", "1.12", "1234"]
    assert told.iloc[1].to_list() == ["–", "–", "–", "4"]


def test_large_settings_are_read_in_full_and_never_the_same():
    made = pd.DataFrame({"haze_pct": [4.0, 4.1, 3.9, 5.0, 5.2, 4.9], "lamp": [1e9] * 3 + [1e9 + 100] * 3})
    assert fit_factors(made, "haze_pct", "lamp").effects["contrast"].to_list() == ["1000000100 against 1000000000"]
    found = compare.compare_runs(made.assign(lamp=[100000.1] * 3 + [100000.2] * 3), "haze_pct", "lamp")
    assert found.groups["group"].to_list() == ["100000.1", "100000.2"]


def test_lists_and_counts_read_as_sentences():
    assert words.listing(["a", "b", "c"]) == "a, b and c"
    assert words.listing([]) == ""
    assert words.size(1, 0) == "1 casting"
    assert words.size(60, 18) == "60 castings in 18 batches"
    assert words.p_value(0.0004) == "p < 0.001"
    assert words.p_value(0.0441) == "p = 0.044"


def test_one_casting_is_spoken_of_in_the_singular_and_scatter_in_plain_figures():
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"y": rng.negative_binomial(0.5, 0.001, 30), "a": ["x", "z"] * 15, "b": range(30)})
    frame.loc[0, "b"] = None
    said = " ".join(fit_factors(frame, "y", ["a", "b"]).cautions)
    assert "1 of 30 castings was left out" in said
    assert "e+" not in said
    frame["a"] = ["x"] * 28 + ["z", "w"]
    assert "z and w were cast only once" in " ".join(fit_factors(frame, "y", ["a"]).cautions)


def test_columns_without_a_name_in_text_are_refused():
    with pytest.raises(InputError, match="rename"):
        fit_factors(pd.DataFrame({1: [1, 2, 3, 4], 2: list("abab")}), 1, [2])
