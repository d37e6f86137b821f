"""Counts with more zeros than counts of that mean and scatter have: the check, and the analysis in two parts.

Castings of which some simply have no bubble at all, whatever the mean of the others, are told in two answers: the chance
of any bubble, and the number where there are any (a hurdle model: Mullahy, Journal of Econometrics 33, 1986, 341-365).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import optimize, special

from castlab import labels
from castlab.analysis import effects, planned, words
from castlab.analysis.models.chosen import Chosen
from castlab.analysis.reading import coding, recorded
from castlab.analysis.reading.castings import Castings, as_names, check_frame
from castlab.analysis.reading.coding import Design
from castlab.errors import FitError, InputError

if TYPE_CHECKING:
    from castlab.analysis.fit import FactorFit

RARE = 0.01
"""Chance of so many zeros below which the caution speaks."""
FEWEST = 4
"""Zeros, and castings with any, below which nothing can be said of two parts."""


def caution(castings: Castings, design: Design, chosen: Chosen) -> list[str]:
    """Says so where there are more zeros than the count model allows, with the numbers.

    The zeros to expect are those of a negative binomial with the fitted means and the scatter that the counts show
    around them (Poisson where they show no more than that).
    """
    zeros = castings.y == 0
    if castings.kind != "count" or castings.known is not None or min(zeros.sum(), (~zeros).sum()) < FEWEST:
        return []
    chance = _chance_of_zero(castings, design, chosen.model.coef)
    expected, seen = float(chance.sum()), int(zeros.sum())
    if seen <= expected + 1:
        return []
    distribution = np.ones(1)
    for p in chance:
        distribution = np.convolve(distribution, [1 - p, p])
    if float(distribution[seen:].sum()) >= RARE:
        return []
    most = int(np.searchsorted(np.cumsum(distribution), 0.95))
    what = labels.name(castings.response)
    return [
        f"{seen} of {castings.n} castings have no {what}, where counts like these would have about {expected:.0f} (rarely more than {most}): "
        "some castings seem to be free of them for a reason of their own. zeros='separate' tells the chance of any and the "
        "number where there are any apart."
    ]


def _chance_of_zero(castings: Castings, design: Design, coef: np.ndarray) -> np.ndarray:
    """P(0) of each casting: negative binomial with the fitted means and the dispersion by moments."""
    mu = np.exp(np.minimum(castings.offset + design.X @ coef, 50))
    squares, df = (castings.y - mu) ** 2, max(castings.n - design.X.shape[1], 1)

    def excess(alpha: float) -> float:
        return float(np.sum(squares / (mu + alpha * mu**2))) - df

    if excess(0.0) <= 0:
        return np.exp(-mu)
    if excess(100.0) >= 0:
        return np.full(len(mu), 1.0)
    alpha = float(optimize.brentq(excess, 0.0, 100.0, xtol=1e-6))
    return np.exp(-special.log1p(alpha * mu) / alpha) if alpha > 1e-6 else np.exp(-mu)


def separate(fit: Callable[..., FactorFit], frame: pd.DataFrame, response: str, told: dict[str, Any]) -> FactorFit:
    """The answer in two parts: the fit of the number where there are any, carrying the chance of any as `any_at_all`.

    Each factor is looked at twice, so adjusted p-values are doubled (Bonferroni).

    Raises
    ------
    FitError
        If there are too few castings with none, or too few with any.
    InputError
        If the response is no count, or not known well enough to tell zero from more.
    """
    unsure = [name for name in ("missed", "within", "scores") if told[name] is not None]
    false_finds = told.pop("false_finds")
    if unsure or isinstance(false_finds, str) or false_finds:
        raise InputError(
            "zeros='separate' needs to know which castings have none; accepted with it: no missed, false_finds, within or scores"
        )
    found = recorded.read(check_frame(frame, [response]), response, told.pop("kind"), recorded.EXACT).response
    if found.kind != "count":
        raise InputError(f"zeros='separate' belongs to counts, but {response} is a {found.kind}; leave it out")
    what, has = labels.name(response), pd.array(found.values > 0, dtype="boolean")
    has[np.isnan(found.values)] = pd.NA
    none, some = int((found.values == 0).sum()), int((found.values > 0).sum())
    if min(none, some) < FEWEST:
        raise FitError(
            f"{words.count(none, 'casting')} without {what} and {some} with any: at least {FEWEST} of each are needed to "
            "judge them apart; leave zeros= out"
        )
    as_levels = coding.texts_among_numbers(frame, [name for name in as_names(told["factors"]) if name in frame])
    frame = frame.assign(**_references(frame, told["factors"]))
    limits = {name: told.pop(name) for name in ("at_least", "at_most")}
    exposure = told.pop("exposure")
    chance = _twice(fit(frame.assign(**{f"any_{response}": has}), f"any_{response}", kind="pass", **told))
    number = _twice(fit(frame[~(found.values == 0)], response, kind="count", exposure=exposure, **limits, **told))
    said = (
        f"Zeros apart: {none} of {none + some} castings have no {what}. The two answers are the chance of any, and the mean "
        "number among castings that have any; adjusted p-values allow for looking twice."
    )
    return replace(
        number,
        verdict=f"Chance of any {what}: {chance.verdict} Number where there are any: {number.verdict}",
        cautions=tuple(dict.fromkeys([said, *as_levels, *chance.cautions, *number.cautions])),
        any_at_all=chance,
    )


def _references(frame: pd.DataFrame, factors: str | Sequence[str]) -> dict[str, pd.Series]:
    """Factors with text levels, these in the order of the whole frame, so that both parts compare with the same one."""
    names = as_names(factors)
    read = [coding.read_factor(frame[name]) for name in names if name in frame]
    levelled = {f.name: list(f.levels) for f in read if all(isinstance(level, str) for level in f.levels)}
    return {
        name: frame[name].astype(object).map(str, na_action="ignore").astype(pd.CategoricalDtype(levels))
        for name, levels in levelled.items()
    }


def _twice(fit: FactorFit) -> FactorFit:
    """The fit with its findings adjusted for being one of two looks, and told anew."""
    tests, table = fit.tests.copy(), fit.effects.copy()
    few = effects.too_few(fit._chosen, fit._design, fit._castings.codes)
    for rows in (tests, table):
        rows["p_adjusted"] = np.minimum(1.0, 2 * rows["p_adjusted"])
        whole = rows["factor"].map(tests.set_index("factor")["p_value"])  # a level is no surer than its factor
        judged = rows.assign(p_value=np.maximum(rows["p_value"], whole))
        rows["strength"] = effects.strengths(judged, list(rows["factor"].map(few)))
    old = " ".join(planned.told(fit.effects, fit.tests, fit.scale, fit.response, fit.kind, fit.planned))
    new = " ".join(planned.told(table, tests, fit.scale, fit.response, fit.kind, fit.planned, twice=True))
    return replace(fit, effects=table, tests=tests, verdict=fit.verdict.replace(old, new))
