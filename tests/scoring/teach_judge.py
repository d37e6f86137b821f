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
SIEVE_PICTURES = 16, 40
"""Castings, and pictures of other kinds, that the sieve is taught on."""
KEPT_BACK = 6
"""One picture in so many is not shown to the network: on these its doubt is set right."""
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
    light = pictures.light(pictures.read_colours(casting.picture))
    steps = rings.levels(light, LARGEST_RADIUS)
    return steps, profiles.look(steps, rings.candidates(steps, SMALLEST_RADIUS, LARGEST_RADIUS), None, sieve)


def labels(looked: profiles.Looked, truth: pd.DataFrame) -> tuple[np.ndarray, ...]:
    """Quality of each circle (1: lies on a true one), what its log radius lacks, whether that is known, whether to show it."""
    quality, size = np.zeros(len(looked)), np.zeros(len(looked))
    sized, show = np.zeros(len(looked), bool), np.ones(len(looked), bool)
    for true in truth.itertuples():
        apart = np.hypot(looked.x - true.x, looked.y - true.y) / (true.diameter / 2)
        lacks = np.log(true.diameter / 2 / looked.radius)
        off = np.hypot(apart / 0.5, lacks / 0.5)
        good = np.clip(1.3 - off, 0, 1)
        if true.visible < HIDDEN:
            show &= off >= 1.6
            continue
        if true.visible < DIM:
            show &= (off >= 1.6) | (good >= 0.3)
        better = good > quality
        quality[better], size[better], sized[better] = good[better], lacks[better], good[better] > 0.3
    return quality, size, sized, show


def teach_sieve(castings: list[Casting]) -> dict[str, np.ndarray]:
    """The small network that sees measures only."""
    from sklearn.neural_network import MLPClassifier

    measures, true = [], []
    for casting in castings:
        looked = circles(casting)[1]
        quality, _, _, show = labels(looked, casting.truth)
        measures.append(looked.measures[show])
        true.append(quality[show] > 0.3)
    columns, right = np.concatenate(measures), np.concatenate(true)
    centre, scale = columns.mean(axis=0), columns.std(axis=0)
    model = MLPClassifier(
        (24, 12), activation="tanh", alpha=1e-3, learning_rate_init=3e-3, max_iter=30, early_stopping=True,
        n_iter_no_change=5, random_state=0, batch_size=512,
    ).fit(judging.terms(columns, centre, scale), right)  # fmt: skip
    numbers = {"centre": centre, "scale": scale}
    numbers |= {f"sieve_weights_{n}": layer for n, layer in enumerate(model.coefs_)}
    return numbers | {f"sieve_offset_{n}": layer for n, layer in enumerate(model.intercepts_)}


def shown(casting: Casting) -> Seen:
    """What the network is shown of one picture."""
    steps, looked = circles(casting, judging.sieve)
    looked = looked.take(np.flatnonzero(judging.sieve(looked.measures) >= judging.SIEVED))
    view = views.unrolled(steps, looked.x, looked.y, looked.radius, None)
    return Seen(looked, view.astype(np.float16), casting.truth)


def teach_network(all_seen: list[Seen], taught: dict[str, np.ndarray], rounds: tuple[int, int]) -> Network:
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
    targets = [part.astype(np.float32) for part in (quality, size, sized)]
    net = network.blank(view.shape[2], known.shape[1], rng)
    for turn in rounds:
        net = network.teach(net, view, known, *targets, some, rounds=turn, rate=2e-3, rng=rng, light=reaches)
        for seen, end in zip(all_seen, ends, strict=True):
            here = slice(end - len(seen.looked), end)
            odds = net(view[here].astype(np.float32), known[here])[:, 0]
            looked = seen.looked
            view[here, :, views.CHANNELS :] = views.claimed(looked.x, looked.y, looked.radius, 1 / (1 + np.exp(-odds)))
    return net


def calibration(kept_back: list[Seen]) -> np.ndarray:
    """What makes the network's log odds those of a find being right: factor and offset."""
    from sklearn.linear_model import LogisticRegression

    from castlab.scoring.finding import judged

    odds, right = [], []
    for seen in kept_back:
        sized, sure = judged(seen.looked, seen.view.astype(np.float32))
        kept = judging.choose(sized, sure)
        one, truth = sized.take(kept), seen.truth[seen.truth.visible >= HIDDEN]
        _, hit = matched(truth.x.to_numpy(), truth.y.to_numpy(), truth.diameter.to_numpy(), one.x, one.y)
        odds.append(np.log(sure[kept] / (1 - sure[kept])))
        right.append(np.isin(np.arange(len(one)), hit))
    model = LogisticRegression(C=100).fit(np.concatenate(odds)[:, None], np.concatenate(right))
    return np.array([model.coef_[0, 0], model.intercept_[0]])


def teach(keep: Path | None) -> None:
    """Sieve, network, calibration; each is written before the next rests on it."""
    if keep is not None and keep.exists():
        taught, all_seen = pickle.loads(keep.read_bytes())
        _write(taught)
    else:
        taught = teach_sieve([*map(casting, TEACHING[: SIEVE_PICTURES[0]]), *map(vary, VARIED[: SIEVE_PICTURES[1]])])
        _write(taught)
        all_seen = [shown(draw(seed)) for draw, seeds in ((casting, TEACHING), (vary, VARIED)) for seed in seeds]
        if keep is not None:
            keep.write_bytes(pickle.dumps((taught, all_seen)))
    back = [n % KEPT_BACK == 0 for n in range(len(all_seen))]
    net = teach_network([seen for seen, b in zip(all_seen, back, strict=True) if not b], taught, (4, 8))
    taught |= net._asdict() | {"calibration": np.array([1.0, 0.0])}
    _write(taught)
    taught["calibration"] = calibration([seen for seen, b in zip(all_seen, back, strict=True) if b])
    _write(taught)


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
