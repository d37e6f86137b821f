"""How honest the intervals are where responses are not known exactly: simulated castings whose truth is known.

Each line: how often the 95% interval of a per-casting factor (and of a per-batch factor) holds the true effect, how far
the estimate is off on average and how much it scatters from run to run, and how wide the interval is, for the true responses (as a maker never sees them), for the records taken at face
value, and for `fit_factors` told how they were recorded. Run: python tests/benchmarks/bench_imperfect.py [runs] [case ...]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from castlab.analysis import fit_factors
from castlab.errors import FitError

EFFECT = 0.5
BATCHES, SIZE = 8, 4
FACTORS = ["pour", "warm"]


def castings(rng: np.random.Generator, base: float = 0.0, between: float = 0.2) -> tuple[pd.DataFrame, np.ndarray]:
    """Settings (`pour` per casting, `warm` per batch), and the latent level with a batch effect."""
    batch = np.repeat(np.arange(BATCHES), SIZE)
    pour = np.tile(np.arange(SIZE) % 2, BATCHES)
    warm = batch % 2
    level = base + EFFECT * (pour + warm) + rng.normal(0, between, BATCHES)[batch]
    frame = pd.DataFrame({"trial_id": [f"T{i}" for i in range(len(batch))], "batch_id": batch})
    for name, column in (("pour", pour), ("warm", warm)):
        frame[name] = pd.Categorical(np.where(column, "b", "a"), ["a", "b"])
    return frame, level


def counts(rng: np.random.Generator, mean: float, extra: float = 0.2) -> pd.DataFrame:
    frame, level = castings(rng, np.log(mean))
    return frame.assign(y=rng.poisson(np.exp(level + rng.normal(0, extra, len(level)))))


def stopped(rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """Counting stopped at 30; a third of the castings has more."""
    frame = counts(rng, 14)
    return "count", frame, frame.assign(y=frame["y"].clip(upper=30)), {"at_least": "more"}, {"more": frame["y"] >= 30}


def detection(rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """A measure whose lower third is only known to be below a limit."""
    frame, level = castings(rng, 2.0, 0.2)
    frame["y"] = level + rng.normal(0, 0.4, len(level))
    limit = 2.2
    return (
        "measure",
        frame,
        frame.assign(y=frame["y"].clip(lower=limit)),
        {"at_most": "below"},
        {"below": frame["y"] <= limit},
    )


def two_counters(rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """Ann counts all castings, Ben, who counts 1.4 times as many, mostly those of one pour."""
    frame = counts(rng, 14)
    readings = []
    for i, row in enumerate(frame.itertuples()):
        ben = rng.random() < (0.7 if row.pour == "b" else 0.15)
        if not ben or i % 4 in (0, 1):
            readings.append((row.trial_id, "ann", seen(rng, row.y, 1 / 1.2)))
        if ben or i % 4 in (0, 1):
            readings.append((row.trial_id, "ben", seen(rng, row.y, 1.2)))
    scores = pd.DataFrame(readings, columns=["trial_id", "scorer", "y"])
    naive = scores.groupby("trial_id")["y"].mean().round()
    return "count", frame, frame.assign(y=frame["trial_id"].map(naive)), {"scores": scores}, {}


def seen(rng: np.random.Generator, truth: int, bias: float) -> int:
    """A reading with half the scatter that a Poisson count would have."""
    return round(max(0.0, truth * bias + rng.normal(0, np.sqrt(0.5 * (truth * bias + 0.1)))))


def two_gauges(rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """A measure read by two people, one of whom reads higher and mostly read one pour."""
    frame, level = castings(rng, 2.0, 0.2)
    frame["y"] = level + rng.normal(0, 0.3, len(level))
    readings = []
    for i, row in enumerate(frame.itertuples()):
        ben = rng.random() < (0.7 if row.pour == "b" else 0.15)
        for who, reads, bias in (("ann", not ben, -0.2), ("ben", ben, 0.2)):
            if reads or i % 4 in (0, 1):
                readings.append((row.trial_id, who, row.y + bias + rng.normal(0, 0.3)))
    scores = pd.DataFrame(readings, columns=["trial_id", "scorer", "y"])
    naive = scores.groupby("trial_id")["y"].mean()
    return "measure", frame, frame.assign(y=frame["trial_id"].map(naive)), {"scores": scores}, {}


def two_graders(rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """Grades 0 to 4 by two people, one of them harsh and mostly grading one pour (odds ratio e, logistic)."""
    frame, level = castings(rng, 0.0, 0.3)
    latent = 2 * EFFECT * ((frame["pour"] == "b").to_numpy() + (frame["warm"] == "b").to_numpy() - 1.0)
    latent = latent + (level - EFFECT * ((frame["pour"] == "b").to_numpy() + (frame["warm"] == "b").to_numpy()))
    frame["y"] = np.searchsorted([-2.2, -0.8, 0.8, 2.2], latent + rng.logistic(0, 1, len(level)))
    readings = []
    for i, row in enumerate(frame.itertuples()):
        ben = rng.random() < (0.7 if row.pour == "b" else 0.15)
        for who, reads, bias in (("ann", not ben, 0.2), ("ben", ben, -0.2)):
            if reads or i % 4 in (0, 1):
                readings.append((row.trial_id, who, int(np.clip(round(row.y + bias + rng.normal(0, 0.4)), 0, 4))))
    scores = pd.DataFrame(readings, columns=["trial_id", "scorer", "y"])
    naive = scores.groupby("trial_id")["y"].median().round()
    return "grade", frame, frame.assign(y=frame["trial_id"].map(naive)), {"scores": scores}, {}


def two_judges(rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """Pass or fail judged twice for half of the castings; one reading in eight is wrong (odds ratio e)."""
    frame, level = castings(rng, 0.0, 0.3)
    latent = level + EFFECT * ((frame["pour"] == "b").to_numpy() + (frame["warm"] == "b").to_numpy() - 2.0)
    frame["y"] = latent + rng.logistic(0, 1, len(level)) > 0
    readings = []
    for i, row in enumerate(frame.itertuples()):
        for who in ("ann", "ben") if i % 2 else (("ann", "ben")[(i // 2) % 2],):
            readings.append((row.trial_id, who, bool(row.y) ^ (rng.random() < 0.125)))
    scores = pd.DataFrame(readings, columns=["trial_id", "scorer", "y"])
    naive = scores.groupby("trial_id")["y"].min()
    return "pass", frame, frame.assign(y=frame["trial_id"].map(naive)), {"scores": scores}, {}


def camera(rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """A camera that misses a third of the bubbles at pour b and a tenth at pour a, and finds two that are none."""
    frame = counts(rng, 14)
    share = np.where(frame["pour"] == "b", 0.35, 0.10)
    found = rng.binomial(frame["y"], 1 - share) + rng.poisson(2, len(frame))
    return "count", frame, frame.assign(y=found), {"missed": "share", "false_finds": 2.0}, {"share": share}


CASES: dict[str, Callable[[np.random.Generator], tuple]] = {
    f.__name__: f for f in (stopped, detection, two_counters, two_gauges, two_graders, two_judges, camera)
}  # fmt: skip


def run(case: str, runs: int, seed: int = 1) -> pd.DataFrame:
    """Coverage of the 95% intervals, mean error of the estimate and mean width, by way of analysis."""
    rng = np.random.default_rng(seed)
    found: list[tuple] = []
    for _ in range(runs):
        kind, truth, naive, told, columns = CASES[case](rng)
        for way, frame, words in (
            ("true", truth, {}),
            ("face value", naive, {}),
            ("told", naive.assign(**columns), told),
        ):
            try:
                effects = fit_factors(frame, "y", FACTORS, kind=kind, **words).effects
            except FitError:
                found.append((way, *[np.nan] * 6, 1))
                continue
            values = effects[["estimate", "low", "high"]].to_numpy()
            if kind != "measure":
                with np.errstate(divide="ignore"):  # an interval without a lower limit
                    values = np.log(values)
            goal = EFFECT if kind in ("count", "measure") else 2 * EFFECT
            line = [way]
            for estimate, low, high in values:
                line += [float(low <= goal <= high), estimate - goal, min(high - low, 20)]
            found.append((*line, 0))
    names = ["way", "pour_covers", "pour_off", "pour_width", "warm_covers", "warm_off", "warm_width", "failed"]
    groups = pd.DataFrame(found, columns=names).groupby("way", sort=False)
    table = groups.mean()
    table.insert(2, "pour_scatter", groups["pour_off"].std())
    table.insert(6, "warm_scatter", groups["warm_off"].std())
    return table


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    for case in sys.argv[2:] or CASES:
        start = time.perf_counter()
        table = run(case, runs)
        print(f"{case}: {CASES[case].__doc__} ({runs} runs, {time.perf_counter() - start:.0f} s)")
        print(table.round(3).to_string(), "\n", flush=True)
