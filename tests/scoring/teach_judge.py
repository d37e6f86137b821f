"""Teach the judge of candidate circles on rendered castings and write its numbers: python tests/scoring/teach_judge.py

Seeds of its own, apart from those the detector is measured on.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from rendering import LOOKS, OTHERS, TEACHING, Casting, render

from castlab.scoring import judging, pictures, profiles, rings, surroundings

HOME = Path(judging.__file__).with_name("judge.json")


REACH = (3.0, 150.0)
"""Diameters sought, pixels."""


def candidates(casting: Casting) -> tuple[list[rings.Level], profiles.Looked]:
    """Every circle that is looked at in one casting."""
    light = pictures.light(pictures.read_colours(casting.picture))
    steps = rings.levels(light, REACH[1] / 2)
    return steps, profiles.look(steps, rings.candidates(steps, REACH[0] / 2, REACH[1] / 2), None)


def truth(casting: Casting, seen: profiles.Looked) -> tuple[np.ndarray, np.ndarray]:
    """Whether each circle lies on a true bubble, and whether it lies neither on nor off one."""
    true, near = np.zeros(len(seen), bool), np.zeros(len(seen), bool)
    for bubble in casting.truth.itertuples():
        radius = bubble.diameter / 2
        apart = np.hypot(seen.x - bubble.x, seen.y - bubble.y) / radius
        size = np.abs(np.log(seen.radius / radius))
        true |= (apart < 0.35) & (size < 0.26)
        near |= (apart < 0.7) & (size < 0.47)
    return true, near & ~true


def regression(columns: np.ndarray, true: np.ndarray, name: str) -> dict[str, object]:
    """The numbers of one fitted judgement."""
    from sklearn.linear_model import LogisticRegression

    model = LogisticRegression(max_iter=5000, C=0.3).fit(columns, true)
    return {
        f"{name}_weights": model.coef_[0].round(5).tolist(),
        f"{name}_intercept": round(float(model.intercept_[0]), 5),
    }


def network(columns: np.ndarray, true: np.ndarray) -> dict[str, object]:
    """The numbers of the first judgement."""
    from sklearn.neural_network import MLPClassifier

    model = MLPClassifier(
        (32, 16), activation="tanh", alpha=1e-3, learning_rate_init=3e-3, max_iter=40, early_stopping=True,
        n_iter_no_change=6, random_state=0, batch_size=256,
    ).fit(columns, true)  # fmt: skip
    weights = {f"alone_weights_{n}": layer.round(4).tolist() for n, layer in enumerate(model.coefs_)}
    return weights | {f"alone_offset_{n}": layer.round(4).tolist() for n, layer in enumerate(model.intercepts_)}


def teach() -> None:
    """Fit the first judgement, then the second on what the first leaves, and write both."""
    castings = [(casting, *candidates(casting)) for casting in _castings()]
    told = [truth(casting, seen) for casting, _, seen in castings]
    measures = np.concatenate([seen.measures[~near] for (_, _, seen), (_, near) in zip(castings, told, strict=True)])
    true = np.concatenate([true[~near] for true, near in told])
    centre, scale = measures.mean(axis=0).round(5), measures.std(axis=0).round(5)
    numbers = {"alone_centre": centre.tolist(), "alone_scale": scale.tolist()}
    numbers |= network(judging.terms(measures, centre, scale), true)
    _write(numbers)
    columns, labels = [], []
    for casting, steps, seen in castings:
        first = judging.alone(seen.measures)
        kept = judging.choose(seen, first)
        one = seen.take(kept)
        around = surroundings.unexplained(steps, one.x, one.y, one.radius, first[kept])
        true, near = truth(casting, one)
        # what is kept counts as found when its centre lies within half a radius, whatever its size says
        columns.append(judging.both(first[kept], around))
        labels.append(true | near)
    _write(numbers | regression(np.concatenate(columns), np.concatenate(labels), "together"))


def _castings() -> list[Casting]:
    """Castings like those measured, and as many smaller ones of every look, faint and small ones among them."""
    looks = (*OTHERS, "crescent", *OTHERS, *LOOKS)
    others = [
        render(seed + 500, shape=(500, 640), bubbles=30, sizes=(4.0, 80.0), looks=(looks[seed % len(looks)],))
        for seed in TEACHING
    ]
    return [*map(render, TEACHING), *others]


def _write(numbers: dict[str, object]) -> None:
    HOME.write_text(json.dumps(numbers) + "\n", encoding="utf-8")
    judging._taught.cache_clear()


if __name__ == "__main__":
    teach()
