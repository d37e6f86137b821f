"""Plans known from the textbooks, as positions in the grids of a space: factorials, fractions, Plackett-Burman, central
composite and Box-Behnken. What is asked for decides which of them fit; the plan takes the best.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from castlab.designs import two_level
from castlab.designs.space import Space

FACTORIAL, FRACTION, SCREEN = "full factorial", "fraction of a factorial", "Plackett-Burman plan"
KINDS = {"factorial": (FACTORIAL, FRACTION), "plackett-burman": (SCREEN,)}
"""Plans of two settings, as they are asked for -> the kinds that answer."""
COMPOSITE, BEHNKEN = "central composite plan", "Box-Behnken plan"

BLOCKS_OF_THREE = {
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}
"""Factors that move together in the Box-Behnken plans of 6 and 7 factors (Technometrics 2, 1960, 455-475)."""


def sizes(space: Space, most: int) -> list[int]:
    """Numbers of castings that a factorial or a Plackett-Burman plan may have: whole fours, or all combinations alike."""
    every = int(np.prod([float(len(g)) for g in space.grids]))
    return [n for n in range(1, most + 1) if n % 4 == 0 or n % every == 0]


@dataclass(frozen=True)
class Known:
    """A plan from the textbooks: its kind and its runs, (n, factors) positions in the grids."""

    kind: str
    levels: np.ndarray


def two_level_plans(
    space: Space, batch: np.ndarray, mold: np.ndarray | None, batched: bool, rng: np.random.Generator
) -> list[Known]:
    """Factorials, fractions and Plackett-Burman plans with this many runs, in the order of the given batches and molds."""
    n, found = len(batch), []
    top = np.array([len(g) - 1 for g in space.grids])
    if all(f.two_settings for f in space.factors) and not any(t.bend for t in space.terms):
        per_batch = [f.per_batch for f in space.factors]
        pairs = [(t.parts[0], t.parts[1]) for t in space.terms if len(t.parts) == 2 and not t.bend]
        for layout, copies in _layouts(n, batch, mold, batched):
            if len(layout.matrix) < space.p:
                continue
            signs = two_level.choose_columns(layout, per_batch, pairs, rng)
            if signs is None:
                continue
            order = np.argsort(layout.batch_of, kind="stable")
            levels = np.tile((signs[order] > 0) * top, (copies, 1))
            found.append(Known(_kind(layout, signs), levels))
    sizes = [len(g) for g in space.grids]
    every = int(np.prod([float(s) for s in sizes]))
    if every <= n and n % every == 0 and not batched and mold is None:
        found.append(Known(FACTORIAL, np.tile(np.array(list(product(*map(range, sizes)))), (n // every, 1))))
    return found


def _kind(layout: two_level.Layout, signs: np.ndarray) -> str:
    if not layout.regular:
        return SCREEN
    return FACTORIAL if len(np.unique(signs, axis=0)) == 2 ** signs.shape[1] else FRACTION


def _layouts(
    n: int, batch: np.ndarray, mold: np.ndarray | None, batched: bool
) -> Iterator[tuple[two_level.Layout, int]]:
    """Hadamard matrices, and how often each is run, that fit the batches and molds."""
    size = int(np.bincount(batch)[0]) if batched else n
    molds = 1 if mold is None else int(mold.max()) + 1
    if batched and len(set(np.bincount(batch))) > 1:
        return
    if molds & (molds - 1) or size % molds:
        return
    power = n & -n
    while power >= max(4, size if batched else 4):
        matrix = two_level.hadamard(power)
        batches = power // size if batched else 1
        if matrix is not None and power % size in (0, power) and batches & (batches - 1) == 0:
            yield two_level.Layout(matrix, True, max(batches, 1), molds), n // power
        power //= 2
    if not batched and molds == 1 and n & (n - 1):
        half = two_level.hadamard(n // 2) if n % 8 == 0 else None
        for matrix in (two_level.hadamard(n), None if half is None else np.kron([[1.0, 1.0], [1.0, -1.0]], half)):
            if matrix is not None:
                yield two_level.Layout(matrix, False), 1


def composite_size(k: int) -> int:
    """Runs of a central composite plan of k factors without its centre runs."""
    return 2 ** (k - _shortened(k)) + 2 * k


def _shortened(k: int) -> int:
    """How often the factorial part may be halved with two-factor interactions still clear of each other (resolution V)."""
    return 0 if k < 5 else 1 if k < 8 else 2


def central_composite(k: int, centres: int, rng: np.random.Generator) -> np.ndarray:
    """A factorial or resolution V fraction, a pair of runs on each axis at the ends of its range, and centre runs.

    Box and Wilson, Journal of the Royal Statistical Society B 13, 1951, 1-45; here with the axial runs in the faces of
    the region, so that no run leaves the ranges. Positions 0, 1, 2 are low, middle, high; 2 to 8 factors.
    """
    base = two_level.hadamard(2 ** (k - _shortened(k)))
    signs = None if base is None else two_level.choose_columns(two_level.Layout(base, True), [False] * k, [], rng)
    if signs is None:
        raise ValueError(f"no factorial part for {k} factors")
    axes = np.kron(np.eye(k), [[-1.0], [1.0]])
    return (np.vstack([signs, axes, np.zeros((centres, k))]) + 1).astype(int)


def behnken_size(k: int) -> int | None:
    """Runs of a Box-Behnken plan of k factors without its centre runs, None where there is none."""
    return {3: 12, 4: 24, 5: 40, 6: 48, 7: 56}.get(k)


def box_behnken(k: int, centres: int) -> np.ndarray:
    """Factorials of two or three factors at a time with the others in the middle: no run at a corner; 3 to 7 factors."""
    groups: Sequence[tuple[int, ...]] = BLOCKS_OF_THREE.get(k) or list(combinations(range(k), 2))
    runs = []
    for group in groups:
        for signs in product((0, 2), repeat=len(group)):
            run = [1] * k
            for j, s in zip(group, signs, strict=True):
                run[j] = s
            runs.append(run)
    return np.array(runs + [[1] * k] * centres)
