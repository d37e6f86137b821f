"""Which model answers for castings that pass or fail; see `castlab.analysis.models.choose`."""

from __future__ import annotations

from dataclasses import replace

from scipy import special

from castlab.analysis import words
from castlab.analysis.models import likelihood, many, permutation
from castlab.analysis.models.answers import Few, Profile
from castlab.analysis.models.chosen import Chosen, contrast, held, how_held, must_converge, together
from castlab.analysis.models.passes import EVENTS
from castlab.analysis.reading.castings import Castings
from castlab.analysis.reading.coding import Design

FEWEST = 8
"""Castings without batches below which a complete difference between passes, or grades, is not called clear."""
OUTCOMES = "mid-p over the outcomes that can come about"


def passed(castings: Castings, design: Design) -> Chosen:
    """The model for pass and fail: logistic, with Firth's penalty where an outcome is rare or a setting gave only one.

    Arguments and errors are those of `choose.choose`; `y` is 1 where it passed, else 0.
    """
    X, y = design.X, castings.y
    p = X.shape[1]
    rarer = min(y.sum(), len(y) - y.sum())
    plain = likelihood.Logistic(X, y, penalised=False)
    best = likelihood.maximise(plain)
    far = likelihood.ran_off(best, range(1, p))
    reduced = bool(far) or rarer < EVENTS * (p - 1)
    cautions: list[str] = []
    if far:
        names = words.listing([contrast(design, j) for j in far])
        cautions.append(
            f"Some settings{together(X)} gave only one outcome ({names}): these data set no limit to how large that effect is, "
            "and bias reduction keeps its estimate finite."
        )
    if castings.codes is not None:
        model: likelihood.Logistic = replace(plain, penalised=True)
        best = likelihood.maximise(model)
        must_converge(best)
        tested = held(castings, design, best.theta if far else None)
        method = f"logistic with batches, {how_held('pass')}"
        return _of_outcomes(
            Chosen(tested, method, "odds ratio", special.expit, cautions, bounded=True), castings, design
        )
    method = "logistic, profile likelihood"
    if reduced:
        method = "bias-reduced (Firth) logistic, profile penalised likelihood"
        plain = replace(plain, penalised=True)
        best = likelihood.maximise(plain)
        must_converge(best)
        cautions += exactly(castings, design, far)
    few = bool(far) and castings.n < FEWEST
    whole = Chosen(Profile(plain, best), method, "odds ratio", special.expit, cautions, too_few=few, bounded=True)
    return _of_outcomes(whole, castings, design)


def _of_outcomes(chosen: Chosen, castings: Castings, design: Design) -> Chosen:
    """Where castings are few, its tests and intervals read from what outcomes come about."""
    if castings.n - design.X.shape[1] >= many.FEW:
        return chosen
    method = f"{chosen.method.removesuffix(', profile penalised likelihood').removesuffix(', profile likelihood')}, {OUTCOMES}"
    return replace(chosen, model=Few(chosen.model, design.X, castings.y, castings.codes), method=method)


def exactly(castings: Castings, design: Design, far: list[int]) -> list[str]:
    """How sure a complete difference in very few castings can be at best (for two groups Fisher's exact test)."""
    if castings.n >= FEWEST:
        return []
    return [
        f"{contrast(design, j)}: a difference so complete in {words.count(castings.n, 'casting')} comes about in "
        f"{words.about(100 * permutation.randomised(design.X, castings.y, [j], None).p)}% of all ways to draw the settings by lot, "
        "so it is called likely at most."
        for j in far
    ]
