"""The scrap rate and what a count of castings can tell of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from castlab.bench.inputs import number
from castlab.errors import InputError
from castlab.results import Result


@dataclass(frozen=True, kw_only=True)
class ScrapRate(Result):
    """Share of castings that are not good enough, with its interval."""

    rate: float
    low: float
    high: float
    bad: int
    made: int


def scrap_rate(
    bad: int, made: int, method: Literal["jeffreys", "wilson"] = "jeffreys", level: float = 0.95
) -> ScrapRate:
    """Scrap rate and what the count can tell of it.

    Arguments
    ---------
    bad, made
        Castings that were not good enough, and all castings.
    method, level
        "jeffreys" or "wilson" interval, and its level.

    Returns
    -------
    ScrapRate, as fractions.

    Raises
    ------
    InputError
        If the counts cannot be, or the method is not known.

    Source: Brown, Cai and DasGupta, Statistical Science 16 (2001) 101 (both intervals); computed by statsmodels.

    >>> found = scrap_rate(3, 40)
    >>> round(found.low, 3), found.rate, round(found.high, 3)
    (0.022, 0.075, 0.187)
    """
    bad, made = checked_counts((bad, made))
    if bad > made:
        raise InputError(f"{bad} bad castings of {made} made; accepted: no more bad than made")
    if method not in ("jeffreys", "wilson"):
        raise InputError(f"method is {method!r}; accepted: jeffreys, wilson")
    number("level", level, 0.5, 0.999)
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(bad, made, alpha=1 - level, method=method)
    low, high = (0.0 if bad == 0 else float(low)), (1.0 if bad == made else float(high))
    return ScrapRate(
        verdict=f"{bad} of {made} castings were scrap: {100 * bad / made:.0f}%, and with {level:.0%} confidence "
        f"{100 * low:.1f} to {100 * high:.1f}%.",
        cautions=scrap_cautions((bad, made)),
        rate=bad / made,
        low=low,
        high=high,
        bad=bad,
        made=made,
    )


def scrap_range(scrap_pct: float, scrapped: tuple[int, int] | None) -> tuple[float, float, float]:
    """Scrap as a fraction, and its 95% interval (Jeffreys) where castings were counted.

    Raises
    ------
    InputError
        If the scrap is out of range, or more castings are bad than were made.
    """
    if scrapped is None:
        scrap = number("scrap_pct", scrap_pct, 0, 99, "%") / 100
        return scrap, scrap, scrap
    found = scrap_rate(*checked_counts(scrapped))
    return found.rate, found.low, found.high


def checked_counts(scrapped: tuple[int, int]) -> tuple[int, int]:
    """(bad, made) as given, or an `InputError` that says what is wrong."""
    try:
        bad, made = scrapped
    except (TypeError, ValueError):
        raise InputError(f"scrapped is {scrapped!r}; accepted: (bad, made), such as (3, 40)") from None
    return whole("bad", bad, 0, 1e7), whole("made", made, 1, 1e7)


def scrap_cautions(scrapped: tuple[int, int] | None) -> tuple[str, ...]:
    """What limits a scrap rate."""
    if scrapped is None:
        return ("The scrap is taken as known; give scrapped=(bad, made) to see what the count can tell.",)
    return ("The interval takes castings as independent; those of one cup often fail together, and then it is wider.",)


def whole(name: str, value: object, low: float, high: float) -> int:
    """`value` as a whole number from `low` to `high`; raises `InputError` otherwise."""
    found = number(name, value, low, high)
    if found % 1:
        raise InputError(f"{name} is {found:g}; accepted: a whole number from {low:g} to {high:g}")
    return int(found)
