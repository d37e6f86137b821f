"""Pictures for teaching the judge of bubbles only: round things and other things of many more kinds than castings show.

The real photographs that a count will meet are not known; what a judge is taught on must vary more than they do. So
backgrounds, profiles, lights, clutter and cameras are drawn from wide ranges, none of them like any picture in a test.
"""

from __future__ import annotations

import io
from functools import lru_cache

import numpy as np
import pandas as pd
from PIL import Image, ImageDraw, ImageFont
from rendering import LOOKS, OTHERS, Casting, _background, _bubble, _glare, _insert, _step, visibility
from scipy import ndimage

VARIED = range(30000, 30280)
"""Seeds that the judge is taught on."""

TEXTURES = ("grass", "camera", "rocket", "text", "china")
"""Photographs without round things, from scikit-image and scikit-learn, that serve as ground."""
WORDS = ("LOT 27-B", "seed pod", "R12 C4 U3", "0308 68 090", "lamp 12 V", "kiln 4", "A7 E2 %&@")


def vary(seed: int) -> Casting:
    """One picture with its round things; those that noise or glare hides are marked by a low `visible`."""
    rng = np.random.default_rng(seed)
    height, width = int(rng.integers(280, 560)), int(rng.integers(320, 720))
    scene = _ground(rng, height, width)
    for _ in range(int(rng.choice([0, 0, 1, 2, 4]))):
        _clutter(rng, scene)
    if rng.random() < 0.25:
        _insert(rng, scene)
    grain = float(np.exp(rng.uniform(np.log(0.002), np.log(0.04))))
    kinds = rng.choice(
        ["profile", "profile", "disc", "line", "relief", "glow", *LOOKS, *OTHERS], size=int(rng.integers(1, 4))
    )
    faintest = max(float(rng.uniform(0.05, 0.3)), 5 * grain)
    rows, shades, rough = [], [], []
    for x, y, diameter in _places(rng, height, width):
        kind = str(rng.choice(kinds))
        contrast = faintest * float(rng.uniform(1, 2.5))
        before = scene.copy()
        if kind in (*LOOKS, *OTHERS):
            _bubble(rng, scene, x, y, diameter / 2, kind, contrast)
        else:
            _round(rng, scene, x, y, diameter / 2, kind, contrast)
        box = _box(scene.shape, x, y, diameter)
        shades.append((box, scene[box] - before[box]))
        rough.append(float(np.abs(np.diff(before[box], axis=1)).mean()))
        rows.append((x, y, diameter, kind, contrast))
    if rng.random() < 0.3:
        _glare(rng, scene)
    blur = float(np.exp(rng.uniform(np.log(0.3), np.log(1.6))))
    frame = pd.DataFrame(rows, columns=["x", "y", "diameter", "look", "contrast"])
    # in the rough a thing must stand out of that as well as of the grain
    frame["visible"] = visibility(scene, shades, frame, blur, grain) / np.hypot(1, np.array(rough) / grain)
    return Casting(_photograph(rng, scene, blur, grain), frame)


def _box(shape: tuple[int, ...], x: float, y: float, diameter: float) -> tuple[slice, slice]:
    reach = int(np.ceil(0.6 * diameter)) + 2
    return (
        slice(max(int(y) - reach, 0), min(int(y) + reach + 1, shape[0])),
        slice(max(int(x) - reach, 0), min(int(x) + reach + 1, shape[1])),
    )


def _ground(rng: np.random.Generator, height: int, width: int) -> np.ndarray:
    """Even, cloudy, striped, woven, cellular, or a piece of a photograph; light or dark."""
    scene = _background(rng, height, width) + np.float32(rng.uniform(-0.3, 0.3))
    kind = rng.choice(["plain", "plain", "cloud", "stripes", "cells", "photo", "photo"])
    depth = float(rng.uniform(0.01, 0.12))
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    if kind == "cloud":
        power = rng.uniform(0.8, 2.2)
        ky, kx = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :]
        size = np.maximum(np.hypot(ky, kx), 1 / max(height, width))
        noise = np.fft.irfft2(np.fft.rfft2(rng.normal(size=(height, width))) / size**power, (height, width))
        scene += depth * noise / noise.std()
    elif kind == "stripes":
        for _ in range(int(rng.integers(1, 3))):
            way, period = rng.uniform(0, np.pi), rng.uniform(4, 60)
            wave = np.sin(2 * np.pi * (x * np.cos(way) + y * np.sin(way)) / period + rng.uniform(0, 6))
            scene += depth * (np.tanh(3 * wave) if rng.random() < 0.5 else wave)
    elif kind == "cells":
        from scipy.spatial import cKDTree

        points = rng.uniform(0, 1, (int(rng.integers(20, 300)), 2)) * (height, width)
        near = cKDTree(points).query(np.column_stack([y.ravel(), x.ravel()]), k=2)
        if rng.random() < 0.5:
            walls = (near[0][:, 1] - near[0][:, 0]).reshape(height, width)
            scene += rng.choice([-1, 1]) * 2 * depth * np.exp(-0.5 * (walls / rng.uniform(1, 4)) ** 2)
        else:
            scene += 2 * depth * rng.normal(size=len(points))[near[1][:, 0]].reshape(height, width)
    elif kind == "photo":
        photo = _photo(str(rng.choice(TEXTURES)))
        scale = rng.uniform(0.6, 1.6)
        rows, columns = int(height / scale), int(width / scale)
        if rows >= photo.shape[0] or columns >= photo.shape[1]:
            rows, columns = min(rows, photo.shape[0] - 1), min(columns, photo.shape[1] - 1)
        top, left = int(rng.integers(photo.shape[0] - rows)), int(rng.integers(photo.shape[1] - columns))
        piece = photo[top : top + rows, left : left + columns]
        piece = ndimage.zoom(piece, (height / rows, width / columns), order=1)[:height, :width]
        piece = piece[:: rng.choice([-1, 1]), :: rng.choice([-1, 1])]
        scene[: piece.shape[0], : piece.shape[1]] += rng.uniform(0.3, 1.0) * (piece - piece.mean())
    return np.clip(scene, 0.03, 0.97).astype(np.float32)


@lru_cache(maxsize=8)
def _photo(name: str) -> np.ndarray:
    if name == "china":
        from sklearn.datasets import load_sample_image

        picture = load_sample_image("china.jpg")
    else:
        from skimage import data

        picture = getattr(data, name)()
    plane = np.asarray(picture, np.float32)
    return (plane.mean(axis=2) if plane.ndim == 3 else plane) / 255


def _clutter(rng: np.random.Generator, scene: np.ndarray) -> None:
    """Print, plates, scratches, fibres, long drops and blotches: nothing round."""
    height, width = scene.shape
    layer = Image.new("F", (width, height), 0.0)
    draw = ImageDraw.Draw(layer)
    kind = rng.choice(["print", "plates", "scratches", "fibres", "long", "blotches", "grid"])
    tone = float(rng.choice([-1, 1]) * rng.uniform(0.08, 0.5))
    number = int(rng.integers(2, 15))
    for _ in range(number):
        x, y = float(rng.uniform(0, width)), float(rng.uniform(0, height))
        size = float(np.exp(rng.uniform(np.log(8), np.log(90))))
        way = rng.uniform(0, 2 * np.pi)
        if kind == "print":
            font = ImageFont.load_default(size=int(np.clip(size, 9, 60)))
            draw.text((x - 0.2 * width, y), str(rng.choice(WORDS)), fill=tone, font=font)
        elif kind == "plates":
            corners = int(rng.integers(3, 5))
            turns = way + np.arange(corners) * 2 * np.pi / corners
            long = rng.uniform(0.5, 2)
            shape = [(x + size * long * np.cos(t), y + size * np.sin(t)) for t in turns]
            draw.polygon(shape, fill=tone if rng.random() < 0.6 else None, outline=tone)
        elif kind == "scratches":
            draw.line([(x, y), (x + 4 * size * np.cos(way), y + 4 * size * np.sin(way))], fill=tone, width=1)
        elif kind == "fibres":
            t = np.linspace(0, 1, 30)
            bend = way + np.cumsum(rng.normal(0, 0.25, 30))
            path = np.column_stack(
                [x + 4 * size * np.cumsum(np.cos(bend)) / 30, y + 4 * size * np.cumsum(np.sin(bend)) / 30]
            )
            draw.line([tuple(map(float, p)) for p in path[: len(t)]], fill=tone, width=int(rng.integers(1, 4)))
        elif kind == "long":
            aspect = rng.uniform(2.0, 4)
            turns = np.linspace(0, 2 * np.pi, 40)
            u, v = size * np.cos(turns), size / aspect * np.sin(turns)
            shape = list(zip(x + u * np.cos(way) - v * np.sin(way), y + u * np.sin(way) + v * np.cos(way), strict=True))
            draw.polygon([tuple(map(float, p)) for p in shape], fill=tone if rng.random() < 0.6 else None, outline=tone)
        elif kind == "grid":
            draw.line([(x, 0), (x, height)], fill=tone, width=int(rng.integers(1, 5)))
            draw.line([(0, y), (width, y)], fill=tone, width=int(rng.integers(1, 5)))
    drawn = np.asarray(layer, dtype=np.float32).copy()
    if kind == "blotches":
        rough = ndimage.gaussian_filter(rng.normal(size=scene.shape), float(rng.uniform(3, 15)))
        drawn += tone * (rough > rng.uniform(0.6, 1.6) * rough.std())
        # blotches that happen to be round would teach the wrong thing: each is sheared and torn
        drawn = ndimage.affine_transform(drawn, [[1, float(rng.choice([-1, 1])) * 1.1], [0, 1]], mode="wrap")
    scene += ndimage.gaussian_filter(drawn, float(rng.uniform(0.4, 2.0)))


def _places(rng: np.random.Generator, height: int, width: int) -> list[tuple[float, float, float]]:
    """From none to a dense packing; sizes alike or spread; overlapping or apart."""
    number = int(rng.choice([0, 2, 8, 25, 60, 120]))
    low = float(np.exp(rng.uniform(np.log(3.5), np.log(30))))
    high = low * float(rng.choice([1.15, 2, 4, 12]))
    high = max(min(high, 0.4 * min(height, width)), 1.15 * low)
    near = float(rng.choice([0.7, 0.85, 1.0, 1.0, 1.15]))
    together = float(rng.choice([0.1, 0.5, 0.9]))
    placed: list[tuple[float, float, float]] = []
    covered = 0.0
    for _ in range(25 * number):
        if len(placed) >= number or covered > 0.75 * height * width:
            break
        diameter = float(np.exp(rng.uniform(np.log(low), np.log(high))))
        x, y = float(rng.uniform(0, width - 1)), float(rng.uniform(0, height - 1))
        if placed and rng.random() < together:
            a, b, d = placed[int(rng.integers(len(placed)))]
            way, apart = rng.uniform(0, 2 * np.pi), rng.uniform(near, near + 0.15) * (d + diameter) / 2
            x, y = a + apart * np.cos(way), b + apart * np.sin(way)
        if not (0 <= x < width - 1 and 0 <= y < height - 1):
            continue
        if all(np.hypot(x - a, y - b) >= near * (diameter + d) / 2 for a, b, d in placed):
            placed.append((x, y, diameter))
            covered += np.pi * diameter**2 / 4
    return placed


def _round(
    rng: np.random.Generator, scene: np.ndarray, x: float, y: float, radius: float, kind: str, contrast: float
) -> None:
    """A round thing of a random profile with an edge at its radius; lit from one side, with highlight and shadow."""
    box = _box(scene.shape, x, y, 5 * radius + 8)
    dy, dx = np.arange(box[0].start, box[0].stop)[:, None] - y, np.arange(box[1].start, box[1].stop)[None, :] - x
    turn, squash = rng.uniform(0, np.pi), 1 + abs(rng.normal(0, 0.05))
    u, v = dx * np.cos(turn) + dy * np.sin(turn), -dx * np.sin(turn) + dy * np.cos(turn)
    distance = np.hypot(u * np.sqrt(squash), v / np.sqrt(squash))
    way = np.arctan2(dy, dx)
    wave = 1 + rng.uniform(0, 0.03) * np.cos(rng.integers(2, 6) * way + rng.uniform(0, 6))
    distance = distance * wave
    blur = float(max(0.5, rng.uniform(0.01, 0.15) * radius))
    body = _step(distance, radius, blur)
    lit = rng.uniform(0, 2 * np.pi)
    side = np.cos(way - lit)
    sign = float(rng.choice([-1, 1]))
    if kind == "disc":
        shade = sign * contrast * body * (1 + rng.uniform(-0.3, 0.3) * side * np.clip(distance / radius, 0, 1))
    elif kind == "line":
        thick = max(rng.uniform(0.06, 0.2) * radius, 0.9)
        rim = _step(distance, radius, 0.6) - _step(distance, radius - thick, 0.6)
        gone = 1 - rng.uniform(0, 1) * (side > rng.uniform(0.3, 0.95))
        shade = sign * 1.4 * contrast * rim * gone
        if rng.random() < 0.4:
            shade = shade - sign * rng.uniform(0.3, 0.9) * contrast * (
                _step(distance, radius - thick, 0.6) - _step(distance, radius - 2 * thick, 0.6)
            )
    elif kind == "glow":
        # steepest where the radius is, whatever the power
        power = rng.uniform(1.3, 4)
        scaled = distance / radius * ((power - 1) / power) ** (1 / power)
        shade = sign * contrast * rng.uniform(1, 3) * np.exp(-(scaled**power))
    elif kind == "relief":
        rough = ndimage.gaussian_filter(rng.normal(size=distance.shape), max(rng.uniform(0.06, 0.25) * radius, 0.8))
        shade = sign * contrast * body * (1 + rng.uniform(0.2, 0.8) * rough / (rough.std() + 1e-9))
    else:
        knots = np.linspace(0, 1, 6)
        heights = rng.normal(0, 0.7, 6)
        heights[-1] = sign * rng.uniform(0.6, 1.3)
        heights[-2] = heights[-1] * rng.uniform(0.2, 1.1)
        profile = np.interp(np.clip(distance / radius, 0, 1), knots, heights)
        shade = contrast * profile * body * (1 + rng.uniform(0, 1.2) * side)
    if radius > 4 and rng.random() < 0.4:
        away = rng.uniform(0, 0.6) * radius
        spot = np.hypot(dx - away * np.cos(lit), dy - away * np.sin(lit))
        shade = shade + rng.choice([-1, 1, 1]) * rng.uniform(0.5, 2) * contrast * _step(
            spot, max(rng.uniform(0.06, 0.25) * radius, 0.8), max(blur, 0.7)
        )
    if rng.random() < 0.2:
        off = rng.uniform(0.1, 0.35) * radius
        shadow = _step(np.hypot(dx - off * np.cos(lit), dy - off * np.sin(lit)), radius, 0.15 * radius + 0.5)
        shade = shade - rng.uniform(0.3, 1) * contrast * shadow * (1 - body)
    elif rng.random() < 0.2:
        wide = rng.uniform(0.1, 0.5) * radius
        halo = np.exp(-(np.maximum(distance - radius, 0) / wide)) * (1 - body)
        shade = shade - rng.choice([-0.5, 1]) * sign * rng.uniform(0.2, 0.9) * contrast * halo
    old = scene[box]
    # opaque things hide what lies behind them, clear ones add to it
    if rng.random() < 0.3:
        old = old * (1 - body) + body * old.mean()
    scene[box] = np.clip(old + shade, 0, 1.2)


def _photograph(rng: np.random.Generator, scene: np.ndarray, blur: float, grain: float) -> np.ndarray:
    """Lens, motion, sharpening, grain of one or of three colours, tone curve, JPEG."""
    sharp = ndimage.gaussian_filter(scene, blur)
    if rng.random() < 0.1:
        sharp = ndimage.uniform_filter1d(sharp, int(rng.integers(2, 5)), axis=int(rng.integers(2)))
    if rng.random() < 0.2:
        sharp = sharp + rng.uniform(0.3, 1.0) * (sharp - ndimage.gaussian_filter(sharp, 1.2))
    one = rng.normal(size=(*scene.shape, 1)) if rng.random() < 0.3 else rng.normal(size=(*scene.shape, 3))
    if rng.random() < 0.3:
        one = ndimage.gaussian_filter(one, (0.7, 0.7, 0)) * 2.4
    level = np.clip(sharp, 0.02, 1)[..., None]
    colour = sharp[..., None] * rng.uniform(0.75, 1.0, size=3) + grain * one * np.sqrt(level / 0.5)
    if rng.random() < 0.3:
        colour = np.clip(colour, 0, 1) ** rng.uniform(0.6, 1.6)
    picture = Image.fromarray((np.clip(colour, 0, 1) * 255 + 0.5).astype(np.uint8))
    if rng.random() < 0.3:
        return np.asarray(picture)
    store = io.BytesIO()
    picture.save(store, "JPEG", quality=int(rng.integers(40, 97)))
    return np.asarray(Image.open(store).convert("RGB"))
