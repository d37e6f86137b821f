"""How far to trust a count: bubbles like those found are drawn into the very photo and sought again.

The share not found, by size, and the judge's own doubt about each find give the interval for the true count. Where
nothing was found, bubbles of several contrasts are drawn: what they show bounds how many there may be, or that nobody can tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from castlab.scoring.finding import Found, find
from castlab.scoring.judging import SURE

DRAWN = 60
"""Bubbles drawn into the photo, in all."""
_WINDOW = 480
_ROUNDS = 3
"""Windows of the photo that are drawn into and sought again, together at most half of it."""
_DRAWS, _AT_ONCE = 4000, 500
_SIZE_ERROR = 0.04
"""Spread of the measured over the true diameter, as a share; for bubbles near the smallest size that counts."""
_SHARED = 4.0
_JUDGE_SPREAD = 1.0
"""Spread of the judge's log odds from photo to photo."""
CONTRASTS = (0.03, 0.06, 0.12, 0.24)
"""Of the bubbles drawn where none was found to copy, as shares of full white."""
_SHOWN = 0.8
"""Share of the drawn bubbles of a contrast that must be found again for the photo to show such bubbles."""
_FAINT = 0.06
"""Contrast from which bubbles must be shown before a number bounds how many there are (castlab's own bound)."""
_WHITE, _BLACK = 0.995, 0.004
_FLAT = 2 / 255
"""Span of light below which a picture shows nothing at all."""
_UNFOUND = 0.5
"""Bubbles added to those found, shared by all sizes: a size of which none was found may still have some, if it is mostly missed."""
_UNLIKE = 0.06
"""Spread of the true over the reckoned count that drawing cannot show: bubbles unlike any that was found."""


@dataclass(frozen=True)
class Trust:
    """`missed` by size, and the interval `low` to `high` that holds the true count (`high` None: nobody can tell);
    `false` finds expected; `shown`: where none was found, the least contrast from which bubbles would be seen, None if
    no drawn one is."""

    missed: pd.DataFrame
    low: int
    high: int | None
    false: float
    shown: float | None = None


def assess(
    light: np.ndarray,
    allowed: np.ndarray | None,
    found: Found,
    smallest: float,
    largest: float,
    seed: int,
) -> Trust:
    """Draw, seek and reckon; `found` are all distinct circles, doubtful ones too; sizes are diameters in pixels."""
    rng = np.random.default_rng(seed)
    style = found.where((found.sure >= SURE) & (2 * found.radius >= smallest))
    bins = _bins(style, smallest, largest)
    tried, hit = _drawn_and_found(rng, light, allowed, style, bins, smallest, largest)
    missed = _table(bins, tried.sum(axis=1), hit.sum(axis=1))
    if not len(style.x):
        shown, most = _unseen(light, tried.sum(axis=0), hit.sum(axis=0))
        return Trust(missed, 0, most, 0.0, shown)
    low, high = interval_of_count(rng, found, bins, tried.sum(axis=1), hit.sum(axis=1), smallest)
    false = float((1 - style.sure).sum())
    return Trust(missed, low, high, false)


def _bins(style: Found, smallest: float, largest: float) -> np.ndarray:
    """Edges of size classes, pixels: doubling from the smallest, up to the largest found."""
    top = float(2 * style.radius.max()) if len(style.x) else smallest * 4
    count = int(np.clip(np.ceil(np.log2(max(top, smallest * 1.5) / smallest)), 1, 6))
    edges = smallest * 2.0 ** np.arange(count + 1)
    edges[-1] = max(edges[-1], largest)
    return edges


def _drawn_and_found(
    rng: np.random.Generator,
    light: np.ndarray,
    allowed: np.ndarray | None,
    style: Found,
    bins: np.ndarray,
    smallest: float,
    largest: float,
) -> tuple[np.ndarray, np.ndarray]:
    """How many were drawn and found again, by size (rows) and contrast (columns; one column where finds are copied)."""
    contrasts = (np.nan,) if len(style.x) else CONTRASTS
    tried, hit = np.zeros((2, len(bins) - 1, len(contrasts)))
    height, width = light.shape
    side = int(min(max(np.sqrt(height * width / (2 * _ROUNDS)), 200), _WINDOW, height, width))
    apart_least = _closest(style)
    tops = [min(bins[i + 1], bins[i] * 2) for i in range(len(bins) - 1)]
    for _ in range(_ROUNDS):
        top, left = int(rng.integers(0, height - side + 1)), int(rng.integers(0, width - side + 1))
        window = light[top : top + side, left : left + side].copy()
        mask = None if allowed is None else allowed[top : top + side, left : left + side]
        if mask is not None and mask.mean() < 0.05:
            continue
        taken = [(x - left, y - top, r) for x, y, r in zip(style.x, style.y, style.radius, strict=True)]
        drawn: list[tuple[float, float, float, tuple[int, int]]] = []
        for n in range(DRAWN // _ROUNDS):
            kind, faint = n % len(tried), n // len(tried) % len(contrasts)
            radius = 0.5 * float(np.exp(rng.uniform(np.log(bins[kind]), np.log(tops[kind]))))
            if radius > side / 5:
                continue
            for _try in range(25):
                x, y = rng.uniform(0, side, 2)
                if _cut_by_window(x, y, radius, (left, top), side, light.shape):
                    continue
                if mask is not None and not mask[int(y), int(x)]:
                    continue
                others = [*taken, *[d[:3] for d in drawn]]
                if all(np.hypot(x - a, y - b) > apart_least * (radius + r) for a, b, r in others):
                    if _copy(rng, window, light, style, x, y, radius, contrasts[faint]):
                        drawn.append((x, y, radius, (kind, faint)))
                    break
        again = find(window, smallest, min(largest, side / 2), mask)
        again = again.where(again.sure >= SURE)
        for x, y, radius, cell in drawn:
            apart = np.hypot(again.x - x, again.y - y)
            tried[cell] += 1
            hit[cell] += bool(((apart < 0.5 * radius) & (np.abs(np.log(again.radius / radius)) < 0.5)).any())
    return tried, hit


def _closest(style: Found) -> float:
    """How near bubbles of this photo come to each other, as a share of the sum of their radii; 1 is touching."""
    from scipy.spatial import cKDTree

    if len(style.x) < 5:
        return 1.0
    places = np.column_stack([style.x, style.y])
    apart, other = cKDTree(places).query(places, k=2)
    share = apart[:, 1] / (style.radius + style.radius[other[:, 1]])
    return float(np.clip(np.quantile(share, 0.05), 0.8, 1.1))


def _cut_by_window(
    x: float, y: float, radius: float, corner: tuple[int, int], side: int, shape: tuple[int, ...]
) -> bool:
    """Whether a bubble would be cut by an edge that is the window's only, not the picture's."""
    left, top = corner
    return (
        (left > 0 and x < 1.3 * radius)
        or (top > 0 and y < 1.3 * radius)
        or (left + side < shape[1] and x > side - 1.3 * radius)
        or (top + side < shape[0] and y > side - 1.3 * radius)
    )


def _copy(
    rng: np.random.Generator,
    window: np.ndarray,
    light: np.ndarray,
    style: Found,
    x: float,
    y: float,
    radius: float,
    contrast: float,
) -> bool:
    """Draw into the window a bubble that looks like one of those found, scaled and turned; a disc or a rim if none was."""
    from scipy import ndimage

    reach = int(np.ceil(1.35 * radius)) + 1
    rows = np.arange(max(int(y) - reach, 0), min(int(y) + reach + 1, window.shape[0]))
    columns = np.arange(max(int(x) - reach, 0), min(int(x) + reach + 1, window.shape[1]))
    dx, dy = np.meshgrid((columns - x) / radius, (rows - y) / radius)
    share = np.hypot(dx, dy)
    # a model is enlarged or reduced by at most three, else it would be drawn blurred or lose its rim
    usable = np.flatnonzero((np.abs(np.log(style.radius / radius)) < np.log(3)) & (style.seen > 0.99))
    if len(usable):
        model = int(rng.choice(usable))
        turn = rng.uniform(0, 2 * np.pi)
        sx = style.x[model] + style.radius[model] * (dx * np.cos(turn) - dy * np.sin(turn))
        sy = style.y[model] + style.radius[model] * (dx * np.sin(turn) + dy * np.cos(turn))
        patch = ndimage.map_coordinates(light, [sy, sx], order=1, mode="nearest")
        ring = (share > 1.15) & (share < 1.35)
        basis = np.stack([np.ones_like(dx), dx, dy], axis=-1)
        if ring.sum() < 4:
            return False
        plane = np.linalg.lstsq(basis[ring], patch[ring], rcond=None)[0]
        shade = patch - basis @ plane
        fade = np.clip((1.3 - share) / 0.15, 0, 1)
    else:
        if np.isnan(contrast):
            grain = float(np.median(np.abs(np.diff(window, axis=1)))) / 0.95
            contrast = max(10 * grain, 0.1)
        form = np.ones_like(share) if rng.random() < 0.5 else np.exp(-(((share - 0.85) / 0.15) ** 2))
        shade = rng.choice([-1, 1]) * contrast * form
        fade = np.clip((1 - share) * radius / 1.2 + 0.5, 0, 1)
    ground = window[np.ix_(rows, columns)]
    drawn = np.clip(ground + shade * fade, 0, 1)
    if not len(style.x):  # where the sensor was burnt out or saw nothing, a true bubble would leave no trace
        drawn = np.where((ground >= _WHITE) | (ground <= _BLACK), ground, drawn)
    window[np.ix_(rows, columns)] = drawn
    return True


def _unseen(light: np.ndarray, tried: np.ndarray, hit: np.ndarray) -> tuple[float | None, int | None]:
    """Where nothing was found: the least contrast that would be seen, and how many such bubbles there may be at most.

    N bubbles, each found with probability p, are all missed with probability (1 - p)^N: the bound is where that is 5%.
    """
    share = np.where(tried > 0, hit / np.maximum(tried, 1), 0.0)
    seen = np.minimum.accumulate(share[::-1])[::-1] >= _SHOWN
    if float(np.ptp(light)) < _FLAT or not seen.any():
        return None, None
    first = int(np.argmax(seen))
    shown = CONTRASTS[first]
    if shown > _FAINT:
        return shown, None
    found = (hit[first:].sum() + 0.5) / (tried[first:].sum() + 1)
    return shown, int(np.ceil(np.log(0.05) / np.log(1 - found)))


def _table(bins: np.ndarray, tried: np.ndarray, hit: np.ndarray) -> pd.DataFrame:
    """Share missed with its 95% interval (Jeffreys), by size."""
    from scipy.special import betaincinv

    lost = tried - hit
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(tried > 0, lost / tried, np.nan)
    return pd.DataFrame(
        {
            "from_px": bins[:-1],
            "to_px": bins[1:],
            "drawn": tried.astype(int),
            "missed_share": share,
            "low": np.where(lost == 0, 0.0, betaincinv(lost + 0.5, hit + 0.5, 0.025)),
            "high": np.where(hit == 0, 1.0, betaincinv(lost + 0.5, hit + 0.5, 0.975)),
        }
    )


def interval_of_count(
    rng: np.random.Generator, found: Found, bins: np.ndarray, tried: np.ndarray, hit: np.ndarray, smallest: float
) -> tuple[int, int]:
    """95% interval of the true count: doubt about each find, sizes near the limit, and what was not found."""
    near = found.where((found.sure >= SURE) & (2 * found.radius >= 0.75 * smallest))
    number = len(near.x)
    count = int((2 * near.radius >= smallest).sum())
    odds = np.log(near.sure / (1 - near.sure + 1e-9))
    # few can be drawn of some sizes: what all sizes together say counts there as that many drawn more
    pooled = (hit.sum() + 0.5) / (tried.sum() + 1)
    by_size = np.empty((_DRAWS, len(tried)), int)
    for start in range(0, _DRAWS, _AT_ONCE):
        some = min(_AT_ONCE, _DRAWS - start)
        chance = 1 / (1 + np.exp(-(odds + _JUDGE_SPREAD * rng.normal(size=(some, 1)))))
        size = 2 * near.radius * (1 + _SIZE_ERROR * rng.normal(size=(some, number)))
        real = (rng.random((some, number)) < chance) & (size >= smallest)
        kind = np.clip(np.searchsorted(bins, size[real], side="right") - 1, 0, len(tried) - 1)
        cell = np.nonzero(real)[0] * len(tried) + kind
        by_size[start : start + some] = np.bincount(cell, minlength=some * len(tried)).reshape(some, -1)
    kept = rng.beta(hit + _SHARED * pooled, tried - hit + _SHARED * (1 - pooled), (_DRAWS, len(tried)))
    more = rng.negative_binomial(by_size + _UNFOUND / len(tried), np.maximum(kept, 0.05))
    real, unlike = by_size.sum(axis=1), np.exp(_UNLIKE * rng.normal(size=_DRAWS))
    # copies fall on print, glare and clutter where the true ones may not lie: that any was missed raises the high end only
    low, high = np.quantile(real * unlike, 0.025), np.quantile((real + more.sum(axis=1)) * unlike, 0.975)
    return int(min(np.floor(low), count)), int(max(np.ceil(high), count))
