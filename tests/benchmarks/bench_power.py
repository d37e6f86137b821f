"""Simulated power: how much faster than one statsmodels fit per simulated experiment, whether it agrees with exact power,
how often it sees an effect where there is none, and how long the search for the castings of a weak effect takes. Side by
side in one run; nothing asserts a time.

Run: python tests/benchmarks/bench_power.py [fast | exact | alarms | search]
"""

from __future__ import annotations

import itertools
import sys
import time
import warnings
from collections.abc import Callable

import numpy as np
import outcomes
import pandas as pd
import statsmodels.api as sm
from scipy import stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

from castlab.analysis import fit_factors
from castlab.designs import Design, Factor, detection, layouts, plan_trials, power, simulation, truth
from castlab.errors import FitError

GRADES, BEST = [0.15, 0.3, 0.35, 0.2], [0.1, 0.1, 0.2, 0.6]
TWO_LEVELS = [[1.0, *levels] for levels in itertools.product((0.0, 1.0), repeat=4)]
ALPHA = 0.05


def given(kind: str, **options: object) -> truth.Truth:
    blank = {"base": None, "spread": None, "batch_spread": None, "dispersion": None, "alpha": ALPHA}
    return truth.read(kind, **(blank | options))


# --- how fast --------------------------------------------------------------------------------------------------


Test = Callable[[np.ndarray], float]


def least_squares(layout: layouts.Layout) -> Test:
    return lambda y: float(sm.OLS(y, layout.X).fit().pvalues[1])


def mixed(layout: layouts.Layout) -> Test:
    """A random batch by REML; t on the degrees of freedom of the textbook's analysis of variance."""
    df = layout.batches - 2 if layout.on_batches else layout.castings - layout.batches - 1
    return lambda y: float(2 * stats.t.sf(abs(sm.MixedLM(y, layout.X, layout.codes).fit(reml=True).tvalues[1]), df))


def quasi_poisson(layout: layouts.Layout) -> Test:
    return lambda y: float(sm.GLM(y, layout.X, family=sm.families.Poisson()).fit(scale="X2", use_t=True).pvalues[1])


def negative_binomial(layout: layouts.Layout) -> Test:
    """Poisson, and the negative binomial where Pearson's chi-square shows that counts scatter more."""
    df = layout.castings - layout.X.shape[1]

    def p(y: np.ndarray) -> float:
        plain = sm.GLM(y, layout.X, family=sm.families.Poisson()).fit()
        if stats.chi2.sf(plain.pearson_chi2, df) >= 0.05:
            wide = max(plain.pearson_chi2 / df, 1.0)
            return float(2 * stats.t.sf(abs(plain.tvalues[1]) / wide**0.5, df if wide > 1 else np.inf))
        found = sm.NegativeBinomial(y, layout.X).fit(disp=0)
        return float(2 * stats.t.sf(abs(found.tvalues[1]), df))

    return p


def in_batches(layout: layouts.Layout, family: object) -> Test:
    """Estimating equations with castings of a batch alike, bias-reduced, with t for so few batches."""

    def p(y: np.ndarray) -> float:
        alike = sm.cov_struct.Exchangeable()
        fit = sm.GEE(y, layout.X, layout.codes, family=family, cov_struct=alike).fit(cov_type="bias_reduced")
        return float(2 * stats.t.sf(abs(fit.tvalues[1]), layout.batches - 1))

    return p


def logistic(layout: layouts.Layout) -> Test:
    """Likelihood ratio."""

    def p(y: np.ndarray) -> float:
        found = sm.GLM(y, layout.X, family=sm.families.Binomial()).fit()
        return float(stats.chi2.sf(2 * (found.llf - found.llnull), 1))

    return p


def ordered(layout: layouts.Layout) -> Test:
    """Likelihood ratio of proportional odds."""

    def p(y: np.ndarray) -> float:
        found = OrderedModel(y, layout.X[:, 1:], distr="logit").fit(method="bfgs", disp=0)
        if layout.X.shape[1] > 2:  # Wald, so that one fit is enough
            return float(found.pvalues[0])
        alone = sum(np.sum(y == g) * np.log(np.mean(y == g)) for g in np.unique(y))
        return float(stats.chi2.sf(2 * (found.llf - alone), 1))

    return p


def fast(experiments: int = 4000, looped: int = 300, checked: int = 60) -> None:
    groups, many = layouts.two_groups(12, 12), layouts.two_groups(18, 18)
    whole, each = layouts.in_batches(12, 6, True), layouts.in_batches(12, 6, False)
    few, four = layouts.two_groups(8, 8), layouts.Layout(np.tile(np.array(TWO_LEVELS), (3, 1)), None)
    large, more = layouts.in_batches(24, 12, False), layouts.two_groups(28, 28)
    scattered = given("measure", effect=1.3, spread=1.0, batch_spread=0.5)
    counts = given("count", effect=0.5, base=5, dispersion=1.5, batch_spread=0.3)
    passes = given("pass", effect=5.0, base=0.4, batch_spread=0.3)
    graded = given("grade", effect=6.0, base=GRADES, batch_spread=0.5)
    cases = [
        ("measures, 24 castings", given("measure", effect=1.2, spread=1.0), groups, least_squares(groups), SAME),
        ("measures set per batch, 24 castings in 6 batches", scattered, whole, mixed(whole), SAME),
        ("measures within batches, 24 castings in 6 batches", scattered, each, mixed(each), SAME),
        (
            "counts, 24 castings",
            given("count", effect=0.5, base=5, dispersion=1.5),
            groups,
            quasi_poisson(groups),
            SAME,
        ),
        ("counts in 12 batches, 48 castings", counts, large, in_batches(large, sm.families.Poisson()), OTHER),
        ("pass, 36 castings", given("pass", effect=5.0, base=0.4), many, logistic(many), TEST),
        ("pass, 56 castings", given("pass", effect=4.0, base=0.4), more, logistic(more), SAME),
        ("pass in 12 batches, 48 castings", passes, large, in_batches(large, sm.families.Binomial()), OTHER),
        ("grades, 36 castings", given("grade", effect=4.0, base=GRADES), many, ordered(many), OTHER),
    ]
    cases += [
        ("counts, 56 castings", given("count", effect=0.7, base=5), more, negative_binomial(more), SAME),
        (
            "over-dispersed counts, 56 castings",
            given("count", effect=0.55, base=6, dispersion=2.5),
            more,
            negative_binomial(more),
            SAME,
        ),
        ("counts, mostly none, 16 castings", given("count", effect=0.2, base=1.2), few, quasi_poisson(few), REDUCED),
        ("grades, 56 castings", given("grade", effect=3.0, base=GRADES), more, ordered(more), SAME),
        ("grades, mostly the best, 16 castings", given("grade", effect=8.0, base=BEST), few, ordered(few), OTHER),
        ("grades in 6 batches, 24 castings", graded, each, ordered(each), OTHER),
        ("grades, 4 factors, 48 castings", given("grade", effect=4.0, base=GRADES), four, ordered(four), WALD),
        (
            "counts, 4 factors, 48 castings",
            given("count", effect=0.6, base=6, dispersion=2),
            four,
            negative_binomial(four),
            SAME,
        ),
    ]
    print(f"{experiments} simulated experiments at once, and {looped} with a statsmodels fit for each:")
    for title, true, layout, one, kin in cases:
        case = true.case(layout, 1)
        Y = simulation.draw(case, looped, np.random.default_rng(1))
        start = time.process_time()
        done = [
            simulation.block(case, n, 1, (b,)) for b, n in enumerate(simulation.blocks(experiments, len(case.line)))
        ]
        ours = (time.process_time() - start) / experiments
        p, ok = simulation.analysed(case, Y)
        start = time.process_time()
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            theirs = np.array([_tried(one, y) for y in Y])
        loop = (time.process_time() - start) / looped
        mine, other = ok & (p < ALPHA), theirs < ALPHA
        error = 2.576 * np.sqrt(max(np.mean(mine != other), 1 / looped) / looped)
        alike = sum(_by_fit_factors(true.kind, layout, y) == m for y, m in zip(Y[:checked], mine, strict=False))
        print(
            f"  {title}: {1e6 * ours:.0f} us with drawing them against {1e6 * loop:.0f} us, {loop / ours:.0f} times as fast "
            f"(bar 20); power {sum(done[1:], done[0]).power:.3f}; on the same {looped} {np.mean(mine):.3f} and "
            f"{np.mean(other):.3f} ({kin}; chance {error:.3f}); fit_factors says the same of {alike} of {checked}"
        )


SAME, OTHER = "same model", "statsmodels has another model"
WALD = "same model, but statsmodels' Wald test"
REDUCED = "same model, but bias-reduced and a likelihood ratio where a group has no count"
TEST = "same model, but few passes are tested by what outcomes can come about"


def _by_fit_factors(kind: str, layout: layouts.Layout, y: np.ndarray) -> bool:
    names = [f"x{j}" for j in range(1, layout.X.shape[1])]
    frame = pd.DataFrame(layout.X[:, 1:], columns=names).assign(y=y if kind == "measure" else y.astype(int))
    if layout.codes is not None:
        frame["batch_id"] = layout.codes
    try:
        return bool(fit_factors(frame, "y", names, kind=kind).effects["p_value"].iloc[0] < ALPHA)
    except FitError:
        return False


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
        found = _simulated(asked, experiments, number)
        low, high = found.interval()
        hit = low <= truly.power <= high
        inside += hit
        widest = max(widest, abs(found.power - truly.power))
        if not hit:
            outside.append(f"{title}: exact {truly.power:.3f}, simulated {found.power:.3f} ({low:.3f} to {high:.3f})")
    print(
        f"Exact power within the {simulation.LEVEL:.0%} interval of the simulated one: {inside} of {cases} (bar 95); largest difference {widest:.3f}"
    )
    print("".join(f"  outside: {line}\n" for line in outside), end="")


def _simulated(asked: dict[str, object], experiments: int, seed: int) -> simulation.Tally:
    """The same castings simulated, without the search for how many are needed."""
    options = {k: v for k, v in asked.items() if k in ("effect", "base", "spread", "batch_spread")}
    true, castings = given(str(asked["kind"]), **options), asked["castings"]
    if isinstance(castings, Design):
        case = detection.case_of_plan(castings, true, str(asked["factor"]))
    elif "batches" in asked:
        case = true.case(layouts.in_batches(castings, asked["batches"], asked["per_batch"]), 1)
    else:
        case = true.case(layouts.two_groups(*castings), 1)
    return simulation.block(case, experiments, seed, (1,))


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
    print(
        f"Effects seen where there is none, at the nominal 5% ({experiments} experiments, error about 0.25 points; in "
        "brackets passes added up over all outcomes, and where no size within 4 to 6% can be had, the two next to 5%):"
    )
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
                    for b, n in enumerate(simulation.blocks(experiments, len(case.line)))
                ]
                tally = sum(parts[1:], parts[0])
                failed = (
                    f", {tally.failed / tally.total:.0%} not analysed" if tally.failed > 0.005 * tally.total else ""
                )
                exact = added_up(case) if kind == "pass" else ""
                found.append(
                    f"{castings}/{batches} {'between' if per_batch else 'within'} {tally.power:.1%}{exact}{failed}"
                )
        print(f"  {kind} (castings/batches): {'; '.join(found)}")


def added_up(case: simulation.Case) -> str:
    """How often an effect is seen, over all outcomes that passes can have."""
    every = outcomes.of_design(case.X, case.codes)
    p, ok = simulation.analysed(case, every.Y)
    chance = every.chance(np.linalg.lstsq(case.X, case.line)[0], case.batch_spread)
    low, high = outcomes.attainable(p, chance)
    steps = f", attainable {low:.1%} or {high:.1%}" if low < 0.04 and high > 0.06 else ""
    return f" [{chance @ (ok & (p < case.alpha)):.1%}{steps}]"


# --- how long a search takes --------------------------------------------------------------------------------------


def search() -> None:
    print("How many castings in each group a weak effect takes, by power(), in processor time:")
    batches = {"batches": 6, "batch_spread": 0.3}
    kinds: dict[str, dict[str, object]] = {
        "grade": {"effect": 1.4, "base": GRADES},
        "count": {"effect": 0.85, "base": 5, "dispersion": 2},
        "pass": {"effect": 1.6, "base": 0.5},
        "measure": {"effect": 0.25, "spread": 1.0},
    }
    weak: list[dict[str, object]] = [{"kind": kind, **asked} for kind, asked in kinds.items()]
    weak += [asked | batches for asked in weak]
    for asked in weak:
        start = time.process_time()
        found = power(12, **asked, progress=False)
        where = ", both groups in each batch" if "batches" in asked else ""
        took = time.process_time() - start
        print(f"  {asked['kind']}{where}: {found.needed or 'more than 500'} ({found.method}), {took:.1f} s")


if __name__ == "__main__":
    chosen = sys.argv[1:] or ["fast", "exact", "alarms", "search"]
    for name in chosen:
        {"fast": fast, "exact": exact, "alarms": alarms, "search": search}[name]()
