"""How much of what scores tell is the casting and how much the scorer: a crossed gauge study.

Two-way random effects with interaction by mean squares (Montgomery, Design and Analysis of Experiments, chapter 13).
Intervals are generalised confidence intervals: each mean square over a chi-square of its degrees of freedom, drawn many
times (Weerahandi 1993; Hamada and Weerahandi, Journal of Quality Technology 32 (2000) 241; reviewed by Burdick, Borror
and Montgomery, Journal of Quality Technology 35 (2003) 342).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import stats

from castlab import labels
from castlab.analysis import words
from castlab.analysis.reading import castings, kinds
from castlab.errors import FitError, InputError
from castlab.given import as_number, whole
from castlab.records import grades
from castlab.results import Result
from castlab.scoring import ratings

DRAWS = 20_000
ROOM = 0.1
"""Share of the scoring from which it would cost an experiment castings worth a word (a tenth more of them)."""
WIDE = 0.5
"""Width of the interval of the share from which a study tells hardly anything (rule of thumb, no source)."""
_LEAST = 3
"""Castings scored by all below which there is no study."""
_ROUNDING = 1e-12
_CASTINGS = 10
"""Castings per setting in the example of a lost effect."""


@dataclass(frozen=True, kw_only=True, eq=False)
class GaugeStudy(Result):
    """Where the spread of scores comes from.

    `shares` has one row per source (repeatability, reproducibility, part by appraiser, gauge = these three together,
    part): variance, sd (unit of the value), share of the total variance, low and high (95% generalised confidence
    interval of the share). `anova`: the mean squares behind it. `data`: the scores used, with columns casting, scorer and the value. `costs`: for each way of scoring, the noise (sd), how many
    times the castings an experiment needs, and the smallest effect 10 castings a setting would show with a chance of
    80%. `categories`: number of distinct categories, int(1.41 sd of part / sd of gauge), as measurement textbooks define
    it; NaN without noise.
    """

    shares: pd.DataFrame
    anova: pd.DataFrame
    costs: pd.DataFrame
    categories: float
    parts: int
    appraisers: int
    repeats: float
    value: str
    data: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        shares = self.shares.drop(columns="variance").round({"sd": 3, "share": 3, "low": 3, "high": 3})
        return {"Where the spread comes from": shares, "What it costs the experiments": self.costs.round(2)}


def gauge_study(
    frame: pd.DataFrame,
    part: str,
    appraiser: str,
    value: str,
    *,
    casting_sd: float | None = None,
    seed: int = 1,
) -> GaugeStudy:
    """Shares of repeatability, reproducibility, interaction and castings in the spread of scores, with intervals.

    Parameters
    ----------
    frame : DataFrame
        One row per score. Parts that not every appraiser scored are left out, and appraisers who scored hardly any with the
        others; best each part is scored twice or more by each.
    part, appraiser, value : str
        Columns: the casting, the scorer, the reading (a number; grades are taken as numbers).
    casting_sd : float, optional
        Standard deviation between castings made alike, unit of the value. None takes that of the parts studied, which
        understates what scorer noise costs where they were made with different settings.
    seed : int
        Of the draws behind the intervals.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    InputError
        If a column is missing, named twice or not numeric, `casting_sd` is no number above 0, or fewer than 3 parts were scored by 2 appraisers.
    FitError
        If all scores are the same.

    Examples
    --------
    >>> import pandas as pd
    >>> rows = [(p, who, 10 * p + shift + (p * look) % 3) for p in range(6) for who, shift in (("Noor", 0), ("Wim", 1)) for look in (1, 2)]
    >>> study = gauge_study(pd.DataFrame(rows, columns=["casting", "scorer", "bubbles"]), "casting", "scorer", "bubbles")
    >>> bool(study.shares.share.iloc[-1] > 0.9)
    True
    """
    if casting_sd is not None and not 0 < (as_number(casting_sd) or 0) <= ratings.LARGEST:
        raise InputError(
            f"casting_sd is {casting_sd!r}; accepted: a number above 0 and up to {ratings.LARGEST:g}, or None"
        )
    castings.check_frame(frame, [part, appraiser, value])
    frame, dropped = ratings.independent(frame, value)
    data, notes = _complete(frame, part, appraiser, value)
    means, counts = _cells(data)
    p, a = means.shape
    repeats = float(counts.size / (1 / counts).sum())  # harmonic mean, for cells of unequal size
    anova = _anova(data, means, repeats)
    square, freedom = anova["mean_square"].to_numpy(), anova["df"].to_numpy(dtype=float)
    if not np.nansum(square):
        raise FitError("every score is the same: these castings cannot show how scores spread; choose ones that differ")
    variance = _components(square[None, :], p, a, repeats)[0]
    draws = _components(square * freedom / _chi_square(freedom, seed), p, a, repeats)
    shares = _shares(variance, draws, has_repeats=freedom[3] > 0)
    if np.count_nonzero(np.nan_to_num(square)) < 2 or not np.nansum(square[1:]):
        shares[["low", "high"]] = np.nan
    costs = _costs(variance, casting_sd)
    cautions = [*dropped, *notes, *_cautions(data, means, a, freedom, value)]
    if casting_sd is None:
        cautions.append(
            "The cost to experiments is reckoned against the spread of the castings in this study. If they were made "
            "with different settings, give casting_sd=, the spread of castings made alike: the cost is then larger."
        )
    cautions += ratings.not_plain(frame, value, appraiser)
    if note := grades.mixed(frame, value):
        cautions.append(note)
    noise = math.sqrt(variance[:3].sum())
    categories = float(int(math.sqrt(2) * math.sqrt(variance[3]) / noise)) if noise else math.nan
    return GaugeStudy(
        verdict=_verdict(shares, costs, value, _of_one_person(variance, draws), a),
        cautions=tuple(cautions),
        shares=shares,
        anova=anova,
        costs=costs,
        categories=categories,
        parts=p,
        appraisers=a,
        repeats=repeats,
        value=value,
        data=data,
    )


def _complete(frame: pd.DataFrame, part: str, appraiser: str, value: str) -> tuple[pd.DataFrame, list[str]]:
    """The scores of parts that every appraiser scored."""
    if len({part, appraiser, value}) < 3:
        raise InputError(
            f"part, appraiser and value are {part!r}, {appraiser!r} and {value!r}; accepted: three different columns"
        )
    if value in ("casting", "scorer"):
        raise InputError(f"the column of readings is named {value!r}; give it a name of its own, such as bubbles")
    for column in (part, appraiser):
        kinds.plain(frame[column], "a casting or a scorer")
    data = frame[[part, appraiser, value]].dropna()
    data = pd.DataFrame({"casting": data[part], "scorer": data[appraiser], value: ratings.numbers(data[value])})
    looks = data.groupby(["casting", "scorer"], observed=True).size().unstack()
    people = ratings.together(looks, _LEAST)
    whole = looks.index[looks[people].notna().all(axis=1)]
    if len(people) < 2 or len(whole) < _LEAST:
        raise InputError(
            f"{words.count(len(whole), 'casting')} {'was' if len(whole) == 1 else 'were'} scored by each of two people or more (scorers: {len(people)}); needed: at least {_LEAST} "
            "such castings, best scored twice by each; plan_rescoring plans a session for them"
        )
    few = [str(who) for who in looks if who not in people]
    notes = [f"Left out, for too few castings scored by the others too: {', '.join(few)}."] if few else []
    if left := len(looks) - len(whole):
        notes.append(
            f"{words.count(left, 'casting')} that not everyone scored {'is' if left == 1 else 'are'} left out."
        )
    data = data[data["scorer"].isin(people)]
    return data[data["casting"].isin(whole)].reset_index(drop=True), notes


def _cells(data: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    cells = data.groupby(["casting", "scorer"], observed=True)[data.columns[2]]
    return cells.mean().unstack().to_numpy(), cells.size().unstack().to_numpy()


def _anova(data: pd.DataFrame, means: np.ndarray, repeats: float) -> pd.DataFrame:
    """Mean squares; of cell means times the harmonic mean of the repeats where these differ (unweighted means)."""
    p, a = means.shape
    grand, rows, columns = means.mean(), means.mean(axis=1), means.mean(axis=0)
    within = data.iloc[:, 2] - data.groupby(["casting", "scorer"], observed=True)[data.columns[2]].transform("mean")
    squares = [
        a * repeats * ((rows - grand) ** 2).sum(),
        p * repeats * ((columns - grand) ** 2).sum(),
        repeats * ((means - rows[:, None] - columns + grand) ** 2).sum(),
        (within**2).sum(),
    ]
    rounding = len(data) * (_ROUNDING * float(data.iloc[:, 2].abs().max())) ** 2
    squares = [0.0 if square < rounding else square for square in squares]
    freedom = [p - 1, a - 1, (p - 1) * (a - 1), len(data) - p * a]
    table = pd.DataFrame(
        {"source": ["part", "appraiser", "part by appraiser", "repeats"], "sum_of_squares": squares, "df": freedom}
    )
    table["mean_square"] = table["sum_of_squares"] / table["df"].replace(0, np.nan)
    return table


def _chi_square(freedom: np.ndarray, seed: int) -> np.ndarray:
    rng = np.random.default_rng(whole("seed", seed, 0))
    return np.column_stack([rng.chisquare(df, DRAWS) if df else np.full(DRAWS, np.nan) for df in freedom])


def _components(square: np.ndarray, p: int, a: int, r: float) -> np.ndarray:
    """Variances (repeatability, reproducibility, interaction, part) from mean squares (part, appraiser, interaction, repeats),
    each not below zero.

    Without repeats the interaction cannot be told from repeatability and is counted with it.
    """
    part, appraiser, both, repeats = square.T
    alone = np.isnan(repeats)
    within = np.where(alone, both, repeats)
    interaction = np.where(alone, 0, (both - within) / r)
    found = np.column_stack([within, (appraiser - both) / (p * r), interaction, (part - both) / (a * r)])
    return np.maximum(found, 0)


def _shares(variance: np.ndarray, draws: np.ndarray, *, has_repeats: bool) -> pd.DataFrame:
    def with_gauge(values: np.ndarray) -> np.ndarray:
        return np.insert(values, 3, values[..., :3].sum(axis=-1), axis=-1)

    drawn = with_gauge(draws) / draws.sum(axis=1, keepdims=True)
    low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
    found = with_gauge(variance)
    table = pd.DataFrame(
        {
            "source": ["repeatability", "reproducibility", "part by appraiser", "gauge", "part"],
            "variance": found,
            "sd": np.sqrt(found),
            "share": found / variance.sum(),
            "low": low,
            "high": high,
        }
    )
    if not has_repeats:
        table.loc[2, ["variance", "sd", "share", "low", "high"]] = np.nan
    return table


def _of_one_person(variance: np.ndarray, draws: np.ndarray) -> tuple[float, float, float]:
    """Share of the scoring in the spread of one person's scores, with its interval: what differs between people left out."""
    with np.errstate(invalid="ignore"):  # of readings that differ between people only
        found, drawn = ((v[..., 0] + v[..., 2]) / np.delete(v, 1, axis=-1).sum(axis=-1) for v in (variance, draws))
    low, high = np.quantile(drawn, [0.025, 0.975])
    return float(found), float(low), float(high)


def _costs(variance: np.ndarray, casting_sd: float | None) -> pd.DataFrame:
    """What each way of scoring adds to the scatter of castings made alike, and what that does to an experiment."""
    repeat, people, both, part = variance
    alike = part if casting_sd is None else casting_sd**2
    ways = {
        "without any noise": 0.0,
        "one person scores all, once": repeat + both,
        "one person scores all, twice": repeat / 2 + both,
        "two persons score each, averaged": (repeat + both) / 2,
        "whoever is there, once": repeat + both + people,
    }
    rows = []
    for way, noise in ways.items():
        times = (alike + noise) / alike if alike else math.inf
        rows.append((way, math.sqrt(noise), times, _smallest(math.sqrt(alike + noise), _CASTINGS)))
    return pd.DataFrame(rows, columns=["scoring", "noise_sd", "times_the_castings", "smallest_effect"])


def _smallest(sd: float, castings: int) -> float:
    """Smallest difference of two means that a two-sided 5% t-test shows with a chance of 80%, castings per setting."""
    return sd * _in_standard_deviations(castings)


@lru_cache
def _in_standard_deviations(castings: int) -> float:
    from statsmodels.stats.power import TTestIndPower

    return float(TTestIndPower().solve_power(nobs1=castings, alpha=0.05, power=0.8))


def _cautions(data: pd.DataFrame, means: np.ndarray, appraisers: int, freedom: np.ndarray, value: str) -> list[str]:
    found = []
    if not freedom[3]:
        found.append("Nobody scored a casting twice: repeatability and the interaction cannot be told apart.")
    if appraisers < 4:
        found.append(
            f"{appraisers} scorers say little about what a new scorer would do: the interval of reproducibility is wide "
            "for that reason."
        )
    if value.endswith("_grade"):
        found.append(
            "Grades are taken as numbers here, a step from 0 to 1 like one from 3 to 4; agreement(scale='ordinal') does not."
        )
    if freedom[3] and means.size >= 6 and np.ptp(means) > 0:
        spread = data.groupby(["casting", "scorer"], observed=True)[value].std().unstack().to_numpy()
        tie = (
            None
            if np.nanmax(spread) == np.nanmin(spread)
            else stats.spearmanr(means.ravel(), spread.ravel(), nan_policy="omit")
        )
        if tie is not None and tie.statistic > 0.4 and tie.pvalue < 0.05:
            found.append(
                "Repeats scatter more where the value is larger, as counts do: the shares hold for the average casting; "
                "the square root of a count is more even."
            )
    return found


def _verdict(
    shares: pd.DataFrame, costs: pd.DataFrame, value: str, one_person: tuple[float, float, float], appraisers: int
) -> str:
    gauge = shares.set_index("source").loc["gauge"]
    name = labels.name(value)
    way = costs.set_index("scoring")
    everyone, alone = way.loc["whoever is there, once"], way.loc["one person scores all, once"]
    if not np.isfinite(everyone["times_the_castings"]):
        return (
            f"All of the spread in {name} came from the scoring, none that could be shown from the castings: these scores "
            "cannot tell the castings apart."
        )
    if np.isnan(gauge["low"]):
        return (
            f"No two readings of a casting differ in {name}, so these castings cannot tell how much of the spread comes from "
            "the scoring: score more of them, doubtful ones too, each twice."
        )
    lost = way.loc["without any noise", "smallest_effect"], everyone["smallest_effect"]
    said = (
        f"{_percent(gauge['share'])} of the spread in {name} comes from the scoring (95% interval {_percent(gauge['low'])} to "
        f"{_percent(gauge['high'])}), the rest from the castings."
    )
    once = f"{alone['times_the_castings']:.2g}"
    if f"{everyone['times_the_castings']:.2g}" == "1":
        room = (
            "; the interval leaves room for more, until more castings are scored twice" if gauge["high"] > ROOM else ""
        )
        return (
            f"{said} By these readings it costs an experiment next to nothing, whoever scores: with {_CASTINGS} castings a setting "
            f"the smallest difference it would usually show stays at {_number(lost[0])}{room}."
        )
    return (
        f"{said} An experiment scored once by whoever is there needs "
        f"{everyone['times_the_castings']:.2g} times the castings of one scored without noise, scored by one person "
        f"{'about as many as that' if once == '1' else f'{once} times'}; with {_CASTINGS} castings a setting the smallest difference it would "
        f"usually show grows from {_number(lost[0])} to {_number(lost[1])}."
        + (_why_wide(one_person, appraisers) if gauge["high"] - gauge["low"] > WIDE else "")
    )


def _why_wide(one_person: tuple[float, float, float], appraisers: int) -> str:
    share, low, high = one_person
    if high - low > WIDE:
        return " The interval is so wide that these castings hardly tell it: score more of them, each twice, before acting on it."
    return (
        f" The interval is so wide because {appraisers} people hardly tell how far others would differ, which more castings do not "
        f"mend: let more people score. In the scores of one person alone the scoring makes up {_percent(share)} ({_percent(low)} to "
        f"{_percent(high)})."
    )


def _number(value: float) -> str:
    return f"{value:.2g}" if value < 100 else f"{value:.0f}"


def _percent(share: float) -> str:
    return f"{share:.0%}" if share >= 0.01 or share == 0 else f"{share:.1%}"
