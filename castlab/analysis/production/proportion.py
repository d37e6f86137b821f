"""The interval of a share of castings (good ones, scrap) that takes castings of one cup for what they are: alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LEVEL = 0.95


@dataclass(frozen=True)
class Proportion:
    """Castings counted: `hits` of `made`, which tell as much as `effective` independent ones, and the share's interval."""

    hits: int
    made: int
    effective: float
    low: float
    high: float

    @property
    def share(self) -> float:
        """Hits of those made."""
        return self.hits / self.made


def proportion(hit: np.ndarray, codes: np.ndarray | None = None) -> Proportion:
    """A share with its 95% interval.

    Parameters
    ----------
    hit : array of 0 and 1
        One per casting, at least one.
    codes : array of int, optional
        Batch of each casting, 0, 1, ... Castings of one cup that come out alike count for fewer (`effective`).

    Returns
    -------
    Proportion
        The interval is Jeffreys' for independent castings; with batches that of the effective number of castings.

    Source: Korn and Graubard, Survey Methodology 24 (1998) 193-201 (effective number, with Student's t; from memory).

    Examples
    --------
    >>> alone = proportion(np.array([1, 1, 1, 0, 0, 0, 0, 0]))
    >>> cups = proportion(np.array([1, 1, 1, 0, 0, 0, 0, 0]), np.array([0, 0, 0, 1, 1, 1, 2, 2]))
    >>> round(alone.low, 2), round(alone.high, 2), round(cups.low, 2), round(cups.high, 2)
    (0.12, 0.71, 0.01, 0.96)
    """
    made, hits = len(hit), int(hit.sum())
    effective = float(made)
    if codes is not None and 0 < hits < made and 0 < codes.max() < made - 1:
        effective = _effective(hit, codes)
    low, high = interval(hits / made, effective)
    return Proportion(hits, made, effective, low, high)


def interval(share: float, size: float, method: str = "jeffreys", level: float = LEVEL) -> tuple[float, float]:
    """The interval of a share seen in so many independent castings; 0 and 1 are kept where none or all were hits.

    Source: Brown, Cai and DasGupta, Statistical Science 16 (2001) 101 (Jeffreys and Wilson); computed by statsmodels.

    Examples
    --------
    >>> [round(end, 3) for end in interval(3 / 40, 40)]
    [0.022, 0.187]
    """
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(share * size, size, alpha=1 - level, method=method)
    return (0.0 if share == 0 else float(low)), (1.0 if share == 1 else float(high))


def _effective(hit: np.ndarray, codes: np.ndarray) -> float:
    """How many independent castings would tell as much of the share."""
    from scipy import stats

    made, batches = len(hit), int(codes.max()) + 1
    share = hit.mean()
    residual = np.bincount(codes, hit - share)
    variance = batches / (batches - 1) * float(residual @ residual) / made**2
    wider = max(1.0, variance / (share * (1 - share) / made))
    if wider > 1:
        ends = 0.5 + LEVEL / 2
        wider *= (stats.t.ppf(ends, batches - 1) / stats.norm.ppf(ends)) ** 2
    return float(max(1.0, made / wider))
