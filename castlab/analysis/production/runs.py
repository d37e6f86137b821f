"""Run rules: patterns in a row of points that a steady process seldom shows. Works on normal scores; knows no data.

The eight tests are those of Nelson, The Shewhart control chart - tests for special causes, Journal of Quality
Technology 16 (1984) 237-239. Tests 1, 5 and 6, and 2 with eight points instead of nine, are the rules of the Western
Electric Statistical Quality Control Handbook (1956).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from castlab.errors import InputError

_TWO, _ONE = 0.022750131948, 0.158655253931  # upper tail of the normal distribution beyond 2 and beyond 1


@dataclass(frozen=True)
class Rule:
    """One test: how many points it looks at, what it says, and its chance at one point of a steady process."""

    span: int
    says: str
    chance: float


RULES: dict[int, Rule] = {
    1: Rule(1, "one point beyond the limits", 0.0027),
    2: Rule(9, "nine points in a row on one side of the usual", 2 * 0.5**9),
    3: Rule(6, "six points in a row steadily rising or falling", 2 / math.factorial(6)),
    4: Rule(14, "fourteen points in a row going up and down in turn", 2 * 199360981 / math.factorial(14)),
    5: Rule(3, "two of three points far out on one side", 2 * (3 * _TWO**2 * (1 - _TWO) + _TWO**3)),
    6: Rule(5, "four of five points well out on one side", 2 * (5 * _ONE**4 * (1 - _ONE) + _ONE**5)),
    7: Rule(15, "fifteen points in a row close to the usual", (1 - 2 * _ONE) ** 15),
    8: Rule(8, "eight points in a row far from the usual, on both sides", (2 * _ONE) ** 8),
}
"""Number of the test -> the test. Chances are for independent normal points with known limits (199360981: permutations
of 14 that go up and down in turn)."""

WESTERN_ELECTRIC = (1, 2, 5, 6)
"""The default: the tests that find a shifted level."""


@dataclass(frozen=True)
class Episode:
    """A rule that fired: at the points `first` to `last` (0-based), on a pattern that began at `since`."""

    rule: int
    since: int
    first: int
    last: int
    direction: int
    """+1 upwards, -1 downwards, 0 neither."""


def checked(rules: Iterable[int]) -> tuple[int, ...]:
    """The numbers of the rules, sorted.

    Raises
    ------
    InputError
        If one is not a test from 1 to 8, or none is given.
    """
    try:
        numbers = tuple(sorted({int(r) for r in rules}))
    except (TypeError, ValueError):
        raise InputError(f"rules is {rules!r}; accepted: numbers of Nelson's tests, such as (1, 2, 5, 6)") from None
    unknown = [r for r in numbers if r not in RULES]
    if unknown or not numbers:
        raise InputError(f"rules is {rules!r}; accepted: one or more of Nelson's tests 1 to 8, such as (1, 2, 5, 6)")
    return numbers


def hits(scores: np.ndarray, beyond: np.ndarray, rule: int) -> np.ndarray:
    """Where a rule fires: +1, -1 (the direction), 2 (fires without a direction) or 0, in the shape of `scores`.

    Parameters
    ----------
    scores
        Normal scores, points along the last axis; NaN for a point that takes no part.
    beyond
        +1, -1 or 0 per point: above, below or inside its limits.
    rule
        1 to 8, see `RULES`.
    """
    n, span = scores.shape[-1], RULES[rule].span
    found = np.zeros(scores.shape, dtype=int)
    if rule == 1:
        return np.sign(beyond).astype(int)
    if n < span:
        return found
    seen = sliding_window_view(scores, span, axis=-1)
    steps = np.diff(seen, axis=-1)
    match rule:
        case 2:
            up, down = (seen > 0).all(-1), (seen < 0).all(-1)
        case 3:
            up, down = (steps > 0).all(-1), (steps < 0).all(-1)
        case 5 | 6:
            far, least = (2, 2) if rule == 5 else (1, 4)
            up = ((seen > far).sum(-1) >= least) & (seen[..., -1] > far)
            down = ((seen < -far).sum(-1) >= least) & (seen[..., -1] < -far)
        case _:
            if rule == 4:
                plain = (steps[..., 1:] * steps[..., :-1] < 0).all(-1)
            elif rule == 7:
                plain = (np.abs(seen) < 1).all(-1)
            else:
                plain = (np.abs(seen) > 1).all(-1) & (seen > 0).any(-1) & (seen < 0).any(-1)
            found[..., span - 1 :] = 2 * plain
            return found
    found[..., span - 1 :] = up.astype(int) - down.astype(int)
    return found


def episodes(scores: np.ndarray, beyond: np.ndarray, rules: Iterable[int]) -> list[Episode]:
    """Every rule that fires on one row of points; neighbouring points at which the same rule fires are one episode.

    Examples
    --------
    >>> row = np.array([0.3, -0.2, 2.3, 0.1, 2.6])
    >>> episodes(row, np.zeros(5), [5])
    [Episode(rule=5, since=2, first=4, last=4, direction=1)]
    """
    found: list[Episode] = []
    for rule in checked(rules):
        fired = hits(scores, beyond, rule)
        at = 0
        while at < len(fired):
            if fired[at] == 0:
                at += 1
                continue
            last = at
            while last + 1 < len(fired) and fired[last + 1] == fired[at]:
                last += 1
            direction = int(fired[at]) if abs(fired[at]) == 1 else 0
            found.append(Episode(rule, _since(scores, rule, at, direction), at, last, direction))
            at = last + 1
    return sorted(found, key=lambda e: (e.first, e.rule))


def step(scores: np.ndarray, permutations: int | None = None) -> tuple[int, int, float]:
    """The likeliest step in the level of a row of points: first point of the new level, direction, p-value.

    The split with the largest difference of means over its standard deviation (likelihood ratio for normal points;
    Hawkins, Journal of the American Statistical Association 72 (1977) 180-186, from memory), at least two points on each
    side; its p-value is the share of random orders of the same points that show as large a step (999 orders, of long rows
    down to 199).

    Examples
    --------
    >>> step(np.array([0.1, -0.2, 0.0, 0.2, -0.1, 2.1, 1.9, 2.0, 2.2, 1.8]))[:2]
    (5, 1)
    """
    n = len(scores)
    permutations = permutations or max(199, min(999, 1_000_000 // n))
    before = np.arange(2, n - 1)
    orders = np.random.default_rng(1).permuted(np.tile(scores, (permutations, 1)), axis=1)
    rows = np.vstack([scores, orders]) - scores.mean()
    sums = np.cumsum(rows, axis=1)[:, before - 1] / np.sqrt(before * (n - before) / n)
    largest = np.abs(sums).max(axis=1)
    at = int(np.abs(sums[0]).argmax())
    p = float((largest >= largest[0] - 1e-12).mean())
    return int(before[at]), int(-np.sign(sums[0, at])), p


def _since(scores: np.ndarray, rule: int, at: int, direction: int) -> int:
    """The first point of the pattern: for "two of three" the first of the two, else the first of the window."""
    start = at - RULES[rule].span + 1
    if rule in (5, 6):
        far = 2 if rule == 5 else 1
        return start + int(np.argmax(direction * scores[start : at + 1] > far))
    return start
