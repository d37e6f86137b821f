"""Mix ratios as bottles state them: by mass or by volume, of any number of parts."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from castlab.errors import InputError
from castlab.units.typed import DECIMAL, number, tidy

_ACCEPTED = "100:28 by mass, 2:1 by volume, 28 phr"
_BASES: dict[Literal["mass", "volume"], str] = {
    "mass": r"(?:parts?\s+)?by\s+(?:mass|weight|wt)|pbw|w/w|m/m|wt/wt|mass|weight",
    "volume": r"(?:parts?\s+)?by\s+vol(?:ume)?|pbv|v/v|vol/vol|volume|vol",
}


@dataclass(frozen=True)
class Ratio:
    """A mix ratio: parts in the order of the label, their basis, and densities where they are known."""

    parts: tuple[float, ...]
    basis: Literal["mass", "volume"]
    densities_g_ml: tuple[float, ...] | None = None

    def __post_init__(self) -> None:
        for what, values in (("part", self.parts), ("density", self.densities_g_ml or ())):
            for value in values:
                if not (math.isfinite(value) and value > 0):
                    raise InputError(f"a {what} of the ratio is {value:g}; accepted: a number above zero")
        if len(self.parts) < 2:
            raise InputError(f"a ratio has at least two parts; accepted: {_ACCEPTED}")
        if self.densities_g_ml is not None and len(self.densities_g_ml) != len(self.parts):
            raise InputError(
                f"the ratio has {len(self.parts)} parts but {len(self.densities_g_ml)} densities are given"
            )

    @property
    def mass_parts(self) -> tuple[float, ...]:
        """Parts by mass, the first set to 100. Raises InputError by volume without densities."""
        if self.basis == "mass":
            masses = self.parts
        elif self.densities_g_ml is None:
            shown = ":".join(f"{p:g}" for p in self.parts)
            raise InputError(
                f"{shown} by volume needs the density of each part to become a ratio by mass: densities_g_ml=(1.10, 0.98)"
            )
        else:
            masses = tuple(p * d for p, d in zip(self.parts, self.densities_g_ml, strict=True))
        return tuple(100 * m / masses[0] for m in masses)

    @property
    def phr(self) -> float:
        """Parts of the second per hundred of the first, by mass. Raises InputError by volume without densities."""
        return self.mass_parts[1]


def ratio(text: str, *, densities_g_ml: Sequence[float] | None = None) -> Ratio:
    """A mix ratio as typed ("100:28 by mass", "2:1 by volume", "28 phr").

    Parameters
    ----------
    text
        Parts, separated by a colon, a slash or "to", and their basis.
    densities_g_ml
        Density of each part, g/ml; needed to turn a ratio by volume into masses.

    Returns
    -------
    Ratio with `.parts`, `.basis`, `.mass_parts` and `.phr` (parts of the second per hundred of the first, by mass).

    Raises
    ------
    InputError
        If the basis is missing, or a part is not a number above zero.

    Examples
    --------
    >>> ratio("100:28 by mass").phr
    28.0
    >>> round(ratio("2:1 by volume", densities_g_ml=(1.10, 0.98)).phr, 1)
    44.5
    """
    plain = tidy(text, "mix ratio").lower()
    densities = None if densities_g_ml is None else tuple(float(d) for d in densities_g_ml)
    per_hundred = re.fullmatch(rf"({DECIMAL})\s*phr", plain)
    if per_hundred:
        return Ratio((100.0, number(per_hundred[1])), "mass", densities)
    said = {basis for basis, words in _BASES.items() if re.search(rf"(?<![a-z])(?:{words})(?![a-z])", plain)}
    numbers = re.sub(rf"(?<![a-z])(?:{'|'.join(_BASES.values())})(?![a-z])", " ", plain).strip(" ()[],;")
    parts = re.split(r"\s*(?::|/|\bto\b)\s*", numbers)
    if len(parts) < 2 or not all(re.fullmatch(DECIMAL, part) for part in parts):
        raise InputError(f"{plain!r} is not a mix ratio; accepted: {_ACCEPTED}")
    if len(said) != 1:
        problem = "does not say" if not said else "says both"
        raise InputError(
            f"{plain!r} {problem} by mass or by volume: add 'by mass' or 'by volume', as the label states it"
        )
    return Ratio(tuple(number(part) for part in parts), said.pop(), densities)
