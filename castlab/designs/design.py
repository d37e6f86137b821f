"""The plan that is handed back: which castings to make, in which order, and what they will be able to tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.designs import aliasing, assess
from castlab.errors import NotFoundError
from castlab.results import Result

if TYPE_CHECKING:
    from datetime import datetime

    from castlab.bench.materials import Properties
    from castlab.designs.sheets import RunSheets
    from castlab.records.models import Material, Plan


@dataclass(frozen=True, kw_only=True, eq=False)
class Design(Result):
    """Which castings to make next.

    `table`: one row per casting in the order to make them: run, batch (with batches), mold (with molds), then the factors.
    `aliases`: effect, alias, correlation, words, of every pair that is not clear of each other. `precision`: effect, contrast, judged_on, df, standard_error, half_width,
    in multiples of the scatter between castings of one cup. `resolution`: 3, 4, 5, ... or None (every combination stands
    equally often, or the plan is not an orthogonal one of two settings). `d_efficiency`: 1 is the best conceivable.
    """

    table: pd.DataFrame
    aliases: pd.DataFrame
    precision: pd.DataFrame
    resolution: int | None
    d_efficiency: float
    kind: str
    goal: str
    factors: tuple[str, ...]
    seed: int
    _runs: assess.Runs = field(repr=False)

    @property
    def effects(self) -> tuple[str, ...]:
        """Every effect that aliases were looked for among: main effects, two-factor interactions, bends."""
        return tuple(aliasing.looked_at(self._runs.space))

    @property
    def model(self) -> tuple[str, ...]:
        """The effects that the plan is made to tell."""
        return tuple(self._runs.space.named(t) for t in self._runs.space.terms)

    @property
    def mixed_in_short(self) -> pd.DataFrame:
        """The aliases as the table and the words of the picture tell them: exact ones together, many slight ones counted."""
        return aliasing.in_short(self.aliases, self._runs.space)

    @property
    def settings(self) -> dict[str, tuple[Any, ...]]:
        """Factor -> its settings from the lowest or first to the highest or last; one for a factor that is held."""
        varied = {f.name: f.settings for f in self._runs.space.factors}
        return {n: varied.get(n, (self.table[n].iloc[0],)) for n in self.factors}

    def tables(self) -> dict[str, pd.DataFrame]:
        told = self.table.copy()
        for name in self.factors:
            if pd.api.types.is_float_dtype(told[name]):
                told[name] = [labels.level(v) for v in told[name]]
        known = self.precision.copy()
        for column in ("standard_error", "half_width"):
            known[column] = [words.rounded(v, 0.1) for v in known[column]]
        known["effect"] = [aliasing.said(effect) for effect in known["effect"]]
        mixed = self.mixed_in_short
        found = {"Castings in the order to make them": told, "How well each effect will be known": known}
        return found | ({} if mixed.empty else {"What is mixed up with what": mixed})

    def record(self, *, name: str, responses: str | Sequence[str], question: str | None = None) -> Plan:
        """The record of this plan for the logbook, to be written before the first casting is made.

        Parameters
        ----------
        name : str
            By which its batches name it (`Batch.plan`).
        responses : str or sequence of str
            Columns that will be judged, the main one first.
        question : str, optional
            What it is meant to find out, in plain words.

        Returns
        -------
        Plan
            With the plan's factors, castings, batches and seed; write it with `book.add` or `castlab.notebook.save`.

        Raises
        ------
        InputError
            If a field cannot be used.

        Examples
        --------
        >>> from castlab.designs import Factor, plan_trials
        >>> plan = plan_trials([Factor("resin_c", 22, 28), Factor("cure_h", hold=24)], 4)
        >>> plan.record(name="warmth", responses="bubbles").factors
        'resin_c'
        """
        from castlab.records.models import Plan

        given = [responses] if isinstance(responses, str) else list(responses)
        return Plan(
            name=name, question=question, factors=[f.name for f in self._runs.space.factors], responses=given,
            castings=len(self.table), batches=int(self.table["batch"].nunique()) if "batch" in self.table else None,
            seed=self.seed,
        )  # fmt: skip

    def run_sheets(
        self, volume_ml: float, material: str | Material | Properties, *, product: str,
        start: str | datetime | Sequence[str | datetime], plan: str | None = None, molds: Mapping[str, str] | None = None,
        hours_apart: float = 24.0, mix: Mapping[str, Any] | None = None, **same: Any,
    ) -> RunSheets:  # fmt: skip
        """One run sheet for each cup of the plan: what to weigh, and the settings of its castings in the order to pour them.

        Parameters
        ----------
        volume_ml : float
            Volume to fill in one mold, ml, inserts taken off.
        material
            A family's name, a Material record, or `materials.properties(...)`.
        product, plan : str
            What is cast, and the name under which the plan is in the logbook.
        start
            When the first cup is stirred, shop clock ("2026-03-14 09:30"), or a time for each cup.
        molds : mapping, optional
            Mold as the plan calls it -> id in the logbook (M-02).
        hours_apart : float
            From one cup to the next, h, where one start is given.
        mix : mapping, optional
            Further arguments of `bench.plan_mix` (scale_resolution_g, cup_ml, waste_pct, ...).
        **same
            Arguments of `bench.run_sheet` that are alike for all cups (degas_kpa, altitude_m, cure_h, ...).

        Returns
        -------
        RunSheets
            `.sheets`, `.table`, `.html()`, `.save(path)`; `sheets[0].log(book, done, origin=...)` as with any run sheet.

        Raises
        ------
        InputError
            If a setting of the cup changes between its castings, a batch needs more than one cup, or the plan's settings
            do not fit the pot life; the message says which.

        Examples
        --------
        >>> from castlab.designs import Factor, plan_trials
        >>> plan = plan_trials([Factor("resin_c", 22, 28, per_batch=True), Factor("pour_method", ["stream", "ladle"])], 8,
        ...                    batch_size=2)
        >>> sheets = plan.run_sheets(120, "slow clear epoxy", product="pod block", start="2026-03-14 09:30")
        >>> len(sheets), list(sheets[0].settings["casting"])
        (4, ['casting 1', 'casting 2'])
        """
        from castlab.designs.sheets import run_sheets

        return run_sheets(
            self, volume_ml, material, product=product, start=start, plan=plan, molds=molds, hours_apart=hours_apart,
            mix=mix, **same,
        )  # fmt: skip

    def batch(self, number: int) -> pd.DataFrame:
        """The castings of one batch, in the order to pour them.

        Raises
        ------
        NotFoundError
            If the plan has no batches, or none of this number.
        """
        if "batch" not in self.table:
            raise NotFoundError("this plan has no batches; give plan_trials batch_size, the castings of one mixed cup")
        found = self.table[self.table["batch"] == number]
        if found.empty:
            raise NotFoundError(f"this plan has no batch {number!r}; its batches: 1 to {self.table['batch'].max()}")
        return found.reset_index(drop=True)
