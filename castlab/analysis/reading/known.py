"""What was recorded of responses that are not known exactly: limits, and readings within them.

Which true responses are plausible given these is drawn in `castlab.analysis.models.imputation`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np


class Readings(Protocol):
    """Imprecise readings of the castings, with parameters of their own (`state`)."""

    def take(self, keep: np.ndarray) -> Readings:
        """Those of the castings to keep, (n,) booleans."""

    def first(self) -> np.ndarray:
        """A first guess of the true responses, (n,)."""

    def start(self) -> np.ndarray:
        """The first state, (k,); empty without parameters of their own."""

    def renew(self, state: np.ndarray, truth: np.ndarray, rng: np.random.Generator, /) -> np.ndarray:
        """Another state that is plausible if the true responses are `truth` (n,)."""

    def log_density(self, state: np.ndarray, support: np.ndarray, /) -> np.ndarray:
        """Log density of each casting's reading at each possible truth, both (n, m); a constant may be missing."""

    def told(self, states: np.ndarray, response: str, /) -> list[str]:
        """What a reader must know of them, given the states (draws, k) that were gone through."""


class MeasureReadings(Readings, Protocol):
    """Readings of a measure, which are normal around it."""

    def normal(self, state: np.ndarray, /) -> tuple[np.ndarray, np.ndarray]:
        """Mean and precision of the readings of each casting, both (n,)."""


@dataclass(frozen=True)
class Known:
    """What was recorded of each true response: limits (equal where it is known exactly) and readings within them."""

    low: np.ndarray
    high: np.ndarray
    readings: Readings | None = None

    def take(self, keep: np.ndarray) -> Known:
        """What is known of the castings to keep, (n,) booleans."""
        readings = None if self.readings is None else self.readings.take(keep)
        return Known(self.low[keep], self.high[keep], readings)

    @property
    def exact(self) -> np.ndarray:
        """Which responses are known exactly, (n,) booleans."""
        return self.low == self.high

    def first(self) -> np.ndarray:
        """A first guess of the true responses."""
        if self.readings is not None:
            return np.clip(self.readings.first(), self.low, self.high)
        either = np.where(np.isfinite(self.low), self.low, self.high)
        both = np.isfinite(self.low) & np.isfinite(self.high)
        return np.where(both, (np.where(both, self.low, 0) + np.where(both, self.high, 0)) / 2, either)
