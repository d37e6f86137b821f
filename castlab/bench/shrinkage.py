"""Dimensions that come out right: scale the master, size the pin for a screw hole, and see whether it will go on.

Shrinkage is linear, in %, and positive where a casting comes out smaller than its mold. Tolerances live in `tolerances`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from castlab.analysis.words import about
from castlab.bench.inputs import Array, Number, number, numbers, plain
from castlab.bench.materials import Properties, properties
from castlab.bench.tolerances import Dimension, ScrewFit, ToleranceStack, screw_fit, tolerance_stack
from castlab.errors import InputError
from castlab.given import nearest
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.records.models import Material

__all__ = [
    "CLEARANCE_HOLES_MM",
    "Dimension",
    "MasterScale",
    "PinPlan",
    "ScrewFit",
    "ToleranceStack",
    "clearance_hole_mm",
    "linear_shrinkage_pct",
    "master_scale",
    "pin_plan",
    "screw_fit",
    "tolerance_stack",
    "volume_shrinkage_pct",
    "will_it_go_on",
]

Fit = Literal["fine", "medium", "coarse"]
FITS: tuple[Fit, ...] = ("fine", "medium", "coarse")
LEAST_PCT, MOST_PCT = -5.0, 20.0

CLEARANCE_HOLES_MM: dict[str, tuple[float, float, float]] = {
    "M1.6": (1.7, 1.8, 2.0),
    "M2": (2.2, 2.4, 2.6),
    "M2.5": (2.7, 2.9, 3.1),
    "M3": (3.2, 3.4, 3.6),
    "M3.5": (3.7, 3.9, 4.2),
    "M4": (4.3, 4.5, 4.8),
    "M5": (5.3, 5.5, 5.8),
    "M6": (6.4, 6.6, 7.0),
    "M7": (7.4, 7.6, 8.0),
    "M8": (8.4, 9.0, 10.0),
    "M10": (10.5, 11.0, 12.0),
    "M12": (13.0, 13.5, 14.5),
    "M14": (15.0, 15.5, 16.5),
    "M16": (17.0, 17.5, 18.5),
}
"""Thread -> fine, medium, coarse clearance hole, mm. ISO 273:1979, values looked up in public reference tables of the
standard, not in the standard itself. Coarse holes wider than 18 mm are beyond what a casting shop meets."""


def linear_shrinkage_pct(volume_pct: Number) -> float | Array:
    """Linear shrinkage that goes with a shrinkage by volume, %: 1 - (1 - V)^(1/3).

    Arguments
    ---------
    volume_pct
        Shrinkage by volume, %, as ISO 3521 measures it; one number or an array.

    Returns
    -------
    %, a float or an array.

    Raises
    ------
    InputError
        If a value is not between -15 and 50 %.

    >>> round(linear_shrinkage_pct(3.0), 3)
    1.01
    """
    volume = numbers("volume_pct", volume_pct, -15, 50, "%")
    return plain(np.asarray(100 * (1 - np.cbrt(1 - volume / 100))))


def volume_shrinkage_pct(linear_pct: Number) -> float | Array:
    """Shrinkage by volume that goes with a linear one, %: 1 - (1 - L)^3; arguments and errors as above.

    >>> round(volume_shrinkage_pct(1.0), 3)
    2.97
    """
    linear = numbers("linear_pct", linear_pct, LEAST_PCT, MOST_PCT, "%")
    return plain(np.asarray(100 * (1 - (1 - linear / 100) ** 3)))


@dataclass(frozen=True, kw_only=True)
class MasterScale(Result):
    """How much larger to make the master, and what spread of sizes to expect all the same."""

    factor: float
    low: float
    high: float
    """Scale factors at the low and the high end of the shrinkages."""
    sizes: pd.DataFrame
    """wanted_mm, master_mm, casting_low_mm, casting_high_mm: one row a wanted size, for a master scaled by `factor`."""
    typical: tuple[str, ...]

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Sizes": self.sizes.round(3)}


def master_scale(
    resin: float | str | Material | Properties,
    silicone: float | str | Material | Properties = "platinum-cure silicone",
    size_mm: Number = 100.0,
) -> MasterScale:
    """Scale factor of the master so that the casting comes out right: 1 / ((1 - silicone)(1 - resin)).

    Arguments
    ---------
    resin, silicone
        Linear shrinkage, %, or a material (family, record or properties) that has one.
    size_mm
        Wanted sizes of the casting, mm; one or several.

    Returns
    -------
    MasterScale with `.factor`, its range, and the master's size for each wanted size.

    Raises
    ------
    InputError
        If a shrinkage is not between -5 and 20 %, or the material has none.

    Source: the mold shrinks from the master, the casting from the mold: arithmetic. Ranges of families: common practice.

    >>> round(master_scale(1.0, 0.1).factor, 5)
    1.01111
    """
    r, s, typical = _shrinkages(resin, silicone)
    low, factor, high = (1 / ((1 - a) * (1 - b)) for a, b in zip(r, s, strict=True))
    wanted = np.atleast_1d(numbers("size_mm", size_mm, 1e-3, 1e5, "mm"))
    sizes = pd.DataFrame(
        {
            "wanted_mm": wanted,
            "master_mm": wanted * factor,
            "casting_low_mm": wanted * factor / high,
            "casting_high_mm": wanted * factor / low,
        }
    )
    spread = 100 * max(factor / low - 1, 1 - factor / high)
    text = f"Make the master {100 * (factor - 1):.2f}% larger than the casting (scale {factor:.4f})."
    if spread > 0:
        text += (
            f" Typical shrinkages differ enough to leave the casting up to {about(spread)}% off: cast a test piece and "
            "measure it."
        )
    return MasterScale(
        verdict=text, cautions=typical[1], factor=factor, low=low, high=high, sizes=sizes, typical=typical[0]
    )


def clearance_hole_mm(thread: str | Sequence[str], fit: Fit = "medium") -> float | Array:
    """Clearance hole for a metric screw, mm.

    Arguments
    ---------
    thread
        "M4" or several to sweep.
    fit
        "fine", "medium" or "coarse".

    Returns
    -------
    Diameter in mm, a float or an array.

    Raises
    ------
    InputError
        If the thread or the fit is not in the table.

    Source: ISO 273:1979 (see `CLEARANCE_HOLES_MM`).

    >>> clearance_hole_mm("M4")
    4.5
    """
    if fit not in FITS:
        raise InputError(f"fit is {fit!r}; accepted: {', '.join(FITS)}")
    column = FITS.index(fit)
    if isinstance(thread, str):
        return CLEARANCE_HOLES_MM[_thread(thread)][column]
    try:
        return np.array([CLEARANCE_HOLES_MM[_thread(t)][column] for t in thread])
    except TypeError:
        raise InputError(f"thread is {thread!r}; accepted: a name such as 'M4', or several") from None


@dataclass(frozen=True, kw_only=True)
class PinPlan(Result):
    """The pin (or the hole of the master) that leaves a wanted hole in the casting."""

    hole_mm: float
    """The hole wanted."""
    pin_mm: float
    """What the printed pin, or the printed hole of the master, must measure."""
    drawn_mm: float
    """What to draw, so that the printer makes it that size."""
    hole_low_mm: float
    hole_high_mm: float
    """What the hole will measure, given the spread of shrinkage and print."""
    typical: tuple[str, ...]

    def tables(self) -> dict[str, pd.DataFrame]:
        row = {"wanted hole": self.hole_mm, "made": self.pin_mm, "drawn": self.drawn_mm}
        row |= {"hole at least": self.hole_low_mm, "hole at most": self.hole_high_mm}
        return {"Diameters, mm": pd.DataFrame([row]).round(3)}


def pin_plan(
    thread: str,
    fit: Fit = "medium",
    *,
    resin: float | str | Material | Properties,
    silicone: float | str | Material | Properties = "platinum-cure silicone",
    route: Literal["pin", "master"] = "pin",
    print_offset_mm: float = 0.0,
    print_spread_mm: float = 0.1,
) -> PinPlan:
    """Diameter to draw so that the cast hole is the clearance hole of the thread.

    Arguments
    ---------
    thread, fit
        As for `clearance_hole_mm`.
    resin, silicone
        Linear shrinkage, %, or a material that has one; the silicone counts only for the route "master".
    route
        "pin": a loose rigid pin stands in the mold; the resin shrinks onto it, so the hole ends between the pin and the
        freely shrunk pin. "master": the master has the hole, the silicone makes the core.
    print_offset_mm
        What the printer adds to this feature: printed less drawn, mm (often below 0 for holes). Measure a test print.
    print_spread_mm
        How far a print may stray from that, plus or minus, mm.

    Returns
    -------
    PinPlan with `.pin_mm`, `.drawn_mm` and the range of the hole.

    Raises
    ------
    InputError
        If the thread or a value cannot be used.

    Sources: ISO 273 for the hole; the scale as in `master_scale`.

    >>> round(pin_plan("M4", resin=1.0, print_offset_mm=0.1).drawn_mm, 2)
    4.45
    """
    if route not in ("pin", "master"):
        raise InputError(f"route is {route!r}; accepted: pin, master")
    name = _thread(thread)
    hole = float(clearance_hole_mm(name, fit))
    offset = number("print_offset_mm", print_offset_mm, -2, 2, "mm")
    spread = number("print_spread_mm", print_spread_mm, 0, 2, "mm")
    r, s, (typical, sentence) = _shrinkages(resin, silicone if route == "master" else 0.0)
    keeps = [(1 - a) * (1 - b) for a, b in zip(r, s, strict=True)]
    made = hole / keeps[1]
    low = (made - spread) * keeps[2]
    high = (made + spread) * (max(1.0, keeps[0]) if route == "pin" else keeps[0])
    screw = float(name[1:])
    what = "the pin" if route == "pin" else "the hole of the master"
    text = (
        f"For a {fit} hole of {hole:g} mm ({name}) make {what} {made:.2f} mm and draw it {made - offset:.2f} mm. "
        f"The cast hole will measure {low:.2f} to {high:.2f} mm: "
    )
    text += f"the screw ({screw:g} mm) " + (
        "passes even at the least." if low > screw else "may not pass at the least; take a coarser fit."
    )
    notes = ["One printed test piece tells the print offset better than any table."] if print_offset_mm == 0 else []
    return PinPlan(
        verdict=text,
        cautions=(*notes, *sentence),
        hole_mm=hole,
        pin_mm=made,
        drawn_mm=made - offset,
        hole_low_mm=low,
        hole_high_mm=high,
        typical=typical,
    )


def will_it_go_on(
    thread: str,
    hole_mm: Number,
    hole_tolerance_mm: Number = 0.15,
    *,
    spacing_mm: Number = 0.0,
    spacing_tolerance_mm: Number = 0.1,
    resin: float | str | Material | Properties = 0.0,
    silicone: float | str | Material | Properties = 0.0,
) -> ScrewFit:
    """Whether a casting goes on its screw, or on two screws at a fixed distance.

    Arguments
    ---------
    thread
        "M4"; the screw is taken at its nominal diameter, the largest it may have.
    hole_mm, hole_tolerance_mm
        Diameter of the cast hole and its plus-or-minus, mm; numbers or arrays to sweep, like all below.
    spacing_mm, spacing_tolerance_mm
        Distance of two holes, mm (0: one hole), and its plus-or-minus from printing and from the base plate.
    resin, silicone
        Materials, whose range of shrinkage then adds to the spacing although the master was scaled for the typical
        value; or 0 where the size is measured.

    Returns
    -------
    ScrewFit with `.fits` (one row a case) and the verdict.

    Raises
    ------
    InputError
        If the thread or a value cannot be used.

    Source: two holes of one plate pass two screws if the error of the spacing is at most the mean clearance (geometry of
    fixed fasteners); sums as in `tolerance_stack`.

    >>> will_it_go_on("M4", 4.5, 0.1, spacing_mm=60, spacing_tolerance_mm=0.2).fits["goes_on"][0]
    'always'
    """
    r, s, (_, sentence) = _shrinkages(resin, silicone)
    keeps = [(1 - a) * (1 - b) for a, b in zip(r, s, strict=True)]
    relative = (keeps[2] / keeps[1] - 1, keeps[0] / keeps[1] - 1)
    return screw_fit(
        _thread(thread), hole_mm, hole_tolerance_mm, spacing_mm, spacing_tolerance_mm, relative, cautions=sentence
    )


def _thread(name: object) -> str:
    if isinstance(name, str):
        wanted = name.strip().upper()
        wanted = wanted if wanted.startswith("M") else f"M{wanted}"
        if wanted in CLEARANCE_HOLES_MM:
            return wanted
    raise InputError(f"{name!r} is not a thread of the table{nearest(str(name).upper(), CLEARANCE_HOLES_MM)}")


Triple = tuple[float, float, float]


def _shrinkages(
    resin: float | str | Material | Properties, silicone: float | str | Material | Properties
) -> tuple[Triple, Triple, tuple[tuple[str, ...], tuple[str, ...]]]:
    """Low, best and high of both as fractions; the names that were typical; and the sentences that say so."""
    found: list[Triple] = []
    typical: list[str] = []
    sentences: list[str] = []
    for role, given in (("resin", resin), ("silicone", silicone)):
        if isinstance(given, int | float | np.number):
            value = number(f"{role} shrinkage", given, LEAST_PCT, MOST_PCT, "%")
            found.append((value / 100, value / 100, value / 100))
            continue
        kind = properties(given)
        low, best, high = (
            number(f"{role} shrinkage", v, LEAST_PCT, MOST_PCT, "%") / 100 for v in kind.range("shrinkage_pct")
        )
        found.append((low, best, high))
        if kind.typical_of("shrinkage_pct"):
            typical.append(f"{role}.shrinkage_pct")
            sentences.append(kind.sentence("shrinkage_pct"))
    return found[0], found[1], (tuple(typical), tuple(sentences))
