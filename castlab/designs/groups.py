"""How castings share batches and molds, those already made among them."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd

from castlab.designs import space as spaces
from castlab.designs.factors import Factor
from castlab.designs.how_many import MOST
from castlab.errors import InputError
from castlab.given import elements, shown

BEYOND = 1_000_000
"""Numbers of molds are smaller than this."""
FAR = 3.0
"""Coded setting from which on a casting already made is no part of the question: a whole range beyond the range's end."""
_NEW = 1_000_000
"""Batches still to be mixed are numbered from here on, so that none bears the number of one already made."""


def settings_made(made: pd.DataFrame, space: spaces.Space, held: tuple[Factor, ...]) -> pd.DataFrame:
    """The settings of the castings already made, those of the factors that vary."""
    names = [f.name for f in space.factors]
    if not isinstance(made, pd.DataFrame):
        raise InputError(f"made is a {type(made).__name__}; accepted: a table with one row per casting already made")
    missing = [n for n in names if n not in made]
    if missing:
        raise InputError(f"made has no column {missing[0]!r}; accepted: a column for each of {', '.join(names)}")
    columns = [str(c) for c in made.columns]
    wanted = (*names, *(f.name for f in held), "batch", "batch_id", "mold", "mold_id")
    twice = next((n for n in wanted if columns.count(n) > 1), None)
    if twice is not None:
        raise InputError(f"made has {columns.count(twice)} columns {twice!r}; accepted: each column once")
    settings = made[names].reset_index(drop=True)
    if settings.isna().any(axis=None):
        raise InputError("made holds a blank setting; leave out castings whose settings are not known")
    for f in space.factors:
        if f.numeric and len(settings):
            away = np.abs(f.coded(list(settings[f.name])))
            if away.max() > FAR:
                low, high = f.settings[0], f.settings[-1]
                raise InputError(
                    f"made holds {f.name} {settings[f.name].iloc[int(away.argmax())]:g}, far outside its range ({low:g} to {high:g}), "
                    f"where a straight line need not hold; accepted: {2 * low - high:g} to {2 * high - low:g}, a wider range of "
                    "the factor, or leave that casting out"
                )
    for f in held:
        if f.name in made and len(made) and np.any(np.array([str(v) for v in made[f.name]]) != str(f.hold)):
            numbers = pd.to_numeric(made[f.name], errors="coerce")
            if not (isinstance(f.hold, Real) and np.allclose(numbers, float(f.hold))):
                raise InputError(
                    f"{f.name} is held at {f.hold!r}, but castings already made had other settings; accepted: castings "
                    "made at that setting only, or let it vary"
                )
    return settings


def batches(made: pd.DataFrame, n: int, size: int | None) -> np.ndarray:
    """The batch of each casting, those already made first; `size` is None where castings share none."""
    known = _column(made, "batch")
    before = pd.factorize(known)[0] if size is not None and known is not None and len(made) else np.arange(len(made))
    parts = np.array_split(np.arange(n), ceil(n / (size or 1)))
    return np.concatenate([before, _NEW + np.repeat(np.arange(len(parts)), [len(part) for part in parts])])


def read_blocks(blocks: Any) -> int | list[str] | None:
    """How many molds there are, or their names; None (an empty list too) for a single one."""
    if blocks is None:
        return None
    accepted = f"accepted: the names of 2 to {MOST} molds, each once, or how many there are (None for a single mold)"
    if isinstance(blocks, (int, np.integer)) and not isinstance(blocks, bool):
        if not 2 <= blocks <= MOST:
            raise InputError(f"blocks is {shown(blocks)}; {accepted}")
        return int(blocks)
    found = elements(blocks)
    if found is None:
        raise InputError(f"blocks is {shown(blocks)}; {accepted}")
    given = [b.item() if isinstance(b, np.generic) else b for b in found]
    texts = [isinstance(b, str) and b.strip() and b.isprintable() for b in given]
    numbers = [isinstance(b, int) and not isinstance(b, bool) and 0 <= b < BEYOND for b in given]
    stray = [b for b, text, number in zip(given, texts, numbers, strict=True) if not text and not number]
    if stray:
        raise InputError(f"blocks holds {shown(stray[0])}, which is no name of a mold; {accepted}")
    names = [str(b) for b in given]
    if not names:
        return None
    if not 2 <= len(names) <= MOST or len({n.strip() for n in names}) < len(names):
        raise InputError(f"blocks is {shown(blocks)}; {accepted}")
    return names


def mold_names(blocks: int | Sequence[str] | None) -> tuple[str, ...]:
    """The names of the molds that the castings take turns in; none for a single one."""
    return tuple(f"mold {k + 1}" for k in range(blocks)) if isinstance(blocks, int) else tuple(blocks or ())


def molds(made: pd.DataFrame, names: tuple[str, ...], n: int) -> tuple[np.ndarray | None, tuple[str, ...]]:
    """The mold of each casting, those already made first, and the names of all molds."""
    if not names:
        return None, ()
    before = _column(made, "mold")
    known = list(before) if before is not None else ["not known"] * len(made)
    every = [*names, *sorted(set(known) - set(names))]
    return np.array([every.index(v) for v in known] + [i % len(names) for i in range(n)]), tuple(every)


def nuisances(mold: np.ndarray | None, n_made: int, n: int, batched: bool) -> np.ndarray:
    """Columns of differences that are kept out of the effects: of molds, and of what was made before."""
    columns = []
    if mold is not None:
        columns.append(np.equal.outer(mold, np.unique(mold)[1:]).astype(float))
    if n_made and not batched:
        columns.append((np.arange(n_made + n) < n_made).astype(float)[:, None])
    found = np.hstack(columns) if columns else np.zeros((n_made + n, 0))
    return found - found.mean(axis=0)


def _column(made: pd.DataFrame, stem: str) -> np.ndarray | None:
    name = next((n for n in (stem, f"{stem}_id") if n in made), None)
    return None if name is None else np.array([str(v) for v in made[name]], dtype=object)
