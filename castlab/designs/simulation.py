"""Power by simulation of the whole path: castings are drawn, analysed as `fit_factors` would, and counted.

Everything is done for many experiments at once. Every block of experiments has a random stream of its own, which depends
on the seed and on what is simulated, never on who does it: so any number of workers gives the same answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from castlab.analysis.models import many

BLOCK, CELLS = 2000, 50_000
"""Experiments that are drawn and analysed together, one task for a worker; fewer where their castings would pass `CELLS`."""
LEVEL = 0.95
"""Confidence of the interval on a simulated power."""


@dataclass(frozen=True, eq=False)
class Case:
    """An experiment to simulate, and which effect is looked for.

    `X` (n, p) with the mean first; `codes` batch of each casting or None; `line` (n,) the true mean on the scale of the
    effects (log of the mean count, log odds, the measure itself) without batch scatter. `cuts`: for grades, log odds of
    being at or below each grade but the last at line 0. `spread`, `batch_spread`: standard deviations between castings
    and between batches on that scale; `dispersion`: variance of counts over their mean. `col` is the column of X tested.
    """

    kind: str
    X: np.ndarray
    codes: np.ndarray | None
    line: np.ndarray
    col: int
    alpha: float
    spread: float = 1.0
    batch_spread: float = 0.0
    dispersion: float = 1.0
    cuts: tuple[float, ...] = ()


@dataclass(frozen=True)
class Tally:
    """How many of the simulated experiments showed the effect, and how many could not be analysed."""

    shown: int
    failed: int
    total: int

    def __add__(self, other: Tally) -> Tally:
        return Tally(self.shown + other.shown, self.failed + other.failed, self.total + other.total)

    @property
    def power(self) -> float:
        """Share of the simulated trials that showed the effect."""
        return self.shown / self.total

    def interval(self) -> tuple[float, float]:
        """Clopper and Pearson, Biometrika 26, 1934, 404-413."""
        tail = (1 - LEVEL) / 2
        low = 0.0 if self.shown == 0 else float(stats.beta.ppf(tail, self.shown, self.total - self.shown + 1))
        high = (
            1.0
            if self.shown == self.total
            else float(stats.beta.ppf(1 - tail, self.shown + 1, self.total - self.shown))
        )
        return low, high


def draw(case: Case, experiments: int, rng: np.random.Generator) -> np.ndarray:
    """Castings of many experiments, (experiments, n): measures, counts, 1 for passed, or grades 0, 1, ..."""
    n = len(case.line)
    line = np.broadcast_to(case.line, (experiments, n))
    if case.codes is not None and case.batch_spread > 0:
        line = line + rng.normal(0, case.batch_spread, (experiments, int(case.codes.max()) + 1))[:, case.codes]
    if case.kind == "measure":
        return line + rng.normal(0, case.spread, (experiments, n))
    if case.kind == "count":
        mean = np.exp(line)
        if case.dispersion > 1:
            mean = rng.gamma(mean / (case.dispersion - 1), case.dispersion - 1)
        return rng.poisson(mean).astype(float)
    chance = rng.random((experiments, n))
    if case.kind == "pass":
        return (chance < special.expit(line)).astype(float)
    return np.sum([chance > special.expit(cut - line) for cut in case.cuts], axis=0).astype(float)


def block(case: Case, experiments: int, seed: int, key: tuple[int, ...]) -> Tally:
    """Draw and analyse one block of experiments; the same seed and key give the same castings."""
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))
    p, ok = analysed(case, draw(case, experiments, rng))
    return Tally(int(np.sum(ok & (p < case.alpha))), int(np.sum(~ok)), experiments)


def analysed(case: Case, Y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """p-value of the effect in each experiment of Y (experiments, n), and whether it could be analysed."""
    if case.kind in ("measure", "count"):
        found = many.analyse(case.kind, case.X, Y, case.codes, [case.col], intervals=False)
        return found.p[:, 0], found.ok
    each, back = np.unique(_in_order(case, Y), axis=0, return_inverse=True)
    found = many.analyse(case.kind, case.X, each, case.codes, [case.col], intervals=False)
    return found.p[back.ravel(), 0], found.ok[back.ravel()]


def _in_order(case: Case, Y: np.ndarray) -> np.ndarray:
    """The same outcomes with castings alike in settings and batch in order: few outcomes of pass or grades then differ."""
    settings = case.X if case.codes is None else np.column_stack([case.X, case.codes])
    cells = np.unique(np.round(settings, 9), axis=0, return_inverse=True)[1].ravel()
    ordered = np.empty_like(Y)
    for cell in range(cells.max() + 1):
        ordered[:, cells == cell] = np.sort(Y[:, cells == cell], axis=1)
    return ordered


def blocks(simulations: int, castings: int) -> list[int]:
    """Sizes of the blocks that make up this many experiments of so many castings."""
    size = max(1, min(BLOCK, CELLS // castings))
    whole, rest = divmod(simulations, size)
    return [size] * whole + ([rest] if rest else [])
