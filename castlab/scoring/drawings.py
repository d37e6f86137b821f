"""A small drawn example for each grade of each item of the rubric: line drawings made here, safe in print and in grey."""

from __future__ import annotations

import html
import random
from collections.abc import Callable

INK, SOFT, PALE = "#1f2d33", "#8a979e", "#e4e9ec"
_BLOCK = (20, 14, 80, 62)
"""x, y, width, height of the casting in a drawing of 120 by 90."""


def draw(item: str, grade: int, words: str) -> str:
    """An SVG drawing of this grade, with its words as text alternative; a row of filled steps for an item of your own.

    Examples
    --------
    >>> draw("clarity", 4, "like clear glass").startswith("<svg")
    True
    """
    inner = _DRAWN.get(item, _steps)(grade)
    alt = html.escape(f"Drawn example of grade {grade}: {words}", quote=True)
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 120 90" role="img" aria-label="{alt}">{inner}</svg>'


def _box(x: float, y: float, w: float, h: float, *, fill: str = "none", line: str = INK, wide: float = 1.6) -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{w:.1f}" height="{h:.1f}" fill="{fill}" stroke="{line}" stroke-width="{wide}"/>'


def _disc(x: float, y: float, r: float, *, fill: str = "none", line: str = INK, wide: float = 1.0) -> str:
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" fill="{fill}" stroke="{line}" stroke-width="{wide}"/>'


def _path(d: str, *, fill: str = "none", line: str = INK, wide: float = 1.6) -> str:
    return f'<path d="{d}" fill="{fill}" stroke="{line}" stroke-width="{wide}" stroke-linejoin="round" stroke-linecap="round"/>'


def _block(fill: str = "none") -> str:
    return _box(*_BLOCK, fill=fill)


def _pod(x: float = 60, y: float = 45, *, turn: float = 0, line: str = INK, wide: float = 1.6) -> str:
    """The insert: a seed pod."""
    body = _path("M-16 0 Q0 -13 16 0 Q0 13 -16 0 Z", fill="white", line=line, wide=wide)
    seeds = "".join(_disc(dx, 0, 2.4, line=line, wide=wide * 0.7) for dx in (-6, 0, 6))
    return f'<g transform="translate({x} {y}) rotate({turn})">{body}{seeds}</g>'


def _bubbles(grade: int) -> str:
    chance = random.Random(7)
    many, sizes = {4: (0, (0, 0)), 3: (3, (1.4, 2.0)), 2: (7, (1.5, 4.6)), 1: (16, (1.6, 4.6)), 0: (95, (1.6, 4.8))}[
        grade
    ]
    discs = ""
    for _ in range(many):
        x, y, r = chance.uniform(26, 94), chance.uniform(20, 70), chance.uniform(*sizes)
        if grade > 1 and abs(x - 60) < 20 and abs(y - 45) < 11:
            y += 20 if y > 45 else -20
        discs += _disc(x, y, r, fill="white" if grade == 0 else "none")
    return _block() + _pod() + discs


def _clarity(grade: int) -> str:
    veil = {4: "none", 3: "#f4f6f7", 2: "#dfe4e7", 1: "#c9d0d4", 0: "#b4bcc1"}[grade]
    inner = _pod()
    if grade == 1:
        inner = '<ellipse cx="60" cy="45" rx="17" ry="9" fill="#aab3b8" stroke="none"/><ellipse cx="60" cy="45" rx="12" ry="6" fill="#98a2a8" stroke="none"/>'
    return _block(veil) + ("" if grade == 0 else inner)


def _tack(grade: int) -> str:
    slab = _box(14, 58, 92, 20, fill=PALE)
    finger = "M50 6 V{y} Q50 {b} 60 {b} Q70 {b} 70 {y} V6"
    if grade == 4:
        return slab + _path(finger.format(y=28, b=38))
    if grade == 3:
        return slab + _path("M60 6 L60 50", wide=3) + _path("M52 63 Q60 67 68 63")
    if grade == 2:
        return slab + _path(finger.format(y=48, b=58)) + _path("M42 52 L38 46 M78 52 L82 46", wide=1.2)
    if grade == 1:
        strings = "".join(
            _path(f"M{x} 38 Q{x + d} 48 {x} 58", wide=1) for x, d in ((54, -2), (58, 2), (62, -2), (66, 2))
        )
        return slab + _path(finger.format(y=28, b=38)) + strings
    drops = _path("M60 42 Q55 51 60 52 Q65 51 60 42", fill=SOFT) + _path(
        "M14 58 Q30 50 46 58 T78 58 T106 58", fill=SOFT
    )
    return slab + _path(finger.format(y=26, b=36)) + drops


def _surface(grade: int) -> str:
    chance = random.Random(3)
    if grade == 0:
        return _path(
            "M20 76 V22 L28 30 L35 17 L44 28 L52 15 L61 29 L70 17 L78 27 L86 15 L94 28 L100 20 V76 Z", fill=PALE
        )
    pits = {4: 0, 3: 3, 2: 10, 1: 34}[grade]
    x_most = 60 if grade == 2 else 96
    marks = "".join(_disc(chance.uniform(25, x_most), chance.uniform(19, 71), 1.5, fill=INK) for _ in range(pits))
    shine = _path("M30 62 L62 22 M40 66 L72 26", line=SOFT, wide=2) if grade >= 3 else ""
    return _block() + shine + marks


def _edge(grade: int) -> str:
    mold = f'<rect x="20" y="14" width="80" height="62" fill="none" stroke="{SOFT}" stroke-width="1.2" stroke-dasharray="3 3"/>'
    shapes = {
        4: "M20 14 H100 V76 H20 Z",
        3: "M20 14 H92 Q100 14 100 22 V76 H20 Z",
        2: "M32 14 H88 Q100 14 100 26 V66 Q100 76 90 76 H30 Q20 76 20 66 V26 Q20 14 32 14 Z",
        1: "M20 26 Q60 34 100 24 V76 H20 Z",
        0: "M20 14 H58 L66 34 L84 40 L100 56 V76 H20 Z",
    }
    return mold + _path(shapes[grade], fill=PALE)


def _insert(grade: int) -> str:
    target = _path("M60 20 V70 M30 45 H90", line=SOFT, wide=1)
    if grade == 0:
        return _block() + target + _pod(94, 30, turn=35)
    x, y, turn = {4: (60, 45, 0), 3: (65, 42, 0), 2: (68, 38, 24), 1: (84, 62, 10)}[grade]
    return _block() + target + _pod(x, y, turn=turn)


def _demold(grade: int) -> str:
    if grade == 0:
        left = _path("M14 14 H52 L46 30 L56 46 L46 62 L52 76 H14 Z", fill=PALE)
        return left + _path("M64 16 H104 V78 H64 L58 64 L68 48 L58 32 Z", fill=PALE)
    base = _box(*_BLOCK, fill=PALE)
    if grade == 1:
        return base + _path("M100 24 L84 36 L88 48 L66 58 L62 70", wide=2.2)
    if grade == 2:
        return _path("M20 14 H88 L91 24 L100 27 V76 H20 Z", fill=PALE)
    return base + (_path("M22 45 H72", wide=0.8) if grade == 3 else "")


def _steps(grade: int) -> str:
    return "".join(
        _box(18 + 18 * n, 66 - 11 * n, 12, 10 + 11 * n, fill=INK if n <= grade else "white") for n in range(5)
    )


_DRAWN: dict[str, Callable[[int], str]] = {
    "bubbles": _bubbles,
    "clarity": _clarity,
    "tack": _tack,
    "surface": _surface,
    "edge": _edge,
    "insert": _insert,
    "demold": _demold,
}
