"""Tolerance stacks: the gap that is left when several dimensions add up, at worst and in all likelihood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from castlab.analysis.words import about
from castlab.bench.inputs import Array, Number, number, numbers, rows
from castlab.errors import InputError
from castlab.results import Result

SIGMAS = 3.0
"""A tolerance is read as three standard deviations of a centred normal spread: the usual assumption behind the
root-sum-square rule. Common practice."""
NEARLY = 0.99


@dataclass(frozen=True)
class Dimension:
    """One dimension of a stack: nominal, what it may be over and under, and +1 where it opens the gap, -1 where it closes it.

    Arguments
    ---------
    name
        What it is.
    nominal_mm, plus_mm, minus_mm
        Nominal size, and how far it may be over and under, mm; `minus_mm` defaults to `plus_mm`.
    factor
        +1 or -1, or a lever where the dimension enters with one.

    Raises
    ------
    InputError
        If a number is not finite or a tolerance is negative.

    >>> Dimension("bore", 40.0, 0.1).minus_mm
    0.1
    """

    name: str
    nominal_mm: float
    plus_mm: float = 0.0
    minus_mm: float | None = None
    factor: float = 1.0

    def __post_init__(self) -> None:
        number(f"nominal_mm of {self.name}", self.nominal_mm, -1e6, 1e6, "mm")
        number(f"factor of {self.name}", self.factor, -1e3, 1e3)
        if self.minus_mm is None:
            object.__setattr__(self, "minus_mm", self.plus_mm)
        for side in ("plus_mm", "minus_mm"):
            number(f"{side} of {self.name}", getattr(self, side), 0, 1e4, "mm")

    @property
    def middle_mm(self) -> float:
        """Middle of its range, with its factor."""
        return self.factor * (self.nominal_mm + (self.plus_mm - (self.minus_mm or 0.0)) / 2)

    @property
    def half_mm(self) -> float:
        """Half of its range, with its factor."""
        return abs(self.factor) * (self.plus_mm + (self.minus_mm or 0.0)) / 2


@dataclass(frozen=True, kw_only=True)
class ToleranceStack(Result):
    """The gap of a stack."""

    nominal_mm: float
    worst_mm: tuple[float, float]
    rss_mm: tuple[float, float]
    share_that_fits: float
    """Share of assemblies whose gap reaches the least, if every tolerance is three standard deviations."""
    dimensions: pd.DataFrame
    """name, nominal_mm, plus_mm, minus_mm, factor, share_of_spread_pct."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Dimensions": self.dimensions.round(3)}


def tolerance_stack(dimensions: Sequence[Dimension], least_mm: float = 0.0) -> ToleranceStack:
    """Worst case and root-sum-square of a gap, and whether it stays open.

    Arguments
    ---------
    dimensions
        What makes up the gap (see `Dimension`).
    least_mm
        The least gap with which it still goes together, mm.

    Returns
    -------
    ToleranceStack.

    Raises
    ------
    InputError
        If there are no dimensions.

    Source: worst case adds the ranges; independent spreads add as squares (law of propagation of uncertainty,
    JCGM 100:2008, equation 10).

    >>> bore, part = Dimension("bore", 40, 0.1), Dimension("part", 37, 0.05, factor=-1)
    >>> tolerance_stack([bore, part]).verdict
    'It goes together even in the worst case: the gap is 3 mm, at worst 2.85 mm, in all likelihood 2.89 to 3.11 mm.'
    """
    stack = list(dimensions)
    if not stack or not all(isinstance(d, Dimension) for d in stack):
        raise InputError("a stack needs at least one Dimension(name, nominal_mm, plus_mm, minus_mm, factor)")
    least = number("least_mm", least_mm, -1e4, 1e4, "mm")
    nominal = sum(d.factor * d.nominal_mm for d in stack)
    middle = sum(d.middle_mm for d in stack)
    reach = sum(d.half_mm for d in stack)
    likely = float(np.sqrt(sum(d.half_mm**2 for d in stack)))
    worst, rss = (middle - reach, middle + reach), (middle - likely, middle + likely)
    share = float(_normal_above(np.asarray(middle - least), np.asarray(likely / SIGMAS)))
    table = pd.DataFrame(
        {
            "name": [d.name for d in stack],
            "nominal_mm": [d.nominal_mm for d in stack],
            "plus_mm": [d.plus_mm for d in stack],
            "minus_mm": [d.minus_mm for d in stack],
            "factor": [d.factor for d in stack],
            "share_of_spread_pct": [100 * d.half_mm**2 / likely**2 if likely else 0.0 for d in stack],
        }
    )
    sizes = f"the gap is {about(middle, 3)} mm, at worst {about(worst[0], 3)} mm"
    sizes += f", in all likelihood {about(rss[0], 3)} to {about(rss[1], 3)} mm"
    return ToleranceStack(
        verdict=f"{_TOGETHER[_rank(worst[0], worst[1], rss[0], least, share)]}: {sizes}.",
        cautions=(_ASSUMED,),
        nominal_mm=float(nominal),
        worst_mm=worst,
        rss_mm=rss,
        share_that_fits=share,
        dimensions=table,
    )


_ASSUMED = (
    "What is likely assumes independent, centred spreads with each tolerance at three standard deviations; a printer or a "
    "shrinkage that is off shifts all parts alike, and only the worst case covers that."
)
_TOGETHER = {
    "always": "It goes together even in the worst case",
    "nearly always": "It goes together nearly always, though not in the worst case",
    "sometimes": "It goes together only sometimes",
    "never": "It never goes together",
}


def _rank(worst_low: float, worst_high: float, rss_low: float, least: float, share: float) -> str:
    if worst_low >= least:
        return "always"
    if worst_high < least:
        return "never"
    return "nearly always" if rss_low >= least or share >= NEARLY else "sometimes"


def _normal_above(margin: Array, sigma: Array) -> Array:
    """Chance that a normal spread of mean `margin` is not below 0."""
    from scipy.special import ndtr

    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(sigma > 0, ndtr(margin / sigma), (margin >= 0).astype(float))


@dataclass(frozen=True, kw_only=True)
class ScrewFit(Result):
    """Whether a casting goes on its screws."""

    fits: pd.DataFrame
    """hole_mm, hole_tolerance_mm, spacing_mm, spacing_tolerance_mm, spacing_low_mm, spacing_high_mm (error of the
    spacing), gap_mm, worst_gap_mm, likely_gap_mm, share_low, share_high (of castings that go on, over the range of the
    shrinkage), goes_on: one row a case."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"On the screw": self.fits.round(3)}


def screw_fit(
    thread: str,
    hole_mm: Number,
    hole_tolerance_mm: Number,
    spacing_mm: Number,
    spacing_tolerance_mm: Number,
    shrinkage_error: tuple[float, float] = (0.0, 0.0),
    cautions: tuple[str, ...] = (),
) -> ScrewFit:
    """The sums behind `shrinkage.will_it_go_on`: arguments and errors are described there.

    `shrinkage_error` is the least and the most by which the spacing may come out too long, as a fraction.
    """
    case = rows(
        hole_mm=numbers("hole_mm", hole_mm, 0.1, 1000, "mm"),
        hole_tolerance_mm=numbers("hole_tolerance_mm", hole_tolerance_mm, 0, 100, "mm"),
        spacing_mm=numbers("spacing_mm", spacing_mm, 0, 1e5, "mm"),
        spacing_tolerance_mm=numbers("spacing_tolerance_mm", spacing_tolerance_mm, 0, 100, "mm"),
    )
    pair = case["spacing_mm"] > 0
    clearance = case["hole_mm"] - float(thread[1:])
    hole_half = case["hole_tolerance_mm"]
    spacing_half = np.where(pair, case["spacing_tolerance_mm"], 0.0)
    # what the shrinkage is not known to is no spread among castings: it shifts them all, so it is taken at its ends
    shifts = [case["spacing_mm"] * e for e in shrinkage_error]
    shifted = np.maximum(np.abs(shifts[0]), np.abs(shifts[1]))
    # of two holes their mean diameter counts: at worst it is off by as much as one hole, in all likelihood by less
    likely = np.hypot(np.where(pair, hole_half / np.sqrt(2), hole_half), spacing_half)
    worst = clearance - hole_half - spacing_half - shifted
    best = clearance + hole_half - np.maximum(0.0, np.maximum(shifts[0], -shifts[1]) - spacing_half)
    shares = np.array([_share(clearance, shift, likely / SIGMAS, pair) for shift in (*shifts, 0 * shifted)])
    low, high = shares.min(axis=0), shares.max(axis=0)
    ranked = zip(worst, best, clearance - shifted - likely, low, strict=True)
    table = pd.DataFrame(
        {
            **case,
            "spacing_low_mm": shifts[0] - spacing_half + 0.0,  # one hole: 0, not -0
            "spacing_high_mm": shifts[1] + spacing_half,
            "gap_mm": clearance,
            "worst_gap_mm": worst,
            "likely_gap_mm": clearance - shifted - likely,
            "share_low": low,
            "share_high": high,
            "goes_on": [_rank(w, b, r, 0.0, p) for w, b, r, p in ranked],
        }
    )
    return ScrewFit(verdict=_screw_verdict(thread, table), cautions=(*cautions, _ASSUMED), fits=table)


def _share(clearance: Array, shift: Array, sigma: Array, pair: NDArray[np.bool_]) -> Array:
    """Share of castings whose spacing error (two holes) or clearance (one hole) lets them on."""
    both = _normal_above(clearance - shift, sigma) + _normal_above(clearance + shift, sigma) - 1
    return np.where(pair, both, _normal_above(clearance, sigma)).clip(0, 1)


def _screw_verdict(thread: str, table: pd.DataFrame) -> str:
    if len(table) > 1:
        counts = table["goes_on"].value_counts()
        said = ", ".join(f"{word} in {counts[word]}" for word in _TOGETHER if word in counts)
        return f"Of {len(table)} cases the casting goes on the {thread}: {said}."
    c = table.iloc[0]
    screws = f"two {thread} screws {about(c.spacing_mm, 3)} mm apart" if c.spacing_mm > 0 else f"the {thread} screw"
    share = f"{100 * c.share_low:.0f}%"
    if round(100 * c.share_low) != round(100 * c.share_high):
        share = f"{100 * c.share_low:.0f} to {100 * c.share_high:.0f}%, as the resin shrinks"
    text = {
        "always": f"It goes on {screws} even in the worst case",
        "nearly always": f"It goes on {screws} nearly always ({share}), though not in the worst case",
        "sometimes": f"It goes on {screws} only sometimes ({share})",
        "never": f"It does not go on {screws}",
    }[c.goes_on]
    return f"{text}: {about(c.gap_mm)} mm to spare, at worst {about(c.worst_gap_mm)} mm."
