"""Which castings to make next: `plan_trials`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from castlab.designs import aliasing, assess, exchange, nearest, request, sentences, standard
from castlab.designs.design import Design
from castlab.designs.factors import Factor
from castlab.designs.request import Asked, Request
from castlab.designs.space import Space
from castlab.errors import ImpossibleError, InputError

STARTS, FEWEST = 64, 8
LEAST, ROUNDS = 5, 10
OFTEN = 8
"""After the least rounds, the best plan has to be found from this many starts, or all rounds are run."""
CELLS = 30_000
"""Numbers in the model matrices of one round of starts: larger plans get fewer starts."""
LONG = 1_500
"""Numbers in the model matrix of one plan from which the search, which then takes longer than a breath, shows how far it is."""
ALIKE = 1e-6
GOOD = 0.9999


def plan_trials(
    factors: Sequence[Factor] | Mapping[str, Any],
    runs: int | None = None,
    *,
    goal: str = "effects",
    interactions: int | Sequence[tuple[str, str]] | None = None,
    per_batch: Sequence[str] = (),
    batch_size: int | None = None,
    blocks: Sequence[str] | int | None = None,
    forbid: Sequence[Mapping[str, Any]] = (),
    made: pd.DataFrame | None = None,
    using: str = "best",
    criterion: str = "D",
    batch_scatter: float = 1.0,
    seed: int = 1,
) -> Design:
    """Choose the castings that answer the question best, in the order to make them.

    Parameters
    ----------
    factors : sequence of Factor, or mapping
        A mapping holds name -> settings as `Factor.of` reads them: {"resin_c": [22, 32], "pour": ["stream", "ladle"]}.
    runs : int, optional
        Castings to make; None takes the fewest that leave something to judge the effects by.
    goal : {"screen", "effects", "curve"}
        "screen": which of many factors matter at all, in few castings. "effects": main effects and the interactions that
        are asked for, kept clear of the others where the castings suffice. "curve": straight and bent effects of numbers
        and all two-factor interactions.
    interactions : int or pairs of names, optional
        0: none. 2: all two-factor interactions. Or a list of pairs. None: all for "curve", none otherwise.
    per_batch : sequence of str
        Factors that are set once for each mixed cup (as `Factor(per_batch=True)`).
    batch_size : int, optional
        Castings poured from one mixed cup. Batches are taken to scatter too.
    blocks : sequence of str or int, optional
        Molds (or how many) that the castings take turns in; their differences are kept out of the effects.
    forbid : sequence of mappings
        Combinations that must not be cast: factor -> setting, list of settings, or range (from, to) of a number.
        {"mold_vacuum": True, "chamber": False}: mold vacuum needs the chamber.
    made : DataFrame, optional
        Castings already made, one column per factor, and "batch" or "batch_id", "mold" or "mold_id" where they are known:
        the new castings are chosen to complete them.
    using : {"best", "factorial", "plackett-burman", "central composite", "box-behnken", "optimal"}
        The kind of plan; "best" takes what does best for the goal.
    criterion : {"D", "I"}
        For optimal plans: "D" knows the effects best together, "I" the expected response over the whole region.
    batch_scatter : float
        Variance between batches over the variance between castings of one batch, 0 or more.
    seed : int
        The same seed gives the same plan.

    Returns
    -------
    Design
        `.table`, `.aliases`, `.precision`, `.resolution`, `.d_efficiency`, `.verdict`, `.cautions`, `.batch(number)`.

    Raises
    ------
    InputError
        For an argument that cannot be read.
    ImpossibleError
        For what cannot be planned; the message says what is impossible and the nearest requests that are possible, and
        `.nearest` holds the arguments to change for each.

    Notes
    -----
    Sources of the constructions: `castlab.designs.two_level`, `.standard`, `.exchange`; textbook treatment of all of them
    in Montgomery, Design and Analysis of Experiments, and Goos and Jones, Optimal Design of Experiments (2011).

    Examples
    --------
    >>> plan = plan_trials([Factor("resin_c", 22, 32), Factor("pour", ["stream", "ladle"])], runs=8, seed=3)
    >>> plan.kind, plan.d_efficiency
    ('full factorial', 1.0)
    >>> sorted(set(zip(plan.table["resin_c"], plan.table["pour"])))
    [(22.0, 'ladle'), (22.0, 'stream'), (32.0, 'ladle'), (32.0, 'stream')]
    """
    given = Request.of(
        factors, runs, goal=goal, interactions=interactions, per_batch=per_batch, batch_size=batch_size, blocks=blocks,
        forbid=forbid, made=made, using=using, criterion=criterion, batch_scatter=batch_scatter, seed=seed,
    )  # fmt: skip
    try:
        return _planned(given)
    except ImpossibleError as refusal:
        raise nearest.refused(refusal, given, _possible) from None


def _planned(given: Request) -> Design:
    asked, rng = request.read(given), given.stream()
    bound = _bound(asked)
    kind, levels = _chosen(asked, bound, rng)
    settings = _settings(asked.space, levels)
    table = _ordered(asked, settings, rng)
    done = _runs(asked, settings)
    efficiency = round(min(assess.d_efficiency(done, bound), 1.0), 4)
    found, known, resolution = aliasing.aliases(done), assess.precision(done), assess.resolution(done)
    return Design(
        verdict=sentences.verdict(asked, done, kind, resolution, efficiency, known, found),
        cautions=sentences.cautions(asked, done, known, found), table=table, aliases=found, precision=known,
        resolution=resolution, d_efficiency=efficiency, kind=kind, goal=given.goal,
        factors=tuple(f.name for f in (*asked.space.factors, *asked.held)), seed=given.seed, _runs=done,
    )  # fmt: skip


def _possible(given: Request) -> bool:
    """Whether there is a plan: whether the search that `_planned` makes of it would begin with one."""
    try:
        asked = request.read(given)
    except InputError:
        return False
    if asked.using in (standard.COMPOSITE, standard.BEHNKEN):
        return True
    rng = given.stream()
    if any(np.isfinite(_worth(asked, plan.levels, None)) for plan in _textbook(asked, rng)):
        return True
    if asked.using in standard.KINDS:
        return False
    starts, _ = _effort(asked)
    return exchange.any_sound(asked.space, asked.moves, asked.made_X, asked.structure, starts, rng)


def _effort(asked: Asked) -> tuple[int, int]:
    """Starts side by side, and rounds of them."""
    size = asked.structure.n * asked.space.p
    return min(STARTS, max(FEWEST, CELLS // size)), ROUNDS if size * FEWEST <= CELLS else 2


def _bound(asked: Asked) -> float:
    """Log determinant per run that no plan can pass (see `assess.d_efficiency`)."""
    space = asked.space
    if not space.rules and not len(asked.made_X) and not any(t.bend for t in space.terms):
        return 0.0  # all combinations equally often are D-optimal for main effects and interactions
    rows = np.unique(np.vstack([space.rows(asked.candidates), asked.made_X]), axis=0)
    return exchange.best_measure(rows)


def _chosen(asked: Asked, bound: float, rng: np.random.Generator) -> tuple[str, np.ndarray]:
    """The kind of plan and its runs, as positions in the grids, in the order of the structure."""
    space = asked.space
    k, n_new = len(space.factors), asked.n_new
    if asked.using == standard.COMPOSITE:
        return asked.using, standard.central_composite(k, n_new - standard.composite_size(k), rng)
    if asked.using == standard.BEHNKEN:
        return asked.using, standard.box_behnken(k, n_new - (standard.behnken_size(k) or 0))
    moments = space.moments(asked.candidates) if asked.criterion == "I" else None
    known = _textbook(asked, rng)
    if not known and asked.using in standard.KINDS:
        raise ImpossibleError(request.no_such_plan(asked))
    plans = [(k.kind, k.levels) for k in known]
    ideal = bound + space.p * np.log(asked.structure.n * GOOD) + assess.batch_limit(space, asked.structure)
    reached = moments is None and any(_worth(asked, levels, None) >= ideal for _, levels in plans)
    if asked.using not in standard.KINDS and not reached:
        plans += [(f"optimal plan ({asked.criterion})", levels) for levels in _searched(asked, moments, ideal, rng)]
    worths = np.array([_worth(asked, levels, moments) for _, levels in plans])
    if not plans or not np.isfinite(worths.max()):
        raise ImpossibleError(request.not_estimable(asked))
    alike = [plan for plan, worth in zip(plans, worths, strict=True) if worth >= worths.max() - ALIKE]
    wide, columns = assess.outside(space)
    made = wide.rows_of(asked.made_settings)

    def mixing(plan: tuple[str, np.ndarray]) -> float:
        left_out = np.vstack([made, wide.rows(plan[1])])[:, columns]
        X = np.vstack([asked.made_X, space.rows(plan[1])])
        return round(assess.mixing(X, left_out, asked.structure.A), 6)

    return min(alike, key=mixing)


def _worth(asked: Asked, levels: np.ndarray, moments: np.ndarray | None) -> float:
    X = np.vstack([asked.made_X, asked.space.rows(levels)])
    return float(exchange.worth(X[None], asked.structure.A, moments)[0])


def _textbook(asked: Asked, rng: np.random.Generator) -> list[standard.Known]:
    if asked.space.rules or asked.structure.n_made or asked.using == "optimal":
        return []
    found = standard.two_level_plans(asked.space, asked.batch_new, asked.mold_new, asked.batched, rng)
    return [plan for plan in found if plan.kind in standard.KINDS.get(asked.using, (plan.kind,))]


def _searched(asked: Asked, moments: np.ndarray | None, ideal: float, rng: np.random.Generator) -> list[np.ndarray]:
    """Plans by exchange from many starts, until the best is ideal, has come back often enough, or the rounds are over."""
    from tqdm.auto import tqdm

    space, moves, plan = asked.space, asked.moves, asked.structure
    starts, rounds = _effort(asked)
    kept: list[np.ndarray] = []
    best, seen = -np.inf, 0
    with tqdm(desc="searching plans", unit="pass", leave=False, disable=plan.n * space.p < LONG) as bar:
        for done in range(1, rounds + 1):
            bar.set_postfix_str(f"round {done} of at most {rounds}")
            levels, worth = exchange.search(space, moves, asked.made_X, plan, moments, starts, rng, bar.update)
            if worth[0] > best + ALIKE:
                best, seen, kept = float(worth[0]), 0, []
            near = worth >= best - ALIKE
            seen += int(near.sum())
            kept += list(levels[near])[: STARTS - len(kept)]
            if seen >= OFTEN and (done >= LEAST or (moments is None and best >= ideal)):
                break
    return kept


def _settings(space: Space, levels: np.ndarray) -> pd.DataFrame:
    columns = {}
    for j, factor in enumerate(space.factors):
        grid = space.grids[j]
        columns[factor.name] = [float(grid[k]) if factor.numeric else grid[k] for k in levels[:, j]]
    return pd.DataFrame(columns)


def _runs(asked: Asked, settings: pd.DataFrame) -> assess.Runs:
    every = pd.concat([asked.made_settings, settings], ignore_index=True) if len(asked.made_X) else settings
    X = np.vstack([asked.made_X, asked.space.rows_of(settings)])
    return assess.Runs(asked.space, every, X, asked.structure, asked.nuisance, asked.mold, asked.batched)


def _ordered(asked: Asked, settings: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """The run list: batches in random order, castings in random order within them, molds drawn by lot."""
    batch = asked.batch_new
    place = rng.permutation(int(batch.max()) + 1)[batch]
    order = np.lexsort([rng.random(len(batch)), place]) if asked.batched else rng.permutation(len(batch))
    table = settings.iloc[order].reset_index(drop=True)
    for f in asked.held:
        table[f.name] = f.hold
    if asked.mold_new is not None:
        used = int(asked.mold_new.max()) + 1
        lot = rng.permutation(used) if not asked.structure.n_made else np.arange(used)
        table.insert(0, "mold", [asked.mold_names[lot[m]] for m in asked.mold_new[order]])
    if asked.batched:
        table.insert(0, "batch", place[order] + 1)
    table.insert(0, "run", np.arange(1, len(table) + 1))
    return table
