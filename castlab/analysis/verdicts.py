"""Effects in sentences a maker can act on: the interval before any p-value, and never "no effect"."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pandas as pd

from castlab import labels
from castlab.analysis import words

MOST_LEVELS_TOLD = 3
FEW = "likely, from few castings"

KIND = {"count": "counted", "measure": "measured", "grade": "graded", "pass": "pass or fail"}
"""Kind of response -> how a sentence says it."""


def subject(factor: str, contrast: str) -> str:
    """ "pour method ladle instead of stream", "resin 32 against 22 C"; the contrast of an interaction names its factors."""
    return contrast if _together(factor) else f"{labels.name(factor)} {contrast}"


def named(factor: str) -> str:
    """ "pour method", "how pour method and rest act together"."""
    if _together(factor):
        return f"how {words.listing([labels.name(part) for part in factor.split(' x ')])} act together"
    return labels.name(factor)


def _together(factor: str) -> bool:
    return " x " in factor


def size(estimate: float, low: float, high: float, scale: str, response: str, kind: str) -> str:
    """The effect with its interval, in words."""
    said, least, most = words.effect(estimate, low, high, times=scale != "difference")
    if scale == "ratio":
        return f"{said} times as many {labels.name(response)}, 95% interval {least} to {most}"
    if scale == "odds ratio":
        return f"{said} times the odds {odds_of(response, kind)}, 95% interval {least} to {most}"
    unit = labels.unit(response)
    return f"{labels.name(response)} {said} {unit}, 95% interval {least} to {most} {unit}".replace(" ,", ",").strip()


def odds_of(response: str, kind: str) -> str:
    """ "of a higher clarity grade", 'of "good enough to sell"'."""
    return f"of a higher {labels.name(response)}" if kind == "grade" else f'of "{labels.name(response)}"'


def opening(size: str, response: str, kind: str, factors: int, exposure: str | None = None) -> str:
    """What was judged: "61 castings in 17 batches were judged by bubbles (counted), each setting with the others held still."."""
    still = ", each setting with the others held still" if factors > 1 else ""
    name = f'"{labels.name(response)}"' if kind == "pass" else labels.name(response)
    told = KIND[kind] if exposure is None else f"{KIND[kind]} {labels.per(exposure)}"
    how = "" if kind == "grade" and name.endswith("grade") else f" ({told})"
    return f"{size} were judged by {name}{how}{still}."


def possible(low: float, high: float, scale: str, response: str) -> str:
    """What remains possible where an effect is not shown."""
    unit = labels.unit(response) if scale == "difference" else "times"
    _, least, most = words.effect(low, low, high, times=scale != "difference")
    return f"{least} to {most} {unit}".strip()


def of_effects(
    effects: pd.DataFrame,
    tests: pd.DataFrame,
    scale: str,
    response: str,
    kind: str,
    looked: str = "several settings",
) -> list[str]:
    """One sentence per finding: clear ones, then likely ones, then what is not shown.

    `looked` names what the p-values are adjusted for.
    """
    told: dict[str, list[str]] = {"clear": [], "likely": [], FEW: [], "not shown": []}
    overall = tests.set_index("factor")
    for factor, rows in effects.groupby("factor", sort=False):
        if len(rows) > 1:
            _tell_levels(told, str(factor), rows, overall.loc[factor], scale, response, kind)
            continue
        row = rows.iloc[0]
        if row["strength"] == "not shown":
            what = subject(row["factor"], row["contrast"])
            if _together(row["factor"]):
                acts, _, given = row["contrast"].partition(", with ")
                what = f"whether {acts} acts differently with {given}"
            told["not shown"].append(f"{what} ({possible(row['low'], row['high'], scale, response)} remains possible)")
        else:
            told[_sure(row)].append(_whole(row, scale, response, kind))
    parts = [words.sentence(t) + "." for t in told["clear"]]
    for word, doubt in (
        ("likely", f"not sure after looking {looked if looked == 'twice' else f'at {looked}'}"),
        (FEW, "so few castings cannot make sure of it"),
    ):
        if told[word]:
            parts.append(f"Likely, though {doubt}: {'; '.join(told[word])}.")
    if told["not shown"]:
        parts.append(
            "Not shown by these castings, which does not mean that it makes no difference: "
            + "; ".join(told["not shown"])
            + "."
        )
    return parts


def _sure(row: Any) -> str:
    """The strength of a finding, and where it is likely at most for want of castings, that."""
    return FEW if row["strength"] == "likely" and row["p_adjusted"] < 0.05 else str(row["strength"])


def _widest(rows: pd.DataFrame, scale: str, response: str) -> str:
    """The lowest and the highest of several levels' limits, each rounded as in its own row."""
    ends = []
    for end, place in ((1, rows["low"].idxmin()), (2, rows["high"].idxmax())):
        row = rows.loc[place]
        ends.append(words.effect(row["estimate"], row["low"], row["high"], times=scale != "difference")[end])
    unit = labels.unit(response) if scale == "difference" else "times"
    return f"{ends[0]} to {ends[1]} {unit}".strip()


def _whole(row: Any, scale: str, response: str, kind: str) -> str:
    if _together(row["factor"]):
        acts, _, given = row["contrast"].partition(", with ")
        said, least, most = words.effect(row["estimate"], row["low"], row["high"], times=scale != "difference")
        unit = f" {labels.unit(response)}".rstrip()
        what = f"the effect of {acts}" + (f" on {labels.name(response)}" if scale == "difference" else "")
        how = f"{said}{unit} beyond" if scale == "difference" else f"{said} times"
        return f"with {given}, {what} is {how} what it is otherwise (95% interval {least} to {most}{unit if scale == 'difference' else ''})"
    told = size(row["estimate"], row["low"], row["high"], scale, response, kind)
    lead, _, interval = told.partition(", 95% interval ")
    if scale == "difference":
        name = labels.name(response)
        lead = f"a difference in {name} of {lead.removeprefix(name).strip()}"
    return f"{subject(row['factor'], row['contrast'])} goes with {lead} (95% interval {interval})"


def _tell_levels(
    told: dict[str, list[str]], factor: str, rows: pd.DataFrame, test: Any, scale: str, response: str, kind: str
) -> None:
    """A factor with several levels: those that stand out, at most a few, or the whole as not shown."""
    if test["strength"] == "not shown":
        span = _widest(rows, scale, response)
        many = "" if _together(factor) else f"{len(rows) + 1} levels; "
        told["not shown"].append(f"{named(factor)} ({many}{span} remains possible)")
        return
    standing = rows[rows["strength"] != "not shown"].sort_values("p_value", kind="stable")
    surest = standing["strength"].eq(test["strength"]).any()
    if not surest:
        p = ("adjusted " if test["p_adjusted"] > test["p_value"] else "") + words.p_value(float(test["p_adjusted"]))
        told[_sure(test)].append(f"{named(factor)} matters as a whole ({p}){_apart(factor, rows, scale)}")
    for _, row in standing.head(MOST_LEVELS_TOLD).iterrows():
        told[_sure(row)].append(_whole(row, scale, response, kind))
    further = Counter(_sure(row) for _, row in standing.iloc[MOST_LEVELS_TOLD:].iterrows())
    for how, more in further.items():
        told[how].append(
            f"{named(factor)} has {words.count(more, 'further level')} that {'stands' if more == 1 else 'stand'} out, in the table of effects"
        )
    others = rows[rows["strength"] == "not shown"]
    if surest and len(others) and not _together(factor):
        levels, reference = _levels(others)
        span = _widest(others, scale, response)
        told["not shown"].append(
            f"{named(factor)} {words.listing(levels, 'or')} instead of {reference} ({span} remains possible)"
        )


def _levels(rows: pd.DataFrame) -> tuple[list[str], str]:
    """The levels that these contrasts compare, and with which one."""
    parts = [contrast.partition(" instead of ") for contrast in rows["contrast"]]
    return [level for level, _, _ in parts], parts[0][2]


def _apart(factor: str, rows: pd.DataFrame, scale: str) -> str:
    """What can be said of the levels of a factor that matters while no level is surely unlike the one it is compared with."""
    if _together(factor):
        return ", no single combination stands out"
    levels, reference = _levels(rows)
    sizes = pd.Series([*rows["estimate"], 0.0 if scale == "difference" else 1.0], index=[*levels, reference])
    return f": highest with {sizes.idxmax()}, lowest with {sizes.idxmin()}, and no single level is told from {reference} for sure"
