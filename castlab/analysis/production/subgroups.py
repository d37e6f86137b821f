"""From castings to a chart: batches as rational subgroups, single castings, or the gaps between failures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from castlab import labels
from castlab.analysis import words
from castlab.analysis.production import charts
from castlab.analysis.production import order as production
from castlab.analysis.production.charts import Chart
from castlab.analysis.production.order import Production
from castlab.analysis.reading import kinds
from castlab.errors import FitError

PROVISIONAL = 20
"""Points below which limits are called provisional (common practice, no source)."""


@dataclass(frozen=True)
class Charted:
    """A chart with the points it stands on, and the spread within batches where there is one."""

    chart: Chart
    points: pd.DataFrame
    """point, when, castings, exposure, lot columns; the chart's arrays are added by `watch`."""
    baseline: np.ndarray
    name: str
    unit: str
    limits: str
    """How the limits were set, in words."""
    spread: pd.DataFrame | None = None
    cautions: tuple[str, ...] = ()
    shares: bool = False
    """The values are shares of castings, told in percent."""

    def called(self, at: int) -> str:
        """A point in a sentence: "B-014", "batch 14"."""
        batches = "still_open" not in self.points and bool((self.points["castings"] > 1).any())
        return words.called("batch" if batches else "casting", self.points["point"].iloc[at])

    def number(self, value: float) -> str:
        """A value of the chart as it is told."""
        return f"{words.number(100 * value)}%" if self.shares else words.number(value)

    def measured(self, value: float) -> str:
        """The same with its unit."""
        said = self.number(value)
        unit = "casting" if (said, self.unit) == ("1", "castings") else self.unit
        return f"{said} {unit}".strip()


def charted(made: Production, baseline: object, method: str) -> Charted:
    """The chart that suits the response.

    Raises
    ------
    FitError
        If the data cannot set limits: no failure, no scatter.
    """
    kind = made.kind
    if kind == "rare" or (kind == "pass" and made.codes is None):
        return _gaps(made, baseline, method)
    codes = np.arange(made.n) if made.codes is None else made.codes
    inside = production.of_baseline(made, codes, baseline)
    n = np.bincount(codes)
    points = _frame(made, codes, n)
    name = production.name_of(made)
    cautions = _provisional(inside)
    if kind == "pass":
        chart = charts.shares(np.bincount(codes, made.y == 0), n, inside, method)
        if (chart.high >= 1).all() and (chart.low <= 0).all():
            said = "Batches are so small that no single one can be beyond the limits; only run rules can tell."
            cautions = (*cautions, said)
        return Charted(
            chart, points, inside, name, "", _limits(chart, method, "binomial"), cautions=cautions, shares=True
        )
    if kind == "count":
        size = np.bincount(codes, made.exposure)
        chart = charts.counts(np.bincount(codes, made.y), size, inside, method)
        points["exposure"] = size
        unit = labels.per(made.exposed) if made.exposed else "" if made.codes is None else "per casting"
        return Charted(chart, points, inside, name, unit, _limits(chart, method, "Poisson"), cautions=cautions)
    unit = labels.unit(made.response)
    if made.codes is None:
        sigma, df = charts.scatter(made.y, inside, method)
        _check(sigma, made.response)
        chart = charts.measures(made.y, np.ones(made.n), inside, method, np.full(made.n, sigma), df)
        return Charted(chart, points, inside, name, unit, _limits(chart, method, "normal"), cautions=cautions)
    chart, spread = _batches(made, codes, n, inside, method, points)
    if n.min() == 1:
        cautions = (
            *cautions,
            f"{words.count(int((n == 1).sum()), 'batch')} of one casting: nothing tells their own spread.",
        )
    return Charted(chart, points, inside, f"mean {name}", unit, _limits(chart, method, "normal"), spread, cautions)


def _batches(
    made: Production, codes: np.ndarray, n: np.ndarray, inside: np.ndarray, method: str, points: pd.DataFrame
) -> tuple[Chart, pd.DataFrame | None]:
    """Batch means judged by how batches scatter, and the spread within each batch."""
    means = np.bincount(codes, made.y) / n
    squares = np.bincount(codes, (made.y - means[codes]) ** 2)
    df_within = float((n[inside] - 1).sum())
    within = squares[inside].sum() / df_within if df_within else 0.0
    scatter, df = charts.scatter(means, inside, method)
    between = scatter**2
    _check(between + within, made.response)
    own = max(0.0, between - within * float((1 / n[inside]).mean()))
    sigma = np.sqrt(own + within / n) if method == "probability" else np.full(len(n), np.sqrt(between))
    _check(float(sigma.min()), made.response)
    weight = 1 / sigma**2 if method == "probability" else np.ones(len(n))
    chart = charts.measures(means, weight, inside, method, sigma, df)
    if df_within < 2 or within == 0:
        return chart, None
    return chart, _spread(points, squares, n, inside, within, df_within, _step(made.y))


def _spread(
    points: pd.DataFrame, squares: np.ndarray, n: np.ndarray, inside: np.ndarray, within: float, df: float, step: float
) -> pd.DataFrame:
    """Standard deviation within each batch with 0.00135 limits: F after the baseline, its share of the sum within it.

    Readings rounded to a `step` may have been further apart by half of it each: castings that read alike lie closer together
    than usual only if they do so even then.
    """
    own = (n - 1).astype(float)
    known = own > 0
    inner = inside & known & (own < df)
    f = stats.f(np.where(known, own, 1), df)
    share = stats.beta(np.where(known, own, 1) / 2, np.maximum(df - own, 1) / 2)
    total = within * df
    limit = [
        np.sqrt(np.where(inner, share.ppf(q) * total / np.maximum(own, 1), f.ppf(q) * within))
        for q in (charts.TAIL, 1 - charts.TAIL)
    ]
    apart = (np.sqrt(squares) + step * np.sqrt(n) / 2) ** 2
    sd, most = (np.sqrt(sums / np.maximum(own, 1)) for sums in (squares, apart))
    above = np.where(inner, share.sf(squares / total), f.sf(sd**2 / within))
    below = np.where(inner, share.cdf(np.minimum(apart / total, 1)), f.cdf(most**2 / within))
    rows = points[["point", "when"]].assign(
        value=sd,
        centre=np.sqrt(within),
        low=limit[0],
        high=limit[1],
        chance=np.minimum(1, 2 * np.minimum(above, below)),
    )
    rows["beyond"] = np.where(most < limit[0], -1, np.maximum(charts.beyond(sd, limit[0], limit[1]), 0))
    return rows[known].reset_index(drop=True)


def _step(values: np.ndarray) -> float:
    """To what readings seem to be rounded: the smallest difference between any two that differ."""
    apart = np.diff(np.unique(values))
    return float(apart[apart > kinds.resolution(values)].min(initial=np.ptp(values)))


def _gaps(made: Production, baseline: object, method: str) -> Charted:
    """Castings, or exposure, from each failure to the next; the last gap is still open."""
    failed = made.failed
    codes = np.arange(made.n) if made.codes is None else made.codes
    inside_castings = production.of_baseline(made, codes, baseline)[codes]
    reach = np.cumsum(made.exposure)
    at = np.flatnonzero(failed)
    size = float(made.exposure[inside_castings].sum())
    events = int(failed[inside_castings].sum())
    if events == 0:
        bound = -np.log(0.05) / size
        raise FitError(
            f"no failure in the {words.count(int(inside_castings.sum()), 'casting')} of the baseline, so nothing says how far apart "
            f"failures usually are; with 95% confidence they come less often than once in {1 / bound:.0f}"
        )
    if events == inside_castings.sum() and not made.exposed:
        raise FitError("every casting of the baseline failed, so there is no gap between failures to watch")
    ends = np.append(at, made.n - 1) if at[-1] < made.n - 1 else at
    gap = np.diff(np.append(0.0, reach[ends]))
    still_open = np.zeros(len(ends), dtype=bool)
    still_open[len(at) :] = True
    chart = charts.gaps(gap, events, size, still_open, not made.exposed, method)
    names = np.array(made.names(None))[ends]
    points = pd.DataFrame({"point": names, "when": _when(made, ends)})
    points["castings"] = np.diff(np.append(-1, ends))
    points["still_open"] = still_open
    for column in _contexts(made):
        points[column] = made.data[column].astype(object).to_numpy()[ends]
    inside = inside_castings[ends]
    law = "exponential" if made.exposed else "geometric"
    unit = (labels.unit(made.exposed) or f"of {labels.name(made.exposed)}") if made.exposed else "castings"
    cautions = []
    if events < 10:
        cautions.append(f"The baseline holds {words.count(events, 'failure')}: the limits are provisional and wide.")
    if made.codes is not None:
        cautions.append(
            "Failures are taken as independent; those of one cup that come together look like an alarm, and may be one cause."
        )
    if made.counted:
        cautions.append("Castings with several defects count once: only whether a casting has any is watched.")
    return Charted(
        chart, points, inside, production.name_of(made), unit, _limits(chart, method, law), cautions=tuple(cautions)
    )


def _frame(made: Production, codes: np.ndarray, n: np.ndarray) -> pd.DataFrame:
    first = np.unique(codes, return_index=True)[1]
    points = pd.DataFrame({"point": made.names(made.codes), "when": _when(made, first), "castings": n})
    for column in _contexts(made):
        points[column] = made.data[column].astype(object).to_numpy()[first]
    return points


def _when(made: Production, rows: np.ndarray) -> np.ndarray:
    if made.when is None:
        return rows + 1
    return made.data[made.when].to_numpy()[rows]


def _contexts(made: Production) -> list[str]:
    """Columns whose change is told beside an alarm."""
    return [c for c in ("material", "resin_lot", "hardener_lot") if c in made.data and made.data[c].notna().any()]


def _check(spread: float, response: str) -> None:
    if not spread > 0:
        raise FitError(
            f"{response} does not vary from point to point in the baseline, so it sets no limits; a finer reading is needed"
        )


def _provisional(inside: np.ndarray) -> tuple[str, ...]:
    said = []
    n = int(inside.sum())
    if n < PROVISIONAL:
        said.append(
            f"Few data: {words.count(n, 'point')} set the limits, so these are provisional; set them again from about {PROVISIONAL}."
        )
    if inside.all():
        said.append(
            "The limits come from the same points that they judge: a change within them widens the limits; give baseline= once a steady stretch is known."
        )
    return tuple(said)


def _limits(chart: Chart, method: str, law: str) -> str:
    if method == "three sigma":
        return f"three-sigma limits ({law}, centre and spread taken as known)"
    said = f"limits with 0.00135 on each side ({law}"
    if law in ("Poisson", "binomial"):
        said += (
            f", scatter {chart.dispersion:.2g} times that" if chart.dispersion > 1 else ", no more scatter than that"
        )
    return said + ", widened for few data)"
