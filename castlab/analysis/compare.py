"""Two or more recipes or runs compared on one response: `compare_runs` and its result."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import effects, randomisation, verdicts, words
from castlab.analysis.fit import FactorFit, fit_factors
from castlab.analysis.needed import Needed, more_needed
from castlab.analysis.reading import castings as rows_of
from castlab.analysis.reading import kinds
from castlab.analysis.recommending import goals
from castlab.errors import InputError
from castlab.results import Result

TOST_LEVEL = 0.90
"""Two one-sided 5% tests of equivalence (Schuirmann, J Pharmacokinet Biopharm 15, 1987, 657-680) are a 90% interval."""


OPEN = ("too few to tell", "no worse")
"""Judgements that further castings may settle."""

_JUDGED = {
    "better": "So {2} {0} came out better than {1}.",
    "worse": "So {2} {0} came out worse than {1}.",
    "no worse": "So {2} {0} is no worse than {1}; whether it is better is open.",
    "equivalent": "Choose between {2} {0} and {1} by cost or ease.",
    "too few to tell": "Too few castings to tell whether {2} {0} is better or worse than {1}.",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison(Result):
    """One group against the reference group.

    `estimate`, `low`, `high` (95% interval) and `p_value` are for the first other group against `reference`; with more
    than two groups `pairs` has one row per group (group, contrast, estimate, low, high, p_value, p_adjusted by Holm,
    strength) and `overall_p` is the test that any group differs. `scale` is "difference", "ratio" or "odds ratio".
    `conclusion` is set when an equivalence margin was given: "equivalent", "more", "less", "no more", "no less" or
    "too few to tell".

    Where it is known which way is better, `judgement` is "better", "worse", "no worse" or "equivalent" (both within a margin,
    judged by the 90% interval) or "too few to tell". `needed` says for each pair how many castings more of its two groups
    would settle it with 80% power: to show equality or no worse within the margin, else to show a difference as large as
    the one seen; None where no scatter is left to plan by. `more_needed` is that of the first pair.
    """

    estimate: float
    low: float
    high: float
    p_value: float
    scale: str
    reference: str
    pairs: pd.DataFrame
    overall_p: float
    groups: pd.DataFrame
    conclusion: str | None = None
    equivalence: float | None = None
    better: str | None = None
    judgement: str | None = None
    needed: tuple[Needed | None, ...] = ()
    fit: FactorFit = field(repr=False)

    @property
    def more_needed(self) -> Needed | None:
        """What more it takes to show a difference of the size asked for; None where nothing was asked for."""
        return self.needed[0] if self.needed else None

    def tables(self) -> dict[str, pd.DataFrame]:
        pairs = words.table(self.pairs, ratios=self.scale != "difference")
        made = {"Against the reference": pairs, "Groups": words.table(self.groups, ratios=False)}
        rows = [
            (
                f"{group} against {self.reference}",
                more.purpose,
                *(f"{v:.0f}" if np.isfinite(v) else "–" for v in (more.castings, more.batches, more.low, more.high)),
            )
            for group, more, unsettled in zip(self.pairs["group"], self.needed, _unsettled(self.pairs), strict=True)
            if more is not None and unsettled
        ]
        if rows:
            names = ["pair", "to", "castings more", "batches more", "castings at least", "castings at most"]
            made["To settle it (80% power)"] = pd.DataFrame(rows, columns=names)
        return made


def _unsettled(pairs: pd.DataFrame) -> list[bool]:
    """Whether each pair is still open: its judgement, or where none is known whether a difference is shown."""
    if "judgement" in pairs:
        return list(pairs["judgement"].isin(OPEN))
    return list(pairs["strength"].eq("not shown"))


def compare_runs(
    frame: pd.DataFrame,
    response: str,
    group: str,
    kind: str | None = None,
    batch: str | bool | None = None,
    equivalence: float | None = None,
    exposure: str | None = None,
    better: str | None = None,
    *,
    at_least: str | None = None,
    at_most: str | None = None,
    missed: float | str | tuple[float, float] | None = None,
    false_finds: float | str = 0.0,
    within: tuple[str, str] | None = None,
    scores: pd.DataFrame | None = None,
) -> Comparison:
    """Compare groups of castings (two recipes, two pumps, before and after) on one response.

    Parameters
    ----------
    frame : DataFrame
        One row per casting.
    response : str
        The column to compare.
    group : str
        The column that names the group. The reference is the first level of a category, "no" of yes/no, else the group
        with the most castings.
    kind, batch, exposure
        As in `fit_factors`.
    equivalence : float, optional
        The margin within which groups count as equal: for a difference, in the unit of the response (above 0); for a
        ratio or odds ratio, a factor above 1 (1.25 means 0.8 to 1.25 times).
    better : {"fewer", "more"}, optional
        Which way is better; None where it is known (bubbles and haze fewer, grades and passed more) or does not matter.
    at_least, at_most, missed, false_finds, within, scores
        How the response was recorded, as in `fit_factors`.

    Returns
    -------
    Comparison
        `.estimate`, `.low`, `.high`, `.p_value`, `.scale`, `.verdict`, `.judgement`, `.more_needed`; with a margin also
        `.conclusion`.

    Raises
    ------
    InputError
        For unknown columns, a group with one level, or an unusable margin.
    FitError
        If nothing can be said.

    Examples
    --------
    >>> import pandas as pd
    >>> made = pd.DataFrame({"haze_pct": [4.1, 3.8, 4.4, 4.0, 2.9, 3.1, 2.7, 3.3], "recipe": ["old"] * 4 + ["new"] * 4})
    >>> result = compare_runs(made, "haze_pct", "recipe")
    >>> result.scale, round(result.estimate, 3), result.reference
    ('difference', 1.075, 'new')
    """
    rows_of.check_frame(frame, [group])
    levels = kinds.plain(frame[group], "a group").dropna().unique()
    if len(levels) < 2:
        only = f"is {labels.level(levels[0])} in every casting" if len(levels) else "is not recorded for any casting"
        raise InputError(
            f"{group} {only}, so there is nothing to compare; accepted: a column with at least two groups, or castings made "
            "another way"
        )
    if pd.api.types.is_numeric_dtype(frame[group].dtype) and not pd.api.types.is_bool_dtype(frame[group].dtype):
        known = np.sort(levels.astype(float))
        named = dict(zip(known, labels.levels(known), strict=True))
        frame = frame.assign(**{group: pd.Categorical(frame[group].astype(float).map(named), list(named.values()))})
    fit = fit_factors(
        frame, response, [group], kind=kind, batch=batch, exposure=exposure, at_least=at_least, at_most=at_most,
        missed=missed, false_finds=false_finds, within=within, scores=scores,
    )  # fmt: skip
    margin = _margin(equivalence, fit.scale)
    way = _better(better, response)
    term = fit._design.terms[0]
    names = [labels.level(v) for v in term.parts[0].levels]
    pairs = fit.effects.drop(columns=["factor", "ratio", "look"]).copy()
    pairs.insert(0, "group", names[1:])
    conclusion = None
    sizes = words.listing(
        [f"{n} at {term.parts[0].measured(g)}" if g[:1].isdigit() else f"{n} {g}" for g, n in _sizes(fit, group)]
    )
    per = f" {labels.per(exposure)}" if exposure else ""
    verdict = [f"{words.sentence(labels.name(response))}{per}: {words.size(fit.n, fit.n_batches)}, {sizes}."]
    if margin is not None:
        pairs["conclusion"] = [_conclude(*fit._chosen.model.interval(j, TOST_LEVEL), margin) for j in term.cols]
        conclusion = str(pairs["conclusion"].iloc[0])
    if way is not None:
        inner = [fit._chosen.model.interval(j, TOST_LEVEL) for j in term.cols]
        outer = [fit._chosen.model.interval(j) for j in term.cols]
        pairs["judgement"] = [_judge(*a, *b, margin, way) for a, b in zip(inner, outer, strict=True)]
    rows = pairs.to_dict("records")
    verdict += [_sentence(row, fit, group, equivalence, names[0]) for row in rows]
    verdict += randomisation.at_most(fit._castings, fit._design, fit.tests)
    judgement = None if way is None else str(pairs["judgement"].iloc[0])
    needed = tuple(_needed(fit, at, margin, way) for at in range(len(pairs)))
    unsettled = {
        group: more
        for group, more, still in zip(pairs["group"], needed, _unsettled(pairs), strict=True)
        if more is not None and still
    }
    if unsettled:
        verdict.append(_more(unsettled, names[0], len(pairs), fit, equivalence))
    overall = float(fit.tests["p_value"].iloc[0])
    if len(pairs) > 1:
        verdict.append(f"That any of the {len(names)} groups differs: {words.p_value(overall)}.")
    first = pairs.iloc[0]
    return Comparison(
        verdict=" ".join(verdict), cautions=fit.cautions, estimate=float(first["estimate"]), low=float(first["low"]),
        high=float(first["high"]), p_value=float(first["p_value"]), scale=fit.scale, reference=names[0], pairs=pairs,
        overall_p=overall, groups=_groups(fit, group), conclusion=conclusion, equivalence=equivalence,
        better=way, judgement=judgement, needed=needed, fit=fit,
    )  # fmt: skip


def _margin(equivalence: float | None, scale: str) -> float | None:
    """The margin on the scale of the coefficients."""
    if equivalence is None:
        return None
    try:
        value = float(equivalence)
    except (TypeError, ValueError):
        raise InputError(f"equivalence is {equivalence!r}; accepted: a number") from None
    if scale == "difference":
        if not value > 0 or not np.isfinite(value):
            raise InputError(
                f"equivalence is {equivalence!r}; accepted: a difference above 0 in the unit of the response"
            )
        return value
    if not value > 1 or not np.isfinite(value):
        raise InputError(
            f"equivalence is {equivalence!r}; accepted for a {scale}: a factor above 1 (1.25 means 0.8 to 1.25 times)"
        )
    return float(np.log(value))


def _conclude(low: float, high: float, margin: float) -> str:
    if -margin < low and high < margin:
        return "equivalent"
    if low > margin:
        return "more"
    if high < -margin:
        return "less"
    if low > -margin:
        return "no less"
    if high < margin:
        return "no more"
    return "too few to tell"


def _better(better: str | None, response: str) -> str | None:
    if better not in (None, "fewer", "more"):
        raise InputError(f'better is {better!r}; accepted: "fewer", "more", or None')
    return better or goals.known_aim(response)


def _judge(inner_low: float, inner_high: float, low: float, high: float, margin: float | None, better: str) -> str:
    """What the 90% and the 95% interval say, where it is known which way is better."""
    if better == "fewer":
        inner_low, inner_high, low, high = -inner_high, -inner_low, -high, -low
    if margin is not None and -margin < inner_low and inner_high < margin:
        return "equivalent"
    if low > 0:
        return "better"
    if high < 0:
        return "worse"
    return "no worse" if margin is not None and inner_low > -margin else "too few to tell"


def _needed(fit: FactorFit, at: int, margin: float | None, way: str | None) -> Needed | None:
    """For one of the other groups; None where the fit leaves no scatter to plan by."""
    term = fit._design.terms[0]
    levels = term.parts[0].levels
    difference = float(fit._chosen.model.coef[term.cols[at]])
    if margin is None and not np.isfinite(difference):
        return None
    return more_needed(fit, (levels[0], levels[at + 1]), difference, margin, one_sided=way is not None)


def _more(unsettled: dict[str, Needed], reference: str, pairs: int, fit: FactorFit, equivalence: float | None) -> str:
    """How many castings more would settle each of these groups against the reference."""
    purpose = next(iter(unsettled.values())).purpose
    one = pairs == 1
    if purpose == "show a difference":
        aim = "to show a difference as large as this one, if it is real" if one else (
            "to show a difference as large as the one seen, if it is real"
        )  # fmt: skip
    else:
        what = "is no worse" if purpose == "show no worse" else "is equal"
        it = "it" if one else "a group"
        aim = f"to show that {it} {what} within the margin of {_margin_words(equivalence or 0, fit)}, if they are equal"
    if one:
        return f"{words.sentence(next(iter(unsettled.values())).said())} would be enough in 4 of 5 tries {aim}."
    against = fit._design.terms[0].parts[0].measured(reference)
    each = "; ".join(f"{group} against {against} {more.said()}" for group, more in unsettled.items())
    return f"Enough in 4 of 5 tries {aim}, each pair taken by itself: {each}."


def _sentence(row: dict[str, object], fit: FactorFit, group: str, equivalence: float | None, reference: str) -> str:
    subject = verdicts.subject(group, str(row["contrast"]))
    size = verdicts.size(row["estimate"], row["low"], row["high"], fit.scale, fit.response, fit.kind)  # type: ignore[arg-type]
    text = words.sentence(f"{subject}: {size} ({words.p_value(float(row['p_value']))})")  # type: ignore[arg-type]
    if row["strength"] == "not shown":
        own = float(row["p_value"]) < effects.CLEAR  # type: ignore[arg-type]
        text += (
            "; on its own a difference, which the groups together do not bear out"
            if own
            else "; a difference is not shown"
        )
    judged = ""
    if "judgement" in row:
        against = fit._design.terms[0].parts[0].measured(reference)
        judged = _JUDGED[str(row["judgement"])].format(row["group"], against, labels.name(group))
        if row["strength"] != "clear" and row["judgement"] in ("better", "worse"):
            few = float(row["p_adjusted"]) < effects.CLEAR  # type: ignore[arg-type]
            doubt = (
                "though so few castings cannot make sure of it"
                if few
                else "though not surely after looking at several groups"
            )
            judged = f"{judged.removesuffix('.')}, {doubt}."
    if equivalence is None:
        return f"{text}. {judged}".strip() if judged else text + "."
    margin = _margin_words(equivalence, fit)
    told = {
        "equivalent": f"Equivalent within {margin}",
        "more": f"More, by over the margin of {margin}",
        "less": f"Less, by over the margin of {margin}",
        "no less": f"Not lower by as much as the margin of {margin}; whether it is higher by that much is open",
        "no more": f"Not higher by as much as the margin of {margin}; whether it is lower by that much is open",
        "too few to tell": f"Too few castings to tell whether they are equal within {margin}",
    }
    return f"{text}. {told[str(row['conclusion'])]}. {judged}".strip()


def _margin_words(equivalence: float, fit: FactorFit) -> str:
    if fit.scale == "difference":
        return f"{equivalence:g} {labels.unit(fit.response)}".strip()
    return f"{1 / equivalence:.3g} to {equivalence:.3g} times"


def _sizes(fit: FactorFit, group: str) -> list[tuple[str, int]]:
    texts = fit.data[group].astype(str)
    return [(labels.level(v), int((texts == str(v)).sum())) for v in fit._design.terms[0].parts[0].levels]


def _groups(fit: FactorFit, group: str) -> pd.DataFrame:
    """Castings and expected response with interval of each group."""
    levels = fit._design.terms[0].parts[0].levels
    expected = fit.expected({group: list(levels)})
    return pd.DataFrame(
        {
            "group": [labels.level(v) for v in levels],
            "castings": [n for _, n in _sizes(fit, group)],
            "expected": expected["expected"],
            "low": expected["low"],
            "high": expected["high"],
        }
    )
