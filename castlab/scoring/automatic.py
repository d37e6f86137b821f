"""How far the automatic bubble count is off, from the counts that were corrected by hand."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from castlab.records.logbook import opened
from castlab.results import Result
from castlab.scoring.marking import METHOD

if TYPE_CHECKING:
    from castlab.records import Logbook

_LEAST, _FEW = 3, 10


@dataclass(frozen=True, kw_only=True, eq=False)
class AutomaticError(Result):
    """Automatic minus corrected counts: `bias` with 95% interval `low`, `high`; `spread` (standard deviation); None below three photos;
    `held`, the share of photos whose corrected count lies in the automatic interval, with `held_low`, `held_high`;
    `by_month` (photos, bias, spread), and `photos`, one row each."""

    bias: float | None = None
    low: float | None = None
    high: float | None = None
    spread: float | None = None
    held: float | None = None
    held_low: float | None = None
    held_high: float | None = None
    by_month: pd.DataFrame = field(default_factory=pd.DataFrame)
    photos: pd.DataFrame = field(repr=False)

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"Automatic minus corrected, by month": self.by_month.round(2)} if len(self.by_month) else {}


def automatic_error(book: Logbook) -> AutomaticError:
    """How far the automatic count was off where someone corrected it.

    Parameters
    ----------
    book
        The logbook; of each photo the latest corrected score counts.

    Returns
    -------
    AutomaticError
        Where fewer than three photos were corrected by hand, its verdict says so and the numbers are None.

    Notes
    -----
    t interval of the mean difference; exact binomial (Clopper-Pearson) interval of the share held. A caution tells where the latest
    month differs from those before by Welch's t interval.
    """
    scores: list = [one for one in opened(book).records("score") if one.method == METHOD]  # type: ignore[attr-defined]
    latest = {one.photo_id: one for one in scores if one.auto_bubbles is not None and one.bubbles is not None}
    names = ["id", "photo_id", "trial_id", "scorer", "scored_at", "bubbles", "auto_bubbles", "auto_low", "auto_high"]
    photos = pd.DataFrame([[getattr(one, name) for name in names] for one in latest.values()], columns=names)
    if len(latest) < _LEAST:
        return AutomaticError(
            verdict=f"{len(latest)} photos have a count that someone put right by hand (in the marking view); from {_LEAST} on the "
            "error of the automatic count can be told.",
            photos=photos,
        )
    photos["difference"] = photos["auto_bubbles"] - photos["bubbles"]
    off = photos["difference"].to_numpy(float)
    bias, spread = float(off.mean()), float(off.std(ddof=1))
    reach = float(stats.t.ppf(0.975, len(off) - 1)) * spread / np.sqrt(len(off))
    told = photos.dropna(subset=["auto_low", "auto_high"])
    held = held_low = held_high = None
    if len(told):
        inside = int(told["bubbles"].between(told["auto_low"], told["auto_high"]).sum())
        exact = stats.binomtest(inside, len(told)).proportion_ci(0.95, "exact")
        held, held_low, held_high = inside / len(told), float(exact.low), float(exact.high)
    month = pd.to_datetime(photos["scored_at"]).dt.strftime("%Y-%m").rename("month")
    by_month = photos.groupby(month)["difference"].agg(photos="size", bias="mean", spread="std").reset_index()
    way = "as many bubbles" if abs(bias) < 0.05 else f"{abs(bias):.1f} bubbles too {'many' if bias > 0 else 'few'}"
    verdict = (
        f"Over {len(off)} photos corrected by hand the automatic count found on average {way} "
        f"(automatic minus corrected, 95% interval {bias - reach:.1f} to {bias + reach:.1f}; spread {spread:.1f})."
    )
    if held is not None:
        verdict += f" Its interval held the corrected count in {held:.0%} of them (95% interval {held_low:.0%} to {held_high:.0%})."
    cautions = ["Whoever corrects sees what was found first, and may leave wrong circles or overlook missing ones."]
    if len(off) < _FEW:
        cautions.append(f"Only {len(off)} photos: the interval is rough.")
    cautions += _lately(photos["difference"], month)
    return AutomaticError(
        verdict=verdict, cautions=tuple(cautions), bias=bias, low=bias - reach, high=bias + reach, spread=spread,
        held=held, held_low=held_low, held_high=held_high, by_month=by_month, photos=photos,
    )  # fmt: skip


def _lately(difference: pd.Series, month: pd.Series) -> list[str]:
    """A caution where the count is off otherwise in the latest month than before."""
    last = month.max()
    late, before = difference[month == last].to_numpy(float), difference[month < last].to_numpy(float)
    if min(len(late), len(before)) < _LEAST or not (np.ptp(late) or np.ptp(before)):
        return []
    change = stats.ttest_ind(late, before, equal_var=False).confidence_interval(0.95)
    if change.low <= 0 <= change.high:
        return []
    return [
        f"In {last} the automatic count was off by {late.mean():+.1f} bubbles on average, before by {before.mean():+.1f} (change "
        f"{change.low:+.1f} to {change.high:+.1f}, 95%): see what changed, such as the light, the camera or the version of the count."
    ]
