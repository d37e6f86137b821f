"""What looks wrong in a record but is kept: cautions, not errors. No storage here."""

from __future__ import annotations

from castlab.records.models import Batch, Material, Mold, Record, Score, Trial

RATIO_TOLERANCE_PCT = 3.0
"""How far an epoxy's weighed ratio may miss when the material record says nothing (common practice, no source)."""


def ratio_error_pct(batch: Batch, material: Material | None = None) -> float | None:
    """Weighed hardener against the target, % of the target (+ is too much); None when it is not known.

    The batch's own `target_phr` comes before the material's.
    """
    target = batch.target_phr or (material.target_phr if material else None)
    if not target or not batch.resin_g or batch.hardener_g is None:
        return None
    return 100 * (100 * batch.hardener_g / batch.resin_g / target - 1)


def cautions_of(
    record: Record,
    *,
    material: Material | None = None,
    mold: Mold | None = None,
    batch: Batch | None = None,
    trial: Trial | None = None,
) -> tuple[str, ...]:
    """Cautions for a record, as far as it and the records it refers to are given."""
    if isinstance(record, Batch):
        return tuple(_of_batch(record, material))
    if isinstance(record, Trial):
        return tuple(_under(batch) + _of_trial(record, mold, batch))
    if isinstance(record, Score):
        return tuple(_under(trial))
    return ()


def _under(parent: Record | None) -> list[str]:
    if parent is None or not parent.withdrawn:
        return []
    return [
        f"{parent.id} is withdrawn, so this entry stays out of the frame: check the id, or withdrawn=False on {parent.id}"
    ]


def _of_batch(batch: Batch, material: Material | None) -> list[str]:
    found = []
    miss = ratio_error_pct(batch, material)
    tolerance = (material.ratio_tolerance_pct if material else None) or RATIO_TOLERANCE_PCT
    if miss is not None and abs(miss) > tolerance:
        found.append(
            f"the weighed hardener is {abs(miss):.1f}% too {'much' if miss > 0 else 'little'} for the target ratio "
            f"(tolerance {tolerance:g}%): expect soft, tacky or brittle castings, or correct the masses if they were mistyped"
        )
    if (
        batch.cup_degas_kpa is not None
        and batch.pump_base_kpa is not None
        and batch.cup_degas_kpa < batch.pump_base_kpa
    ):
        found.append(
            f"the cup's pressure ({batch.cup_degas_kpa:g} kPa absolute) is below the pump's base pressure "
            f"({batch.pump_base_kpa:g} kPa): check the readings, and gauge against absolute"
        )
    if batch.humidity_pct is not None and batch.humidity_pct <= 1:
        found.append(
            f"a relative humidity of {batch.humidity_pct:g}% is drier than any room: was a fraction meant, "
            f"{100 * batch.humidity_pct:g}%?"
        )
    if batch.cup_degas_min and batch.pot_life_min and batch.cup_degas_min > batch.pot_life_min:
        found.append("the cup was degassed for longer than its pot life: check the times")
    return found


def _of_trial(trial: Trial, mold: Mold | None, batch: Batch | None) -> list[str]:
    found = []
    if mold and mold.retired_on and trial.poured_at and trial.poured_at.date() > mold.retired_on:
        found.append(f"mold {mold.id} ({mold.name}) was retired on {mold.retired_on}: check the mold")
    if mold and mold.product and trial.product and mold.product != trial.product:
        found.append(f"mold {mold.id} is for {mold.product}, the casting is logged as {trial.product}")
    if mold and mold.cavities and trial.cavity and trial.cavity > mold.cavities:
        found.append(f"mold {mold.id} has {mold.cavities} cavities, the casting is logged in cavity {trial.cavity}")
    if batch and batch.mixed_at and trial.poured_at and trial.poured_at < batch.mixed_at:
        found.append(f"poured at {trial.poured_at:%H:%M}, before batch {batch.id} was mixed at {batch.mixed_at:%H:%M}")
    if trial.wait_min and batch and batch.pot_life_min and trial.wait_min > batch.pot_life_min:
        found.append("it waited for longer than the batch's pot life before the pour: check the times")
    if trial.demold_h is not None and trial.cure_h is not None and trial.demold_h < trial.cure_h:
        found.append(f"demolded after {trial.demold_h:g} h, before its {trial.cure_h:g} h of cure ended")
    return found
