"""Are the tests and intervals of `fit_factors` what they say, with few castings and batches? Simulate and count.

    python tests/benchmarks/bench_calibration.py [--quick] [--runs 2000] [--kind count] [--seed 0] [--exact]

For each kind of response and each cell of the grid (castings and batches, scatter between batches, dispersion, mean), castings
are drawn with a known truth and analysed as `fit_factors` does. Printed per cell, for a factor set per batch and one set per
casting: how often a factor without effect is called one at the nominal 5%, how often the nominal 95% interval holds a true
effect, and how often that effect is found, beside two who know more: one who knows the model, which factors act and the true
scatter, and one who knows all that but must estimate the scatter. No test can keep its 5% and do as well as the first with
four batches, whose scatter nobody knows: with 2 degrees of freedom t must pass 4.30 where a normal deviate passes 1.96. The
second is the best there can be (for normal data t is the most powerful of unbiased tests; Lehmann, Testing Statistical
Hypotheses, 1959, chapter 5, from memory), and under each kind stands how far even that one falls short of the first.

A cell is inside the bar where false positives lie in 4 to 6% and coverage in 93.5 to 96.5%, give or take two Monte-Carlo
standard errors (0.49 points at 2000 runs). A star marks what is outside. Nothing here asserts.

Passes of few castings have few outcomes that can occur, and their tests jump from one attainable size to the next. Where
there are at most 3000 outcomes all are gone through: "exactly" are the false positives added up over them, and behind a
cell whose test has no size within the bar, wherever one stops calling outcomes in the order of their p-values, stand the two
sizes next to 5%; a wave instead of a star marks it, and it counts as outside. With --exact only passes are looked at, in all
cells with at most 30,000 outcomes, and no rate is simulated: the bar has no slack then.

With scatter between batches the odds ratio of passes and grades is that of the share over many batches (marginal), which is
a little nearer to 1 than within any one batch; the truth is worked out accordingly.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import outcomes
from scipy import optimize, special, stats
from tqdm import tqdm

from castlab.analysis.models import many

LAYOUTS = {
    "12/4": [3] * 4, "14/4": [4, 4, 3, 3], "16/4": [4] * 4, "16/8": [2] * 8, "17/5": [4, 3, 4, 3, 3], "20/5": [4] * 5,
    "24/4": [6] * 4, "24/6": [4] * 6, "24/8": [3] * 8, "30/5": [6] * 5, "30/6": [5] * 6,
    "12/-": [1] * 12, "16/-": [1] * 16, "24/-": [1] * 24, "30/-": [1] * 30,
}  # fmt: skip
"""Castings / batches -> castings in each batch."""
QUICK = ["12/4", "17/5", "24/6", "24/-"]
SEVERAL = ["16/4", "17/5", "24/6", "30/6", "30/-"]
"""Where the model also holds two more factors without effect."""
GRADES = (0.1, 0.2, 0.3, 0.25, 0.15)
EFFECT = {"measure": 1.2, "count": np.log(2), "grade": 1.2, "pass": 1.2}
"""The true effect, on the scale of the link (of the casting's standard deviation for measures)."""
FALSE, COVER = (4.0, 6.0), (93.5, 96.5)


@dataclass(frozen=True)
class Cell:
    kind: str
    layout: str
    base: float = 0.0
    """Mean count, or share that passes."""
    dispersion: float = 0.0
    spread: float = 0.0
    """Standard deviation between batches, on the scale of the link."""
    several: bool = False

    @property
    def batched(self) -> bool:
        return not self.layout.endswith("-")

    def name(self) -> str:
        what = {"count": f"mean {self.base:g}, alpha {self.dispersion:g}", "pass": f"share {self.base:g}"}.get(
            self.kind, ""
        )
        scatter = f", batches {self.spread:g}" if self.batched else ""
        return f"{self.layout:>5} {what}{scatter}{', 4 factors' if self.several else ''}"


def grid(kinds: list[str], quick: bool) -> list[Cell]:
    cells = []
    for kind in kinds:
        for layout in QUICK if quick else LAYOUTS:
            spreads = {"measure": (0.0, 0.5, 1.5), "count": (0.0, 0.3, 0.7, 1.0)}.get(kind, (0.0, 0.3, 0.7))
            for spread in (0.0,) if layout.endswith("-") else spreads[::2] if quick else spreads:
                start = Cell(kind, layout, spread=spread)
                if kind == "count":
                    pairs = [(3, 0), (8, 0.5)] if quick else [(m, a) for m in (3, 8, 20) for a in (0, 0.2, 0.5)]
                    here = [replace(start, base=m, dispersion=a) for m, a in pairs]
                elif kind == "pass":
                    here = [replace(start, base=share) for share in (0.5, 0.75)]
                else:
                    here = [start]
                cells += here
                if not quick and layout in SEVERAL:
                    cells.append(replace(here[len(here) // 2], several=True))
    return cells


def design(cell: Cell) -> tuple[np.ndarray, np.ndarray | None]:
    """Intercept, a factor set per batch (per pair of castings without batches), one set per casting, perhaps two more."""
    sizes = LAYOUTS[cell.layout]
    codes = np.repeat(np.arange(len(sizes)), sizes)
    if not cell.batched:
        per_batch, within = (codes // 2) % 2, codes % 2
    else:
        per_batch = codes % 2
        within = np.concatenate([(np.arange(size) + b // 2) % 2 for b, size in enumerate(sizes)])
    columns = [np.ones(len(codes)), per_batch, within]
    if cell.several:
        rng = np.random.default_rng(len(codes))
        while len(columns) < 5:
            more = rng.permutation(np.arange(len(codes)) % 2)
            wider = np.column_stack([*columns, more]).astype(float)
            if np.linalg.svd(wider, compute_uv=False)[-1] > 1.2:
                columns.append(more)
    return np.column_stack(columns).astype(float), codes if cell.batched else None


def truth(cell: Cell, effect: float) -> np.ndarray:
    """Coefficients, with the base reached where both factors act."""
    p = 5 if cell.several else 3
    base = {
        "measure": 0.0,
        "count": np.log(max(cell.base, 1e-9)),
        "grade": 0.0,
        "pass": special.logit(cell.base or 0.5),
    }
    coef = np.zeros(p)
    coef[0], coef[1:3] = base[cell.kind] - effect, effect
    return coef


def draw(cell: Cell, effect: float, runs: int, rng: np.random.Generator) -> np.ndarray:
    """Castings, (runs, n)."""
    X, codes = design(cell)
    line = np.broadcast_to(X @ truth(cell, effect), (runs, len(X)))
    if codes is not None:
        line = line + rng.normal(0, cell.spread, (runs, codes.max() + 1))[:, codes]
    if cell.kind == "measure":
        return line + rng.normal(0, 1, line.shape)
    if cell.kind == "count":
        mean = np.exp(line)
        if cell.dispersion:
            mean = mean * rng.gamma(1 / cell.dispersion, cell.dispersion, line.shape)
        return rng.poisson(mean).astype(float)
    if cell.kind == "pass":
        return (rng.random(line.shape) < special.expit(line)).astype(float)
    latent = special.logit(rng.random(line.shape)) + line
    return np.sum(latent[:, :, None] > special.logit(np.cumsum(GRADES)[:-1]), axis=2).astype(float)


_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(41)


def share(line: np.ndarray | float, spread: float) -> np.ndarray:
    """The chance of passing over many batches."""
    return special.expit(np.asarray(line)[..., None] + spread * _NODES) @ (_WEIGHTS / _WEIGHTS.sum())


def targets(cell: Cell, effect: float) -> np.ndarray:
    """What the two intervals should hold: the coefficients that the marginal model has in the limit of many castings."""
    if effect == 0 or cell.kind in ("measure", "count") or cell.spread == 0:
        return np.full(2, effect)
    X, _ = design(cell)
    coef = truth(cell, effect)
    cuts = special.logit(np.cumsum(GRADES)[:-1]) if cell.kind == "grade" else np.zeros(1)
    rows, counts = np.unique(X[:, :3], axis=0, return_counts=True)
    line = rows @ coef[:3]
    below = np.array([1 - share(line - cut, cell.spread) for cut in cuts]).T
    chance = np.diff(np.column_stack([np.zeros(len(rows)), below, np.ones(len(rows))]), axis=1)

    def loss(theta: np.ndarray) -> float:
        slopes, at = theta[:2], np.concatenate([[-np.inf], theta[2:], [np.inf]])
        cumulated = special.expit(at[None, :] - (rows[:, 1:] @ slopes)[:, None])
        return -float(np.sum(counts[:, None] * chance * np.log(np.maximum(np.diff(cumulated, axis=1), 1e-12))))

    start = np.concatenate([[effect, effect], np.sort(cuts + effect if cell.kind == "grade" else [-coef[0]])])
    return optimize.minimize(loss, start, method="BFGS").x[:2]


def oracles(cell: Cell, effect: float) -> tuple[np.ndarray, np.ndarray]:
    """Power of two who know the model and that just these two factors act: with the true scatter known (normal), and with
    the scatter to be estimated (non-central t on the degrees of freedom of the two strata)."""
    X, codes = design(cell)
    X = X[:, :3]
    line = X @ truth(cell, effect)[:3]
    if cell.kind == "measure":
        chance = np.ones(len(X))
    elif cell.kind == "count":
        chance = np.exp(-line) + cell.dispersion
    elif cell.kind == "pass":
        chance = 1 / (special.expit(line) * (1 - special.expit(line)))
    else:
        at = np.concatenate([[-np.inf], special.logit(np.cumsum(GRADES)[:-1]), [np.inf]])
        cumulated = special.expit(at[None, :] - line[:, None])
        chance = 1 / np.sum(np.diff(cumulated, axis=1) * (cumulated[:, 1:] + cumulated[:, :-1] - 1) ** 2, axis=1)
    covariance = np.diag(chance)
    n = len(X)
    df = np.full(2, n - 3.0)
    if codes is not None:
        covariance = covariance + cell.spread**2 * (codes[:, None] == codes[None, :])
        batches = codes.max() + 1
        df = np.array([batches - 2.0, n - batches - 1.0])
    error = np.sqrt(np.diag(np.linalg.inv(X.T @ np.linalg.solve(covariance, X)))[1:])
    shift, cut = effect / error, stats.norm.ppf(0.975)
    known = stats.norm.sf(cut - shift) + stats.norm.cdf(-cut - shift)
    t = stats.t.ppf(0.975, df)
    return known, stats.nct.sf(t, df, shift) + np.nan_to_num(stats.nct.cdf(-t, df, shift))


FEW, MOST = 3000, 30_000
"""Outcomes up to which all are gone through for the sizes of a cell; and with --exact."""


def passes(cell: Cell) -> int:
    """How many outcomes that differ to a test the castings of a cell have."""
    return outcomes.how_many(*design(cell)) if cell.kind == "pass" else MOST + 1


@cache
def every(layout: str, several: bool) -> outcomes.Outcomes:
    return outcomes.of_design(*design(Cell("pass", layout, several=several)))


@cache
def tested(layout: str, several: bool, null: tuple[float, ...]) -> many.Analysed:
    """The tests of both factors on every outcome."""
    X, codes = design(Cell("pass", layout, several=several))
    return many.analyse("pass", X, every(layout, several).Y, codes, [1, 2], null=null, intervals=False)


@dataclass(frozen=True)
class Seen:
    """Percentages for the per-batch and the per-casting factor; `sizes` (2, 3) are, of false positives, the size next below
    5%, the size that the test has, and the next above, where outcomes are few."""

    cell: Cell
    false: np.ndarray
    cover: np.ndarray
    power: np.ndarray
    known: np.ndarray
    estimated: np.ndarray
    unanswered: float
    sizes: np.ndarray | None = None

    @property
    def stepped(self) -> np.ndarray:
        """Where no size within the bar can be had."""
        if self.sizes is None:
            return np.zeros(2, dtype=bool)
        return (self.sizes[:, 0] < FALSE[0]) & (self.sizes[:, 2] > FALSE[1])


def rate(result: many.Analysed, chance: np.ndarray | None = None) -> np.ndarray:
    """Percentage called, of the responses that have an answer."""
    weight = np.ones(len(result.ok)) if chance is None else chance
    return 100 * weight[result.ok] @ (result.p[result.ok] < 0.05) / weight[result.ok].sum()


def study(cell: Cell, runs: int, seed: int) -> Seen:
    rng = np.random.default_rng(seed)
    X, codes = design(cell)
    effect = EFFECT[cell.kind]
    nothing = many.analyse(cell.kind, X, draw(cell, 0.0, runs, rng), codes, [1, 2], intervals=False)
    Y = draw(cell, effect, runs, rng)
    held = many.analyse(cell.kind, X, Y, codes, [1, 2], null=list(targets(cell, effect)), intervals=False)
    found = many.analyse(cell.kind, X, Y, codes, [1, 2], intervals=False)
    known, estimated = oracles(cell, effect)
    return Seen(
        cell, rate(nothing), 100 - rate(held), rate(found), 100 * known, 100 * estimated, 100 * (~nothing.ok).mean(),
        sizes(cell) if passes(cell) <= FEW else None,
    )  # fmt: skip


def exactly(cell: Cell) -> Seen:
    """As `study`, added up over all outcomes."""
    effect, one = EFFECT["pass"], (cell.layout, cell.several)
    nothing, acting = (every(*one).chance(truth(cell, e), cell.spread) for e in (0.0, effect))
    found = tested(*one, (0.0, 0.0))
    held = tested(*one, tuple(targets(cell, effect).round(6).tolist()))
    known, estimated = oracles(cell, effect)
    return Seen(
        cell, rate(found, nothing), 100 - rate(held, acting), rate(found, acting), 100 * known, 100 * estimated,
        100 * nothing[~found.ok].sum(), sizes(cell),
    )  # fmt: skip


def sizes(cell: Cell) -> np.ndarray:
    one = cell.layout, cell.several
    found, chance = tested(*one, (0.0, 0.0)), every(*one).chance(truth(cell, 0.0), cell.spread)
    p, chance = found.p[found.ok], chance[found.ok] / chance[found.ok].sum()
    own = rate(found, every(*one).chance(truth(cell, 0.0), cell.spread)) / 100
    return 100 * np.array(
        [[low, own[k], high] for k, (low, high) in enumerate(outcomes.attainable(q, chance) for q in p.T)]
    )


def error(runs: int) -> float:
    return 100 * float(np.sqrt(0.05 * 0.95 / runs))


def inside(values: np.ndarray, bar: tuple[float, float], slack: float) -> np.ndarray:
    return (values >= bar[0] - slack) & (values <= bar[1] + slack)


def report(kind: str, seen: list[Seen], runs: int) -> None:
    slack = 2 * error(runs) if runs else 0.0
    how = (
        f"{runs} runs each (Monte-Carlo standard error {error(runs):.2f} points)"
        if runs
        else "added up over all outcomes"
    )
    print(f"\n{kind}: {len(seen)} cells, {how}")
    print(
        f"{'castings/batches':42} {'false positives %':>19} {'coverage %':>19} {'power %':>15} {'known':>13} {'estimated':>13}"
    )
    print(f"{'':42} {'per batch':>10} {'casting':>8} {'per batch':>10} {'casting':>8} {'batch':>7} {'cast.':>7}")
    good, out = 0, 0
    for one in seen:
        marks = [inside(one.false, FALSE, slack) & ~one.stepped, inside(one.cover, COVER, slack)]
        good += int(sum(m.sum() for m in marks))
        out += int(not all(m.all() for m in marks))
        steps = np.r_[one.stepped, False, False]
        cells = [
            f"{v:8.1f}{' ' if ok else '~' if step else '*'}"
            for v, ok, step in zip(np.r_[one.false, one.cover], np.r_[*marks], steps, strict=True)
        ]
        power = " ".join(f"{v:6.1f}" for v in np.r_[one.power, one.known, one.estimated])
        note = "" if one.sizes is None or not runs else f"  exactly {one.sizes[0, 1]:.1f} and {one.sizes[1, 1]:.1f}"
        if one.stepped.any():
            note += (
                f"; attainable {' and '.join(f'{low:.1f} or {high:.1f}' for low, _, high in one.sizes[one.stepped])}"
            )
        print(
            f"{one.cell.name():42} {' '.join(cells)} {power}{note}{f'  {one.unanswered:.1f}% without answer' if one.unanswered > 0.5 else ''}"
        )
    stepped = sum(bool(one.stepped.any()) for one in seen)
    print(
        f"{kind}: {good} of {4 * len(seen)} rates and {len(seen) - out} of {len(seen)} cells inside the bar"
        f"{f' ({stepped} of the others have no size within it)' if stepped else ''}"
    )
    powers(kind, seen)


def powers(kind: str, seen: list[Seen]) -> None:
    """Mean power by what effects are judged on, and the best that can be had there without being told the scatter."""
    groups: dict[str, list[np.ndarray]] = {}
    for one in seen:
        between = f"batches, {len(LAYOUTS[one.cell.layout]) - 2} degrees of freedom"
        for k, name in enumerate((between if one.cell.batched else "castings", "castings")):
            for group in (name, "the whole grid"):
                groups.setdefault(group, []).append(np.array([one.power[k], one.known[k], one.estimated[k]]))
    print(f"{f'{kind}: power %, judged on':42} {'found':>8} {'told the scatter':>18} {'must estimate it':>18}")
    for name in sorted(groups):
        power, known, estimated = np.mean(groups[name], axis=0)
        print(
            f"  {name:40} {power:8.1f} {known:18.1f} {estimated:18.1f}   {power / known:.2f} of who is told, "
            f"where the best that must estimate it reaches {estimated / known:.2f}; {power / estimated:.2f} of that best"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="fewer cells, 500 runs: about a minute")
    parser.add_argument("--runs", type=int, default=None)
    parser.add_argument("--kind", choices=list(EFFECT), default=None)
    parser.add_argument(
        "--seed", type=int, default=0, help="other castings: the cells take this seed and those after it"
    )
    parser.add_argument("--exact", action="store_true", help="passes, added up over all outcomes: no simulation")
    given = parser.parse_args()
    if given.exact:
        cells = [cell for cell in grid(["pass"], given.quick) if passes(cell) <= MOST]
        report("pass", [exactly(cell) for cell in tqdm(cells, unit="cell")], 0)
        return
    runs = given.runs or (500 if given.quick else 2000)
    kinds = [given.kind] if given.kind else list(EFFECT)
    cells = grid(kinds, given.quick)
    seen = [study(cell, runs, seed) for seed, cell in enumerate(tqdm(cells, unit="cell"), given.seed)]
    for kind in kinds:
        report(kind, [one for one in seen if one.cell.kind == kind], runs)


if __name__ == "__main__":
    main()
