"""Production as it runs: `watch` and its result. Charts, run rules, mold life and the rest live in modules of their own."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.analysis.production import alarms, capability, charts, drift, runs
from castlab.analysis.production import order as production
from castlab.analysis.production.lifetimes import MoldLife, mold_life
from castlab.analysis.production.order import Production
from castlab.analysis.production.subgroups import PROVISIONAL, Charted, charted
from castlab.analysis.reading import castings, kinds
from castlab.errors import FitError, InputError
from castlab.results import Result

TOLD = 3
"""Alarms that the verdict tells, the weightiest first; the table has them all by date."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Watch(Result):
    """Production of one response.

    `points` has one row per batch, casting or gap: point, when, castings, value, centre, low, high, score (normal),
    flag (the rules that fire there, in words), baseline. `alarms`: when, point, about, what, since, rule, chance,
    how_sure. `spread`: standard deviation within batches, for measures with batches. `yield_`, `capability`, `lots`,
    `pump` are tables and `mold_life` a result of its own; each None where the data have nothing.
    `false_alarm` is the chance that a steady process with these limits gives at least one alarm on such a chart.
    """

    response: str
    kind: str
    name: str
    unit: str
    points: pd.DataFrame
    alarms: pd.DataFrame
    spread: pd.DataFrame | None
    yield_: pd.DataFrame | None
    capability: pd.DataFrame | None
    mold_life: MoldLife | None
    lots: pd.DataFrame | None
    pump: pd.DataFrame | None
    false_alarm: float
    dispersion: float
    rules: tuple[int, ...]
    by_batch: bool
    limits: tuple[float | None, float | None] | None = field(default=None)
    measured: np.ndarray | None = field(default=None, repr=False)
    """Each casting's measure, in the order made, where there are limits to hold it against."""

    def tables(self) -> dict[str, pd.DataFrame]:
        shown = self.points[["point", "when", "castings", "value", "centre", "low", "high", "flag"]]
        named: dict[str, pd.DataFrame | None] = {
            "Alarms": self.alarms[["when", "point", "what", "how_sure"]],
            "Points": shown,
            "Spread within batches": None if self.spread is None else self.spread.drop(columns=["chance", "beyond"]),
            "Yield": None if self.yield_ is None else _in_percent(self.yield_),
            "Capability": self.capability,
            "Resin lots": self.lots,
            "Pump": self.pump,
        }
        told = {
            title: words.table(rows, ratios=False) for title, rows in named.items() if rows is not None and len(rows)
        }
        return told | (self.mold_life.tables() if self.mold_life else {})


def watch(
    frame: pd.DataFrame,
    response: str,
    kind: str | None = None,
    when: str | None = None,
    batch: str | bool | None = None,
    mold: str | None = "mold",
    exposure: str | None = None,
    limits: tuple[float | None, float | None] | None = None,
    baseline: int | str | object | None = None,
    *,
    retired: Sequence[str] | None = None,
    lot: str | None = "resin_lot",
    pump: str | None = "pump_base_kpa",
    passed: str | None = "passed",
    rules: Iterable[int] = runs.WESTERN_ELECTRIC,
    method: str = "probability",
) -> Watch:
    """Watch production: charts with limits, alarms that say what changed when, yield, capability, molds, pump and lots.

    Parameters
    ----------
    frame : DataFrame
        One row per casting, the logbook's or any.
    response : str
        The column to watch.
    kind : {"count", "measure", "pass", "rare"}, optional
        None infers it: pass or fail is watched as shares of batches where a batch has one failure or more on average,
        else as "rare", by the castings (or the exposure) from one failure to the next.
    when : str, optional
        The column that orders the castings, dates or numbers; None takes poured_at or mixed_at, else the rows' order.
    batch : str or False, optional
        The batch column; a batch is one point. None takes batch_id, or batch, where there is one; False switches batches off.
    mold : str, optional
        The column that names the mold, for its life; its pulls come from mold_pull where there is such a column.
    exposure : str, optional
        What a count is out of (area looked at, hours), above 0.
    limits : (lower, upper), optional
        What is accepted of a measure, in its unit, None for an open side; capability is told only with these. They
        never enter the chart.
    baseline : int or moment, optional
        What sets the limits: the first so many batches (castings where there are none), or those up to a moment. None
        takes all.
    retired : sequence of str, optional
        Molds that are worn out; every other counts as still in use. Mold life is told only with this ([] if none is).
    lot, pump, passed : str, optional
        Columns with the resin lot, the pump's base pressure (kPa absolute) and good or not; the usual names are ignored where missing.
    rules : numbers
        Run rules, Nelson's tests 1 to 8; the default is those that find a shift. Where no baseline was chosen, a clear
        step of the level (permutation p-value below 0.01) is an alarm as well.
    method : {"probability", "three sigma"}
        Limits with 0.00135 on each side, widened for few data and over-dispersion; or the textbook's.

    Returns
    -------
    Watch
        `.points`, `.alarms`, `.yield_`, `.capability`, `.mold_life`, `.lots`, `.pump`, `.verdict`.

    Raises
    ------
    InputError
        For unknown columns, kinds or rules, or unusable limits or baselines.
    FitError
        If the data set no limits: too few castings, no failure at all, no scatter.

    Sources: `castlab.analysis.production.charts` (limits), `castlab.analysis.production.runs` (run rules), `castlab.analysis.production.lifetimes`,
    `castlab.analysis.production.capability`.

    Examples
    --------
    >>> import pandas as pd
    >>> made = pd.DataFrame({"bubbles": [4, 6, 3, 5, 7, 4, 5, 6, 4, 3, 5, 21]})
    >>> seen = watch(made, "bubbles", baseline=11)
    >>> seen.alarms["point"].to_list(), round(seen.points["high"].iloc[-1])
    (['casting 12'], 13)
    """
    numbers = runs.checked(rules)
    charts.check_method(method)
    if limits is not None:
        capability.check_limits(limits)
    optional = {"mold": mold, "resin_lot": lot, "pump_base_kpa": pump, "passed": passed}
    castings.check_frame(frame, [column for usual, column in optional.items() if column not in (None, usual)])
    made = production.gather(frame, response, kind, when, batch, exposure)
    if limits is not None and made.kind != "measure":
        raise InputError(f"limits belong to a measure, but {response} is watched as {made.kind}; leave them out")
    made = _rare_if_few(made, kind, baseline)
    shown = charted(made, baseline, method)
    chart = shown.chart
    found = runs.episodes(chart.score, chart.beyond, numbers)
    rare = "still_open" in shown.points
    points = shown.points.assign(
        value=chart.value, centre=chart.centre, low=chart.low, high=chart.high, score=chart.score,
        flag=alarms.flags(chart, numbers), baseline=shown.baseline,
    )  # fmt: skip
    drifts, pump_said = drift.pump_drift(made.data, pump, made.when, made.batch) if pump else (None, [])
    base_kind = "count" if made.counted else "measure" if made.kind == "measure" else "pass"
    lots, lots_said = drift.lot_steps(made, lot, base_kind, exposure)
    told = alarms.table(
        alarms.of_chart(shown, found, rare) + alarms.of_spread(shown.spread, labels.name(response))
        + alarms.of_pump(drifts) + alarms.of_lots(lots, response)
    )  # fmt: skip
    life, life_said = _mold_life(frame, mold, retired)
    good, yield_said = _yield(made, passed)
    able, able_said = _capability(made, limits, bool(len(told)))
    chance = alarms.false_alarms(shown, numbers)
    return Watch(
        verdict=_verdict(made, shown, told, numbers, chance, good, able, life, drifts, lots), response=response,
        cautions=tuple(dict.fromkeys([*made.cautions, *shown.cautions, *pump_said, *lots_said, *yield_said, *able_said, *life_said])),
        kind="rare" if rare else made.kind, name=shown.name, unit=shown.unit, points=points, alarms=told, spread=shown.spread,
        yield_=good, capability=able, mold_life=life, lots=lots, pump=drifts, false_alarm=chance,
        dispersion=chart.dispersion, rules=numbers, by_batch=made.codes is not None and not rare, limits=limits,
        measured=None if limits is None else made.y,
    )  # fmt: skip


def _rare_if_few(made: Production, kind: str | None, baseline: object) -> Production:
    """Pass or fail without batches, or with less than one failure in a batch, is watched by the gaps between failures."""
    if made.kind != "pass":
        return made
    if made.codes is not None:
        inside = production.of_baseline(made, made.codes, baseline)
        if kind == "pass" or np.bincount(made.codes, made.failed)[inside].mean() >= 1:
            return made
    why = (
        "there are no batches to take shares of"
        if made.codes is None
        else "a batch has less than one failure on average"
    )
    said = f"{made.response} is watched by the castings from one failure to the next: {why}."
    return replace(made, kind="rare", cautions=[*made.cautions, said])


def _mold_life(
    frame: pd.DataFrame, mold: str | None, retired: Sequence[str] | None
) -> tuple[MoldLife | None, list[str]]:
    if retired is None or mold is None:
        if mold is not None and mold in frame and frame[mold].notna().any():
            return None, ["To see mold life, name the worn-out molds: retired=[...], or [] where none is."]
        return None, []
    if mold not in frame:
        raise InputError(
            f"retired is given, but the frame has no column {mold!r}; accepted: mold= with the mold's name"
        )
    if isinstance(retired, str):
        raise InputError(f"retired is {retired!r}; accepted: a list of molds, such as [{retired!r}]")
    named = frame.dropna(subset=[mold])
    pulls = named.groupby(mold).size().astype(float)
    if "mold_pull" in named and named["mold_pull"].notna().any():
        pulls = pulls.combine(named.groupby(mold)["mold_pull"].max().astype(float), np.fmax)
    unknown = [m for m in retired if m not in pulls.index]
    if unknown:
        raise InputError(
            f"retired names {words.listing([repr(m) for m in unknown])}; accepted: molds of the frame, {words.listing(list(map(str, pulls.index)))}"
        )
    life = mold_life(pulls.to_numpy(), pulls.index.isin(list(retired)), list(map(str, pulls.index)))
    return life, list(life.cautions)


def _yield(made: Production, passed: str | None) -> tuple[pd.DataFrame | None, list[str]]:
    if not made.counted and made.kind != "measure":
        good = made.y
    elif passed is not None and passed in made.data and made.data[passed].notna().any():
        good = kinds.read(made.data[passed], "pass").values
    else:
        return None, []
    known = ~np.isnan(good)
    codes = None if made.codes is None else np.asarray(pd.factorize(made.codes[known])[0])
    table = capability.yield_table(good[known], codes)
    said = []
    if codes is not None and table["good"].iloc[0] in (0, table["made"].iloc[0]):
        said.append(
            "All castings came out alike, so nothing says whether those of one batch fail together; the yield's interval takes them as independent."
        )
    return table, said


def _capability(
    made: Production, limits: tuple[float | None, float | None] | None, alarmed: bool
) -> tuple[pd.DataFrame | None, list[str]]:
    if limits is None:
        return None, []
    said = ["Capability takes the measure as normally distributed; with few data its tails are a guess."]
    if alarmed:
        said.append("There are alarms: a capability foretells nothing while the process is not steady.")
    try:
        return capability.capability_table(made.y, limits, made.codes), said
    except FitError as error:
        return None, [str(error)]


def _verdict(
    made: Production, shown: Charted, told: pd.DataFrame, rules: tuple[int, ...], chance: float, good: pd.DataFrame | None,
    able: pd.DataFrame | None, life: MoldLife | None, pump: pd.DataFrame | None, lots: pd.DataFrame | None,
) -> str:  # fmt: skip
    """One paragraph: what was watched, what changed when and how sure, then yield, capability, lots, pump and molds."""
    centre = float(shown.chart.centre[-1])
    parts = [
        f"{words.sentence(shown.name)}, {made.size()}: usual {shown.measured(centre)}; {shown.limits}; "
        f"run rules {words.listing([str(r) for r in rules])} of Nelson (1984)."
    ]
    if len(told) == 0:
        parts.append("No alarm: nothing shows that the process changed, which few data could also miss.")
    else:
        parts.append(f"{words.count(len(told), 'alarm')}{', the weightiest first' if len(told) > 1 else ''}:")
        parts += [
            f"{_date(row.since)}{row.what} ({words.sentence(row.how_sure)}.)"
            for row in alarms.weightiest(told).head(TOLD).itertuples()
        ]
        if (more := len(told) - TOLD) > 0:
            parts.append(f"{words.count(more, 'other alarm')} {'is' if more == 1 else 'are'} in the table.")
    parts.append(_by_chance(shown, chance))
    if good is not None:
        row: Any = good.iloc[0]
        parts.append(
            f"Yield {100 * row['yield']:.0f}% ({row['good']:.0f} of {row['made']:.0f}), 95% interval {100 * row['low']:.0f} to {100 * row['high']:.0f}%."
        )
    if able is not None:
        index = able.set_index("index")
        row, outside = index.loc["Cpk"], [f"{words.about(100 * v)}%" for v in index.loc["share outside"]]
        parts.append(
            f"Cpk {row['estimate']:.2f}, 95% interval {row['low']:.2f} to {row['high']:.2f}: {outside[0]} of castings are to be "
            f"expected outside the limits, {outside[1]} to {outside[2]}."
        )
    if lots is not None:
        parts.append(_lots_words(len(lots), int((lots["p_adjusted"] < 0.05).sum())))
    if pump is not None and (drift_said := alarms.pump_words(pump.iloc[0])) not in " ".join(parts):
        open_ = "" if alarms.of_pump(pump) else " (no drift shown)"
        parts.append(f"Pump base pressure {drift_said}{open_}.")
    if life is not None:
        parts.append(life.verdict)
    return " ".join(parts)


def _in_percent(good: pd.DataFrame) -> pd.DataFrame:
    return good.assign(**{name: good[name].map(words.share) for name in ("yield", "low", "high")})


def _lots_words(changes: int, shown: int) -> str:
    """How many changes of resin lot go with a change in what was watched."""
    if not shown:
        what = "the change" if changes == 1 else f"any of the {changes} changes"
        return f"No step is shown at {what} of resin lot."
    if changes == 1:
        return "The change of resin lot goes with a step."
    return f"{shown} of {changes} changes of resin lot {'goes' if shown == 1 else 'go'} with a step."


def _by_chance(shown: Charted, chance: float) -> str:
    """How often a steady process gives an alarm; the simulated share takes the limits as known: too high where the same
    points set them, too low where few did."""
    chart = f"such a chart of {len(shown.points)} points"
    if chance > 0.95:
        return f"A steady process, too, nearly always sets off {chart} somewhere: go by what lasts, and by how rare an alarm is."
    least = "at most " if shown.baseline.all() else "" if shown.baseline.sum() >= PROVISIONAL else "at least "
    return f"A steady process sets off {chart} at least once in {least}{f'about {words.share(chance)}' if chance >= 0.005 else '1%'} of cases."


def _date(when: Any) -> str:
    return f"{when:%Y-%m-%d}: " if isinstance(when, pd.Timestamp) else ""
