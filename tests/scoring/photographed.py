"""Photos of printed sheets and discs by a camera whose every setting is known: the truth that scales are judged by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from skimage.transform import ProjectiveTransform, warp

from castlab.scoring.printed import PAPERS, Sheet

DOTS = 16
"""Pixels per mm of the printed page: 400 dots per inch."""


def page(sheet: Sheet, *, ink: float = 0.04, paper: float = 0.85) -> np.ndarray:
    """The printed page as reflectances, DOTS pixels per mm; partly covered pixels are grey by their share."""
    width, height = PAPERS[sheet.paper]
    cover = np.zeros((round(height * DOTS), round(width * DOTS)), np.float32)
    x0, y0 = sheet.origin
    for x, y, w, h in sheet.black:
        along = _share((x + x0) * DOTS, (x + x0 + w) * DOTS, cover.shape[1])
        down = _share((y + y0) * DOTS, (y + y0 + h) * DOTS, cover.shape[0])
        rows, columns = np.flatnonzero(down), np.flatnonzero(along)
        cover[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += np.outer(down[rows], along[columns])
    return paper - (paper - ink) * np.clip(cover, 0, 1)


def _share(start: float, end: float, size: int) -> np.ndarray:
    """How much of each pixel lies between two places."""
    pixels = np.arange(size)
    return np.clip(np.minimum(pixels + 1, end) - np.maximum(pixels, start), 0, 1).astype(np.float32)


def srgb(linear: np.ndarray) -> np.ndarray:
    """Light as sRGB codes it (IEC 61966-2-1)."""
    clipped = np.clip(linear, 0, 1)
    return np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055)


@dataclass(frozen=True)
class Camera:
    """A pinhole camera `away_mm` above the middle of the page, tilted and turned (degrees), with so many pixels."""

    away_mm: float = 420.0
    tilt: float = 0.0
    slant: float = 0.0
    turn: float = 0.0
    shape: tuple[int, int] = (1500, 1200)
    fill: float = 0.92

    def to_pixels(self, paper: str) -> ProjectiveTransform:
        """From mm of the page to pixels."""
        width, height = PAPERS[paper]
        a, b, c = np.radians([self.tilt, self.slant, self.turn])
        about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
        about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
        about_z = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
        turned = about_x @ about_y @ about_z
        centred = np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, 1]])
        seen = np.column_stack([turned[:, 0], turned[:, 1], [0, 0, self.away_mm]]) @ centred
        seen[2] = turned[2, 0] * centred[0] + turned[2, 1] * centred[1] + [0, 0, self.away_mm]
        corners = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1]]) @ seen.T
        corners = corners[:, :2] / corners[:, 2:]
        low, high = corners.min(axis=0), corners.max(axis=0)
        focal = self.fill * min(self.shape[1] / (high[0] - low[0]), self.shape[0] / (high[1] - low[1]))
        middle = (low + high) / 2
        frame = np.array([
            [focal, 0, self.shape[1] / 2 - focal * middle[0]], [0, focal, self.shape[0] / 2 - focal * middle[1]], [0, 0, 1],
        ])  # fmt: skip
        return ProjectiveTransform(frame @ seen)

    def photo(
        self,
        sheet: Sheet,
        reflectance: np.ndarray | None = None,
        *,
        blur_px: float = 0.7,
        grain: float = 0.006,
        exposure: float = 0.9,
        uneven: float = 0.15,
        colour: tuple[float, float, float] = (1.0, 1.0, 1.0),
        bend_mm: float = 0.0,
        seed: int = 1,
    ) -> np.ndarray:
        """What the camera records of a page (8 bit, sRGB)."""
        surface = page(sheet) if reflectance is None else reflectance
        onto = self.to_pixels(sheet.paper)
        if bend_mm:
            surface = self._bent(surface, bend_mm)
        # each pixel gathers the light of its whole area: drawn at twice the size, then averaged
        twice = ProjectiveTransform(np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]]))
        dots = ProjectiveTransform(np.array([[DOTS, 0, -0.5], [0, DOTS, -0.5], [0, 0, 1.0]]))
        shape = (2 * self.shape[0], 2 * self.shape[1])
        planes = surface if surface.ndim == 3 else surface[..., None]
        step = DOTS / 2 / np.sqrt(abs(np.linalg.det(onto.params[:2, :2] / onto.params[2, 2])))
        soft = ndimage.gaussian_filter(planes, (0.35 * step, 0.35 * step, 0)) if step > 1 else planes
        seen = np.stack(
            [warp(soft[..., n], (dots.inverse + onto + twice).inverse, output_shape=shape, order=1, cval=0.25) for n in range(planes.shape[2])],
            axis=-1,
        )  # fmt: skip
        light = seen.reshape(self.shape[0], 2, self.shape[1], 2, -1).mean(axis=(1, 3))
        light = ndimage.gaussian_filter(light, (blur_px, blur_px, 0))
        y, x = np.mgrid[0 : self.shape[0], 0 : self.shape[1]] / max(self.shape)
        light = light * (exposure * (1 + uneven * (x - 0.5) - 0.5 * uneven * (y - 0.5)))[..., None] * np.array(colour)
        grainy = srgb(light) + np.random.default_rng(seed).normal(0, grain, (*self.shape, 3))
        return (np.clip(grainy, 0, 1) * 255 + 0.5).astype(np.uint8)

    def _bent(self, surface: np.ndarray, bend_mm: float) -> np.ndarray:
        """A page that bulges toward the camera across its width: farther points move outward by similar triangles."""
        height, width = surface.shape[:2]
        columns = (np.arange(width) - width / 2) / (width / 2)
        nearer = self.away_mm / (self.away_mm - bend_mm * (1 - columns**2))
        rows, cols = np.mgrid[0:height, 0:width].astype(np.float32)
        source_x = width / 2 + (cols - width / 2) / nearer
        source_y = height / 2 + (rows - height / 2) / nearer
        return ndimage.map_coordinates(surface, [source_y, source_x], order=1, mode="nearest").astype(np.float32)


def disc_photo(
    diameter_px: float, *, squeeze: float = 1.0, relief: float = 0.15, ground: float = 0.35, seed: int = 1
) -> np.ndarray:
    """A coin-like disc with relief and a shadow on one side, on a grainy ground (floats)."""
    rng = np.random.default_rng(seed)
    shape = (700, 900)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(float)
    away = np.hypot(x - 430.3, (y - 350.7) / squeeze) - diameter_px / 2
    cover = np.clip(0.5 - away, 0, 1)
    face = 0.7 + relief * np.sign(ndimage.gaussian_filter(rng.normal(size=shape), 6))
    shadow = 0.12 * np.exp(-0.5 * (np.hypot(x - 436, (y - 356) / squeeze) - diameter_px / 2) ** 2 / 16)
    scene = cover * face + (1 - cover) * (ground - shadow)
    return np.clip(srgb(ndimage.gaussian_filter(scene, 0.8)) + rng.normal(0, 0.01, shape), 0, 1)
