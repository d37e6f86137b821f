"""The clearest disc in a picture, as an ellipse fitted to its edge: for a coin-like thing of known diameter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_WORKING = 700
_ANGLES = 240
_LEAST = 12.0
"""Smallest diameter of a disc that is sought, pixels."""


Ellipse = tuple[float, float, float, float, float]
"""Centre x and y, half axes, and the angle of the first, in pixels and radians."""


@dataclass(frozen=True)
class Disc:
    """Centre, half axes and residual of the edge in pixels; `share`: 95% of the longer axis' uncertainty, relative;
    `seen`: share of the edge that the ellipse passes through; `contrast`: between the disc and what is about it."""

    x: float
    y: float
    longer: float
    shorter: float
    residual: float
    share: float
    seen: float
    contrast: float


def find_disc(plane: np.ndarray) -> Disc | None:
    """The disc whose edge is clearest all the way round; None if there is none.

    Parameters
    ----------
    plane
        Light from 0 to 1, rows x columns.
    """
    fits = [found for guess in _guesses(plane) if (found := _fitted(plane, *guess)) is not None]
    return max(fits, key=lambda found: found.contrast * found.seen**2 * np.sqrt(found.longer), default=None)


def _guesses(plane: np.ndarray) -> list[tuple[float, float, float]]:
    """Round patches at several levels of light, brighter or darker than what is about them, and circles of edges."""
    from scipy import ndimage
    from skimage.feature import canny
    from skimage.measure import label, regionprops
    from skimage.transform import downscale_local_mean, hough_circle, hough_circle_peaks

    step = max(1, round(max(plane.shape) / _WORKING))
    small = downscale_local_mean(plane, (step, step)) if step > 1 else plane
    small = ndimage.gaussian_filter(small, 2.0)
    least = max((_LEAST / 2 / step) ** 2, (0.03 * min(small.shape)) ** 2) * np.pi
    found: list[tuple[float, float, float, float]] = []
    for level in np.unique(np.quantile(small, np.linspace(0.05, 0.95, 13))):
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
    if not found:
        coarse = max(1, round(max(small.shape) / 350))
        edges = canny(small[::coarse, ::coarse], sigma=2)
        largest = min(edges.shape) // 2
        radii = np.unique(np.geomspace(max(6, largest / 12), max(7, largest), 24).round().astype(int))
        peaks = hough_circle_peaks(hough_circle(edges, radii), radii, total_num_peaks=6)
        found += [(1 - a, x * coarse, y * coarse, r * coarse) for a, x, y, r in zip(*peaks, strict=True)]
    kept: list[tuple[float, float, float]] = []
    for _, x, y, radius in sorted(found):
        if not any(np.hypot(x - a, y - b) < 0.2 * c and abs(radius - c) < 0.1 * c for a, b, c in kept):
            kept.append((x, y, radius))
    return [((x + 0.5) * step - 0.5, (y + 0.5) * step - 0.5, radius * step) for x, y, radius in kept[:12]]


def _fitted(plane: np.ndarray, x: float, y: float, radius: float) -> Disc | None:
    """An ellipse through the steepest points along rays from the centre; those that lie off it are left out in turns."""
    ellipse = (x, y, radius, radius, 0.0)
    for near in (0.15, 0.04):
        points, contrast = _edge_points(plane, ellipse, near)
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
    return Disc(float(cx), float(cy), longer, shorter, residual, 1.96 * spread / longer, seen, contrast)


def _trimmed(points: np.ndarray) -> tuple[Ellipse, np.ndarray] | None:
    """The ellipse through most of the points, and which; what lies off it is left out in turns."""
    from skimage.measure import EllipseModel

    kept = np.ones(len(points), bool)
    ellipse: Ellipse = (0.0, 0.0, 1.0, 1.0, 0.0)
    for _ in range(8):
        if kept.sum() < 0.5 * _ANGLES:
            return None
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
    usual = np.nanmedian(np.nanmean(light[:, share < 1], axis=1) - np.nanmean(light[:, share > 1.15], axis=1))
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
