"""A recommendation in words and in tables: one honest paragraph, and the same numbers beside it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.analysis.fit import FactorFit
from castlab.analysis.models import grade_fit
from castlab.analysis.recommending.goals import Goal
from castlab.analysis.recommending.weighing import NEAR

if TYPE_CHECKING:
    from castlab.analysis.recommending.recommendation import Recommendation
    from castlab.analysis.recommending.space import Choice

MOST_TOLD = 6
CHOSEN = ("clear", "likely")
HARDLY = "under 0.1%"
MOST_DIGITS = 9
LEAST_CHANCE, LEAST_COUNT = 1e-4, 1e-3
"""Chances nearer to 0 or 1, and expected counts below it, are told as no more than that."""


def strengths(fits: Iterable[FactorFit]) -> dict[str, str]:
    """Factor -> the surest word for its effect on any of the responses, its interactions included; only shown ones."""
    found: dict[str, str] = {}
    for fit in fits:
        for row in fit.effects.itertuples():
            if row.strength not in CHOSEN:
                continue
            for name in str(row.factor).split(" x "):
                if found.get(name) != "clear":
                    found[name] = str(row.strength)
    return found


def reasons(
    found: Mapping[str, Choice], settings: Mapping[str, Any], usual: Mapping[str, Any], why: Mapping[str, str]
) -> pd.DataFrame:
    """Every setting, what it should be, what it usually was, and why; the surest first."""
    order = ["clear", "likely", "fixed by the limits", "not shown: cheaper", "not shown: usual kept"]
    rows = [
        (name, settings[name], usual[name], why[name])
        for name in sorted(found, key=lambda n: (order.index(why[n]), list(found).index(n)))
    ]
    return pd.DataFrame(rows, columns=["setting", "value", "usual", "reason"]).astype(
        {"value": object, "usual": object}
    )


def setting(name: str, value: Any) -> str:
    """A setting with its unit: "5 min", "dried"."""
    said = labels.level(value)
    return f"{said} {labels.unit(name)}".strip() if isinstance(value, float) else said


def change(row: Mapping[str, Any], settings: Mapping[str, Any], usual: Mapping[str, Any], names: Sequence[str]) -> str:
    """What is different: "rest 5 min, pour method ladle"."""
    other = [n for n in names if str(row[n]) != str(settings[n])]
    said = words.listing([f"{labels.name(n)} {setting(n, row[n])}" for n in other])
    at_usual = len(other) > 1 and all(str(row[n]) == str(usual[n]) for n in names)
    return f"{said} (the usual settings)" if at_usual else said


def number(fit: FactorFit | None, value: float, width: float) -> str:
    """A response as it is told: shares as %, counts and grades to two digits, or more where the width is smaller than these
    show, measures to two digits of the width."""
    if fit is not None and fit.kind == "pass":
        return words.share(value)
    if fit is None:
        return words.number(value)
    if fit.kind == "measure":
        return words.rounded(value, abs(width))
    if 0 < value < LEAST_COUNT:
        return f"under {LEAST_COUNT:g}"
    power = np.floor(np.log10(abs(value) or 1.0)) - np.floor(np.log10(abs(width) or np.inf))
    return words.about(value, int(np.clip(power + 1, 2, MOST_DIGITS)))


def told(found: Recommendation) -> pd.DataFrame:
    """The expected results as text."""
    fits = {fit.response: fit for fit in found.fits}
    rows = []
    for row in found.expected.itertuples():
        fit = fits.get(row.response)
        width = (row.high - row.low) / 2
        one = {"response": row.response}
        for name in ("expected", "low", "high", "allowing", "usual"):
            one[name] = number(fit, getattr(row, name), width)
        for name in ("next_low", "next_high"):
            value = getattr(row, name)
            one[name] = (
                ("pass" if value else "fail") if fit is not None and fit.kind == "pass" else number(fit, value, width)
            )
        rows.append(one)
    return pd.DataFrame(rows)


def tables(found: Recommendation) -> dict[str, pd.DataFrame]:
    """The tables of a recommendation as they are read."""
    chosen = pd.DataFrame(
        {
            "setting": [labels.name(row.setting) for row in found.choices.itertuples()],
            "use": [setting(row.setting, row.value) for row in found.choices.itertuples()],
            "usual": [setting(row.setting, row.usual) for row in found.choices.itertuples()],
            "effect": list(found.choices["reason"]),
        }
    )
    expected = told(found)
    seen = pd.DataFrame(
        {
            "response": [labels.label(name) for name in expected["response"]],
            "expected": expected["expected"],
            "95% interval": _span(expected, "low", "high"),
            "next casting": _span(expected, "next_low", "next_high"),
            "allowing for the choice": expected["allowing"],
            "usual settings": expected["usual"],
        }
    )
    made = {"Settings to use next": chosen, "What to expect": seen}
    if found.chance is not None:
        hardly = any(found.goals[name].of is None for name in found.unmet)
        row = (limits(found), HARDLY if hardly else _simulated(found.chance), _chance_span(found))
        made["Chance that a part passes"] = pd.DataFrame([row], columns=["limits", "chance", "95% interval"])
    if len(found.alternatives):
        made["Other settings"] = _others(found)
    made["Confirmation"] = confirmation(found)
    return made


def _chance_span(found: Recommendation) -> str:
    if (found.chance_high or 0) < NEAR:
        return HARDLY
    low, high = _simulated(found.chance_low or 0), _simulated(found.chance_high or 0)
    return low if low == high else f"{low} to {high}"


def _about(share: str) -> str:
    """ "about 85%", "over 99%"."""
    return f"about {share}" if share[:1].isdigit() else share


def _simulated(chance: float) -> str:
    """A chance found by simulating parts, which never shows that it is all or nothing."""
    return words.share(min(max(chance, LEAST_CHANCE), 1 - LEAST_CHANCE))


def _span(frame: pd.DataFrame, low: str, high: str) -> list[str]:
    return [a if a == b else f"{a} to {b}" for a, b in zip(frame[low], frame[high], strict=True)]


def _others(found: Recommendation) -> pd.DataFrame:
    fits = {fit.response: fit for fit in found.fits}
    widths = {row.response: (row.high - row.low) / 2 for row in found.expected.itertuples()}
    rows = found.alternatives.head(MOST_TOLD)
    usual = found.alternatives[found.alternatives["change"].str.endswith("(the usual settings)")]
    rows = pd.concat([rows, usual.loc[~usual.index.isin(rows.index)]])
    told = {"instead": list(rows["change"])}
    for name, fit in fits.items():
        told[labels.name(name)] = [number(fit, v, widths[name]) for v in rows[name]]
    told["as good or better in"] = ["under 1%" if v < 0.01 else words.share(v) for v in rows["share"]]
    told["can be told apart"] = ["yes" if v else "no" for v in rows["told_apart"]]
    return pd.DataFrame(told)


def confirmation(found: Recommendation) -> pd.DataFrame:
    """The confirmation castings as text."""
    fits = {fit.response: fit for fit in found.fits}
    rows = []
    for row in found.confirm.itertuples():
        fit = fits.get(row.response)
        width = (row.high - row.low) / 2
        low, high = (f"{v:g}" if fit is None else number(fit, v, width) for v in (row.low, row.high))
        name = labels.name(row.response)
        which = _parts(row) if fit is None else _against(row.contradicts, low, high)
        made = {"castings": row.castings} | ({"batches": row.batches} if row.batches else {})
        rows.append(
            {
                "response": name, **made, "agrees": f"{low} to {high}" + (f" of {row.castings}" if fit is None else " on average"),
                "contradicts": which, "unlike the usual settings": "yes" if row.tells else "–",
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def _parts(row: Any) -> str:
    """How many parts that pass would contradict."""
    said = {"below": f"fewer than {row.low:g}", "above": f"more than {row.high:g}"}.get(row.contradicts)
    return f"{said} of {row.castings}" if said else "no number of them"


def _against(which: str, low: str, high: str) -> str:
    if which == "above":
        return f"above {high} on average"
    return f"below {low} on average" if which == "below" else f"outside {low} to {high} on average"


def limits(found: Recommendation) -> str:
    """The limits that a part must meet."""
    own = [fit.response for fit in found.fits if found.goals[fit.response].good_enough is not None]
    passes = {fit.response for fit in found.fits if fit.kind == "pass"}
    return words.listing([labels.name(n) if n in passes else found.goals[n].said(n) for n in own])


def verdict(found: Recommendation) -> str:
    """What to use, what to expect, how sure that is, and how to confirm it: one paragraph."""
    rows = list(found.choices.itertuples())
    surely = [f"{labels.name(r.setting)} {setting(r.setting, r.value)}" for r in rows if r.reason == "clear"]
    maybe = [f"{labels.name(r.setting)} {setting(r.setting, r.value)}" for r in rows if r.reason == "likely"]
    kept = [f"{labels.name(r.setting)} {setting(r.setting, r.value)}" for r in rows if r.reason.startswith("not shown")]
    fixed = [
        f"{labels.name(r.setting)} {setting(r.setting, r.value)}" for r in rows if r.reason == "fixed by the limits"
    ]
    parts = []
    if surely:
        parts.append(f"Use {words.listing(surely)}" + (f"; likely also {words.listing(maybe)}" if maybe else "") + ".")
    elif maybe:
        parts.append(f"No setting is clear yet; likely better: {words.listing(maybe)}.")
    elif fixed and not kept:
        parts.append("The limits leave no setting to choose.")
    else:
        open_ = " that the limits leave open" if fixed else ""
        parts.append(
            f"No setting{open_} is shown to matter, so there is none to recommend: keep the cheaper or the usual."
        )
    if fixed:
        parts.append(f"Fixed by the limits: {words.listing(fixed)}.")
    if kept and (surely or maybe):
        parts.append(f"Not shown to matter, so keep the cheaper or the usual: {words.listing(kept)}.")
    if found.extrapolates:
        parts.append(f"{_beyond(found)}: take the numbers that follow for a guess until the confirmation is made.")
    parts.append(_expect(found))
    kept_to = [
        n for n, wish in found.goals.items() if wish.of and wish.good_enough is not None and n not in found.unmet
    ]
    if kept_to:
        parts.append(f"That keeps to the limit {words.listing([found.goals[n].said(n) for n in kept_to])}.")
    nearest = ", and of the settings looked at these are expected to come nearest" if surely or maybe else ""
    beyond = [name for name in found.unmet if found.goals[name].of is not None]
    if beyond:
        unmet = words.listing([found.goals[name].said(name) for name in beyond])
        parts.append(f"No setting that was looked at keeps to the limit {unmet}{nearest}.")
    if short := [name for name in found.unmet if name not in beyond]:
        unmet = words.listing([found.goals[name].said(name) for name in short])
        parts.append(
            f"No setting that was looked at comes near the limit {unmet}: {_none_yet(found, short)}hardly any part would pass"
            f"{nearest}."
        )
    elif found.chance is not None:
        parts.append(
            f"The chance that a part passes ({limits(found)}) is {_about(_simulated(found.chance))}, 95% interval "
            f"{_chance_span(found)}."
        )
    if surely or maybe:
        parts.append(_allowing(found))
        parts.append(_rivals(found))
    first = confirmation(found).iloc[0]
    size = words.size(int(first["castings"]), int(first.get("batches", 0)))
    parts.append(
        f"Confirm with {size} at these settings: {first['response']} {first['agrees']} would agree, {first['contradicts']} contradict."
    )
    return " ".join(part for part in parts if part)


def _none_yet(found: Recommendation, names: Sequence[str]) -> str:
    """What is only known of grades that no casting got."""
    seen = {fit.response: grade_fit.scores(fit._castings) for fit in found.fits if fit.kind == "grade"}
    none = [labels.name(n) for n in names if n in seen and not any(map(found.goals[n].met, seen[n]))]
    return f"no casting yet had such a {words.listing(none)}, so by these castings " if none else ""


def _beyond(found: Recommendation) -> str:
    """What was not tried: settings of their own, or the combination."""
    if not found.outside:
        return "No casting came near these settings together"
    names = words.listing([labels.name(name) for name in found.outside])
    return f"{words.sentence(names)} {'lies' if len(found.outside) == 1 else 'lie'} beyond what was tried"


def _expect(found: Recommendation) -> str:
    """What many castings and the next one would give; a pass rate stands in the chance that a part passes."""
    fits = {fit.response: fit for fit in found.fits}
    said = []
    for row in told(found).itertuples():
        fit = fits.get(row.response)
        if fit is not None and fit.kind == "pass" and found.goals[row.response].good_enough is not None:
            continue
        text = f"{labels.name(row.response)} {row.expected} {labels.unit(row.response)}".strip()
        if fit is not None:
            text += f" (95% interval {row.low} to {row.high}"
            text += ")" if fit.kind == "pass" else f"; the next casting {row.next_low} to {row.next_high})"
        said.append(text)
    return f"Expect as the mean of many castings {words.listing(said)}." if said else ""


def _allowing(found: Recommendation) -> str:
    fits = {fit.response: fit for fit in found.fits}
    said = [
        f"{labels.name(row.response)} about {row.allowing}"
        for row, exact in zip(told(found).itertuples(), found.expected.itertuples(), strict=True)
        if row.response in fits and row.allowing != row.expected and _worse(found.goals[row.response], exact)
    ]
    if not said:
        return ""
    return f"The best-looking settings look better than they are; allowing for that, expect {words.listing(said)}."


def _worse(goal: Goal, row: Any) -> bool:
    """Whether allowing for the choice takes this response away from the wish."""
    if goal.aim == "fewer":
        return bool(row.allowing > row.expected)
    if goal.aim == "more":
        return bool(row.allowing < row.expected)
    return abs(row.allowing - float(goal.aim)) > abs(row.expected - float(goal.aim))


def _rivals(found: Recommendation) -> str:
    others = found.alternatives
    if not len(others):
        return ""
    alike = others[~others["told_apart"]]
    if not len(alike):
        how = "looks worse" if (found.choices["reason"] == "likely").any() else "is shown to be worse"
        return f"Every other combination that was looked at {how}, each judged on its own."
    first, more = alike.iloc[0]["change"], len(alike) - 1
    rest = f", nor from {words.count(more, 'other combination')} of settings" if more else ""
    return f"These castings cannot tell it from the same with {first}{rest}."


def cautions(found: Recommendation, outside: Sequence[str], far: Sequence[str], together_known: bool) -> list[str]:
    """What limits a recommendation."""
    said = []
    if outside:
        said.append(f"{words.sentence(words.listing([labels.name(n) for n in outside]))}: beyond what was tried.")
    if far and not outside:
        names = words.listing([labels.name(n) for n in far])
        said.append(
            f"No casting came near this combination of settings, though each was tried on its own; {names} there rests on "
            "effects adding up."
        )
    chosen = [row.setting for row in found.choices.itertuples() if row.reason in CHOSEN]
    if chosen and not far and not outside:
        made = max(_made(fit, found.settings, chosen) for fit in found.fits)
        if not made:
            said.append(
                "No casting was made at all of the recommended settings together; the confirmation is the first."
            )
    if found.chance is not None and not together_known:
        said.append("The responses were not read on the same castings: the chance takes them as unrelated.")
    weak = [row.setting for row in found.choices.itertuples() if row.reason == "likely"]
    if weak:
        said.append(f"Likely only, a hint to confirm: {words.listing([labels.name(n) for n in weak])}.")
    for fit in found.fits:
        said += [f"{words.sentence(labels.name(fit.response))}: {text}" for text in fit.cautions if _matters(text)]
    return list(dict.fromkeys(said))


def _matters(caution: str) -> bool:
    """What a fit says about its data, without how it read its columns."""
    return not any(part in caution for part in ("was taken as", "Batches were taken from", "Set per batch"))


def _made(fit: FactorFit, settings: Mapping[str, Any], names: Sequence[str]) -> int:
    same = np.ones(len(fit.data), dtype=bool)
    for name in names:
        if name in fit.factors:
            value = settings[name]
            column = fit.data[name]
            same &= (
                np.isclose(column.astype(float), value)
                if isinstance(value, float)
                else (column.astype(str) == str(value)).to_numpy()
            )
    return int(same.sum())
