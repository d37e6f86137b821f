"""What a plan can and cannot tell, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.designs import aliasing, assess, standard
from castlab.designs.request import Asked

SHARED = {
    "batch": "the batch",
    "mold": "the mold",
    aliasing.BEFORE: "what has changed since the castings made before",
}
FEW = 3
"""Degrees of freedom from which on an interval is not chiefly ignorance of the scatter."""


def verdict(
    asked: Asked,
    runs: assess.Runs,
    kind: str,
    resolution: int | None,
    efficiency: float,
    known: pd.DataFrame,
    mixed: pd.DataFrame,
) -> str:
    """What the plan can tell and how well, in a few sentences; `known` is its precision, `mixed` its aliases."""
    n, k = asked.n_new, len(asked.space.factors)
    batches = len(np.unique(asked.batch_new)) if asked.batched else 0
    added = (
        f", added to {words.count(asked.structure.n_made, 'casting')} already made" if asked.structure.n_made else ""
    )
    parts = [f"{words.size(n, batches)} for {words.count(k, 'factor')}{added}: {kind}."]
    parts.append(_mixed(runs, kind, resolution, mixed))
    parts.append(f"D-efficiency {efficiency:.3f} (1 is the best conceivable plan with as many castings).")
    for on in ("castings", "batches"):
        rows = known[known["judged_on"] == on]
        if rows.empty:
            continue
        widest, df = float(rows["half_width"].max()), int(rows["df"].iloc[0])
        whose = "Effects" if not asked.batched else f"Effects judged on {on}"
        if np.isfinite(widest):
            parts.append(
                f"{whose} will be known to within {words.rounded(widest, 0.5)} standard deviations of single castings, or "
                f"better (95% interval, {words.count(df, 'degree')} of freedom)."
            )
        else:
            parts.append(f"{whose} will be estimated, but nothing is left over to judge them by.")
    return " ".join(parts)


def _mixed(runs: assess.Runs, kind: str, resolution: int | None, mixed: pd.DataFrame) -> str:
    """How far main effects, interactions and bends are mixed, and what molds and batches share with them."""
    of = aliasing.kinds(runs.space)
    among = mixed[mixed["alias"].isin(of)]
    worst = {
        pair: float(rows["correlation"].abs().max())
        for pair, rows in among.groupby([among["effect"].map(of), among["alias"].map(of)])
    }
    parts = []
    if kind == standard.FACTORIAL:
        parts.append(
            "Every combination stands equally often" + (": no effect is mixed with another." if not worst else ".")
        )
    if worst or kind != standard.FACTORIAL:
        start = (
            f"Resolution {assess.ROMAN.get(resolution, resolution)}: " if resolution and kind != standard.SCREEN else ""
        )
        parts.append(words.sentence(start + _factorial(of, worst)))
        parts += _bends(of, worst)
    return " ".join([*parts, *_groups(runs, mixed[~mixed["alias"].isin(of)])])


def _factorial(of: Mapping[str, str], worst: Mapping[tuple[str, str], float]) -> str:
    """How main effects and two-factor interactions are mixed, as a sentence."""
    main, crossed = aliasing.MAIN, aliasing.CROSSED
    mains, mains_crossed, crosses = (worst.get(pair) for pair in ((main, main), (main, crossed), (crossed, crossed)))
    if crossed not in of.values():
        return "there is one main effect."
    if not (mains or mains_crossed or crosses):
        return "main effects and two-factor interactions are clear of each other."
    parts = [_degree(mains, "with each other") if mains else "clear of each other"]
    if mains_crossed:
        parts.append(f"{'and' if mains else 'but'} {_degree(mains_crossed, 'with two-factor interactions')}")
    else:
        parts.append(f"and {'clear ' * bool(mains)}of two-factor interactions")
    among = f", which are {_degree(crosses, 'among themselves')}" if crosses else ""
    return f"main effects are {' '.join(parts)}{among}."


def _bends(of: Mapping[str, str], worst: Mapping[tuple[str, str], float]) -> list[str]:
    """How bends are mixed, as a sentence of its own."""
    bends = list(of.values()).count(aliasing.BEND)
    if not bends:
        return []
    start = "Bends are" if bends > 1 else "The bend is"
    found = {
        "each other" if one == aliasing.BEND else one: r for (one, other), r in worst.items() if other == aliasing.BEND
    }
    if not found:
        return [f"{start} clear of {'each other and of ' * (bends > 1)}all other effects."]
    return [f"{start} {_degree(max(found.values()), f'with {words.listing(list(found))}')}."]


def _degree(r: float, which: str) -> str:
    """ "mixed with the mold" where effects cannot be told apart, else also how far."""
    if r >= aliasing.SAME:
        return f"mixed {which}"
    return f"{aliasing.LARGELY if r >= aliasing.HALF else aliasing.PARTLY} {which} (correlation up to {aliasing.size(r):.2f})"


def _groups(runs: assess.Runs, mixed: pd.DataFrame) -> list[str]:
    """What batches, molds and the castings made before repeat of effects that are not set per batch."""
    model = {runs.space.named(t) for t in runs.space.terms}
    said = []
    for group, rows in mixed[~mixed["words"].str.startswith("set per batch")].groupby("alias", sort=False):
        same = rows["correlation"] >= aliasing.SAME
        if same.any():
            which = _named(list(rows.loc[same, "effect"]), model)
            told = "can be seen only between batches" if group == "batch" else f"cannot be told from {SHARED[group]}"
            said.append(f"{words.sentence(which)} {told}.")
        for degree in (aliasing.LARGELY, aliasing.PARTLY):
            some = rows[rows["words"] == degree]
            if len(some):
                which = words.sentence(_named(list(some["effect"]), model))
                told = _degree(some["correlation"].max(), f"with {SHARED[group]}")
                said.append(f"{which} {'is' if len(some) == 1 else 'are'} {told}.")
    return said


def _named(effects: Sequence[str], model: set[str]) -> str:
    """Effects of the plan by name and the others as a number, where they are many."""
    if len(effects) <= aliasing.NAMED:
        return words.listing([aliasing.said(e) for e in effects])
    own = [aliasing.said(e) for e in effects if e in model]
    others = len(effects) - len(own)
    told = own if len(own) <= aliasing.NAMED else [words.count(len(own), "effect")]
    return words.listing([*told, *([words.count(others, "interaction")] if others else [])])


def cautions(asked: Asked, runs: assess.Runs, known: pd.DataFrame, mixed: pd.DataFrame) -> tuple[str, ...]:
    """What limits the plan: effects that are mixed, what they are judged by, what is supposed, what cannot be seen."""
    return (
        *_mixing(asked, mixed),
        *_judging(asked, runs, known),
        *_supposed(asked),
        *_unseen(asked),
        "The plan knows nothing of pot life, heat or vessel ratings: check the settings of each casting against the data sheets "
        "before mixing.",
    )


def _mixing(asked: Asked, mixed: pd.DataFrame) -> list[str]:
    model = {asked.space.named(t) for t in asked.space.terms}
    own = mixed["effect"].isin(model).astype(int) + mixed["alias"].isin(model)
    inside = mixed[own.eq(2) & (mixed["correlation"].abs() >= aliasing.HALF)]
    said = [
        f"{words.sentence(aliasing.said(row.effect))} and {aliasing.said(row.alias)} {'are ' * (row.words != aliasing.APART)}{row.words} (correlation "
        f"{np.sign(row.correlation) * aliasing.size(row.correlation):+.2f})."
        for row in inside.itertuples()
    ]
    read_with = mixed[
        own.eq(1) & mixed["alias"].isin(aliasing.kinds(asked.space)) & (mixed["correlation"].abs() >= aliasing.SAME)
    ]
    if not read_with.empty:
        said.append(
            f"{'A main' if all(len(t.parts) == 1 for t in asked.space.terms) else 'An'} effect is read together with the "
            "interactions that it cannot be told from (see the table): what shows as its own may be theirs."
        )
    return said


def _judging(asked: Asked, runs: assess.Runs, known: pd.DataFrame) -> list[str]:
    said = []
    between, within = assess.degrees(runs)
    if within == 0:
        what = (
            "No casting is left over within batches to judge by what changes there"
            if asked.batched
            else "As many effects as castings: nothing is left over to judge them by"
        )
        said.append(f"{what}. A few more castings would allow intervals.")
    elif within < FEW:
        said.append(
            f"Only {words.count(within, 'degree')} of freedom left to judge effects by: intervals will be wide."
        )
    whole = [f.name for f in asked.space.factors if f.per_batch]
    if whole:
        said.append(
            f"{words.listing([labels.name(w) for w in whole])}: set afresh for each batch, also where the setting stays the same, and judged "
            f"on {words.count(runs.n_batches, 'batch')}, not on the castings ({words.count(between, 'degree')} of freedom)."
        )
        if between < FEW:
            said.append("So few batches say little of the factors set per batch; more, smaller batches would say more.")
    trapped = sorted(
        set(known.loc[known["judged_on"] == "batches", "effect"])
        - {asked.space.named(t) for t in asked.space.terms if t.per_batch}
    )
    if trapped:
        said.append(f"{words.listing(trapped)} can be seen only between batches in this plan.")
    return said


def _supposed(asked: Asked) -> list[str]:
    said = []
    if asked.batched:
        said.append(
            f"Batches are taken to scatter with {asked.structure.ratio:.3g} times the variance of castings of one batch; the "
            "precision follows from that guess."
        )
    if asked.structure.n_made and not asked.batched:
        said.append(
            "A difference between castings made before and those to come is allowed for; it costs one degree of freedom."
        )
    for never, hit in zip(asked.space.never(), asked.space.breaking(asked.made_settings), strict=True):
        if hit.any():
            rows = words.listing([str(k + 1) for k in np.flatnonzero(hit)])
            one = hit.sum() == 1
            said.append(
                f"{words.count(int(hit.sum()), 'casting')} already made ({'row' if one else 'rows'} {rows} of made) {'has' if one else 'have'} "
                f"{never}, which is forbidden: what {'it tells' if one else 'they tell'} is used, and none like that is planned."
            )
    for f in asked.space.factors:
        outside = np.abs(f.coded(list(asked.made_settings[f.name]))) > 1 + 1e-9 if f.numeric else np.zeros(0)
        if outside.any():
            were = "was" if outside.sum() == 1 else "were"
            said.append(
                f"{words.count(int(outside.sum()), 'casting')} already made {were} outside the range of {labels.name(f.name)}; the plan "
                "takes its effect to go on alike there."
            )
    return said


def _unseen(asked: Asked) -> list[str]:
    said = []
    idle = [
        f.name
        for f in asked.space.factors
        if f.numeric and not f.is_range and len(f.settings) > 2 and asked.goal != "curve"
    ]
    if idle:
        said.append(
            f"Of {words.listing([labels.name(n) for n in idle])} only the lowest and highest setting are used: a straight line needs no more; goal 'curve' uses them all."
        )
    stiff = [f.name for f in asked.space.factors if f.numeric and not f.bends() and asked.goal == "curve"]
    if stiff:
        said.append(f"{words.listing([labels.name(n) for n in stiff])}: only two settings, so no bend can be seen.")
    return said
