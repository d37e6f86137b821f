"""The clearest disc in a picture, as an ellipse fitted to its edge: for a coin-like thing of known diameter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_WORKING = 700
_ANGLES = 240
_NEAREST = 4.0
"""How near the edge is sought at the least, pixels: much more than it is blurred."""
_SECTORS, _IN_SECTOR = 48, 5
LEAST_PX = 24.0
"""Smallest diameter of a disc that is sought, pixels."""
_COARSEST = 5.0
"""Smallest radius of a disc that is sought, pixels of the reduced picture."""


_HELD, _EVEN, _EVEN_SMALL, _SMALL = 0.9, 1.7, 2.5, 30.0
"""Least share of the edge with a step the same way, and least mean of the step over its spread (also below a radius of
`_SMALL` pixels). castlab's own bounds: photos of brick, grass, gravel, print and noise stay below, coins above."""

Ellipse = tuple[float, float, float, float, float]
"""Centre x and y, half axes, and the angle of the first, in pixels and radians."""


@dataclass(frozen=True)
class Disc:
    """Centre, half axes and residual of the edge in pixels; `share`: 95% of the longer axis' uncertainty, relative;
    `seen`: share of the edge that the ellipse passes through; `contrast`: between the disc and what is about it;
    `held`: share of the way round that the light steps the same way; `even`: mean of that step over its spread; `outline`:
    points of the ellipse (x, y)."""

    x: float
    y: float
    longer: float
    shorter: float
    residual: float
    share: float
    seen: float
    contrast: float
    held: float
    even: float
    outline: np.ndarray


def find_disc(plane: np.ndarray) -> Disc | None:
    """The disc whose edge is clearest all the way round; None if there is none.

    Parameters
    ----------
    plane
        Light from 0 to 1, rows x columns.
    """
    from scipy import ndimage
    from skimage.transform import downscale_local_mean

    step = max(1, round(max(plane.shape) / _WORKING))
    small = downscale_local_mean(plane, (step, step)) if step > 1 else plane
    small = ndimage.gaussian_filter(small, 2.0)
    for guess in (_patches, _circles):
        near = _distinct(guess(small, max(LEAST_PX / 2 / step, _COARSEST)))
        places = [((x + 0.5) * step - 0.5, (y + 0.5) * step - 0.5, radius * step) for x, y, radius in near]
        fits = [found for place in places if (found := _fitted(plane, *place)) is not None and _stands_out(found)]
        if fits:
            return max(fits, key=lambda found: found.contrast * found.seen**2 * np.sqrt(found.longer))
    return None


def _stands_out(disc: Disc) -> bool:
    """Whether the light steps the same way nearly all the way round, by much more than it varies; chance makes small rings."""
    even = _EVEN_SMALL if disc.longer < _SMALL else _EVEN
    return 2 * disc.shorter >= LEAST_PX and disc.held >= _HELD and disc.even >= even


Guess = tuple[float, float, float, float]
"""How little it is like a disc, x, y and radius, in pixels of the reduced picture."""


def _patches(small: np.ndarray, least_radius: float) -> list[Guess]:
    """Round patches at several levels of light, brighter or darker than what is about them."""
    from scipy import ndimage
    from skimage.measure import label, regionprops

    least = 0.8 * np.pi * least_radius**2
    found: list[Guess] = []
    # a small disc is less than any twentieth of the picture: levels between the darkest and the brightest find it
    span = np.linspace(float(small.min()), float(small.max()), 9)[1:-1]
    for level in np.unique(np.concatenate([np.quantile(small, np.linspace(0.05, 0.95, 13)), span])):
        for mask in (small > level, small < level):
            parts = label(ndimage.binary_fill_holes(mask))
            area = np.bincount(parts.ravel())
            wanted = (area >= least) & (area <= 0.8 * small.size)
            wanted[0] = False
            for part in regionprops(np.where(wanted[parts], parts, 0)):
                axes = part.axis_major_length, part.axis_minor_length
                if axes[1] < 0.6 * axes[0] or part.solidity < 0.9:
                    continue
                round_off = abs(part.area / (np.pi / 4 * axes[0] * axes[1]) - 1)
                if round_off < 0.05:
                    y, x = part.centroid
                    found.append((round_off, x, y, np.sqrt(axes[0] * axes[1]) / 2))
    return found


def _circles(small: np.ndarray, least_radius: float) -> list[Guess]:
    """Circles of edges, for discs whose light is that of their ground in places."""
    from skimage.feature import canny
    from skimage.transform import hough_circle, hough_circle_peaks

    coarse = max(1, round(max(small.shape) / 350))
    edges = canny(small[::coarse, ::coarse], sigma=2)
    largest = min(edges.shape) // 2
    radii = np.unique(
        np.geomspace(max(6, least_radius / coarse, largest / 12), max(7, largest), 24).round().astype(int)
    )
    peaks = hough_circle_peaks(hough_circle(edges, radii), radii, total_num_peaks=6)
    return [(1 - a, x * coarse, y * coarse, r * coarse) for a, x, y, r in zip(*peaks, strict=True)]


def _distinct(guesses: list[Guess]) -> list[tuple[float, float, float]]:
    """The best twelve guesses, each disc once."""
    kept: list[tuple[float, float, float]] = []
    for _, x, y, radius in sorted(guesses):
        if not any(np.hypot(x - a, y - b) < 0.2 * c and abs(radius - c) < 0.1 * c for a, b, c in kept):
            kept.append((x, y, radius))
    return kept[:12]


def _fitted(plane: np.ndarray, x: float, y: float, radius: float) -> Disc | None:
    """An ellipse through the steepest points along rays from the centre; those that lie off it are left out in turns."""
    ellipse = (x, y, radius, radius, 0.0)
    for near in (0.15, 0.04, 0.04, 0.04):  # again, as each look is drawn a little to where the one before was
        points, contrast = _edge_points(plane, ellipse, max(near, _NEAREST / float(np.hypot(*ellipse[2:4]))))
        fitted = _trimmed(points)
        if fitted is None:
            return None
        ellipse, kept = fitted
    cx, cy, a, b, _ = ellipse
    off = _distance(points, ellipse)
    longer, shorter = float(max(a, b)), float(min(a, b))
    moved = np.hypot(cx - x, cy - y)
    if (
        kept.sum() < 0.5 * _ANGLES
        or shorter < 0.6 * max(longer, radius)
        or longer > 1.4 * radius
        or moved > 0.4 * radius
    ):
        return None
    residual = float(np.sqrt((off[kept] ** 2).mean()))
    if residual > max(1.0, 0.02 * longer):
        return None
    # an axis rests on about an eighth of the edge; where the edge lies in a blurred step is unsure by a quarter of a pixel
    spread = float(np.hypot(residual * np.sqrt(8 / kept.sum()), 0.25))
    seen = float(kept.sum()) / _ANGLES
    held, even = _step(plane, ellipse)
    return Disc(
        float(cx), float(cy), longer, shorter, residual, 1.96 * spread / longer, seen, contrast, held, even, _outline(ellipse)
    )  # fmt: skip


def _outline(ellipse: Ellipse) -> np.ndarray:
    x, y, a, b, turn = ellipse
    round_it = np.linspace(0, 2 * np.pi, 181)
    u, v = a * np.cos(round_it), b * np.sin(round_it)
    return np.column_stack([x + u * np.cos(turn) - v * np.sin(turn), y + u * np.sin(turn) + v * np.cos(turn)])


def _step(plane: np.ndarray, ellipse: Ellipse) -> tuple[float, float]:
    """Share of the way round that the light steps the same way at the edge, and the mean step over its spread."""
    from scipy import ndimage

    x, y, a, b, turn = ellipse
    angles = np.linspace(0, 2 * np.pi, _SECTORS * _IN_SECTOR, endpoint=False)
    edge = 1 / np.hypot(np.cos(angles - turn) / a, np.sin(angles - turn) / b)
    gap, deep = max(1.5, 0.02 * float(edge.mean())), max(4.0, 0.12 * float(edge.mean()))
    away = np.linspace(gap, deep, 8)
    sides = []
    for sign in (-1, 1):
        reach = edge[:, None] + sign * away
        places = [y + reach * np.sin(angles)[:, None], x + reach * np.cos(angles)[:, None]]
        light = ndimage.map_coordinates(plane, places, order=1, mode="nearest")
        sides.append(light.reshape(_SECTORS, -1).mean(axis=1))
    steps = sides[0] - sides[1]
    steps = steps * np.sign(np.median(steps))
    return float((steps > 0.25 * np.median(steps)).mean()), float(steps.mean() / (steps.std() + 1e-9))


def _trimmed(points: np.ndarray) -> tuple[Ellipse, np.ndarray] | None:
    """The ellipse through most of the points, and which; what lies off it is left out in turns."""
    from skimage.measure import EllipseModel

    kept = np.ones(len(points), bool)
    ellipse: Ellipse = (0.0, 0.0, 1.0, 1.0, 0.0)
    for _ in range(8):
        if kept.sum() < 0.5 * _ANGLES:
            return None
        with np.errstate(divide="ignore", invalid="ignore"):  # of an exact circle the angle is any
            fit = EllipseModel.from_estimate(points[kept])
        if not fit:
            return None
        (x, y), (a, b) = fit.center, fit.axis_lengths
        ellipse = (float(x), float(y), float(a), float(b), float(fit.theta))
        off = np.abs(_distance(points, ellipse))
        kept = off < max(0.6, 3 * float(np.median(off)))
    return ellipse, kept


def _distance(points: np.ndarray, ellipse: Ellipse) -> np.ndarray:
    """Distance of points from an ellipse, along the line to its centre."""
    x, y, a, b, turn = ellipse
    dx, dy = points[:, 0] - x, points[:, 1] - y
    u, v = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    away: np.ndarray = np.hypot(u, v) * (1 - 1 / np.maximum(np.hypot(u / a, v / b), 1e-9))
    return away


def _edge_points(plane: np.ndarray, ellipse: Ellipse, near: float) -> tuple[np.ndarray, float]:
    """The steepest point along each ray, and how much brighter or darker the disc is than what is about it."""
    from scipy import ndimage

    x, y, a, b, turn = ellipse
    angles = np.linspace(0, 2 * np.pi, _ANGLES, endpoint=False)
    expected = 1 / np.hypot(np.cos(angles - turn) / a, np.sin(angles - turn) / b)
    radius = float(expected.mean())
    share = np.arange(0.6, 1.4, max(0.25, radius / 400) / radius)
    reach = expected[:, None] * share
    ray = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    places = np.array([x, y]) + reach[..., None] * ray[:, None, :]
    light = ndimage.map_coordinates(plane, [places[..., 1], places[..., 0]], order=1, mode="constant", cval=np.nan)
    light = ndimage.gaussian_filter1d(light, 0.7 / radius / (share[1] - share[0]), axis=1)
    slope = np.gradient(light, axis=1)
    # the disc is brighter or darker than its ground all the way round: edges the other way are print or shadow
    outer = light[:, share > 1.15]
    whole = np.isfinite(outer).any(axis=1) & np.isfinite(light[:, share < 1]).any(axis=1)
    if not whole.any():
        return np.empty((0, 2)), 0.0
    inner = np.nanmean(light[whole][:, share < 1], axis=1)
    usual = np.median(inner - np.nanmean(outer[whole], axis=1))
    slope = -slope if usual > 0 else slope
    # nearer to the expected radius is likelier
    slope = slope * np.exp(-0.5 * ((share - 1) / near) ** 2)
    found = []
    for n, row in enumerate(slope):
        if np.isnan(row).all():
            continue
        k = int(np.nanargmax(row))
        if 0 < k < len(row) - 1 and np.isfinite(row[k - 1 : k + 2]).all() and row[k] > 1e-4:
            before, here, after = row[k - 1], row[k], row[k + 1]
            bend = before - 2 * here + after
            part = 0.5 * (before - after) / bend if bend < 0 else 0.0
            found.append(np.array([x, y]) + (reach[n, k] + part * (reach[n, 1] - reach[n, 0])) * ray[n])
    return np.array(found).reshape(-1, 2), float(abs(usual))
