"""How many castings a week the molds and the day allow, and when one more mold pays.

A day by day run of the shop: molds cure by the clock, one person turns them round in opening hours only.
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from castlab.analysis.words import about, count
from castlab.bench.inputs import Array, Number, number, numbers, plain, rows, whole, whole_numbers
from castlab.bench.scrap import Scrapped, scrap_cautions, scrap_range
from castlab.errors import InputError
from castlab.results import Result

WEEK_H = 168.0
AVERAGED_WEEKS = 26


@dataclass(frozen=True, kw_only=True)
class Throughput(Result):
    """Castings a week."""

    good_per_week: float | Array
    """Good parts a week; an array where something was swept."""
    weeks: pd.DataFrame
    """molds, cure_h, pulls_per_week, good_per_week, good_low, good_high, mold_busy_pct (share of its time that a mold
    cures), person_busy_pct (of opening hours), limit: one row a case."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"A week": self.weeks.round(2)}


def throughput(
    molds: Number,
    cure_h: Number,
    *,
    turn_min: float = 20.0,
    cavities: int = 1,
    open_h: float = 8.0,
    days: int = 5,
    scrap_pct: float = 0.0,
    scrapped: Scrapped | None = None,
) -> Throughput:
    """Good parts a week against number of molds and time in the mold.

    Arguments
    ---------
    molds, cure_h
        Number of molds, and hours from pour to demold; numbers or arrays to sweep.
    turn_min
        Work to demold, clean, mix and fill one mold, min.
    cavities
        Castings that one mold gives at a time.
    open_h, days
        Opening hours a day and days a week; a mold that is ready after closing waits until the next opening.
    scrap_pct, scrapped
        Scrap in %; or as counted, which then gives an interval: (bad, made), or what `scrap_of` found.

    Returns
    -------
    Throughput with `.weeks` and the verdict.

    Raises
    ------
    InputError
        If a value is out of range, or one turn does not fit in a day.

    Source: direct simulation. Round the clock it equals the bound of a closed queue, min(molds / (cure + turn), 1 / turn)
    (operational analysis, Denning and Buzen, Computing Surveys 10 (1978) 225, from memory).

    >>> throughput(3, 16).good_per_week
    15.0
    """
    case = rows(molds=whole_numbers("molds", molds, 1, 1000), cure_h=numbers("cure_h", cure_h, 0.01, 2000, "h"))
    turn_h = number("turn_min", turn_min, 0.1, 1440, "min") / 60
    day_h = number("open_h", open_h, 0.1, 24, "h")
    n_days = whole("days", days, 1, 7)
    per_pull = whole("cavities", cavities, 1, 1000)
    if turn_h > day_h:
        raise InputError(
            f"one turn of {turn_min:g} min does not fit in a day of {open_h:g} h; accepted: a shorter turn"
        )
    scrap, scrap_low, scrap_high = scrap_range(scrap_pct, scrapped)
    pulls = np.array([_pulls_per_week(int(m), c, turn_h, day_h, n_days) for m, c in zip(*case.values(), strict=True)])
    parts = pulls * per_pull
    person = pulls * turn_h / (day_h * n_days)
    busy = pulls * case["cure_h"] / (case["molds"] * WEEK_H)
    table = pd.DataFrame(
        {
            "molds": case["molds"].astype(int),
            "cure_h": case["cure_h"],
            "pulls_per_week": pulls,
            "good_per_week": parts * (1 - scrap),
            "good_low": parts * (1 - scrap_high),
            "good_high": parts * (1 - scrap_low),
            "mold_busy_pct": 100 * busy,
            "person_busy_pct": 100 * person,
            "limit": np.where(
                person > 0.95, "the work", np.where(busy > 0.9, "the cure", "the cure and the closing hours")
            ),
        }
    )
    swept = np.ndim(molds) or np.ndim(cure_h)
    good = table["good_per_week"].to_numpy()
    return Throughput(
        verdict=_week_verdict(table),
        cautions=scrap_cautions(scrapped),
        good_per_week=good if swept else plain(good[0]),
        weeks=table,
    )


@dataclass(frozen=True, kw_only=True)
class OneMore(Result):
    """What one more mold brings."""

    gains: pd.DataFrame
    """molds (now), extra_good_per_week, weeks_to_pay_back, weeks_low, weeks_high, parts_to_pay_back, parts_in_its_life,
    pays: one row a number of molds."""

    def tables(self) -> dict[str, pd.DataFrame]:
        weeks = {
            name: [f"{value:.2f}" if math.isfinite(value) else "never" for value in self.gains[name]]
            for name in ("weeks_to_pay_back", "weeks_low", "weeks_high")
        }
        return {"One more mold": self.gains.round(2).assign(**weeks)}


def one_more_mold(
    molds: Number,
    mold_price: float,
    gain_per_part: float,
    cure_h: float,
    *,
    mold_life: float = 50.0,
    wanted_per_week: float = math.inf,
    turn_min: float = 20.0,
    cavities: int = 1,
    open_h: float = 8.0,
    days: int = 5,
    scrap_pct: float = 0.0,
    scrapped: Scrapped | None = None,
) -> OneMore:
    """Weeks until one more mold has paid for itself.

    Arguments
    ---------
    molds
        Molds in use now; a number or several to sweep.
    mold_price, gain_per_part
        What the mold costs, and what one more good part brings: its price less all costs but the mold's, in one currency.
    cure_h
        Hours from pour to demold.
    mold_life
        Pulls that a mold lasts.
    wanted_per_week
        Good parts that can be sold a week; default: all.
    turn_min, cavities, open_h, days, scrap_pct, scrapped
        As for `throughput`.

    Returns
    -------
    OneMore with `.gains` and the verdict.

    Raises
    ------
    InputError
        If a value is out of range.

    Source: payback = price / (extra good parts a week x gain): arithmetic, without interest.

    >>> one_more_mold(1, 60, 4, 16).gains["weeks_to_pay_back"][0]
    np.float64(3.0)
    """
    price = number("mold_price", mold_price, 0, 1e9)
    gain = number("gain_per_part", gain_per_part, 1e-9, 1e9)
    life = number("mold_life", mold_life, 1, 1e5, "pulls")
    wanted = math.inf if wanted_per_week == math.inf else number("wanted_per_week", wanted_per_week, 0, 1e6)
    now = np.atleast_1d(numbers("molds", molds, 1, 999))
    number("cure_h", cure_h, 0.01, 2000, "h")

    def week(count: Array) -> pd.DataFrame:
        return throughput(
            count,
            cure_h,
            turn_min=turn_min,
            cavities=cavities,
            open_h=open_h,
            days=days,
            scrap_pct=scrap_pct,
            scrapped=scrapped,
        ).weeks

    weeks = week(now), week(now + 1)
    before, after = (w["pulls_per_week"].to_numpy() * cavities for w in weeks)
    keeps, best, worst = (1 - scrap for scrap in scrap_range(scrap_pct, scrapped))

    def gained(share: float | Array) -> Array:
        return np.asarray(np.minimum(after * share, wanted) - np.minimum(before * share, wanted))

    def payback(extra: Array) -> Array:
        with np.errstate(divide="ignore"):
            return np.asarray(price / (np.where(extra > 1e-9, extra, 0.0) * gain))

    # of the shares that may be good, one more mold brings most where it just meets the demand, least at one of the ends
    with np.errstate(divide="ignore"):
        met = np.clip(wanted / after, worst, best)
    extra, most, least = gained(keeps), gained(met), np.minimum(gained(worst), gained(best))
    weeks_back, parts_back, lifetime = payback(extra), price / gain, life * cavities * keeps
    table = pd.DataFrame(
        {
            "molds": now.astype(int),
            "extra_good_per_week": extra,
            "weeks_to_pay_back": weeks_back,
            "weeks_low": payback(most),
            "weeks_high": payback(least),
            "parts_to_pay_back": parts_back,
            "parts_in_its_life": lifetime,
            "pays": np.isfinite(weeks_back) & (parts_back <= lifetime),
        }
    )
    return OneMore(verdict=_more_verdict(table), cautions=scrap_cautions(scrapped), gains=table)


def _pulls_per_week(molds: int, cure_h: float, turn_h: float, open_h: float, days: int) -> float:
    """Average demoldings a week once the rhythm has settled; the mold that is ready first is turned first."""
    settled = WEEK_H * (2 + math.ceil(cure_h / WEEK_H))
    end = settled + WEEK_H * AVERAGED_WEEKS
    ready = [-math.inf] * molds  # empty molds wait for the first pour, which demolds nothing
    free, pulls = 0.0, 0
    while True:
        waiting = heapq.heappop(ready)
        start = _next_slot(max(free, waiting), turn_h, open_h, days)
        if start >= end:
            return pulls / AVERAGED_WEEKS
        pulls += start >= settled and waiting > -math.inf
        free = start + turn_h
        heapq.heappush(ready, free + cure_h)


def _next_slot(t: float, turn_h: float, open_h: float, days: int) -> float:
    """The first time from `t` on at which a whole turn fits into opening hours (from 0 h of each working day)."""
    if open_h >= 24 and days == 7:
        return t
    day, hour = divmod(t, 24.0)
    if hour + turn_h > open_h + 1e-9:
        day, hour = day + 1, 0.0
    if day % 7 >= days:
        day, hour = day - day % 7 + 7, 0.0
    return day * 24.0 + hour


def _week_verdict(table: pd.DataFrame) -> str:
    if len(table) > 1:
        best = table.loc[table["good_per_week"].idxmax()]
        return (
            f"{about(table.good_per_week.min(), 3)} to {about(best.good_per_week, 3)} good parts a week; most with "
            f"{best.molds} molds and {about(best.cure_h, 3)} h in the mold."
        )
    w = table.iloc[0]
    spread = f" ({about(w.good_low)} to {about(w.good_high)})" if w.good_low < w.good_high else ""
    return (
        f"{count(w.molds, 'mold')} with {about(w.cure_h, 3)} h in the mold give {about(w.good_per_week, 3)} good parts a "
        f"week{spread}. {w.limit.capitalize()} set{'' if ' and ' in w.limit else 's'} the pace: the person is busy "
        f"{w.person_busy_pct:.0f}% of the opening hours."
    )


def _more_verdict(table: pd.DataFrame) -> str:
    lines = []
    for g in table.itertuples():
        head = f"One more than {count(g.molds, 'mold')}"
        if not math.isfinite(g.weeks_to_pay_back):
            may = (
                f" With as much scrap as may be it would pay from {about(g.weeks_low)} weeks on."
                if math.isfinite(g.weeks_low)
                else ""
            )
            lines.append(
                f"{head} brings no more good parts that can be sold: the work or the demand is the limit.{may}"
            )
            continue
        most = about(g.weeks_high) if math.isfinite(g.weeks_high) else "never"
        spread = f" ({about(g.weeks_low)} to {most})" if g.weeks_low < g.weeks_high else ""
        brings = f"{head} brings {about(g.extra_good_per_week)} more good parts a week"
        if g.pays:
            lines.append(f"{brings} and has paid for itself in {about(g.weeks_to_pay_back)} weeks{spread}.")
        else:
            lines.append(
                f"{brings} but wears out first: it pays after {about(g.parts_to_pay_back)} good parts and lasts for "
                f"{about(g.parts_in_its_life)}."
            )
    return " ".join(lines)
