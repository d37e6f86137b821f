"""The chance that planned castings will show an effect: `power` and its result."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from numbers import Real

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.designs import assess, chances
from castlab.designs.design import Design
from castlab.errors import InputError
from castlab.results import Result

ENOUGH = 0.8
"""Power that is commonly asked for (common practice, no source)."""
MOST = 500
KINDS = ("measure", "count", "pass")


@dataclass(frozen=True, kw_only=True, eq=False)
class Power(Result):
    """The chance that an effect of this size will be shown (interval without zero).

    `power`, with `low` and `high` around it (equal to it: nothing was simulated). `table`: for two groups castings (in
    each group) and power; for a plan effect, contrast, judged_on, df, power. `needed`: castings in each group for a power
    of 0.8, None for a plan or beyond 500.
    """

    power: float
    low: float
    high: float
    kind: str
    effect: float
    table: pd.DataFrame
    needed: int | None
    method: str

    def tables(self) -> dict[str, pd.DataFrame]:
        told = self.table.assign(power=[words.share(p) for p in self.table["power"]])
        return {"Chance to show it": told}


def power(
    castings: Design | int | Sequence[int],
    *,
    effect: float,
    kind: str,
    base: float | None = None,
    spread: float | None = None,
    factor: str | None = None,
    alpha: float = 0.05,
) -> Power:
    """How likely these castings are to show an effect of this size, exactly.

    Parameters
    ----------
    castings : Design, int or two ints
        A plan of `plan_trials` (measures only), the castings in each of two groups, or the castings of both groups.
    effect : float
        The true effect: a difference for measures (from low to high, or a level against the first), a ratio for counts
        (0.5: halved), an odds ratio for pass.
    kind : {"measure", "count", "pass"}
        What the response is.
    base : float
        Counts: the mean count of the first group. Pass: the share that passes in it, between 0 and 1.
    spread : float
        Measures: the standard deviation between castings (of one cup, where the plan has batches), unit of the measure.
    factor : str, optional
        For a plan, the effect whose power is given as `.power`; None takes the main effect with the least.
    alpha : float
        Level of the two-sided test.

    Returns
    -------
    Power
        `.power`, `.low`, `.high`, `.table`, `.needed`, `.verdict`, `.cautions`.

    Raises
    ------
    InputError
        For a case without an exact answer (grades; counts and pass in a plan with several factors or batches), or for
        values out of range.

    Notes
    -----
    Measures: non-central t. Pass: every outcome of two binomials, with the test of `fit_factors`. Counts: every outcome of
    two Poisson totals, with the conditional test. See `castlab.designs.chances`.

    Examples
    --------
    >>> halved = power(8, effect=0.5, kind="count", base=6)
    >>> round(halved.power, 2), halved.needed
    (0.78, 9)
    """
    if kind not in KINDS:
        hint = " (grades have no exact answer; take 'pass' at the grade that matters)" if kind == "grade" else ""
        raise InputError(f"kind is {kind!r}; accepted: {', '.join(KINDS)}{hint}")
    size = _number("effect", effect, -np.inf if kind == "measure" else 0, np.inf)
    level = _number("alpha", alpha, 0, 1)
    if isinstance(castings, Design):
        if kind != "measure":
            raise InputError(
                f"the power of a plan has an exact answer for measures only, not for kind {kind!r}; nearest possible request: "
                "the castings at the two settings of one factor, such as power((8, 8), ...)"
            )
        return _of_plan(castings, size, _number("spread", spread, 0, np.inf), factor, level)
    if factor is not None:
        raise InputError("factor was given without a plan; accepted: factor only with a Design")
    sizes = _sizes(castings)
    chance, told, method = _two_groups(kind, size, base, spread, level)
    return _of_groups(sizes, chance, told, method, kind, size)


def _number(name: str, value: object, low: float, high: float) -> float:
    wrong = value is None or isinstance(value, bool) or not isinstance(value, Real)
    if wrong or not low < float(value) < high:  # type: ignore[arg-type]
        ends = f"a number above {low:g}" if np.isinf(high) else f"a number between {low:g} and {high:g}"
        raise InputError(f"{name} is {value!r}; accepted: {'any number' if np.isinf(low) else ends}")
    return float(value)  # type: ignore[arg-type]


def _sizes(castings: object) -> tuple[int, int]:
    pair = [castings, castings] if isinstance(castings, (int, np.integer)) else castings
    good = isinstance(pair, (list, tuple)) and len(pair) == 2
    if not good or any(
        isinstance(n, bool) or not isinstance(n, (int, np.integer)) or not 2 <= n <= MOST
        for n in pair  # type: ignore[attr-defined]
    ):
        raise InputError(
            f"castings is {castings!r}; accepted: a Design, the castings in each of two groups, or a pair of them (2 to {MOST})"
        )
    return int(pair[0]), int(pair[1])  # type: ignore[index]


def _two_groups(
    kind: str, effect: float, base: float | None, spread: float | None, alpha: float
) -> tuple[Callable[[int, int], float], str, str]:
    """Power as a function of the two sizes, the effect in words, the test."""
    if kind == "measure":
        scatter = _number("spread", spread, 0, np.inf)

        def means(n1: int, n2: int) -> float:
            return float(chances.of_means(effect / (scatter * np.sqrt(1 / n1 + 1 / n2)), n1 + n2 - 2, alpha))

        return means, f"a difference of {effect:.3g}, castings scattering by {scatter:.3g}", "two-sample t test"
    if spread is not None:
        raise InputError(f"spread is for measures; kind {kind!r} takes base only")
    if kind == "count":
        rate = _number("base", base, 0, np.inf)
        test = "conditional test of two Poisson means"
        return (
            (lambda n1, n2: chances.of_rates(rate, rate * effect, n1, n2, alpha)),
            f"a mean count of {rate * effect:.3g} instead of {rate:.3g}",
            test,
        )
    share = _number("base", base, 0, 1)
    other = share * effect / (1 - share + share * effect)
    return (
        (lambda n1, n2: chances.of_shares(share, other, n1, n2, alpha)),
        f"{words.share(other)} passing instead of {words.share(share)}",
        "logistic likelihood ratio test, bias-reduced where castings are few",
    )


def _of_groups(
    sizes: tuple[int, int], chance: Callable[[int, int], float], told: str, method: str, kind: str, effect: float
) -> Power:
    found = chance(*sizes)
    needed = _needed(chance)
    longest = max(max(sizes), needed or 0)
    steps = np.unique(np.round(np.geomspace(2, max(2 * longest, 12), 24)).astype(int))
    table = pd.DataFrame({"castings": steps, "power": [chance(int(n), int(n)) for n in steps]})
    made = (
        f"{sizes[0]} and {sizes[1]} castings" if sizes[0] != sizes[1] else f"{sizes[0]} castings in each of two groups"
    )
    enough = (
        f"A chance of {words.share(ENOUGH)} takes {words.count(needed, 'casting')} in each group."
        if needed
        else f"A chance of {words.share(ENOUGH)} takes more than {MOST} castings in each group."
    )
    cautions = ["Every casting counts as independent here: castings from one cup are not, so for what is set per batch count batches."]  # fmt: skip
    if kind == "count":
        cautions.append("Counts are taken to scatter as Poisson counts do; real ones often scatter more, and then more castings are needed.")  # fmt: skip
    return Power(
        verdict=f"{made} have a chance of {words.share(found)} to show {told}. {enough}", cautions=tuple(cautions),
        power=found, low=found, high=found, kind=kind, effect=effect, table=table, needed=needed, method=method,
    )  # fmt: skip


def _needed(chance: Callable[[int, int], float]) -> int | None:
    """Castings in each group from which on the power is enough (whole outcomes make it dip a little in between)."""
    if chance(MOST, MOST) < ENOUGH:
        return None
    low, high = 1, 2
    while chance(high, high) < ENOUGH:
        low, high = high, min(2 * high, MOST)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle, middle) >= ENOUGH else (middle, high)
    return high


def _of_plan(design: Design, effect: float, spread: float, factor: str | None, alpha: float) -> Power:
    known = design.precision
    if factor is not None and factor not in set(known["effect"]):
        raise InputError(f"the plan has no effect {factor!r}; its effects: {', '.join(dict.fromkeys(known['effect']))}")
    found = chances.of_means(effect / (spread * known["standard_error"].to_numpy()), known["df"].to_numpy(), alpha)
    table = known[["effect", "contrast", "judged_on", "df"]].assign(power=found)
    main = [f.name for f in design._runs.space.factors]
    asked = table[table["effect"].isin([factor] if factor is not None else main)]
    weakest = asked.loc[asked["power"].idxmin()]
    value = float(weakest["power"])
    cautions = []
    if design._runs.batched:
        cautions.append(
            "Exact where batches are alike in size and effects independent, else close; the scatter between batches is the "
            f"plan's guess, {design._runs.plan.ratio:.3g} times the variance of castings."
        )
    between, within = assess.degrees(design._runs)
    if min(between, within) == 0:
        cautions.append("Where nothing is left over to judge by, no effect of any size will be shown.")
    name = labels.name(str(weakest["effect"]))
    return Power(
        verdict=(
            f"This plan has a chance of {words.share(value)} to show an effect of {effect:.3g} of {name} ({weakest['contrast']}), "
            f"castings scattering by {spread:.3g}" + ("." if factor is not None else "; it is the main effect with the least.")
        ), cautions=tuple(cautions), power=value, low=value, high=value, kind="measure", effect=effect, table=table,
        needed=None, method="t test on the degrees of freedom of the plan",
    )  # fmt: skip
