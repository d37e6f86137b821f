"""Two groups of more and more castings: how they are poured, what is exact, and from how many on the power is enough."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

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
LOOKS, NEAR = 3, 0.1
"""Times that the search goes on with all experiments, unless a size is as near (as a share) to what it makes of the answer."""
FARTHEST, HOPELESS = 4.0, 1.5
"""Times as many castings that one look of the search may go on by, and from which on the longest rung needs no second look."""
MOVES, SHARE = 12, 50
"""Steps that the search goes on by single rungs in the end, up to so many rungs: with more, one rung changes the power by
less than simulation tells apart."""


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
            uneven = self.cups == 2 and not self.per_batch
            return None if uneven else (self.of_means(given), self._test())
        if self.cups or given.kind == "grade" or given.dispersion > 1:
            return None
        if given.kind == "count":
            rate, ratio = float(given.base), given.effect
            return (lambda a, b: chances.of_rates(rate, rate * ratio, a, b, given.alpha)), "conditional test of two Poisson means"  # fmt: skip
        share = float(given.base)
        other = share * given.effect / (1 - share + share * given.effect)
        test = "logistic likelihood ratio test, bias-reduced where castings are few"
        return (lambda a, b: chances.of_shares(share, other, a, b, given.alpha)), test

    def _test(self) -> str:
        if not self.cups:
            return "two-sample t test"
        return "t test of batch means" if self.per_batch else "t test within batches"

    def of_means(self, given: Truth) -> Callable[[int, int], float]:
        """Power of the t test, as a function of the two sizes; of other kinds than measures that of normal theory."""
        variance = given.variance()

        def chance(a: int, b: int) -> float:
            cups = self.batches(a)
            squared, df = variance * (1 / a + 1 / b), a + b - 2
            if cups:
                df = cups - 2 if self.per_batch else a + b - cups - 1
            if self.per_batch:
                squared += 4 * (given.batch_spread or 0.0) ** 2 / cups
            return float(chances.of_means(given.shift / np.sqrt(squared), df, given.alpha))

        return chance

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

    def simulated(self, given: Truth, effort: Effort, simulations: int, asked: int) -> tuple[int | None, pd.DataFrame]:
        """Castings needed, and power against castings, those asked about within it: by all experiments where it matters."""
        known: dict[int, simulation.Tally] = {}

        def look(sizes: list[int], experiments: int) -> None:
            wanted = [s for s in sizes if s not in known or known[s].total < experiments]
            cases = [(given.case(self.layout(s), 1), (s, s)) for s in wanted]
            known.update(zip(wanted, effort.tally(cases, experiments), strict=True) if wanted else {})

        few = min(COARSE, simulations)

        def chance(castings: int, experiments: int) -> float:
            look([castings], experiments)
            return known[castings].power

        needed = None if given.none else self._searched(given, chance, few, simulations)
        farthest = 0 if given.none else MOST if needed is None else 1.3 * needed
        curve = self.steps(max(farthest, asked) / 2, FEW_POINTS)
        look(curve, few)
        rows = [(s, t.power, *t.interval()) for s, t in sorted(known.items()) if s in curve or t.total == simulations]
        return needed, pd.DataFrame(rows, columns=["castings", "power", "low", "high"])

    def _searched(self, given: Truth, chance: Callable[[int, int], float], few: int, simulations: int) -> int | None:
        """Castings from which on the power is enough, from where normal theory puts them: few experiments, then all.

        `chance` simulates the power of a size by a number of experiments. Each answer tells the next size, because the shift
        in standard errors grows with the root of the castings.
        """
        theory, last = self.of_means(given), self._rung(MOST)
        size: float = self.needed(lambda n: theory(n, n)) or MOST
        for experiments in (few, few, *[simulations] * LOOKS):
            at = self._rung(size)
            size = at * _factor(chance(at, experiments), experiments, given.alpha)
            hopeless = at == last and size > HOPELESS * last
            if hopeless or (experiments == simulations and abs(size / at - 1) < NEAR):
                break
        if size > last:
            return None
        found = self._rung(size)
        if found > SHARE * self.step:  # simulation does not tell one rung from the next
            return found
        for _ in range(MOVES):
            if chance(found, simulations) < ENOUGH:
                found += self.step
            elif found > self.least * self.step and chance(found - self.step, simulations) >= ENOUGH:
                found -= self.step
            else:
                break
        return found

    def _rung(self, size: float) -> int:
        """The rung at this size or the next one above, within the ladder."""
        return self.step * min(max(ceil(size / self.step), self.least), MOST // self.step)


def _factor(power: float, experiments: int, alpha: float) -> float:
    """How many times as many castings give enough power, going by the power that so many experiments showed."""
    seen = np.clip(power, 0.5 / experiments, 1 - 0.5 / experiments)
    shift, wanted = stats.norm.ppf([seen, ENOUGH]) + stats.norm.ppf(1 - alpha / 2)
    return float(np.clip((wanted / max(shift, 0.1)) ** 2, 1 / FARTHEST, FARTHEST))
