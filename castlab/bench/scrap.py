"""The scrap rate and what a count of castings can tell of it: of castings alone, or with the cups they came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from castlab.analysis.production.proportion import interval, proportion
from castlab.bench.inputs import number, whole
from castlab.errors import InputError
from castlab.given import nearest
from castlab.results import Result

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, kw_only=True)
class ScrapRate(Result):
    """Share of castings that are not good enough, with its interval.

    `effective` is how many independent castings would tell as much: castings of one cup often fail together.
    """

    rate: float
    low: float
    high: float
    bad: int
    made: int
    effective: float


Scrapped = tuple[int, int] | ScrapRate
"""Scrap as counted: (bad, made), or what `scrap_of` found."""


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
    low, high = interval(bad / made, made, method, level)
    cautions = (
        "The interval takes castings as independent; those of one cup often fail together, and then it is wider.",
    )
    return _rate(bad, made, float(made), (low, high), level, "", cautions)


def scrap_of(castings: pd.DataFrame, passed: str = "passed", batch: str | None = "batch_id") -> ScrapRate:
    """Scrap rate of castings, with an interval that takes those of one cup for what they are: alike.

    Arguments
    ---------
    castings
        One row per casting, such as `book.frame(product=...)`; those that were not judged are left out.
    passed, batch
        The columns with pass or fail, and with the cup; batch=None takes all castings as independent.

    Returns
    -------
    ScrapRate, as fractions; the interval is that of the yield in `castlab.analysis.watch`.

    Raises
    ------
    InputError
        If a column is not there or does not hold passes and fails, or nothing was judged.

    >>> import pandas as pd
    >>> cups = pd.DataFrame({"batch_id": ["B-1"] * 4 + ["B-2"] * 4 + ["B-3"] * 4, "passed": [False] * 4 + [True] * 8})
    >>> found = scrap_of(cups)
    >>> round(found.rate, 2), round(found.effective, 1), round(found.low, 2), round(found.high, 2)
    (0.33, 1.0, 0.01, 0.95)
    """
    import numpy as np
    import pandas as pd

    from castlab.analysis.reading import kinds

    for column in (passed, batch):
        if column is not None and column not in castings:
            raise InputError(f"there is no column {column!r} among the castings{nearest(column, castings)}")
    good = kinds.read(castings[passed], "pass").values
    known = ~np.isnan(good) if batch is None else ~np.isnan(good) & castings[batch].notna().to_numpy()
    if not known.any():
        raise InputError(
            f"no casting has {passed} yet, so the scrap is not known: say of some castings whether they passed (notebook 2), or "
            "give a guess, such as scrap_pct=20, in place of scrapped="
        )
    codes = None if batch is None else np.asarray(pd.factorize(castings.loc[known, batch])[0])
    found = proportion(1 - good[known], codes)
    cups = 0 if codes is None else int(codes.max()) + 1
    cautions: list[str] = []
    if cups < 2 or cups == found.made:
        cautions.append(
            "Nothing tells whether castings of one cup fail together; the interval takes them as independent."
        )
    elif found.hits in (0, found.made):
        cautions.append(
            "All castings came out alike, so nothing says whether those of one cup fail together; the interval takes them as "
            "independent."
        )
    elif found.effective < found.made:
        cautions.append(
            f"Castings of one cup come out alike: these {found.made} tell as much as {found.effective:.0f} independent ones."
        )
    if (~known).any():
        cautions.append(f"{int((~known).sum())} of {len(castings)} castings were left out: not judged, or of no cup.")
    of = f" in {cups} cups" if cups else ""
    return _rate(found.hits, found.made, found.effective, (found.low, found.high), 0.95, of, tuple(cautions))


def _rate(
    bad: int, made: int, effective: float, ends: tuple[float, float], level: float, of: str, cautions: tuple[str, ...]
) -> ScrapRate:
    low, high = ends
    return ScrapRate(
        verdict=f"{bad} of {made} castings{of} were scrap: {100 * bad / made:.0f}%, and with {level:.0%} confidence "
        f"{100 * low:.1f} to {100 * high:.1f}%.",
        cautions=cautions,
        rate=bad / made,
        low=low,
        high=high,
        bad=bad,
        made=made,
        effective=effective,
    )


def scrap_range(scrap_pct: float, scrapped: Scrapped | None) -> tuple[float, float, float]:
    """Scrap as a fraction, and its 95% interval (Jeffreys) where castings were counted.

    Raises
    ------
    InputError
        If the scrap is out of range, or more castings are bad than were made.
    """
    if scrapped is None:
        scrap = number("scrap_pct", scrap_pct, 0, 99, "%") / 100
        return scrap, scrap, scrap
    found = counted(scrapped)
    return (found.rate, *interval(found.rate, found.effective))


def counted(scrapped: Scrapped) -> ScrapRate:
    """The scrap rate as given, or of (bad, made). Raises an `InputError` that says what is wrong."""
    return scrapped if isinstance(scrapped, ScrapRate) else scrap_rate(*checked_counts(scrapped))


def checked_counts(scrapped: tuple[int, int]) -> tuple[int, int]:
    """(bad, made) as given, or an `InputError` that says what is wrong."""
    try:
        bad, made = scrapped
    except (TypeError, ValueError):
        raise InputError(
            f"scrapped is {scrapped!r}; accepted: (bad, made), such as (3, 40), or what cost.scrap_of(castings) returns"
        ) from None
    return whole("bad", bad, 0, 1e7), whole("made", made, 1, 1e7)


def scrap_cautions(scrapped: Scrapped | None) -> tuple[str, ...]:
    """What limits a scrap rate."""
    if scrapped is None:
        return ("The scrap is taken as known; give scrapped=(bad, made) to see what the count can tell.",)
    return counted(scrapped).cautions
