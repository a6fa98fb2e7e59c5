"""Grow a defect by its keep-out, along and across the local grain.

In straightened coordinates a keep-out is a box: so far beyond every point along the grain, so
far to each side. The grown defect is the Minkowski sum of the defect and that box, so a plain
check of length L and width w becomes a strip of (L + 2 along) by (w + 2 across), as it would be
struck on the wood with a square.
"""

from __future__ import annotations

import math
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon

from slabvision.clear.grain import Grain
from slabvision.clear.shapes import DefectShape, polygons_only
from slabvision.defects import KeepOut

__all__ = ["grown", "size_along_grain", "sum_with_box"]

Floats: TypeAlias = NDArray[np.float64]

_FINE_MM = 0.7
"""Vertices closer to the line than this do not move a keep-out of inches."""
_TIP_MM = 25.0
"""How much of a defect's end says where it leaves, when a keep-out runs to the slab's ends."""


def size_along_grain(defect: DefectShape, grain: Grain) -> tuple[float, float]:
    """Return length and width of a defect along and across the local grain, mm.

    A length that was measured along a traced line outranks the extent of the painted shape.
    """
    s0, t0, s1, t1 = grain.shape_to_st(defect.geometry).bounds
    length, width = s1 - s0, t1 - t0
    if defect.length_mm is not None:
        length = defect.length_mm
    elif defect.centre_line is not None:
        length = max(length, defect.centre_line.length)
    return float(length), float(width)


def grown(defect: DefectShape, keep: KeepOut, grain: Grain, outline: Polygon) -> MultiPolygon:
    """Return a defect with its keep-out, within the outline's reach, mm.

    Parameters
    ----------
    defect : DefectShape
    keep : KeepOut
        Its along part may be endless (pith): from each tip to the slab's end, parallel to the
        local grain.
    grain : Grain
    outline : Polygon
        Only bounds an endless keep-out.
    """
    length, width = size_along_grain(defect, grain)
    along, across = keep.along(length, width), keep.across(length, width)
    if along < 0 or across < 0:
        raise ValueError(
            f"keep-out of {defect.title} is {along:g} mm along and {across:g} mm across; "
            "0 or more is needed"
        )
    st = grain.shape_to_st(shapely.simplify(defect.geometry, _FINE_MM))
    if math.isinf(along):
        s0, _, s1, _ = grain.shape_to_st(outline).bounds
        body = _to_both_ends(sum_with_box(st, 0.0, across), s0, s1)
    else:
        body = sum_with_box(st, along, across)
    return polygons_only(grain.shape_to_uv(body), 0.0)


def _to_both_ends(body: Any, s0: float, s1: float) -> Any:
    """Lengthen a shape from its two tips to the slab's ends."""
    first, t_lo, last, t_hi = body.bounds
    pieces = [body]
    for near, far in ((first, s0 - 1.0), (last, s1 + 1.0)):
        if (far - near) * (near - (first + last) / 2) <= 0:
            continue  # the tip already lies beyond the slab's end
        middle = (first + last) / 2
        inner = near + math.copysign(min(_TIP_MM, abs(middle - near)), middle - near)
        end = shapely.box(min(near, inner), t_lo, max(near, inner), t_hi)
        tip = shapely.intersection(body, end)
        lo, hi = (tip if not tip.is_empty else body).bounds[1::2]
        pieces.append(shapely.box(min(inner, far), lo, max(inner, far), hi))
    return shapely.union_all(pieces)


def _single_parts(shape: Any) -> list[Any]:
    """Return points, lines and polygons; what was made valid holds collections in collections."""
    parts = list(shapely.get_parts(shape))
    while any(part.geom_type.startswith(("Multi", "Geometry")) for part in parts):
        parts = [single for part in parts for single in shapely.get_parts(part)]
    return parts


def sum_with_box(shape: Any, along: float, across: float) -> Any:
    """Return the Minkowski sum of a geometry and a box of half sides ``along``, ``across``.

    Examples
    --------
    >>> from shapely import LineString
    >>> sum_with_box(LineString([(0, 0), (100, 0)]), 10, 5).bounds
    (-10.0, -5.0, 110.0, 5.0)
    """
    if shape.is_empty or (along == 0 and across == 0):
        return shape
    # The sum is the shape itself and each piece of its boundary summed with the box; a straight
    # piece summed with a box is the hull of the box at its two tips.
    pieces: list[Any] = []
    starts: list[Floats] = []
    stops: list[Floats] = []
    for part in _single_parts(shape):
        if part.geom_type == "Polygon":
            # A thin painted check can touch itself once it is simplified and laid along the grain.
            pieces.append(part if part.is_valid else shapely.make_valid(part))
            lines = [part.exterior, *part.interiors]
        elif part.geom_type in ("LineString", "LinearRing"):
            lines = [part]
        else:
            lines = [LineString([part.coords[0], part.coords[0]])]
        for line in lines:
            points = shapely.get_coordinates(line)
            starts.append(points[:-1])
            stops.append(points[1:])
    a, b = np.vstack(starts), np.vstack(stops)
    box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (along, across)
    corners = np.concatenate([a[:, None] + box, b[:, None] + box], axis=1)
    hulls = shapely.convex_hull(shapely.multipoints(corners))
    return shapely.union_all(np.concatenate([hulls, np.array(pieces, dtype=object)]))
