"""What a scale was measured on: the disc in its photo, or the marker sheet as seen from above."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from castlab.errors import InputError
from castlab.figures import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from castlab.scoring.scale import Scale

_WIDEST = 1200
"""Pixels of the photo that are drawn across; more would only make the file large."""


def draw_scale(result: Scale) -> Figure:
    """The photo with the outline of the disc that was measured; or the straightened photo, its edges in mm.

    Raises
    ------
    InputError
        For a scale from two points, which rests on no picture.
    """
    photo = result.picture if result.disc is None else result.disc.photo
    if photo is None:
        raise InputError("a scale from two points rests on no picture; look at its tables: .tables()")
    rows, columns = photo.shape[:2]
    step = max(1, int(np.ceil(max(rows, columns) / _WIDEST)))
    size = 1.0 if result.disc is not None else result.mm_per_pixel
    with style.styled():
        figure = style.picture(6.0, max(2.6, min(7.0, 5.4 * rows / columns + 0.9)))
        axes = figure.subplots()
        axes.imshow(photo[::step, ::step], extent=(0, columns * size, rows * size, 0), interpolation="bilinear")
        if result.disc is None:
            axes.set(xlabel="mm", ylabel="mm")
            said = "The photo as seen from straight above, its edges in millimetres."
        else:
            x, y = result.disc.outline.T
            axes.plot(x, y, color="white", linewidth=3)
            axes.plot(x, y, color=style.COLOURS[1], linewidth=1.6)
            axes.set(xlabel="pixels", ylabel="pixels")
            said = f"The photo with the outline of the {result.method}, which was measured: make sure that it is the right one."
        axes.set_title(f"{result.mm_per_pixel:.4g} mm per pixel, from the {result.method.split(' at ')[0]}")
    figure.alt = f"{said} {result.verdict}"
    return figure
