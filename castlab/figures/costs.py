"""What a good part costs, how many a week, and when one more mold pays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from castlab.figures.style import INK, QUIET, Picture, colour, marker, picture, styled, words
from castlab.figures.sweeps import case as in_words
from castlab.figures.sweeps import label, ranged, swept

if TYPE_CHECKING:
    from castlab.bench.cost import CostPerPart, OneMore, Throughput

STEPS = {
    "material": "material in the part",
    "waste": "material wasted",
    "insert": "insert",
    "labour": "labour",
    "mold": "share of the mold",
    "scrap": "castings scrapped",
}
"""Step of the cost -> its name beside the bar."""


def draw_cost(part: CostPerPart, *, case: int | None = None, currency: str = "your currency") -> Picture:
    """The cost of a good part, step by step, ending in the total with its 95% interval; of a sweep, the totals.

    Parameters
    ----------
    part
        The result of `cost.per_good_part`.
    case
        Which case of a sweep to draw step by step; default: a line through all of them.
    currency
        What the prices are in, for the axis.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    if case is None and len(part.cases) > 1:
        return _costs(part, currency)
    case = case or 0
    steps = part.steps[part.steps["case"] == case].reset_index(drop=True)
    total = part.cases.iloc[case]
    names = [STEPS.get(step, step) for step in steps["step"]]
    with styled():
        figure = picture(7.6, 0.9 + 0.42 * (len(steps) + 1))
        axes = figure.subplots()
        for place, row in enumerate(steps.itertuples()):
            begin = row.cost_to_here - row.cost
            lost = row.step in ("waste", "scrap")
            axes.barh(
                place, row.cost, 0.62, begin, facecolor=colour(1 if lost else 0), alpha=0.75, hatch="///" if lost else None,
                edgecolor="white", lw=0,
            )  # fmt: skip
            axes.plot([row.cost_to_here] * 2, [place, place + 1], color=QUIET, lw=0.9, zorder=1)
            axes.annotate(
                f"{row.cost:.2f}", (row.cost_to_here, place), xytext=(4, 0), textcoords="offset points", va="center",
                fontsize=9,
            )  # fmt: skip
        axes.barh(len(steps), total.cost, 0.62, facecolor=INK, alpha=0.85)
        certain = total.low >= total.high
        if not certain:
            axes.hlines(len(steps) + 0.42, total.low, total.high, color=INK, lw=2.2)
            said = f"{total.cost:.2f}  ({total.low:.2f} to {total.high:.2f})"
        else:
            said = f"{total.cost:.2f}"
        axes.annotate(
            said, (max(total.cost, total.high), len(steps)), xytext=(4, 0), textcoords="offset points", va="center",
            weight="bold",
        )  # fmt: skip
        axes.set_yticks(range(len(steps) + 1), [*names, "a good part"])
        axes.invert_yaxis()
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel(f"cost of a good part ({currency}" + ("" if certain else "; line: 95% interval") + ")")
        axes.set_xlim(0, (1.15 if certain else 1.4) * max(total.cost, total.high))
    figure.alt = (
        "Cost of a good part step by step: "
        + words(f"{name} {cost:.2f}" for name, cost in zip(names, steps["cost"], strict=True))
        + f"; together {said.replace('  ', ' ')} {currency}."
    )
    return figure


def _costs(part: CostPerPart, currency: str) -> Picture:
    x = swept(part.cases, [name for name in part.cases if name not in ("cost", "low", "high", "molds_used")])[0]
    with styled():
        figure = picture(6.6, 3.5)
        axes = figure.subplots()
        ranged(axes, part.cases, x, ("cost", "low", "high"))
        axes.set_ylim(bottom=0)
        axes.set_xlabel(label(x))
        axes.set_ylabel(f"cost of a good part ({currency})")
    figure.alt = "Cost of a good part: " + words(
        f"{row.cost:.2f} ({row.low:.2f} to {row.high:.2f}) at {in_words(x, float(getattr(row, x)))}"
        for row in part.cases.itertuples()
    )
    figure.alt += f", in {currency}."
    return figure


def draw_throughput(found: Throughput) -> Picture:
    """Good parts a week against the number of molds, a line for each time in the mold.

    Parameters
    ----------
    found
        The result of `cost.throughput`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    weeks = found.weeks
    x, *others = swept(weeks, ("molds", "cure_h"))
    groups = list(weeks.groupby(others[0])) if others else [(None, weeks)]
    with styled():
        figure = picture(8.8, 3.7)
        left, right = figure.subplots(1, 2, width_ratios=[1.3, 1])
        for place, (value, rows) in enumerate(groups):
            said = None if value is None else in_words(others[0], float(value))
            ranged(left, rows, x, ("good_per_week", "good_low", "good_high"), place, label=said)
            right.plot(
                rows[x], rows["person_busy_pct"], color=colour(place), marker=marker(place), ms=5.5, lw=1.6, label=said
            )
        left.set_ylim(bottom=0)
        left.set_ylabel("good parts a week")
        right.set_ylim(0, 105)
        right.set_ylabel("person busy (% of opening hours)")
        for axes in (left, right):
            axes.set_xlabel(label(x) if x != "molds" else "molds in use (count)")
            if x == "molds":
                axes.set_xticks(sorted(weeks["molds"].unique()))
        if others:
            left.legend(loc="upper left")
    best = weeks.loc[weeks["good_per_week"].idxmax()]
    least = weeks.loc[weeks["good_per_week"].idxmin()]
    figure.alt = "Good parts a week: " + words(
        f"{row.good_per_week:.0f} ({row.good_low:.0f} to {row.good_high:.0f}) with {row.molds:.0f} molds and "
        f"{row.cure_h:g} h in the mold"
        for row in ([least, best] if len(weeks) > 1 else [best])
    )
    figure.alt += "."
    return figure


def draw_one_more(found: OneMore) -> Picture:
    """Weeks until one more mold has paid for itself, against the molds in use now.

    Parameters
    ----------
    found
        The result of `cost.one_more_mold`.

    Returns
    -------
    The figure, with its text alternative as `alt`.
    """
    gains = found.gains
    told = gains[["weeks_to_pay_back", "weeks_low", "weeks_high"]].to_numpy()
    top = 1.15 * float(told[np.isfinite(told)].max(initial=1.0))
    with styled():
        figure = picture(6.6, 3.6)
        axes = figure.subplots()
        for pays, place, said in ((True, 2, "pays"), (False, 3, "does not pay")):
            rows = gains[(gains["pays"] == pays) & np.isfinite(gains["weeks_to_pay_back"])]
            if len(rows):
                high = rows["weeks_high"].clip(upper=top)
                axes.vlines(rows["molds"], rows["weeks_low"], high, color=colour(place), lw=5, alpha=0.35)
                axes.plot(
                    rows["molds"], rows["weeks_to_pay_back"], ls="", marker=marker(place), ms=8, color=colour(place),
                    mec="white", label=said,
                )  # fmt: skip
        never = gains[~np.isfinite(gains["weeks_to_pay_back"])]
        for count in never["molds"]:
            axes.annotate(
                "brings nothing more", (count, 0.03), xycoords=axes.get_xaxis_transform(), rotation=90, ha="center",
                va="bottom", fontsize=9,
            )  # fmt: skip
        axes.set_xticks(sorted(gains["molds"]))
        axes.set_xlim(gains["molds"].min() - 0.6, gains["molds"].max() + 0.6)
        axes.set_ylim(0, top)
        axes.set_xlabel("molds in use now (count)")
        sure = (gains["weeks_low"] == gains["weeks_high"]).all()
        axes.set_ylabel(f"one more pays for itself in\n(weeks{'' if sure else '; bar: 95% interval of the scrap'})")
        if axes.get_legend_handles_labels()[0]:
            figure.legend(loc="outside upper right", ncols=2)
    figure.alt = "Weeks until one more mold has paid for itself: " + words(
        f"{row.weeks_to_pay_back:.2g} beside {row.molds} molds{'' if row.pays else ', which does not pay'}"
        if np.isfinite(row.weeks_to_pay_back)
        else f"never beside {row.molds} molds"
        for row in gains.itertuples()
    )
    figure.alt += "."
    return figure
