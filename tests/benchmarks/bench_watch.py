"""How often watching a steady process is wrong, by simulation: `python tests/benchmarks/bench_watch.py [repetitions]`.

First table: share of points beyond the limits (0.0027 is meant), inside the baseline and after it, and the share of charts
with any alarm against the share that `watch` says. Second table: how often 95% intervals hold the truth.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from math import gamma

import numpy as np
import pandas as pd
from scipy import integrate, stats

from castlab.analysis import mold_life
from castlab.analysis.production import charts, runs
from castlab.analysis.production.capability import capability_table, yield_table

Make = Callable[[np.random.Generator, int, np.ndarray, str], charts.Chart]
RULES = runs.WESTERN_ELECTRIC


def counted(mean: float, spread: float) -> Make:
    """Batches of four castings; batch means log-normal with this standard deviation of the logarithm."""

    def make(rng: np.random.Generator, n: int, baseline: np.ndarray, method: str) -> charts.Chart:
        level = 4 * mean * np.exp(rng.normal(0, spread, n) - spread**2 / 2)
        return charts.counts(rng.poisson(level).astype(float), np.full(n, 4.0), baseline, method)

    return make


def failed(share: float, size: int, spread: float) -> Make:
    """Batches of castings that fail, with a normal logit per batch."""

    def make(rng: np.random.Generator, n: int, baseline: np.ndarray, method: str) -> charts.Chart:
        p = 1 / (1 + np.exp(-(np.log(share / (1 - share)) + rng.normal(0, spread, n))))
        return charts.shares(rng.binomial(size, p).astype(float), np.full(n, size), baseline, method)

    return make


def measured(rng: np.random.Generator, n: int, baseline: np.ndarray, method: str) -> charts.Chart:
    """Single normal values."""
    y = rng.standard_normal(n)
    sigma, df = charts.scatter(y, baseline, method)
    return charts.measures(y, np.ones(n), baseline, method, np.full(n, sigma), df)


def rare(rng: np.random.Generator, n: int, baseline: np.ndarray, method: str) -> charts.Chart:
    """One casting in ten fails."""
    gap = rng.geometric(0.1, n).astype(float)
    return charts.gaps(gap, int(baseline.sum()), gap[baseline].sum(), np.zeros(n, dtype=bool), True, method)


KINDS: dict[str, Make] = {
    "counts, mean 5": counted(5, 0),
    "counts, mean 5, batches 0.3": counted(5, 0.3),
    "counts, mean 16, batches 0.6": counted(16, 0.6),
    "measures": measured,
    "shares, 0.3 of 4": failed(0.3, 4, 0),
    "shares, 0.3 of 8, batches 0.7": failed(0.3, 8, 0.7),
    "gaps, 0.1": rare,
}


def any_alarm(scores: np.ndarray, beyond: np.ndarray) -> np.ndarray:
    return np.logical_or.reduce([(runs.hits(scores, beyond, rule) != 0).any(axis=-1) for rule in RULES])


def false_alarms(repetitions: int) -> pd.DataFrame:
    """One row per kind, method and length of the baseline."""
    rng, rows = np.random.default_rng(5), []
    for n, m in ((20, 20), (30, 8), (30, 12), (40, 20)):
        baseline = np.arange(n) < m
        for name, make in KINDS.items():
            for method in charts.METHODS:
                made = []
                while len(made) < repetitions:
                    made.append(make(rng, n, baseline, method))
                out = np.array([chart.beyond != 0 for chart in made])
                scores = np.array([chart.score for chart in made])
                told = [any_alarm(*chart.draw(rng, 200)).mean() for chart in made[::20]]
                rows.append(
                    {
                        "kind": name, "limits": method, "points": n, "baseline": m, "beyond_in_baseline": out[:, :m].mean(),
                        "beyond_after": out[:, m:].mean() if m < n else np.nan,
                        "charts_with_alarm": any_alarm(scores, out.astype(int)).mean(), "told": np.mean(told),
                    }
                )  # fmt: skip
    return pd.DataFrame(rows)


def coverage(repetitions: int) -> pd.DataFrame:
    """Share of 95% intervals that hold the truth: yield, Cpk, mean life of molds."""
    rng, rows = np.random.default_rng(1), []
    for k, m, spread in ((8, 4, 0.0), (8, 4, 1.0), (18, 4, 1.0)):
        codes = np.repeat(np.arange(k), m)
        true = integrate.quad(lambda u, s=spread: stats.norm.pdf(u) / (1 + np.exp(-(1 + s * u))), -8, 8)[0]
        c = 4 / (3 * np.hypot(1, spread))
        good = cpk = 0
        for _ in range(repetitions):
            p = 1 / (1 + np.exp(-(1 + spread * rng.standard_normal(k))))
            found = yield_table((rng.random(k * m) < p[codes]).astype(float), codes).iloc[0]
            good += found["low"] <= true <= found["high"]
            y = rng.standard_normal(k * m) + spread * rng.standard_normal(k)[codes]
            found = capability_table(y, (None, 4.0), codes).iloc[0]
            cpk += found["low"] <= c <= found["high"]
        case = f"{k} batches of {m}, batches {spread:g}"
        rows += [("yield", case, good / repetitions), ("Cpk", case, cpk / repetitions)]
    for molds, shape in ((8, 1.0), (8, 2.5), (8, 5.0), (20, 2.5)):
        held = []
        for _ in range(repetitions):
            life, age = 60 * rng.weibull(shape, molds), rng.uniform(10, 90, molds)
            found = mold_life(np.maximum(np.minimum(life, age), 0.5), life < age)
            if found.model == "Weibull":
                held.append(found.parameters["low"][0] <= 60 * gamma(1 + 1 / shape) <= found.parameters["high"][0])
        rows.append(("mean life", f"{molds} molds, shape {shape:g}, two or more worn out", np.mean(held)))
    return pd.DataFrame(rows, columns=["interval", "case", "coverage"])


if __name__ == "__main__":
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print(false_alarms(times).round(4).to_string(index=False))
    print()
    print(coverage(times).round(3).to_string(index=False))
