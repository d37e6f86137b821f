"""Two-level plans against published tables.

Sources
-------
- Generators of resolution IV fractions: NIST, Dataplot reference file "Index of minimal-sample-size resolution-4
  2**(k-p) designs" (looked up). Other generators: Montgomery, Design and Analysis of Experiments, table of fractional
  factorial designs (from memory). That no other generators have less aberration (Fries and Hunter, Technometrics 22,
  1980; Chen, Sun and Wu, International Statistical Review 61, 1993) is shown by trying all, up to 10 factors in 32
  runs.
- First rows of the plans of 12, 20 and 24 runs: Plackett and Burman, Biometrika 33, 1946, 305-325; the one of 12 runs
  also in the IUPAC Compendium of Terminology under "Plackett-Burman design" (looked up).
- Alias table of 2^(5-2) with D = AB, E = AC and of 2^(7-4): Montgomery, same book (from memory; follows by
  multiplication, done here).
- Least aberration in split-plots: Bingham and Sitter, Technometrics 41, 1999, 62-70: two factors of the batch and three
  of the casting in 16 runs allow the one defining word of all five (from memory; the least aberration of any half of
  five factors).
"""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest

from castlab.designs import Factor, plan_trials
from castlab.designs.two_level import hadamard, word_lengths

PUBLISHED = {
    (5, 16): "1234",
    (6, 16): "123 234",
    (7, 16): "123 234 134",
    (8, 16): "234 134 123 124",
    (9, 16): "123 234 134 124 1234",
    (7, 8): "12 13 23 123",
    (6, 32): "12345",
    (7, 32): "1234 1245",
    (8, 32): "123 124 2345",
    (9, 32): "2345 1345 1245 1235",
    (10, 32): "1234 1235 1245 1345 2345",
    (11, 32): "123 234 345 134 145 245",
}
PLACKETT_BURMAN = {
    12: "++-+++---+-",
    20: "++--++++-+-+----++-",
    24: "+++++-+-++--++--+-+----",
}


def letters(k: int, per_batch: int = 0) -> list[Factor]:
    return [Factor("ABCDEFGHJKLMNOP"[j], -1, 1, per_batch=j < per_batch) for j in range(k)]


def signs(plan) -> np.ndarray:
    return plan.table[list(plan.factors)].to_numpy()


def fraction(generators: str, runs: int) -> np.ndarray:
    base = np.array(list(product((-1, 1), repeat=int(np.log2(runs)))))
    added = [np.prod(base[:, [int(d) - 1 for d in word]], axis=1) for word in generators.split()]
    return np.column_stack([base, *added])


def cyclic(row: str) -> np.ndarray:
    first = np.array([1 if c == "+" else -1 for c in row])
    return np.vstack([*(np.roll(first, k) for k in range(len(first))), -np.ones(len(first), dtype=int)])


@pytest.mark.parametrize(("k", "runs"), PUBLISHED)
def test_fractions_have_the_word_lengths_of_the_published_generators(k, runs):
    plan = plan_trials(letters(k), runs, using="factorial")
    published = word_lengths(fraction(PUBLISHED[k, runs], runs), k)
    assert word_lengths(signs(plan), k).tolist() == published.tolist()
    assert plan.resolution == int(np.flatnonzero(published)[0]) + 1
    assert plan.d_efficiency == 1.0


@pytest.mark.parametrize(("k", "runs"), [(k, runs) for k, runs in PUBLISHED if (k, runs) < (11, 32)])
def test_no_other_generators_have_less_aberration_than_the_published_ones(k, runs):
    base = int(np.log2(runs))

    def lengths(generators: tuple[int, ...]) -> list[int]:
        """How many defining words there are of each length, words being sets of factors kept as bits."""
        words = [0]
        for place, generator in enumerate(generators):
            words += [word ^ generator ^ (1 << (base + place)) for word in words]
        return np.bincount([word.bit_count() for word in words[1:]], minlength=k + 1).tolist()

    published = tuple(sum(1 << (int(d) - 1) for d in word) for word in PUBLISHED[k, runs].split())
    interactions = [word for word in range(1, runs) if word.bit_count() > 1]
    assert min(map(lengths, combinations(interactions, k - base))) == lengths(published)


def aliased(plan) -> dict[str, set[str]]:
    same = plan.aliases[plan.aliases["words"] == "cannot be told apart"]
    found: dict[str, set[str]] = {}
    for row in same.itertuples():
        found.setdefault(row.effect, set()).add(row.alias)
    return found


def test_the_quarter_of_five_factors_has_the_published_aliases():
    found = aliased(plan_trials(letters(5), 8))
    main = sorted(len(found[f]) for f in "ABCDE")
    crossed = sum(len(others) for effect, others in found.items() if " x " in effect)
    assert main == [1, 1, 1, 1, 2]
    assert crossed == 2 + 1  # BC = DE and BE = CD; BD = CE, the two that one main effect is read with


def test_seven_factors_in_eight_runs_mix_each_main_effect_with_three_interactions():
    found = aliased(plan_trials(letters(7), 8))
    strings = [found[f] for f in "ABCDEFG"]
    assert [len(s) for s in strings] == [3] * 7
    assert len(set.union(*strings)) == 21
    for f, string in zip("ABCDEFG", strings, strict=True):
        assert "".join(sorted({*"".join(string).replace(" x ", ""), f})) == "ABCDEFG"


def test_seven_factors_in_sixteen_runs_mix_interactions_in_seven_strings_of_three():
    found = aliased(plan_trials(letters(7), 16))
    assert not set(found) & set("ABCDEFG")
    assert sum(len(others) for others in found.values()) == 7 * 3


def test_eleven_factors_in_twelve_castings_are_orthogonal():
    plan = plan_trials(letters(11), 12, goal="screen")
    X = signs(plan)
    assert plan.kind == "Plackett-Burman plan"
    assert plan.d_efficiency == 1.0
    assert (X.T @ X).tolist() == (12 * np.eye(11)).tolist()
    assert X.sum(axis=0).tolist() == [0] * 11


@pytest.mark.parametrize("runs", PLACKETT_BURMAN)
def test_plackett_burman_plans_have_the_word_lengths_of_the_published_rows(runs):
    published = cyclic(PLACKETT_BURMAN[runs])
    ours = hadamard(runs)[:, 1:]
    assert (published.T @ published).tolist() == (runs * np.eye(runs - 1)).tolist()
    assert np.allclose(word_lengths(ours), word_lengths(published))


def test_in_twelve_runs_each_main_effect_shares_a_third_with_every_interaction_of_others():
    plan = plan_trials(letters(11), 12, goal="screen")
    for f in plan.factors:
        shared = plan.aliases[(plan.aliases["effect"] == f) & plan.aliases["alias"].str.contains(" x ")]
        assert len(shared) == 45
        assert set(shared["correlation"].abs()) == {0.333}


def test_a_split_plot_of_two_and_three_factors_in_sixteen_runs_keeps_one_word_of_five():
    plan = plan_trials(letters(5, per_batch=2), 16, batch_size=4)
    assert word_lengths(signs(plan), 5).tolist() == [0, 0, 0, 0, 1]
    assert plan.resolution == 5
    assert all(len(plan.batch(b)[["A", "B"]].drop_duplicates()) == 1 for b in (1, 2, 3, 4))


@pytest.mark.parametrize(("k", "runs", "molds"), [(2, 8, 2), (2, 16, 4), (3, 16, 4), (4, 16, 2), (4, 16, 4), (3, 8, 4)])
def test_blocks_hide_no_more_interactions_than_they_must(k, runs, molds):
    """Whole replicates in each mold where they fit, else the textbook's blocks of one replicate."""
    plan = plan_trials(letters(k), runs=runs, blocks=molds)
    hidden = plan.aliases[plan.aliases["alias"] == "mold"]
    assert set(hidden["effect"].str.count(" x ")) <= {1}
    assert len(hidden) == fewest_hidden(k, runs, molds)


@pytest.mark.parametrize(("k", "runs", "size"), [(2, 16, 4), (2, 24, 4), (3, 16, 8), (4, 16, 4), (3, 8, 4)])
def test_batches_take_no_more_interactions_than_they_must(k, runs, size):
    aliases = plan_trials(letters(k), runs=runs, batch_size=size).aliases
    copies = 3 if runs == 24 else 1
    assert np.sum(aliases["alias"] == "batch") == fewest_hidden(k, runs // copies, runs // copies // size)


def fewest_hidden(k: int, runs: int, blocks: int) -> int:
    """Two-factor interactions that blocks must hide if they hide no main effect: all ways to form blocks are tried.

    A replicated plan is one of more factors, of which only k are named; blocks are told apart by products of all (Montgomery,
    Design and Analysis of Experiments, chapter on blocking: 2^4 in four blocks by ABC and ACD hides BD; 2^3 in four blocks of
    two hides all three; whole replicates as blocks hide none. From memory).
    """
    every, wanted = range(1, runs), int(np.log2(blocks))
    mains = {1 << j for j in range(k)}
    pairs = {a | b for a, b in combinations(sorted(mains), 2)}
    found = []
    for words in combinations(every, wanted):
        group = {0}
        for word in words:
            group |= {word ^ other for other in group}
        if len(group) == blocks and not group & mains:
            found.append(len(group & pairs))
    return min(found)
