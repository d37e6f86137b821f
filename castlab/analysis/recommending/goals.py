"""What the maker wants of a casting: `Goal`, and how several wishes become one score (desirability).

The desirability of one wish runs from 0 to 1 and the overall one is their weighted geometric mean (Derringer and Suich,
Journal of Quality Technology 12, 1980, 214-219), so that no wish can be bought off wholly by the others.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.errors import InputError

FEWER_IS_BETTER = ("bubbles", "bubble_largest_mm", "haze_pct")
"""Outcomes of the logbook of which a maker wants fewer or less; of passes, and of grades (0 worst), the house's and a shop's
own, more."""

_WORDS = {"fewer": "fewer", "less": "fewer", "lower": "fewer", "more": "more", "higher": "more"}
ACCEPTED = 'accepted: "fewer", "more", a number to come close to, or a Goal'

Of = Callable[[dict[str, Any]], float] | Mapping[str, Any]


@dataclass(frozen=True)
class Goal:
    """One wish.

    Parameters
    ----------
    aim : "fewer", "more" or a number
        Which way is better, or the value to come close to (unit of the response).
    good_enough : number or (low, high), optional
        What a single part must reach to pass: at most this for "fewer", at least this for "more"; for a number to come
        close to, the distance from it that is still good (or the two limits). With `of`, what the settings must keep to.
    weight : above 0
        How much this wish counts beside the others.
    ends : (number, number), optional
        The expected values at which the wish counts as not met at all and as fully met. By default the worst and the
        best that the settings to choose from are expected to give (for a number to come close to: `good_enough` away,
        or as far as the settings reach).
    of : function or mapping, optional
        For what is not a response but follows from the settings, such as cost or cure time: a function of the settings
        (a dict), or a sum: {"cup_degas_min": 0.2, "insert_prep": {"dried": 0.5}} is 0.2 per minute and 0.5 for dried.

    Examples
    --------
    >>> Goal("fewer", good_enough=3).met(2), Goal(75, good_enough=2).met(78)
    (True, False)
    """

    aim: str | float
    good_enough: float | tuple[float, float] | None = None
    weight: float = 1.0
    ends: tuple[float, float] | None = None
    of: Of | None = None

    def __post_init__(self) -> None:
        if isinstance(self.aim, str):
            if self.aim not in _WORDS:
                raise InputError(f"the aim of a goal is {self.aim!r}; {ACCEPTED}")
            object.__setattr__(self, "aim", _WORDS[self.aim])
        elif not _number(self.aim):
            raise InputError(f"the aim of a goal is {self.aim!r}; {ACCEPTED}")
        if not (_number(self.weight) and self.weight > 0):
            raise InputError(f"the weight of a goal is {self.weight!r}; accepted: a number above 0")
        limit = self.good_enough
        pair = isinstance(limit, tuple | list) and len(limit) == 2 and all(map(_number, limit)) and limit[0] < limit[1]
        if limit is not None and not (pair or _number(limit)):
            raise InputError(f"good_enough is {limit!r}; accepted: a number, or (low, high) with low below high")
        if not isinstance(self.aim, str) and isinstance(limit, Real) and not float(limit) > 0:
            raise InputError(f"good_enough is {limit!r}; accepted for a number to come close to: a distance above 0")
        if not (self.of is None or callable(self.of) or isinstance(self.of, Mapping)):
            raise InputError(f"of is {self.of!r}; accepted: a function of the settings, or {{setting: price}}")
        ends = self.ends
        if ends is not None and not (len(ends) == 2 and all(map(_number, ends)) and ends[0] != ends[1]):
            raise InputError(f"ends is {ends!r}; accepted: two different numbers, (not met at all, fully met)")

    @property
    def band(self) -> tuple[float, float]:
        """The lowest and the highest value that is good enough; infinite where there is no limit."""
        if self.good_enough is None:
            return -np.inf, np.inf
        if isinstance(self.good_enough, tuple | list):
            return float(self.good_enough[0]), float(self.good_enough[1])
        if self.aim == "fewer":
            return -np.inf, float(self.good_enough)
        if self.aim == "more":
            return float(self.good_enough), np.inf
        return float(self.aim) - float(self.good_enough), float(self.aim) + float(self.good_enough)

    def met(self, value: float) -> bool:
        """Whether a part with this value is good enough."""
        low, high = self.band
        return bool(low <= value <= high)

    def short(self, values: np.ndarray) -> np.ndarray:
        """How far these values lie from what is good enough; 0 where they are."""
        low, high = self.band
        return np.maximum(np.maximum(low - values, values - high), 0.0)

    def said(self, response: str) -> str:
        """The wish in words: "bubbles at most 3", "more clarity grade", "Shore D hardness near 75"."""
        name, unit = labels.name(response), labels.unit(response)
        low, high = self.band
        number = {end: f"{value:.12g} {unit}".strip() for end, value in (("low", low), ("high", high))}
        if np.isfinite(low) and np.isfinite(high):
            return f"{name} {number['low']} to {number['high']}"
        if np.isfinite(high):
            return f"{name} at most {number['high']}"
        if np.isfinite(low):
            return f"{name} at least {number['low']}"
        return f"{self.aim} {name}" if isinstance(self.aim, str) else f"{name} near {self.aim:g} {unit}".strip()

    def values(self, settings: pd.DataFrame) -> np.ndarray:
        """What follows from the settings, one value per row, for a goal with `of`."""
        if self.of is None:
            raise InputError("this goal does not follow from the settings")
        rows = settings.to_dict("records")
        try:
            found = [self.of(row) if callable(self.of) else _sum(self.of, row) for row in rows]
            return np.asarray(found, dtype=float)
        except KeyError as exc:
            raise InputError(
                f"a goal is worked out from {exc.args[0]!r}, which is not among the settings: {', '.join(map(str, settings))}"
            ) from None
        except (TypeError, ValueError) as exc:
            raise InputError(
                f"a goal could not be worked out from the settings ({exc}); accepted: a function that returns a number"
            ) from None

    def score(self, values: np.ndarray, ends: tuple[float, float]) -> np.ndarray:
        """Desirability of these expected values, 0 to 1; `ends` as in the class."""
        if isinstance(self.aim, str):
            return one_sided(values, *ends)
        reach = abs(ends[1] - ends[0])
        return two_sided(values, float(self.aim) - reach, float(self.aim), float(self.aim) + reach)


def one_sided(values: np.ndarray, worst: float, best: float, power: float = 1.0) -> np.ndarray:
    """Desirability of a response of which one way is better: 0 up to `worst`, 1 from `best` on.

    Source: Derringer and Suich 1980, their equation for one-sided transformations.

    Examples
    --------
    >>> one_sided(np.array([100.0, 129.5, 180.0]), 120, 170).round(2).tolist()
    [0.0, 0.19, 1.0]
    """
    if worst == best:
        return np.ones(np.shape(values))
    return np.clip((np.asarray(values, dtype=float) - worst) / (best - worst), 0, 1) ** power


def two_sided(values: np.ndarray, low: float, target: float, high: float) -> np.ndarray:
    """Desirability of a response with a value to come close to: 1 there, 0 from `low` down and from `high` up.

    Source: Derringer and Suich 1980, their equation for two-sided transformations.

    Examples
    --------
    >>> two_sided(np.array([465.7, 500.0, 650.0]), 400, 500, 600).round(3).tolist()
    [0.657, 1.0, 0.0]
    """
    x = np.asarray(values, dtype=float)
    below, above = (x - low) / (target - low), (high - x) / (high - target)
    return np.clip(np.minimum(below, above), 0, 1)


def overall(each: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Weighted geometric mean over the last axis: 0 as soon as one wish is not met at all.

    Examples
    --------
    >>> round(float(overall(np.array([0.189, 1.0, 0.656, 0.932]), np.ones(4))), 3)
    0.583
    """
    with np.errstate(divide="ignore"):
        logs = np.log(np.asarray(each, dtype=float))
    return np.asarray(np.exp(np.sum(logs * weights, axis=-1) / np.sum(weights)))


def known_aim(response: str) -> str | None:
    """Which way is better, where a maker knows it without being told.

    Examples
    --------
    >>> known_aim("bubbles"), known_aim("gloss_grade"), known_aim("shore_d")
    ('fewer', 'more', None)
    """
    if response in FEWER_IS_BETTER:
        return "fewer"
    return "more" if response == "passed" or response.endswith("_grade") else None


def read(goals: Mapping[str, Any]) -> dict[str, Goal]:
    """Every wish as a `Goal`.

    Raises
    ------
    InputError
        If there are none, or one is not understood.
    """
    if not isinstance(goals, Mapping) or not goals:
        raise InputError(
            f'goals is {goals!r}; accepted: {{response: goal}}, such as {{"bubbles": "fewer"}}; {ACCEPTED}'
        )
    found = {}
    for name, wish in goals.items():
        if isinstance(wish, Goal):
            found[str(name)] = wish
        elif isinstance(wish, str) or _number(wish):
            found[str(name)] = Goal(wish)
        else:
            raise InputError(f"the goal for {name} is {wish!r}; {ACCEPTED}")
    return found


def _number(value: object) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool) and bool(np.isfinite(float(value)))


def _sum(prices: Mapping[str, Any], row: dict[str, Any]) -> float:
    """A price per unit of a number, a price per level of a choice (0 for a level without one)."""
    total = 0.0
    for name, price in prices.items():
        value = row[name]
        if isinstance(price, Mapping):
            total += float(price.get(value, price.get(labels.level(value), 0)))
        else:
            total += float(price) * float(value)
    return total
