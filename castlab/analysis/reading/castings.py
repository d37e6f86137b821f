"""The castings that an analysis can use: columns checked, incomplete rows counted and left out, batches found."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import words
from castlab.analysis.reading import coding, kinds, recorded, unscored
from castlab.analysis.reading.known import Known
from castlab.errors import FitError, InputError
from castlab.given import nearest
from castlab.records import sheet_words

BATCH = "batch_id"
BATCHES = (BATCH, "batch")
"""The batch column of the logbook and that of a plan's table; the first that is there is used when `batch` is None."""
CUPS = frozenset(["batch", *sheet_words.SYNONYMS["batch"].split("|")])
"""Plain names that makers give the column of the cup."""
FEWEST = 3
"""Castings below which nothing can be compared."""


@dataclass(frozen=True)
class Castings:
    """Complete rows ready for a fit."""

    data: pd.DataFrame
    response: str
    factors: tuple[str, ...]
    y: np.ndarray
    kind: str
    grades: tuple[Any, ...]
    batch: str | None
    codes: np.ndarray | None
    """Batch number 0, 1, ... per row, or None."""
    exposure: str | None
    missing: dict[str, int]
    left_out: int
    around: pd.DataFrame
    """The other columns of the frame for the same castings, with the frame's own index."""
    cautions: list[str] = field(default_factory=list)
    blank: tuple[str, ...] = ()
    """Factors that were never recorded, and are not among the others."""
    known: Known | None = None
    """What was recorded of the true responses where `y` is only a first guess of some of them."""

    @property
    def n(self) -> int:
        """How many castings there are."""
        return len(self.y)

    @property
    def n_batches(self) -> int:
        """How many batches they come from; 0 where batches are not known."""
        return 0 if self.codes is None else int(self.codes.max()) + 1

    @property
    def offset(self) -> np.ndarray:
        """log of the exposure relative to its mean (zero without exposure), for counts."""
        if self.exposure is None:
            return np.zeros(self.n)
        values = kinds.numbers(self.data[self.exposure])
        return np.log(values / values.mean())

    def size(self) -> str:
        """ "60 castings in 18 batches"."""
        return words.size(self.n, self.n_batches)


def check_frame(frame: object, columns: Sequence[str]) -> pd.DataFrame:
    """The frame, if it is one and has each of these columns once.

    Raises
    ------
    InputError
        If it is not a DataFrame, is empty, or lacks or repeats a column.
    """
    if not isinstance(frame, pd.DataFrame):
        raise InputError(f"frame is a {type(frame).__name__}; accepted: a pandas DataFrame with one row per casting")
    if unnamed := [c for c in columns if not isinstance(c, str)]:
        raise InputError(
            f"a column is named {unnamed[0]!r}, which is no text; accepted: columns with names (frame.rename(columns=str))"
        )
    missing = [c for c in columns if c not in frame.columns]
    if missing:
        raise InputError(f"the frame has no column {', '.join(map(repr, missing))}{nearest(missing[0], frame.columns)}")
    twice = [c for c in columns if (frame.columns == c).sum() > 1]
    if twice:
        raise InputError(f"the frame has more than one column {twice[0]!r}; accepted: column names that occur once")
    if len(frame) == 0:
        raise InputError("the frame has no rows; accepted: one row per casting")
    return frame


def check_castings(frame: object, columns: Sequence[str]) -> pd.DataFrame:
    """The frame, if it has each of these columns and no casting twice.

    Raises
    ------
    InputError
        As `check_frame`, and if a trial_id stands in more than one row: the same casting would count as several.
    """
    checked = check_frame(frame, columns)
    if coding.NAME in checked:
        ids = checked[coding.NAME].dropna()
        if len(twice := ids[ids.duplicated()].unique()):
            rows = int((ids == twice[0]).sum())
            more = f" (and {len(twice) - 1} other{'s' if len(twice) > 2 else ''})" if len(twice) > 1 else ""
            raise InputError(
                f"trial_id {twice[0]} stands in {rows} rows{more}; accepted: one row per casting (several scores of one: scores=)"
            )
    return checked


def as_names(factors: str | Sequence[str]) -> tuple[str, ...]:
    """Factor names as a tuple without repeats."""
    if isinstance(factors, str):
        return (factors,)
    if not isinstance(factors, Iterable):
        raise InputError(f"factors is {factors!r}; accepted: one or more column names")
    names = tuple(factors)
    if not names:
        raise InputError("no factors were given; accepted: one or more column names")
    if odd := [name for name in names if not isinstance(name, str)]:
        raise InputError(f"factors holds {odd[0]!r}; accepted: names of columns, as text (frame.rename(columns=str))")
    return tuple(dict.fromkeys(names))


def find_batch(
    frame: pd.DataFrame, batch: str | bool | None, factors: Sequence[str], response: str | None = None
) -> tuple[str | None, str]:
    """The batch column to respect, and what to say about that choice."""
    free = [c for c in frame.columns if c not in factors and c != response]
    usual = next((name for name in BATCHES if name in free and frame[name].notna().any(axis=None)), None)
    if batch is False:
        if usual is not None:
            return (
                None,
                "Batches were switched off (batch=False): castings of one cup are treated as independent, which can look surer than it is.",
            )
        return None, ""
    if batch is True or batch is None:
        if usual is not None:
            check_frame(frame, [usual])
            return usual, ""
        if batch is True:
            raise InputError(f"batch=True needs a column {BATCH!r}; give the name of the batch column instead")
        return None, _unused_batch(frame, free)
    if not isinstance(batch, str):
        raise InputError(f"batch is {batch!r}; accepted: a column name, None, or False to switch batches off")
    check_frame(frame, [batch])
    if batch in factors:
        raise InputError(f"{batch!r} is both the batch and a factor; give it as one of them")
    return batch, ""


def _unused_batch(frame: pd.DataFrame, columns: Iterable[Any]) -> str:
    """What to say where a column is named as makers name the cup and repeats, though no batch was given."""
    for name in columns:
        plain = " ".join(str(name).lower().replace("_", " ").split())
        if plain in CUPS and isinstance(frame[name], pd.Series) and frame[name].dropna().duplicated().any():
            return (
                f"Castings were treated as independent. If {name} tells which were poured from one cup, give batch={name!r}: "
                "without it effects can look surer than they are."
            )
    return ""


def gather(
    frame: pd.DataFrame,
    response: str,
    factors: str | Sequence[str],
    kind: str | None,
    batch: str | bool | None,
    exposure: str | None,
    recording: recorded.Recording = recorded.EXACT,
) -> Castings:
    """Check everything that was asked for and keep the complete rows.

    Raises
    ------
    InputError
        For unknown columns, a response that does not fit its kind, or an unusable exposure.
    FitError
        If no complete rows are left, or the response never varies.
    """
    names = as_names(factors)
    scored = recording.scores is not None  # the response may then be in the scores alone
    check_castings(frame, [*([] if scored else [response]), *names, *([exposure] if exposure else [])])
    if response in names:
        raise InputError(f"{response!r} is both the response and a factor; give it as one of them")
    batch_name, batch_said = find_batch(frame, batch, names, response)
    for column, what in ((batch_name, "the batch"), (exposure, "the exposure")):
        if column == response:
            raise InputError(f"{response!r} is both the response and {what}; give it as one of them")
    found = recorded.read(frame, response, kind, recording)
    read, known = found.response, found.known
    cautions = [text for text in (batch_said, read.said, *found.said) if text]
    cautions += coding.texts_among_numbers(frame, names)
    if found.column is not None:
        frame = frame.assign(**{response: found.column})
    if exposure is not None and read.kind != "count":
        raise InputError(f"exposure={exposure!r} belongs to counts, but {response} is a {read.kind}; leave it out")

    columns = list(
        dict.fromkeys([response, *names, *([batch_name] if batch_name else []), *([exposure] if exposure else [])])
    )
    data = frame[columns]
    blank = data.isna()
    blank[response] = np.isnan(read.values)
    never = tuple(name for name in names if blank[name].all())
    names = tuple(name for name in names if name not in never)
    data, blank = data.drop(columns=list(never)), blank.drop(columns=list(never))
    keep = ~blank.any(axis=1).to_numpy()
    missing = {str(c): int(k) for c, k in blank.sum().items() if k}
    left_out = int((~keep).sum())
    per_column = words.listing([f"{c} in {k}" for c, k in missing.items()])
    if blank[response].all():
        raise FitError(
            f"{response} is not recorded for any of the {words.count(len(frame), 'casting')}; score them first"
        )
    if not names:
        raise FitError(f"{words.never_recorded(never)}; write down what was done, or name other factors")
    if (with_it := int((~blank[response]).sum())) < FEWEST:
        raise FitError(
            f"only {words.count(with_it, 'casting')} with {response}; at least {FEWEST} are needed to compare anything: log and "
            "score more"
        )
    if not keep.any():
        raise FitError(
            f"no casting has {response} and all factors recorded (missing: {per_column}); "
            "leave out the factor with the most blanks, or fill it in"
        )
    if left_out:
        cautions.append(
            f"{left_out} of {len(frame)} castings {'was' if left_out == 1 else 'were'} left out for missing values ({per_column})."
        )
        cautions += unscored.told(data, blank[response].to_numpy(), response, names)
    around = frame.loc[keep, ~frame.columns.isin(columns)]
    data = data.loc[keep].reset_index(drop=True)
    levelled = [c for c in names if isinstance(data[c].dtype, pd.CategoricalDtype)]
    data = data.assign(**{c: data[c].cat.remove_unused_categories() for c in levelled})
    y, grades = read.values[keep], read.grades
    if read.kind == "grade" and known is None:
        used, y = np.unique(y, return_inverse=True)
        grades, y = tuple(grades[int(g)] for g in used), y.astype(float)
    if exposure is not None:
        _check_exposure(data[exposure])
    _check_varies(y, read.kind, response, grades, limited=known is not None and not known.exact[keep].any())

    codes = None
    if batch_name is not None:
        codes, said = _batch_codes(data[batch_name])
        cautions += said
        if codes is None:
            batch_name = None
        elif batch is None:
            cautions.append(
                f"Batches were taken from {batch_name}: castings of one cup are not treated as independent."
            )
    return Castings(
        data=data, response=response, factors=names, y=y, kind=read.kind, grades=grades, batch=batch_name, codes=codes,
        exposure=exposure, missing=missing, left_out=left_out, blank=never, around=around, cautions=cautions,
        known=None if known is None else known.take(keep),
    )  # fmt: skip


def _batch_codes(column: pd.Series) -> tuple[np.ndarray | None, list[str]]:
    kinds.plain(column, "a batch")
    codes, labels = pd.factorize(column)
    if len(labels) == len(column):
        return None, [f"Each {column.name} holds one casting: castings are the independent units."]
    if len(labels) == 1:
        return None, [f"All castings are from one {column.name}: nothing here says how much another cup would differ."]
    return np.asarray(codes), []


def _check_exposure(column: pd.Series) -> None:
    values = kinds.numbers(column)
    if (values <= 0).any():
        raise InputError(f"exposure {column.name} holds {values.min():g}; accepted: numbers above 0")


def _check_varies(y: np.ndarray, kind: str, response: str, grades: tuple[Any, ...], *, limited: bool) -> None:
    n = len(y)
    if n < FEWEST:
        raise FitError(f"only {words.count(n, 'complete casting')}; at least {FEWEST} are needed to compare anything")
    if np.ptp(y) > kinds.resolution(y):
        return
    if limited:
        raise FitError(
            f"{response} is known in all {n} castings only as a limit, {labels.level(float(y[0]))}, so it cannot tell settings "
            "apart; castings that were counted or read to the end are needed"
        )
    if kind == "pass":
        bound = 0.05 ** (1 / n)  # exact one-sided binomial bound for n of n
        what = "passed" if y[0] else "failed"
        tail = (
            f"the rate is at least {words.share(bound)}"
            if y[0]
            else f"the pass rate is at most {words.share(1 - bound)}"
        )
        raise FitError(f"all {n} castings {what}, so {response} cannot tell settings apart; with 95% confidence {tail}")
    if kind == "count" and y[0] == 0:
        bound = -np.log(0.05) / n  # exact one-sided Poisson bound for a total of 0
        raise FitError(
            f"{response} is 0 in all {n} castings, so it cannot tell settings apart; "
            f"with 95% confidence the mean is at most {bound:.2g} per casting"
        )
    value = grades[0] if kind == "grade" else labels.level(float(y[0]))
    raise FitError(
        f"{response} is {value} in all {n} castings, so it cannot tell settings apart; castings that differ are needed"
    )
