"""Findings that were planned before the castings were made, against those found by exploring.

What a plan names is a family of its own, adjusted for its own size (Holm); everything else was found by looking around,
is adjusted for all that was looked at, and is a hint to confirm.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import verdicts, words
from castlab.analysis.effects import EXPLORING, PLANNED
from castlab.errors import InputError

if TYPE_CHECKING:
    from castlab.records.models import Plan


def read_planned(planned: bool | str | Sequence[str] | None, factors: Sequence[str]) -> tuple[str, ...] | None:
    """The planned factors; None where no plan is known.

    Raises
    ------
    InputError
        If a planned factor is not among the factors.
    """
    if planned is None:
        return None
    if isinstance(planned, bool | np.bool_):
        return tuple(factors) if planned else ()
    accepted = f"accepted: some of the factors ({', '.join(factors)}), True for all, False for none, or None where no plan is known"
    if not isinstance(planned, Iterable):
        raise InputError(f"planned is {planned!r}; {accepted}")
    names = (planned,) if isinstance(planned, str) else tuple(planned)
    unknown = [name for name in names if name not in factors]
    if unknown:
        raise InputError(f"planned names {unknown[0]!r}, which is not among the factors; {accepted}")
    return names


def planned_terms(
    planned: tuple[str, ...] | None, terms: Sequence[str], *, all_planned: bool = False
) -> tuple[str, ...]:
    """The terms of the planned family; an interaction is planned only where everything is (`all_planned`)."""
    return tuple(name for name in terms if name in (planned or ()) or (all_planned and " x " in name))


def told(
    effect_table: pd.DataFrame,
    tests: pd.DataFrame,
    scale: str,
    response: str,
    kind: str,
    planned: tuple[str, ...] | None,
    *,
    twice: bool = False,
) -> list[str]:
    """The findings in sentences; with a plan its own first, then what was found by exploring, as hints.

    `twice`: each factor was looked at twice, and the p-values are adjusted for it.
    """
    looked = "several settings" if len(tests) > 1 else "twice" if twice else "several levels"
    if planned is None:
        return verdicts.of_effects(effect_table, tests, scale, response, kind, looked)
    said = []
    for look, before in ((PLANNED, "Planned."), (EXPLORING, "Found by exploring, so a hint to confirm.")):
        rows, own = (table[table["look"] == look] for table in (effect_table, tests))
        if len(rows):
            shown = (rows["strength"] != "not shown").any()
            lead = before if shown or look == PLANNED else "Exploring."
            said += [lead, *verdicts.of_effects(rows, own, scale, response, kind, looked)]
    return said


@dataclass(frozen=True)
class Planned:
    """What a logbook's plans say about one analysis: the planned factors (None without a plan) and why, in a sentence."""

    factors: tuple[str, ...] | None
    said: str


def from_plans(plans: Sequence[Plan], frame: pd.DataFrame, response: str, factors: Sequence[str]) -> Planned:
    """Which of these factors were planned for this response.

    A factor counts as planned where every casting belongs to a recorded plan that names it and the response, and that
    was written down no later than the day its first batch was mixed.

    Parameters
    ----------
    plans : the logbook's plan records
    frame : the castings analysed, with the logbook's columns `plan` and `mixed_at`
    response, factors : what is analysed
    """
    known = {plan.name: plan for plan in plans if not plan.withdrawn}
    used = list(frame["plan"].dropna().unique()) if "plan" in frame else []
    named = [known[name] for name in used if name in known]
    if not used:
        return Planned(None, "No plan was recorded before these castings: found by exploring.")
    if not named:
        of = f"of the plan{'s' if len(used) > 1 else ''} {words.listing(used)}"
        return Planned(None, f"No record {of} says what was to be judged: found by exploring.")
    outside = int((~frame["plan"].isin(list(known))).sum())
    if outside:
        return Planned((), f"{words.count(outside, 'casting')} of {len(frame)} belong to no recorded plan.")
    for plan in named:
        first = frame.loc[frame["plan"] == plan.name, "mixed_at"].min() if "mixed_at" in frame else None
        if _late(plan.logged_at, first):
            return Planned((), f"The plan {plan.name} was written down after its first batch.")
        if plan.responses and response not in _names(plan.responses):
            return Planned((), f"The plan {plan.name} does not name {labels.name(response)}.")
    agreed = [name for name in factors if all(name in _names(plan.factors) for plan in named)]
    return Planned(tuple(agreed), f"By the plan {words.listing([plan.name for plan in named])}.")


def _names(listed: str | None) -> list[str]:
    return [name.strip() for name in (listed or "").split(",") if name.strip()]


def _late(logged: datetime | None, first: Any) -> bool:
    """Whether the plan was written on a later day than its first batch; a logbook's clock and the shop's may differ."""
    if logged is None or first is None or pd.isna(first):
        return False
    local = logged.astimezone().replace(tzinfo=None) if logged.tzinfo else logged
    return bool(local > pd.Timestamp(first).normalize() + timedelta(days=1))
