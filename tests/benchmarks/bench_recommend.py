"""How often the next casting of a new batch lies in its 95% prediction interval, by simulation, and what asking costs.

`python tests/benchmarks/bench_recommend.py [runs]` prints one row per cell: kind, batches x castings, scatter between
batches, coverage of `next_casting`, mean width; then the time of `recommend` over that of the fits it rests on.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from castlab.analysis import fit_factors, next_casting, recommend
from castlab.errors import FitError

CELLS = [
    ("count", 6, 3, 0.0, 0.0), ("count", 6, 3, 0.4, 0.1), ("count", 8, 2, 0.3, 0.3), ("count", 12, 2, 0.6, 0.0),
    ("measure", 6, 3, 0.7, 0.0), ("measure", 6, 4, 0.0, 0.0), ("measure", 12, 2, 1.0, 0.0), ("grade", 8, 3, 0.5, 0.0),
]  # fmt: skip
"""Kind, batches, castings per batch, spread between batches and dispersion of castings, on the scale of the line."""


def castings(rng: np.random.Generator, kind: str, batches: int, each: int, tau: float, alpha: float) -> pd.DataFrame:
    """Castings of so many batches and one more, with one factor per batch and one per casting."""
    batch = np.repeat(np.arange(batches + 1), each)
    pour = np.resize(["stream", "ladle"], len(batch))
    warm = np.where(np.arange(batches + 1) % 2, 30.0, 20.0)[batch]
    line = 0.5 * (pour == "ladle") + 0.4 * (warm == 30) + rng.normal(0, tau, batches + 1)[batch]
    if kind == "count":
        mean = 8 * np.exp(line - tau**2 / 2)
        y = rng.poisson(mean * rng.gamma(1 / alpha, alpha, len(mean)) if alpha else mean)
    elif kind == "measure":
        y = 3 + line + rng.normal(0, 1, len(line))
    else:
        y = np.digitize(1.5 * line + rng.logistic(size=len(line)), [-1.5, 0, 1.5, 3])
    return pd.DataFrame({"y": y, "pour": pour, "warm_c": warm, "batch_id": batch})


def covered(rng: np.random.Generator, cell: tuple[str, int, int, float, float]) -> tuple[bool, float] | None:
    """Whether a casting of the batch left out lies in its interval, and how wide that is."""
    made = castings(rng, *cell)
    new = made.iloc[-1]
    try:
        fit = fit_factors(made[made["batch_id"] < cell[1]], "y", ["pour", "warm_c"], kind=cell[0])
    except FitError:
        return None
    row = next_casting(fit, {"pour": new["pour"], "warm_c": new["warm_c"]}).iloc[0]
    return bool(row["next_low"] <= new["y"] <= row["next_high"]), float(row["next_high"] - row["next_low"])


def main(runs: int) -> None:
    print(f"{runs} runs a cell; 95% promised (whole numbers: at least 95%)")
    for cell in CELLS:
        rng = np.random.default_rng(5)
        seen = [found for _ in range(runs) if (found := covered(rng, cell)) is not None]
        inside, width = np.mean([s[0] for s in seen]), np.mean([s[1] for s in seen])
        print(f"{cell[0]:8} {cell[1]:3} x {cell[2]}  between {cell[3]:.1f}: {inside:6.1%} covered, width {width:.2f}")
    made = castings(np.random.default_rng(1), "count", 20, 3, 0.3, 0.1)
    fit_factors(made, "y", ["pour", "warm_c"], kind="count")
    start = time.perf_counter()
    fit = fit_factors(made, "y", ["pour", "warm_c"], kind="count")
    fitted = time.perf_counter() - start
    start = time.perf_counter()
    recommend(fit, {"y": "fewer"})
    print(f"recommend takes {(time.perf_counter() - start) / fitted:.1f} times the fit it rests on ({fitted:.3f} s)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
