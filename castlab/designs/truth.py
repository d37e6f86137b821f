"""What is taken to be true when power is asked for: the effect, where it starts from, and how castings and batches scatter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from castlab.analysis import words
from castlab.analysis.reading.kinds import KINDS
from castlab.designs.layouts import Layout
from castlab.designs.simulation import Case
from castlab.errors import InputError
from castlab.given import as_number, at_least, elements, number, one_of, shown

SCALE = {
    "measure": "the measure",
    "count": "the log of the mean count",
    "grade": "the log odds",
    "pass": "the log odds",
}
"""What `batch_spread` is the standard deviation of."""
MOST_GRADES = 20
BEYOND = 1e15
"""Measures, and differences of them, are smaller than this."""
MOST = 1e4
"""Mean counts, and ratios of them or of odds, are below this."""


@dataclass(frozen=True)
class Truth:
    """The truth of a simulation; on the scale of the effects: `shift` of the effect, `start` of the first group."""

    kind: str
    effect: float
    shift: float
    start: float
    cuts: tuple[float, ...]
    base: Any
    spread: float
    batch_spread: float | None
    dispersion: float
    alpha: float

    @property
    def none(self) -> bool:
        """Whether there is no effect, so that power is the rate of false alarms."""
        return self.shift == 0

    def variance(self) -> float:
        """Variance of one casting of a batch on the scale of the effects, the mean of both groups; for counts, passes and
        grades that of the estimates of many castings (grades: Whitehead, Statistics in Medicine 12, 1993, 2257-2271)."""
        if self.kind == "measure":
            return self.spread**2
        line = np.array([self.start, self.start + self.shift])
        if self.kind == "count":
            return float(np.mean(self.dispersion / np.exp(line)))
        if self.kind == "pass":
            return float(np.mean(1 / (special.expit(line) * special.expit(-line))))
        below = special.expit(np.array(self.cuts)[:, None] - line).mean(axis=1)
        shares = np.diff(below, prepend=0, append=1)
        return float(3 / (1 - np.sum(shares**3)))

    def between_batches(self) -> float:
        """The scatter between batches; raises InputError where it was not given."""
        if self.batch_spread is None:
            raise InputError(
                f"batch_spread is None; accepted with batches: the standard deviation of {SCALE[self.kind]} between batches, "
                "0 or more"
            )
        return self.batch_spread

    def case(self, layout: Layout, col: int) -> Case:
        """The experiment in which the effect of this column is true, and no other."""
        return Case(
            self.kind, layout.X, layout.codes, self.start + layout.X[:, col] * self.shift, col, self.alpha, self.spread,
            self.batch_spread or 0.0, self.dispersion, self.cuts,
        )  # fmt: skip

    def told(self) -> str:
        """The effect in words, between two groups."""
        if self.none:
            return "an effect although there is none (false alarms)"
        if self.kind == "measure":
            return f"a difference of {self.effect:.3g}, castings scattering by {self.spread:.3g}"
        if self.kind == "count":
            return f"a mean count of {self.base * self.effect:.3g} instead of {self.base:.3g}"
        if self.kind == "pass":
            return f"{words.share(special.expit(self.start + self.shift))} passing instead of {words.share(self.base)}"
        return f"odds of better grades {words.ratio(self.effect)} times as high (mean grade {self.mean_grade(self.shift):.2g} instead of {self.mean_grade(0):.2g})"

    def mean_grade(self, line: float) -> float:
        """Mean of grades 0, 1, ... at this place."""
        return float(np.sum(1 - special.expit(np.array(self.cuts) - line)))

    def told_in_plan(self) -> str:
        """The effect in words, for one of several effects of a plan."""
        if self.none:
            return "an effect although there is none (false alarms)"
        if self.kind == "measure":
            return f"an effect of {self.effect:.3g}"
        return f"{'a ratio of mean counts' if self.kind == 'count' else 'an odds ratio'} of {self.effect:.3g}"

    def taken_for_granted(self, ask_for: str | None) -> list[str]:
        """What the answer supposes of the castings; `ask_for` says how to name batches, None where they were named."""
        said = []
        if ask_for is not None:
            said.append(f"Every casting counts as independent here: castings from one cup are not, so for what is set per batch {ask_for}.")  # fmt: skip
        if self.kind == "count" and self.dispersion == 1:
            said.append("Counts are taken to scatter as Poisson counts do; real ones often scatter more (dispersion=), and then more castings are needed.")  # fmt: skip
        return said


def read(
    kind: str,
    effect: float,
    base: Any,
    spread: float | None,
    batch_spread: float | None,
    dispersion: float | None,
    alpha: float,
) -> Truth:
    """The truth that was given, checked.

    Raises
    ------
    InputError
        Naming what does not fit the kind or is out of range.
    """
    one_of("kind", kind, KINDS)
    measure = kind == "measure"
    size = number("effect", effect, -BEYOND if measure else 0, BEYOND if measure else MOST)
    level = number("alpha", alpha, 0, 1)
    if spread is not None and kind in ("pass", "grade"):
        raise InputError(f"spread is for measures and counts; kind {kind!r} takes base only")
    if dispersion is not None and kind != "count":
        raise InputError(f"dispersion is for counts, not for kind {kind!r}")
    scatter = number("spread", spread, 0, BEYOND) if measure else 1.0
    wide = 1.0 if dispersion is None else at_least("dispersion", dispersion, 1)
    between = None if batch_spread is None else at_least("batch_spread", batch_spread, 0)
    start = 0.0
    cuts: tuple[float, ...] = ()
    if kind == "count":
        base = mean = number("base", base, 0, MOST)
        start = float(np.log(mean))
        if spread is not None:
            wide = _over_dispersion(mean, spread, dispersion)
    elif kind == "pass":
        base = number("base", base, 0, 1)
        start = float(special.logit(base))
    elif kind == "grade":
        cuts = _cuts(base)
    shift = size if measure else float(np.log(size))
    return Truth(kind, size, shift, start, cuts, base, scatter, between, wide, level)


def _over_dispersion(mean: float, spread: float, dispersion: float | None) -> float:
    """Variance over mean of counts that scatter by `spread` about `mean`."""
    if dispersion is not None:
        raise InputError("spread and dispersion say the same of counts; give one of them")
    wide = number("spread", spread, 0, MOST) ** 2 / mean
    if wide < 1 - 1e-9:
        raise InputError(
            f"spread is {shown(spread)}, but counts about a mean of {mean:g} scatter by {mean**0.5:.2g} by chance alone; "
            "accepted: that or more, or no spread; scatter between batches goes into batch_spread"
        )
    return max(wide, 1.0)


def _cuts(base: Any) -> tuple[float, ...]:
    shares = elements(base) or []
    read = [as_number(s) or 0.0 for s in shares]
    if not 2 <= len(read) <= MOST_GRADES or not all(s > 0 for s in read) or abs(sum(read) - 1) > 0.01:
        raise InputError(
            f"base is {shown(base)}; accepted for grades: the share of castings with each grade, worst first, all above 0 and "
            f"1 together, such as [0.1, 0.2, 0.4, 0.3], up to {MOST_GRADES} grades"
        )
    below = np.cumsum(read)[:-1] / sum(read)
    return tuple(float(c) for c in special.logit(below))
