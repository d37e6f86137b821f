"""A workshop without the demo: every notebook goes on as far as it can, or says in one sentence what to do next, and where.

The shops are walked in one process each (walk.py); that the same notebooks run by papermill is in test_notebooks.py.
"""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys

import nbformat
import outputs
import pytest

from castlab import Batch, Logbook, Material, Mold, Score, Trial, errors, workspace

LOG = r"NotFoundError: .* no castings (in the logbook )?yet: log the first in notebook 1\b.* sheet in notebook 5"
ADD = r"NotFoundError: there is no R-0\d in this logbook; .* add it at the end of notebook 1, under “Once: a resin or a mold”"
FEW = r"FitError: (only 3 castings|no casting) with {}; at least 4 are needed to watch anything: log and score more"

EMPTY = {
    "03_compare_runs": LOG,
    "04_which_factors_matter": LOG,
    "06_report": LOG,
    "07_plan_a_mix": ADD,
    "08_plan_the_vacuum": ADD,
    "09_plan_the_cure": ADD,
    "10_make_a_mold": ADD,
    "11_what_it_costs": ADD,
    "12_watch_production": LOG,
    "13_settle_the_recipe": LOG,
    "14_choose_the_next_castings": ADD,  # after the plan, its power and its map
    "15_can_we_trust_our_scores": r"NotFoundError: no casting was scored yet: log .* notebook 1 and score them in notebook 2",
    "16_report_two_recipes": LOG,
}
"""Notebook -> the sentence that it ends in; the others come to their end."""

FIRST = {
    "06_report": r"InputError: no setting changed often enough in the 3 castings so far .*: log and score more castings",
    "11_what_it_costs": r"InputError: no casting has passed yet, .* \(notebook 2\), or give a guess",
    "13_settle_the_recipe": r"InputError: limits names 'resin_c', which these fits do not judge \(.* never varied.*\).* leave it out",
    "15_can_we_trust_our_scores": r"InputError: how_many is 10, but there are 3 castings; accepted: up to 3",
}

ON_ITS_OWN = {
    "empty": {"14_choose_the_next_castings": [LOG]},
    "first": {
        "12_watch_production": [FEW.format(name) for name in ("bubbles", "haze_pct", "passed")],
        "15_can_we_trust_our_scores": [r"0 castings were scored by two people or more \(scorers: 1\)"] * 2
        + [r"such castings, best scored twice by each; plan_rescoring plans a session"],
    },
}
"""Shop -> notebook -> the sentences of parts that need more, beyond which it went on."""


@pytest.fixture(scope="module")
def walked(tmp_path_factory):
    """Shop -> what walk.py saw in it."""
    places = {name: workspace.make(tmp_path_factory.mktemp("new") / name).folder for name in ("empty", "first")}
    with Logbook.open(places["first"] / workspace.LOGBOOK, who="Noor") as book:
        book.add(Material(name="clear resin", family="slow clear epoxy", target_phr=28, price_per_kg=21))
        book.add(Material(name="mold silicone", family="platinum-cure silicone"))
        book.add(Mold(name="Block A", product="pod block"))
        cup = book.add(Batch(resin_id="R-01", resin_g=150, hardener_g=42, resin_c=24, cup_degas_min=4))
        for number, pour in enumerate(["stream", "ladle", "stream"]):
            made = Trial(batch_id=cup.id, mold_id="M-01", product="pod block", pour_method=pour, demold_h=24)
            book.add(Score(trial_id=book.add(made).id, scorer="Noor", bubbles=3 + number, clarity_grade=3))
    return {name: _walk(place) for name, place in places.items()}


def _walk(place):
    done = subprocess.run(
        [sys.executable, str(outputs.HERE / "walk.py"), str(place)],
        env=outputs.environment(), capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    return json.loads(done.stdout.splitlines()[-1])


@pytest.mark.slow
@pytest.mark.parametrize(("shop", "ends"), [("empty", EMPTY), ("first", FIRST)])
def test_a_notebook_of_a_new_shop_comes_to_its_end_or_says_in_one_sentence_what_to_do(walked, shop, ends):
    seen = walked[shop]
    assert list(seen) == [path.stem for path in outputs.NOTEBOOKS]
    stopped = {name: found["stopped"] for name, found in seen.items() if found["stopped"]}
    assert set(stopped) == set(ends), stopped
    for name, said in stopped.items():
        assert re.match(ends[name], said), f"{name}: {said}"
    refused = {name: found["refused"] for name, found in seen.items() if found["refused"]}
    assert set(refused) == set(ON_ITS_OWN[shop]), refused
    for name, sentences in ON_ITS_OWN[shop].items():
        assert len(sentences) == len(refused[name]), refused[name]
        assert all(re.search(one, said) for one, said in zip(sentences, refused[name], strict=True)), refused[name]
    for said in [*stopped.values(), *(one for many in refused.values() for one in many)]:
        kind, _, sentence = said.partition(": ")
        assert issubclass(getattr(errors, kind), errors.CastlabError), said
        assert "\n" not in sentence
        assert len(sentence) < 320


@pytest.mark.slow
def test_without_castings_the_next_ones_are_planned_all_the_same(walked):
    shown = walked["empty"]["14_choose_the_next_castings"]["shown"]
    assert "24 castings" in shown
    assert "power" in shown.lower()


@pytest.mark.parametrize("path", outputs.NOTEBOOKS, ids=lambda path: path.stem)
def test_nothing_rests_on_a_cell_that_may_fail_on_its_own(path):
    mine: set[str] = set()
    for cell in outputs.code_cells(nbformat.read(path, as_version=4)):
        names = [node for node in ast.walk(ast.parse(cell.source)) if isinstance(node, ast.Name)]
        made = {node.id for node in names if isinstance(node.ctx, ast.Store)}
        assert {node.id for node in names if isinstance(node.ctx, ast.Load)} & (mine - made) == set()
        if outputs.ON_ITS_OWN in cell.metadata.get("tags", []):
            mine |= made
