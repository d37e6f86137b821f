"""Power over numbers of castings and sizes of effect, on all cores or a cluster: `power_sweep`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from castlab.analysis import words
from castlab.designs import detection, layouts, simulation, truth
from castlab.designs.design import Design
from castlab.designs.detection import Effort
from castlab.designs.ladder import ENOUGH
from castlab.errors import InputError
from castlab.given import whole
from castlab.results import Result

USUAL = 1000


@dataclass(frozen=True, kw_only=True, eq=False)
class PowerSweep(Result):
    """Power of every number of castings (or plan) with every size of effect.

    `table`: castings (in each group, or in all of the plan), effect, power, low, high (95% interval of the simulation).
    `needed`: effect, castings (the fewest looked at with a power of 0.8; missing where none has it).
    """

    table: pd.DataFrame
    needed: pd.DataFrame
    kind: str
    plans: bool
    simulations: int

    def tables(self) -> dict[str, pd.DataFrame]:
        grid = self.table.pivot(index="castings", columns="effect", values="power").map(words.share)
        grid.columns = [f"effect {e:.3g}" for e in grid.columns]
        return {"Chance to show it": grid.reset_index()}


def power_sweep(
    castings: Sequence[int] | Sequence[Design],
    *,
    effects: Sequence[float],
    kind: str,
    base: float | Sequence[float] | None = None,
    spread: float | None = None,
    batch_size: int | None = None,
    per_batch: bool = False,
    batch_spread: float | None = None,
    dispersion: float | None = None,
    factor: str | None = None,
    alpha: float = 0.05,
    simulations: int = USUAL,
    seed: int = 1,
    jobs: int | None = None,
    cluster: str | None = None,
    progress: bool | None = None,
) -> PowerSweep:
    """The chance to show effects of several sizes with several numbers of castings, by simulation.

    Parameters
    ----------
    castings : sequence of int, or of Design
        Castings in each of two groups, or plans of `plan_trials`.
    effects : sequence of float
        True effects, each as in `power`.
    batch_size : int, optional
        Castings of both groups poured from one cup (per_batch=False), or of a group (per_batch=True).
    factor : str, optional
        For plans, the effect that is looked for; None takes the first factor.
    simulations : int
        Simulated experiments for each pair of castings and effect.
    seed : int
        The same seed gives the same answer, on any number of workers.
    jobs : int, optional
        Processes to simulate with; -1 for all cores; None for all cores when there is much to simulate.
    cluster : str, optional
        Address of a Dask scheduler ("tcp://10.0.0.5:8786") whose workers do it instead.
    progress : bool, optional
        Show a progress bar; None shows it when there is much to simulate.
    kind, base, spread, per_batch, batch_spread, dispersion, alpha
        As in `power`.

    Returns
    -------
    PowerSweep
        `.table`, `.needed`, `.verdict`, `.figure()`.

    Raises
    ------
    InputError
        For values out of range, or castings that cannot be shared out to batches of this size.

    Examples
    --------
    >>> swept = power_sweep([6, 12], effects=[1, 2], kind="measure", spread=1, simulations=500, jobs=1)
    >>> swept.table["castings"].tolist(), swept.table["effect"].tolist()
    ([6, 6, 12, 12], [1.0, 2.0, 1.0, 2.0])
    """
    wanted = list(castings) if isinstance(castings, (list, tuple, range, np.ndarray)) else []
    plans = bool(wanted) and all(isinstance(c, Design) for c in wanted)
    if not wanted or not (plans or all(isinstance(c, (int, np.integer)) and not isinstance(c, bool) for c in wanted)):
        raise InputError(f"castings is {castings!r}; accepted: a list of numbers of castings, or a list of plans")
    sizes = [float(e) for e in effects] if isinstance(effects, (list, tuple, np.ndarray)) else []
    if not sizes:
        raise InputError(f"effects is {effects!r}; accepted: a list of sizes of effect")
    if plans and (batch_size is not None or per_batch):
        raise InputError("batch_size and per_batch are for two groups; a plan has its own batches")
    counts = [len(c.table) if isinstance(c, Design) else int(c) for c in wanted]
    if len(set(counts)) < len(counts) or len(set(sizes)) < len(sizes):
        raise InputError("castings or effects hold one number twice; accepted: each once")
    effort = Effort(detection.simulations_of(simulations), whole("seed", seed, 0), jobs, cluster, progress)
    cells, cases = [], []
    for casting in wanted:
        for place, effect in enumerate(sizes):
            given = truth.read(kind, effect, base, spread, batch_spread, dispersion, alpha)
            if isinstance(casting, Design):
                found = detection.case_of_plan(casting, given, factor)
                count = len(casting.table)
            else:
                found = _case_of_groups(int(casting), given, batch_size, per_batch)
                count = int(casting)
            cells.append((count, effect, found is not None))
            if found is not None:
                cases.append((found, (count, place)))
    tallies = iter(effort.tally(cases, effort.simulations or USUAL) if cases else [])
    rows = []
    for count, effect, possible in cells:
        tally = next(tallies) if possible else None
        rows.append((count, effect, *((tally.power, *tally.interval()) if tally else (0.0, 0.0, 0.0))))
    table = pd.DataFrame(rows, columns=["castings", "effect", "power", "low", "high"])
    enough = table[table["power"] >= ENOUGH].groupby("effect")["castings"].min()
    needed = pd.DataFrame({"effect": sizes, "castings": enough.reindex(sizes).astype("Int64").array})
    ask_for = None if plans or batch_size is not None else "give batch_size and per_batch=True"
    return PowerSweep(
        verdict=_verdict(needed, counts, plans, kind), cautions=tuple(given.taken_for_granted(ask_for)), table=table,
        needed=needed, kind=kind, plans=plans, simulations=simulations,
    )  # fmt: skip


def _case_of_groups(castings: int, given: truth.Truth, batch_size: int | None, per_batch: bool) -> simulation.Case:
    if batch_size is None:
        if given.batch_spread is not None or per_batch:
            raise InputError("batch_spread and per_batch need batch_size, the castings poured from one cup")
        return given.case(layouts.two_groups(*detection.sizes_of(castings)), 1)
    if isinstance(batch_size, bool) or not isinstance(batch_size, int) or batch_size < 2:
        raise InputError(f"batch_size is {batch_size!r}; accepted: a whole number from 2 up, or None")
    given.between_batches()
    whole = batch_size if per_batch else (batch_size / 2 if batch_size % 2 == 0 else batch_size)
    if castings % whole:
        near = max(1, round(castings / whole)) * whole
        raise InputError(
            f"{castings} castings in each group cannot be poured in batches of {batch_size}; nearest possible request: {near:g}"
        )
    return given.case(layouts.in_batches(castings, 2 * castings // batch_size, per_batch), 1)


def _verdict(needed: pd.DataFrame, counts: Sequence[int], plans: bool, kind: str) -> str:
    whose = "castings in all" if plans else "castings in each group"
    name = "a difference" if kind == "measure" else "a ratio of mean counts" if kind == "count" else "an odds ratio"
    parts = [
        f"{name} of {row.effect:.3g} takes {row.castings}"
        if not pd.isna(row.castings)
        else f"{name} of {row.effect:.3g} takes more than {max(counts)}"
        for row in needed.itertuples()
    ]
    return f"For a chance of {words.share(ENOUGH)}, {words.listing(parts)} {whose}, of the numbers looked at."
