"""Volumes of simple shapes by their dimensions, ml. Textbook solid geometry; dimensions in mm, one number or arrays."""

from __future__ import annotations

import inspect
from collections.abc import Callable

import numpy as np

from castlab.bench.inputs import Array, Number, numbers, plain
from castlab.errors import InputError
from castlab.given import nearest

MM3_PER_ML = 1000.0


def box(length_mm: Number, width_mm: Number, height_mm: Number) -> float | Array:
    """Volume of a box, ml."""
    a, b, c = _sizes(length_mm=length_mm, width_mm=width_mm, height_mm=height_mm)
    return _ml(a * b * c)


def cylinder(diameter_mm: Number, height_mm: Number) -> float | Array:
    """Volume of a cylinder, ml."""
    d, h = _sizes(diameter_mm=diameter_mm, height_mm=height_mm)
    return _ml(np.pi / 4 * d**2 * h)


def tube(outer_mm: Number, inner_mm: Number, height_mm: Number) -> float | Array:
    """Volume of a tube or flat ring, ml."""
    outer, inner, h = _sizes(outer_mm=outer_mm, inner_mm=inner_mm, height_mm=height_mm)
    if (inner >= outer).any():
        raise InputError("inner_mm is not smaller than outer_mm; accepted: an inner diameter below the outer one")
    return _ml(np.pi / 4 * (outer**2 - inner**2) * h)


def cone(diameter_mm: Number, height_mm: Number) -> float | Array:
    """Volume of a cone, ml."""
    d, h = _sizes(diameter_mm=diameter_mm, height_mm=height_mm)
    return _ml(np.pi / 12 * d**2 * h)


def frustum(top_mm: Number, bottom_mm: Number, height_mm: Number) -> float | Array:
    """Volume of a cone cut off flat (a cup), ml, by the diameters of its ends."""
    a, b, h = _sizes(top_mm=top_mm, bottom_mm=bottom_mm, height_mm=height_mm)
    return _ml(np.pi / 12 * h * (a**2 + a * b + b**2))


def tray(
    top_length_mm: Number,
    top_width_mm: Number,
    bottom_length_mm: Number,
    bottom_width_mm: Number,
    height_mm: Number,
) -> float | Array:
    """Volume of a box with sloping (drafted) walls, ml: the prismatoid of two rectangles."""
    a, b, c, d, h = _sizes(
        top_length_mm=top_length_mm,
        top_width_mm=top_width_mm,
        bottom_length_mm=bottom_length_mm,
        bottom_width_mm=bottom_width_mm,
        height_mm=height_mm,
    )
    return _ml(h / 6 * (a * b + (a + c) * (b + d) + c * d))


def sphere(diameter_mm: Number) -> float | Array:
    """Volume of a sphere, ml."""
    (d,) = _sizes(diameter_mm=diameter_mm)
    return _ml(np.pi / 6 * d**3)


def cap(base_mm: Number, height_mm: Number) -> float | Array:
    """Volume of a spherical cap (a dome or a lens), ml, by the diameter of its flat face and its height."""
    d, h = _sizes(base_mm=base_mm, height_mm=height_mm)
    return _ml(np.pi * h / 24 * (3 * d**2 + 4 * h**2))


def ellipsoid(length_mm: Number, width_mm: Number, height_mm: Number) -> float | Array:
    """Volume of an ellipsoid, ml."""
    a, b, c = _sizes(length_mm=length_mm, width_mm=width_mm, height_mm=height_mm)
    return _ml(np.pi / 6 * a * b * c)


def torus(outer_mm: Number, thickness_mm: Number) -> float | Array:
    """Volume of a round ring (bangle), ml, by its outer diameter and the diameter of its round section."""
    outer, t = _sizes(outer_mm=outer_mm, thickness_mm=thickness_mm)
    if (2 * t > outer).any():
        raise InputError("thickness_mm is over half of outer_mm; accepted: a ring with a hole")
    return _ml(np.pi**2 / 4 * t**2 * (outer - t))


SHAPES: dict[str, Callable[..., float | Array]] = {
    f.__name__: f for f in (box, cylinder, tube, cone, frustum, tray, sphere, cap, ellipsoid, torus)
}


def by_name(shape: str, dimensions_mm: dict[str, Number]) -> float | Array:
    """Volume of the shape of that name, ml.

    Raises
    ------
    InputError
        If the shape or a dimension is not known, missing or not positive.

    >>> by_name("box", {"length_mm": 40, "width_mm": 30, "height_mm": 10})
    12.0
    """
    name = shape.strip().lower()
    if name not in SHAPES:
        raise InputError(f"{shape!r} is no shape{nearest(name, SHAPES)}")
    wanted = list(inspect.signature(SHAPES[name]).parameters)
    if set(wanted) != set(dimensions_mm):
        given = ", ".join(dimensions_mm) or "none"
        raise InputError(f"a {name} needs {', '.join(wanted)}; given: {given}")
    return SHAPES[name](**dimensions_mm)


def _sizes(**sizes: Number) -> tuple[Array, ...]:
    arrays = [numbers(name, size, 1e-3, 1e5, "mm") for name, size in sizes.items()]
    try:
        np.broadcast_shapes(*(a.shape for a in arrays))
    except ValueError:
        raise InputError(
            f"{', '.join(sizes)} differ in length; accepted: equal lengths, or one of them swept"
        ) from None
    return tuple(arrays)


def _ml(mm3: Array) -> float | Array:
    return plain(np.asarray(mm3 / MM3_PER_ML))
