"""The nearest requests that can be met, where one cannot: they are tried before a refusal names them.

One argument is changed where that is enough, as little as will do; else one together with the number of castings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any

from castlab.designs import request, standard
from castlab.designs.factors import Factor
from castlab.designs.how_many import MOST
from castlab.designs.request import Request
from castlab.errors import ImpossibleError, InputError
from castlab.given import shown

NAMED = 3
"""Requests that a refusal names at most."""
TRIED = 16
"""Changes of one argument that are tried at most, nearest first."""

Possible = Callable[[Request], bool]


@dataclass(frozen=True)
class Change:
    """Arguments to change, and how that is said."""

    arguments: dict[str, Any]
    words: str = field(default="")

    def __str__(self) -> str:
        return self.words or " and ".join(f"{name}={value!r}" for name, value in self.arguments.items())

    def of(self, given: Request) -> Request:
        """The request with the change made."""
        return replace(given, **self.arguments)

    def and_runs(self, n: int) -> Change:
        """The same change, and a number of castings."""
        return Change({**self.arguments, "runs": n}, f"{self} and runs={n}")


def refused(refusal: ImpossibleError, given: Request, possible: Possible) -> ImpossibleError:
    """The refusal with the nearest requests that are possible, in words and as data."""
    more = runs(given, possible)
    found = _single(given, possible, more)
    if more is None and len(found) < NAMED:
        found += _with_runs(given, possible, found)
    found = found or _simplest(given, possible)
    if not found:
        return ImpossibleError(f"{refusal}; accepted: fewer factors, or fewer settings of them")
    told = ", or ".join(map(str, found))
    return ImpossibleError(f"{refusal}; nearest possible request: {told}", nearest=[c.arguments for c in found])


def _single(given: Request, possible: Possible, more: int | None) -> list[Change]:
    """One argument changed, the number of castings (to `more`) or another; also simpler effects in not so many more."""
    found = [] if more is None else [Change({"runs": more})]
    for axis in AXES:
        if len(found) < NAMED:
            enough = next((c for c in islice(axis(given), TRIED) if possible(c.of(given))), None)
            if enough is None and axis is _interactions and more is not None:
                enough = next((c for c in _counted(axis(given), given, possible) if c.arguments["runs"] < more), None)
            found += [enough] if enough else []
    return found


def _with_runs(given: Request, possible: Possible, known: list[Change]) -> list[Change]:
    """One argument changed, and the number of castings, besides the changes that are known to be enough."""
    found: list[Change] = []
    for axis in AXES:
        if len(known) + len(found) < NAMED:
            others = (change for change in axis(given) if change not in known)
            enough = next(_counted(others, given, possible), None)
            found += [enough] if enough else []
    return found


def _counted(changes: Iterator[Change], given: Request, possible: Possible) -> Iterator[Change]:
    for change in islice(changes, TRIED):
        n = runs(change.of(given), possible)
        if n is not None:
            yield change.and_runs(n)


def _simplest(given: Request, possible: Possible) -> list[Change]:
    """As many arguments given up as it takes."""
    given_up: dict[str, Any] = {}
    for name, value, needed in (
        ("using", "best", given.using != "best"), ("interactions", 0, bool(given.pairs)),
        ("goal", "effects", given.goal == "curve"), ("blocks", None, given.blocks is not None),
        ("batch_size", 1, bool(given.set_per_batch) or given.batch_size is not None), ("forbid", [], bool(given.forbid)),
        ("made", None, given.made is not None),
    ):  # fmt: skip
        if needed:
            given_up[name] = value
            change = Change(dict(given_up))
            n = runs(change.of(given), possible)
            if n is not None:
                return [change.and_runs(n)]
    return []


def runs(given: Request, possible: Possible) -> int | None:
    """The nearest number of castings with which the request is possible, None where there is none up to `MOST`."""

    def enough(n: int) -> bool:
        return possible(replace(given, runs=n))

    try:
        found = request.ground(given)
    except InputError:
        return None
    asked = 0 if given.runs is None else min(int(given.runs), MOST + 1)
    if given.using in standard.KINDS:
        return next(
            (n for n in sorted(standard.sizes(found.space, MOST), key=lambda n: (abs(n - asked), n)) if enough(n)), None
        )
    if asked > MOST:
        return MOST if enough(MOST) else None
    low, high, step = asked, min(asked + 1, MOST), 2
    while not enough(high):
        if high == MOST:
            return None
        low, high, step = high, min(high + step, MOST), 2 * step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _batches(given: Request) -> Iterator[Change]:
    if given.batch_size is None:
        sizes = [2, 3, 4, 6, 8, 1] if given.set_per_batch else []
    else:
        near = min(given.batch_size, given.runs or MOST)
        by_nearness = sorted(range(1, min(2 * near, MOST) + 1), key=lambda s: (abs(s - near), s))
        halves = [2**m for m in range(8, -1, -1) if 2**m < near]
        sizes = list(dict.fromkeys([*by_nearness[: TRIED // 2], *halves]))
    yield from (Change({"batch_size": s}) for s in sizes if s != given.batch_size)


def _interactions(given: Request) -> Iterator[Change]:
    pairs = given.pairs
    if given.forbid and 1 < len(pairs) < TRIED:
        for left_out in pairs:
            rest = [p for p in pairs if p != left_out]
            yield Change({"interactions": rest}, f"interactions without {' x '.join(left_out)}")
    if pairs:
        yield Change({"interactions": 0})


def _molds(given: Request) -> Iterator[Change]:
    if given.blocks is None:
        return
    many = given.blocks if isinstance(given.blocks, int) else len(given.blocks)
    fewer = [k for k in range(many - 1, 1, -1) if k >= many - 4 or k & (k - 1) == 0 or k <= (given.runs or 0)]
    for k in fewer[: TRIED - 1]:
        yield Change({"blocks": k if isinstance(given.blocks, int) else list(given.blocks)[:k]})
    yield Change({"blocks": None})


def _using(given: Request) -> Iterator[Change]:
    if given.using != "best":
        yield Change({"using": "best"})


def _held(given: Request) -> Iterator[Change]:
    for place, f in enumerate(given.factors):
        if f.varied and any(f.name in rule for rule in given.forbid):
            for setting in f.grid(given.goal == "curve"):
                held = Factor(f.name, hold=setting, per_batch=f.per_batch)
                others = [*given.factors[:place], held, *given.factors[place + 1 :]]
                yield Change({"factors": others}, f"Factor({f.name!r}, hold={setting!r})")


def _allowed(given: Request) -> Iterator[Change]:
    for place, rule in enumerate(given.forbid):
        rest = [*given.forbid[:place], *given.forbid[place + 1 :]]
        yield Change({"forbid": rest}, f"without the forbidden combination {shown(dict(rule))}")
    if len(given.forbid) > 1:
        yield Change({"forbid": []})


def _goal(given: Request) -> Iterator[Change]:
    if given.goal == "curve":
        if given.interactions is None:
            yield Change({"goal": "effects", "interactions": 2})
        yield Change({"goal": "effects"})


AXES = (_batches, _interactions, _molds, _using, _held, _allowed, _goal)
"""What may be changed besides the number of castings, what leaves most of the question first."""
