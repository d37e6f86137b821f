"""Factors as columns of a design matrix, built without formulas so that any column name works.

A numeric factor is one straight-line column scaled so that its coefficient is the effect of the step that is reported
(high against low of two settings; the whole range of up to five settings; else the upper against the lower quartile).
A categorical factor has treatment columns against a reference level (its first level if it is a pandas category, "no"
for yes/no, else the most common). Interaction columns are products of centred columns, so that main effects stay the
average over the other factor's levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis.reading import kinds
from castlab.errors import InputError
from castlab.given import elements, shown

MOST_LEVELS_AS_RANGE = 5
SAME = 1e-9
"""Numbers this close together, relative to their size, are one setting (differences of rounding)."""
NAME = "trial_id"


@dataclass(frozen=True)
class Factor:
    """How one factor becomes columns."""

    name: str
    numeric: bool
    levels: tuple[Any, ...]
    """Levels in use (reference first), or (lowest, highest) of a numeric factor."""
    low: float = 0.0
    high: float = 1.0
    center: float = 0.0

    @property
    def varied(self) -> bool:
        """Whether it was set to more than one value."""
        return len(self.levels) > 1

    @property
    def contrasts(self) -> list[str]:
        """The comparison of each column, in words."""
        if self.numeric:
            return [f"{' against '.join(labels.levels([self.high, self.low]))} {labels.unit(self.name)}".strip()]
        reference, *others = labels.levels(self.levels)
        return [f"{level} instead of {self.measured(reference)}" for level in others]

    def measured(self, level: str) -> str:
        """A level with the unit of its column, where the levels are numbers.

        Examples
        --------
        >>> Factor("resin_c", False, ("22", "30")).measured("22"), Factor("resin_c", False, ("cold", "30")).measured("30")
        ('22 °C', '30')
        """
        numbers = pd.to_numeric(pd.Series(labels.levels(self.levels), dtype=object), errors="coerce")
        return f"{level} {labels.unit(self.name)}".strip() if numbers.notna().all() else level

    @property
    def held(self) -> Any:
        """The setting used where none is given: mean or reference level."""
        return self.center if self.numeric else self.levels[0]

    def columns(self, values: pd.Series) -> np.ndarray:
        """The (rows, columns) block of these settings.

        Raises
        ------
        InputError
            If a setting is not a number or not one of the levels.
        """
        if self.numeric:
            return ((kinds.numbers(values) - self.center) / (self.high - self.low))[:, None]
        texts = [str(v) for v in self.levels]
        given = [str(v) for v in values]
        if self.levels and texts[0] in ("False", "True"):
            given = [{"no": "False", "yes": "True", "0": "False", "1": "True"}.get(g.lower(), g) for g in given]
        unknown = next((g for g in given if g not in texts), None)
        if unknown is not None:
            raise InputError(
                f"{self.name} has no level {unknown!r}; levels tried: {', '.join(map(labels.level, self.levels))}"
            )
        position = np.array([texts.index(g) for g in given])
        return (position[:, None] == np.arange(1, len(texts))[None, :]).astype(float)

    def centred(self, values: pd.Series) -> np.ndarray:
        """Columns with the unweighted mean over the levels taken off, for interactions."""
        block = self.columns(values)
        return block if self.numeric else block - 1 / len(self.levels)


@dataclass(frozen=True)
class Term:
    """A factor or an interaction of two, and its columns in the design matrix."""

    name: str
    parts: tuple[Factor, ...]
    cols: tuple[int, ...]

    @property
    def contrasts(self) -> list[str]:
        """What each column of the term compares, in words."""
        if len(self.parts) == 1:
            return self.parts[0].contrasts
        one, other = self.parts
        return [
            f"{labels.name(one.name)} {a}, with {labels.name(other.name)} {b}"
            for a in one.contrasts
            for b in other.contrasts
        ]


@dataclass(frozen=True)
class Design:
    """The design matrix (intercept first) and its terms."""

    terms: tuple[Term, ...]
    X: np.ndarray

    def row_block(self, settings: pd.DataFrame) -> np.ndarray:
        """Rows of the design matrix at other settings (one column per factor)."""
        return np.column_stack([np.ones(len(settings)), *(_block(t.parts, settings) for t in self.terms)])


def read_factor(column: pd.Series) -> Factor:
    """How this column is coded.

    Raises
    ------
    InputError
        For dates and other values that are neither numbers nor levels.
    """
    name, dtype = str(column.name), column.dtype
    if pd.api.types.is_datetime64_any_dtype(dtype) or pd.api.types.is_timedelta64_dtype(dtype):
        raise InputError(
            f"factor {name} is a date or time; accepted: numbers, text levels or yes/no (for example hours since the first casting)"
        )
    values = list(kinds.plain(column, "a factor").dropna())
    is_bool = pd.api.types.is_bool_dtype(dtype) or (
        bool(values) and all(isinstance(v, (bool, np.bool_)) for v in values)
    )
    if is_bool:
        return Factor(name, False, tuple(sorted({bool(v) for v in values})))
    if isinstance(dtype, pd.CategoricalDtype):
        return Factor(name, False, tuple(column.cat.remove_unused_categories().cat.categories))
    if pd.api.types.is_numeric_dtype(dtype) or (values and all(isinstance(v, (int, float, np.number)) for v in values)):
        return _numeric(name, kinds.numbers(column))
    counts = pd.Series([str(v) for v in values], dtype=object).value_counts()
    ordered = sorted(counts.index, key=lambda v: (v != min(counts.index[counts == counts.max()]), v))
    return Factor(name, False, tuple(ordered))


def texts_among_numbers(frame: pd.DataFrame, names: Sequence[str]) -> list[str]:
    """What to say of factors whose settings are text although their column is one of numbers: most of them read as numbers,
    such as "24" and "about 24", or the column's name has a unit.

    Raises
    ------
    InputError
        If a factor holds text among true numbers, which would make a level of every number.
    """
    said = []
    for name in names:
        values = frame[name].dropna()
        if values.dtype != object and not isinstance(values.dtype, pd.StringDtype):
            continue
        text = np.array([isinstance(v, str) for v in values], dtype=bool)
        if not text.any():
            continue
        true = [v for v in values[~text] if isinstance(v, (int, float, np.number)) and not isinstance(v, bool)]
        if len(true) == int((~text).sum()) and len(set(true)) > 1:
            raise InputError(
                f"{_holds(frame, values[text])} among numbers; accepted: a number for every casting (blank where it is not "
                f"known), or levels: frame[{name!r}].astype('category')"
            )
        odd = pd.to_numeric(values.where(text, 0), errors="coerce").isna().to_numpy()
        settings = len(set(values[~odd]))
        mostly = settings > 2 and (~odd).sum() > odd.sum()
        if odd.any() and (mostly or labels.unit(name)):
            said.append(
                f"{_holds(frame, values[odd])}, so all of its settings were taken as levels, not as numbers: correct it if it "
                "is one."
            )
        elif not odd.any() and (settings > MOST_LEVELS_AS_RANGE or labels.unit(name)):
            said.append(
                f"{name} holds numbers written as text, which were taken as levels: pd.to_numeric(frame[{name!r}]) makes "
                "numbers of them."
            )
    return said


def _holds(frame: pd.DataFrame, values: pd.Series) -> str:
    """The first of these values of a column, and of which casting it is."""
    row = values.index[0]
    where = f"casting {frame.loc[row, NAME]}" if NAME in frame and frame.index.is_unique else f"row {row}"
    return f"{values.name} holds {values.iloc[0]!r} ({where})"


def _numeric(name: str, values: np.ndarray) -> Factor:
    settings = np.unique(values)
    if np.ptp(settings) <= SAME * np.abs(settings).max():
        settings = settings[:1]
    low, high = float(settings[0]), float(settings[-1])
    if len(settings) > MOST_LEVELS_AS_RANGE:
        first, third = np.quantile(values, [0.25, 0.75])
        if third > first:
            digits = 1 - int(np.floor(np.log10(third - first)))
            low, high = round(float(first), digits), round(float(third), digits)
    ends = (float(settings[0]),) if len(settings) == 1 else (float(settings[0]), float(settings[-1]))
    return Factor(name, True, ends, low=low, high=high if high > low else low + 1, center=float(values.mean()))


def build(data: pd.DataFrame, factors: Sequence[Factor], interactions: Sequence[tuple[str, str]]) -> Design:
    """The design matrix of these factors and interactions over the data."""
    known = {f.name: f for f in factors}
    parts = [(f,) for f in factors] + [(known[a], known[b]) for a, b in interactions]
    return _assemble(parts, data)


def without(design: Design, data: pd.DataFrame, names: Sequence[str]) -> Design:
    """The design without some terms."""
    return _assemble([t.parts for t in design.terms if t.name not in names], data)


def _assemble(parts: Sequence[tuple[Factor, ...]], data: pd.DataFrame) -> Design:
    blocks, terms, at = [np.ones((len(data), 1))], [], 1
    for part in parts:
        block = _block(part, data)
        name = " x ".join(f.name for f in part)
        terms.append(Term(name, tuple(part), tuple(range(at, at + block.shape[1]))))
        blocks.append(block)
        at += block.shape[1]
    return Design(tuple(terms), np.hstack(blocks))


def _block(parts: Sequence[Factor], data: pd.DataFrame) -> np.ndarray:
    if len(parts) == 1:
        return parts[0].columns(data[parts[0].name])
    one, other = (f.centred(data[f.name]) for f in parts)
    return (one[:, :, None] * other[:, None, :]).reshape(len(data), -1)


def read_interactions(wanted: int | Sequence[tuple[str, str]], factors: Sequence[str]) -> list[tuple[str, str]]:
    """The pairs to include: 0 for none, 2 for all two-factor interactions, or a list of pairs of factor names.

    Raises
    ------
    InputError
        For anything else.
    """
    accepted = "accepted: 0 (main effects only), 2 (all two-factor interactions) or a list of pairs of factors"
    if isinstance(wanted, (int, np.integer)):
        if wanted not in (0, 2) or isinstance(wanted, bool):
            raise InputError(f"interactions is {shown(wanted)}; {accepted}")
        return list(combinations(factors, 2)) if wanted == 2 else []
    given = elements(wanted)
    if given is None:
        raise InputError(f"interactions is {shown(wanted)}; {accepted}")
    pairs = []
    for pair in given:
        names = elements(pair) or []
        unknown = [name for name in names if not isinstance(name, str) or name not in factors]
        if len(names) == 2 and unknown:
            raise InputError(f"interactions names {shown(unknown[0])}, which is not among the factors; {accepted}")
        if len(names) != 2 or names[0] == names[1]:
            raise InputError(f"interactions holds {shown(pair)}; {accepted}")
        pairs.append((names[0], names[1]))
    return pairs
