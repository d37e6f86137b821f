"""What is mixed up with what in a plan: every pair of effects, in short for a reader, and in one verdict."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from castlab import labels
from castlab.designs.assess import Runs
from castlab.designs.space import Space, two_factor

SEEN = 0.01
"""Correlations below this are none: clear of each other."""
HALF = 0.5
SAME = 0.999
LISTED = 24
"""Rows of the short table up to which every pair that is partly mixed has its own."""
NAMED = 3
"""Effects up to which a sentence names them."""
BENT = "bend of "
BEFORE = "made before"
"""What differs between castings already made and those to come, where no batches take it up."""
COLUMNS = ["effect", "alias", "correlation", "words"]
PARTLY, LARGELY, APART = "partly mixed", "largely mixed", "cannot be told apart"
MAIN, CROSSED, BEND = "main effects", "two-factor interactions", "bends"
Row = tuple[str, str, str, str]


def looked_at(space: Space) -> list[str]:
    """Effects among which aliases are looked for: main effects, all two-factor interactions, the bends of the model."""
    wide = two_factor(space)
    return [wide.named(t) for t in wide.terms] + [space.named(t) for t in space.terms if t.bend]


def aliases(runs: Runs) -> pd.DataFrame:
    """What is mixed up with what: effect, alias, correlation (of their columns; -1 to 1, largest for levels), words.

    Main effects, all two-factor interactions and the bends of the model against each other, then what batches, molds and
    the castings made before repeat of each effect. A pair that does not stand here is clear of each other.
    """
    wide = two_factor(runs.space)
    X = wide.rows_of(runs.settings)
    names = looked_at(runs.space)
    blocks = [X[:, list(t.cols)] for t in wide.terms]
    blocks += [runs.X[:, list(t.cols)] for t in runs.space.terms if t.bend]
    bases = [_basis(b - b.mean(axis=0)) for b in blocks]
    starts = np.cumsum([0, *(b.shape[1] for b in bases)])
    gram = np.hstack(bases).T @ np.hstack(bases)
    found: list[tuple[str, str, float, str]] = []
    for i, one in enumerate(names):
        for j in range(i + 1, len(names)):
            part = gram[starts[i] : starts[i + 1], starts[j] : starts[j + 1]]
            r = float(part[0, 0]) if part.size == 1 else float(np.linalg.norm(part, 2)) if part.size else 0.0
            if abs(r) >= SEEN:
                found.append((one, names[j], round(r, 3), _words(round(r, 3))))
    return pd.DataFrame([*found, *_with_groups(runs, names, bases)], columns=COLUMNS)


def _words(r: float) -> str:
    return APART if abs(r) >= SAME else LARGELY if abs(r) >= HALF else PARTLY


def _with_groups(
    runs: Runs, names: Sequence[str], bases: Sequence[np.ndarray]
) -> Iterator[tuple[str, str, float, str]]:
    per_batch = {runs.space.named(t) for t in two_factor(runs.space).terms if t.per_batch}
    per_batch |= {runs.space.named(t) for t in runs.space.terms if t.per_batch}
    groups = [("batch", runs.Z)] if runs.batched else []
    if runs.mold is not None:
        groups.append(("mold", np.equal.outer(runs.mold, np.unique(runs.mold)).astype(float)))
    if runs.plan.n_made and not runs.batched:
        groups.append((BEFORE, (np.arange(runs.plan.n) < runs.plan.n_made)[:, None].astype(float)))
    for group, indicators in groups:
        kept = _basis(indicators - indicators.mean(axis=0))
        for name, basis in zip(names, bases, strict=True):
            r = round(float(np.linalg.norm(kept.T @ basis, 2)) if basis.size and kept.size else 0.0, 3)
            if r < SEEN:
                continue
            text = _words(r)
            if group == "batch" and text == APART:
                text = f"{'set per batch: ' if name in per_batch else ''}judged on {runs.n_batches} batches"
            yield name, group, r, text


def _basis(block: np.ndarray) -> np.ndarray:
    u, s, _ = np.linalg.svd(block, full_matrices=False)
    return np.sign(u[:, :1].T @ block[:, :1]) * u if block.shape[1] == 1 and s[0] > 1e-9 else u[:, s > 1e-9]


def kinds(space: Space) -> dict[str, str]:
    """Effect -> main effects, two-factor interactions or bends. What is none of them is what castings share."""
    wide = two_factor(space)
    found = {wide.named(t): MAIN if len(t.parts) == 1 else CROSSED for t in wide.terms}
    return found | {space.named(t): BEND for t in space.terms if t.bend}


def said(effect: str) -> str:
    """An effect in the words of the bench."""
    bent = effect.removeprefix(BENT)
    return labels.names(effect) if bent == effect else BENT + labels.name(bent)


def size(r: float) -> float:
    """How large a correlation is said to be, to two digits: 1 only where effects cannot be told apart."""
    return 1.0 if abs(r) >= SAME else min(round(abs(r), 2), 0.99)


def in_short(found: pd.DataFrame, space: Space) -> pd.DataFrame:
    """The aliases as a reader can take them in, the gravest first: effects in words, correlation as text.

    Effects that cannot be told apart share one row. Other pairs have a row each where these are few; else those that are
    mixed least are counted, by kind of effect.
    """
    of = kinds(space)
    grave, grouped = found["correlation"].abs() >= SAME, ~found["alias"].isin(of)
    ties = [*_chains(found[grave & ~grouped]), *_tied_to_groups(found[grave & grouped])]
    degrees = [found[found["words"] == degree] for degree in (LARGELY, PARTLY)]
    rows = [list(_each(pairs)) for pairs in degrees]
    for place in (1, 0):
        if len(ties) + sum(map(len, rows)) > LISTED:
            rows[place] = list(_counted(degrees[place], of))
    return pd.DataFrame([*ties, *rows[0], *rows[1]], columns=COLUMNS)


def _chains(ties: pd.DataFrame) -> Iterator[Row]:
    """Effects of which each cannot be told from any other of its row, until every pair stands in a row."""
    signs = {(row.effect, row.alias): np.sign(row.correlation) for row in ties.itertuples()}
    left = dict.fromkeys(signs)
    while left:
        one, first = next(iter(left))
        chain = [one, first]
        for a, b in signs:
            if a == one and b != first and all((m, b) in signs for m in chain):
                chain.append(b)
        for place, member in enumerate(chain):
            for other in chain[place + 1 :]:
                left.pop((member, other), None)
        found = {signs[one, other] for other in chain[1:]}
        yield said(one), ", ".join(map(said, chain[1:])), "±1.00" if len(found) > 1 else f"{found.pop():+.2f}", APART


def _tied_to_groups(ties: pd.DataFrame) -> Iterator[Row]:
    for (group, text), rows in ties.groupby(["alias", "words"], sort=False):
        yield ", ".join(map(said, rows["effect"])), group, "+1.00", text


def _each(pairs: pd.DataFrame) -> Iterator[Row]:
    for row in pairs.itertuples():
        yield said(row.effect), said(row.alias), f"{np.sign(row.correlation) * size(row.correlation):+.2f}", row.words


def _counted(pairs: pd.DataFrame, of: dict[str, str]) -> Iterator[Row]:
    kinds_of = [pairs["effect"].map(of), pairs["alias"].map(lambda alias: of.get(alias, alias))]
    for (one, other), rows in pairs.groupby(kinds_of, sort=False):
        if len(rows) == 1:
            yield from _each(rows)
        else:
            largest = size(rows["correlation"].abs().max())
            yield (
                one, "each other" if one == other else other, f"up to {largest:.2f}",
                f"{rows['words'].iloc[0]}: {len(rows)} pairs, each in .aliases",
            )  # fmt: skip
