"""Sheets that the kit prints: marks that show a photo's scale and slant, and bars to be seen through a casting.

The marks are plain black squares along a rectangle, with one oblong that says which corner is the first. Nothing is
coded in them. All places are in mm from the centre of the first corner's square, x to the right and y down.
"""

from __future__ import annotations

import html
import os
from dataclasses import dataclass
from pathlib import Path

from castlab.errors import InputError
from castlab.given import shown
from castlab.scoring.lengths import above_zero

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height, mm: A4 by ISO 216, letter by ANSI/ASME Y14.1."""
RULER_MM = 100.0
NARROWEST_MM, WIDEST_MM = 16.0, 45.0
"""Narrowest set of bars that shows enough of the coarse ones, and the widest set of bars that leaves room for the words and bare paper between it and the marks."""
FREQUENCIES = (0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8)
"""Line pairs per mm of the bars; the finest bar is 0.18 mm wide, which an office printer of 600 dots per inch holds."""

_WIDEST_LETTER = 0.62
"""Width of a letter or digit as a share of its size, on average and at most in the fonts that a page may be printed with."""
Box = tuple[float, float, float, float]
"""x, y, width, height, mm."""


@dataclass(frozen=True)
class Marks:
    """Where the squares of a sheet are: `across` and `down` are centres along the sides, mm; `side` of a square, mm."""

    across: tuple[float, ...]
    down: tuple[float, ...]
    side: float

    @property
    def width(self) -> float:
        """Between the centres of the outer squares, mm."""
        return self.across[-1]

    @property
    def height(self) -> float:
        """Between the centres of the outer squares, mm."""
        return self.down[-1]

    @property
    def centres(self) -> list[tuple[float, float]]:
        """Centres of the squares, the four corners first, clockwise from the first."""
        w, h = self.width, self.height
        inner = [(x, y) for y in (0.0, h) for x in self.across[1:-1]]
        inner += [(x, y) for x in (0.0, w) for y in self.down[1:-1]]
        return [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h), *inner]

    @property
    def key(self) -> Box:
        """The oblong beside the first corner."""
        middle = (self.across[0] + self.across[1]) / 2
        return middle - self.side, -self.side / 2, 2 * self.side, self.side

    @property
    def boxes(self) -> list[Box]:
        """All marks, the oblong last."""
        half = self.side / 2
        return [*((x - half, y - half, self.side, self.side) for x, y in self.centres), self.key]

    @property
    def blanks(self) -> list[tuple[float, float]]:
        """Points of bare paper midway between the squares, the oblong's place left out."""
        tops = [(a + b) / 2 for a, b in zip(self.across, self.across[1:], strict=False)]
        sides = [(a + b) / 2 for a, b in zip(self.down, self.down[1:], strict=False)]
        found = [(x, y) for y in (0.0, self.height) for x in tops] + [(x, y) for x in (0.0, self.width) for y in sides]
        return found[1:]


@dataclass(frozen=True)
class Strip:
    """Upright bars, black and white equally wide: its box, mm, and line pairs per mm."""

    box: Box
    frequency: float


@dataclass(frozen=True)
class Field:
    """One set of bars with a white and a black patch, mm."""

    box: Box
    strips: tuple[Strip, ...]
    white: Box
    black: Box


@dataclass(frozen=True)
class Sheet:
    """A page to print in its true size. `origin` is the first corner's square on the paper, mm."""

    title: str
    paper: str
    marks: Marks
    origin: tuple[float, float]
    words: tuple[str, ...]
    fields: tuple[Field, ...] = ()
    names: tuple[str, ...] = ()

    @property
    def black(self) -> list[Box]:
        """Every black box of marks and bars, mm from the first corner's square."""
        bars: list[Box] = []
        for one in self.fields:
            bars.append(one.black)
            for strip in one.strips:
                x, y, width, height = strip.box
                pairs = round(width * strip.frequency)
                bars += [(x + n / strip.frequency, y, 0.5 / strip.frequency, height) for n in range(pairs)]
        return [*self.marks.boxes, *bars]

    @property
    def words_and_rulers(self) -> list[Box]:
        """Boxes about the title, both rulers with their numbers and the words, with room for another font; mm from the first
        corner's square."""
        rx, ry = self._ruler_at()
        found: list[Box] = [(rx - 3, ry - 4, RULER_MM + 6, 8.5), (rx - 6, ry - 4, 10.5, RULER_MM + 6)]
        for anchor in ("middle", "start"):
            lines = [line for line in self._texts() if line[3] == anchor and not line[4].isdigit()]
            wide = max(_WIDEST_LETTER * size * len(words) for _, _, size, _, words in lines)
            x, first, size = lines[0][:3]
            left = x - wide / 2 if anchor == "middle" else x
            found.append((left, first - size, wide, lines[-1][1] - first + 1.3 * size))
        return [(x - self.origin[0], y - self.origin[1], width, height) for x, y, width, height in found]

    @property
    def svg(self) -> str:
        """The page as SVG, its lengths in mm."""
        width, height = PAPERS[self.paper]
        x0, y0 = self.origin
        shapes = "".join(
            f'<rect x="{x + x0:.4f}" y="{y + y0:.4f}" width="{w:.4f}" height="{h:.4f}"/>' for x, y, w, h in self.black
        )
        lines = "".join(
            f'<rect x="{x:.4f}" y="{y:.4f}" width="{w:.4f}" height="{h:.4f}"/>' for x, y, w, h in self._ruler()
        )
        outlines = "".join(
            f'<rect x="{x + x0 - 3:.4f}" y="{y + y0 - 3:.4f}" width="{w + 6:.4f}" height="{h + 6:.4f}" fill="none" '
            'stroke="#888" stroke-width="0.2" stroke-dasharray="2 2"/>'
            for x, y, w, h in (one.box for one in self.fields)
        )
        texts = "".join(
            f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:.2f}" text-anchor="{anchor}">{html.escape(words)}</text>'
            for x, y, size, anchor, words in self._texts()
        )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
            f'viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{html.escape(self.title)}">'
            f'<rect width="{width:g}" height="{height:g}" fill="white"/>'
            f'<g fill="black"><g shape-rendering="crispEdges">{shapes}</g>{lines}</g>{outlines}'
            f'<g font-family="Helvetica, Arial, sans-serif" fill="black">{texts}</g></svg>'
        )

    def save(self, path: str | Path) -> Path:
        """Write the page: .svg, .pdf or .html. Print it at 100% ("actual size"), not fitted to the page.

        Raises
        ------
        InputError
            If the name ends otherwise, or the file cannot be written.
        """
        if not isinstance(path, str | os.PathLike):
            raise InputError(f"path is {shown(path)}; accepted: the name of a file ending in .pdf, .html or .svg")
        file = Path(path)
        try:
            return self._written(file)
        except OSError as exc:
            raise InputError(
                f"{file} could not be written ({exc.strerror}); accepted: a file in a folder of yours"
            ) from None

    def _written(self, file: Path) -> Path:
        kind = file.suffix.lower()
        if kind == ".svg":
            file.write_text(self.svg, encoding="utf-8")
        elif kind == ".html":
            width, height = PAPERS[self.paper]
            page = (
                f"@page {{ size: {width:g}mm {height:g}mm; margin: 0 }} body {{ margin: 0 }} svg {{ display: block }}"
            )
            head = f"<meta charset='utf-8'><title>{html.escape(self.title)}</title><style>{page}</style>"
            file.write_text(
                f"<!doctype html><html lang='en'><head>{head}</head><body>{self.svg}</body></html>", "utf-8"
            )
        elif kind == ".pdf":
            self._pdf(file)
        else:
            raise InputError(
                f"{file.name!r} is no page that can be written; accepted: names ending in .pdf, .html or .svg"
            )
        return file

    def _repr_html_(self) -> str:
        page = self.svg.replace("<svg ", '<svg style="width: 380px; height: auto; border: 1px solid #888" ', 1)
        return f"<div>{page}<p>{html.escape(self.title)}: print it with <code>.save('sheet.pdf')</code>, at 100%.</p></div>"

    def _ruler(self) -> list[Box]:
        """Ticks of a ruler across and of one down, in mm of the paper."""
        x0, y0 = self._ruler_at()
        found: list[Box] = [(x0, y0, RULER_MM, 0.2), (x0, y0, 0.2, RULER_MM)]
        for n in range(int(RULER_MM) + 1):
            long = 4.0 if n % 10 == 0 else 2.8 if n % 5 == 0 else 1.8
            found.append((x0 + n - 0.06, y0, 0.12, long))
            if n:
                found.append((x0, y0 + n - 0.06, long, 0.12))
        return found

    def _ruler_at(self) -> tuple[float, float]:
        """Corner from which both rulers run: inside the marks of a plain sheet, below them on one with bars."""
        if not self.fields:
            return self.origin[0] + 15, self.origin[1] + 12
        return self.origin[0] + 8, self.origin[1] + self.marks.height + 18

    def _texts(self) -> list[tuple[float, float, float, str, str]]:
        """x, y of the base line, size (mm), anchor and words."""
        width = PAPERS[self.paper][0]
        x0, y0 = self.origin
        found = [(width / 2, 13.0, 5.0, "middle", self.title)]
        rx, ry = self._ruler_at()
        found += [(rx + n, ry - 1.2, 2.6, "middle", str(n)) for n in range(0, int(RULER_MM) + 1, 10)]
        found += [(rx - 1.2, ry + n + 0.9, 2.6, "end", str(n)) for n in range(10, int(RULER_MM) + 1, 10)]
        text_x, text_y = rx + 12, ry + 14
        found += [(text_x, text_y + 5.2 * n, 3.4, "start", line) for n, line in enumerate(self.words)]
        for one, name in zip(self.fields, self.names, strict=True):
            x, y, w, _ = one.box
            found.append((x0 + x + w / 2, y0 + y - 5, 3.4, "middle", name))
        return found

    def _pdf(self, file: Path) -> None:
        from matplotlib.collections import PatchCollection
        from matplotlib.figure import Figure
        from matplotlib.patches import Rectangle

        width, height = PAPERS[self.paper]
        figure = Figure(figsize=(width / 25.4, height / 25.4))
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set(xlim=(0, width), ylim=(height, 0))
        axes.set_axis_off()
        x0, y0 = self.origin
        boxes = [Rectangle((x + x0, y + y0), w, h) for x, y, w, h in self.black]
        boxes += [Rectangle((x, y), w, h) for x, y, w, h in self._ruler()]
        axes.add_collection(PatchCollection(boxes, facecolor="black", edgecolor="none", antialiased=False))
        for x, y, w, h in (one.box for one in self.fields):
            axes.add_patch(Rectangle((x + x0 - 3, y + y0 - 3), w + 6, h + 6, fill=False, edgecolor="0.5", linewidth=0.5, linestyle="dashed"))  # fmt: skip
        for x, y, size, anchor, words in self._texts():
            place = {"start": "left", "middle": "center", "end": "right"}[anchor]
            axes.text(x, y, words, fontsize=size / 25.4 * 72, ha=place, va="baseline")
        figure.savefig(file, format="pdf", metadata={"Title": self.title, "CreationDate": None})


def marker_sheet(paper: str = "a4") -> Sheet:
    """A sheet to lay a casting on: its marks give the scale of a photo and undo the slant of the camera.

    Parameters
    ----------
    paper : {"a4", "letter"}

    Returns
    -------
    Sheet
        `.save("sheet.pdf")`, or show it in a notebook.

    Raises
    ------
    InputError
        For another paper.

    Examples
    --------
    >>> sheet = marker_sheet("letter")
    >>> sheet.marks.width, sheet.marks.height
    (165.0, 220.0)
    """
    name = _paper(paper)
    width, height = PAPERS[name]
    marks = Marks(tuple(55.0 * n for n in range(4)), tuple(55.0 * n for n in range(5)), 10.0)
    words = (
        "Print at 100% (actual size). Measure both rulers with a ruler",
        "you trust: they are 100 mm long. If not, give scale_from_sheet",
        "the lengths you read.",
        "Lay the sheet flat. Put the casting inside the marks; all squares",
        "must stay in the picture.",
    )
    return Sheet("Marker sheet", name, marks, ((width - marks.width) / 2, (height - marks.height) / 2 + 5), words)


def clarity_target(paper: str = "a4", field_mm: float = 40.0) -> Sheet:
    """A sheet with two equal sets of bars: one to see through the casting, one bare beside it.

    Parameters
    ----------
    paper : {"a4", "letter"}
    field_mm : float
        Width of one set of bars, mm, from 16 to 45: narrower than the casting.

    Returns
    -------
    Sheet

    Raises
    ------
    InputError
        For another paper or width.

    Examples
    --------
    >>> len(clarity_target().fields[0].strips)
    8
    """
    name = _paper(paper)
    size = above_zero(field_mm)
    if not NARROWEST_MM <= size <= WIDEST_MM:
        raise InputError(
            f"field_mm is {field_mm!r}; accepted: {NARROWEST_MM:g} to {WIDEST_MM:g} mm, narrower than the casting; wider bars would reach the marks"
        )
    width = PAPERS[name][0]
    marks = Marks(tuple(55.0 * n for n in range(4)), (0.0, 52.5, 105.0), 8.0)
    centres = (marks.width * 0.265, marks.width * 0.735)
    fields = tuple(_field(x, marks.height / 2, size) for x in centres)
    words = (
        "Print at 100% (actual size), best quality, on plain white paper.",
        "Casting flat on the left bars, covering them to the dashed line; leave the right bars bare.",
        "Even light from both sides, no glare; camera straight above, far away, zoomed in.",
        "Lock focus, exposure and white balance; white paper must not be burnt out.",
    )
    return Sheet(
        f"Clarity target, bars {size:g} mm wide", name, marks, ((width - marks.width) / 2, 38.0), words, fields,
        ("casting here", "leave bare"),
    )  # fmt: skip


def _field(x: float, y: float, size: float) -> Field:
    """Strips of bars from coarse to fine, below them a white and a black patch."""
    step, high = 0.195 * size, 0.16 * size
    rows = len(FREQUENCIES) + 1
    top, left = y - rows * step / 2, x - size / 2
    strips = []
    for n, frequency in enumerate(FREQUENCIES):
        wide = int(size * frequency) / frequency
        strips.append(Strip((left, top + n * step, wide, high), frequency))
    below = top + (rows - 1) * step
    return Field(
        (left, top, size, rows * step), tuple(strips),
        (left, below, size / 2, high), (left + size * 0.55, below, size * 0.45, high),
    )  # fmt: skip


def _paper(paper: str) -> str:
    name = str(paper).lower()
    if name not in PAPERS:
        raise InputError(f"paper {paper!r} is not known; accepted: {' or '.join(PAPERS)}")
    return name
