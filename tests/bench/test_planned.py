"""A run sheet and a batch of a design say the same things in one form."""

from __future__ import annotations

import pandas as pd
import pytest

from castlab.bench import plan_mix, run_sheet
from castlab.bench.planned import planned
from castlab.designs import Factor, plan_trials
from castlab.errors import InputError


def test_a_run_sheet_settles_what_is_known_and_only_aims_at_what_will_be_done():
    mix = plan_mix(145, "slow clear epoxy", molds=2)
    sheet = run_sheet(
        mix, "slow clear epoxy", {"Block A": "M-01", "Block B": "M-02"}, product="pod block", start="2026-08-03 09:20",
        plan="autumn", pour_method="stream", resin_c=27,
    )  # fmt: skip
    cup = planned(sheet)
    assert cup.castings == ("Block A", "Block B")
    assert cup.fixed["batch"]["plan"] == "autumn"
    assert cup.fixed["Block B"] == {"product": "pod block", "mold_id": "M-02"}
    assert cup.aims["batch"]["resin_g"] == mix.weigh["g_per_cup"].iloc[0]
    assert cup.aims["Block A"]["pour_method"] == "stream"
    assert "resin_c" not in cup.fixed["batch"]


def test_a_batch_of_a_design_gives_the_cup_its_settings_and_each_casting_its_own():
    design = plan_trials(
        [Factor("resin_c", 22, 32), Factor("pour_method", ["stream", "ladle"]), Factor("tilt_deg", 0, 15)], runs=8,
        per_batch=["resin_c"], batch_size=2, seed=1,
    )  # fmt: skip
    table = design.batch(1)
    cup = planned(table)
    assert len(cup.castings) == 2
    assert cup.aims["batch"] == {"resin_c": table["resin_c"].iloc[0]}
    assert [cup.aims[n]["pour_method"] for n in cup.castings] == list(table["pour_method"])
    assert [cup.aims[n]["extra"]["tilt_deg"] for n in cup.castings] == list(table["tilt_deg"])


def test_the_run_sheets_of_a_design_give_each_casting_its_settings():
    design = plan_trials(
        [Factor("resin_c", 22, 32), Factor("pour_method", ["stream", "ladle"]), Factor("tilt_deg", 0, 15)], runs=8,
        per_batch=["resin_c"], batch_size=2, seed=1,
    )  # fmt: skip
    sheet = design.run_sheets(120, "slow clear epoxy", product="pod block", start="2026-08-03 09:20")[0]
    table, cup = design.batch(1), planned(sheet)
    assert cup.aims["batch"]["resin_c"] == table["resin_c"].iloc[0]
    assert [cup.aims[n]["extra"]["tilt_deg"] for n in cup.castings] == list(table["tilt_deg"])
    assert [cup.aims[n]["pour_method"] for n in cup.castings] == list(table["pour_method"])


def test_castings_of_one_mold_are_told_apart_and_molds_get_their_ids():
    table = pd.DataFrame({"mold": ["A", "A"], "cure_c": [23, 40]})
    cup = planned(table, molds={"A": "M-01"})
    assert cup.castings == ("A, 1", "A, 2")
    assert cup.fixed["A, 2"] == {"mold_id": "M-01"}


def test_what_is_no_plan_of_one_cup_is_refused():
    with pytest.raises(InputError, match="this is no plan"):
        planned(pd.DataFrame())
    with pytest.raises(InputError, match="resin_c is set per cup"):
        planned(pd.DataFrame({"resin_c": [22, 32]}))
