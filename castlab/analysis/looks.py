"""Honest multiple looks: every factor on every response at once, adjusted over all of them.

What was planned is a family of its own (`castlab.analysis.planned`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from inspect import signature
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from castlab import labels
from castlab.analysis import effects, words
from castlab.analysis.effects import EXPLORING, PLANNED
from castlab.analysis.fit import FactorFit, fit_factors
from castlab.analysis.reading import castings as rows_of
from castlab.errors import FitError, InputError
from castlab.results import Result

METHODS = {"holm": "Holm", "bh": "Benjamini and Hochberg"}
"""How to adjust over a family: the chance of any false finding (Holm, Scandinavian Journal of Statistics 6, 1979, 65-70),
or the expected share of false ones among the findings (Benjamini and Hochberg, JRSS B 57, 1995, 289-300)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ManyResponses(Result):
    """Every factor on every response, adjusted over all of them.

    `table` has one row per factor and response: response, factor, contrast (the one that stands out most), estimate, low,
    high, scale, p_value (of the factor as a whole), p_adjusted, strength and look. `failed`: response and reason.
    `fits`: response -> FactorFit, for `recommend` and pictures.
    """

    table: pd.DataFrame
    failed: pd.DataFrame
    method: str
    fits: dict[str, FactorFit] = field(repr=False)

    def tables(self) -> dict[str, pd.DataFrame]:
        rows = []
        for row in self.table.itertuples():
            ratio = row.scale != "difference"
            size = words.effect(row.estimate, row.low, row.high, times=ratio)
            unit = "times" if ratio else labels.unit(row.response)
            rows.append(
                (labels.name(row.response), labels.name(row.factor), row.contrast, f"{size[0]} {unit}".strip(),
                 f"{size[1]} to {size[2]}", words.p_value(row.p_adjusted).removeprefix("p ").removeprefix("= "), row.strength)
            )  # fmt: skip
        names = ["response", "setting", "compared", "effect", "95% interval", "adjusted p", "how sure"]
        told = {"Settings and responses": pd.DataFrame(rows, columns=names)}
        if self.table["look"].eq(PLANNED).any():
            told["Settings and responses"]["look"] = list(self.table["look"])
        if len(self.failed):
            told["Not judged"] = self.failed
        return told


def many_responses(
    frame: pd.DataFrame,
    responses: Sequence[str] | Mapping[str, str | None],
    factors: str | Sequence[str],
    *,
    adjust: str = "holm",
    planned: Mapping[str, Sequence[str]] | None = None,
    **options: Any,
) -> ManyResponses:
    """Look at every factor and every response at once, and say what holds after so many looks.

    Parameters
    ----------
    frame : DataFrame
        One row per casting.
    responses : sequence of str, or {response: kind}
        Columns to explain, the main one first; the kind as in `fit_factors`.
    factors : str or sequence of str
        Columns of settings.
    adjust : {"holm", "bh"}
        Over the whole family of factors and responses: Holm (the chance of any false finding at most 5%) or Benjamini and
        Hochberg (at most 5% of the findings false, on average).
    planned : {response: factors}, optional
        What was planned before the castings were made; it is adjusted as a family of its own.
    **options
        Further arguments of `fit_factors`, such as batch or interactions.

    Returns
    -------
    ManyResponses

    Raises
    ------
    InputError
        For unknown columns or ways to adjust.
    FitError
        If no response could be judged.

    Examples
    --------
    >>> made = pd.DataFrame({"haze_pct": [4.1, 3.8, 4.4, 4.0, 2.9, 3.1, 2.7, 3.3], "shore_d": [80, 78, 81, 79, 80, 79, 81, 78],
    ...                      "pour": ["stream"] * 4 + ["ladle"] * 4})
    >>> many_responses(made, ["haze_pct", "shore_d"], "pour").table[["response", "strength"]].values.tolist()
    [['haze_pct', 'clear'], ['shore_d', 'not shown']]
    """
    if adjust not in METHODS:
        raise InputError(f"adjust is {adjust!r}; accepted: {', '.join(METHODS)}")
    if not isinstance(responses, Iterable):
        raise InputError(f"responses is {responses!r}; accepted: one or more column names")
    names = [responses] if isinstance(responses, str) else list(responses)
    if unknown := [name for name in options if name not in signature(fit_factors).parameters]:
        raise InputError(f"{unknown[0]!r} is no argument of many_responses or fit_factors")
    if planned is not None and not isinstance(planned, Mapping):
        raise InputError(f"planned is {planned!r}; accepted: {{response: factors}}")
    if not names:
        raise InputError("no responses were given; accepted: one or more column names")
    rows_of.check_frame(frame, [*names, *rows_of.as_names(factors)])
    kinds = responses if isinstance(responses, Mapping) else dict.fromkeys(names)
    fits, failed = {}, []
    for name in names:
        try:
            fits[name] = fit_factors(frame, name, factors, kind=kinds[name], **options)
        except FitError as exc:
            failed.append((name, str(exc)))
    if not fits:
        raise FitError("none of the responses could be judged. " + " ".join(f"{n}: {why}." for n, why in failed))
    own = {(response, factor) for response, listed in (planned or {}).items() for factor in listed}
    table = pd.DataFrame([row for fit in fits.values() for row in _rows(fit)])
    mine = np.array([(row.response, row.factor) in own for row in table.itertuples()])
    table["p_adjusted"] = adjusted(table["p_value"], adjust)
    if mine.any():
        table.loc[mine, "p_adjusted"] = adjusted(table.loc[mine, "p_value"], adjust)
    few = {name: effects.too_few(fit._chosen, fit._design, fit._castings.codes) for name, fit in fits.items()}
    table["strength"] = effects.strengths(table, [few[row.response][row.factor] for row in table.itertuples()])
    table["look"] = np.where(mine, PLANNED, EXPLORING)
    missing = pd.DataFrame(failed, columns=["response", "reason"])
    cautions = [f"{words.sentence(labels.name(name))} could not be judged: {why}." for name, why in failed]
    told: dict[str, list[str]] = {}
    for name, fit in fits.items():
        for said in fit.cautions:
            told.setdefault(said, []).append(labels.name(name))
    # what holds for every response needs no names
    cautions += [
        said if len(names) == len(fits) else f"{words.sentence(', '.join(names))}: {said}"
        for said, names in told.items()
    ]
    return ManyResponses(
        verdict=_verdict(table, adjust, planned=bool(mine.any())), cautions=tuple(dict.fromkeys(cautions)),
        table=table, failed=missing, method=METHODS[adjust], fits=fits,
    )  # fmt: skip


def adjusted(p: Sequence[float] | pd.Series, adjust: str) -> np.ndarray:
    """p-values adjusted over a family.

    Examples
    --------
    >>> adjusted([0.01, 0.04, 0.03], "holm").round(3).tolist(), adjusted([0.01, 0.04, 0.03], "bh").round(3).tolist()
    ([0.03, 0.06, 0.06], [0.03, 0.04, 0.04])
    """
    values = np.asarray(p, dtype=float)
    return effects.holm(list(values)) if adjust == "holm" else np.asarray(stats.false_discovery_control(values))


def _rows(fit: FactorFit) -> list[dict[str, Any]]:
    overall = fit.tests.set_index("factor")["p_value"]
    rows = []
    for factor, each in fit.effects.groupby("factor", sort=False):
        most = each.sort_values("p_value", kind="stable").iloc[0]
        rows.append(
            {"response": fit.response, "factor": str(factor), "contrast": most["contrast"], "estimate": most["estimate"],
             "low": most["low"], "high": most["high"], "scale": fit.scale, "p_value": float(overall[factor])}
        )  # fmt: skip
    return rows


def _verdict(table: pd.DataFrame, adjust: str, *, planned: bool) -> str:
    looks, names = len(table), table["response"].nunique()
    size = f"{words.count(table['factor'].nunique(), 'setting')}, {words.count(names, 'response')}"
    over = f", adjusted over all of them by {METHODS[adjust]}" if looks > 1 else ""
    said = [
        f"{words.count(looks, 'look')} ({size}){over}{', the planned ones among themselves' if planned and looks > 1 else ''}."
    ]
    for look in (PLANNED, EXPLORING) if planned else (EXPLORING,):
        rows = table[table["look"] == look]
        few = (rows["strength"] == "likely") & (rows["p_adjusted"] < effects.CLEAR)
        for lead, found in (
            ("Clear", rows[rows["strength"] == "clear"]),
            ("Likely on its own only", rows[(rows["strength"] == "likely") & ~few]),
            ("Likely, which is the most that so few castings can show", rows[few]),
        ):
            pairs = [
                f"{labels.name(response)} ({words.listing([labels.name(f) for f in own['factor']])})"
                for response, own in found.groupby("response", sort=False)
            ]
            if pairs:
                hint = f"{lead}, planned" if planned and look == PLANNED else lead
                said.append(f"{hint}: {'; '.join(pairs)}.")
    if (table["strength"] == "not shown").all():
        said.append("Nothing is shown after so many looks." if looks > 1 else "Nothing is shown.")
    elif (table["look"] == EXPLORING).any() and (
        table.loc[table["look"] == EXPLORING, "strength"] != "not shown"
    ).any():
        said.append("What was not planned is a hint: confirm it with new castings.")
    return " ".join(said)
