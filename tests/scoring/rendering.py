"""Pictures of invented castings whose bubbles are known exactly: the truth that the detector is judged by.

Bright-rimmed, dark-rimmed, crescent-lit and filled bubbles, in and out of focus, touching, overlapping and cut by the
picture's edge, over an insert with straight edges, pads and print, in uneven light with glare, grain and JPEG blocks.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import pandas as pd
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

LOOKS = ("bright rim", "dark rim", "crescent", "bright disc", "dark disc")
OTHERS = ("soft spot", "soft pit", "rough disc")
"""Looks besides, that the judge is taught so that it does not know those of the castings only."""

TEACHING = range(20000, 20180)
"""Seeds that the judge of candidates is taught on."""
DEVELOPMENT = range(1000, 1060)
"""Seeds to look at while the detector is being made."""
HELD_OUT = range(9100, 9160)
"""Seeds that nobody looks at until the detector is finished."""

VISIBLE = 2.0
"""A bubble that changes its pixels by less than this many times the grain is not one that a careful person could mark."""


@dataclass(frozen=True)
class Casting:
    """A rendered photo (rows x columns x 3, 8 bit) and its true bubbles.

    Their x, y and diameter are in pixels; `visible` says how far each stands out of the grain (see `visibility`).
    """

    picture: np.ndarray
    truth: pd.DataFrame


def render(
    seed: int,
    *,
    shape: tuple[int, int] | None = None,
    bubbles: int | None = None,
    sizes: tuple[float, float] = (4.0, 120.0),
    looks: tuple[str, ...] | None = None,
    insert: bool | None = None,
) -> Casting:
    """One casting; whatever is not given is drawn from the seed."""
    rng = np.random.default_rng(seed)
    height, width = shape or (int(rng.integers(500, 1000)), int(rng.integers(600, 1200)))
    number = int(rng.choice([0, 3, 10, 25, 50, 100, 150, 200])) if bubbles is None else bubbles
    if looks is None:
        looks = tuple(rng.choice(LOOKS, size=int(rng.integers(1, 4)), replace=False))
    scene = _background(rng, height, width)
    if rng.random() < 0.65 if insert is None else insert:
        _insert(rng, scene)
    grain = float(rng.uniform(0.003, 0.015))
    truth = _place(rng, height, width, number, sizes)
    rows, shades = [], []
    for x, y, diameter in truth:
        look = str(rng.choice(looks))
        contrast = float(max(rng.uniform(0.10, 0.45), 9 * grain))
        shades.append(_bubble(rng, scene, x, y, diameter / 2, look, contrast))
        rows.append((x, y, diameter, look, contrast))
    if rng.random() < 0.6:
        _glare(rng, scene)
    blur = float(rng.uniform(0.3, 0.7))
    frame = pd.DataFrame(rows, columns=["x", "y", "diameter", "look", "contrast"])
    frame["visible"] = visibility(scene, shades, frame, blur, grain)
    return Casting(_camera(rng, scene, blur, grain), frame)


def visibility(
    scene: np.ndarray,
    shades: list[tuple[tuple[slice, slice], np.ndarray]],
    truth: pd.DataFrame,
    blur: float,
    grain: float,
) -> np.ndarray:
    """How far each bubble changes the picture's pixels within its outline, root mean square, in units of the grain.

    The difference is that between the scene without grain and the same scene without the bubble, both through the lens
    and clipped to white: glare hides what lies under it, another bubble does not.
    """
    told = []
    for (box, shade), bubble in zip(shades, truth.itertuples(), strict=True):
        y, x = np.ogrid[box]
        change = np.clip(scene[box], 0, 1) - np.clip(scene[box] - shade, 0, 1)
        change = ndimage.gaussian_filter(change, blur)
        inside = np.hypot(x - bubble.x, y - bubble.y) <= bubble.diameter / 2 + 0.5
        told.append(float(np.sqrt((change[inside] ** 2).mean())) / grain)
    return np.array(told, float)


def _background(rng: np.random.Generator, height: int, width: int) -> np.ndarray:
    """Uneven light over slightly cloudy resin."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    level = rng.uniform(0.3, 0.65)
    slope = rng.uniform(-0.18, 0.18, size=2)
    scene = level + slope[0] * (x / width - 0.5) + slope[1] * (y / height - 0.5)
    fall = rng.uniform(0, 0.2)
    scene -= fall * ((x / width - 0.5) ** 2 + (y / height - 0.5) ** 2)
    coarse = rng.normal(0, 1, (6, 8))
    zoomed = ndimage.zoom(coarse, (height / 6, width / 8), order=3)[:height, :width]
    scene[: zoomed.shape[0], : zoomed.shape[1]] += rng.uniform(0.0, 0.03) * zoomed
    return scene.astype(np.float32)


def _insert(rng: np.random.Generator, scene: np.ndarray) -> None:
    """A board under the resin: straight edges, square pads, conductor lines and print."""
    height, width = scene.shape
    layer = Image.new("F", (width, height), 0.0)
    draw = ImageDraw.Draw(layer)
    w, h = rng.uniform(0.3, 0.6) * width, rng.uniform(0.3, 0.6) * height
    x0, y0 = rng.uniform(0.05, 0.35) * width, rng.uniform(0.05, 0.35) * height
    angle = rng.uniform(-0.3, 0.3)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def corner(u: float, v: float) -> tuple[float, float]:
        px, py = turn @ np.array([(u - 0.5) * w, (v - 0.5) * h])
        return float(px + x0 + w / 2), float(py + y0 + h / 2)

    tone = float(rng.choice([-1, 1]) * rng.uniform(0.08, 0.25))
    draw.polygon([corner(0, 0), corner(1, 0), corner(1, 1), corner(0, 1)], fill=tone)
    for _ in range(int(rng.integers(2, 8))):
        u, v, du = rng.uniform(0.05, 0.9), rng.uniform(0.05, 0.9), rng.uniform(0.1, 0.5)
        draw.line([corner(u, v), corner(min(u + du, 0.97), v)], fill=tone - 0.15, width=int(rng.integers(1, 5)))
    for _ in range(int(rng.integers(2, 7))):
        u, v, side = rng.uniform(0.05, 0.85), rng.uniform(0.05, 0.85), rng.uniform(8, 40)
        us, vs = side / w, rng.uniform(1.5, 3) * side / h
        pad = [corner(u, v), corner(u + us, v), corner(u + us, v + vs), corner(u, v + vs)]
        draw.polygon(pad, fill=tone + float(rng.choice([-0.2, 0.2])))
    for text in rng.choice(["LOT 27-B", "seed pod", "R12 C4 U3", "BLOCK 0308", "lamp 12 V"], size=2, replace=False):
        size = int(rng.integers(12, 36))
        font = ImageFont.load_default(size=size)
        place = corner(float(rng.uniform(0.05, 0.5)), float(rng.uniform(0.1, 0.8)))
        draw.text(place, str(text), fill=tone + float(rng.choice([-0.25, 0.25])), font=font)
    drawn = np.asarray(layer, dtype=np.float32)
    scene += ndimage.gaussian_filter(drawn, float(rng.uniform(0.5, 2.0)))


def _place(
    rng: np.random.Generator, height: int, width: int, number: int, sizes: tuple[float, float]
) -> list[tuple[float, float, float]]:
    """Centres inside the picture; pairs may touch and overlap, but no bubble hides more than a third of another."""
    low, high = sizes
    top = min(high, float(rng.uniform(1.5, 12)) * low, 0.25 * min(height, width)) if number > 30 else high
    top = max(top, 1.2 * low)
    placed: list[tuple[float, float, float]] = []
    covered, tries = 0.0, 0
    while len(placed) < number and tries < 60 * number + 100:
        tries += 1
        diameter = float(np.exp(rng.uniform(np.log(low), np.log(top))))
        area = np.pi * diameter**2 / 4
        if covered + area > 0.4 * height * width:
            continue
        x, y = float(rng.uniform(0, width - 1)), float(rng.uniform(0, height - 1))
        if placed and rng.random() < 0.15:
            other = placed[int(rng.integers(len(placed)))]
            way = rng.uniform(0, 2 * np.pi)
            apart = rng.uniform(0.8, 1.05) * (other[2] + diameter) / 2
            x, y = other[0] + apart * np.cos(way), other[1] + apart * np.sin(way)
            if not (0 <= x < width - 1 and 0 <= y < height - 1):
                continue
        if all(np.hypot(x - a, y - b) > 0.79 * (diameter + d) / 2 for a, b, d in placed):
            placed.append((x, y, diameter))
            covered += area
    return placed


def _bubble(
    rng: np.random.Generator, scene: np.ndarray, x: float, y: float, radius: float, look: str, contrast: float
) -> tuple[tuple[slice, slice], np.ndarray]:
    """Draw one; where it was drawn, and what was added there."""
    height, width = scene.shape
    blur = float(max(0.6, rng.uniform(0.02, 0.14) * radius))
    reach = int(np.ceil((2.5 * radius if look.startswith("soft") else radius) + 4 * blur + 2))
    top, left = max(int(y) - reach, 0), max(int(x) - reach, 0)
    rows = np.arange(top, min(int(y) + reach + 1, height))
    columns = np.arange(left, min(int(x) + reach + 1, width))
    dy, dx = (rows - y)[:, None], (columns - x)[None, :]
    squash = 1 + rng.uniform(-0.04, 0.04)
    distance = np.hypot(dx * squash, dy / squash)
    way = np.arctan2(dy, dx)
    body = _step(distance, radius, blur)
    thick = float(rng.uniform(0.18, 0.4))
    rim = body - _step(distance, radius * (1 - thick), blur)
    lit = rng.uniform(0, 2 * np.pi)
    uneven = 1 + rng.uniform(0, 0.45) * np.cos(way - lit)
    if look == "bright rim":
        shade = contrast * (rim * uneven + rng.uniform(-0.1, 0.2) * body)
    elif look == "dark rim":
        shade = -contrast * (rim * uneven - rng.uniform(0.0, 0.4) * (body - rim))
    elif look == "crescent":
        shade = contrast * (rim * 1.3 * np.cos(way - lit) + rng.uniform(-0.15, 0.15) * body)
    elif look == "rough disc":
        rough = ndimage.gaussian_filter(rng.normal(0, 1, distance.shape), max(0.08 * radius, 1.0))
        shade = contrast * body * (1 + 0.5 * rough / rough.std())
    elif look in ("soft spot", "soft pit"):
        # as wide as the disc that looks like it once it is blurred
        shade = (1 if look == "soft spot" else -1) * contrast * np.exp(-((distance / radius) ** 2))
    else:
        dome = 1 - rng.uniform(0, 0.3) * np.clip(distance / radius, 0, 1) ** 2
        shade = (1 if look == "bright disc" else -1) * contrast * body * dome
    if radius > 6 and rng.random() < 0.4:
        away = rng.uniform(0.2, 0.5) * radius
        spot = np.hypot(dx - away * np.cos(lit), dy - away * np.sin(lit))
        shade = shade + 0.4 * contrast * _step(spot, rng.uniform(0.08, 0.18) * radius, max(blur, 0.7))
    box = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
    scene[box] += shade.astype(np.float32)
    return box, shade


def _step(distance: np.ndarray, radius: float, blur: float) -> np.ndarray:
    """1 inside, 0 outside, with a soft edge."""
    from scipy.special import ndtr

    return ndtr((radius - distance) / blur)


def _glare(rng: np.random.Generator, scene: np.ndarray) -> None:
    """Reflections of a window or a lamp: long soft patches that burn out."""
    height, width = scene.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    for _ in range(int(rng.integers(1, 3))):
        angle, long = rng.uniform(0, np.pi), rng.uniform(0.08, 0.2) * width
        short = long / rng.uniform(3, 6)
        dx, dy = x - rng.uniform(0, width), y - rng.uniform(0, height)
        u = (dx * np.cos(angle) + dy * np.sin(angle)) / long
        v = (-dx * np.sin(angle) + dy * np.cos(angle)) / short
        scene += (rng.uniform(0.3, 0.9) * np.exp(-((u**2 + v**2) ** 1.5))).astype(np.float32)


def _camera(rng: np.random.Generator, scene: np.ndarray, blur: float, grain: float) -> np.ndarray:
    """Lens blur, shot noise, white balance, 8 bits and JPEG."""
    sharp = ndimage.gaussian_filter(scene, blur)
    tint = rng.uniform(0.85, 1.0, size=3).astype(np.float32)
    noise = rng.normal(0, 1, (*scene.shape, 3)).astype(np.float32)
    level = np.clip(sharp, 0.02, 1)[..., None]
    colour = sharp[..., None] * tint + grain * noise * np.sqrt(level / 0.5)
    picture = Image.fromarray((np.clip(colour, 0, 1) * 255 + 0.5).astype(np.uint8))
    store = io.BytesIO()
    picture.save(store, "JPEG", quality=int(rng.integers(75, 97)))
    return np.asarray(Image.open(store).convert("RGB"))
