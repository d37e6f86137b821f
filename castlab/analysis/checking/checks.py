"""How far to trust a fit: what could be wrong with it, each check with a plain sentence. `FactorFit.checks()` calls it.

Found here: what is looked at and when it says so. The residuals are in `residuals`, leaving castings out in `influence`,
the sentences in `sentences`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats
from tqdm.auto import tqdm

from castlab.analysis import effects, words
from castlab.analysis.checking import influence, residuals
from castlab.analysis.checking import sentences as say
from castlab.analysis.checking.sentences import Row
from castlab.analysis.fit import FactorFit
from castlab.analysis.models import permutation, separation
from castlab.analysis.models.pooling import Pooled
from castlab.analysis.reading import coding, kinds
from castlab.analysis.reading.coding import Design, Factor, Term
from castlab.errors import FitError
from castlab.results import Result

LOOK, SERIOUS = 0.01, 0.001
"""p-values, adjusted within a check, below which it says "look" and "serious"."""
NAMES, MOLDS, TIMES = ("trial_id",), ("mold_id", "mold"), ("poured_at", "mixed_at")
"""Columns that name a casting, its mold, and when it was made; the first that is there and filled in is used."""
BATCH = "batch_id"
IN_ORDER = 0.7
"""Share of the variance of the order made above which a factor went with it; castings sorted by two settings have 0.75."""
TOGETHER = 10.0
"""Variance inflation above which settings that went together are told (a common rule of thumb)."""
LONG, PATIENCE_S = 1000, 1.0
"""Of so many castings, and of responses not known exactly, a progress bar is shown once the checks have taken so long."""
COLUMNS = ["check", "finding", "sentence", "number", "number_is"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Checks(Result):
    """What was looked at and what was found.

    `table` has one row per check: check, finding ("fine", "look", "serious" or "cannot tell"), sentence, number and
    number_is (what the number is). `castings` has one row per casting: casting, order, batch, mold, expected, residual
    (standard normal where the model holds; see `castlab.analysis.checking.residuals`), normal (where it would lie among normal
    ones), plain (batches' own deviations left in), leverage, cook (distance) and odd. `carried` lists the effects whose
    strength rests on one casting or batch. `settings` are the numeric factors with three settings or more.
    """

    table: pd.DataFrame
    castings: pd.DataFrame
    carried: pd.DataFrame
    settings: pd.DataFrame
    effects: pd.DataFrame
    response: str
    kind: str
    scale: str

    def tables(self) -> dict[str, pd.DataFrame]:
        told = self.table[["check", "finding", "sentence"]].copy()
        told["number"] = [
            "" if np.isnan(row.number) else f"{row.number_is} {row.number:.2g}" for row in self.table.itertuples()
        ]
        tables = {"How far to trust it": told}
        if len(self.carried):
            shown = words.table(self.carried, ratios=self.scale != "difference")
            tables["What rests on one casting or batch"] = shown
        return tables

    def findings(self, finding: str) -> list[str]:
        """The sentences of all checks with this finding."""
        return self.table.loc[self.table["finding"] == finding, "sentence"].to_list()


@dataclass(frozen=True)
class _Looked:
    """Everything the checks share."""

    fit: FactorFit
    left: residuals.Left
    names: list[str]
    mold: tuple[str, pd.Series] | None
    order: tuple[str, np.ndarray]


def look(fit: FactorFit) -> Checks:
    """Look at everything that could be wrong with this fit."""
    with np.errstate(all="ignore"):  # refits without a casting or a batch may be at the edge of what can be fitted
        return _look(fit)


def _look(fit: FactorFit) -> Checks:
    used = fit._castings
    left = residuals.of(used, fit._design, fit._chosen)
    seen = _Looked(fit, left, _names(fit), _mold(fit), _order(fit))
    lone, others = (_odd, _shape, _spread), (_bends, _trend, _molds, _batches, _together, _separated)
    quick = fit.n < LONG and not isinstance(fit._chosen.model, Pooled)
    steps = influence.most(used) + len(lone) + len(others) + 1
    with tqdm(total=steps, desc="Checking the fit", unit="step", delay=PATIENCE_S, leave=False, disable=quick) as bar:

        def told(checks: Sequence[Callable[[_Looked], Row]]) -> Iterator[Row]:
            for check in checks:
                yield check(seen)
                bar.update()

        rows = list(told(lone))
        carried = influence.of(used, fit._design, fit._chosen, fit.effects, left, seen.names, bar.update)
        rows += [*say.carried(carried, fit), *told(others), say.shuffled(fit.randomisation())]
    table = pd.DataFrame([(r.check, r.finding, r.sentence, r.number, r.number_is) for r in rows], columns=COLUMNS)
    n = fit.n
    ranks = stats.rankdata(left.quantile)
    each = pd.DataFrame(
        {
            "casting": seen.names, "order": seen.order[1], "batch": _column(fit, fit.batch or BATCH),
            "mold": None if seen.mold is None else seen.mold[1].to_numpy(), "expected": left.expected,
            "residual": left.quantile, "normal": stats.norm.ppf((ranks - 0.375) / (n + 0.25)), "plain": left.plain,
            "leverage": left.leverage, "cook": left.cook, "odd": left.tail * n < LOOK,
        }
    )  # fmt: skip
    settings = pd.DataFrame({f.name: kinds.numbers(fit.data[f.name]) for f in _bendable(fit)})
    return Checks(
        verdict=say.verdict(table), cautions=say.cautions(fit), table=table, castings=each, carried=carried.table,
        settings=settings, effects=fit.effects, response=fit.response, kind=fit.kind,
        scale=fit.scale,
    )  # fmt: skip


def graded(p: float) -> str:
    """The finding that goes with a p-value."""
    return "serious" if p < SERIOUS else "look" if p < LOOK else "fine"


# what the castings are


def _column(fit: FactorFit, name: str) -> np.ndarray | None:
    for frame in (fit.data, fit._castings.around):
        if name in frame:
            return frame[name].to_numpy()
    return None


def _first(fit: FactorFit, wanted: tuple[str, ...]) -> tuple[str, pd.Series] | None:
    for name in wanted:
        values = _column(fit, name)
        if values is not None and pd.notna(values).all():
            return name, pd.Series(values, name=name)
    return None


def _names(fit: FactorFit) -> list[str]:
    found = _first(fit, NAMES)
    return [str(v) for v in found[1]] if found else [f"row {label}" for label in fit._castings.around.index]


def _mold(fit: FactorFit) -> tuple[str, pd.Series] | None:
    return _first(fit, MOLDS)


def _order(fit: FactorFit) -> tuple[str, np.ndarray]:
    """When each casting was made, 0 the first and 1 the last, and by which column."""
    found = _first(fit, TIMES)
    values = pd.Series(range(fit.n)) if found is None else found[1]
    ranks = stats.rankdata(values, method="dense").astype(float) - 1
    return ("" if found is None else found[0]), ranks / max(ranks.max(), 1.0)


# columns added to the fit


def _with(seen: _Looked, factor: Factor, block: np.ndarray) -> tuple[float, Callable[[], tuple[float, float]]] | None:
    """p-value of these columns added to the fit, and what gives the interval of the first, which takes most of the time where
    castings are many; None where it cannot be told."""
    design, used = seen.fit._design, seen.fit._castings
    at = design.X.shape[1]
    X = np.hstack([design.X, block])
    if np.linalg.matrix_rank(X) < X.shape[1]:
        return None
    cols = tuple(range(at, at + block.shape[1]))
    try:
        chosen = influence.refit(used, Design((*design.terms, Term(factor.name, (factor,), cols)), X), seen.fit._chosen)
        p = chosen.model.test(cols).p
    except (FitError, np.linalg.LinAlgError):
        return None
    if chosen.scale != seen.fit.scale:
        return None

    def interval() -> tuple[float, float]:
        ends = np.array(chosen.model.interval(at))
        low, high = ends if chosen.scale == "difference" else np.exp(ends)
        return float(low), float(high)

    return p, interval


def _limited(seen: _Looked) -> int:
    """Castings of which only a limit is known: they pile up there, whatever the scatter is."""
    known = seen.fit._castings.known
    return 0 if known is None or known.readings is not None else int((~known.exact).sum())


# the checks


def _odd(seen: _Looked) -> Row:
    n = seen.fit.n
    adjusted = np.minimum(1.0, seen.left.tail * n)
    p = float(adjusted.min())
    odd = [seen.names[i] for i in np.argsort(adjusted, kind="stable") if adjusted[i] < LOOK]
    furthest = int(np.argmin(seen.left.tail))
    values = (seen.fit._castings.y[furthest], seen.left.expected[furthest])
    return Row("odd castings", graded(p), say.odd(odd, seen.names[furthest], values, seen.fit), p, "adjusted p")


def _shape(seen: _Looked) -> Row:
    q = seen.left.quantile
    if seen.left.df < 3 or len(q) < 8:
        return Row("shape of the scatter", "cannot tell", say.FEW_FOR_SHAPE)
    if limited := _limited(seen):
        return Row("shape of the scatter", "cannot tell", say.limited(limited, seen.fit))
    p = float(stats.shapiro(q).pvalue)
    finding = graded(2 * p)  # residuals are not independent, which makes the test find about twice as much as it should
    return Row("shape of the scatter", finding, say.shape(finding, seen.fit.kind), p, "p")


def _spread(seen: _Looked) -> Row:
    """Breusch and Pagan's test in Koenker's form (Journal of Econometrics 17, 1981, 107-112): squares against what is
    expected."""
    fit, left = seen.fit, seen.left
    if fit.kind == "pass" or np.ptp(left.expected) < 1e-12:
        return Row("spread", "fine", say.spread_of_passes(fit))
    if limited := _limited(seen):
        return Row("spread", "cannot tell", say.limited(limited, fit))
    squares = left.quantile**2
    r = float(np.corrcoef(squares, left.expected)[0, 1])
    p = float(stats.chi2.sf(fit.n * r * r, 1))
    finding = graded(p)
    number, name = (p, "p") if fit.kind == "measure" else (left.phi, "dispersion")
    return Row("spread", finding, say.spread(finding, r > 0, left.phi, fit), number, name)


def _numeric(fit: FactorFit) -> list[Factor]:
    return [t.parts[0] for t in fit._design.terms if len(t.parts) == 1 and t.parts[0].numeric]


def _bendable(fit: FactorFit) -> list[Factor]:
    return [f for f in _numeric(fit) if len(np.unique(kinds.numbers(fit.data[f.name]))) > 2]


def _bends(seen: _Looked) -> Row:
    """The square of each numeric factor with three settings or more, added to the fit."""
    fit = seen.fit
    numeric = _numeric(fit)
    able = _bendable(fit)
    two = [f.name for f in numeric if f not in able]
    if not able:
        return Row("straight lines", "cannot tell" if numeric else "fine", say.no_bend(two))
    squares: list[tuple[list[str], np.ndarray, Factor]] = []
    for f in able:
        block = f.columns(fit.data[f.name]) ** 2
        same = next((s for s in squares if abs(np.corrcoef(s[1][:, 0], block[:, 0])[0, 1]) > 0.999), None)
        if same is not None:
            same[0].append(f.name)
        else:
            squares.append(([f.name], block, f))
    found = [(names, _with(seen, Factor(f"{f.name} squared", True, (0.0, 1.0)), block)) for names, block, f in squares]
    known = [(names, result[0]) for names, result in found if result is not None]
    untold = [name for names, result in found if result is None for name in names]
    if not known:
        return Row("straight lines", "cannot tell", say.no_bend(two, untold))
    adjusted = effects.holm([p for _, p in known])
    bent = [names for (names, _), p in zip(known, adjusted, strict=True) if p < LOOK]
    p = float(adjusted.min())
    looked = [name for names, _ in known for name in names]
    return Row("straight lines", graded(p), say.bends(bent, looked, [*two, *untold]), p, "adjusted p")


def _trend(seen: _Looked) -> Row:
    column, order = seen.order
    found = None if np.ptp(order) == 0 else _with(seen, Factor("order made", True, (0.0, 1.0)), (order - 0.5)[:, None])
    if found is None:
        return Row("time trend", "cannot tell", say.NO_TREND)
    finding = graded(found[0])
    if sorted_by := _in_order(seen):
        graver = "cannot tell" if finding == "fine" else "look"
        return Row("time trend", graver, say.trend_in_order(sorted_by, column, told=finding != "fine"), found[0], "p")
    return Row("time trend", finding, say.trend(finding, found[0], found[1](), column, seen.fit), found[0], "p")


def _in_order(seen: _Looked) -> list[str]:
    """Factors that changed with the order in which the castings were made: they share at least `IN_ORDER` of its variance,
    after what as many columns share by chance."""
    X, order = seen.fit._design.X, seen.order[1] - seen.order[1].mean()
    named = []
    for term in seen.fit._design.terms:
        block = X[:, list(term.cols)] - X[:, list(term.cols)].mean(axis=0)
        left = order - block @ np.linalg.lstsq(block, order, rcond=None)[0]
        spare = len(order) - 1 - len(term.cols)
        if len(term.parts) == 1 and spare > 0:
            shared = 1 - (left @ left / spare) / (order @ order / (len(order) - 1))
            named += [term.name] if shared >= IN_ORDER else []
    return named


def _molds(seen: _Looked) -> Row:
    if seen.mold is None:
        return Row("molds", "cannot tell", say.NO_MOLDS)
    name, column = seen.mold
    if name in seen.fit.factors:
        return Row("molds", "fine", say.MOLD_IS_FACTOR)
    texts = column.astype(str)
    if texts.nunique() < 2:
        return Row("molds", "fine", say.ONE_MOLD)
    factor = coding.read_factor(texts.rename("mold"))
    found = _with(seen, factor, factor.columns(texts))
    if found is None:
        return Row("molds", "cannot tell", say.molds_untold(texts.nunique()))
    means = pd.Series(seen.left.plain).groupby(texts.to_numpy()).agg(["mean", "size"])
    apart = (means["mean"] * np.sqrt(means["size"])).abs()
    oddest = str(apart.idxmax())
    finding = graded(found[0])
    sentence = say.molds(found[0], finding, texts.nunique(), oddest, bool(means.loc[oddest, "mean"] > 0), seen.fit)
    return Row("molds", finding, sentence, found[0], "p")


def _batches(seen: _Looked) -> Row:
    fit, left, used = seen.fit, seen.left, seen.fit._castings
    if used.codes is None:
        column = None if BATCH in fit.data else _column(fit, BATCH)
        if column is None or pd.isna(column).any() or not 1 < len(pd.unique(column)) < fit.n:
            return Row("batches", "cannot tell", say.NO_BATCHES)
        groups = [left.plain[column == b] for b in pd.unique(column)]
        p = float(stats.f_oneway(*groups).pvalue)
        finding = graded(p)
        return Row("batches", finding, say.batches_ignored(finding), p, "p")
    ratio = max(0.0, left.batch_variance) * left.usual_weight / left.phi
    share = ratio / (1 + ratio)
    t = left.batch_student
    X = fit._design.X
    between = used.n_batches - sum(permutation.set_per_batch(X[:, [j]], used.codes) for j in range(X.shape[1]))
    p = 1.0
    if between > 2:
        inside = np.minimum(np.abs(t), np.sqrt(between) * 0.999)
        outside = inside * np.sqrt((between - 1) / (between - inside**2))
        p = float(min(1.0, used.n_batches * 2 * stats.t.sf(outside.max(), between - 1)))
    called = pd.unique(fit.data[used.batch])
    oddest = int(np.argmax(np.abs(t)))
    finding = graded(p)
    return Row(
        "batches",
        finding,
        say.batches(finding, share, str(called[oddest]), bool(t[oddest] > 0), fit),
        share,
        "share between",
    )


def _together(seen: _Looked) -> Row:
    """Did the fit converge, and can the settings be told apart well?"""
    fit = seen.fit
    X = fit._design.X[:, 1:]
    scaled = (X - X.mean(axis=0)) / np.maximum(X.std(axis=0), 1e-12)
    inflation = np.diag(np.linalg.pinv(scaled.T @ scaled / len(X), hermitian=True))
    worst = float(inflation.max())
    own = [t.name for t in fit._design.terms if len(t.parts) == 1 and max(inflation[j - 1] for j in t.cols) > TOGETHER]
    fell_back = next((c for c in fit.cautions if "did not converge" in c), "")
    finding = "look" if own or fell_back else "fine"
    return Row("convergence", finding, say.together(own, fell_back, list(fit.dropped)), worst, "variance inflation")


def _separated(seen: _Looked) -> Row:
    fit = seen.fit
    if fit.kind == "measure":
        return Row("separation", "fine", say.MEASURES_DO_NOT_SEPARATE)
    kind = "pass" if fit.kind == "grade" and len(fit._castings.grades) == 2 else fit.kind
    found = separation.direction(fit._design.X, fit._castings.y, kind)
    if found is None:
        return Row("separation", "fine", say.separated([], fit.kind))
    scale = np.abs(found[1:]).max()
    named = [
        say.contrast(t, t.cols.index(j))
        for t in fit._design.terms
        for j in t.cols
        if abs(found[j]) > 0.01 * max(scale, 1e-9)
    ]
    return Row("separation", "look", say.separated(named, fit.kind), float(len(named)), "effects without a limit")
