"""Bubbles counted in photos: how many of the true ones, against plain blob detectors, in what time and memory.

    python tests/benchmarks/bench_photos.py [--quick]

Prints F1 and count error on rendered castings (seeds looked at while making the detector, and seeds held out), how often
the stated interval holds the true count, F1 on pictures that scikit-image carries, counted by hand, and time and memory
for 12 megapixels beside `skimage.feature.blob_log`. A find is right when its centre lies within half the true radius,
one to one. F1 is told for all bubbles and for those alone that a careful person could see in the picture (the rule is
`visibility` in `rendering`). Each blob detector gets, for each set of pictures, the threshold that suits it best.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

SCORING = Path(__file__).resolve().parents[1] / "scoring"
sys.path.insert(0, str(SCORING))

import counted  # noqa: E402
from matching import f1, tally  # noqa: E402
from rendering import DEVELOPMENT, HELD_OUT, VISIBLE, render  # noqa: E402

from castlab.scoring import count_bubbles  # noqa: E402

THRESHOLDS = (0.01, 0.02, 0.03, 0.05, 0.08, 0.12, 0.2, 0.3)
LEAST_PX = 6.0
MANY = 50
"""Bubbles in a casting from which 5% are more than two."""


def ours(picture: np.ndarray, smallest: float, largest: float) -> np.ndarray:
    """x, y, diameter of what castlab finds, pixels."""
    seen = count_bubbles(picture, 1.0, smallest_mm=smallest, largest_mm=largest, trust=False).bubbles
    return np.column_stack([seen.x_mm - 0.5, seen.y_mm - 0.5, seen.diameter_mm])


def blobs(
    kind: str, picture: np.ndarray, smallest: float, largest: float, threshold: float, ways: int = 2
) -> np.ndarray:
    """x, y, diameter of light blobs and, the second way, of dark ones."""
    from skimage import feature

    grey = picture.astype(np.float32) / 255
    grey = grey.mean(axis=2) if grey.ndim == 3 else grey
    low, high = smallest / 2 / np.sqrt(2), largest / 2 / np.sqrt(2)
    if kind == "blob_log":
        parts = [
            feature.blob_log(g, low, high, num_sigma=12, threshold=threshold, log_scale=True)
            for g in (grey, 1 - grey)[:ways]
        ]
    elif kind == "blob_dog":
        parts = [feature.blob_dog(g, low, high, sigma_ratio=1.3, threshold=threshold) for g in (grey, 1 - grey)[:ways]]
    else:
        parts = [feature.blob_doh(grey, low, high, num_sigma=12, threshold=threshold / 10, log_scale=True)]
    found = np.concatenate(parts)
    return np.column_stack([found[:, 1], found[:, 0], 2 * np.sqrt(2) * found[:, 2]])


def synthetic(name: str, seeds: range) -> None:
    """F1, count error and coverage of the interval over one set of castings."""
    all_of_them, seen_only = np.zeros(3, int), np.zeros(3, int)
    covered, counts, widths = 0, [], []
    for seed in seeds:
        casting = render(seed)
        seen = count_bubbles(casting.picture, 1.0, smallest_mm=LEAST_PX, largest_mm=150)
        found = np.column_stack([seen.bubbles.x_mm - 0.5, seen.bubbles.y_mm - 0.5, seen.bubbles.diameter_mm])
        true = casting.truth[["x", "y", "diameter"]].to_numpy(float)
        all_of_them += tally(true, found, LEAST_PX)
        seen_only += tally(true, found, LEAST_PX, (casting.truth.visible >= VISIBLE).to_numpy())
        number = int((true[:, 2] >= LEAST_PX).sum())
        high = np.inf if seen.high is None else seen.high
        covered += seen.low <= number <= high
        if number:
            counts.append((number, seen.count))
            widths.append((high - seen.low) / number)
    hits, misses, false = all_of_them
    there, told = np.array(counts).T
    errors, many = np.abs(told - there) / there, there >= MANY
    print(
        f"{name:12s} {len(seeds)} castings, {hits + misses} bubbles of {LEAST_PX:g} px and more: "
        f"F1 {f1(*all_of_them):.3f} (recall {hits / (hits + misses):.3f}, "
        f"precision {hits / max(hits + false, 1):.3f}); of the {seen_only[:2].sum()} that stand {VISIBLE:g} times out of the "
        f"grain: F1 {f1(*seen_only):.3f}; count error: of all together "
        f"{told.sum() / there.sum() - 1:+.1%}, middle {np.median(errors):.1%}, within 5% in {np.mean(errors <= 0.05):.0%} "
        f"({np.mean(errors[many] <= 0.05):.0%} of the {many.sum()} of {MANY} bubbles and more); interval holds the true count in "
        f"{covered / len(seeds):.0%}, its middle width {np.median(widths):.0%} of the count"
    )


def plain_on_synthetic(seeds: range) -> None:
    """The best that blob_log does on the same castings."""
    castings = [render(seed) for seed in seeds]
    best = 0.0
    for threshold in THRESHOLDS[2:6]:
        sums = np.zeros(3, int)
        for casting in castings:
            true = casting.truth[["x", "y", "diameter"]].to_numpy(float)
            sums += tally(true, blobs("blob_log", casting.picture, 5.0, 120.0, threshold), LEAST_PX)
        best = max(best, f1(*sums))
    print(f"blob_log     {len(seeds)} of the development castings, best threshold: F1 {best:.3f}")


def real() -> None:
    """Pictures that scikit-image carries, counted by hand, and some without anything round."""
    kinds = ("blob_log", "blob_dog", "blob_doh")
    rows = []
    for name in counted.COUNTED:
        picture, (true, counts) = counted.picture(name), counted.truth(name)
        reach, least = counted.reach(true, counts), counted.LEAST_PX.get(name, 0.0)

        def score(
            found: np.ndarray, true: np.ndarray = true, counts: np.ndarray = counts, least: float = least
        ) -> float:
            return f1(*tally(true, found, least, counts))

        us = score(ours(picture, *reach))
        best = [max(score(blobs(kind, picture, *reach, t)) for t in THRESHOLDS) for kind in kinds]
        rows.append((us, *best))
        told = ", ".join(f"{kind} {value:.3f}" for kind, value in zip(kinds, best, strict=True))
        print(f"{name:18s} {(counts & (true[:, 2] >= least)).sum():3d} counted by hand: castlab F1 {us:.3f}; {told}")
    means = np.mean(rows, axis=0)
    told = ", ".join(f"{kind} {value:.3f}" for kind, value in zip(kinds, means[1:], strict=True))
    print(
        f"mean of {len(rows)} pictures: castlab F1 {means[0]:.3f}; {told}; the best of them for each {np.max(np.array(rows)[:, 1:], axis=1).mean():.3f}"
    )
    for name in counted.NOTHING_ROUND:
        picture = counted.picture(name)
        print(f"{name:18s} nothing round: castlab finds {len(ours(picture, 8.0, min(picture.shape[:2]) / 3))}")


def most_memory() -> float:
    """The most memory this process has held, GB. `resource.getrusage` would tell the parent's, from before this program began."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1e6


def alone(what: str, megapixels: float) -> None:
    """One 4:3 photo counted in this process; prints seconds, peak memory and F1 as JSON."""
    rows = round((megapixels * 1e6 * 3 / 4) ** 0.5)
    casting = render(7000, shape=(rows, rows * 4 // 3), bubbles=200, sizes=(6.0, 120.0), insert=True)
    true = casting.truth[["x", "y", "diameter"]].to_numpy(float)
    start = time.perf_counter()
    used = time.process_time()
    if what.startswith("blob_log"):
        # one run sees light blobs only; dark ones need a second run on the negative
        found = blobs("blob_log", casting.picture, LEAST_PX, 120.0, 0.05, ways=2 if "twice" in what else 1)
    else:
        seen = count_bubbles(casting.picture, 1.0, smallest_mm=LEAST_PX, largest_mm=120.0, trust=what == "trust")
        found = np.column_stack([seen.bubbles.x_mm - 0.5, seen.bubbles.y_mm - 0.5, seen.bubbles.diameter_mm])
    print(
        json.dumps(
            {
                "seconds": time.perf_counter() - start,
                "cpu": time.process_time() - used,
                "memory": most_memory(),
                "f1": f1(*tally(true, found, LEAST_PX)),
            }
        )
    )


def speed(megapixels: float) -> None:
    """Time and memory, each in a process of its own."""
    told = {}
    for what in ("castlab", "trust", "blob_log", "blob_log twice"):
        command = [sys.executable, __file__, "--alone", what, "--megapixels", str(megapixels)]
        told[what] = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        one = told[what]
        name = {"castlab": "count_bubbles(trust=False)", "trust": "count_bubbles"}.get(what, what)
        print(
            f"{megapixels:g} megapixels, {name}: {one['seconds']:.1f} s ({one['cpu']:.1f} s of processor), "
            f"{one['memory']:.2f} GB, F1 {one['f1']:.3f}"
        )
    for what in ("castlab", "trust"):
        once, twice = (told[what]["cpu"] / told[plain]["cpu"] for plain in ("blob_log", "blob_log twice"))
        print(
            f"  processor time of {what} over blob_log: {once:.2f} of one run (light blobs only), {twice:.2f} of two "
            "(light and dark)"
        )


def main() -> None:
    """Print everything."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true", help="fewer castings and 3 megapixels")
    parser.add_argument("--held-out", action="store_true", help="the held-out castings too")
    parser.add_argument("--alone")
    parser.add_argument("--megapixels", type=float, default=12.0)
    given = parser.parse_args()
    if given.alone:
        alone(given.alone, given.megapixels)
        return
    synthetic("development", DEVELOPMENT[:12] if given.quick else DEVELOPMENT)
    if given.held_out or not given.quick:
        synthetic("held out", HELD_OUT)
    plain_on_synthetic(DEVELOPMENT[:4] if given.quick else DEVELOPMENT[:12])
    real()
    speed(3.0 if given.quick else given.megapixels)


if __name__ == "__main__":
    main()
