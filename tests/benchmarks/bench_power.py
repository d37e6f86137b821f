"""Simulated power: how much faster than one statsmodels fit per simulated experiment, whether it agrees with exact power,
and how often it sees an effect where there is none. Side by side in one run; nothing asserts a time.

Run: python tests/benchmarks/bench_power.py [fast | exact | alarms]
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable

import numpy as np
import statsmodels.api as sm
from scipy import stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

from castlab.designs import Factor, layouts, plan_trials, power, simulation, truth

GRADES = [0.15, 0.3, 0.35, 0.2]
ALPHA = 0.05


def given(kind: str, **options: object) -> truth.Truth:
    blank = {"base": None, "spread": None, "batch_spread": None, "dispersion": None, "alpha": ALPHA}
    return truth.read(kind, **(blank | options))


# --- how fast --------------------------------------------------------------------------------------------------


def on_batch_means(layout: layouts.Layout) -> Callable[[np.ndarray], float]:
    """Least squares of batch means: what a per-batch factor is judged on when batches are alike in size."""
    Z = np.eye(layout.batches)[layout.codes]
    means = Z / Z.sum(axis=0)
    X = means.T @ layout.X
    return lambda y: float(sm.OLS(means.T @ y, X).fit().pvalues[1])


def within_batches(layout: layouts.Layout, family: object | None) -> Callable[[np.ndarray], float]:
    """Least squares, or a quasi-likelihood with t, with a fixed effect for each batch."""
    X = np.column_stack([np.eye(layout.batches)[layout.codes], layout.X[:, 1]])
    if family is None:
        return lambda y: float(sm.OLS(y, X).fit().pvalues[-1])
    return lambda y: float(sm.GLM(y, X, family=family).fit(scale="X2", use_t=True).pvalues[-1])


def of_glm(layout: layouts.Layout, family: object) -> Callable[[np.ndarray], float]:
    return lambda y: float(sm.GLM(y, layout.X, family=family).fit(scale="X2", use_t=True).pvalues[1])


def of_grades(layout: layouts.Layout) -> Callable[[np.ndarray], float]:
    def p(y: np.ndarray) -> float:
        found = OrderedModel(y, layout.X[:, 1:], distr="logit").fit(method="bfgs", disp=0)
        alone = sum(np.sum(y == g) * np.log(np.mean(y == g)) for g in np.unique(y))
        return float(stats.chi2.sf(2 * (found.llf - alone), 1))

    return p


def fast(experiments: int = 4000, looped: int = 300) -> None:
    groups, each, whole = layouts.two_groups(12, 12), layouts.in_batches(12, 6, False), layouts.in_batches(12, 6, True)
    poisson, binomial = sm.families.Poisson(), sm.families.Binomial()
    cases = [
        ("measures, 24 castings, set per batch of 4", given("measure", effect=1.8, spread=1.0, batch_spread=0.5), whole, on_batch_means(whole)),
        ("measures, 24 castings in batches of 4", given("measure", effect=1.2, spread=1.0, batch_spread=0.5), each, within_batches(each, None)),
        ("counts, 24 castings", given("count", effect=0.5, base=5, dispersion=1.5), groups, of_glm(groups, poisson)),
        ("counts, 24 castings in batches of 4", given("count", effect=0.5, base=5, dispersion=1.5, batch_spread=0.3), each, within_batches(each, poisson)),
        ("pass, 24 castings", given("pass", effect=9.0, base=0.4), groups, of_glm(groups, binomial)),
        ("pass, 24 castings in batches of 4", given("pass", effect=9.0, base=0.4, batch_spread=0.3), each, within_batches(each, binomial)),
        ("grades, 24 castings", given("grade", effect=6.0, base=GRADES), groups, of_grades(groups)),
    ]  # fmt: skip
    print(
        f"Simulated experiments analysed at once, and one statsmodels fit for each ({experiments} and {looped} experiments):"
    )
    for title, true, layout, one in cases:
        case = true.case(layout, 1)
        Y = simulation.draw(case, looped, np.random.default_rng(1))
        start = time.perf_counter()
        sizes = simulation.blocks(experiments)
        done = [simulation.block(case, n, 1, (b,)) for b, n in enumerate(sizes)]
        ours = (time.perf_counter() - start) / experiments
        p, ok = simulation.analysed(case, Y)
        start = time.perf_counter()
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            theirs = np.array([_tried(one, y) for y in Y])
        loop = (time.perf_counter() - start) / looped
        mine, other = ok & (p < ALPHA), theirs < ALPHA
        error = 2.576 * np.sqrt(max(np.mean(mine != other), 1 / looped) / looped)
        share = sum(done[1:], done[0]).power
        print(
            f"  {title}: {1e6 * ours:.0f} us with drawing them, {1e6 * loop:.0f} us: {loop / ours:.0f} times as fast; "
            f"power {share:.3f}; on the same {looped} experiments {np.mean(mine):.3f} and {np.mean(other):.3f}, "
            f"difference {np.mean(mine) - np.mean(other):+.3f} (within {error:.3f} by chance)"
        )


def _tried(one: Callable[[np.ndarray], float], y: np.ndarray) -> float:
    try:
        found = one(y)
    except Exception:  # separation and singular fits: nothing is shown
        return 1.0
    return found if np.isfinite(found) else 1.0


# --- against exact power -----------------------------------------------------------------------------------------


def exact(cases: int = 100, experiments: int = 1000) -> None:
    rng = np.random.default_rng(7)
    inside, widest = 0, 0.0
    outside: list[str] = []
    for number in range(cases):
        title, asked = _random(rng)
        truly = power(**asked)
        found = power(**asked, simulations=experiments, seed=number)
        hit = found.low <= truly.power <= found.high
        inside += hit
        widest = max(widest, abs(found.power - truly.power))
        if not hit:
            outside.append(
                f"{title}: exact {truly.power:.3f}, simulated {found.power:.3f} ({found.low:.3f} to {found.high:.3f})"
            )
    print(
        f"Exact power within the {simulation.LEVEL:.0%} interval of the simulated one: {inside} of {cases} (bar 95); largest difference {widest:.3f}"
    )
    print("".join(f"  outside: {line}\n" for line in outside), end="")


def _random(rng: np.random.Generator) -> tuple[str, dict[str, object]]:
    what = rng.choice(["means", "batch means", "within batches", "pass", "plan"])
    size = float(rng.uniform(0.3, 2.2))
    common: dict[str, object] = {"kind": "measure", "effect": size, "spread": 1.0}
    if what == "means":
        return what, {"castings": tuple(int(n) for n in rng.integers(4, 20, 2)), **common}
    if what in ("batch means", "within batches"):
        cups, each = int(rng.choice([4, 6, 8])), int(rng.choice([2, 4]))
        return what, {
            "castings": cups * each // 2, "batches": cups, "per_batch": what == "batch means",
            "batch_spread": float(rng.uniform(0.1, 1.5)), **common,
        }  # fmt: skip
    if what == "pass":
        sizes = tuple(int(n) for n in rng.integers(6, 25, 2))
        return what, {"castings": sizes, "kind": "pass", "effect": float(rng.uniform(1, 12)), "base": float(rng.uniform(0.15, 0.6))}  # fmt: skip
    factors = [
        Factor("resin_c", 22, 32, per_batch=True),
        Factor("pour", ["stream", "ladle"]),
        Factor("rest_min", 0, 10),
    ]
    plan = plan_trials(factors, 16, batch_size=int(rng.choice([2, 4])), batch_scatter=float(rng.uniform(0.2, 2)))
    return what, {"castings": plan, "factor": str(rng.choice(["resin_c", "pour", "rest_min"])), **common}


# --- false alarms -------------------------------------------------------------------------------------------------


def alarms(experiments: int = 8000) -> None:
    print(f"Effects seen where there is none, at the nominal 5% ({experiments} experiments, error about 0.5 points):")
    kinds = {
        "measure": given("measure", effect=0, spread=1.0, batch_spread=0.5),
        "count": given("count", effect=1, base=6, dispersion=1.5, batch_spread=0.25),
        "grade": given("grade", effect=1, base=GRADES, batch_spread=0.5),
        "pass": given("pass", effect=1, base=0.5, batch_spread=0.5),
    }
    shapes = [(12, 4), (12, 6), (16, 4), (24, 4), (24, 6)]
    for kind, true in kinds.items():
        found = []
        for castings, batches in shapes:
            for per_batch in (True, False):
                case = true.case(layouts.in_batches(castings // 2, batches, per_batch), 1)
                parts = [
                    simulation.block(case, n, 11, (castings, batches, b))
                    for b, n in enumerate(simulation.blocks(experiments))
                ]
                tally = sum(parts[1:], parts[0])
                failed = (
                    f", {tally.failed / tally.total:.0%} not analysed" if tally.failed > 0.005 * tally.total else ""
                )
                found.append(f"{castings}/{batches} {'between' if per_batch else 'within'} {tally.power:.1%}{failed}")
        print(f"  {kind} (castings/batches): {'; '.join(found)}")


if __name__ == "__main__":
    chosen = sys.argv[1:] or ["fast", "exact", "alarms"]
    for name in chosen:
        {"fast": fast, "exact": exact, "alarms": alarms}[name]()
