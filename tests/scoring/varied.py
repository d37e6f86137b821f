"""Pictures for teaching the judge of bubbles only: round things and other things of many more kinds than castings show.

The real photographs that a count will meet are not known; what a judge is taught on must vary more than they do. So
backgrounds, profiles, lights, clutter and cameras are drawn from wide ranges, none of them like any picture in a test.
"""

from __future__ import annotations

import io
from functools import lru_cache
from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
from PIL import Image, ImageDraw, ImageFont
from rendering import LOOKS, OTHERS, Casting, _background, _bubble, _glare, _insert, _step, visibility
from scipy import ndimage

VARIED = range(30000, 30520)
"""Seeds that the judge is taught on."""

TEXTURES = ("grass", "camera", "rocket", "text", "china")
"""Photographs without round things, from scikit-image and scikit-learn, that serve as ground."""
ROUND = 1.5
"""A thing counts as round up to this ratio of length to width; from there to `LONG` it is neither right nor wrong to find."""
LONG = 2.0
SIGNS = "0123456789ABDPRSabdegpqB8690&%@#"
FACES = tuple(
    str(Path(matplotlib.get_data_path(), "fonts", "ttf", f"{name}.ttf"))
    for name in ("DejaVuSans", "DejaVuSans-Bold", "DejaVuSansMono", "DejaVuSerif", "DejaVuSerif-Italic", "STIXGeneral")
)
"""Founts of print, those that matplotlib carries."""
WORDS = ("LOT 27-B", "seed pod", "R12 C4 U3", "0308 68 090", "lamp 12 V", "kiln 4", "A7 E2 %&@")


KINDS = (
    "profile",
    "profile",
    "disc",
    "disc",
    "ball",
    "ball",
    "line",
    "relief",
    "relief",
    "glow",
    "crater",
    *LOOKS,
    *OTHERS,
)


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
    arranged = str(rng.choice(["strewn", "packed", "dots", "craters", "none"], p=[0.34, 0.18, 0.28, 0.07, 0.13]))
    if arranged == "dots":  # on anything from black to nearly white
        scene = np.clip(scene * rng.uniform(0, 1) + rng.choice([0, 0, rng.uniform(0, 0.5)]), 0.02, 0.97)
        mottle = ndimage.gaussian_filter(rng.normal(size=scene.shape), float(rng.uniform(0.7, 2.5)))
        scene += (rng.choice([0, rng.uniform(0, 2) * grain]) * mottle / mottle.std()).astype(np.float32)
    few = {"dots": ["glow", "glow", "soft spot", "soft pit", "disc"], "craters": ["crater"]}.get(arranged, KINDS)
    kinds = rng.choice(few, size=int(rng.integers(1, 4)))
    lamp = float(rng.uniform(0, 2 * np.pi))
    if arranged == "craters" or rng.random() < 0.05:
        _hills(rng, scene, lamp)
    faintest = max(float(rng.uniform(0.05, 0.3)), 5 * grain)
    span = 6 if arranged == "dots" else 2.5
    alike = int(rng.integers(1 << 30)) if rng.random() < {"packed": 1, "dots": 0.6}.get(arranged, 0.3) else None
    longest = float(
        rng.choice([1.06, 1.25, ROUND, ROUND, LONG] if arranged == "dots" else [1.06, 1.06, 1.25, ROUND, LONG])
    )
    rows, shades, rough, long, powers = [], [], [], [], []
    for x, y, diameter in _places(rng, height, width, arranged):
        like = rng if alike is None else np.random.default_rng(alike)
        kind = str(like.choice(kinds))
        contrast = faintest * float(np.exp(rng.uniform(0, np.log(span))))
        before = scene.copy()
        long.append(1.0)
        if kind in (*LOOKS, *OTHERS):
            _bubble(rng, scene, x, y, diameter / 2, kind, contrast)
            powers.append(2.0 if kind.startswith("soft") else np.inf)
        else:
            long[-1] = float(rng.uniform(1, longest))
            powers.append(_round(rng, like, scene, x, y, diameter / 2, kind, contrast, long[-1], lamp))
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
    frame.loc[np.array(long) > ROUND, "visible"] = 0.0
    seen = [(d, 1.0) if np.isinf(p) else as_seen(d / 2, p, blur) for d, p in zip(frame.diameter, powers, strict=True)]
    frame["diameter"], frame["steepest"] = np.array(seen).reshape(-1, 2).T
    return Casting(_photograph(rng, scene, blur, grain), frame)


def _box(shape: tuple[int, ...], x: float, y: float, diameter: float) -> tuple[slice, slice]:
    reach = int(np.ceil(0.6 * diameter)) + 2
    return (
        slice(max(int(y) - reach, 0), min(int(y) + reach + 1, shape[0])),
        slice(max(int(x) - reach, 0), min(int(x) + reach + 1, shape[1])),
    )


def as_seen(radius: float, power: float, blur: float) -> tuple[float, float]:
    """Diameter of a soft dot exp(-(r / radius)**power) through the lens, and where it is steepest as a share of that.

    As wide as a beam of light is told to be: to where it falls to 1/e squared (for a bell curve that is the width by
    second moments of ISO 11146, which is the diameter of an even disc).
    """
    step = max(radius, blur) / 8
    x = step * np.arange(-40, 41)
    light = np.exp(-((np.hypot(x[:, None], x) / radius) ** power))
    along = ndimage.gaussian_filter(light, blur / step, truncate=5)[40, 40:]
    edge = np.interp(-np.exp(-2) * along[0], -along, x[40:])
    return 2 * float(edge), float((np.argmin(np.diff(along)) + 0.5) * step / edge)


def _hills(rng: np.random.Generator, scene: np.ndarray, lamp: float) -> None:
    """Uneven land under a low lamp."""
    rough = ndimage.gaussian_filter(rng.normal(size=scene.shape), float(np.exp(rng.uniform(0, np.log(12)))))
    down, across = np.gradient(rough)
    shade = across * np.cos(lamp) + down * np.sin(lamp)
    scene += (rng.uniform(0.005, 0.05) * shade / shade.std()).astype(np.float32)


def _stones(rng: np.random.Generator, points: np.ndarray, shape: tuple[int, int], depth: float) -> np.ndarray:
    """Crushed stone: each piece of its own shade, with flat sides that the light falls on at an angle, dark gaps between."""
    from scipy.spatial import cKDTree

    y, x = (part.ravel() for part in np.mgrid[0 : shape[0], 0 : shape[1]])
    apart, near = cKDTree(points).query(np.column_stack([y, x]), k=3)
    own = near[:, 0]
    tilt = rng.normal(0, 1, (len(points), 2))
    away = np.column_stack([y, x]) - points[own]
    # a stone has two sides or one; each falls off to another side
    side = (away * tilt[own]).sum(axis=1) > rng.normal(0, 0.3, len(points))[own] * np.sqrt(
        shape[0] * shape[1] / len(points)
    )
    gap = apart[:, 1] - apart[:, 0]
    size = np.sqrt(shape[0] * shape[1] / len(points))
    light = rng.normal(0, 1, len(points))[own] + rng.normal(0, 1, len(points))[own] * side
    light += rng.uniform(0, 1) * (away * tilt[own]).sum(axis=1) / size
    light -= rng.uniform(1, 6) * np.exp(-gap / (rng.uniform(0.05, 0.3) * size))
    return depth * light.reshape(shape)


def _ground(rng: np.random.Generator, height: int, width: int) -> np.ndarray:
    """Even, cloudy, striped, woven, cellular, or a piece of a photograph; light or dark."""
    scene = _background(rng, height, width) + np.float32(rng.uniform(-0.3, 0.3))
    kind = rng.choice(["plain", "plain", "cloud", "cloud", "stripes", "cells", "stones", "photo", "photo"])
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
    elif kind == "stones":
        points = rng.uniform(0, 1, (int(np.exp(rng.uniform(np.log(60), np.log(3000)))), 2)) * (height, width)
        scene += ndimage.gaussian_filter(_stones(rng, points, (height, width), 1.2 * depth), rng.uniform(0.4, 1.5))
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
    kind = rng.choice([
        "print", "signs", "page", "page", "plates", "scratches", "fibres", "long", "leaves", "blotches", "grid", "board", "tiles", "veins", "veins",
    ])  # fmt: skip
    if kind in ("board", "tiles"):
        scene += ndimage.gaussian_filter(_squares(rng, height, width, str(kind)), float(rng.uniform(0.4, 2.0)))
        return
    if kind == "veins":
        scene += ndimage.gaussian_filter(_veins(rng, height, width), float(rng.uniform(0.5, 2.0)))
        return
    if kind == "page":
        scene += ndimage.gaussian_filter(_page(rng, height, width), float(rng.uniform(0.4, 1.6)))
        return
    tone = float(rng.choice([-1, 1]) * rng.uniform(0.08, 0.5))
    number = int(rng.integers(60, 300) if kind == "leaves" else rng.integers(2, 15))
    for _ in range(number):
        x, y = float(rng.uniform(0, width)), float(rng.uniform(0, height))
        size = float(np.exp(rng.uniform(np.log(8), np.log(90))))
        way = rng.uniform(0, 2 * np.pi)
        if kind == "print":
            font = ImageFont.truetype(str(rng.choice(FACES)), int(np.clip(size, 9, 60)))
            draw.text((x - 0.2 * width, y), str(rng.choice(WORDS)), fill=tone, font=font)
        elif kind == "signs":
            font = ImageFont.truetype(str(rng.choice(FACES)), int(np.clip(1.5 * size, 12, 130)))
            signs = "".join(rng.choice(list(SIGNS), size=int(rng.integers(1, 12))))
            draw.text((x - 0.2 * width, y), signs, fill=tone, font=font)
        elif kind == "plates":
            corners = int(rng.integers(3, 6))
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
        elif kind in ("long", "leaves"):
            aspect = rng.uniform(LONG + 0.2, 4)
            if kind == "leaves":
                size, tone = min(size, 40), float(rng.uniform(-0.3, 0.3))
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


def _veins(rng: np.random.Generator, height: int, width: int) -> np.ndarray:
    """Lines that wind, branch and grow thin, as in leaves and living things."""
    layer = Image.new("F", (width, height), 0.0)
    draw = ImageDraw.Draw(layer)
    tone = float(rng.choice([-1, -1, 1]) * rng.uniform(0.04, 0.4))
    ends = [
        (rng.uniform(0, width), rng.uniform(0, height), rng.uniform(0, 2 * np.pi), rng.uniform(1.5, 10))
        for _ in range(int(rng.integers(1, 7)))
    ]
    bend = rng.uniform(0.05, 0.25)
    while ends:
        x, y, way, thick = ends.pop()
        for _ in range(int(rng.integers(20, 80))):
            way += rng.normal(0, bend)
            a, b = x + 6 * np.cos(way), y + 6 * np.sin(way)
            draw.line([(x, y), (a, b)], fill=tone, width=max(round(thick), 1))
            x, y, thick = a, b, thick * 0.99
            if rng.random() < 0.03 and thick > 1.2 and len(ends) < 30:
                ends.append((x, y, way + rng.choice([-1, 1]) * rng.uniform(0.4, 1.2), thick * rng.uniform(0.4, 0.8)))
    return np.asarray(layer, dtype=np.float32)


def _page(rng: np.random.Generator, height: int, width: int) -> np.ndarray:
    """Lines of print of one fount and size, aslant."""
    side = int(np.hypot(height, width))
    layer = Image.new("F", (side, side), 0.0)
    draw = ImageDraw.Draw(layer)
    size = int(np.exp(rng.uniform(np.log(9), np.log(48))))
    font = ImageFont.truetype(str(rng.choice(FACES)), size)
    tone = float(rng.choice([-1, -1, 1]) * rng.uniform(0.1, 0.7))
    signs = list("eeettaaoooinsrhldcumfpgwyb" + SIGNS)
    left, long = rng.uniform(0, 0.4) * side, int(rng.uniform(0.3, 1) * side / (0.6 * size))
    for row in range(int(rng.integers(1, 4)), int(rng.uniform(0.2, 1) * side / size / 1.3) + 4):
        words = ("".join(rng.choice(signs, size=int(rng.integers(1, 11)))) for _ in range(long // 7 + 1))
        draw.text((left, 1.3 * size * row), " ".join(words), fill=tone, font=font)
    turned = layer.rotate(float(rng.choice([0, 0, 90, rng.uniform(-180, 180)])), Image.Resampling.BILINEAR)
    top, left = (side - height) // 2, (side - width) // 2
    return np.asarray(turned, dtype=np.float32)[top : top + height, left : left + width]


def _squares(rng: np.random.Generator, height: int, width: int, kind: str) -> np.ndarray:
    """A chessboard or tiles with joints, seen aslant, over the whole picture or a part of it."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    x, y = x - rng.uniform(0, width), y - rng.uniform(0, height)
    way, lean = rng.uniform(0, np.pi), rng.uniform(-0.3, 0.3)
    nearer = 1 + (rng.uniform(-0.4, 0.4) * x / width + rng.uniform(-0.4, 0.4) * y / height)
    side = float(np.exp(rng.uniform(np.log(12), np.log(70))))
    u = (x * np.cos(way) + y * np.sin(way)) / nearer / side
    v = (y * np.cos(way) - x * np.sin(way) + lean * x) / nearer / (side * rng.choice([1, 1, rng.uniform(1, 2.5)]))
    tone = float(rng.choice([-1, 1]) * rng.uniform(0.1, 0.7))
    if kind == "board":
        drawn = tone * ((np.floor(u) + np.floor(v)) % 2)
    else:
        row = np.floor(v)
        u = u + rng.choice([0, 0.5]) * row
        joint = rng.uniform(0.05, 0.4)
        shades = rng.uniform(0.4, 1, 997)[(np.floor(u) * 31 + row * 17).astype(int) % 997]
        drawn = tone * shades * ((u % 1 > joint) & (v % 1 > joint))
    part = np.ones_like(drawn)
    if rng.random() < 0.6:
        reach = rng.uniform(2, 8, 2)
        part = (np.abs(np.floor(u)) < reach[0]) & (np.abs(np.floor(v)) < reach[1])
    return (drawn * part).astype(np.float32)


def _packing(rng: np.random.Generator, height: int, width: int) -> list[tuple[float, float, float]]:
    """Things of one size edge to edge, as many as find room in a round heap or in the whole picture."""
    diameter = float(np.exp(rng.uniform(np.log(8), np.log(70))))
    apart = diameter * float(rng.choice([0.96, 1.0, 1.0, 1.04, 1.12]))
    loose = float(rng.choice([0.0, 0.02, 0.06])) * diameter
    rise = float(rng.choice([np.sqrt(3) / 2, np.sqrt(3) / 2, 1.0]))
    rows, columns = int(height / (rise * apart)) + 3, int(width / apart) + 3
    way, (x0, y0) = rng.uniform(0, np.pi / 3), rng.uniform(0, apart, 2)
    heap = float(rng.choice([0.3, 0.5, 2.0])) * min(height, width)
    missing = float(rng.choice([0, 0.05, 0.3]))
    placed = []
    for i in range(-rows, rows):
        for j in range(-columns, columns):
            u, v = (j + (0.5 * (i % 2) if rise < 1 else 0)) * apart, i * rise * apart
            x = width / 2 + x0 + u * np.cos(way) - v * np.sin(way) + rng.normal(0, loose)
            y = height / 2 + y0 + u * np.sin(way) + v * np.cos(way) + rng.normal(0, loose)
            inside = 0 <= x < width - 1 and 0 <= y < height - 1
            if inside and np.hypot(u, v) < heap and rng.random() >= missing:
                placed.append((float(x), float(y), diameter * float(rng.uniform(0.96, 1.04))))
    return [placed[n] for n in rng.permutation(len(placed))[:400]]


def _places(rng: np.random.Generator, height: int, width: int, arranged: str) -> list[tuple[float, float, float]]:
    """From none to a dense packing; sizes alike or spread; overlapping or apart."""
    if arranged == "none":
        return []
    if arranged == "packed" and rng.random() < 0.6:
        return _packing(rng, height, width)
    number = int(rng.choice([60, 120, 250] if arranged == "packed" else [2, 8, 25, 60, 120]))
    low = float(
        np.exp(
            rng.uniform(np.log(2 if arranged == "dots" else 3), np.log(10 if arranged in ("dots", "craters") else 30))
        )
    )
    high = low * float(
        rng.choice(
            [1.15, 2]
            if arranged == "packed"
            else [1.15, 2, 4]
            if arranged == "dots"
            else [2, 4, 12]
            if arranged == "craters"
            else [1.15, 2, 4, 12]
        )
    )
    high = max(min(high, 0.4 * min(height, width)), 1.15 * low)
    near = float(rng.choice([0.96, 1.0] if arranged == "packed" else [0.7, 0.85, 1.0, 1.0, 1.15]))
    together = (
        0.97 if arranged == "packed" else float(rng.choice([0, 0.1, 0.5] if arranged == "dots" else [0.1, 0.5, 0.9]))
    )
    placed: list[tuple[float, float, float]] = []
    covered = 0.0
    for _ in range(25 * number):
        if len(placed) >= number or covered > 0.75 * height * width:
            break
        diameter = float(np.exp(rng.uniform(np.log(low), np.log(high))))
        x, y = float(rng.uniform(0, width - 1)), float(rng.uniform(0, height - 1))
        if placed and rng.random() < together:
            a, b, d = placed[int(rng.integers(len(placed)))]
            way, apart = (
                rng.uniform(0, 2 * np.pi),
                rng.uniform(near, near + (0.03 if arranged == "packed" else 0.15)) * (d + diameter) / 2,
            )
            x, y = a + apart * np.cos(way), b + apart * np.sin(way)
        if not (0 <= x < width - 1 and 0 <= y < height - 1):
            continue
        if all(np.hypot(x - a, y - b) >= near * (diameter + d) / 2 for a, b, d in placed):
            placed.append((x, y, diameter))
            covered += np.pi * diameter**2 / 4
    return placed


def _round(
    rng: np.random.Generator,
    like: np.random.Generator,
    scene: np.ndarray,
    x: float,
    y: float,
    radius: float,
    kind: str,
    contrast: float,
    long: float,
    lamp: float,
) -> float:
    """A round thing of a random profile with an edge at its radius; lit from one side, with highlight and shadow.
    The power by which the light of a soft dot falls; without end where there is an edge.

    What all things of a picture may share (profile, light, what they are made of) is drawn from `like`; `long` is the
    ratio of its length to its width; `lamp` is where hills and craters are lit from.
    """
    box = _box(scene.shape, x, y, 5 * radius + 8)
    dy, dx = np.arange(box[0].start, box[0].stop)[:, None] - y, np.arange(box[1].start, box[1].stop)[None, :] - x
    turn = rng.uniform(0, np.pi)
    u, v = dx * np.cos(turn) + dy * np.sin(turn), -dx * np.sin(turn) + dy * np.cos(turn)
    distance = np.hypot(u / np.sqrt(long), v * np.sqrt(long))
    way = np.arctan2(dy, dx)
    wave = 1 + rng.uniform(0, 0.03) * np.cos(rng.integers(2, 6) * way + rng.uniform(0, 6))
    distance = distance * wave
    blur = float(max(0.5, like.uniform(0.01, 0.15) * radius))
    body = _step(distance, radius, blur)
    lit = like.uniform(0, 2 * np.pi)
    side = np.cos(way - lit)
    sign = float(like.choice([-1, 1]))
    share = np.clip(distance / radius, 0, 1)
    power = np.inf
    if kind == "disc":
        shade = sign * contrast * body * (1 + like.uniform(-0.3, 0.3) * side * share)
    elif kind == "ball":
        # a matt ball under one lamp: brighter where it faces the light, darker where it turns away
        height = like.uniform(0.2, 1)
        facing = height * np.sqrt(1 - share**2) + np.sqrt(1 - height**2) * share * side
        shade = contrast * body * (2 * facing - like.uniform(-0.5, 1.5))
    elif kind == "line":
        thick = max(like.uniform(0.06, 0.2) * radius, 0.9)
        rim = _step(distance, radius, 0.6) - _step(distance, radius - thick, 0.6)
        gone = 1 - like.uniform(0, 1) * (side > like.uniform(0.3, 0.95))
        shade = sign * 1.4 * contrast * rim * gone
        if like.random() < 0.4:
            shade = shade - sign * like.uniform(0.3, 0.9) * contrast * (
                _step(distance, radius - thick, 0.6) - _step(distance, radius - 2 * thick, 0.6)
            )
    elif kind == "glow":
        # falls to 1/e at the radius, so that a soft dot is as wide as the disc that looks like it once it is blurred
        power = float(np.exp(like.uniform(np.log(0.7), np.log(4))))
        shade = sign * contrast * like.uniform(1, 3) * np.exp(-((distance / radius) ** power))
    elif kind == "crater":
        # a bowl, its rim and the slope outside, by how they face a low lamp
        lit, out = lamp, np.maximum(distance / radius, 1)
        rise = like.uniform(0.5, 1.5)
        steep = np.where(distance < radius, share ** like.uniform(0.7, 3), -rise * out ** -like.uniform(3, 8))
        steep = ndimage.gaussian_filter(steep, max(like.uniform(0.03, 0.3) * radius, 0.5))
        shade = 1.5 * contrast * np.clip(-steep * np.cos(way - lit), -1, like.uniform(0.4, 1.5))
        shade = shade - like.uniform(-0.3, 0.3) * contrast * body
    elif kind == "relief":
        rough = ndimage.gaussian_filter(rng.normal(size=distance.shape), max(like.uniform(0.06, 0.25) * radius, 0.8))
        shade = sign * contrast * body * (1 + like.uniform(0.2, 0.8) * rough / (rough.std() + 1e-9))
    else:
        knots = np.linspace(0, 1, 6)
        heights = like.normal(0, 0.7, 6)
        heights[-1] = sign * like.uniform(0.6, 1.3)
        heights[-2] = heights[-1] * like.uniform(0.2, 1.1)
        shade = contrast * np.interp(share, knots, heights) * body * (1 + like.uniform(0, 1.2) * side)
    if radius > 5 and like.random() < 0.25:  # a rim as coins have
        inner, thick = like.uniform(0.72, 0.92) * radius, max(like.uniform(0.03, 0.1) * radius, 0.8)
        shade = shade + like.choice([-1, 1]) * like.uniform(0.2, 1) * contrast * (
            _step(distance, inner, 0.6) - _step(distance, inner - thick, 0.6)
        )
    if radius > 4 and like.random() < 0.4:
        away = like.uniform(0, 0.6) * radius
        spot = np.hypot(dx - away * np.cos(lit), dy - away * np.sin(lit))
        shade = shade + like.choice([-1, 1, 1]) * like.uniform(0.5, 2) * contrast * _step(
            spot, max(like.uniform(0.06, 0.25) * radius, 0.8), max(blur, 0.7)
        )
    if like.random() < 0.2:
        off = like.uniform(0.1, 0.35) * radius
        shadow = _step(np.hypot(dx - off * np.cos(lit), dy - off * np.sin(lit)), radius, 0.15 * radius + 0.5)
        shade = shade - like.uniform(0.3, 1) * contrast * shadow * (1 - body)
    elif like.random() < 0.2:
        wide = like.uniform(0.1, 0.5) * radius
        halo = np.exp(-(np.maximum(distance - radius, 0) / wide)) * (1 - body)
        shade = shade - like.choice([-0.5, 1]) * sign * like.uniform(0.2, 0.9) * contrast * halo
    old = scene[box]
    # opaque things hide what lies behind them, clear ones add to it
    if like.random() < 0.3:
        old = old * (1 - body) + body * old.mean()
    scene[box] = np.clip(old + shade, 0, 1.2)
    return power


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
    level = np.clip(sharp, 0.02, 1)[..., None] if rng.random() < 0.7 else 0.5
    colour = sharp[..., None] * rng.uniform(0.75, 1.0, size=3) + grain * one * np.sqrt(level / 0.5)
    if rng.random() < 0.3:
        colour = np.clip(colour, 0, 1) ** rng.uniform(0.6, 1.6)
    picture = Image.fromarray((np.clip(colour, 0, 1) * 255 + 0.5).astype(np.uint8))
    if rng.random() < 0.3:
        return np.asarray(picture)
    store = io.BytesIO()
    picture.save(store, "JPEG", quality=int(rng.integers(40, 97)))
    return np.asarray(Image.open(store).convert("RGB"))
