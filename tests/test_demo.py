"""The demo logbook is what its script makes, and the analysis recovers the effects that the script states."""

from __future__ import annotations

import importlib.util
import random
import re
import sys
from types import ModuleType

import pandas as pd
import pytest

from castlab import Logbook, shipped
from castlab.analysis import fit_factors, what_is_confounded

FACTORS = [
    "cup_degas_min",
    "resin_c",
    "rest_min",
    "strained",
    "mold_degas_min",
    "pour_method",
    "insert_prep",
    "tilt_deg",
]


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_demo", shipped.path("data", "make_demo.py"))
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_demo"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def book(tmp_path_factory) -> Logbook:
    with Logbook.restore(shipped.path("data", "demo"), to=tmp_path_factory.mktemp("demo") / "demo.db") as made:
        yield made


def told_by(script: ModuleType, seed: int, folder) -> pd.DataFrame:
    """The frame of the same story with another chance."""
    clock = script.Clock()
    with Logbook.open(folder / f"{seed}.db", who="Noor", altitude_m=150, clock=clock) as book:
        script.Story(book, clock, random.Random(seed)).tell()
        return book.frame()


def true_ratio(script: ModuleType, factor: str, contrast: str) -> float:
    """What the script states for a contrast such as "5 against 0 min" or "ladle instead of stream"."""
    if factor in script.BUBBLE_RATIOS:
        high, low = (float(number) for number in re.match(r"([-\d.]+) against ([-\d.]+)", contrast).groups())
        change, ratio = script.BUBBLE_RATIOS[factor]
        return ratio ** ((high - low) / change)
    level, reference = contrast.split(" instead of ")
    return script.BUBBLE_LEVELS[factor][level] / script.BUBBLE_LEVELS[factor][reference]


def covered(script: ModuleType, effects: pd.DataFrame) -> list[bool]:
    truth = [true_ratio(script, row.factor, row.contrast) for row in effects.itertuples()]
    return [row.low <= true <= row.high for row, true in zip(effects.itertuples(), truth, strict=True)]


def test_the_script_writes_the_committed_demo_byte_for_byte(script, tmp_path):
    made = script.main(tmp_path / "demo")
    committed = shipped.path("data", "demo")
    assert sorted(p.name for p in made.iterdir()) == sorted(p.name for p in committed.iterdir())
    for file in made.iterdir():
        assert file.read_bytes() == (committed / file.name).read_bytes(), f"{file.name}: run data/make_demo.py again"


def test_the_demo_is_some_sixty_castings_in_eighteen_batches_over_four_molds_by_two_scorers(book):
    frame = book.frame()
    assert len(frame) == 64
    assert frame["batch_id"].nunique() == 18
    assert frame["mold_id"].nunique() == 4
    assert set(frame["product"]) == {"pod block", "path marker"}
    assert {score.scorer for score in book.records("score")} == {"Noor", "Wim"}
    assert (frame["scores"] == 2).sum() >= 10
    assert frame.loc[frame["plan"].notna(), "batch_id"].nunique() == 8


def test_the_demo_has_what_a_real_logbook_has(book):
    frame = book.frame()
    for column in ("humidity_pct", "resin_c", "pour_min", "shore_d", "strained"):
        assert 0 < frame[column].isna().mean() < 0.5, column
    corrected = [r for kind in ("batch", "trial", "score") for r in book.records(kind, withdrawn=True) if r.version > 1]
    assert len(corrected) == 6
    assert all(record.why for record in corrected)
    assert book.history("B-003")["resin_c"].tolist() == [42.0, 24.0]
    withdrawn = {r.id for r in book.records("trial", withdrawn=True)} - {r.id for r in book.records("trial")}
    assert withdrawn == {"T-004.4"}
    assert "6.1% too much" in book.get("B-004").cautions[0]


def test_rest_and_stirring_method_cannot_be_told_apart(book):
    found = what_is_confounded(book.frame(), ["rest_min", "stir_method", "pour_method"])
    pair = found.pairs[(found.pairs["one"] == "rest_min") & (found.pairs["other"] == "stir_method")]
    assert pair["share"].tolist() == [1.0]


@pytest.mark.parametrize("product", [None, "pod block"])
def test_the_intervals_cover_the_true_effects_and_the_strong_ones_are_found(script, book, product):
    effects = fit_factors(book.frame(product=product), "bubbles", FACTORS).effects.set_index("factor", drop=False)
    assert all(covered(script, effects))
    for strong in ("cup_degas_min", "mold_degas_min", "pour_method", "insert_prep"):
        assert effects.loc[strong, "strength"] == "clear", strong
    for nothing in ("strained", "tilt_deg"):
        assert effects.loc[nothing, "strength"] == "not shown", nothing


def cure_effects(frame: pd.DataFrame) -> pd.DataFrame:
    """Effect of the cure temperature on what the script lets it change."""
    fits = [fit_factors(frame, response, ["cure_c"], kind="measure") for response in ("shore_d", "size_error_mm")]
    return pd.concat([fit.effects.assign(response=fit.response) for fit in fits])


def cure_truth(script: ModuleType) -> list[float]:
    return [script.SHORE_D["40 C cure"], script.SIZE_ERROR_MM["40 C cure"]]


def test_hardness_and_size_follow_the_cure_temperature_as_stated(script, book):
    effects = cure_effects(book.frame())
    assert set(effects["strength"]) == {"clear"}
    for effect, stated in zip(effects.itertuples(), cure_truth(script), strict=True):
        assert effect.estimate == pytest.approx(stated, rel=0.25)


@pytest.mark.slow
def test_with_other_chances_about_nineteen_in_twenty_intervals_cover_the_truth(script, tmp_path):
    hits: list[bool] = []
    for seed in range(1, 31):
        frame = told_by(script, seed, tmp_path)
        hits += covered(script, fit_factors(frame, "bubbles", FACTORS).effects)
        for effect, stated in zip(cure_effects(frame).itertuples(), cure_truth(script), strict=True):
            hits.append(effect.low <= stated <= effect.high)
    assert len(hits) == 30 * (len(FACTORS) + 2)
    assert 0.91 <= sum(hits) / len(hits) <= 0.99  # 95% give or take three standard errors of 300 intervals
