"""Teach the judge of candidate circles on rendered castings and write its numbers: python tests/scoring/teach_judge.py

Seeds of its own, apart from those the detector is measured on.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from rendering import TEACHING, render
from sklearn.linear_model import LogisticRegression

from castlab.scoring import judging, pictures, profiles, rings

HOME = Path(judging.__file__).with_name("judge.json")


def examples(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Measures of every candidate in one casting, and whether it lies on a true bubble; near misses are left out."""
    casting = render(seed)
    light = pictures.light(pictures.read_colours(casting.picture))
    steps = rings.levels(light, 75)
    seen = profiles.look(steps, rings.candidates(steps, 1.5, 75), None)
    true, near = np.zeros(len(seen), bool), np.zeros(len(seen), bool)
    for bubble in casting.truth.itertuples():
        radius = bubble.diameter / 2
        apart = np.hypot(seen.x - bubble.x, seen.y - bubble.y) / radius
        size = np.abs(np.log(seen.radius / radius))
        true |= (apart < 0.35) & (size < 0.26)
        near |= (apart < 0.7) & (size < 0.47)
    keep = true | ~near
    return seen.measures[keep], true[keep]


def teach() -> None:
    """Fit the regression and write it."""
    pairs = [examples(seed) for seed in TEACHING]
    measures = np.concatenate([pair[0] for pair in pairs])
    true = np.concatenate([pair[1] for pair in pairs])
    centre, scale = measures.mean(axis=0), measures.std(axis=0)
    model = LogisticRegression(max_iter=5000, C=0.3).fit(judging.terms(measures, centre, scale), true)
    numbers = {
        "centre": centre.round(5).tolist(),
        "scale": scale.round(5).tolist(),
        "weights": model.coef_[0].round(5).tolist(),
        "intercept": round(float(model.intercept_[0]), 5),
    }
    HOME.write_text(json.dumps(numbers) + "\n", encoding="utf-8")


if __name__ == "__main__":
    teach()
