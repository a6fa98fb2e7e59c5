"""Which defects of two outlines laid on each other lie in the same place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from slabvision.clear.shapes import DefectShape

__all__ = ["alike", "extent_mm", "same_places"]

_FAMILIES = (
    frozenset({"end_check", "surface_check", "through_check", "shake", "pith"}),
    frozenset({"sound_knot", "loose_knot", "bark_inclusion", "hole"}),
    frozenset({"worm_holes", "grub_holes"}),
)
"""What one thing may be called in two photos: a check may have gone through, a knot come loose."""
_NEAR_MM = 8.0


def same_places(
    first: Sequence[DefectShape],
    second: Sequence[DefectShape],
    carried: Mapping[int, Any],
    u_mm: float,
) -> list[tuple[int, int]]:
    """Return pairs of numbers of what may be one thing and lies in one place.

    Parameters
    ----------
    first, second : sequence of DefectShape
    carried : mapping of int to geometry
        The second's defects in the first's frame, mm, by number.
    u_mm : float
        How well one lies on the other; within 8 mm and twice that counts as the same place, if
        more than three tenths of the smaller one lie so near.
    """
    reach = _NEAR_MM + 2.0 * u_mm
    return [
        (a.number, b.number)
        for b in second
        for a in first
        if alike(a, b)
        and a.geometry.distance(carried[b.number]) <= reach
        and _share(a.geometry, carried[b.number], reach) > 0.3
    ]


def alike(a: DefectShape, b: DefectShape) -> bool:
    """Return whether two defects may be one, by their kinds."""
    return a.kind == b.kind or any(a.kind in f and b.kind in f for f in _FAMILIES)


def _share(a: Any, b: Any, reach: float) -> float:
    """Return which part of the smaller thing lies within reach of the other."""
    small, large = (a, b) if extent_mm(a) <= extent_mm(b) else (b, a)
    points = shapely.get_coordinates(shapely.segmentize(small, max(extent_mm(small) / 20, 0.5)))
    return float(np.mean(shapely.distance(shapely.points(points), large) <= reach))


def extent_mm(shape: Any) -> float:
    """Return the diagonal of the box round a shape, mm."""
    u0, v0, u1, v1 = shape.bounds
    return float(np.hypot(u1 - u0, v1 - v0))
