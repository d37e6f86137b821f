"""Alarms: what changed when, in plain words, and how often a steady process would say the same."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.analysis.production import runs
from castlab.analysis.production.charts import Chart
from castlab.analysis.production.runs import Episode
from castlab.analysis.production.subgroups import Charted

COLUMNS = ["when", "point", "about", "what", "since", "rule", "chance", "how_sure"]
STEP_FROM, STEP_LEVEL = 8, 0.01
"""Points from which a step is looked for, and the p-value below which it is told."""
SIMULATED, DRAWN = 400, 100_000
"""Steady charts that are drawn to say how often one of them gives an alarm, and the points of all of them; long charts,
which nearly always give one, take fewer."""
LASTING = ("a step of the level", "trend", "step")
"""Rules of alarms that something changed and stayed so."""


def flags(chart: Chart, rules: tuple[int, ...]) -> list[str]:
    """Per point, the rules that fire there, in words; "" where none does."""
    said: list[list[str]] = [[] for _ in chart.value]
    for rule in rules:
        fired = runs.hits(chart.score, chart.beyond, rule)
        for at in np.flatnonzero(fired):
            side = {1: "above", -1: "below"}.get(int(fired[at]), "")
            said[at].append(f"{side} the limits" if rule == 1 else runs.RULES[rule].says)
    return ["; ".join(texts) for texts in said]


def false_alarms(shown: Charted, rules: tuple[int, ...]) -> float:
    """Share of steady charts of this length and kind, with limits as here, that give at least one alarm (simulated)."""
    charts = max(50, min(SIMULATED, DRAWN // len(shown.points)))
    scores, beyond = shown.chart.draw(np.random.default_rng(1), charts)
    any_hit = np.zeros(len(scores), dtype=bool)
    for rule in rules:
        any_hit |= (runs.hits(scores, beyond, rule) != 0).any(axis=-1)
    steps = STEP_LEVEL if _seeks_step(shown) else 0.0
    return float(1 - (1 - any_hit.mean()) * (1 - steps))


def of_chart(shown: Charted, found: list[Episode], rare: bool) -> list[dict[str, Any]]:
    """One alarm per episode, and one for a step of the level where the limits come from the same points."""
    return [_alarm(shown, episode, rare) for episode in found] + _step(shown, rare)


def _seeks_step(shown: Charted) -> bool:
    return bool(shown.baseline.all()) and int((~np.isnan(shown.chart.score)).sum()) >= STEP_FROM


def _step(shown: Charted, rare: bool) -> list[dict[str, Any]]:
    """A clear step among points that set their own limits, which it widens so that rules may miss or misname it."""
    if not _seeks_step(shown):
        return []
    known = np.flatnonzero(~np.isnan(shown.chart.score))
    first, direction, p = runs.step(shown.chart.score[known])
    if p >= STEP_LEVEL:
        return []
    at = int(known[first])
    value = shown.chart.value[known]
    what = (
        f"{words.sentence(shown.name)} {_way(direction, rare, False)} from about {shown.called(at)} on: "
        f"{shown.measured(value[:first].mean())} before, {shown.number(value[first:].mean())} since{_beside(shown.points, at)}"
    )
    when = shown.points["when"].iloc[at]
    return [
        {
            "when": when, "point": shown.points["point"].iloc[at], "about": "level", "what": what + ".", "since": when,
            "rule": LASTING[0], "chance": p, "how_sure": f"in random order the same points show such a step {once(p)}",
        }
    ]  # fmt: skip


def _alarm(shown: Charted, episode: Episode, rare: bool) -> dict[str, Any]:
    chart, points = shown.chart, shown.points
    at, rule = episode.first, runs.RULES[episode.rule]
    way = _way(episode.direction, rare, bool(shown.baseline[at]))
    point = f"{shown.called(at)} at {shown.measured(chart.value[at])}"
    if episode.rule == 1:
        limit = chart.high[at] if episode.direction > 0 else chart.low[at]
        what = (
            f"{words.sentence(shown.name)} {way}: {point}, beyond the limit of {shown.number(limit)} "
            f"(usual {shown.number(chart.centre[at])})"
        )
        chance = float(chart.chance[at])
        sure = f"a steady process gives a point so far out {once(chance)}"
    else:
        what = (
            f"{words.sentence(shown.name)} {way}: {rule.says}, {shown.called(episode.since)} to "
            f"{shown.called(episode.last)}, the last at {shown.measured(chart.value[episode.last])} "
            f"(usual {shown.number(chart.centre[at])})"
        )
        chance = rule.chance
        sure = f"at any one point a steady process shows this {once(chance)}"
    more = episode.last - episode.first
    if episode.rule == 1 and more:
        what += f"; the next {more} as well" if more > 1 else "; the next one as well"
    what += _beside(points, episode.since)
    return {
        "when": points["when"].iloc[at], "point": points["point"].iloc[at], "about": "level", "what": what + ".",
        "since": points["when"].iloc[episode.since], "rule": rule.says, "chance": chance, "how_sure": sure,
    }  # fmt: skip


def of_spread(spread: pd.DataFrame | None, name: str) -> list[dict[str, Any]]:
    """Batches whose castings scatter more, or less, than usual."""
    if spread is None:
        return []
    found = []
    for row in spread[spread["beyond"] != 0].itertuples():
        way = "further apart" if row.beyond > 0 else "closer together"
        found.append(
            {
                "when": row.when, "point": row.point, "about": "spread within batches", "since": row.when,
                "what": f"{words.sentence(name)}: the castings of {words.called('batch', row.point)} lie {way} than usual, standard deviation "
                f"{words.number(row.value)} (usual {words.number(row.centre)}).",
                "rule": runs.RULES[1].says, "chance": row.chance,
                "how_sure": f"a steady process gives a point so far out {once(row.chance)}",
            }
        )  # fmt: skip
    return found


def of_pump(pump: pd.DataFrame | None) -> list[dict[str, Any]]:
    """A base pressure that drifts, when the interval leaves out zero."""
    if pump is None or pump["low"].iloc[0] <= 0 <= pump["high"].iloc[0]:
        return []
    row = pump.iloc[0]
    way = "rises" if row["change"] > 0 else "falls"
    why = "; look at oil, seals and leaks" if row["change"] > 0 else ""
    return [
        {
            "when": row["last"], "point": "", "about": "pump", "since": row["first"], "rule": "trend",
            "what": f"The pump's base pressure {way}: {pump_words(row)}{why}.", "chance": row["p_value"],
            "how_sure": f"without a trend so steep a line comes {once(row['p_value'])}",
        }
    ]  # fmt: skip


def of_lots(lots: pd.DataFrame | None, response: str) -> list[dict[str, Any]]:
    """Lots that differ from the one before, after Holm's adjustment."""
    if lots is None:
        return []
    found = []
    for row in lots[lots["p_adjusted"] < 0.05].to_dict("records"):
        found.append(
            {
                "when": row["when"], "point": "", "about": "resin lot", "since": row["when"], "rule": "step",
                "what": f"{words.sentence(labels.name(response))} changed with lot {row['lot']}: {lot_words(row, response)}.",
                "chance": row["p_adjusted"],
                "how_sure": f"lots that are alike differ so much {once(row['p_adjusted'])}, all changes of lot counted",
            }
        )  # fmt: skip
    return found


def table(found: list[dict[str, Any]]) -> pd.DataFrame:
    """The alarms, oldest first."""
    rows = pd.DataFrame(found, columns=COLUMNS)
    return rows.sort_values("when", kind="stable").reset_index(drop=True)


def weightiest(alarms: pd.DataFrame) -> pd.DataFrame:
    """The alarms in the order in which to tell them: first what changed and stayed so, which explains others; each by how
    rare it is."""
    order = np.lexsort((alarms["chance"].astype(float), ~alarms["rule"].isin(LASTING)))
    return alarms.iloc[order].reset_index(drop=True)


def pump_words(row: pd.Series) -> str:
    """ "+0.12 kPa in 30 days, 95% interval +0.05 to +0.19, now 1.4 kPa"."""
    change, low, high = words.effect(row["change"], row["low"], row["high"], times=False)
    return (
        f"{change} kPa in {row['over']}, 95% interval {low} to {high}, now {words.number(row['now_kpa'])} kPa absolute"
    )


def lot_words(row: dict[str, Any], response: str) -> str:
    """ "1.8 times that of lot L-1, 95% interval 1.2 to 2.7"."""
    size = words.effect(row["estimate"], row["low"], row["high"], times=row["scale"] != "difference")
    if row["scale"] == "difference":
        unit = labels.unit(response)
        return f"{size[0]} {unit} against lot {row['before']}, 95% interval {size[1]} to {size[2]}".replace("  ", " ")
    what = "the odds" if row["scale"] == "odds ratio" else "as many"
    return f"{size[0]} times {what} against lot {row['before']}, 95% interval {size[1]} to {size[2]}"


def once(chance: float) -> str:
    """ "about once in 180 times"."""
    if not np.isfinite(chance):
        return "seldom"
    if chance > 0.4:
        return "about every other time"
    return (
        f"about once in {float(f'{1 / chance:.2g}'):.0f} times"
        if chance > 1e-6
        else "less than once in a million times"
    )


def _way(direction: int, rare: bool, baseline: bool) -> str:
    """What happened; a point of the baseline differs from its neighbours, before or after, so nothing "rose" there."""
    up, down = ("grew longer", "grew shorter") if rare else ("rose", "fell")
    if baseline:
        up, down = ("unusually long", "unusually short") if rare else ("unusually high", "unusually low")
    return {1: up, -1: down, 0: "does not scatter as usual"}[direction]


def _beside(points: pd.DataFrame, since: int) -> str:
    """What else changed where the pattern begins: material and lots."""
    if since == 0:
        return ""
    told = []
    for column in ("material", "resin_lot", "hardener_lot"):
        if column in points:
            before, now = points[column].iloc[since - 1], points[column].iloc[since]
            if pd.notna(before) and pd.notna(now) and before != now:
                told.append(f"{labels.name(column)} changed there from {before} to {now}")
    return "; " + words.listing(told) if told else ""
