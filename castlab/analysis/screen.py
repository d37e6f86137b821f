"""Unreplicated two-level plans: which effects stand out of the scatter of all the others? `screen_effects`.

A saturated plan leaves no degrees of freedom, so the scatter is taken from the effects themselves, most of which do
nothing: Lenth's pseudo standard error (Technometrics 31, 1989, 469-473) with its margins; p-values by simulating plans
without any effect (Ye and Hamada, Journal of Quality Technology 32, 2000, 57-66). The half-normal picture is Daniel's
(Technometrics 1, 1959, 311-341). What was set per batch is judged among itself, since batches scatter more than castings of
one batch do (two pictures for split plots: Bisgaard, Journal of Quality Technology 32, 2000, 39-56, from memory).
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
TOLD = 3
"""Castings without a response that are named by their settings."""
ALIAS = 0.999
MIXED = 1e-6
BATCHES, CASTINGS = "batches", "castings"
COLUMNS = [
    "effect", "contrast", "estimate", "low", "high", "p_value", "p_adjusted", "strength", "aliases", "half_normal",
    "judged_on",
]  # fmt: skip
_LEADS = {BATCHES: "Set per batch", CASTINGS: "Set per casting"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Screen(Result):
    """Effects of an unreplicated two-level plan.

    `effects` has one row per effect, the largest first: effect, contrast, estimate (mean at the high setting less mean at
    the low one), low, high (estimate less and plus the margin of error), p_value, p_adjusted (over all effects), strength
    ("clear", "likely", "not shown"), aliases (effects that the plan cannot tell from it), half_normal (where it would lie if
    nothing had an effect), judged_on ("castings", or "batches" where the setting was one per batch). `pse`, `margin` and
    `simultaneous_margin` are Lenth's, in the unit of the response (square roots for counts), for what is judged on
    castings; `strata` has them for both (judged_on, effects, pse, margin, simultaneous_margin; NaN where the effects are
    too few). `left_over` is the number of degrees of freedom that no named effect uses.
    """

    effects: pd.DataFrame
    strata: pd.DataFrame
    pse: float
    margin: float
    simultaneous_margin: float
    n: int
    left_over: int
    kind: str
    response: str

    def tables(self) -> dict[str, pd.DataFrame]:
        shown = self.effects.drop(columns=["half_normal", *(["judged_on"] if len(self.strata) < 2 else [])])
        tables = {"Effects, the largest first": words.table(shown, ratios=False)}
        if len(self.strata) > 1:
            tables["What they are judged by"] = words.table(self.strata, ratios=False)
        return tables


def screen_effects(
    frame: pd.DataFrame,
    response: str,
    factors: str | Sequence[str],
    kind: str | None = None,
    batch: str | None = None,
) -> Screen:
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
    batch : str, optional
        Column of the mixed cup. What was the same for all castings of a cup is then judged among itself, and so is what
        changed within cups: two half-normal pictures.

    Returns
    -------
    Screen
        `.effects` (with aliases), `.pse`, `.margin`, `.simultaneous_margin`, `.verdict`, `.figure()` (half-normal).

    Raises
    ------
    InputError
        For unknown columns, factors without two levels, passes and grades, or castings without a batch.
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
    castings.check_castings(frame, [response, *names, *([] if batch is None else [batch])])
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
    codes = None if batch is None else _batches(data[batch])
    try:
        table, left_over = _effects(signs, names, contrasts, y, codes)
    except FitError as exc:
        raise FitError(_missing(frame, response, names, keep) or str(exc)) from None
    if table["estimate"].abs().max() <= kinds.resolution(y):
        raise FitError(f"{response} is the same in all castings; castings that differ are needed")
    table, strata = _judged(table)
    said = [text for text in (read.said,) if text]
    if dropped := int((~keep).sum()):
        said.append(
            f"{dropped} of {len(frame)} castings {'was' if dropped == 1 else 'were'} left out for missing values."
        )
    size = words.size(len(y), 0 if codes is None else int(codes.max()) + 1)
    cautions = _cautions(data, table, strata, read.kind, left_over, told=batch is not None)
    main = strata.dropna(subset="pse").iloc[-1]
    return Screen(
        verdict=_verdict(table, strata, response, read.kind, size), cautions=(*said, *cautions), effects=table,
        strata=strata, pse=float(main["pse"]), margin=float(main["margin"]),
        simultaneous_margin=float(main["simultaneous_margin"]), n=len(y), left_over=left_over, kind=read.kind,
        response=response,
    )  # fmt: skip


def _missing(frame: pd.DataFrame, response: str, names: Sequence[str], keep: np.ndarray) -> str:
    """What to say where the plan could be screened if nothing were missing; "" where it could not."""
    if keep.all() or frame[list(names)].isna().any(axis=None):
        return ""
    try:
        signs, contrasts = _signs(frame, names)
        _effects(signs, names, contrasts, np.zeros(len(frame)), None)
    except (FitError, InputError):
        return ""
    gaps = frame.loc[~keep, list(names)].head(TOLD)
    told = [", ".join(f"{labels.name(n)} {labels.level(row[n])}" for n in names) for row in gaps.to_dict("records")]
    more = int((~keep).sum()) - len(told)
    where = "; ".join([*told, *([f"and {more} more"] if more else [])])
    return (
        f"{response} is missing for {int((~keep).sum())} of {len(frame)} castings ({where}), and a two-level plan with a gap "
        "does not tell its effects apart: score or cast what is missing, or use fit_factors with fewer factors"
    )


def _batches(column: pd.Series) -> np.ndarray | None:
    """Number of the batch of each casting; None where castings share none.

    Raises
    ------
    InputError
        If the batch of a casting is not written down.
    """
    if column.isna().any():
        missing = words.count(int(column.isna().sum()), "casting")
        raise InputError(f"{column.name} is not written down for {missing}; fill it in, or leave batch out")
    codes, known = pd.factorize(kinds.plain(column, "a batch"))
    return None if len(known) == len(column) else np.asarray(codes)


def _judged(table: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The effects judged on the others of their stratum, the largest first, and what each stratum is judged by.

    p-values are adjusted over all effects: the largest of each stratum, and the number of strata (which are independent).
    """
    groups = [(where, table[table["judged_on"] == where]) for where in (BATCHES, CASTINGS)]
    groups = [(where, rows) for where, rows in groups if len(rows)]
    several = sum(len(rows) >= FEWEST for _, rows in groups)
    if not several:
        raise FitError(
            f"these castings have {words.listing([f'{len(rows)} independent effects on {where}' for where, rows in groups])}; "
            f"screening needs at least {FEWEST} to know their scatter, most of them doing nothing. Cast a larger plan, or "
            "repeat castings and use fit_factors"
        )
    parts, strata = [], []
    for where, rows in groups:
        size = rows["estimate"].abs().to_numpy()
        m, pse, margin, simultaneous = len(rows), np.nan, np.nan, np.nan
        single = together = np.full(m, np.nan)
        if m >= FEWEST:
            pse, margin, simultaneous = lenth(rows["estimate"].to_numpy())
            if pse <= 1e-12 * size.max():
                raise FitError(
                    "most effects are exactly zero, so there is no scatter to judge the others by; check the readings"
                )
            alone, largest = without_effects(m)
            single = _beyond(alone, size / pse)
            together = np.maximum(1 - (1 - _beyond(largest, size / pse)) ** several, single)
        order = np.argsort(-size, kind="stable")
        part = rows.assign(
            p_value=single, p_adjusted=together, low=rows["estimate"] - margin, high=rows["estimate"] + margin
        ).iloc[order]
        parts.append(part.assign(half_normal=stats.norm.ppf(0.5 + 0.5 * (m - np.arange(m) - 0.5) / m)))
        strata.append((where, m, pse, margin, simultaneous))
    found = pd.concat(parts, ignore_index=True)
    found["strength"] = effects.strengths(found)
    names = ["judged_on", "effects", "pse", "margin", "simultaneous_margin"]
    return found[COLUMNS], pd.DataFrame(strata, columns=names)


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
def without_effects(m: int) -> tuple[np.ndarray, np.ndarray]:
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


def _where(column: np.ndarray, codes: np.ndarray | None) -> str:
    """What an effect is judged on; "" where it changed both between batches and within them."""
    if codes is None:
        return CASTINGS
    means = np.abs(np.bincount(codes, column) / np.bincount(codes))
    return BATCHES if means.min() > ALIAS else CASTINGS if means.max() < MIXED else ""


def _effects(
    signs: np.ndarray, names: Sequence[str], contrasts: dict[str, str], y: np.ndarray, codes: np.ndarray | None
) -> tuple[pd.DataFrame, int]:
    """Independent effects, shorter products of factors first, each with its aliases and what it is judged on; the degrees
    of freedom left over."""
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
            where = _where(column, codes)
            if not where and length == 1:
                raise FitError(
                    f"{name} changed between batches as well as within them, so it is judged on neither alone; screening "
                    "with batch= needs settings that are one per batch, or as often high as low in every batch. Use "
                    "fit_factors with fewer factors"
                )
            if not where:
                continue
            kept.append(column)
            estimate = float(column @ (y - y.mean())) * 2 / n
            contrast = contrasts.get(name, "interaction")
            rows.append({"effect": name, "contrast": contrast, "estimate": estimate, "judged_on": where})
            aliases.append([])
    if len(rows) < FEWEST:
        raise FitError(
            f"these castings have {words.count(len(rows), 'independent effect')}; screening needs at least {FEWEST}, most of "
            "them doing nothing, to know the scatter. Cast a larger plan, or repeat castings and use fit_factors"
        )
    table = pd.DataFrame(rows)
    table["aliases"] = [", ".join(found) for found in aliases]
    return table, n - 1 - len(rows)


def _cautions(
    data: pd.DataFrame, table: pd.DataFrame, strata: pd.DataFrame, kind: str, left_over: int, *, told: bool
) -> list[str]:
    said = []
    if (table["strength"] != "not shown").sum() > len(table) / 3:
        said.append("Many effects stand out: the method counts on most doing nothing, and may then miss some.")
    for row in strata.itertuples():
        what = f" on {row.judged_on}" if len(strata) > 1 else ""
        if np.isnan(row.pse):
            said.append(
                f"With {words.count(row.effects, 'effect')}{what} none can be judged by the others: they are told, not judged. "
                "More batches and fit_factors would judge them."
            )
        elif row.effects < 7:
            said.append(f"With {row.effects} effects{what} only a very large one can stand out.")
    if table["aliases"].ne("").any():
        said.append("An effect stands for itself and its aliases together; a few more castings would tell them apart.")
    if kind == "count":
        said.append("Counts were compared by twice their square roots; estimates and margins are on that scale.")
    if left_over > 0:
        said.append(
            f"{left_over} degrees of freedom are not used by a named effect; fit_factors can judge the main effects by them."
        )
    if not told and castings.BATCH in data and data[castings.BATCH].nunique() < len(data):
        said.append(
            "Several castings share a batch, which was not allowed for: what was set per batch may look surer than it is. "
            f"Give batch={castings.BATCH!r} to judge it on batches."
        )
    return said


def _verdict(table: pd.DataFrame, strata: pd.DataFrame, response: str, kind: str, size: str) -> str:
    parts = [f"{size}, {len(table)} effects on {labels.name(response)}, none repeated."]
    for stratum in strata.itertuples():
        mine = table[table["judged_on"] == stratum.judged_on]
        told = _told(mine, float(stratum.margin), "" if kind == "count" else labels.unit(response))
        if len(strata) > 1:
            told[0] = f"{_LEADS[str(stratum.judged_on)]}: {told[0][:1].lower()}{told[0][1:]}"
        parts += told
    if (table["strength"] != "not shown").any():
        parts.append("Repeat the settings that stand out, each from its own batch, before settling on them.")
    return " ".join(parts)


def _told(table: pd.DataFrame, margin: float, unit: str) -> list[str]:
    """What stands out among effects that are judged on each other."""
    if np.isnan(margin):
        number = words.count(len(table), "effect")
        return [
            f"{number} ({words.listing([_named(e) for e in table['effect']])}), too few to judge any by the others."
        ]

    def told(row: object) -> str:
        size = f"{words.signed(row.estimate, margin)} {unit}".strip()  # type: ignore[attr-defined]
        contrast = "" if row.contrast == "interaction" else f" {row.contrast}"  # type: ignore[attr-defined]
        near = row.aliases and row.aliases.partition(",")[0].count(" x ") < 3  # type: ignore[attr-defined]
        alias = f" (or {row.aliases}, which the plan cannot tell from it)" if near else ""  # type: ignore[attr-defined]
        return f"{_named(row.effect)}{contrast} {size}{alias}"  # type: ignore[attr-defined]

    parts = []
    for strength, lead in (
        ("clear", "Stand out clearly, all effects counted: "),
        ("likely", "Stand out, though by chance one of so many might: "),
    ):
        rows = [told(row) for row in table[table["strength"] == strength].itertuples()]
        if rows:
            parts.append(lead + "; ".join(rows) + ".")
    if not parts:
        parts.append("No effect stands out of the scatter of the others.")
    size = f"{words.rounded(margin, margin)} {unit}".strip()
    return [*parts, f"Effects below about {size} (the margin of error) are not shown."]


def _named(effect: str) -> str:
    return " x ".join(map(labels.name, effect.split(" x ")))
