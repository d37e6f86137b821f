"""The settings to use next, weighed over several responses: `recommend` and its result."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from castlab.analysis import words
from castlab.analysis.fit import FactorFit
from castlab.analysis.models import grade_fit
from castlab.analysis.recommending import advice, chances, confirming, space
from castlab.analysis.recommending import goals as wishes
from castlab.analysis.recommending.goals import Goal
from castlab.analysis.recommending.prediction import SEED, Outlook, far, outlook, row_of, scatter
from castlab.analysis.recommending.weighing import NEAR, Scales, ends_of
from castlab.errors import InputError
from castlab.records import grades
from castlab.results import Result

MOST_ALTERNATIVES = 6
STARTS = 5
AS_GOOD = 0.025
"""An alternative that scores at least as high in more than this share of what the fits hold possible is not told apart:
a two-sided 95% interval."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Recommendation(Result):
    """Settings to use next.

    `settings` maps every factor to its value. `choices` says why: setting, value, usual, reason ("clear", "likely",
    "not shown: usual kept", "not shown: cheaper", "fixed by the limits"). `expected` has one row per wish: response, expected, low, high
    (95% interval of the mean of many castings), next_low, next_high (95% prediction interval of one casting of a new
    batch), allowing (expected after allowing for having picked the best) and usual (expected at the usual settings).
    `chance` that a part meets every limit, with `chance_low`, `chance_high`; None without limits. `alternatives`:
    change, score, one column per response, share (of what the fits hold possible in which it is at least as good) and
    told_apart. `confirm`: the confirmation castings and what result would contradict. `extrapolates`: True outside
    what was tried; `outside` names the settings that are so on their own. `unmet`: wishes whose limit no setting comes near.
    """

    settings: dict[str, Any]
    choices: pd.DataFrame
    expected: pd.DataFrame
    chance: float | None
    chance_low: float | None
    chance_high: float | None
    alternatives: pd.DataFrame
    confirm: pd.DataFrame
    extrapolates: bool
    outside: tuple[str, ...]
    score: float
    goals: dict[str, Goal]
    unmet: tuple[str, ...]
    fits: tuple[FactorFit, ...] = field(repr=False)
    curves: pd.DataFrame = field(repr=False)
    """For the picture: factor, response, value, expected, low, high, tried along each setting with the others as recommended."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return advice.tables(self)


def recommend(
    fits: FactorFit | Sequence[FactorFit] | Mapping[str, FactorFit],
    goals: Mapping[str, Any] | None = None,
    limits: Mapping[str, Any] | None = None,
    *,
    beyond: bool = False,
) -> Recommendation:
    """The settings that best meet several wishes at once, what to expect of them, and how to confirm it.

    Parameters
    ----------
    fits : FactorFit, or several (a sequence, or {response: fit})
        Results of `fit_factors`, one per response.
    goals : mapping, optional
        Response -> "fewer", "more", a number to come close to, or a `Goal` (limits, weights, costs that follow from the
        settings). None for responses of which a maker knows which way is better (bubbles, haze, grades, passed).
    limits : mapping, optional
        Factor -> (lowest, highest), one value, or a list of levels that the bench can do. Always inside what was tried,
        unless `beyond`.
    beyond : bool
        True lets numbers go beyond what was tried, within `limits`; the result is then flagged.

    Returns
    -------
    Recommendation

    Raises
    ------
    InputError
        For goals without a fit, unknown factors, or limits that leave nothing.

    Notes
    -----
    Only settings with a shown effect ("clear" or "likely") on a wished response are chosen by the data; of the others
    the cheaper (if a goal follows from the settings) or the usual is kept. A wish with a limit counts by the chance that
    the next casting meets it, one without by its desirability (Derringer and Suich, Journal of Quality Technology 12,
    1980, 214-219), and one with a limit that no setting comes near (a chance of `weighing.NEAR`) by the desirability of
    coming nearer to it. Of what follows from the settings a limit is kept wherever it can be. The score is their weighted geometric mean. The settings are chosen on effects that are pulled
    towards none by how unsure they are: by 1 - 1/F, not below 0 (positive-part shrinkage; Copas, JRSS B 45, 1983,
    311-354), because the best-looking of several estimates is optimistic.

    Examples
    --------
    >>> from castlab.analysis import fit_factors
    >>> made = pd.DataFrame({"bubbles": [9, 12, 8, 11, 3, 5, 2, 4], "pour": ["stream"] * 4 + ["ladle"] * 4})
    >>> found = recommend(fit_factors(made, "bubbles", ["pour"], kind="count"), {"bubbles": Goal("fewer", good_enough=6)})
    >>> found.settings, 0.6 < found.chance < 1
    ({'pour': 'ladle'}, True)
    """
    used, wanted = _matched(fits, goals)
    found = space.choices(used, limits, beyond=beyond)
    shown = advice.strengths(used)
    held, reasons = _held(found, shown, wanted)
    free = [c for name, c in found.items() if name not in held]
    grid = space.coarse(free, held) if free else pd.DataFrame([held])
    known = {fit.response: scatter(fit) for fit in used}
    scales = Scales.of(used, wanted, known, grid, [c.name for c in free])
    settings = {name: found[name].native(value) for name, value in _best(scales, grid, free).items()}
    settings = {name: settings[name] for name in found}
    reasons |= {c.name: shown.get(c.name, "likely") for c in free}
    usual = {name: c.usual for name, c in found.items()}

    # what is not known of one response is no luck of another: draws of their own
    seen = {fit.response: outlook(fit, settings, known[fit.response], SEED + n) for n, fit in enumerate(used)}
    table = _expected(used, wanted, scales, settings, usual, seen)
    limited = [fit for fit in used if wanted[fit.response].good_enough is not None]
    chance: tuple[float, float, float] | tuple[None, None, None] = (None, None, None)
    draws, together_known = None, True
    if limited:
        related, together_known = chances.correlation(limited, known)
        bands = [wanted[fit.response].band for fit in limited]
        draws = chances.passing([seen[fit.response] for fit in limited], bands, related)
        chance = chances.interval(draws)
    others = _alternatives(scales, grid, free, settings, usual)
    confirm = confirming.plan(used, wanted, seen, table, draws)
    outside = [name for name, c in found.items() if c.outside(settings[name])]
    apart = [fit.response for fit in used if far(fit, settings)]
    unmet = tuple(name for name in wanted if name in scales.far and _missed(wanted[name], seen.get(name), settings))
    result = Recommendation(
        verdict="", settings=settings, choices=advice.reasons(found, settings, usual, reasons), expected=table,
        chance=chance[0], chance_low=chance[1], chance_high=chance[2], alternatives=others, confirm=confirm,
        extrapolates=bool(outside or apart), outside=tuple(outside), unmet=unmet, score=float(scales.score(pd.DataFrame([settings]))[0]), goals=wanted,
        fits=tuple(used), curves=_curves(used, free, settings),
    )  # fmt: skip
    verdict, cautions = advice.verdict(result), advice.cautions(result, outside, apart, together_known)
    return Recommendation(**{**result.__dict__, "verdict": verdict, "cautions": tuple(cautions)})


def _matched(
    fits: FactorFit | Sequence[FactorFit] | Mapping[str, FactorFit], goals: Mapping[str, Any] | None
) -> tuple[list[FactorFit], dict[str, Goal]]:
    several = fits.values() if isinstance(fits, Mapping) else fits if isinstance(fits, Iterable) else [fits]
    given = list(several)
    if not given or not all(isinstance(fit, FactorFit) for fit in given):
        raise InputError("fits are not results of fit_factors; accepted: one, several in a list, or {response: fit}")
    if apart := next((fit.response for fit in given if fit.any_at_all is not None), None):
        raise InputError(
            f"{apart} was fitted with its zeros apart, which gives two answers; accepted: the fit without zeros=, or the "
            "any_at_all of this one for the chance of any"
        )
    by_name = {fit.response: fit for fit in given}
    if len(by_name) < len(given):
        raise InputError("two fits are on the same response; accepted: one fit per response")
    if goals is None:
        goals = {name: aim for name in by_name if (aim := wishes.known_aim(name))}
        if not goals:
            raise InputError(f'say what is wanted of {words.listing(list(by_name))}: goals={{response: "fewer"}}')
    wanted = wishes.read(goals)
    for name, wish in wanted.items():
        if name not in by_name and wish.of is None:
            raise InputError(
                f"the goal {name!r} has no fit; accepted: {words.listing(list(by_name), 'or')}, or a Goal with of="
            )
        if name in by_name and wish.of is not None:
            raise InputError(f"the goal {name!r} has a fit and also follows from the settings; leave of= out")
        if name in by_name and by_name[name].kind == "pass" and wish.good_enough is None and wish.aim == "more":
            wanted[name] = Goal("more", good_enough=1, weight=wish.weight, ends=wish.ends)
        if name in by_name:
            _possible(by_name[name], wanted[name])
    used = [by_name[name] for name in wanted if name in by_name]
    if not used:
        raise InputError("no goal is on a response that was fitted; give at least one")
    return used, wanted


def _possible(fit: FactorFit, wish: Goal) -> None:
    """Refuse a limit that no count, grade, pass or fail can meet."""
    if fit.kind == "measure":
        return
    low, high = wish.band
    least, most, accepted = _scale(fit)
    if max(np.ceil(low), least) > min(np.floor(high), most):
        what = {"count": "no count", "pass": "neither pass nor fail", "grade": "no grade"}[fit.kind]
        whole = ", with a whole number inside" if high >= least and low <= most else ""
        raise InputError(f"the limit {wish.said(fit.response)} is met by {what}; accepted: {accepted}{whole}")


def _scale(fit: FactorFit) -> tuple[float, float, str]:
    """The least and the greatest value that a casting can have, and both in words. Of grades on a scale that is not the
    kit's, those that these castings got: the fit knows no other."""
    if fit.kind != "grade":
        return (0, 1, "0 to 1") if fit.kind == "pass" else (0, np.inf, "0 or more")
    seen, names = grade_fit.scores(fit._castings), fit._castings.grades
    if fit.response.endswith("_grade") and set(seen) <= set(range(grades.GRADES)):
        return 0, grades.GRADES - 1, f"0 to {grades.GRADES - 1}"
    said = [f"{at:g}" if str(name) == f"{at:g}" else f"{at:g} ({name})" for at, name in zip(seen, names, strict=True)]
    return seen[0], seen[-1], f"{said[0]} to {said[-1]}, the grades of these castings"


def _held(
    found: Mapping[str, space.Choice], shown: Mapping[str, str], wanted: Mapping[str, Goal]
) -> tuple[dict[str, Any], dict[str, str]]:
    """Settings that the data do not choose: value and reason."""
    held: dict[str, Any] = {}
    reasons: dict[str, str] = {}
    base = {name: c.usual if not _forbidden(c, c.usual) else c.levels[0] for name, c in found.items()}
    follows = [wish for wish in wanted.values() if wish.of is not None]
    for name, choice in found.items():
        if len(set(map(str, choice.levels))) == 1:
            held[name], reasons[name] = choice.levels[0], "fixed by the limits"
        elif name not in shown:
            held[name], reasons[name] = base[name], "not shown: usual kept"
            options = pd.DataFrame([{**base, name: v} for v in choice.points])
            costs = [wish.values(options) for wish in follows]
            if any(np.ptp(cost) > 0 for cost in costs):
                worth = sum(
                    (
                        wish.weight * wish.score(cost, ends_of(wish, cost))
                        for wish, cost in zip(follows, costs, strict=True)
                    ),
                    start=np.zeros(len(options)),
                )
                held[name] = options[name].iloc[int(np.argmax(worth))]
                reasons[name] = "not shown: cheaper"
    return held, reasons


def _missed(wish: Goal, seen: Outlook | None, settings: dict[str, Any]) -> bool:
    """Whether a wish stays unmet at these settings; `seen` of a response, None where it follows from the settings."""
    if seen is None:
        return not wish.met(float(wish.values(pd.DataFrame([settings]))[0]))
    return bool(np.median(chances.at_point(seen, wish.band)) < NEAR)


def _forbidden(choice: space.Choice, value: Any) -> bool:
    if choice.numeric:
        return not choice.levels[0] <= float(value) <= choice.levels[1]
    return str(value) not in map(str, choice.levels)


def _best(scales: Scales, grid: pd.DataFrame, free: Sequence[space.Choice]) -> dict[str, Any]:
    """The settings with the highest score: every coarse combination, then the best few refined."""
    if not free:
        return dict(grid.iloc[0])
    scores = scales.score(grid)
    starts = [grid.iloc[int(place)].to_dict() for place in np.argsort(-scores, kind="stable")[:STARTS]]
    refined = [space.refine(scales.score, start, free) for start in starts]
    return refined[int(np.argmax(np.round([scales.score(pd.DataFrame([s]))[0] for s in refined], 9)))]


def _expected(
    used: Sequence[FactorFit], wanted: Mapping[str, Goal], scales: Scales, settings: dict[str, Any],
    usual: dict[str, Any], seen: Mapping[str, Any],
) -> pd.DataFrame:  # fmt: skip
    rows = []
    both = pd.DataFrame([settings, usual])
    fitted = {fit.response: fit for fit in used}
    for name, wish in wanted.items():
        if name in fitted:
            fit = fitted[name]
            row = row_of(fit, settings, seen[name]).iloc[0].to_dict()
            row["allowing"] = float(scales.means(fit, both.iloc[[0]], shrunk=True)[0])
            row["usual"] = float(scales.means(fit, both.iloc[[1]], shrunk=False)[0])
        else:
            here, there = (float(v) for v in wish.values(both))
            row = {"response": name, **dict.fromkeys(["expected", "low", "high", "next_low", "next_high"], here)}
            row |= {"allowing": here, "usual": there}
        rows.append(row)
    return pd.DataFrame(rows)


def _alternatives(
    scales: Scales, grid: pd.DataFrame, free: Sequence[space.Choice], settings: dict[str, Any], usual: dict[str, Any]
) -> pd.DataFrame:
    """The next best combinations, the best change of each setting on its own, and the usual settings."""
    names = [c.name for c in free]
    single = [{**settings, c.name: v} for c in free for v in c.points if not _near(c, v, settings)]
    best = [
        grid.iloc[int(k)].to_dict() for k in np.argsort(-scales.score(grid), kind="stable")[: 3 * MOST_ALTERNATIVES]
    ]
    held = [] if any(_forbidden(c, usual[c.name]) for c in free) else [{**settings, **{n: usual[n] for n in names}}]
    rows = {_key(row, names): row for row in [*held, *best, *single]}
    rows.pop(_key(settings, names), None)
    offered = pd.DataFrame(list(rows.values()), columns=list(settings))
    columns = ["change", "score", *(fit.response for fit in scales.fits), "share", "told_apart"]
    if offered.empty:
        return pd.DataFrame(columns=columns)
    table = pd.DataFrame({"score": scales.score(offered)})
    for fit in scales.fits:
        table[fit.response] = scales.means(fit, offered, shrunk=False)
    table["share"] = scales.share_as_good(offered, settings)
    table["told_apart"] = table["share"] <= AS_GOOD
    table.insert(0, "change", [advice.change(row, settings, usual, names) for row in offered.to_dict("records")])
    table["_changed"] = [
        tuple(n for n in names if str(row[n]) != str(settings[n])) for row in offered.to_dict("records")
    ]
    # of several steps of the same settings: the worst that is still as good as far as these castings tell, else the best
    table = table.sort_values(["told_apart", "score"], ascending=[True, True], kind="stable")
    alike, apart = table[~table["told_apart"]], table[table["told_apart"]].iloc[::-1]
    table = pd.concat([alike, apart]).drop_duplicates("_changed").drop(columns="_changed")
    return table.sort_values("score", ascending=False, kind="stable").reset_index(drop=True)


def _key(row: Mapping[str, Any], names: Sequence[str]) -> tuple[str, ...]:
    return tuple(str(row[n]) for n in names)


def _near(choice: space.Choice, value: Any, settings: Mapping[str, Any]) -> bool:
    """A number so close to the chosen one that it is the same setting on the bench."""
    if not choice.numeric:
        return False
    return abs(float(value) - float(settings[choice.name])) < (choice.levels[1] - choice.levels[0]) / space.FINE


def _curves(used: Sequence[FactorFit], free: Sequence[space.Choice], settings: Mapping[str, Any]) -> pd.DataFrame:
    """Expected responses along each chosen setting, the others as recommended."""
    parts = []
    for fit in used:
        held = {n: v for n, v in settings.items() if n in fit.factors}
        for choice in free:
            if choice.name not in fit.factors:
                continue
            values = (
                list(np.linspace(choice.levels[0], choice.levels[1], 25)) if choice.numeric else list(choice.levels)
            )
            rows = fit.expected({**held, choice.name: values})[["expected", "low", "high"]]
            rows["tried"] = [not choice.outside(value) for value in values]
            parts.append(rows.assign(factor=choice.name, response=fit.response, value=pd.Series(values, dtype=object)))
    names = ["factor", "response", "value", "expected", "low", "high", "tried"]
    return pd.concat(parts, ignore_index=True)[names] if parts else pd.DataFrame(columns=names)
