"""Counts made by a camera: what the true number of bubbles may be, given how many such a count misses or finds falsely.

Both classes say how likely the count is at each possible true number; the draws are made in `castlab.analysis.models.imputation`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import special, stats

from castlab.analysis import words
from castlab.analysis.reading.known import Readings

_AGAIN = 0.05
"""Chance that a sweep draws the share missed anew: the draws between must settle before that is worth its cost."""


@dataclass(frozen=True)
class Missed(Readings):
    """Each true bubble is missed with the same chance; false finds come on top (Poisson).

    `share` (n,) is known exactly, or `check` says how many of how many known bubbles were missed.
    """

    found: np.ndarray
    share: np.ndarray | None
    check: tuple[float, float] | None
    false_finds: np.ndarray

    def take(self, keep: np.ndarray) -> Missed:
        share = None if self.share is None else self.share[keep]
        return replace(self, found=self.found[keep], share=share, false_finds=self.false_finds[keep])

    def _beta(self) -> tuple[float, float]:
        missed, out_of = self.check or (0.0, 0.0)
        return missed + 0.5, out_of - missed + 0.5  # Jeffreys' prior

    def start(self) -> np.ndarray:
        return np.empty(0) if self.check is None else np.array([_mean(*self._beta())])

    def first(self) -> np.ndarray:
        """A first guess of the true counts."""
        missed = self.share if self.share is not None else self.start()[0]
        return np.round(np.maximum(self.found - self.false_finds, 0) / (1 - missed))

    def renew(self, state: np.ndarray, _truth: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """The share missed as the check leaves it possible; the castings themselves say nothing of it."""
        if self.check is None or rng.random() > _AGAIN:
            return state
        return np.array([rng.beta(*self._beta())])

    def log_density(self, state: np.ndarray, support: np.ndarray) -> np.ndarray:
        """(n, k): log chance of the automatic count at each possible true count (n, k)."""
        missed = self.share[:, None] if self.share is not None else np.full((len(self.found), 1), state[0])
        found, false = self.found[:, None], self.false_finds[:, None]
        most = int(min(self.found.max(), stats.poisson.ppf(1 - 1e-6, self.false_finds.max())))
        total = np.full(support.shape, -np.inf)
        for extra in range(most + 1):
            real = found - extra
            with np.errstate(divide="ignore", invalid="ignore"):
                chance = special.xlogy(extra, false) - false - special.gammaln(extra + 1)
                chance = chance + _log_binomial(real, support, 1 - missed)
            total = np.logaddexp(total, np.where((real >= 0) & (support >= real), chance, -np.inf))
        return total

    def told(self, _states: np.ndarray, response: str) -> list[str]:
        if self.check is not None:
            missed, out_of = self.check
            low, high = stats.beta.ppf([0.025, 0.975], *self._beta())
            how = f"{missed:g} of {out_of:g} known bubbles were missed: {words.share(low)} to {words.share(high)}"
        else:
            assert self.share is not None
            low, high = float(self.share.min()), float(self.share.max())
            how = words.share(low) if low == high else f"{words.share(low)} to {words.share(high)}"
            how += ", taken as known exactly"
        false = float(self.false_finds.mean())
        also = f" and {false:.2g} false finds a casting" if false else ""
        return [
            f"{response} was corrected for bubbles that the count misses ({how}){also}: expected numbers are of all "
            "bubbles, and the intervals allow for it."
        ]


@dataclass(frozen=True)
class Within(Readings):
    """A count and the 95% interval of the true number: normal on the square-root scale, on each side of the count."""

    found: np.ndarray
    low: np.ndarray
    high: np.ndarray

    def take(self, keep: np.ndarray) -> Within:
        return Within(self.found[keep], self.low[keep], self.high[keep])

    def start(self) -> np.ndarray:
        return np.empty(0)

    def first(self) -> np.ndarray:
        return self._middle()

    def _middle(self) -> np.ndarray:
        return np.clip(self.found, self.low, self.high)

    def renew(self, state: np.ndarray, _truth: np.ndarray, _rng: np.random.Generator) -> np.ndarray:
        return state

    def log_density(self, _state: np.ndarray, support: np.ndarray) -> np.ndarray:
        middle = np.sqrt(self._middle())[:, None]
        below = np.maximum(middle - np.sqrt(self.low)[:, None], 0.02) / stats.norm.ppf(0.975)
        above = np.maximum(np.sqrt(self.high)[:, None] - middle, 0.02) / stats.norm.ppf(0.975)
        apart = np.sqrt(support) - middle
        return -0.5 * (apart / np.where(apart < 0, below, above)) ** 2

    def told(self, _states: np.ndarray, response: str) -> list[str]:
        return [
            f"The interval of each {response} went in: its errors are taken to be independent from casting to casting, so "
            "an error that all counts share is not in the intervals."
        ]


def _log_binomial(k: np.ndarray, n: np.ndarray, p: np.ndarray) -> np.ndarray:
    return (
        special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1)
        + special.xlogy(k, p) + special.xlog1py(n - k, -p)
    )  # fmt: skip


def _mean(a: float, b: float) -> float:
    return a / (a + b)
