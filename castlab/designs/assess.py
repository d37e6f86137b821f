"""What a plan can tell: how well each effect will be known, and how good the plan is. What is mixed up: `aliasing`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from castlab import labels
from castlab.designs import exchange, two_level
from castlab.designs.space import Space, Term, two_factor

ROMAN = {3: "III", 4: "IV", 5: "V", 6: "VI"}


@dataclass(frozen=True)
class Runs:
    """Runs as they will be analysed, those already made first: settings, model rows and what groups them."""

    space: Space
    settings: pd.DataFrame
    X: np.ndarray
    plan: exchange.Structure
    nuisance: np.ndarray
    mold: np.ndarray | None
    batched: bool

    @property
    def Z(self) -> np.ndarray:
        """Which batch each run is from, (n, batches) of 0 and 1."""
        return np.equal.outer(self.plan.batch, np.unique(self.plan.batch)).astype(float)

    @property
    def n_batches(self) -> int:
        """How many batches there are, made ones included."""
        return len(np.unique(self.plan.batch))


def d_efficiency(runs: Runs, bound: float) -> float:
    """Share of the information (per effect) that the best conceivable plan with these batches would give.

    (|X'AX| / (n^p c^w B))^(1/p): B bounds |X'X / n| over all plans, and the w columns that only batches tell cannot be
    known better than c, the mean over castings of 1 / (1 + ratio x batch size), allows. The bound is exact for effects
    of two settings with equal batches (Hadamard's inequality); no plan need reach it.
    """
    value = float(exchange.worth(runs.X, runs.plan.A, None))
    n, p = runs.X.shape
    return float(np.exp((value - p * np.log(n) - batch_limit(runs.space, runs.plan) - bound) / p))


def batch_limit(space: Space, plan: exchange.Structure) -> float:
    """w log c of `d_efficiency`: what batches that scatter take from the information, at best."""
    sizes = np.unique(plan.batch, return_counts=True)[1]
    c = float(np.sum(sizes / (1 + plan.ratio * sizes)) / plan.n)
    return (1 + sum(len(t.cols) for t in space.terms if t.per_batch)) * float(np.log(c))


def resolution(runs: Runs) -> int | None:
    """Length of the shortest product of factors that is constant or partly so: 3, 4, 5, ...

    None where every combination of two settings stands equally often, where a factor has more than two settings, or
    where main effects are not balanced and independent.
    """
    used = [np.unique(f.coded(list(runs.settings[f.name]))) for f in runs.space.factors]
    if any(len(u) != 2 for u in used):
        return None
    signs = np.column_stack(
        [
            np.where(f.coded(list(runs.settings[f.name])) == u[1], 1.0, -1.0)
            for f, u in zip(runs.space.factors, used, strict=True)
        ]
    )
    lengths = two_level.word_lengths(signs, max(signs.shape[1], 2))
    if np.any(lengths[:2] > 1e-6):
        return None
    return next((j + 1 for j, count in enumerate(lengths) if count > 1e-6), None)


@dataclass(frozen=True)
class Contrast:
    """One comparison that the analysis will report, as weights of the model's coefficients."""

    effect: str
    words: str
    weights: np.ndarray
    on_batches: bool


def contrasts(runs: Runs) -> list[Contrast]:
    """High against low, each level against the first, and how much more one effect is where another factor is high."""
    space, found = runs.space, []
    projection = runs.Z @ np.linalg.pinv(runs.Z)
    for term in space.terms:
        block = runs.X[:, list(term.cols)]
        on_batches = runs.batched and bool(np.allclose(block, projection @ block, atol=1e-9))
        for text, rows in _steps(space, term):
            weights = np.zeros(space.p)
            weights[list(term.cols)] = rows
            found.append(Contrast(space.named(term), text, weights, on_batches))
    return found


def _steps(space: Space, term: Term) -> list[tuple[str, np.ndarray]]:
    factors = [space.factors[j] for j in term.parts]
    if term.bend:
        return [("middle against the mean of the ends", np.array([-1.0]))]
    own = []
    for f in factors:
        if f.numeric:
            low, high = f.settings[0], f.settings[-1]
            own.append(
                [(f"{' against '.join(labels.levels([high, low]))} {labels.unit(f.name)}".strip(), np.array([2.0]))]
            )
        else:
            base = space.block(space.factors.index(f), np.arange(len(f.settings)))
            single = next(t for t in space.terms if t.parts == (space.factors.index(f),))
            rows = base[:, list(single.cols)]
            first = labels.level(f.settings[0])
            own.append(
                [(f"{labels.level(v)} instead of {first}", rows[k] - rows[0]) for k, v in enumerate(f.settings) if k]
            )
    if len(own) == 1:
        return own[0]
    return [
        (f"{a} of {labels.name(factors[0].name)}, with {b} of {labels.name(factors[1].name)}", np.outer(u, v).ravel())
        for a, u in own[0]
        for b, v in own[1]
    ]


def degrees(runs: Runs) -> tuple[int, int]:
    """Degrees of freedom left to judge by: (between batches, within batches). Without batches both are the residual ones."""
    fixed = np.hstack([runs.X, runs.nuisance])
    rank = int(np.linalg.matrix_rank(fixed))
    if not runs.batched:
        return len(runs.X) - rank, len(runs.X) - rank
    both = int(np.linalg.matrix_rank(np.hstack([fixed, runs.Z])))
    return both - rank, len(runs.X) - both


def precision(runs: Runs) -> pd.DataFrame:
    """How well each effect will be known, in multiples of the scatter between castings of one cup (standard deviation).

    effect, contrast, judged_on ("castings" or "batches"), df, standard_error, half_width (of the 95% interval; infinite
    where nothing is left to judge by).
    """
    covariance = np.linalg.inv(runs.X.T @ runs.plan.A @ runs.X)
    between, within = degrees(runs)
    rows = []
    for c in contrasts(runs):
        df = between if c.on_batches else within
        error = float(np.sqrt(c.weights @ covariance @ c.weights))
        half = float(stats.t.ppf(0.975, df)) * error if df > 0 else np.inf
        rows.append((c.effect, c.words, "batches" if c.on_batches else "castings", df, error, half))
    return pd.DataFrame(rows, columns=["effect", "contrast", "judged_on", "df", "standard_error", "half_width"])


def outside(space: Space) -> tuple[Space, list[int]]:
    """The space with all two-factor interactions, and which of its columns the model leaves out."""
    wide = two_factor(space)
    model = {t.parts for t in space.terms}
    return wide, [c for t in wide.terms if t.parts not in model for c in t.cols]


def mixing(X: np.ndarray, left_out: np.ndarray, A: np.ndarray) -> float:
    """How far interactions left out of the model (columns) would bias its effects: sum of squared alias coefficients."""
    if not left_out.shape[1]:
        return 0.0
    coefficients = np.linalg.solve(X.T @ A @ X, X.T @ A @ left_out)
    return float(np.sum(coefficients[1:] ** 2))
