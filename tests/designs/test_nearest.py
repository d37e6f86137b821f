"""A refusal names requests that are possible: every one that it names is made, over requests of all goals."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from castlab.designs import Design, Factor, plan_trials
from castlab.errors import ImpossibleError


@st.composite
def factors(draw: st.DrawFn) -> list[Factor]:
    """One to six factors: ranges, lists of numbers, levels without order, on and off, some of them held."""
    kinds = draw(
        st.lists(st.sampled_from(["range"] * 4 + ["numbers", "levels", "off", "held"]), min_size=1, max_size=6)
    )
    made = {
        "range": lambda name: Factor(name, -1, 1),
        "numbers": lambda name: Factor(name, [0, 1, 5]),
        "levels": lambda name: Factor(name, list("abcd")[: draw(st.integers(2, 4))]),
        "off": Factor.on_off,
        "held": lambda name: Factor(name, hold=24),
    }
    found = [made[kind](f"x{k}") for k, kind in enumerate(kinds)]
    return found if any(f.varied for f in found) else [*found, Factor("x", -1, 1)]


@st.composite
def requests(draw: st.DrawFn) -> dict[str, Any]:
    """What plan_trials may be asked: each argument can be read, together many are impossible."""
    given = draw(factors())
    varied = [f for f in given if f.varied]
    names = [f.name for f in varied]
    goal = draw(st.sampled_from(["screen", "effects", "curve"]))
    asked: dict[str, Any] = {"factors": given, "goal": goal, "seed": draw(st.integers(0, 3))}
    asked["runs"] = draw(st.one_of(st.none(), st.integers(1, 40), st.sampled_from([8, 16, 32])))
    if draw(st.booleans()):
        asked["interactions"] = draw(st.sampled_from([0, 2, [tuple(names[:2])] if len(names) > 1 else 0]))
    if draw(st.booleans()):
        asked["per_batch"] = draw(st.lists(st.sampled_from(names), unique=True, max_size=3))
        asked["batch_size"] = draw(st.one_of(st.none(), st.integers(1, 9)))
    if draw(st.integers(0, 2)) == 0:
        asked["blocks"] = draw(st.one_of(st.integers(2, 9), st.just(["M-01", "M-02", "M-03"])))
    if draw(st.integers(0, 2)) == 0:
        asked["forbid"] = draw(st.lists(rules(varied), min_size=1, max_size=3))
    if draw(st.integers(0, 3)) == 0:
        asked["using"] = draw(
            st.sampled_from(["factorial", "plackett-burman", "optimal", "central composite", "box-behnken"])
        )
    if draw(st.integers(0, 3)) == 0:
        asked["made"] = draw(castings(given))
    if draw(st.integers(0, 3)) == 0:
        asked["criterion"] = "I"
    return asked


def rules(varied: list[Factor]) -> st.SearchStrategy[dict[str, Any]]:
    one = {f.name: st.sampled_from([f.settings[0], f.settings[-1]]) for f in varied}
    return st.lists(st.sampled_from(list(one)), min_size=1, max_size=2, unique=True).flatmap(
        lambda names: st.fixed_dictionaries({n: one[n] for n in names})
    )


@st.composite
def castings(draw: st.DrawFn, given: list[Factor]) -> pd.DataFrame:
    n = draw(st.integers(1, 6))
    made = {f.name: [draw(st.sampled_from(f.settings)) if f.varied else f.hold for _ in range(n)] for f in given}
    with_batches = {"batch": draw(st.lists(st.sampled_from(["B-1", "B-2"]), min_size=n, max_size=n))}
    return pd.DataFrame(made | (with_batches if draw(st.booleans()) else {}))


def check(asked: dict[str, Any]) -> Design | None:
    """The plan; where there is none, every request that the refusal names is made."""
    try:
        return plan_trials(**asked)
    except ImpossibleError as error:
        said, nearest = str(error), error.nearest
    assert "nearest possible request" in said
    assert nearest
    for changes in nearest:
        assert changes
        plan = plan_trials(**asked | changes)
        assert changes.get("runs") in (None, len(plan.table))
    return None


@pytest.mark.slow
@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(requests())
def test_every_request_that_a_refusal_names_is_possible(asked):
    check(asked)
