"""Teach the judge of candidate circles on rendered pictures and write its numbers, in about a quarter of an hour:

    python tests/scoring/teach_judge.py [--seen FILE]

The pictures are castings (`rendering`) and others of many more kinds (`varied`), by seeds apart from those the detector is
measured on. `--seen` keeps what the judge is shown, or takes it from there if the file exists: to teach it otherwise
without looking at all pictures again.
"""

from __future__ import annotations

import argparse
import pickle
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import network
import numpy as np
import pandas as pd
from matching import matched
from rendering import TEACHING, Casting, render
from varied import VARIED, vary

from castlab.scoring import judging, pictures, profiles, rings, views
from castlab.scoring.judging import Network

HOME = Path(judging.__file__).with_name("judge.npz")
SMALLEST_RADIUS, LARGEST_RADIUS = 1.3, 75.0
"""Radii sought, pixels."""
SIEVE_PICTURES = 24, 80
"""Castings, and pictures of other kinds, that the sieve is taught on."""
SEEDS = [*TEACHING, *VARIED]
SEEDS_OF_SIEVE = [*TEACHING[: SIEVE_PICTURES[0]], *VARIED[: SIEVE_PICTURES[1]]]
KEPT_BACK = 6
"""One picture in so many is not shown to the network: on these its doubt is set right."""
TOLD_PX = 6.0
"""Diameter from which what is told of a circle is to be right."""
HIDDEN, DIM = 1.5, 2.2
"""`visible` below which a circle is neither right nor wrong to find, and below which it is not wrong to miss."""


@dataclass(frozen=True)
class Seen:
    """What is shown of one picture: circles that the sieve passed, their views, the true ones."""

    looked: profiles.Looked
    view: np.ndarray
    truth: pd.DataFrame


def circles(
    casting: Casting, sieve: Callable[[np.ndarray], np.ndarray] | None = None
) -> tuple[list[rings.Level], profiles.Looked]:
    """Every circle that is looked at in one picture, closely at those only that the sieve passes."""
    steps = rings.levels(_light(casting), LARGEST_RADIUS)
    return steps, profiles.look(steps, rings.candidates(steps, SMALLEST_RADIUS, LARGEST_RADIUS), None, sieve)


def _light(casting: Casting) -> np.ndarray:
    return pictures.light(pictures.read_colours(casting.picture))


def labels(looked: profiles.Looked, truth: pd.DataFrame) -> tuple[np.ndarray, ...]:
    """Quality of each circle (1: lies on a true one), what its log radius lacks, whether that is known, whether to show it."""
    quality, size = np.zeros(len(looked)), np.zeros(len(looked))
    sized, show = np.zeros(len(looked), bool), np.ones(len(looked), bool)
    for true in truth.itertuples():
        apart = np.hypot(looked.x - true.x, looked.y - true.y) / (true.diameter / 2)
        lacks = np.log(true.diameter / 2 / looked.radius)
        # a soft thing is looked at anywhere between where it is steepest and where it ends, and that is right
        soft = -np.log(getattr(true, "steepest", 1.0))
        off = np.hypot(apart / 0.5, (lacks - np.clip(lacks, min(soft, 0), max(soft, 0))) / 0.5)
        good = np.clip(1.3 - off, 0, 1)
        if true.visible < HIDDEN:
            show &= off >= 1.6
            continue
        if true.visible < DIM:
            show &= (off >= 1.6) | (good >= 0.3)
        better = good > quality
        quality[better], size[better], sized[better] = good[better], lacks[better], good[better] > 0.3
    return quality, size, sized, show


def _measured(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """What the sieve is shown of one picture: measures, and which circles are right."""
    picture = drawn(seed)
    looked = circles(picture)[1]
    quality, _, _, show = labels(looked, picture.truth)
    return looked.measures[show], quality[show] > 0.3


def teach_sieve(measured: list[tuple[np.ndarray, np.ndarray]]) -> dict[str, np.ndarray]:
    """The small network that sees measures only."""
    from sklearn.neural_network import MLPClassifier

    columns, right = (np.concatenate([one[n] for one in measured]) for n in range(2))
    centre, scale = columns.mean(axis=0), columns.std(axis=0)
    model = MLPClassifier(
        (24, 12), activation="tanh", alpha=1e-3, learning_rate_init=3e-3, max_iter=30, early_stopping=True,
        n_iter_no_change=5, random_state=0, batch_size=512,
    ).fit(judging.terms(columns, centre, scale), right)  # fmt: skip
    numbers = {"centre": centre, "scale": scale}
    numbers |= {f"sieve_weights_{n}": layer for n, layer in enumerate(model.coefs_)}
    return numbers | {f"sieve_offset_{n}": layer for n, layer in enumerate(model.intercepts_)}


def _shown(seed: int) -> Seen:
    """What the network is shown of one picture."""
    picture = drawn(seed)
    steps, looked = circles(picture, judging.sieve)
    looked = looked.take(np.flatnonzero(judging.sieve(looked.measures) >= judging.SIEVED))
    view = views.unrolled(steps, looked.x, looked.y, looked.radius, None)
    return Seen(looked, view.astype(np.float16), picture.truth)


class Member(NamedTuple):
    """How one of the networks is taught: how often all is shown, alone and then with claims; whether each thing counts alike
    or each circle that lies on it; whether sizes that are far off still pull."""

    rounds: tuple[int, int]
    things: bool
    far: bool


MEMBERS = Member((4, 10), things=False, far=False), Member((4, 14), things=True, far=True)


def teach_network(all_seen: list[Seen], taught: dict[str, np.ndarray], member: Member) -> Network:
    """Taught circles alone, then with the claims of those that it has come to believe in."""
    rng = np.random.default_rng(0)
    told = [labels(seen.looked, seen.truth) for seen in all_seen]
    quality, size, sized, show = (np.concatenate([part[n] for part in told]) for n in range(4))
    measures = np.concatenate([seen.looked.measures for seen in all_seen])
    known = judging.terms(measures, taught["centre"], taught["scale"])
    ends = np.cumsum([len(seen.looked) for seen in all_seen])
    reaches = len(views.REACH)
    view = np.zeros((ends[-1], views.RAYS, views.CHANNELS + reaches), np.float16)
    for seen, end in zip(all_seen, ends, strict=True):
        view[end - len(seen.looked) : end, :, : views.CHANNELS] = seen.view
    some = np.flatnonzero(show)
    weight = np.concatenate([_share(seen.looked) if member.things else np.ones(len(seen.looked)) for seen in all_seen])
    weight = (weight / weight.mean()).astype(np.float32)
    shown = network.Examples(view, known, *(part.astype(np.float32) for part in (quality, size, sized)), weight)
    net = network.blank(view.shape[2], known.shape[1], rng)
    for turn in member.rounds:
        net = network.teach(net, shown, some, far=member.far, rounds=turn, rate=2e-3, rng=rng, light=reaches)
        for seen, end in zip(all_seen, ends, strict=True):
            here = slice(end - len(seen.looked), end)
            odds = net(view[here].astype(np.float32), known[here])[:, 0]
            looked = seen.looked
            view[here, :, views.CHANNELS :] = views.claimed(looked.x, looked.y, looked.radius, 1 / (1 + np.exp(-odds)))
    return net


def _share(looked: profiles.Looked) -> np.ndarray:
    """What each circle counts for: the less, the more of them look at the same thing."""
    from scipy.spatial import cKDTree

    places = np.column_stack([looked.x, looked.y])
    near = cKDTree(places).query_ball_point(places, 0.5 * looked.radius)
    alike = [(np.abs(np.log(looked.radius[some] / looked.radius[n])) < 0.5).sum() for n, some in enumerate(near)]
    return 1 / np.sqrt(np.array(alike))


def calibration(kept_back: list[Casting]) -> np.ndarray:
    """What makes the evidence for a find, as it is told after all looks, the log odds of its being right: factors and offset."""
    from sklearn.linear_model import LogisticRegression

    from castlab.scoring.finding import distinct

    told, right = [], []
    for picture in kept_back:
        _, one, sure = distinct(_light(picture), TOLD_PX, 2 * LARGEST_RADIUS)
        truth = picture.truth
        i, j = matched(truth.x.to_numpy(), truth.y.to_numpy(), truth.diameter.to_numpy(), one.x, one.y)
        hidden = truth.visible.to_numpy()[i] < HIDDEN
        clear = ~np.isin(np.arange(len(one)), j[hidden])
        told.append(judging.evidence(one, sure)[clear])
        right.append(np.isin(np.arange(len(one)), j)[clear])
    model = LogisticRegression(C=100).fit(np.concatenate(told), np.concatenate(right))
    return np.array([*model.coef_[0], model.intercept_[0]])


def teach(keep: Path | None) -> None:
    """Sieve, network, calibration; each is written before the next rests on it."""
    if keep is not None and keep.exists():
        taught, all_seen = pickle.loads(keep.read_bytes())
        _write(taught)
    else:
        taught = teach_sieve(_each(_measured, SEEDS_OF_SIEVE))
        _write(taught)
        all_seen = _each(_shown, SEEDS)
        if keep is not None:
            keep.write_bytes(pickle.dumps((taught, all_seen)))
    shown = [seen for n, seen in enumerate(all_seen) if n % KEPT_BACK]
    nets = [teach_network(shown, taught, member) for member in MEMBERS]
    taught |= {name: np.stack([getattr(net, name) for net in nets]) for name in Network._fields}
    _write(taught)
    taught["calibration"] = calibration(_each(drawn, SEEDS[::KEPT_BACK]))
    _write(taught)


def drawn(seed: int) -> Casting:
    """The picture of a seed."""
    return casting(seed) if seed in TEACHING else vary(seed)


def _each(work: Callable[[int], Any], seeds: list[int]) -> list[Any]:
    """The work on every seed, by both of two processors."""
    from joblib import Parallel, delayed

    done = []
    for one in Parallel(n_jobs=2, return_as="generator")(delayed(work)(seed) for seed in seeds):
        done.append(one)
        print(
            f"\r{work.__name__}: {len(done)} of {len(seeds)}", end="\n" if len(done) == len(seeds) else "", flush=True
        )
    return done


def casting(seed: int) -> Casting:
    """Every other one as they are measured; those between smaller, with many small bubbles."""
    if seed % 2:
        return render(seed)
    rng = np.random.default_rng(seed)
    return render(seed, shape=(480, 600), bubbles=int(rng.integers(20, 90)), sizes=(3.5, float(rng.uniform(15, 80))))


def _write(numbers: dict[str, np.ndarray]) -> None:
    """Write them; numbers not taught yet stay as they were."""
    old = dict(np.load(HOME)) if HOME.exists() else {}
    new = {name: np.asarray(part, np.float32) for name, part in numbers.items()}
    np.savez_compressed(HOME, allow_pickle=False, **(old | new))
    judging._taught.cache_clear()


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--seen", type=Path)
    teach(parser.parse_args().seen)
