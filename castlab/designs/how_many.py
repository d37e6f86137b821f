"""How many castings a plan has: what was asked for, or what its effects need."""

from __future__ import annotations

from math import ceil

import numpy as np

from castlab.analysis import words
from castlab.designs import space as spaces
from castlab.designs import standard
from castlab.errors import ImpossibleError

SPARE = {"screen": 3, "effects": 4, "curve": 4}
"""Castings beyond the effects, to judge them by, where the number of castings is left open."""
CENTRES = 3
MOST = 500
"""Castings that a plan may have: more than a workshop makes, and what the search can carry."""


def surface_runs(space: spaces.Space, goal: str, how: str, runs: int | None, plain: bool) -> int:
    """Runs of a central composite or Box-Behnken plan, if it can serve at all."""
    k = len(space.factors)
    if goal != "curve" or not plain or not all(f.bends() for f in space.factors):
        raise ImpossibleError(
            f"a {how} is for goal 'curve' with numbers only, without batches, molds, forbidden combinations or castings "
            "already made"
        )
    base = (
        (standard.composite_size(k) if 2 <= k <= 8 else None) if how == standard.COMPOSITE else standard.behnken_size(k)
    )
    if base is None:
        span = "2 to 8" if how == standard.COMPOSITE else "3 to 7"
        raise ImpossibleError(f"there is no {how} of {words.count(k, 'factor')}, only of {span}")
    if runs is not None and runs <= base:
        raise ImpossibleError(f"a {how} of {k} factors has {base} castings and at least one in the centre, not {runs}")
    uneven = [f.name for f in space.factors if len(f.grid(True)) != 3 or not np.isclose(f.coded(f.grid(True))[1], 0)]
    if uneven:
        raise ImpossibleError(f"a {how} needs {uneven[0]} to be a range, or its low, middle and high")
    return base + CENTRES if runs is None else runs


def number_of_castings(
    space: spaces.Space, goal: str, runs: int | None, n_made: int, nuisances: int, batch_size: int | None
) -> int:
    """What was asked for; if that was left open, enough to know the effects and their scatter."""
    if runs is not None:
        return int(runs)
    wanted = max(space.p + nuisances + SPARE[goal] - n_made, 4)
    if goal == "effects" and not n_made and all(f.two_settings for f in space.factors):
        wanted = 2 ** ceil(np.log2(max(wanted, 2 * len(space.factors))))  # keeps main effects clear of interactions
    elif goal == "screen":
        wanted = 4 * ceil(wanted / 4)
    if batch_size is None:
        return wanted
    between = 1 + sum(len(t.cols) for t in space.terms if t.per_batch)
    within = space.p - between + nuisances + SPARE[goal] - n_made  # castings beyond one in each batch
    batches = max(ceil(wanted / batch_size), ceil(within / (batch_size - 1)), between + 2 if between > 1 else 1)
    return batch_size * batches


def check_size(
    space: spaces.Space,
    n: int,
    n_made: int,
    nuisance: np.ndarray,
    batch: np.ndarray,
    batch_size: int | None,
) -> None:
    """Raise ImpossibleError where the castings or the batches are too few for the effects."""
    effects, other = space.p - 1, int(np.linalg.matrix_rank(nuisance)) if nuisance.shape[1] else 0
    needed = space.p + nuisance.shape[1] - n_made
    if n < needed:
        besides = f" and {words.count(other, 'difference')} between molds or of what was made before" if other else ""
        raise ImpossibleError(
            f"{words.count(n, 'casting')}{f' added to {n_made}' if n_made else ''} cannot tell {words.count(effects, 'effect')}"
            f"{besides} from each other and the mean"
        )
    between = 1 + sum(len(t.cols) for t in space.terms if t.per_batch)
    batches = len(np.unique(batch))
    if batch_size is not None and batches < between:
        raise ImpossibleError(
            f"{words.count(batches, 'batch')} cannot tell {words.count(between - 1, 'effect')} set per batch"
        )
