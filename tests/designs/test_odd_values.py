"""Whatever is given for one argument is either used or refused in one sentence that says what is accepted."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from castlab.designs import Factor, plan_trials, power, power_sweep
from castlab.errors import InputError

ODD = [
    float("nan"), float("inf"), pd.NA, pd.NaT, "", "  ", "x" * 5000, b"ab", -1, 0, 0.5, True, np.True_, np.int64(3),
    np.float64("nan"), Decimal("2.5"), Decimal("NaN"), Fraction(1, 3), 10**400, 10**5000, 1e308, 1j, [1, 2], ["a", "a"],
    [[1, 2], [3]], [None, "a"], [pd.NA, "a"], {"a": 1}, {1, 2}, np.array([1.0, 2.0]), np.ones((2, 2)), np.array(3),
    pd.DataFrame({"a": range(50)}), pd.Series([1, 2]), object(), len, pd.Timestamp("2026-01-01"), "a\nb", "a\u200bb",
    list(range(1000)),
]  # fmt: skip
AB = [Factor("a", 0, 1), Factor("b", 0, 1)]
PLAN = {"factors": AB, "runs": 8}
POWER = {"castings": 8, "effect": 1, "kind": "measure", "spread": 1}
SWEEP = {"castings": [4], "effects": [1], "kind": "measure", "spread": 1, "simulations": 100, "jobs": 1}
SHARED = ("effect", "base", "spread", "per_batch", "batch_spread", "dispersion", "alpha", "factor", "seed", "progress")
CALLS = {
    **{f"plan_trials {name}": lambda v, name=name: plan_trials(**PLAN | {name: v}) for name in (
        "factors", "runs", "goal", "interactions", "per_batch", "batch_size", "blocks", "forbid", "made", "using",
        "criterion", "batch_scatter", "seed",
    )},
    **{f"power {name}": lambda v, name=name: power(**POWER | {name: v}) for name in ("castings", "kind", "batches", *SHARED)},
    **{f"power_sweep {name}": lambda v, name=name: power_sweep(**SWEEP | {name: v}) for name in (
        "castings", "effects", "batch_size", *SHARED[1:],
    )},
    "name": lambda v: Factor(v, 0, 1),
    "low": lambda v: Factor("a", v),
    "high": lambda v: Factor("a", 0, v),
    "hold": lambda v: Factor("a", hold=v),
    "set per batch": lambda v: Factor("a", 0, 1, per_batch=v),
    "a level": lambda v: Factor("a", ["x", v]),
    "a number": lambda v: Factor("a", [1, 2, v]),
    "in a mapping": lambda v: plan_trials({"a": v, "b": [0, 1]}, 8),
    "a pair": lambda v: plan_trials(AB, 8, interactions=[v]),
    "a name in a pair": lambda v: plan_trials(AB, 8, interactions=[("a", v)]),
    "a rule": lambda v: plan_trials(AB, 8, forbid=[v]),
    "a setting in a rule": lambda v: plan_trials(AB, 8, forbid=[{"a": v, "b": 1}]),
    "a range in a rule": lambda v: plan_trials(AB, 8, forbid=[{"a": (v, 1), "b": 1}]),
    "a held setting in a rule": lambda v: plan_trials([*AB, Factor("h", hold=3)], 8, forbid=[{"a": 1, "h": v}]),
    "a level that was cast": lambda v: plan_trials([AB[0], Factor("p", ["x", "y"])], 4, made=pd.DataFrame({"a": [0], "p": [v]}, dtype=object)),
    "a mold": lambda v: plan_trials(AB, 8, blocks=["m", v]),
    "a share of grades": lambda v: power(8, kind="grade", effect=2, base=[0.5, v], simulations=100),
}  # fmt: skip


@pytest.mark.parametrize("call", CALLS)
def test_odd_values_are_used_or_refused_in_one_sentence(call):
    for value in ODD:
        if call.startswith("power_sweep") and isinstance(value, float) and value == 1e308:
            continue  # simulated, where it can be read
        try:
            CALLS[call](value)
        except InputError as error:
            said = str(error)
            assert "\n" not in said
            assert len(said) < 420, said


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: plan_trials(AB, 8, interactions=float("nan")), "interactions is nan; accepted: 0"),
        (lambda: Factor("a", ["x", pd.NA]), "a blank among its settings"),
        (lambda: plan_trials(AB, 8, blocks=[None, "a"]), "blocks holds None, which is no name of a mold"),
        (lambda: Factor("a ", 0, 1), "'a '.*without blanks at its ends"),
        (lambda: power(pd.DataFrame({"a": range(50)}), effect=1, kind="measure", spread=1), "castings is a DataFrame of 50 x 1;"),
        (lambda: Factor("a", [1, 1.0]), "twice"),
        (lambda: Factor("a", 0, 1, per_batch="no"), "per_batch of factor a is 'no'; accepted: True or False"),
        (lambda: plan_trials(AB, 8, blocks=10**9), "names of 2 to 500 molds"),
        (lambda: power(8, effect=1, kind="measure", spread=1, jobs=0), "jobs is 0"),
    ],
)  # fmt: skip
def test_what_was_taken_without_a_word_is_refused(make, said):
    with pytest.raises(InputError, match=said):
        make()
