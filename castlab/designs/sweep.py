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
from castlab.designs.ladder import ENOUGH, MOST
from castlab.errors import ImpossibleError, InputError
from castlab.given import as_number, elements, flag, shown, whole
from castlab.results import Result

USUAL = 1000
USUAL_CASTINGS = (6, 12, 18, 24, 36)
MOST_LOOKS = 100


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
    castings: Sequence[int] | Sequence[Design] | None = None,
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
    castings : sequence of int, or of Design, optional
        Castings in each of two groups, or plans of `plan_trials`; None takes some from 6 to 36, as the batches allow.
    effects : sequence of float
        True effects, each as in `power`.
    batch_size : int, optional
        Castings of both groups poured from one cup (per_batch=False), or of a group (per_batch=True); 1 or None: every
        casting from a cup of its own.
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
    per_batch = flag("per_batch", per_batch)
    size = None if batch_size is None or whole("batch_size", batch_size, 1) == 1 else int(batch_size)
    if castings is None:
        castings = _nearest(USUAL_CASTINGS, size, per_batch)
    wanted = elements(castings) or []
    plans = bool(wanted) and all(isinstance(c, Design) for c in wanted)
    if not wanted or not (plans or all(isinstance(c, (int, np.integer)) and not isinstance(c, bool) for c in wanted)):
        raise InputError(f"castings is {shown(castings)}; accepted: a list of numbers of castings, or a list of plans")
    read = [as_number(e) for e in elements(effects) or []]
    sizes = [e for e in read if e is not None]
    if not sizes or len(sizes) < len(read):
        raise InputError(f"effects is {shown(effects)}; accepted: a list of sizes of effect")
    if max(len(wanted), len(sizes)) > MOST_LOOKS:
        raise InputError(
            f"castings and effects hold {len(wanted)} and {len(sizes)} numbers; accepted: up to {MOST_LOOKS} of each"
        )
    if plans and (batch_size is not None or per_batch):
        raise InputError("batch_size and per_batch are for two groups; a plan has its own batches")
    counts = [len(c.table) if isinstance(c, Design) else int(c) for c in wanted]
    if len(set(counts)) < len(counts) or len(set(sizes)) < len(sizes):
        raise InputError("castings or effects hold one number twice; accepted: each once")
    effort = Effort.of(simulations, seed, jobs, cluster, progress)
    if not plans:
        _check_batches(counts, size, per_batch)
    cells, cases = [], []
    for casting in wanted:
        for place, effect in enumerate(sizes):
            given = truth.read(kind, effect, base, spread, batch_spread, dispersion, alpha)
            if isinstance(casting, Design):
                found = detection.case_of_plan(casting, given, factor)
                count = len(casting.table)
            else:
                found = _case_of_groups(int(casting), given, size, per_batch)
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
    ask_for = None if plans or size is not None else "give batch_size and per_batch=True"
    return PowerSweep(
        verdict=_verdict(needed, counts, plans, kind), cautions=tuple(given.taken_for_granted(ask_for)), table=table,
        needed=needed, kind=kind, plans=plans, simulations=simulations,
    )  # fmt: skip


def _case_of_groups(castings: int, given: truth.Truth, batch_size: int | None, per_batch: bool) -> simulation.Case:
    if batch_size is None:
        if given.batch_spread is not None or per_batch:
            raise InputError("batch_spread and per_batch need batch_size, the castings poured from one cup")
        return given.case(layouts.two_groups(*detection.sizes_of(castings)), 1)
    given.between_batches()
    return given.case(layouts.in_batches(castings, 2 * castings // batch_size, per_batch), 1)


def _nearest(counts: Sequence[int], batch_size: int | None, per_batch: bool) -> list[int]:
    """For each number of castings (in each group) the nearest that can be poured in batches of this size, each once."""
    possible = [n for n in range(2, MOST + 1) if batch_size is None or layouts.fits(n, 2 * n / batch_size, per_batch)]
    if not possible:
        raise InputError(f"batch_size is {shown(batch_size)}; accepted: up to {MOST // 2} castings of one cup")
    return list(dict.fromkeys(min(possible, key=lambda m: (abs(m - n), m)) for n in counts))


def _check_batches(counts: Sequence[int], batch_size: int | None, per_batch: bool) -> None:
    """Raise ImpossibleError where some of the castings cannot be poured in batches of this size."""
    near = _nearest(counts, batch_size, per_batch)
    if batch_size is None or near == list(counts):
        return
    stray = next(n for n in counts if n not in near)
    raise ImpossibleError(
        f"{stray} castings in each group cannot be poured in batches of {batch_size}; nearest possible request: "
        f"castings={near}",
        nearest=[{"castings": near}],
    )


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
