"""The settings among which to choose: what was tried, what the bench can do, and the search for the best of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.analysis.fit import FactorFit
from castlab.errors import InputError

MOST_POINTS = 4000
MOST_LEVELS = 5
FINE = 20
"""Steps into which the range of a number is divided for the last refinement."""
ROUNDS = 20
OFTEN = 0.2
"""Share of castings from which a number counts as the usual one."""


@dataclass(frozen=True)
class Choice:
    """One setting to choose: its levels, or the range of a number, and what is usual."""

    name: str
    numeric: bool
    levels: tuple[Any, ...]
    """Levels to choose from, or (lowest, highest)."""
    tried: tuple[Any, ...]
    """Levels tried, or (lowest, highest) tried."""
    usual: Any
    """What most castings had; of a number that hardly repeats, the middle casting's."""
    stops: tuple[float, ...] = ()
    """Of a number: the values tried inside the range, where they are few."""

    @property
    def points(self) -> list[Any]:
        """The settings of a first, coarse look."""
        if not self.numeric:
            return list(self.levels)
        low, high = self.levels
        if low == high:
            return [low]
        inside = [v for v in self.stops if low < v < high]
        if len(inside) + 2 <= MOST_LEVELS:
            return [low, *inside, high]
        return [round_to(v, (high - low) / FINE) for v in np.linspace(low, high, MOST_LEVELS)]

    @property
    def fine(self) -> list[Any]:
        """The settings of the last refinement."""
        if not self.numeric:
            return list(self.levels)
        low, high = self.levels
        step = _nice((high - low) / FINE)
        steps = [v for k in range(FINE + 1) if low < (v := round_to(low, step) + k * step) < high] if step else []
        return sorted({low, high, *self.points, *(float(f"{v:.10g}") for v in steps)})

    def native(self, value: Any) -> Any:
        """The value as a plain number, or as the level it is."""
        if self.numeric:
            return float(value)
        return next(v for v in self.levels if str(v) == str(value))

    def outside(self, value: Any) -> bool:
        """True beyond what was tried."""
        if self.numeric:
            return not self.tried[0] - 1e-9 <= float(value) <= self.tried[1] + 1e-9
        return str(value) not in map(str, self.tried)


def _nice(step: float) -> float:
    """The step in round numbers (1, 2 or 5 times a power of ten) at or below this one."""
    if step <= 0:
        return 0.0
    power = 10.0 ** np.floor(np.log10(step))
    return float(power * max(m for m in (1, 2, 5) if m * power <= step * (1 + 1e-9)))


def round_to(value: float, step: float) -> float:
    """The value to the nearest round step."""
    nice = _nice(step)
    return float(f"{np.round(value / nice) * nice:.10g}") if nice else float(value)


def choices(fits: Sequence[FactorFit], limits: Mapping[str, Any] | None, *, beyond: bool) -> dict[str, Choice]:
    """What there is to choose, factor by factor.

    Raises
    ------
    InputError
        If a limit is not understood, names no factor, or leaves nothing of what was tried.
    """
    found: dict[str, Choice] = {}
    for fit in fits:
        for term in fit._design.terms:
            if len(term.parts) != 1:
                continue
            part, values = term.parts[0], fit.data[term.name]
            counts = values.value_counts()
            common: Any = counts.index[counts == counts.max()].sort_values()[0]
            if part.numeric:
                numbers = values.astype(float)
                middle = round_to(np.sort(numbers)[(len(numbers) - 1) // 2], (part.levels[1] - part.levels[0]) / FINE)
                usual = common if counts.max() >= OFTEN * len(values) else middle
                stops = tuple(sorted(set(numbers)))
                one = Choice(part.name, True, part.levels, part.levels, float(usual), stops)
            else:
                one = Choice(part.name, False, part.levels, part.levels, common)
            found[part.name] = _both(found[part.name], one) if part.name in found else one
    if limits is not None and not isinstance(limits, Mapping):
        raise InputError(
            f"limits is {limits!r}; accepted: {{factor: (lowest, highest), one value, or a list of levels}}"
        )
    for name, limit in (limits or {}).items():
        if name not in found:
            why = next((f" ({fit.dropped[name].rstrip('.')})" for fit in fits if name in fit.dropped), "")
            raise InputError(
                f"limits names {name!r}, which these fits do not judge{why}; accepted: {', '.join(found)}, so leave it out"
            )
        found[name] = _within(found[name], limit, beyond=beyond)
    return found


def _both(one: Choice, other: Choice) -> Choice:
    """What both fits have tried."""
    if one.numeric != other.numeric:
        raise InputError(f"{one.name} is a number in one fit and a choice in another; fit both with the same columns")
    if one.numeric:
        ends = max(one.levels[0], other.levels[0]), min(one.levels[1], other.levels[1])
        if ends[0] > ends[1]:
            raise InputError(f"the fits have no value of {one.name} in common; fit them on the same castings")
        return Choice(one.name, True, ends, ends, one.usual, one.stops)
    known = {str(v) for v in other.levels}
    levels = tuple(v for v in one.levels if str(v) in known)
    if not levels:
        raise InputError(f"the fits have no level of {one.name} in common; fit them on the same castings")
    return Choice(one.name, False, levels, levels, one.usual)


def _within(one: Choice, limit: Any, *, beyond: bool) -> Choice:
    if limit is None:
        raise InputError(f"the limits of {one.name} are None; leave {one.name} out of limits where there are none")
    if one.numeric:
        values: list[Any] = [limit, limit] if np.isscalar(limit) else list(limit)
        try:
            numbers = [float(v) for v in values]
        except (TypeError, ValueError):
            numbers = []
        if not numbers or not np.all(np.isfinite(numbers)):
            raise InputError(f"the limits of {one.name} are {limit!r}; accepted: (lowest, highest) or one value")
        if len(numbers) == 2 and numbers[0] > numbers[1]:
            raise InputError(f"the limits of {one.name} are {limit!r}; accepted: (lowest, highest), the lowest first")
        low, high = min(numbers), max(numbers)
        ends = (low, high) if beyond else (max(low, one.tried[0]), min(high, one.tried[1]))
        if ends[0] > ends[1]:
            raise InputError(
                f"the limits of {one.name}, {low:g} to {high:g}, leave nothing of what was tried "
                f"({one.tried[0]:g} to {one.tried[1]:g}); cast there first, or give beyond=True"
            )
        stops = tuple(v for v in (sorted(numbers) if len(numbers) > 2 else one.stops) if ends[0] <= v <= ends[1])
        return Choice(one.name, True, ends, one.tried, one.usual, stops)
    wanted = [limit] if isinstance(limit, str) or np.isscalar(limit) else list(limit)
    told = {text: v for v in one.levels for text in (str(v), labels.level(v))}
    unknown = [v for v in wanted if str(v) not in told]
    if unknown or not wanted:
        raise InputError(
            f"the limits of {one.name} name {repr(unknown[0]) if unknown else 'no level'}; "
            f"levels tried: {words.listing([labels.level(v) for v in one.levels])}"
        )
    return Choice(one.name, False, tuple(told[str(v)] for v in wanted), one.tried, one.usual)


def coarse(free: Sequence[Choice], held: Mapping[str, Any]) -> pd.DataFrame:
    """Every combination of the coarse settings; only the ends of numbers where that would be too many."""
    lists = [c.points for c in free]
    if np.prod([len(v) for v in lists], dtype=float) > MOST_POINTS:
        lists = [[c.levels[0], c.levels[1]] if c.numeric else c.points for c in free]
    size = np.prod([len(v) for v in lists], dtype=float)
    if size > MOST_POINTS:
        rng = np.random.default_rng(1)
        rows = [tuple(v[rng.integers(len(v))] for v in lists) for _ in range(MOST_POINTS)]
    else:
        rows = list(product(*lists))
    return pd.DataFrame(rows, columns=[c.name for c in free]).drop_duplicates(ignore_index=True).assign(**held)


def refine(
    value: Callable[[pd.DataFrame], np.ndarray], start: Mapping[str, Any], free: Sequence[Choice]
) -> dict[str, Any]:
    """From a start, one setting at a time to its best, until none gets better; `value` is to be as large as it can."""
    best = dict(start)
    for _ in range(ROUNDS):
        before = dict(best)
        for choice in free:
            options = choice.fine
            rows = pd.DataFrame([{**best, choice.name: v} for v in options])
            values = value(rows)
            here = value(pd.DataFrame([best]))[0]
            place = int(np.argmax(values))
            if values[place] > here + 1e-9:
                best[choice.name] = options[place]
        if best == before:
            break
    return best
