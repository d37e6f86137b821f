"""Pictures of results and of raw castings. Nothing here computes: every number arrives in a frame or a result.

`draw` picks the picture that belongs to a result; the modules are loaded, and matplotlib with them, when one is drawn.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from castlab.errors import InputError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["alt_text", "draw"]

PICTURES: dict[str, str] = {
    "castlab.analysis.fit.FactorFit": "castlab.figures.effects.draw_fit",
    "castlab.analysis.checking.checks.Checks": "castlab.figures.checking.draw_checks",
    "castlab.analysis.screen.Screen": "castlab.figures.screening.draw_screen",
    "castlab.analysis.confounding.Confounding": "castlab.figures.confounding.draw_confounding",
    "castlab.analysis.compare.Comparison": "castlab.figures.groups.draw_comparison",
    "castlab.analysis.looks.ManyResponses": "castlab.figures.looks.draw_many",
    "castlab.analysis.recommending.recommendation.Recommendation": "castlab.figures.recommending.draw_recommendation",
    "castlab.analysis.production.watching.Watch": "castlab.figures.watching.draw_watch",
    "castlab.analysis.production.lifetimes.MoldLife": "castlab.figures.watching.draw_mold_life",
    "castlab.scoring.agreeing.Agreement": "castlab.figures.agreeing.draw_agreement",
    "castlab.scoring.gauge.GaugeStudy": "castlab.figures.agreeing.draw_gauge",
    "castlab.scoring.rescoring.Rescoring": "castlab.figures.agreeing.draw_plan",
    "castlab.scoring.drift.ScorerDrift": "castlab.figures.agreeing.draw_drift",
    "castlab.bench.mixing.MixPlan": "castlab.figures.pours.draw_mix",
    "castlab.bench.solids.MoldPlan": "castlab.figures.pours.draw_mold",
    "castlab.bench.vacuum.pumping.PumpFit": "castlab.figures.pumping.draw_pump",
    "castlab.bench.vacuum.boiling.BoilingMargin": "castlab.figures.pumping.draw_boiling",
    "castlab.bench.bubbles.clearing.Clearing": "castlab.figures.bubbling.draw_clearing",
    "castlab.bench.bubbles.pressure.UnderPressure": "castlab.figures.bubbling.draw_under_pressure",
    "castlab.bench.bubbles.trap.FilledMold": "castlab.figures.bubbling.draw_filled_mold",
    "castlab.bench.cure.reading.CureResult": "castlab.figures.curing.draw_cure",
    "castlab.bench.cure.simulation.CureSweep": "castlab.figures.curing.draw_sweep",
    "castlab.bench.cure.oven.ScheduleCheck": "castlab.figures.curing.draw_schedule",
    "castlab.bench.cure.layering.LayerPlan": "castlab.figures.curing.draw_layers",
    "castlab.bench.cure.cup.PotLife": "castlab.figures.curing.draw_pot_life",
    "castlab.bench.cost.CostPerPart": "castlab.figures.costs.draw_cost",
    "castlab.bench.throughput.Throughput": "castlab.figures.costs.draw_throughput",
    "castlab.bench.throughput.OneMore": "castlab.figures.costs.draw_one_more",
    "castlab.scoring.bubbles.BubbleCount": "castlab.figures.counting.draw_count",
    "castlab.scoring.scale.Scale": "castlab.figures.scales.draw_scale",
    "castlab.scoring.clearness.Clarity": "castlab.figures.clear.draw_clarity",
    "castlab.designs.design.Design": "castlab.figures.planning.draw_design",
    "castlab.designs.detection.Power": "castlab.figures.planning.draw_power",
    "castlab.designs.sweep.PowerSweep": "castlab.figures.planning.draw_power_sweep",
}
"""Result type -> the function that draws it, both by full name, so that neither is loaded before it is needed."""


def draw(result: object, **options: Any) -> Figure:
    """The picture that belongs to a result.

    Parameters
    ----------
    result
        A result of castlab (see `castlab.results.Result`).
    **options
        Whatever the picture of this result type accepts.

    Raises
    ------
    InputError
        If there is no picture of this type.
    """
    for kind in type(result).__mro__:
        home = PICTURES.get(f"{kind.__module__}.{kind.__qualname__}")
        if home is not None:
            module, _, name = home.rpartition(".")
            figure: Figure = getattr(import_module(module), name)(result, **options)
            return figure
    raise InputError(f"there is no picture of {type(result).__name__}; look at its tables: .tables()")


def alt_text(figure: Figure) -> str:
    """What a picture shows, in words, for those who cannot see it; empty for a figure that castlab did not draw."""
    return str(getattr(figure, "alt", ""))
