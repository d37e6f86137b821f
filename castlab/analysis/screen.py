"""Unreplicated two-level plans: which effects stand out of the scatter of all the others? `screen_effects`.

A saturated plan leaves no degrees of freedom, so the scatter is taken from the effects themselves, most of which do
nothing: Lenth's pseudo standard error (Technometrics 31, 1989, 469-473) with its margins; p-values by simulating plans
without any effect (Ye and Hamada, Journal of Quality Technology 32, 2000, 57-66). The half-normal picture is Daniel's
(Technometrics 1, 1959, 311-341).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

from castlab import labels
from castlab.analysis import effects, words
from castlab.analysis.reading import castings, kinds
from castlab.errors import FitError, InputError
from castlab.results import Result

LEVEL = 0.95
FEWEST = 4
"""Effects below which the others say too little about the scatter."""
SIMULATED, SEED = 20_000, 1989
MOST_FACTORS = 5
"""Longest product of factors that is named."""
ALIAS = 0.999
MIXED = 1e-6


@dataclass(frozen=True, kw_only=True, eq=False)
class Screen(Result):
    """Effects of an unreplicated two-level plan.

    `effects` has one row per effect, the largest first: effect, contrast, estimate (mean at the high setting less mean at
    the low one), low, high (estimate less and plus the margin of error), p_value, p_adjusted (over all effects), strength
    ("clear", "likely", "not shown"), aliases (effects that the plan cannot tell from it), half_normal (where it would lie if
    nothing had an effect). `pse`, `margin` and `simultaneous_margin` are Lenth's, in the unit of the response (square
    roots for counts). `left_over` is the number of degrees of freedom that no named effect uses.
    """

    effects: pd.DataFrame
    pse: float
    margin: float
    simultaneous_margin: float
    n: int
    left_over: int
    kind: str
    response: str

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Effects, the largest first": words.table(self.effects.drop(columns="half_normal"), ratios=False)}


def screen_effects(frame: pd.DataFrame, response: str, factors: str | Sequence[str], kind: str | None = None) -> Screen:
    """Which effects stand out in a two-level plan where every combination was cast once.

    Parameters
    ----------
    frame : DataFrame
        One row per casting: the table of a plan with its results, the logbook's frame, or any.
    response : str
        The column to explain; a measure or a count.
    factors : str or sequence of str
        Columns of settings with two levels each.
    kind : {"measure", "count"}, optional
        None infers it. Counts are compared by square roots, which makes them scatter alike.

    Returns
    -------
    Screen
        `.effects` (with aliases), `.pse`, `.margin`, `.simultaneous_margin`, `.verdict`, `.figure()` (half-normal).

    Raises
    ------
    InputError
        For unknown columns, factors without two levels, or passes and grades.
    FitError
        If the plan cannot be screened: too few effects, or effects that are not independent of each other.

    Notes
    -----
    Lenth, Technometrics 31, 1989, 469-473: the method counts on most effects doing nothing; use `fit_factors` where
    castings were repeated or fewer effects are asked for.

    Examples
    --------
    >>> from itertools import product
    >>> made = pd.DataFrame(list(product([0, 1], repeat=3)), columns=["warm", "slow", "dried"])
    >>> made["haze_pct"] = [5.1, 4.9, 5.3, 5.0, 9.2, 9.0, 9.1, 8.7]
    >>> found = screen_effects(made, "haze_pct", ["warm", "slow", "dried"])
    >>> found.effects.loc[0, ["effect", "strength"]].to_list(), round(float(found.effects.loc[0, "estimate"]), 3)
    (['warm', 'clear'], 3.925)
    """
    names = castings.as_names(factors)
    castings.check_frame(frame, [response, *names])
    if response in names:
        raise InputError(f"{response!r} is both the response and a factor; give it as one of them")
    read = kinds.read(frame[response], kind)
    if read.kind not in ("measure", "count"):
        raise InputError(
            f"{response} is a {read.kind}; accepted: a measure or a count. A {read.kind} of single castings is too coarse "
            "to screen: repeat castings and use fit_factors"
        )
    keep = ~(np.isnan(read.values) | frame[list(names)].isna().any(axis=1).to_numpy())
    data, y = frame.loc[keep], read.values[keep]
    signs, contrasts = _signs(data, names)
    if read.kind == "count":
        y = 2 * np.sqrt(y + 0.375)
    table, left_over = _effects(signs, names, contrasts, y)
    size = table["estimate"].abs().to_numpy()
    if size.max() <= kinds.resolution(y):
        raise FitError(f"{response} is the same in all castings; castings that differ are needed")
    pse, margin, simultaneous = lenth(table["estimate"].to_numpy())
    if pse <= 1e-12 * size.max():
        raise FitError(
            "most effects are exactly zero, so there is no scatter to judge the others by; check the readings"
        )
    single, largest = _without_effects(len(table))
    ratio = size / pse
    table["p_value"] = _beyond(single, ratio)
    table["p_adjusted"] = np.maximum(_beyond(largest, ratio), table["p_value"])
    table["strength"] = effects.strengths(table)
    table["low"], table["high"] = table["estimate"] - margin, table["estimate"] + margin
    order = np.argsort(-size, kind="stable")
    table = table.iloc[order].reset_index(drop=True)
    table["half_normal"] = stats.norm.ppf(0.5 + 0.5 * (len(table) - np.arange(len(table)) - 0.5) / len(table))
    columns = [
        "effect",
        "contrast",
        "estimate",
        "low",
        "high",
        "p_value",
        "p_adjusted",
        "strength",
        "aliases",
        "half_normal",
    ]
    table = table[columns]
    said = [text for text in (read.said,) if text]
    if dropped := int((~keep).sum()):
        said.append(
            f"{dropped} of {len(frame)} castings {'was' if dropped == 1 else 'were'} left out for missing values."
        )
    return Screen(
        verdict=_verdict(table, response, read.kind, len(y), margin), cautions=(*said, *_cautions(data, table, read.kind, left_over)),
        effects=table, pse=pse, margin=margin, simultaneous_margin=simultaneous, n=len(y), left_over=left_over,
        kind=read.kind, response=response,
    )  # fmt: skip


def lenth(estimates: np.ndarray) -> tuple[float, float, float]:
    """Lenth's pseudo standard error, margin of error and simultaneous margin of error (95%) of these effects.

    Source: Lenth, Technometrics 31, 1989, 469-473: s0 = 1.5 median |c|, PSE = 1.5 median of |c| below 2.5 s0, and t on a
    third as many degrees of freedom as there are effects.

    Examples
    --------
    >>> [round(v, 2) for v in lenth(np.array([0.1, -0.2, 0.15, 0.05, 3.0, -0.12, 0.08]))]
    [0.17, 0.62, 1.49]
    """
    size, m = np.abs(estimates), len(estimates)
    first = 1.5 * float(np.median(size))
    pse = 1.5 * float(np.median(size[size < 2.5 * first])) if first > 0 else 0.0
    gamma = (1 + LEVEL ** (1 / m)) / 2
    return pse, float(stats.t.ppf((1 + LEVEL) / 2, m / 3)) * pse, float(stats.t.ppf(gamma, m / 3)) * pse


@lru_cache(maxsize=16)
def _without_effects(m: int) -> tuple[np.ndarray, np.ndarray]:
    """Sorted effects over their pseudo standard error, and the largest of each plan, where nothing has an effect."""
    drawn = np.abs(np.random.default_rng(SEED).standard_normal((SIMULATED, m)))
    first = 1.5 * np.median(drawn, axis=1, keepdims=True)
    pse = 1.5 * np.nanmedian(np.where(drawn < 2.5 * first, drawn, np.nan), axis=1, keepdims=True)
    ratio = drawn / pse
    return np.sort(ratio.ravel()), np.sort(ratio.max(axis=1))


def _beyond(drawn: np.ndarray, ratio: np.ndarray) -> np.ndarray:
    """Share of the simulated values at or beyond these."""
    return (len(drawn) - np.searchsorted(drawn, ratio, side="left") + 1) / (len(drawn) + 1)


def _signs(data: pd.DataFrame, names: Sequence[str]) -> tuple[np.ndarray, dict[str, str]]:
    """-1 and 1 per casting and factor, and what is compared with what."""
    columns, contrasts = [], {}
    for name in names:
        column = kinds.plain(data[name], "a factor")
        settings = sorted(column.unique(), key=lambda v: (isinstance(v, str), v))
        if len(settings) != 2:
            what = words.listing([labels.level(v) for v in settings[:5]]) or "nothing"
            raise InputError(
                f"{name} was set to {what}; accepted: factors with two settings each (leave out center points and repeats of "
                "other settings, or use fit_factors)"
            )
        low, high = settings
        columns.append(np.where((column == low).to_numpy(dtype=bool), -1.0, 1.0))
        unit = labels.unit(name)
        contrasts[name] = f"{labels.level(high)} against {labels.level(low)} {unit}".strip()
    return np.column_stack(columns), contrasts


def _effects(
    signs: np.ndarray, names: Sequence[str], contrasts: dict[str, str], y: np.ndarray
) -> tuple[pd.DataFrame, int]:
    """Independent effects, shorter products of factors first, each with its aliases; the degrees of freedom left over."""
    n, k = signs.shape
    kept: list[np.ndarray] = []
    rows: list[dict[str, object]] = []
    aliases: list[list[str]] = []
    for length in range(1, min(k, MOST_FACTORS) + 1):
        for parts in combinations(range(k), length):
            column = signs[:, parts].prod(axis=1)
            name = " x ".join(names[j] for j in parts)
            if abs(column.mean()) > ALIAS:
                continue  # constant in this plan: part of how the fraction was chosen
            found = np.array([float(column @ other) / n for other in kept])
            if length == 1 and (abs(column.mean()) > MIXED or np.any(np.abs(found) > MIXED)):
                other = "the mean" if abs(column.mean()) > MIXED else str(rows[int(np.argmax(np.abs(found)))]["effect"])
                raise FitError(
                    f"{name} is mixed up with {other} in these castings, so their sizes cannot be compared; screening needs a "
                    "balanced two-level plan without gaps. Cast what is missing, or use fit_factors with fewer factors"
                )
            same = np.flatnonzero(np.abs(found) > ALIAS)
            if len(same):
                twin = aliases[int(same[0])]
                if not twin or twin[0].count(" x ") == length - 1:  # the shortest say enough
                    twin.append(name if found[same[0]] > 0 else f"-({name})")
                continue
            if abs(column.mean()) > MIXED or np.any(np.abs(found) > MIXED) or len(kept) >= n - 1:
                continue  # only partly mixed with others, as in Plackett-Burman plans: no effect of its own
            kept.append(column)
            estimate = float(column @ y) * 2 / n
            rows.append({"effect": name, "contrast": contrasts.get(name, "interaction"), "estimate": estimate})
            aliases.append([])
    if len(rows) < FEWEST:
        raise FitError(
            f"these castings have {words.count(len(rows), 'independent effect')}; screening needs at least {FEWEST}, most of "
            "them doing nothing, to know the scatter. Cast a larger plan, or repeat castings and use fit_factors"
        )
    table = pd.DataFrame(rows)
    table["aliases"] = [", ".join(found) for found in aliases]
    return table, n - 1 - len(rows)


def _cautions(data: pd.DataFrame, table: pd.DataFrame, kind: str, left_over: int) -> list[str]:
    said = []
    if (table["strength"] != "not shown").sum() > len(table) / 3:
        said.append("Many effects stand out: the method counts on most doing nothing, and may then miss some.")
    if len(table) < 7:
        said.append(f"With {len(table)} effects only a very large one can stand out.")
    if table["aliases"].ne("").any():
        said.append("An effect stands for itself and its aliases together; a few more castings would tell them apart.")
    if kind == "count":
        said.append("Counts were compared by twice their square roots; estimates and margins are on that scale.")
    if left_over > 0:
        said.append(
            f"{left_over} degrees of freedom are not used by a named effect; fit_factors can judge the main effects by them."
        )
    if castings.BATCH in data and data[castings.BATCH].nunique() < len(data):
        said.append(
            "Several castings share a batch, which screening does not allow for: what was set per batch may look surer than "
            "it is. Cast each combination from a batch of its own, or use fit_factors with repeats."
        )
    return said


def _verdict(table: pd.DataFrame, response: str, kind: str, n: int, margin: float) -> str:
    unit = "" if kind == "count" else labels.unit(response)
    parts = [f"{words.count(n, 'casting')}, {len(table)} effects on {labels.name(response)}, none repeated."]

    def told(row: object) -> str:
        size = f"{words.signed(row.estimate, margin)} {unit}".strip()  # type: ignore[attr-defined]
        name = " x ".join(labels.name(p) for p in row.effect.split(" x "))  # type: ignore[attr-defined]
        contrast = "" if row.contrast == "interaction" else f" {row.contrast}"  # type: ignore[attr-defined]
        near = row.aliases and row.aliases.partition(",")[0].count(" x ") < 3  # type: ignore[attr-defined]
        alias = f" (or {row.aliases}, which the plan cannot tell from it)" if near else ""  # type: ignore[attr-defined]
        return f"{name}{contrast} {size}{alias}"

    for strength, lead in (
        ("clear", "Stand out clearly, all effects counted: "),
        ("likely", "Stand out, though by chance one of so many might: "),
    ):
        rows = [told(row) for row in table[table["strength"] == strength].itertuples()]
        if rows:
            parts.append(lead + "; ".join(rows) + ".")
    if (table["strength"] == "not shown").all():
        parts.append("No effect stands out of the scatter of the others.")
    size = f"{words.rounded(margin, margin)} {unit}".strip()
    parts.append(
        f"Effects below about {size} (the margin of error) are not shown. Repeat the settings that stand out, each from its "
        "own batch, before settling on them."
    )
    return " ".join(parts)
