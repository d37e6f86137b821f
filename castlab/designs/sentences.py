"""What a plan can and cannot tell, in words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.designs import assess, standard
from castlab.designs.request import Asked

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
    n, k = asked.n_new, len(asked.space.factors)
    batches = len(np.unique(asked.batch_new)) if asked.batched else 0
    added = (
        f", added to {words.count(asked.structure.n_made, 'casting')} already made" if asked.structure.n_made else ""
    )
    parts = [f"{words.size(n, batches)} for {words.count(k, 'factor')}{added}: {kind}."]
    parts.append(_mixed(runs, kind, resolution, mixed))
    parts.append(f"D-efficiency {efficiency:.3f} (1 is the best conceivable plan with as many castings).")
    for on in ("castings", "batches"):
        rows = known[(known["judged_on"] == on) & ~known["effect"].str.startswith("bend")]
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
    if resolution is not None and kind != standard.SCREEN:
        name = assess.ROMAN.get(resolution, str(resolution))
        told = {
            3: "main effects are clear of each other but mixed with two-factor interactions",
            4: "main effects are clear of each other and of two-factor interactions, which are mixed among themselves",
        }.get(resolution, "main effects and two-factor interactions are clear of each other")
        return f"Resolution {name}: {told}."
    if kind == standard.FACTORIAL:
        return "Every combination stands equally often: no effect is mixed with another."
    if resolution is not None and resolution > 3:
        return "Main effects are clear of each other and of two-factor interactions, which are partly mixed among themselves."
    main = {f.name for f in runs.space.factors}
    of_main = mixed[mixed["effect"].isin(main) & ~mixed["alias"].isin(("batch", "mold"))]
    crossed = of_main[~of_main["alias"].isin(main)]
    apart = of_main[of_main["alias"].isin(main)]
    parts = []
    if apart.empty:
        parts.append("Main effects are clear of each other")
    else:
        worst = float(apart["correlation"].abs().max())
        parts.append(f"Main effects are correlated by up to {worst:.2f}")
    if not crossed.empty:
        parts.append(
            f"partly mixed with two-factor interactions (correlation up to {crossed['correlation'].abs().max():.2f})"
        )
    return " and ".join(parts) + "."


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
    inside = mixed[
        mixed["effect"].isin(model) & mixed["alias"].isin(model) & (mixed["correlation"].abs() >= assess.HALF)
    ]
    said = [
        f"{row.effect} and {row.alias} are {row.words} (correlation {row.correlation:+.2f})."
        for row in inside.itertuples()
    ]
    if asked.goal != "curve":
        blind = mixed[
            mixed["effect"].isin(model)
            & ~mixed["alias"].isin(model | {"batch", "mold"})
            & (mixed["correlation"].abs() >= assess.SAME)
        ]
        if not blind.empty:
            said.append(
                "A main effect is read together with the interactions that it cannot be told from (see the table); an "
                "interaction that matters may show as a main effect."
            )
    return said


def _judging(asked: Asked, runs: assess.Runs, known: pd.DataFrame) -> list[str]:
    said = []
    between, within = assess.degrees(runs)
    if within == 0:
        said.append(
            "As many effects as castings: nothing is left over to judge them by. A few more castings would allow intervals."
        )
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
