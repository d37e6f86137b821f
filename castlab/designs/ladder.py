"""Two groups of more and more castings: how they are poured, what is exact, and from how many on the power is enough."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from castlab.designs import chances, layouts, simulation
from castlab.designs.truth import Truth

if TYPE_CHECKING:
    from castlab.designs.detection import Effort

ENOUGH = 0.8
"""Power that is commonly asked for (common practice, no source)."""
MOST = 500
POINTS, FEW_POINTS = 24, 6
COARSE = 200
"""Simulated experiments for each size that is only passed by."""
MOVES, SHARE = 12, 50
"""Steps that the search by simulation may go on in the end: by single castings (or batches), from twice so many castings
on by one in so many, which is less than what simulation tells apart."""


@dataclass(frozen=True)
class Ladder:
    """Sizes of two equal groups: `step` castings (in each group) and `cups` batches more at a time, `least` steps or more."""

    step: int
    cups: int
    least: int
    per_batch: bool

    @classmethod
    def of(cls, castings: int, batches: int | None, per_batch: bool) -> Ladder:
        """The ladder with batches as large as these.

        Raises
        ------
        InputError
            If the castings cannot be shared out to the batches.
        """
        if batches is None:
            return cls(1, 0, 2, False)
        layouts.in_batches(castings, batches, per_batch)
        size = 2 * castings // batches
        if per_batch:
            return cls(size, 2, 2, True)
        return cls(size, 2, 1, False) if size % 2 else cls(size // 2, 1, 2, False)

    def layout(self, castings: int) -> layouts.Layout:
        """The groups of this size."""
        if not self.cups:
            return layouts.two_groups(castings, castings)
        return layouts.in_batches(castings, self.batches(castings), self.per_batch)

    def batches(self, castings: int) -> int:
        """Batches in all; 0 without batches."""
        return castings // self.step * self.cups

    def steps(self, longest: float, points: int = POINTS) -> list[int]:
        """Sizes for a curve that goes twice as far as the longest."""
        end = max(2 * longest, 12 if not self.cups else 3 * self.step)
        rungs = np.geomspace(self.least, max(end / self.step, self.least + 2), points).round().astype(int)
        return [int(r) * self.step for r in np.unique(rungs)]

    def exact(self, given: Truth) -> tuple[Callable[[int, int], float], str] | None:
        """Power as a function of the two sizes, and the test; None where only simulation answers."""
        if given.kind == "measure":
            if not self.cups:
                return self._means(given)
            return None if not self.per_batch and self.cups == 2 else self._batch_means(given)
        if self.cups or given.kind == "grade" or given.dispersion > 1:
            return None
        if given.kind == "count":
            rate, ratio = float(given.base), given.effect
            return (lambda a, b: chances.of_rates(rate, rate * ratio, a, b, given.alpha)), "conditional test of two Poisson means"  # fmt: skip
        share = float(given.base)
        other = share * given.effect / (1 - share + share * given.effect)
        test = "logistic likelihood ratio test, bias-reduced where castings are few"
        return (lambda a, b: chances.of_shares(share, other, a, b, given.alpha)), test

    def _means(self, given: Truth) -> tuple[Callable[[int, int], float], str]:
        def chance(a: int, b: int) -> float:
            shift = given.effect / (given.spread * np.sqrt(1 / a + 1 / b))
            return float(chances.of_means(shift, a + b - 2, given.alpha))

        return chance, "two-sample t test"

    def _batch_means(self, given: Truth) -> tuple[Callable[[int, int], float], str]:
        def chance(a: int, _b: int) -> float:
            cups = self.batches(a)
            if not self.per_batch:
                return float(
                    chances.of_means(given.effect / (given.spread * np.sqrt(2 / a)), 2 * a - cups - 1, given.alpha)
                )
            variance = (given.batch_spread or 0.0) ** 2 + given.spread**2 / self.step
            return float(chances.of_means(given.effect / np.sqrt(4 * variance / cups), cups - 2, given.alpha))

        return chance, "t test of batch means" if self.per_batch else "t test within batches"

    def needed(self, chance: Callable[[int], float]) -> int | None:
        """Castings in each group from which on the power is enough (whole outcomes make it dip a little in between)."""
        last = MOST // self.step
        low, high = self.least - 1, self.least
        while chance(high * self.step) < ENOUGH:
            if high >= last:
                return None
            low, high = high, min(2 * high, last)
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if chance(middle * self.step) >= ENOUGH else (middle, high)
        return high * self.step

    def simulated(self, given: Truth, effort: Effort, simulations: int) -> tuple[int | None, pd.DataFrame]:
        """Castings needed, and power against castings: coarse by few experiments first, then all of them where it matters."""
        known: dict[int, simulation.Tally] = {}

        def look(sizes: list[int], experiments: int) -> None:
            wanted = [s for s in sizes if s not in known or known[s].total < experiments]
            cases = [(given.case(self.layout(s), 1), (s, s)) for s in wanted]
            known.update(zip(wanted, effort.tally(cases, experiments), strict=True) if wanted else {})

        few = min(COARSE, simulations)

        def chance(castings: int, experiments: int = few) -> float:
            look([castings], experiments)
            return known[castings].power

        needed = None if given.none else self.needed(chance)
        if needed is not None and simulations > few:
            stride = self.step * max(1, needed // (SHARE * self.step))
            for _ in range(MOVES):
                if chance(needed, simulations) < ENOUGH:
                    needed += stride
                elif needed - stride >= self.least * self.step and chance(needed - stride, simulations) >= ENOUGH:
                    needed -= stride
                else:
                    break
        longest = 4 * self.least * self.step if needed is None else 0.65 * needed
        look(self.steps(longest, FEW_POINTS), few)
        rows = [(s, t.power, *t.interval()) for s, t in sorted(known.items())]
        return needed, pd.DataFrame(rows, columns=["castings", "power", "low", "high"])
