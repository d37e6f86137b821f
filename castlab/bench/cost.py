"""What a good part costs: material, waste, insert, labour, its share of the mold, and the scrap that it carries.

Money is in the shop's own currency. How many parts a week the shop makes lives in `throughput`, and is reached from here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from castlab.analysis.words import about
from castlab.bench.inputs import Array, Number, numbers, rows, whole, whole_numbers
from castlab.bench.scrap import Scrapped, ScrapRate, counted, scrap_cautions, scrap_of, scrap_rate
from castlab.bench.throughput import OneMore, Throughput, one_more_mold, throughput
from castlab.errors import InputError
from castlab.results import Result

__all__ = [
    "CostPerPart",
    "OneMore",
    "ScrapRate",
    "Throughput",
    "one_more_mold",
    "per_good_part",
    "scrap_of",
    "scrap_rate",
    "throughput",
]

DRAWS = 20_000
SEED = 7
LONGEST_LIFE = 1e6
MANY_MOLDS = 500
"""Beyond so many, the lives of single molds average out."""
STEPS = ("material", "waste", "insert", "labour", "mold", "scrap")


@dataclass(frozen=True, kw_only=True)
class CostPerPart(Result):
    """Cost of a good part."""

    cost: float | Array
    low: float | Array
    high: float | Array
    """95% interval; arrays where something was swept."""
    steps: pd.DataFrame
    """case, step, cost, cost_to_here: what each step adds to a good part, in order."""
    cases: pd.DataFrame
    """The swept inputs, cost, low, high, molds_used (expected; empty without parts_wanted)."""

    def tables(self) -> dict[str, pd.DataFrame]:
        first = self.steps[self.steps["case"] == 0].drop(columns="case")
        return {
            "Cost of a good part": first.round(2),
            **({"Cases": self.cases.round(2)} if len(self.cases) > 1 else {}),
        }


def per_good_part(
    casting_g: Number,
    price_per_kg: Number | None,
    *,
    waste_pct: Number = 10.0,
    insert_price: Number = 0.0,
    labour_min: Number = 0.0,
    labour_per_h: Number = 0.0,
    mold_price: Number = 0.0,
    mold_life: Number = 50.0,
    mold_lives: Sequence[float] | None = None,
    cavities: int = 1,
    scrap_pct: Number = 0.0,
    scrapped: Scrapped | None = None,
    parts_wanted: Number | None = None,
    molds: Number = 1,
) -> CostPerPart:
    """Cost of one good part, with the interval that scrap counts and mold lives leave.

    Arguments
    ---------
    casting_g, price_per_kg, waste_pct
        Mass of one casting without its insert, price of the mix, and what is mixed but not cast, % of the casting. These
        and all numbers below may be swept.
    insert_price, labour_min, labour_per_h
        The embedded part (lost with a scrapped casting), work on one casting, and price of an hour.
    mold_price, mold_life, mold_lives, cavities
        Price of a mold and the pulls it lasts; or the lives of molds that wore out, whose spread then counts; castings
        a pull.
    scrap_pct, scrapped
        Scrap in %; or as counted: (bad, made), or what `scrap_of` found.
    parts_wanted, molds
        Good parts of the whole order, and molds bought at once: whole molds are then paid, at least `molds`. Default:
        series without end, where each pull carries its share of a mold.

    Returns
    -------
    CostPerPart with `.steps` (a waterfall), `.cost`, `.low`, `.high`.

    Raises
    ------
    InputError
        If a value is out of range, the price is None (a resin logged without one), or the swept inputs differ in length.

    Source: cost of a casting / (1 - scrap). Interval: percentiles of draws from the Jeffreys posterior of the scrap and
    from Student's t of the mean log life; for an order also of the castings it takes (negative binomial) and of the
    lives of its molds (log-normal).

    >>> part = per_good_part(100, 20, waste_pct=10, labour_min=6, labour_per_h=30, scrap_pct=20)
    >>> round(part.cost, 2)
    6.5
    """
    if price_per_kg is None:
        raise InputError(
            "price_per_kg is not known: this resin was logged without a price; accepted: 0 to 1e+06, given here, or added to the "
            "resin at the foot of notebook 1"
        )
    case = rows(
        casting_g=numbers("casting_g", casting_g, 0, 1e6, "g"),
        price_per_kg=numbers("price_per_kg", price_per_kg, 0, 1e6),
        waste_pct=numbers("waste_pct", waste_pct, 0, 1000, "%"),
        insert_price=numbers("insert_price", insert_price, 0, 1e7),
        labour_min=numbers("labour_min", labour_min, 0, 1e5, "min"),
        labour_per_h=numbers("labour_per_h", labour_per_h, 0, 1e5),
        mold_price=numbers("mold_price", mold_price, 0, 1e7),
        mold_life=numbers("mold_life", mold_life, 1, 1e5, "pulls"),
        scrap_pct=numbers("scrap_pct", scrap_pct, 0, 99, "%"),
        parts_wanted=numbers("parts_wanted", 1 if parts_wanted is None else parts_wanted, 1, 1e9),
        molds=whole_numbers("molds", molds, 1, 10_000),
    )
    pulls_of = whole("cavities", cavities, 1, 1000)
    drawn = None if scrapped is None else _scrap_draws(scrapped, np.random.default_rng(SEED))
    lived = None if mold_lives is None else _life_draws(mold_lives, np.random.default_rng(SEED + 1))
    steps, cases = [], []
    for i in range(case["casting_g"].size):
        c = {name: float(column[i]) for name, column in case.items()}
        scrap = np.array([c["scrap_pct"] / 100]) if drawn is None else drawn
        life = _Lives(np.array([c["mold_life"]])) if lived is None else lived
        c |= {"scrap_pct": 100 * scrap[0], "mold_life": life.mean[0]}
        parts, used = _parts(c, scrap, life, pulls_of, None if parts_wanted is None else c["parts_wanted"])
        running = np.cumsum([parts[step][0] for step in STEPS])
        steps += [
            {"case": i, "step": step, "cost": parts[step][0], "cost_to_here": to_here}
            for step, to_here in zip(STEPS, running, strict=True)
        ]
        total = np.sum(np.broadcast_arrays(*parts.values()), axis=0)
        low, high = np.percentile(total[1:], [2.5, 97.5]) if total.size > 1 else (running[-1], running[-1])
        cases.append({**c, "cost": running[-1], "low": low, "high": high, "molds_used": used})
    table = pd.DataFrame(cases)
    if parts_wanted is None:
        table = table.drop(columns=["parts_wanted", "molds"])
    columns = [table[name].to_numpy() if len(table) > 1 else float(table[name][0]) for name in ("cost", "low", "high")]
    waterfall = pd.DataFrame(steps)
    return CostPerPart(
        verdict=_verdict(table, waterfall),
        cautions=(*scrap_cautions(scrapped), *_life_cautions(mold_lives, table)),
        cost=columns[0],
        low=columns[1],
        high=columns[2],
        steps=waterfall,
        cases=table,
    )


@dataclass(frozen=True)
class _Lives:
    """Mean pulls of a mold, the estimate first and then draws of it; and the spread of single molds (of the log)."""

    mean: Array
    spread: float = 0.0


def _parts(
    c: dict[str, float], scrap: Array, life: _Lives, cavities: int, wanted: float | None
) -> tuple[dict[str, Array], float]:
    """Each step's cost for one good part, the estimate first and then the draws; and the molds that an order wears out."""
    material = c["casting_g"] / 1000 * c["price_per_kg"]
    waste = material * c["waste_pct"] / 100
    labour = c["labour_min"] / 60 * c["labour_per_h"]
    used = float("nan")
    if wanted is None:
        tries = 1 / (1 - scrap)
        mold = c["mold_price"] / (life.mean * cavities)
    else:
        rng = np.random.default_rng(SEED + 2)
        castings = wanted / (1 - scrap)
        castings[1:] = wanted + rng.negative_binomial(wanted, 1 - scrap[1:])  # an order meets chance, not its mean
        tries = castings / wanted
        bought = np.maximum(c["molds"], _molds_worn_out(castings / cavities, life, rng))
        mold = bought * c["mold_price"] / castings
        used = float(bought[0])
    fixed = {"material": material, "waste": waste, "insert": c["insert_price"], "labour": labour}
    parts = {name: np.array([value]) for name, value in fixed.items()} | {"mold": mold}
    casting = sum(fixed.values()) + mold
    return {**parts, "scrap": casting * (tries - 1)}, used


def _molds_worn_out(pulls: Array, life: _Lives, rng: np.random.Generator) -> Array:
    """Molds that so many pulls take: each lives its own life, except in the estimate, where all live the mean."""
    size = max(pulls.size, life.mean.size)
    pulls, mean = np.broadcast_to(pulls, size), np.broadcast_to(life.mean, size)
    expected = np.ceil(pulls / mean - 1e-9)
    if life.spread == 0 or expected.max() > MANY_MOLDS:
        return expected
    left, molds = np.array(pulls), np.zeros(size)
    while (left > 1e-9).any():
        own = mean * np.exp(life.spread * rng.standard_normal(size) - life.spread**2 / 2)
        own[0] = mean[0]
        molds += left > 1e-9
        left -= own
    return molds


def _scrap_draws(scrapped: Scrapped, rng: np.random.Generator) -> Array:
    """The estimate, then draws from the Jeffreys posterior."""
    found = counted(scrapped)
    if found.bad == found.made:
        raise InputError("all castings were scrap: a good part has no cost yet; accepted: fewer bad than made")
    bad = found.rate * found.effective
    drawn = rng.beta(bad + 0.5, found.effective - bad + 0.5, DRAWS)
    return np.concatenate([[found.rate], drawn])


def _life_draws(mold_lives: Sequence[float], rng: np.random.Generator) -> _Lives:
    """The mean life, then draws of it: Student's t around the mean of the logarithms."""
    lives = np.atleast_1d(numbers("mold_lives", mold_lives, 1, 1e5, "pulls"))
    if lives.size < 2:
        raise InputError("mold_lives holds one life, which has no spread; accepted: two or more, or mold_life=…")
    spread = float(np.log(lives).std(ddof=1))
    off = spread / np.sqrt(lives.size) * rng.standard_t(lives.size - 1, DRAWS)
    drawn = np.clip(lives.mean() * np.exp(np.clip(off, -50, 50)), 1.0, LONGEST_LIFE)
    return _Lives(np.concatenate([[lives.mean()], drawn]), spread)


def _life_cautions(mold_lives: Sequence[float] | None, table: pd.DataFrame) -> tuple[str, ...]:
    if mold_lives is None:
        known = "The mold life is taken as known; give mold_lives=[…] of worn-out molds to see what they can tell."
        return (known,) if table["mold_price"].max() > 0 else ()
    lives = np.asarray(mold_lives, dtype=float)
    few = " So few lives leave the mean wide open." if lives.size < 5 else ""
    return (
        f"{lives.size} molds lasted {about(lives.min())} to {about(lives.max())} pulls, {about(lives.mean())} on average.{few}",
    )


def _verdict(table: pd.DataFrame, steps: pd.DataFrame) -> str:
    if len(table) > 1:
        least, most = (table.loc[k] for k in (table["cost"].idxmin(), table["cost"].idxmax()))
        return (
            f"{len(table)} cases: a good part costs {_money(least)} in case {least.name + 1} to {_money(most)} in case "
            f"{most.name + 1}."
        )
    t = table.iloc[0]
    largest = steps.loc[steps["cost"].idxmax()]
    share = f" {largest.step.capitalize()} is the largest part, {about(largest.cost, 3)}." if t.cost > 0 else ""
    return f"A good part costs {_money(t)}.{share}"


def _money(case: pd.Series) -> str:
    spread = f" (95% interval {about(case.low, 3)} to {about(case.high, 3)})" if case.low < case.high else ""
    return f"{about(case.cost, 3)}{spread}"
