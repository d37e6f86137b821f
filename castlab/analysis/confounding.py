"""What the castings made so far cannot tell apart, and which few castings would separate it best.

Settings that were never varied, settings that always (or nearly always) changed together, and settings that changed
only with the batch. The share is the part of one factor's variation that another factor repeats (the squared multiple
correlation of their design columns, averaged over columns).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from castlab import labels
from castlab.analysis import separating, words
from castlab.analysis.models import linear, permutation
from castlab.analysis.reading import castings as rows_of
from castlab.analysis.reading import coding
from castlab.errors import FitError, InputError
from castlab.records.columns import describe
from castlab.results import Result

ALWAYS, NEARLY, OFTEN = 0.999, 0.8, 0.5
"""Shares from which two factors "always", "nearly always" and "often" changed together."""
GROUPS = {"day": ("poured_at", "mixed_at"), "mold": ("mold", "mold_id")}
"""What castings were made together in, besides batches -> the columns that tell it, the better one first."""
AT = {"day": "on one day", "mold": "in one mold"}
FOLLOWS = "follows from these together"
SAME = f"{FOLLOWS}: their effects cannot be told apart"
ROUNDING = 1e-6
MOST = 500
"""Castings that may be asked for at once: more than a workshop makes before it looks again."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Confounding(Result):
    """What cannot be told apart. `pairs`: one, other, share (0 to 1), words; `n` castings were looked at."""

    pairs: pd.DataFrame
    n: int
    data: pd.DataFrame = field(repr=False)
    factors: tuple[str, ...]
    batch: str | None = None
    groups: Mapping[str, pd.Series] = field(default_factory=dict, repr=False)
    """"day" and "mold" of each casting, where the frame has them and they are no factors."""
    set_per_batch: tuple[str, ...] = ()
    """Factors that the next castings of one cup share: those alike within every cup so far, but for what the logbook keeps
    with each casting. Where no cup gave two castings, those that the logbook keeps with the batch."""
    _coded: tuple[coding.Factor, ...] = field(default=(), repr=False)

    @property
    def looked_at(self) -> tuple[str, ...]:
        """Column of the batch, "day" and "mold", where they group these castings and differ from each other."""
        codes = self._batches
        found = [str(self.batch)] if codes is not None and _groups(codes, None) else []
        return (*found, *(name for name, values in self.groups.items() if _groups(pd.factorize(values)[0], codes)))

    @property
    def silent(self) -> tuple[str, ...]:
        """Factors that were never varied, or never recorded."""
        varied = {f.name for f in self._coded if f.varied}
        return tuple(name for name in self.factors if name not in varied)

    @property
    def _batches(self) -> np.ndarray | None:
        """The number of the batch of each casting."""
        return None if self.batch is None else np.asarray(pd.factorize(self.data[self.batch])[0])

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"What changed together": self.pairs}

    def next_runs(
        self, n: int, *, batch_size: int | None = None, per_batch: str | Sequence[str] | None = None
    ) -> pd.DataFrame:
        """The n castings, over the settings already tried, that would separate the factors best.

        Parameters
        ----------
        n : how many castings, 1 to 500
        batch_size : castings poured from one new cup; None takes the usual size of the batches made, and no batches where
            none are known
        per_batch : factors that are set for a whole cup, () for none; None takes `set_per_batch`

        Returns
        -------
        DataFrame, one row per casting: batch (1, 2, ... each a new cup; with batches), mold (where molds are known), then
        one column per factor that was varied. Without batches in the order of their worth; with batches the most valuable
        cup first.

        Raises
        ------
        InputError
            If n or batch_size is not a whole number from 1 to 500, per_batch names no factor, or no factor was varied.

        Notes
        -----
        See `castlab.analysis.separating`.
        """
        _some("next_runs was asked for", n, "castings")
        varied = [f for f in self._coded if f.varied]
        if not varied:
            always = words.listing([f"{f.name} {labels.level(f.levels[0])}" for f in self._coded])
            raise InputError(
                f"none of the factors was varied (always {always}), and next_runs chooses among settings already tried; nearest "
                f"possible request: plan_trials with the settings to try, such as {_tried(self._coded[0])}"
            )
        codes = self._batches
        if batch_size is not None:
            _some("batch_size is", batch_size, "castings of a cup")
        elif codes is not None:
            batch_size = max(1, round(float(np.median(np.bincount(codes)))))
        names = [f.name for f in varied]
        given = self.set_per_batch if per_batch is None else per_batch
        wanted = [given] if isinstance(given, str) else list(given)
        stray = next((name for name in wanted if name not in self.factors), None)
        if stray is not None:
            raise InputError(f"per_batch names {stray!r}, which is no factor; the factors: {', '.join(self.factors)}")
        mold = self.groups.get("mold")
        made = separating.Made(self.data, codes, None if mold is None else mold.astype(str))
        return separating.propose(varied, made, int(n), batch_size, [name for name in wanted if name in names])


def _some(said: str, value: object, what: str) -> None:
    if not isinstance(value, (int, np.integer)) or isinstance(value, bool) or not 1 <= value <= MOST:
        raise InputError(f"{said} {value!r} {what}; accepted: a whole number from 1 to {MOST}")


def _tried(factor: coding.Factor) -> str:
    """A factor for `plan_trials` with the one setting it had and a second one."""
    only = factor.levels[0]
    if str(only) in ("True", "False"):
        return f"Factor.on_off({factor.name!r})"
    if factor.numeric:
        low = float(only)
        return f"Factor({factor.name!r}, {labels.level(low)}, {labels.level(low + (abs(low) / 10 or 1))})"
    return f"Factor({factor.name!r}, [{str(only)!r}, 'another'])"


def what_is_confounded(
    frame: pd.DataFrame, factors: str | Sequence[str], batch: str | bool | None = None
) -> Confounding:
    """Say which settings these castings cannot tell apart.

    Parameters
    ----------
    frame : DataFrame
        One row per casting.
    factors : str or sequence of str
        Columns of settings: numbers, text levels or yes/no.
    batch : str, optional
        Column of the batch; None uses `batch_id`, or `batch`, where it is present, False none.

    Returns
    -------
    Confounding
        `.pairs`, `.verdict`, `.next_runs(n)`.

    Raises
    ------
    InputError
        For unknown columns or settings that cannot be read.
    FitError
        If no casting has all the factors recorded.

    Examples
    --------
    >>> import pandas as pd
    >>> made = pd.DataFrame({"resin_c": [22, 22, 28, 28], "pour": ["stream", "stream", "ladle", "ladle"]})
    >>> report = what_is_confounded(made, ["resin_c", "pour"])
    >>> report.pairs["words"].iloc[0]
    'always changed together: their effects cannot be told apart'
    >>> report.next_runs(1).iloc[0].to_dict()
    {'resin_c': 22.0, 'pour': 'ladle'}
    """
    names = rows_of.as_names(factors)
    rows_of.check_castings(frame, names)
    batch_name, _ = rows_of.find_batch(frame, batch, names)  # nothing is judged here, so nothing is said
    columns = [*names, *([batch_name] if batch_name else [])]
    known = {c: frame[c].isna() for c in columns}
    empty = [c for c in names if known[c].all()]
    kept = [c for c in columns if c not in empty]
    complete = ~frame[kept].isna().any(axis=1)
    data = frame.loc[complete, kept].reset_index(drop=True)
    cautions = coding.texts_among_numbers(frame, names)
    if empty:
        cautions.append(f"{words.never_recorded(empty)}.")
    if data.empty or len(kept) == bool(batch_name):
        raise FitError(f"no casting has all of {', '.join(names)} recorded; leave out the factor with the most blanks")
    if len(data) < len(frame):
        blanks = words.listing([f"{c} in {int(b.sum())}" for c, b in known.items() if b.any() and c in kept])
        left = len(frame) - len(data)
        were = "was" if left == 1 else "were"
        cautions.append(f"{left} of {len(frame)} castings {were} left out for missing settings ({blanks}).")
    coded = tuple(coding.read_factor(data[c]) for c in names if c not in empty)
    codes = pd.factorize(data[batch_name])[0] if batch_name else None
    per_batch, supposed = _set_per_batch(data, coded, batch_name)
    if supposed:
        were, them = ("was", "it") if len(supposed) == 1 else ("were", "them")
        cautions.append(
            f"{words.listing(supposed)} {were} alike within every batch, so next_runs sets {them} per batch; "
            "per_batch= overrules that."
        )
    groups = groups_of(frame[complete], names)
    pairs = find_pairs(data, coded, codes, batch_name, groups)
    return Confounding(
        verdict=_verdict(pairs, len(data), len(names) - len(empty), empty), cautions=tuple(cautions), pairs=pairs, n=len(data), data=data,
        factors=names, batch=batch_name, groups=groups, set_per_batch=per_batch, _coded=coded,
    )  # fmt: skip


def _set_per_batch(
    data: pd.DataFrame, factors: Sequence[coding.Factor], batch: str | None
) -> tuple[tuple[str, ...], list[str]]:
    """The varied factors that are set for a whole cup, and which of them only these castings say so of, not the logbook."""
    told = describe()
    level = dict(zip(told["column"], told["level"], strict=True))
    names = [f.name for f in factors if f.varied]
    if batch is None or not data[batch].duplicated().any():
        return tuple(name for name in names if level.get(name) == "batch"), []
    differ = data.groupby(batch)[names].nunique().gt(1).any()
    alike = [name for name in names if not differ[name] and level.get(name) != "trial"]
    return tuple(alike), [name for name in alike if name not in level]


def groups_of(frame: pd.DataFrame, factors: Sequence[str]) -> dict[str, pd.Series]:
    """The day and the mold of each casting, where the frame has them for all castings and they are no factors."""
    found = {}
    for group, columns in GROUPS.items():
        if {group, *columns} & set(factors):
            continue
        for column in [c for c in columns if c in frame and frame[c].notna().all()]:
            values = frame[column].reset_index(drop=True)
            if group == "day":
                moments = pd.to_datetime(values, errors="coerce")
                if moments.isna().any():
                    continue
                values = moments.dt.date
            found[group] = values
            break
    return found


def find_pairs(
    data: pd.DataFrame,
    factors: Sequence[coding.Factor],
    codes: np.ndarray | None,
    batch: str | None,
    groups: Mapping[str, pd.Series] | None = None,
) -> pd.DataFrame:
    """One row per finding: one, other, share, words; the gravest first. `groups` as `groups_of` finds them."""
    found: list[tuple[str, str, float, str]] = []
    varied = [f for f in factors if f.varied]
    for f in factors:
        if not f.varied:
            only = labels.level(f.levels[0])
            found.append((f.name, "(never varied)", 1.0, f"always {only}: these castings say nothing about it"))
    blocks = {f.name: _centred(f.columns(data[f.name])) for f in varied}
    for i, one in enumerate(varied):
        for other in varied[i + 1 :]:
            share = max(_share(blocks[one.name], blocks[other.name]), _share(blocks[other.name], blocks[one.name]))
            if share >= OFTEN:
                found.append((one.name, other.name, round(share, 3), _pair_words(share)))
    found += _following_others(varied, blocks, found)
    if codes is not None:
        found += [(one, str(batch), share, said) for one, share, said in _with_batch(varied, blocks, codes)]
    for group, values in (groups or {}).items():
        found += _with_group(varied, blocks, np.asarray(pd.factorize(values)[0]), group, codes)
    found.sort(key=lambda row: -row[2])
    return pd.DataFrame(found, columns=["one", "other", "share", "words"])


def _following_others(
    varied: Sequence[coding.Factor], blocks: dict[str, np.ndarray], pairs: Sequence[tuple[str, str, float, str]]
) -> list[tuple[str, str, float, str]]:
    """Factors that several others together repeat, where no pair says as much; one row for the same factors."""
    found: dict[frozenset[str], tuple[str, str, float, str]] = {}
    for factor in varied:
        rest = [f.name for f in varied if f is not factor]
        paired = max((share for one, other, share, _ in pairs if factor.name in (one, other)), default=0.0)
        if len(rest) < 2 or paired >= ALWAYS:
            continue
        share = _share(blocks[factor.name], np.hstack([blocks[name] for name in rest]))
        if share < NEARLY or (share < ALWAYS and paired >= NEARLY):
            continue
        partners = _needed(blocks[factor.name], blocks, rest, share - ROUNDING if share >= ALWAYS else NEARLY)
        if share >= ALWAYS:
            row = (factor.name, words.listing(partners), 1.0, SAME)
        else:
            said = f"nearly {FOLLOWS}: its effect can hardly be told from theirs"
            row = (factor.name, words.listing(partners), round(share, 3), said)
        together = frozenset({factor.name, *partners})
        if together not in found or found[together][2] < row[2]:
            found[together] = row
    return list(found.values())


def separable(
    data: pd.DataFrame, factors: Sequence[coding.Factor], codes: np.ndarray | None
) -> tuple[list[coding.Factor], dict[str, str]]:
    """The factors whose effects can be estimated together, in the order given, and why each other one cannot."""
    kept: list[coding.Factor] = []
    dropped: dict[str, str] = {}
    X = np.ones((len(data), 1))
    for f in factors:
        if not f.varied:
            dropped[f.name] = f"{f.name} was never varied, so these castings say nothing about it."
            continue
        block = f.columns(data[f.name])
        wider = np.hstack([X, block])
        rank = np.linalg.matrix_rank(wider)
        if rank < wider.shape[1]:
            if rank == len(data):
                raise FitError(
                    f"{words.count(len(data), 'complete casting')} cannot carry {f.name} as well; use fewer factors or levels"
                )
            blocks = {k.name: _centred(k.columns(data[k.name])) for k in kept}
            share = _share(_centred(block), np.hstack(list(blocks.values())))
            needed = _needed(_centred(block), blocks, list(blocks), share - ROUNDING)
            partners = words.listing(needed)
            together = (
                f"{f.name} and {partners} {_pair_words(1.0)}"
                if len(needed) == 1
                else f"{f.name} {following(SAME, partners)}"
            )
            dropped[f.name] = (
                f"{together}. {f.name} was left out, and what is said of {partners} may be due to {f.name}."
            )
            continue
        if codes is not None and linear.strata(wider, codes).df_between < 1:
            dropped[f.name] = (
                f"{f.name} changed only from batch to batch, and no batch is left to show how much batches differ anyway: "
                "its effect cannot be told from the batch. It was left out; repeat a setting in another batch."
            )
            continue
        X = wider
        kept.append(f)
    return kept, dropped


def _centred(block: np.ndarray) -> np.ndarray:
    return block - block.mean(axis=0)


def _share(block: np.ndarray, other: np.ndarray) -> float:
    """Average part of the variation of `block` (centred, whitened) that `other` (centred) repeats."""
    basis, kept = _basis(block), _basis(other)
    return float(np.sum((kept.T @ basis) ** 2)) / max(basis.shape[1], 1)


def _basis(block: np.ndarray) -> np.ndarray:
    u, s, _ = np.linalg.svd(block, full_matrices=False)
    return u[:, s > 1e-9 * max(s.max(initial=0), 1e-12)]


def _needed(block: np.ndarray, blocks: dict[str, np.ndarray], names: list[str], enough: float) -> list[str]:
    """The smallest set found, by leaving out one after the other, that still explains enough of the block."""
    needed = list(names)
    for name in names:
        fewer = [n for n in needed if n != name]
        if fewer and _share(block, np.hstack([blocks[n] for n in fewer])) >= enough:
            needed = fewer
    return needed


def following(said: str, others: str) -> str:
    """The words of a factor that follows from others, with these named."""
    return said.replace("these", others, 1)


def _pair_words(share: float) -> str:
    if share >= ALWAYS:
        return "always changed together: their effects cannot be told apart"
    if share >= NEARLY:
        return "nearly always changed together: their effects can hardly be told apart"
    return "often changed together: their effects are known less well than the number of castings suggests"


def _with_batch(
    varied: Sequence[coding.Factor], blocks: dict[str, np.ndarray], codes: np.ndarray
) -> Iterator[tuple[str, float, str]]:
    if not _groups(codes, None):
        return
    batches = words.count(int(codes.max()) + 1, "batch")
    for f, share, each in _following(varied, blocks, codes):
        if share < ALWAYS:
            said = (
                f"changed almost only from batch to batch: {batches} tell most of its effect, not {len(codes)} castings"
            )
        elif each:
            said = (
                "changed only from batch to batch, each setting in one batch: its effect cannot be told from the batch"
            )
        else:
            said = f"set per batch: judged on {batches}, not on the number of castings"
        yield f, share, said


def _with_group(
    varied: Sequence[coding.Factor],
    blocks: dict[str, np.ndarray],
    codes: np.ndarray,
    group: str,
    batches: np.ndarray | None,
) -> Iterator[tuple[str, str, float, str]]:
    """Factors that changed only, or nearly only, from day to day or from mold to mold."""
    many, n = int(codes.max()) + 1, len(codes)
    if not _groups(codes, batches):
        return
    for f, share, each in _following(varied, blocks, codes):
        if each:
            said = f"changed only from {group} to {group}, each setting {AT[group]}: its effect cannot be told from the {group}"
        else:
            only = "only" if share >= ALWAYS else "almost only"
            said = (
                f"changed {only} from {group} to {group}: {words.count(many, group)} tell its effect, not {n} castings"
            )
        yield f, group, share, said


def _following(
    varied: Sequence[coding.Factor], blocks: dict[str, np.ndarray], codes: np.ndarray
) -> Iterator[tuple[str, float, bool]]:
    """Factors that follow the groups more than chance does: name, share, and whether each setting stands in one group."""
    many, n = int(codes.max()) + 1, len(codes)
    chance = (many - 1) / max(n - 1, 1)
    for f in varied:
        basis = _basis(blocks[f.name])
        share = float(np.sum(permutation.batch_means(basis, codes) ** 2)) / max(basis.shape[1], 1)
        if share >= ALWAYS or share - chance >= NEARLY * (1 - chance) > 0:
            settings = len(np.unique(np.round(blocks[f.name], 9), axis=0))
            yield f.name, round(share, 3), share >= ALWAYS and many <= settings


def _groups(codes: np.ndarray, batches: np.ndarray | None) -> bool:
    """Whether castings share groups that are not just the batches."""
    many = len(set(codes))
    return 1 < many < len(codes) and (batches is None or not _same_groups(codes, batches))


def _same_groups(one: np.ndarray, other: np.ndarray) -> bool:
    return len({(a, b) for a, b in zip(one, other, strict=True)}) == len(set(one)) == len(set(other))


def _verdict(pairs: pd.DataFrame, n: int, n_factors: int, empty: Sequence[str] = ()) -> str:
    start = f"{words.count(n, 'casting')}, {words.count(n_factors, 'factor')}."
    if empty:
        start += f" {words.sentence(words.never_recorded([labels.name(name) for name in empty]))}."
    if pairs.empty:
        each = f"Every {'other ' if empty else ''}factor was varied" if n_factors > 1 else "The factor was varied"
        apart = ", and no two of them changed together often enough to blur their effects" if n_factors > 1 else ""
        return f"{start} {each}{apart}."
    names = pairs["one"].map(labels.name)
    pairs = pairs.assign(one=names, First=names.map(words.sentence), other=pairs["other"].map(labels.names))
    never = pairs[pairs["other"] == "(never varied)"]
    parts = [start]
    if len(never):
        parts.append(f"Never varied, so unknown: {words.listing(list(never['one']))}.")
    rest = pairs[pairs["other"] != "(never varied)"]
    parts += [
        f"{row.First} and {row.other} {row.words}."
        for row in rest.itertuples()
        if not row.words.startswith(("set per", "changed")) and FOLLOWS not in row.words
    ]
    parts += [f"{row.First} {following(row.words, row.other)}." for row in rest.itertuples() if FOLLOWS in row.words]
    parts += [
        f"{row.First} {row.words}."
        for row in rest.itertuples()
        if row.words.startswith("changed") and not row.words.startswith("changed only from batch")
    ]
    single = rest[rest["words"].str.startswith("changed only from batch")]
    if len(single):
        parts.append(f"Cannot be told from the batch: {words.listing(list(single['one']))}.")
    per = rest[rest["words"].str.startswith("set per")]
    if len(per):
        parts.append(f"Set per batch, so judged on batches: {words.listing(list(per['one']))}.")
    return " ".join(parts)
