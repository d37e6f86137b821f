"""What a choice of model hands back, and what the choices for every kind share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from castlab import labels
from castlab.analysis import words
from castlab.analysis.models import likelihood, linear, many
from castlab.analysis.models.answers import Held, Model, Wald
from castlab.analysis.reading.castings import Castings
from castlab.analysis.reading.coding import Design
from castlab.errors import FitError


def how_held(kind: str) -> str:
    """How the effects of this kind are tested by `held`, in words."""
    known = many.ASSURED[kind]
    share = f", {words.share(known)} of the scatter of castings taken from the model" if known else ""
    return f"each effect tested against the others fitted without it{share}"


@dataclass(frozen=True)
class Chosen:
    """A fitted model, how it was fitted, and how its line becomes an expected response."""

    model: Model
    method: str
    scale: str
    """ "ratio", "odds ratio" or "difference"."""
    mean: Callable[[np.ndarray], np.ndarray]
    cautions: list[str] = field(default_factory=list)
    too_few: bool = False
    """True where the castings are too few for any effect to be called clear."""
    bounded: bool = False
    """True where a response has an end at which castings are all alike (pass and fail, grades, no count at all), so that
    batches may be told apart completely while their scatter is not seen."""
    luck: Callable[[np.ndarray], tuple[np.ndarray, float]] | None = None
    """By how much the line at some rows, and the limits of all lines, are raised for the mean of counts; see `count_fit`."""

    def expected(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The expected response at these rows of the design, and its 95% limits."""
        line, low, high = self.model.line(rows)
        raised, ends = (0.0, 0.0) if self.luck is None else self.luck(rows)
        return self.mean(line + raised), self.mean(low + ends), self.mean(high + ends)


def held(castings: Castings, design: Design, reduced: np.ndarray | None = None) -> Held:
    """The model whose tests hold the effect at the value tested; `reduced` are coefficients to start from and to report
    where the likelihood has no finite ones.

    Raises
    ------
    FitError
        If it does not converge or nothing is left to judge the effects by.
    """
    split = None if castings.codes is None else linear.strata(design.X, castings.codes)
    if split is not None and split.df_between <= 0:
        raise FitError(linear.NO_BATCHES_LEFT)
    kind = "pass" if len(castings.grades) == 2 else castings.kind
    response = many.Response(kind, design.X, castings.y[None, :], split, castings.offset)
    one = np.zeros(1, dtype=int)
    found = response.free(one) if reduced is None else response.around(one, reduced[None, :])
    if not found.ok[0]:
        raise FitError(linear.NO_SCATTER)
    return Held(Wald(found.one()), response)


def must_converge(best: likelihood.Maximum) -> None:
    """Raises `FitError` for a likelihood whose greatest value was not found: nothing is reported of it."""
    if not best.converged:
        raise FitError("the pass/fail results could not be fitted; use fewer factors or levels")


def together(X: np.ndarray) -> str:
    """What settings that tell the outcomes apart may do: with several effects in the model it may take some at once."""
    return ", alone or together," if X.shape[1] > 2 else ""


def contrast(design: Design, j: int) -> str:
    """Column `j` of the design matrix in words: "pour method stream instead of ladle"."""
    for term in design.terms:
        if j in term.cols:
            return f"{labels.name(term.name)} {term.contrasts[term.cols.index(j)]}"
    return "the reference settings"
