"""How often the checks of a fit cry without a fault, and what they and the randomisation tests cost beside the fit.

    python tests/benchmarks/bench_checks.py [fits per cell]

Sound plans in batches and molds, with and without effects, every kind of response; "by chance" are the checks that rest
on a p-value, "carried" those that leave castings and batches out.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from castlab.analysis import fit_factors
from castlab.analysis.models import permutation as shuffling
from castlab.errors import FitError

FACTORS = ["warm", "pour", "temp_c"]
BY_CHANCE = [
    "odd castings", "shape of the scatter", "spread", "straight lines", "time trend", "molds", "batches",
    "shuffled settings",
]  # fmt: skip
CARRIED = ["one casting", "one batch"]


def sound(seed: int, batches: int, size: int, kind: str, effect: float) -> pd.DataFrame:
    """A plan with nothing wrong."""
    rng = np.random.default_rng(seed)
    codes = np.repeat(np.arange(batches), size)
    n = len(codes)
    warm = rng.permutation(np.arange(batches) % 2)[codes]
    pour = np.concatenate([rng.permutation(np.arange(size) % 2) for _ in range(batches)])
    temp = rng.permutation(np.resize([20.0, 25.0, 30.0], batches))[codes]
    mold = np.concatenate([rng.permutation(np.arange(size)) % 3 for _ in range(batches)])
    eta = effect * (pour - warm) + 0.3 * rng.normal(size=batches)[codes]
    y = {
        "count": lambda: rng.negative_binomial(20, 20 / (20 + np.exp(2 + eta))),
        "measure": lambda: eta + 0.5 * rng.normal(size=n),
        "pass": lambda: rng.random(n) < 1 / (1 + np.exp(-eta)),
        "grade": lambda: np.digitize(eta + rng.logistic(size=n), [-1.5, 0.0, 1.5]),
    }[kind]()
    return pd.DataFrame({"batch_id": codes, "mold_id": mold, "warm": warm, "pour": pour, "temp_c": temp, "y": y})


def main(fits: int) -> None:
    """Print a row per cell, then the cost of shuffling."""
    print(
        f"{'batches':>8}{'size':>6}{'kind':>9}{'effect':>8}{'fits':>6}{'by chance':>11}{'carried':>9}{'checks/fit':>12}"
    )
    for batches, size in ((8, 4), (5, 3)):
        for kind in ("measure", "count", "grade", "pass"):
            for effect in (0.0, 0.7):
                found, cost = [], [0.0, 0.0]
                for seed in range(fits):
                    begun = time.perf_counter()
                    try:
                        fit = fit_factors(sound(seed, batches, size, kind, effect), "y", FACTORS, kind=kind)
                    except FitError:
                        continue
                    fitted = time.perf_counter()
                    table = fit.checks().table.set_index("check")["finding"].isin(["look", "serious"])
                    cost = [cost[0] + fitted - begun, cost[1] + time.perf_counter() - fitted]
                    found.append((table[BY_CHANCE].any(), table.reindex(CARRIED).fillna(False).any()))
                chance, carried = np.mean(found, axis=0)
                ratio = cost[1] / cost[0]
                print(
                    f"{batches:>8}{size:>6}{kind:>9}{effect:>8}{len(found):>6}{chance:>11.3f}{carried:>9.3f}{ratio:>12.1f}",
                    flush=True,
                )
    for kind in ("measure", "count", "grade", "pass"):
        made = sound(1, 750, 4, kind, 0.3).assign(
            **{name: np.random.default_rng(ord(name)).integers(0, 3, 3000).astype(str) for name in "abc"}
        )
        begun = time.perf_counter()
        fit = fit_factors(made, "y", [*FACTORS, *"abc"], kind=kind)
        fitted = time.perf_counter()
        fit.checks()
        took, ratio = fitted - begun, (time.perf_counter() - fitted) / (fitted - begun)
        print(f"{kind}: 3000 castings, 6 factors fitted in {took:.2f} s, checks {ratio:.1f} times that")
    codes = np.repeat(np.arange(15), 4)
    rng = np.random.default_rng(0)
    own = [rng.integers(0, 2, 15)[codes] for _ in range(3)] + [rng.integers(0, 2, 60) for _ in range(3)]
    X, y = np.column_stack([np.ones(60), *own]).astype(float), rng.normal(size=60)
    for j in range(1, 7):
        begun = time.perf_counter()
        shuffling.randomised(X, y, [j], codes, samples=2000)
        print(f"factor {j}: 2000 shuffles of 60 castings in {1000 * (time.perf_counter() - begun):.1f} ms")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
