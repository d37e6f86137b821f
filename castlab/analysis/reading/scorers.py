"""Readings of the same castings by several people: each scorer's bias and the noise of a reading, beside the true response.

A reading is the true response moved by the scorer's bias and blurred by noise: of measures on their own scale; of counts
on the square-root scale, where the scatter of counting is even, with a bias that multiplies; of grades and pass on the
scale of the grades, rounded to one of them. The true response is what the average reading would show. Which responses
are plausible given all this is drawn in `castlab.analysis.models.imputation`, which calls `renew` and `log_density` in turn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from castlab import labels
from castlab.analysis import words
from castlab.analysis.reading import kinds, limits
from castlab.errors import InputError

KEY = "trial_id"
_LEAST_NOISE = {"count": 0.1, "measure": 1e-3, "grade": 0.15, "pass": 0.15}
"""Readings that all agree by chance would otherwise be held for exact. Of measures: as a share of their spread."""
_MOST_NOISE = {"count": 20.0, "measure": 10.0, "grade": 1.0, "pass": 0.8}
"""Beyond this, grades and pass would hardly follow the casting (readings a whole grade off as a rule, a pass misread one
time in four), and castings that are all alike would explain the readings as well."""

_VAGUE = 0.1
"""Width of what may be the share of passes misread above which intervals hold 98% instead of 95% (`bench_imperfect.py`)."""


@dataclass(frozen=True)
class Scorers:
    """Readings in long form: one entry per reading."""

    kind: str
    n: int
    """Castings."""
    casting: np.ndarray
    scorer: np.ndarray
    value: np.ndarray
    stopped: np.ndarray
    """Counting stopped at the value: there were more."""
    names: tuple[str, ...]
    top: int = 0
    """Highest grade code."""

    def take(self, keep: np.ndarray) -> Scorers:
        """The readings of some castings, renumbered."""
        place = np.cumsum(keep) - 1
        mine = keep[self.casting]
        return replace(
            self, n=int(keep.sum()), casting=place[self.casting[mine]], scorer=self.scorer[mine],
            value=self.value[mine], stopped=self.stopped[mine],
        )  # fmt: skip

    @property
    def twice(self) -> int:
        """Castings that were read more than once: only they tell the noise of a reading."""
        return int((np.bincount(self.casting, minlength=self.n) > 1).sum())

    def first(self) -> np.ndarray:
        """A first guess of the true responses."""
        sums = np.bincount(self.casting, self.value, self.n)
        mean = sums / np.maximum(np.bincount(self.casting, minlength=self.n), 1)
        return mean if self.kind == "measure" else np.round(mean)

    def start(self) -> np.ndarray:
        """Biases of zero and a middling noise; the last entry is the log of the noise."""
        noise = 0.3 * self._unit() if self.kind == "measure" else {"count": 1.0}.get(self.kind, 0.4)
        return np.append(np.zeros(len(self.names)), np.log(noise))

    def _unit(self) -> float:
        return float(np.std(self.value)) or 1.0

    def _log(self, state: np.ndarray, truth: np.ndarray) -> np.ndarray:
        """Log density of each reading (first axis) at these true responses."""
        shape = (-1,) + (1,) * (truth.ndim - 1)
        bias, noise = state[:-1][self.scorer].reshape(shape), float(np.exp(state[-1]))
        value = self.value.reshape(shape)
        if self.kind == "count":
            apart = (_root(value) - _root(truth * np.exp(bias))) / noise
        elif self.kind == "measure":
            apart = (value - truth - bias) / noise
        else:
            middle = truth + bias
            upper = np.where(value >= self.top, 1.0, special.ndtr((value + 0.5 - middle) / noise))
            lower = np.where(value <= 0, 0.0, special.ndtr((value - 0.5 - middle) / noise))
            return np.log(np.maximum(upper - lower, 1e-12))
        found = -0.5 * apart**2 - np.log(noise)
        if self.stopped.any():
            found = np.where(self.stopped.reshape(shape), special.log_ndtr(-apart), found)
        return found

    def log_density(self, state: np.ndarray, support: np.ndarray) -> np.ndarray:
        """(n, k): log density of all readings of a casting at each possible true response (n, k)."""
        found = np.zeros(support.shape)
        np.add.at(found, self.casting, self._log(state, support[self.casting]))
        return found

    def normal(self, state: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and precision (n,) that the readings of a measure give."""
        sums = np.bincount(self.casting, self.value - state[:-1][self.scorer], self.n)
        number = np.bincount(self.casting, minlength=self.n)
        return sums / np.maximum(number, 1), number / np.exp(2 * state[-1])

    def renew(self, state: np.ndarray, truth: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """A Metropolis step for every bias and the noise, given true responses.

        Biases are held to a mean of zero over all readings, so that the true response is what the average reading shows.
        """
        at = truth[self.casting]
        share = np.bincount(self.scorer, minlength=len(self.names)) / len(self.scorer)
        size = self.value + 0.5 if self.kind == "count" else np.ones(len(self.value))
        known = np.bincount(self.scorer, size, len(self.names))
        now = float(self._log(state, at).sum())
        noise = float(np.exp(state[-1]))
        widest = 3.0 if self.kind == "count" else 4 * self._unit()
        for j in range(len(self.names) if len(self.names) > 1 else 0):
            new = state.copy()
            new[:-1] -= share[j] * (move := 1.7 * noise / np.sqrt(known[j]) * rng.normal())
            new[j] += move
            then = float(self._log(new, at).sum())
            if np.max(np.abs(new[:-1])) < widest and np.log(rng.random()) < then - now:
                state, now = new, then
        new = state.copy()
        new[-1] += 1.7 / np.sqrt(len(self.value)) * rng.normal()
        unit = self._unit() if self.kind == "measure" else 1.0
        if _LEAST_NOISE[self.kind] * unit < np.exp(new[-1]) < _MOST_NOISE[self.kind] * unit:
            then = float(self._log(new, at).sum())
            if np.log(rng.random()) < then - now:
                state = new
        return state

    def told(self, states: np.ndarray, response: str) -> list[str]:
        """What the draws say of the scorers, in words."""
        told = []
        if len(self.names) > 1:
            for j, name in enumerate(self.names):
                middle, low, high = np.quantile(states[:, j], [0.5, 0.025, 0.975])
                if low > 0 or high < 0:
                    if self.kind == "count":
                        values = words.effect(*np.exp([middle, low, high]), times=True)
                        told.append(f"{name} counts {values[0]} times the average ({values[1]} to {values[2]})")
                    elif self.kind == "pass":
                        told.append(
                            f"{name} passes {'more' if middle > 0 else 'fewer'} castings than the average scorer"
                        )
                    else:
                        values = words.effect(middle, low, high, times=False)
                        unit = labels.unit(response) if self.kind == "measure" else "grades"
                        told.append(f"{name} reads {values[0]} {unit} against the average ({values[1]} to {values[2]})")
        alone = f"{words.count(self.twice, 'casting')} {'was' if self.twice == 1 else 'were'} read more than once"
        said = [
            f"The readings of {words.count(len(self.names), 'scorer')} went in one by one ({alone}): their bias and noise "
            "are in the intervals, and the answer is for the average reading."
        ]
        if self.kind == "pass":
            wrong = special.ndtr(-0.5 / np.exp(states[:, -1]))
            middle, low, high = np.quantile(wrong, [0.5, 0.025, 0.975])
            said.append(
                f"About {words.share(middle)} of the readings may be wrong ({words.share(low)} to {words.share(high)})."
                + (
                    " So little is known of that that intervals are rather too wide than too narrow."
                    if high - low > _VAGUE
                    else ""
                )
            )
        if told:
            said.append("Scorers differ: " + "; ".join(told) + ".")
        if self.twice < 6:
            said.append("So few castings were read more than once that the noise of a reading is itself hardly known.")
        if apart := self.unlinked():
            said.append(
                f"{words.listing(apart)} read no casting that anyone else read, so a harsher eye is told from worse "
                "castings only by the settings; have each read some castings of the others."
            )
        return said

    def unlinked(self) -> list[str]:
        """Scorers that share no casting with any other."""
        if len(self.names) < 2:
            return []
        seen = np.zeros((self.n, len(self.names)), dtype=bool)
        seen[self.casting, self.scorer] = True
        shared = seen.sum(axis=1) > 1
        return [name for j, name in enumerate(self.names) if not (seen[:, j] & shared).any()]


def read(scores: pd.DataFrame, ids: pd.Series, response: str, kind: str, grades: tuple[object, ...]) -> Scorers:
    """The readings of these castings.

    Parameters
    ----------
    scores : DataFrame
        One row per score: `trial_id`, `scorer`, and the response; `<response>_stopped` (yes/no) where counting stopped.
    ids : Series
        The casting of each row of the frame.

    Raises
    ------
    InputError
        If a column is missing, or no score belongs to these castings.
    """
    place = {value: i for i, value in enumerate(ids)}
    if len(place) != len(ids):
        raise InputError(
            f"{KEY} holds a casting more than once; accepted with scores=: one row per casting in the frame"
        )
    column, at_least, at_most = limits.read_texts(scores[response])
    if at_most.any():
        raise InputError(
            f"the scores hold {response} below a limit; accepted in scores=: numbers, or numbers with + after them"
        )
    if kind == "grade":
        known = {grade: float(code) for code, grade in enumerate(grades)}
        unknown = [v for v in column.dropna() if v not in known]
        if unknown:
            raise InputError(f"the scores hold the grade {unknown[0]!r}; accepted: {', '.join(map(str, grades))}")
        values = np.array([np.nan if pd.isna(v) else known[v] for v in column])
    else:
        values = kinds.read(column, kind).values
    flag = f"{response}_stopped"
    if flag in scores.columns:
        at_least = at_least | limits.read_flags(scores[flag])
    casting = np.array([place.get(value, -1) for value in scores[KEY]])
    mine = (casting >= 0) & ~np.isnan(values)
    if not mine.any():
        raise InputError(f"no score in scores= has {response} for a casting of the frame ({KEY} in both must agree)")
    if kind not in ("count", "measure") and at_least[mine].any():
        raise InputError(f"{response} is a {kind}, which cannot be a lower limit; accepted: counts and measures")
    codes, names = pd.factorize(_who(scores)[mine], sort=True)
    return Scorers(
        kind, len(ids), casting[mine], np.asarray(codes), values[mine], at_least[mine], tuple(map(str, names)),
        top=max(len(grades) - 1, 1),
    )  # fmt: skip


def _who(scores: pd.DataFrame) -> np.ndarray:
    """The scorer of each row; a photo or gauge that nobody signed counts as a scorer of its own."""
    who = scores["scorer"].astype(object)
    if "method" in scores.columns:
        who = who.where(who.notna(), scores["method"].astype(object))
    return who.where(who.notna(), "someone").to_numpy()


def _root(value: np.ndarray) -> np.ndarray:
    """Twice the square root with Anscombe's 3/8: one unit is the scatter of a Poisson count."""
    return 2 * np.sqrt(value + 0.375)
