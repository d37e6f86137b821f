"""The plan that is handed back: which castings to make, in which order, and what they will be able to tell."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from castlab.analysis import words
from castlab.designs import assess
from castlab.errors import NotFoundError
from castlab.results import Result


@dataclass(frozen=True, kw_only=True, eq=False)
class Design(Result):
    """Which castings to make next.

    `table`: one row per casting in the order to make them: run, batch (with batches), mold (with molds), then the factors.
    `aliases`: effect, alias, correlation, words. `precision`: effect, contrast, judged_on, df, standard_error, half_width,
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
        return tuple(assess.looked_at(self._runs.space))

    @property
    def model(self) -> tuple[str, ...]:
        """The effects that the plan is made to tell."""
        return tuple(self._runs.space.named(t) for t in self._runs.space.terms)

    def tables(self) -> dict[str, pd.DataFrame]:
        told = self.table.copy()
        for name in self.factors:
            if pd.api.types.is_float_dtype(told[name]):
                told[name] = [words.setting(v) for v in told[name]]
        known = self.precision.copy()
        for column in ("standard_error", "half_width"):
            known[column] = [words.rounded(v, 0.1) for v in known[column]]
        mixed = self.aliases[self.aliases["alias"].ne("batch")]
        mixed = mixed.assign(correlation=[f"{r:+.2f}" for r in mixed["correlation"]])
        return {"Castings in the order to make them": told, "How well each effect will be known": known, "What is mixed up with what": mixed}  # fmt: skip

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
