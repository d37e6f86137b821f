"""Which factors make the difference: `fit_factors` and its result."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import confounding, effects, randomisation, verdicts, words
from castlab.analysis import planned as plans
from castlab.analysis import zeros as zero_counts
from castlab.analysis.models import imperfect, permutation
from castlab.analysis.models.chosen import Chosen
from castlab.analysis.reading import castings as rows_of
from castlab.analysis.reading import coding, kinds, recorded
from castlab.errors import FitError, InputError
from castlab.records import grades
from castlab.results import Result

if TYPE_CHECKING:
    from castlab.analysis.checking.checks import Checks

FEW_CASTINGS = 8
FEW_BATCHES = 6
"""Below these numbers a caution says how little they carry (rules of thumb, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class FactorFit(Result):
    """Effects of factors on one response.

    `effects` has one row per contrast: factor, contrast, estimate, low, high (95% interval), p_value, p_adjusted (Holm over
    the factors), ratio (True: estimate is a ratio, 1 means no difference; False: a difference, 0 means none) and strength
    ("clear", "likely", "not shown"; see `castlab.analysis.effects.STRENGTHS`) and look ("planned" or "exploring").
    `planned` are the factors named before the castings were made, None where no plan is known. `scale` names it: "ratio" (counts),
    "odds ratio" (grades, pass) or "difference" (measures). `tests` has one overall test per factor, with
    a strength and look of its own. `data` are the castings used, with the columns `response`, `factors` and `batch`.
    """

    effects: pd.DataFrame
    tests: pd.DataFrame
    kind: str
    scale: str
    method: str
    n: int
    n_batches: int
    rows_left_out: int
    missing: dict[str, int]
    dropped: dict[str, str]
    response: str
    factors: tuple[str, ...]
    batch: str | None
    exposure: str | None
    planned: tuple[str, ...] | None = None
    any_at_all: FactorFit | None = None
    """With zeros='separate': the fit of the chance of any at all, beside this one of the number where there are any."""
    data: pd.DataFrame = field(repr=False)
    _chosen: Chosen = field(repr=False)
    _design: coding.Design = field(repr=False)
    _castings: rows_of.Castings = field(repr=False)

    def tables(self) -> dict[str, pd.DataFrame]:
        unplanned = [] if self.planned is not None else ["look"]
        told = words.table(self.effects.drop(columns=["ratio", *unplanned]), ratios=self.scale != "difference")
        own = {"Effects": told, "Tests": words.table(self.tests.drop(columns=["strength", *unplanned]), ratios=False)}
        if self.any_at_all is None:
            return own
        chance = {f"Chance of any: {title.lower()}": table for title, table in self.any_at_all.tables().items()}
        return chance | {f"Number where there are any: {title.lower()}": table for title, table in own.items()}

    def expected(self, settings: Mapping[str, Any] | pd.DataFrame) -> pd.DataFrame:
        """The expected response, the mean over many castings, at given settings, with its 95% interval.

        Parameters
        ----------
        settings : mapping or DataFrame
            Factor name -> one value or a list of values (lists of one length go together), or one row per setting.
            Factors left out are held at their mean or reference level, an exposure at its mean; `.attrs["held"]` says so.

        Returns
        -------
        DataFrame
            The factors, then expected, low, high (unit of the response; a share for pass; a mean grade for grades;
            counts per mean exposure) and extrapolates (True outside the settings tried).

        Raises
        ------
        InputError
            For an unknown factor, a level never tried, or a value that is not a number.
        """
        factors = {t.name: t.parts[0] for t in self._design.terms if len(t.parts) == 1}
        rows, held = _settings(settings, factors)
        expected, low, high = self._chosen.expected(self._design.row_block(rows))
        outside = np.zeros(len(rows), dtype=bool)
        for f in factors.values():
            if f.numeric:
                values = rows[f.name].to_numpy(dtype=float)
                outside |= (values < f.levels[0] - 1e-9) | (values > f.levels[1] + 1e-9)
        table = rows.assign(expected=expected, low=low, high=high, extrapolates=outside)
        if self.exposure is not None:
            mean = f"{words.number(float(kinds.numbers(self.data[self.exposure]).mean()))} {labels.unit(self.exposure)}"
            held = f"Counts are for the mean {labels.name(self.exposure)}, {mean.strip()}. {held}".strip()
        table.attrs["held"] = held
        return table

    def randomisation(self, blocks: str | None = None, shuffles: int = permutation.SAMPLES) -> pd.DataFrame:
        """The cross-check that needs no model: how often settings drawn by lot anew give so large an effect.

        Settings are shuffled as they were set: whole batches for what was set per batch, within batches for what was set
        per casting (on the larger of the two for what changed both ways), all other factors in place.

        Parameters
        ----------
        blocks : str, optional
            Column of the molds, or other blocks, if the plan drew the settings by lot within each. Where batch and mold
            together leave nothing to shuffle, differences between molds are taken out instead.
        shuffles : int
            Shuffles where there are too many arrangements to go through all of them, 99 or more.

        Returns
        -------
        DataFrame
            factor, p_model, p_randomisation, smallest_possible (the least p-value that these castings could give),
            arrangements, agree (None where the least p-value is above 0.05, so that nothing can be said) and words.

        Raises
        ------
        InputError
            For an unknown column of blocks, or too few shuffles.

        Source: Draper and Stoneman, Technometrics 8, 1966, 695-699 (see `castlab.analysis.models.permutation`).

        Examples
        --------
        >>> import pandas as pd
        >>> made = pd.DataFrame({"bubbles": [9, 12, 8, 11, 3, 5, 2, 4], "pour": ["stream"] * 4 + ["ladle"] * 4})
        >>> fit_factors(made, "bubbles", ["pour"], kind="count").randomisation()["arrangements"].to_list()
        [70]
        """
        return randomisation.of_settings(self._castings, self._design, self.tests, blocks, shuffles)

    def checks(self) -> Checks:
        """How far to trust this fit: residuals, influence, drift, molds, batches and more, each in a plain sentence.

        Columns of the frame that were no factors are used where they are there: trial_id names the castings, mold_id or
        mold the molds, poured_at or mixed_at the order in which they were made.

        Returns
        -------
        Checks
            `.table` (check, finding, sentence, number), `.castings` (residuals and influence, one row each), `.carried`
            (effects that rest on one casting or batch), `.figure()`.

        Examples
        --------
        >>> import pandas as pd
        >>> made = pd.DataFrame({"bubbles": [9, 12, 8, 11, 3, 5, 2, 4], "pour": ["stream"] * 4 + ["ladle"] * 4})
        >>> fit_factors(made, "bubbles", ["pour"], kind="count").checks().table.loc[0, "finding"]
        'fine'
        """
        from castlab.analysis.checking.checks import look

        return look(self)


def fit_factors(
    frame: pd.DataFrame,
    response: str,
    factors: str | Sequence[str],
    kind: str | None = None,
    batch: str | bool | None = None,
    exposure: str | None = None,
    interactions: int | Sequence[tuple[str, str]] = 0,
    *,
    at_least: str | None = None,
    at_most: str | None = None,
    missed: float | str | tuple[float, float] | None = None,
    false_finds: float | str = 0.0,
    within: tuple[str, str] | None = None,
    scores: pd.DataFrame | None = None,
    zeros: str | None = None,
    planned: bool | str | Sequence[str] | None = None,
) -> FactorFit:
    """Which of these factors make a difference to the response, how much, and how sure that is.

    Parameters
    ----------
    frame : DataFrame
        One row per casting; the logbook's frame or any tidy table.
    response : str
        The column to explain.
    factors : str or sequence of str
        Columns of settings: numbers (one straight-line effect), text levels or yes/no.
    kind : {"count", "measure", "grade", "pass"}, optional
        What the response is; None infers it and says so in the cautions.
    batch : str, optional
        Column of the mixed cup: castings that share it are not treated as independent. None uses the logbook's
        `batch_id`, or `batch`, where it is present; False treats all castings as independent.
    exposure : str, optional
        For counts, a column of inspected area or the like, above 0: effects are on the count per unit of it.
    interactions : int or sequence of pairs
        0: main effects only. 2: all two-factor interactions. Or a list of pairs of factor names. With interactions the
        main effects are averages over the levels of the other factor.
    at_least, at_most : str, optional
        Yes/no column: the response is only known to be at least (counting stopped), or at most (detection limit), the
        number given. Text such as ">50", "50+" or "<0.5" is understood without it, and so is a column named after the
        response with `_stopped` (the logbook's `bubbles_stopped`).
    missed : float, str or (missed, out of), optional
        The response is an automatic count that misses this share of the bubbles: a number known exactly, a column, or the
        outcome of a check, (6, 40) for 6 of 40 known bubbles missed, whose uncertainty then goes in.
    false_finds : float or str
        With `missed`: mean number of false finds per casting, or a column of them.
    within : (str, str), optional
        Columns with the 95% interval of the true count around an automatic one; `auto_low` and `auto_high` are used by
        themselves for the logbook's `auto_bubbles`.
    scores : DataFrame, optional
        The single readings, one row per score with `trial_id`, `scorer` and the response (`Logbook.scores()`): the bias
        of each scorer and the noise of a reading go into the intervals instead of being averaged away.
    zeros : {"separate"}, optional
        For counts of which some castings have none for a reason of its own: the fit is then of the number where there
        are any, and its `any_at_all` is the fit of the chance of any.
    planned : bool, str or sequence of str, optional
        Factors that were named, for this response, before the castings were made (True for all of them): they are
        adjusted among themselves, and all others are told as hints found by exploring. None where no plan is known.

    Returns
    -------
    FactorFit
        `.effects`, `.tests`, `.verdict`, `.cautions`, `.expected(settings)`.

    Raises
    ------
    InputError
        For unknown columns or values that do not fit the kind.
    FitError
        If nothing can be said; the message says why and what is needed.

    Notes
    -----
    The methods, with their sources, are in `castlab.analysis.models.choose`; for responses not known exactly in
    `castlab.analysis.models.imperfect`. Holm: Scandinavian Journal of Statistics 6, 1979.

    Examples
    --------
    >>> import pandas as pd
    >>> made = pd.DataFrame({"bubbles": [9, 12, 8, 11, 3, 5, 2, 4], "pour": ["stream"] * 4 + ["ladle"] * 4})
    >>> fit = fit_factors(made, "bubbles", ["pour"], kind="count")
    >>> fit.effects.loc[0, "contrast"], round(float(fit.effects.loc[0, "estimate"]), 2)
    ('stream instead of ladle', 2.86)
    """
    if zeros is not None:
        if zeros != "separate":
            raise InputError(f"zeros is {zeros!r}; accepted: 'separate', or None")
        told = {
            "factors": factors, "kind": kind, "batch": batch, "exposure": exposure, "interactions": interactions,
            "at_least": at_least, "at_most": at_most, "missed": missed, "false_finds": false_finds,
            "within": within, "scores": scores, "planned": planned,
        }  # fmt: skip
        return zero_counts.separate(fit_factors, frame, response, told)
    recording = recorded.Recording(at_least, at_most, missed, false_finds, within, scores)
    used = rows_of.gather(frame, response, factors, kind, batch, exposure, recording)
    asked = (*used.factors, *used.blank)
    pairs = coding.read_interactions(interactions, asked)
    coded = [coding.read_factor(used.data[name]) for name in used.factors]
    kept, dropped = confounding.separable(used.data, coded, used.codes)
    dropped |= dict.fromkeys(used.blank, f"{words.never_recorded(used.blank)}; these castings say nothing about that.")
    if not kept:
        raise FitError("none of the factors can be judged. " + " ".join(dict.fromkeys(dropped.values())))
    names = {f.name for f in kept}
    design = coding.build(used.data, kept, [(a, b) for a, b in pairs if a in names and b in names])
    design, lost = _drop_aliased_interactions(design, used.data)
    dropped |= lost
    try:
        chosen = imperfect.fit(used, design)
    except FitError as exc:
        raise FitError(f"{exc}{_screen_instead(used, design)}") from None
    plan = plans.read_planned(planned, asked)
    own = plans.planned_terms(plan, [t.name for t in design.terms], all_planned=planned is True)
    effect_table, test_table = effects.tables(chosen, design, used.codes, own)

    cautions = [*used.cautions, *dropped.values(), *chosen.cautions, *_about_design(used, design, kept, pairs)]
    cautions += zero_counts.caution(used, design, chosen)
    if response.endswith("_grade"):
        cautions += [said for said in (grades.mixed(frame, response), grades.outside(used.data[response])) if said]
    cautions += randomisation.cautions(used, design, test_table)
    verdict = [verdicts.opening(used.size(), response, used.kind, len(kept), exposure)]
    verdict += plans.told(effect_table, test_table, chosen.scale, response, used.kind, plan)
    verdict += randomisation.at_most(used, design, test_table)
    verdict += [_plainly(why, asked) for why in dict.fromkeys(dropped.values())]
    return FactorFit(
        verdict=" ".join(verdict), cautions=tuple(dict.fromkeys(cautions)), effects=effect_table, tests=test_table,
        kind=used.kind, scale=chosen.scale, method=chosen.method, n=used.n, n_batches=used.n_batches,
        rows_left_out=used.left_out, missing=used.missing, dropped=dropped, response=response,
        factors=tuple(f.name for f in kept), batch=used.batch, exposure=exposure, planned=plan, data=used.data,
        _chosen=chosen, _design=design, _castings=used,
    )  # fmt: skip


def _plainly(text: str, columns: Sequence[str]) -> str:
    """Sentences with the names of columns put into plain words."""
    for name in sorted(columns, key=len, reverse=True):
        text = re.sub(rf"\b{re.escape(name)}\b", labels.name(name), text)
    return ". ".join(words.sentence(part) for part in text.split(". "))


def _screen_instead(used: rows_of.Castings, design: coding.Design) -> str:
    """What to use where a two-level plan has no degrees of freedom left."""
    factors = [t.parts[0] for t in design.terms if len(t.parts) == 1]
    two = all(len(np.unique(used.data[f.name].astype(str))) == 2 for f in factors)
    if used.n > design.X.shape[1] or not two or used.n < 8 or used.kind not in ("count", "measure"):
        return ""
    return "; for a two-level plan cast once, screen_effects(frame, response, factors) shows what stands out"


def _drop_aliased_interactions(design: coding.Design, data: pd.DataFrame) -> tuple[coding.Design, dict[str, str]]:
    dropped: dict[str, str] = {}
    held = np.ones((len(data), 1))
    for term in design.terms:
        wider = np.hstack([held, design.X[:, list(term.cols)]])
        if np.linalg.matrix_rank(wider) < wider.shape[1]:
            dropped[term.name] = (
                f"The interaction {term.name} cannot be told from the other effects in these castings; it was left out."
            )
        else:
            held = wider
    return (coding.without(design, data, list(dropped)) if dropped else design), dropped


def _about_design(
    used: rows_of.Castings, design: coding.Design, kept: Sequence[coding.Factor], pairs: Sequence[Any]
) -> list[str]:
    """What the way the castings were made puts into the cautions."""
    groups = confounding.groups_of(used.around, used.factors)
    found = confounding.find_pairs(used.data, kept, used.codes, used.batch, groups)
    cautions, per_batch = [], []
    for row in found.itertuples():
        if row.other == used.batch and row.share >= confounding.ALWAYS:
            per_batch.append(labels.name(row.one))
        elif row.words.startswith("changed"):
            cautions.append(words.sentence(f"{labels.name(row.one)} {row.words}."))
        elif confounding.FOLLOWS in row.words:
            said = confounding.following(row.words, labels.names(row.other))
            cautions.append(words.sentence(f"{labels.name(row.one)} {said}."))
        elif row.share >= confounding.NEARLY:
            cautions.append(words.sentence(f"{labels.name(row.one)} and {labels.name(row.other)} {row.words}."))
    if per_batch:
        cautions.append(
            f"Set per batch, so judged on {used.n_batches} batches, not on {used.n} castings: {words.listing(per_batch)}."
        )
        cautions += randomisation.few_batches(used, design, FEW_BATCHES)
    if used.n < FEW_CASTINGS:
        cautions.append(
            f"With only {words.count(used.n, 'casting')} the intervals rest on the model more than on the data: take a clear "
            "effect for a hint until further castings confirm it."
        )
    for f in kept:
        if not f.numeric:
            counts = used.data[f.name].astype(str).value_counts()
            rare = [labels.level(level) for level, number in counts.items() if number == 1]
            if rare:
                cautions.append(
                    words.sentence(labels.name(f.name))
                    + f": {words.listing(rare)} {'was' if len(rare) == 1 else 'were'} cast only once."
                )
    if pairs:
        cautions.append(
            "With interactions in the model, the effect of a factor is its average over the levels of the others."
        )
    return cautions


def _settings(
    settings: Mapping[str, Any] | pd.DataFrame, factors: dict[str, coding.Factor]
) -> tuple[pd.DataFrame, str]:
    if not isinstance(settings, (Mapping, pd.DataFrame)):
        raise InputError(f"settings are {settings!r}; accepted: {{factor: value}} or a DataFrame")
    given = settings if isinstance(settings, pd.DataFrame) else dict(settings)
    unknown = [str(name) for name in given if name not in factors]
    if unknown:
        raise InputError(
            f"settings name {unknown[0]!r}, which is not a factor of this fit; its factors: {', '.join(factors)}"
        )
    if isinstance(given, pd.DataFrame):
        rows = given.reset_index(drop=True).copy()
    else:
        lists = {n: list(v) if isinstance(v, (list, tuple, np.ndarray, pd.Series)) else [v] for n, v in given.items()}
        lengths = {len(v) for v in lists.values() if len(v) != 1} or {1}
        if len(lengths) > 1:
            raise InputError(
                f"the lists of settings have {words.listing([str(k) for k in sorted(lengths)])} values; accepted: lists of one length"
            )
        many = lengths.pop()
        rows = pd.DataFrame({n: v * many if len(v) == 1 else v for n, v in lists.items()}, index=range(many))
    if rows.isna().any(axis=None):
        raise InputError(
            "the settings hold a missing value; leave a factor out to hold it at its mean or reference level"
        )
    held = {n: f.held for n, f in factors.items() if n not in rows.columns}
    for name, value in held.items():
        rows[name] = value
    told = [
        f"{labels.name(n)} at {f'{words.number(v)} {labels.unit(n)}'.strip() if factors[n].numeric else labels.level(v)}"
        for n, v in held.items()
    ]
    return rows[list(factors)], f"Held at the mean or reference: {words.listing(told)}." if told else ""
