"""The chance that planned castings will show an effect: `power` and its result."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.designs import aliasing, assess, chances, exchange, layouts, simulation, truth, workers
from castlab.designs.design import Design
from castlab.designs.ladder import ENOUGH, MOST, Ladder
from castlab.designs.truth import Truth
from castlab.errors import InputError
from castlab.given import flag, processes, shown, whole
from castlab.results import Result

MOST_SIMULATIONS = 1_000_000
USUAL = 2000
"""Simulated experiments where their number is left open: power is then known to within about 2 points."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Power(Result):
    """The chance that an effect of this size will be shown (interval without zero).

    `power`, with `low` and `high` around it: equal to it where it is exact, else the 95% interval of the simulation.
    `table`: for two groups castings (in each group), power, low, high; for a plan effect, contrast, judged_on, df, power,
    low, high. `needed`: castings in each group for a power of 0.8, None for a plan, without an effect, or beyond 500.
    `simulations`: simulated experiments behind `power`, 0 where it is exact.
    """

    power: float
    low: float
    high: float
    kind: str
    effect: float
    table: pd.DataFrame
    needed: int | None
    method: str
    castings: int
    """In all."""
    simulations: int = 0
    groups: tuple[int, ...] = ()
    """Castings of each of the two groups; none for a plan."""

    def tables(self) -> dict[str, pd.DataFrame]:
        shares = {c: [words.share(p) for p in self.table[c]] for c in ("power", "low", "high")}
        told = self.table.assign(**shares)
        if "effect" in told:
            told["effect"] = [aliasing.said(effect) for effect in told["effect"]]
        return {"Chance to show it": told if self.simulations else told.drop(columns=["low", "high"])}


@dataclass(frozen=True)
class Effort:
    """How to simulate."""

    simulations: int | None
    seed: int
    jobs: int | None
    cluster: str | None
    progress: bool | None

    @classmethod
    def of(cls, simulations: Any, seed: Any, jobs: Any, cluster: Any, progress: Any) -> Effort:
        """The effort that was asked for, or InputError for what cannot be read."""
        if simulations is not None and not whole("simulations", simulations, 100) <= MOST_SIMULATIONS:
            raise InputError(
                f"simulations is {shown(simulations)}; accepted: 100 to {MOST_SIMULATIONS} simulated experiments, or None"
            )
        return cls(
            None if simulations is None else int(simulations), whole("seed", seed, 0),
            None if jobs is None else processes(jobs), cluster,
            None if progress is None else flag("progress", progress),
        )  # fmt: skip

    def tally(
        self, cases: Sequence[tuple[simulation.Case, tuple[int, ...]]], simulations: int
    ) -> list[simulation.Tally]:
        """Each case, simulated so often; the key tells its random streams from those of the others."""
        sizes = [simulation.blocks(simulations, len(case.line)) for case, _ in cases]
        tasks = [
            (case, n, self.seed, (*key, b))
            for (case, key), own in zip(cases, sizes, strict=True)
            for b, n in enumerate(own)
        ]
        done = iter(
            workers.run(
                simulation.block,
                tasks,
                jobs=self.jobs,
                cluster=self.cluster,
                progress=self.progress,
                what="Simulating castings",
            )
        )
        return [sum((next(done) for _ in own), simulation.Tally(0, 0, 0)) for own in sizes]


def power(
    castings: Design | int | Sequence[int],
    *,
    effect: float,
    kind: str,
    base: float | Sequence[float] | None = None,
    spread: float | None = None,
    batches: int | None = None,
    per_batch: bool = False,
    batch_spread: float | None = None,
    dispersion: float | None = None,
    factor: str | None = None,
    alpha: float = 0.05,
    simulations: int | None = None,
    seed: int = 1,
    jobs: int = 1,
    cluster: str | None = None,
    progress: bool | None = None,
) -> Power:
    """How likely these castings are to show an effect of this size: exactly where that is possible, else by simulation.

    Parameters
    ----------
    castings : Design, int or two ints
        A plan of `plan_trials`, the castings in each of two groups, or the castings of both groups.
    effect : float
        The true effect: a difference for measures (from low to high, or a level against the first), a ratio for counts
        (0.5: halved), an odds ratio for pass and grades (of passing, of better grades). Without an effect (0 for measures,
        1 else) the power is the rate of false alarms.
    kind : {"measure", "count", "grade", "pass"}
        What the response is.
    base : float or sequence
        Counts: the mean count of the first group. Pass: the share that passes in it, between 0 and 1. Grades: the share of
        castings with each grade, worst first. For a plan: in the middle of its settings.
    spread : float
        The standard deviation between castings (of one cup, where there are batches): of measures, in their unit; of
        counts, at the mean count `base`, where it says how much more than Poisson counts they scatter.
    batches : int, optional
        Two groups of castings poured from so many cups in all. With `per_batch` the groups are whole batches, else both
        groups are poured from each cup.
    batch_spread : float, optional
        Standard deviation between batches: of the measure, of the log of the mean count (0.2: about 20%), or of the log
        odds. Needed with batches; a plan of batches has a guess of its own for measures.
    dispersion : float, optional
        Counts, instead of spread: variance over mean within a batch, 1 (Poisson) or more.
    factor : str, optional
        For a plan, the effect whose power is given as `.power`; None takes the main effect with the least.
    alpha : float
        Level of the two-sided test.
    simulations : int, optional
        Simulated experiments; None simulates only where there is no exact answer.
    seed : int
        The same seed gives the same answer, on any number of workers.
    jobs : int
        Processes to simulate with; -1 for all cores.
    cluster : str, optional
        Address of a Dask scheduler whose workers do it instead.
    progress : bool, optional
        Show a progress bar; None shows it when there is much to simulate.

    Returns
    -------
    Power
        `.power`, `.low`, `.high`, `.table`, `.needed`, `.verdict`, `.cautions`, `.figure()`.

    Raises
    ------
    InputError
        For values out of range, or castings that cannot be shared out to the batches.

    Notes
    -----
    Measures: non-central t, on batch means for what is set per batch. Pass: every outcome of two binomials, with the test
    of `fit_factors`. Counts: every outcome of two Poisson totals, with the conditional test. See
    `castlab.designs.chances`. All else (grades; over-dispersed counts; batches; plans of counts, grades and pass):
    castings are drawn, analysed as `fit_factors` does, and counted.

    Examples
    --------
    >>> halved = power(8, effect=0.5, kind="count", base=6)
    >>> round(halved.power, 2), halved.needed
    (0.78, 9)
    """
    given = truth.read(kind, effect, base, spread, batch_spread, dispersion, alpha)
    per_batch = flag("per_batch", per_batch)
    batches = None if batches is None else whole("batches", batches, 1)
    effort = Effort.of(simulations, seed, jobs, cluster, progress)
    if isinstance(castings, Design):
        if batches is not None or per_batch:
            raise InputError("batches and per_batch are for two groups; a plan has its own batches")
        return _of_plan(castings, given, factor, effort)
    if factor is not None:
        raise InputError("factor was given without a plan; accepted: factor only with a Design")
    return _of_groups(*sizes_of(castings), given, batches, per_batch, effort)


def sizes_of(castings: object) -> tuple[int, int]:
    """The castings in each of two groups."""
    pair = [castings, castings] if isinstance(castings, (int, np.integer)) else castings
    good = isinstance(pair, (list, tuple)) and len(pair) == 2
    if not good or any(
        isinstance(n, bool) or not isinstance(n, (int, np.integer)) or not 2 <= n <= MOST
        for n in pair  # type: ignore[attr-defined]
    ):
        raise InputError(
            f"castings is {shown(castings)}; accepted: a Design, the castings in each of two groups, or a pair of them (2 to {MOST})"
        )
    return int(pair[0]), int(pair[1])  # type: ignore[index]


def _of_groups(first: int, second: int, given: Truth, batches: int | None, per_batch: bool, effort: Effort) -> Power:
    if batches is None and (given.batch_spread is not None or per_batch):
        raise InputError("batch_spread and per_batch need batches, the number of mixed cups in all")
    if batches is not None and first != second:
        raise InputError(
            f"castings in batches are {first} and {second}; accepted: one number, the castings in each group"
        )
    if batches is not None:
        given.between_batches()
    ladder = Ladder.of(first, batches, per_batch)
    exact = None if effort.simulations is not None else ladder.exact(given)
    if exact is not None:
        chance, test = exact
        at = chance(first, second)
        found = (at, at, at)
        needed = None if given.none else ladder.needed(lambda n: chance(n, n))
        steps = ladder.steps(max(first, second, needed or 0))
        shown = [chance(n, n) for n in steps]
        table = pd.DataFrame({"castings": steps, "power": shown, "low": shown, "high": shown})
        method, done, failed = test, 0, 0.0
    else:
        done = effort.simulations or USUAL
        pair = ladder.layout(first) if first == second else layouts.two_groups(first, second)
        tally = effort.tally([(given.case(pair, 1), (first, second))], done)[0]
        found, failed = (tally.power, *tally.interval()), tally.failed / tally.total
        needed, table = ladder.simulated(given, effort, done, max(first, second))
        method = "simulated castings, analysed as fit_factors does"
    made = f"{first} and {second} castings" if first != second else f"{first} castings in each of two groups"
    if batches is not None:
        poured = "whole batches of a group" if per_batch else "both groups in each batch"
        made += f" ({words.size(2 * first, batches)}, {poured})"
    return Power(
        verdict=f"{made} have a chance of {_chance(*found, done)} to show {given.told()}.{_enough(needed, given, ladder)}",
        cautions=_cautions_of_groups(given, batches, not done, failed), power=found[0], low=found[1], high=found[2], kind=given.kind,
        effect=given.effect, table=table, needed=needed, method=method, castings=first + second, simulations=done,
        groups=(first, second),
    )  # fmt: skip


def _chance(power: float, low: float, high: float, simulations: int) -> str:
    if not simulations:
        return words.share(power)
    return f"{words.share(power)} (95% interval {100 * low:.0f} to {words.share(high)}, {simulations} simulated experiments)"


def _enough(needed: int | None, given: Truth, ladder: Ladder) -> str:
    if given.none:
        return ""
    if needed is None:
        return f" A chance of {words.share(ENOUGH)} takes more than {MOST} castings in each group."
    cups = ladder.batches(needed)
    return f" A chance of {words.share(ENOUGH)} takes {words.count(needed, 'casting')} in each group" + (
        f", in {words.count(cups, 'batch')} in all." if cups else "."
    )


def _cautions_of_groups(given: Truth, batches: int | None, exact: bool, failed: float) -> tuple[str, ...]:
    said = given.taken_for_granted("count batches (batches=, per_batch=True)" if batches is None else None)
    if batches is not None:
        said.insert(0, f"The scatter between batches is a guess ({given.batch_spread:.3g}, standard deviation of {truth.SCALE[given.kind]}): with more of it, what is set per batch shows less.")  # fmt: skip
    if given.kind == "count" and given.dispersion == 1 and exact:
        said.append("The conditional test knows that they do; fit_factors finds out from the castings, which costs about 10 points of the chance with 4 in each group, 3 with 8, hardly any from 16 on (simulations= shows how many).")  # fmt: skip
    return (*said, *_failed(failed))


def _failed(share: float) -> tuple[str, ...]:
    if share < 0.01:
        return ()
    return (f"{words.share(share)} of the simulated experiments could not be analysed (all castings alike, for example); they count as not shown.",)  # fmt: skip


def _of_plan(design: Design, given: Truth, factor: str | None, effort: Effort) -> Power:
    if factor is not None:
        _known_effect(design.precision, factor)
    guessed = given.batch_spread is None
    given, runs, known = _with_scatter(design, given)
    between, within = assess.degrees(runs)
    table = known[["effect", "contrast", "judged_on", "df"]]
    done, failed = 0, 0.0
    if given.kind == "measure" and effort.simulations is None:
        shift = given.effect / (given.spread * known["standard_error"].to_numpy())
        shown = chances.of_means(shift, known["df"].to_numpy(), given.alpha)
        table = table.assign(power=shown, low=shown, high=shown)
        method = "t test on the degrees of freedom of the plan"
    else:
        done = effort.simulations or USUAL
        layout, contrasts = layouts.of_plan(runs)
        seen = [k for k in range(len(contrasts)) if known["df"].iloc[k] > 0 and within > 0]
        tallies = dict(zip(seen, effort.tally([(given.case(layout, k + 1), (k,)) for k in seen], done), strict=True)) if seen else {}  # fmt: skip
        rows = [
            (tallies[k].power, *tallies[k].interval()) if k in tallies else (0.0,) * 3 for k in range(len(contrasts))
        ]
        table = table.assign(**dict(zip(("power", "low", "high"), map(list, zip(*rows, strict=True)), strict=True)))
        failed = max((t.failed / t.total for t in tallies.values()), default=0.0)
        method = "simulated castings, analysed as fit_factors does; one effect at a time"
    main = [f.name for f in runs.space.factors]
    asked = table[table["effect"].isin([factor] if factor is not None else main)]
    weakest = asked.loc[asked["power"].idxmin()]
    found = (float(weakest["power"]), float(weakest["low"]), float(weakest["high"]))
    cautions = []
    if runs.batched:
        near = "" if done else "Exact where batches are alike in size and effects independent, else close; the "
        whose = "the plan's guess" if guessed else "yours"
        size = f"{runs.plan.ratio:.3g} times the variance of castings" if given.kind == "measure" else f"standard deviation of {truth.SCALE[given.kind]} {given.batch_spread:.3g}"  # fmt: skip
        cautions.append(f"{near or 'The '}scatter between batches is {whose}, {size}.")
    if min(between, within) == 0:
        cautions.append("Where nothing is left over to judge by, no effect of any size will be shown.")
    name = labels.name(str(weakest["effect"]))
    scatter = f", castings scattering by {given.spread:.3g}" if given.kind == "measure" else ""
    return Power(
        verdict=(
            f"This plan has a chance of {_chance(*found, done)} to show {given.told_in_plan()} of {name} "
            f"({weakest['contrast']}){scatter}" + ("." if factor is not None else "; it is the main effect with the least.")
        ), cautions=(*cautions, *_failed(failed)), power=found[0], low=found[1], high=found[2], kind=given.kind,
        effect=given.effect, table=table, needed=None, method=method, castings=len(design.table), simulations=done,
    )  # fmt: skip


def case_of_plan(design: Design, given: Truth, factor: str | None) -> simulation.Case | None:
    """The experiment that looks for one effect of a plan (its first factor by default); None where nothing can show it.

    Raises
    ------
    InputError
        For an effect that the plan does not have, or batch scatter that does not fit it.
    """
    given, runs, known = _with_scatter(design, given)
    layout, contrasts = layouts.of_plan(runs)
    name = factor if factor is not None else runs.space.factors[0].name
    _known_effect(known, name)
    at = next(k for k, c in enumerate(contrasts) if c.effect == name)
    if known["df"].iloc[at] <= 0 or assess.degrees(runs)[1] == 0:
        return None
    return given.case(layout, at + 1)


def _known_effect(known: pd.DataFrame, name: str) -> None:
    if not isinstance(name, str) or name not in set(known["effect"]):
        raise InputError(
            f"the plan has no effect {shown(name)}; its effects: {', '.join(dict.fromkeys(known['effect']))}"
        )


def _with_scatter(design: Design, given: Truth) -> tuple[Truth, assess.Runs, pd.DataFrame]:
    """The truth and the plan with the same scatter between batches, whichever of them it comes from."""
    runs, known = design._runs, design.precision
    if not runs.batched:
        if given.batch_spread is not None:
            raise InputError("batch_spread is for plans with batches; this one has none")
        return given, runs, known
    if given.batch_spread is None and given.kind == "measure":
        return replace(given, batch_spread=given.spread * float(np.sqrt(runs.plan.ratio))), runs, known
    between = given.between_batches()
    if given.kind != "measure":
        return given, runs, known
    ratio = (between / given.spread) ** 2
    runs = replace(runs, plan=exchange.structure(runs.plan.batch, runs.nuisance, ratio, runs.plan.n_made))
    return given, runs, assess.precision(runs)
