"""Where a printed sheet lies in a photo: its squares are found, told apart by their places, and measured by their edges."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from castlab.errors import InputError
from castlab.scoring.printed import Box, Marks

if TYPE_CHECKING:
    from skimage.transform import ProjectiveTransform

_WORKING = 1600
"""Pixels of the longer side of the reduced picture in which squares are sought."""
_LEAST_SIDE = 6.0
"""A square less wide than this, in pixels of the reduced picture, is not told from print."""
_REACH = 0.4
"""How far a square may lie from its place, in sides of a square, while the sheet is being recognised."""


@dataclass(frozen=True)
class Located:
    """A sheet in a photo. `to_mm` maps pixels (x, y) to mm of the sheet; `residual_mm`: root mean square distance of
    the squares' corners from where a flat sheet has them; `found` of `printed` squares were seen."""

    to_mm: ProjectiveTransform
    residual_mm: float
    worst_mm: float
    found: int
    printed: int
    mm_per_pixel: float


def locate(plane: np.ndarray, marks: Marks) -> Located:
    """Find a sheet's marks in a photo.

    Parameters
    ----------
    plane
        Light from 0 to 1, rows x columns.
    marks
        The marks of the sheet that was printed.

    Raises
    ------
    InputError
        If the marks cannot be found or told apart.
    """
    from skimage.transform import ProjectiveTransform

    quads = _quads(plane)
    if len(quads) < 5:
        raise InputError(
            f"no marker sheet is seen in the photo ({len(quads)} dark squares found); all of its squares must be in the "
            "picture, sharp, evenly lit and uncovered at least at the four corners"
        )
    best = _recognise(quads, marks)
    if best is None:
        raise InputError(
            f"{len(quads)} dark squares are seen but they do not lie as on this sheet; the four corner squares and the oblong "
            "beside the first must be uncovered, the photo must not be mirrored, and the sheet the one that was given"
        )
    wanted, seen = [], []
    half = marks.side / 2
    corners = np.array([(-half, -half), (half, -half), (half, half), (-half, half)])
    matched = _match(best, quads, marks)
    for place, quad in matched.items():
        exact = np.asarray(marks.centres[place]) + corners
        guess = best.inverse(exact)
        order = [int(np.argmin(np.hypot(*(quad - point).T))) for point in guess]
        if sorted(order) != [0, 1, 2, 3]:
            continue
        sharp = _sharpened(plane, quad[order])
        if sharp is not None:
            wanted.append(exact)
            seen.append(sharp)
    if len(seen) < 4:
        raise InputError("the squares of the sheet are too blurred to measure; photograph it again in focus")
    source, target = np.concatenate(seen), np.concatenate(wanted)
    to_mm = ProjectiveTransform.from_estimate(source, target)
    distance = np.hypot(*(to_mm(source) - target).T)
    middle = np.array([[marks.width / 2, marks.height / 2]])
    steps = np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)])
    around = to_mm(to_mm.inverse(middle) + steps)
    area = abs(np.linalg.det(np.stack([around[1] - around[0], around[2] - around[0]])))
    return Located(
        to_mm,
        float(np.sqrt((distance**2).mean())),
        float(distance.max()),
        len(seen),
        len(marks.centres),
        float(np.sqrt(area)),
    )


def inside(box: Box, located: Located, shape: tuple[int, ...], margin: float = 0.0) -> tuple[np.ndarray, ...]:
    """The pixels in a box of the sheet: their rows, columns and places in mm (x, y); `margin` is left out all round.

    Raises
    ------
    InputError
        If the box lies outside the photo.
    """
    x, y, width, height = box
    x, y, width, height = x + margin, y + margin, width - 2 * margin, height - 2 * margin
    corners = located.to_mm.inverse(np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)]))
    low, high = np.floor(corners.min(axis=0)).astype(int), np.ceil(corners.max(axis=0)).astype(int)
    if (low < 0).any() or high[0] >= shape[1] or high[1] >= shape[0]:
        raise InputError("a part of the sheet that is needed lies outside the photo; photograph all of it")
    rows, columns = np.mgrid[low[1] : high[1] + 1, low[0] : high[0] + 1]
    places = located.to_mm(np.column_stack([columns.ravel(), rows.ravel()]).astype(float))
    keep = (places[:, 0] >= x) & (places[:, 0] <= x + width) & (places[:, 1] >= y) & (places[:, 1] <= y + height)
    return rows.ravel()[keep], columns.ravel()[keep], places[keep, 0], places[keep, 1]


def _quads(plane: np.ndarray) -> np.ndarray:
    """Corners (n x 4 x 2; x, y in pixels) of every dark, solid shape with four corners."""
    from scipy import ndimage
    from skimage.filters import threshold_local
    from skimage.measure import label, regionprops
    from skimage.transform import downscale_local_mean

    step = max(1, round(max(plane.shape) / _WORKING))
    small = downscale_local_mean(plane, (step, step)) if step > 1 else plane
    small = ndimage.gaussian_filter(small, 0.7)
    window = max(min(small.shape) // 5, 15) | 1
    dark = small < threshold_local(small, window, method="mean") - 0.06
    found = []
    for part in regionprops(label(dark)):
        top, left, bottom, right = part.bbox
        cut = top == 0 or left == 0 or bottom == small.shape[0] or right == small.shape[1]
        if cut or part.area < _LEAST_SIDE**2 or part.area > small.size / 30 or part.solidity < 0.85:
            continue
        corners = _four(part.coords[:, ::-1].astype(float))
        if corners is not None and 0.75 < _area(corners) / part.area < 1.2:
            found.append((corners + 0.5) * step - 0.5)
    return np.array(found) if found else np.empty((0, 4, 2))


def _four(points: np.ndarray) -> np.ndarray | None:
    """The four corners of the largest four-cornered shape in these points, in order round it; None if it is thin."""
    middle = points.mean(axis=0)
    one = points[np.argmax(np.hypot(*(points - middle).T))]
    two = points[np.argmax(np.hypot(*(points - one).T))]
    way = two - one
    side = way[0] * (points[:, 1] - one[1]) - way[1] * (points[:, 0] - one[0])
    if side.max() <= 0 or side.min() >= 0:
        return None
    return np.array([one, points[np.argmin(side)], two, points[np.argmax(side)]])


def _area(corners: np.ndarray) -> float:
    x, y = corners.T
    # corners are centres of pixels: half a pixel more on each side
    around = float(np.hypot(*(corners - np.roll(corners, 1, axis=0)).T).sum())
    return 0.5 * abs(float(x @ np.roll(y, 1) - y @ np.roll(x, 1))) + 0.5 * around


def _recognise(quads: np.ndarray, marks: Marks) -> ProjectiveTransform | None:
    """The map from pixels to mm under which most of the sheet's squares are where they should be, and the oblong too."""
    from scipy.spatial import ConvexHull
    from skimage.transform import ProjectiveTransform

    middles = quads.mean(axis=1)
    try:
        outer = middles[ConvexHull(middles).vertices]
    except Exception:  # all in one line: scipy's own error for it is not public
        return None
    if len(outer) > 14:
        turn = np.argsort([_bend(outer, n) for n in range(len(outer))])[:14]
        outer = outer[np.sort(turn)]
    target = np.array(marks.centres[:4])
    best, most = None, 0
    for chosen in combinations(range(len(outer)), 4):
        square = outer[list(chosen)]
        x, y = square.T
        if x @ np.roll(y, -1) - y @ np.roll(x, -1) < 0:
            square = square[::-1]
        for start in range(4):
            candidate = ProjectiveTransform.from_estimate(np.roll(square, start, axis=0), target)
            if not candidate:
                continue
            number = len(_match(candidate, quads, marks))
            if number > most and _has_key(candidate, quads, marks):
                best, most = candidate, number
    return best if most >= max(5, round(0.6 * len(marks.centres))) else None


def _bend(outer: np.ndarray, n: int) -> float:
    """Cosine of the angle at a corner of the hull: near 1 for a sharp corner's opposite, so small ones are kept."""
    before, after = outer[n - 1] - outer[n], outer[(n + 1) % len(outer)] - outer[n]
    return float(np.abs(np.pi / 2 - np.arccos(before @ after / np.hypot(*before) / np.hypot(*after))))


def _match(to_mm: ProjectiveTransform, quads: np.ndarray, marks: Marks) -> dict[int, np.ndarray]:
    """Place of a square in the sheet -> the shape seen there, of the right size."""
    corners = to_mm(quads.reshape(-1, 2)).reshape(-1, 4, 2)
    middles = corners.mean(axis=1)
    size = corners.max(axis=1) - corners.min(axis=1)
    fits = (np.abs(size - marks.side) < 0.35 * marks.side).all(axis=1)
    found = {}
    for place, centre in enumerate(marks.centres):
        distance = np.where(fits, np.hypot(*(middles - centre).T), np.inf)
        nearest = int(np.argmin(distance))
        if distance[nearest] < _REACH * marks.side:
            found[place] = quads[nearest]
    return found


def _has_key(to_mm: ProjectiveTransform, quads: np.ndarray, marks: Marks) -> bool:
    x, y, width, height = marks.key
    corners = to_mm(quads.reshape(-1, 2)).reshape(-1, 4, 2)
    near = np.hypot(*(corners.mean(axis=1) - (x + width / 2, y + height / 2)).T) < _REACH * marks.side
    size = corners.max(axis=1) - corners.min(axis=1)
    fits = (np.abs(size - (width, height)) < 0.35 * marks.side).all(axis=1)
    return bool((near & fits).any())


def _sharpened(plane: np.ndarray, corners: np.ndarray) -> np.ndarray | None:
    """Corners to a part of a pixel: lines through each side's edge points, where light is halfway, and their crossings."""
    from scipy import ndimage

    lines = []
    for n in range(4):
        one, two = corners[n], corners[(n + 1) % 4]
        way = two - one
        length = float(np.hypot(*way))
        outward = np.array([way[1], -way[0]]) / length
        if outward @ ((one + two) / 2 - corners.mean(axis=0)) < 0:
            outward = -outward
        reach = max(2.5, 0.2 * length)
        along = np.linspace(0.2, 0.8, max(8, min(60, int(length))))
        across = np.linspace(-reach, reach, int(8 * reach) + 1)
        points = one + along[:, None, None] * way + across[:, None] * outward
        light = ndimage.map_coordinates(plane, [points[..., 1], points[..., 0]], order=1, mode="nearest")
        edges = []
        for row, start in zip(light, one + along[:, None] * way, strict=True):
            inner, outer = row[: len(row) // 4].mean(), row[-(len(row) // 4) :].mean()
            if outer - inner < 0.05:
                continue
            above = row > (inner + outer) / 2
            crossing: Any = np.flatnonzero(~above[:-1] & above[1:])
            if len(crossing):
                at = int(crossing[np.argmin(np.abs(crossing - len(row) / 2))])
                part = ((inner + outer) / 2 - row[at]) / (row[at + 1] - row[at])
                edges.append(start + (across[at] + part * (across[1] - across[0])) * outward)
        if len(edges) < 5:
            return None
        lines.append(_line(np.array(edges)))
    found = []
    for n in range(4):
        (point, way), (other, along_other) = lines[n - 1], lines[n]
        matrix = np.column_stack([way, -along_other])
        if abs(np.linalg.det(matrix)) < 1e-6:
            return None
        found.append(point + np.linalg.solve(matrix, other - point)[0] * way)
    return np.array(found)


def _line(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Point and direction of the line through points; the farthest fifth is left out once."""
    for _ in range(2):
        middle = points.mean(axis=0)
        way = np.linalg.svd(points - middle)[2][0]
        off = np.abs((points - middle) @ np.array([-way[1], way[0]]))
        points = points[off <= np.quantile(off, 0.8)] if len(points) > 6 else points
    return middle, way
