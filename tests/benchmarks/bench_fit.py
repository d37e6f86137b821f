"""How long `fit_factors` takes, beside the bare statsmodels fit that each kind of response would rest on.

    python tests/benchmarks/bench_fit.py [--repeats 7]

60 castings in 15 batches, six factors (two set per batch), everything imported and run once before. Per kind: seconds of
`fit_factors` with effects, intervals, tests, cautions and verdict; seconds of the bare fit; their ratio. Bare fits:
    measure   MixedLM (REML, random intercept per batch) of the measures
    count     Poisson GLM, then MixedLM of its working response
    pass      binomial GLM, then MixedLM of its working response
    grade     OrderedModel (logit), then MixedLM of the grades
A second table has the same without batches, beside OLS, GLM, GLM and OrderedModel. The bars: ratio 3, 0.5 s.
The middle of the repeats is shown, both sides in turn in one run.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd

from castlab.analysis import fit_factors

FACTORS = ["resin_c", "degas_min", "pour", "tilt", "pressure_kpa", "prepared"]


def castings(seed: int = 4) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(15), 4)
    frame = pd.DataFrame(
        {
            "batch_id": [f"B-{b:03d}" for b in batch],
            "resin_c": np.where(batch % 2, 30.0, 22.0),
            "degas_min": np.where(batch // 2 % 2, 12.0, 5.0),
            "pour": rng.choice(["stream", "ladle"], 60),
            "tilt": rng.choice(["flat", "tilted"], 60),
            "pressure_kpa": rng.choice([100.0, 300.0], 60),
            "prepared": rng.choice([True, False], 60),
        }
    )
    line = 0.5 * (frame["pour"] == "ladle") - 0.4 * (frame["resin_c"] > 25) + rng.normal(0, 0.3, 15)[batch]
    chance = rng.random(60)
    return frame.assign(
        measure=line + rng.normal(0, 0.5, 60),
        count=rng.poisson(8 * np.exp(line)),
        passed=chance < 1 / (1 + np.exp(-line)),
        grade=np.digitize(line + np.log(chance / (1 - chance)), [-2, -0.5, 0.8, 2]),
    )


def bare(frame: pd.DataFrame, kind: str, batched: bool) -> Callable[[], object]:
    import statsmodels.api as sm
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    levels = frame[FACTORS].apply(lambda c: (c == c.max()).astype(float))
    X, groups = sm.add_constant(levels).to_numpy(), frame["batch_id"].to_numpy()
    y = frame["passed" if kind == "pass" else kind].to_numpy(dtype=float)

    def mixed(z: np.ndarray) -> object:
        return sm.MixedLM(z, X, groups=groups).fit(reml=True)

    def run() -> object:
        if kind == "measure":
            return mixed(y) if batched else sm.OLS(y, X).fit()
        if kind == "grade":
            ordered = OrderedModel(y.astype(int), X[:, 1:], distr="logit").fit(method="bfgs", disp=0)
            return mixed(y) if batched else ordered
        fit = sm.GLM(y, X, family=sm.families.Poisson() if kind == "count" else sm.families.Binomial()).fit()
        slope = fit.mu if kind == "count" else fit.mu * (1 - fit.mu)
        return mixed(X @ fit.params + (y - fit.mu) / slope) if batched else fit

    return run


def seconds(run: Callable[[], object]) -> float:
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--repeats", type=int, default=7)
    repeats = parser.parse_args().repeats
    import statsmodels.api  # noqa: F401  (its import sets warning filters)

    warnings.simplefilter("ignore")
    frame = castings()
    for batched in (True, False):
        print(f"\n60 castings, 6 factors, {'15 batches' if batched else 'no batches'}; middle of {repeats}")
        print(f"{'kind':10}{'fit_factors s':>15}{'statsmodels s':>15}{'ratio':>8}")
        for kind in ("measure", "count", "pass", "grade"):
            column = "passed" if kind == "pass" else kind

            def ours(column: str = column, kind: str = kind, batch: bool | None = None if batched else False) -> object:
                return fit_factors(frame, column, FACTORS, kind=kind, batch=batch)

            theirs = bare(frame, kind, batched)
            ours(), theirs()
            times = np.median([(seconds(ours), seconds(theirs)) for _ in range(repeats)], axis=0)
            print(f"{kind:10}{times[0]:15.3f}{times[1]:15.3f}{times[0] / times[1]:8.1f}")


if __name__ == "__main__":
    main()
