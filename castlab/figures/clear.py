"""How much of the bars' contrast is seen through a casting, by how fine the bars are."""

from __future__ import annotations

from typing import TYPE_CHECKING

from castlab.figures import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from castlab.scoring.clearness import Clarity


def draw_clarity(result: Clarity) -> Figure:
    """On the left the contrast seen directly and through the casting, on the right the share left, with intervals."""
    bars = result.bars
    known = bars[bars["resolved"]]
    with style.styled():
        figure = style.picture(7.6, 3.4)
        left, right = figure.subplots(1, 2)
        for n, (column, name) in enumerate((("direct", "directly"), ("through", "through the casting"))):
            left.plot(
                bars["lp_mm"], bars[column], marker=style.marker(n), color=style.colour(n), label=name,
                linestyle=("solid", "dashed")[n],
            )  # fmt: skip
        left.set(
            ylabel="contrast of the bars",
            title="Contrast as seen",
            ylim=(0, 1.3 * max(bars["direct"].max(), bars["through"].max())),
        )
        left.legend(loc="upper right", ncols=2, fontsize="small")
        right.axhline(1, color=style.QUIET, linewidth=1)
        right.axhline(0.5, color=style.QUIET, linewidth=1, linestyle="dotted")
        error = [known["transfer"] - known["low"], known["high"] - known["transfer"]]
        right.errorbar(
            known["lp_mm"], known["transfer"], yerr=[part.clip(lower=0) for part in error], marker="o", color=style.SURE,
            capsize=3,
        )  # fmt: skip
        right.set(
            title="Share left, 95% interval",
            ylabel="through / directly",
            ylim=(0, max(1.1, 1.05 * known["high"].max())),
        )
        for axes in (left, right):
            axes.set(xscale="log", xlabel="line pairs per mm")
            ticks = [
                f for f in (0.25, 0.5, 1, 2, 4, 8, 16) if bars["lp_mm"].min() / 1.3 <= f <= bars["lp_mm"].max() * 1.3
            ]
            axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
            axes.minorticks_off()
    figure.alt = (
        f"Contrast of printed bars by line pairs per mm, seen directly and through the casting, and the share that is left. "
        f"{result.verdict}"
    )
    return figure
