"""Place a given shape where it has the most room all round.

A raster search finds, at each allowed angle, where the shape fits and how far the nearest thing
that is not clear is; the best places are then moved and turned on the polygons until the room all
round is greatest. A shape that does not fit is placed where the least is missing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon, affinity

from slabvision.clear.circle import largest_circle
from slabvision.clear.raster import Turned, rasterised
from slabvision.clear.spare import Contacts, best_per_world, boundary_points

__all__ = ["Placed", "place", "placed_contacts"]

Floats: TypeAlias = NDArray[np.float64]

_POINT_MM = 2.0
_STARTS = 8


@dataclass(frozen=True, eq=False)
class Placed:
    """A shape on the face.

    Attributes
    ----------
    polygon : Polygon
        Where it lies, mm.
    centre : (float, float)
        Where the shape's own origin lies, mm.
    angle_deg : float
        How far it is turned, from ``u`` towards ``v``.
    room_mm : float
        Room all round; negative: so much is missing at the worst place.
    """

    polygon: Polygon
    centre: tuple[float, float]
    angle_deg: float
    room_mm: float


def place(
    shape: Any, part: Polygon, angles: Floats, *, turn_limits: tuple[float, float] | None = None
) -> Placed | None:
    """Place a part on a clear region, mm.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
        Clear region.
    part : Polygon
        With its own origin near its middle.
    angles : ndarray
        Turns to try, degrees; a single one is kept exactly.
    turn_limits : (float, float), optional
        The final turn stays within these degrees.

    Returns
    -------
    Placed or None
        None when the region is empty. ``room_mm`` is negative where the part does not fit.
    """
    if shape.is_empty:
        return None
    circle = largest_circle(shape)
    inner = largest_circle(part)
    if circle is None or inner is None:
        return None
    half_mm = inner.diameter_mm / 2
    cell = float(np.clip(half_mm / 10, 4.0, 14.0))
    raster = rasterised(shape, cell)
    views = [raster.turned(float(angle)) for angle in angles]
    short = 1.5 * cell
    starts: list[tuple[float, float, Floats]] = []
    while not starts:
        # a smaller and smaller core of the part: how much is missing is part of the answer
        core = part.buffer(-min(short, 0.97 * half_mm), join_style="mitre")
        if short > half_mm:
            middle = shapely.get_coordinates(shapely.points([circle.centre]))[0]
            starts = [(-half_mm, float(angle), middle) for angle in angles]
            break
        for view in views:
            starts += _roomy(view, core, short)
        short *= 2
    points = boundary_points(shape, _POINT_MM)
    shapely.prepare(shape)
    starts.sort(key=lambda s: -s[0])
    limits = turn_limits or (-math.inf, math.inf)
    free = len(angles) > 1
    found = [
        _settle(shape, points, part, centre, angle, limits if free else (angle, angle))
        for _, angle, centre in _unlike(starts, half_mm)
    ]
    return max(found, key=lambda p: p.room_mm)


def _roomy(view: Turned, core: Polygon, short: float) -> list[tuple[float, float, Floats]]:
    """Return the roomiest places of a part's core in one view: (room, angle, centre)."""
    from slabvision.opencv import cv2

    cell = view.cell_mm
    x0, y0, x1, y1 = core.bounds
    if _is_box(core):
        cols, rows = max(round((x1 - x0) / cell), 1), max(round((y1 - y0) / cell), 1)
        if cols >= view.mask.shape[1] or rows >= view.mask.shape[0]:
            return []
        # OpenCV's anchor is the cell a kernel is centred on
        kernel = np.ones((rows, cols), np.uint8)
        anchor = (cols // 2, rows // 2)
        fits = cv2.erode(view.mask, kernel, anchor=anchor, borderValue=0)
        middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2]) / cell
        shift = np.array([(cols - 1) / 2 - anchor[0], (rows - 1) / 2 - anchor[1]]) - middle
        metric = cv2.DIST_C
    else:
        filled = rasterised(core, cell)
        stamp = filled.turned(0.0)
        fits, anchor_xy = _fitting(view.mask, stamp.mask)
        shift = -((stamp.origin / cell) + anchor_xy)
        metric = cv2.DIST_L2
    if not fits.any():
        return []
    room = cv2.distanceTransform(np.pad(fits, 1), metric, 3)[1:-1, 1:-1]
    out = []
    for _ in range(3):
        row, col = np.unravel_index(int(np.argmax(room)), room.shape)
        best = float(room[row, col])
        if best <= 0:
            break
        centre = view.to_uv(np.array([col, row]) + shift)
        out.append((best * cell - short, view.angle_deg, centre))
        reach = int(max(best, 6))
        room[max(row - reach, 0) : row + reach + 1, max(col - reach, 0) : col + reach + 1] = 0
    return out


def _is_box(core: Polygon) -> bool:
    return len(core.interiors) == 0 and abs(core.area - core.envelope.area) < 1e-6 * core.area


def _fitting(mask: NDArray[np.uint8], stamp: NDArray[np.uint8]) -> tuple[Any, Floats]:
    """Return where a stamp lies wholly on the mask, by counting overlaps with a convolution."""
    from scipy.fft import irfft2, next_fast_len, rfft2

    blocked = np.pad((mask == 0).astype(np.float32), ((0, 0), (0, 0)))
    size = [next_fast_len(a + b, real=True) for a, b in zip(mask.shape, stamp.shape, strict=True)]
    # outside the raster nothing is clear
    field = np.ones(size, np.float32)
    field[: mask.shape[0], : mask.shape[1]] = blocked
    over = irfft2(rfft2(field) * np.conj(rfft2(stamp.astype(np.float32), size)), size)
    fits = (over[: mask.shape[0], : mask.shape[1]] < 0.5).astype(np.uint8)
    return fits, np.zeros(2)


def _unlike(
    starts: list[tuple[float, float, Floats]], half_mm: float
) -> list[tuple[float, float, Floats]]:
    kept: list[tuple[float, float, Floats]] = []
    for start in starts:
        for other in kept:
            near = np.hypot(*(start[2] - other[2])) < 0.3 * half_mm + 5
            if near and abs(start[1] - other[1]) < 6.0:
                break
        else:
            kept.append(start)
            if len(kept) == _STARTS:
                break
    return kept


def moved(part: Polygon, centre: Floats | tuple[float, float], angle_deg: float) -> Polygon:
    """Return a part turned about its origin and moved to ``centre``."""
    turned = affinity.rotate(part, angle_deg, origin=(0, 0))
    return affinity.translate(turned, float(centre[0]), float(centre[1]))


def gaps_to(part: Polygon, points: Floats) -> tuple[Floats, Floats]:
    """Return signed distances from a polygon to points, mm, and unit normals towards them."""
    ring = part.boundary
    shapely.prepare(ring)
    shapely.prepare(part)
    geometry = shapely.points(points)
    lines = shapely.shortest_line(ring, geometry)
    ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
    away = ends[:, 1] - ends[:, 0]
    distance = np.linalg.norm(away, axis=1)
    inside = shapely.contains_xy(part, points)
    normals = away / np.maximum(distance, 1e-9)[:, None]
    normals[inside] *= -1.0
    return np.where(inside, -distance, distance), normals


def placed_contacts(
    shape: Any, part: Polygon, centre: tuple[float, float], margin_mm: float, *, turns: bool
) -> Contacts:
    """Return where a placed part could touch; freedoms: move, turn (if any), room all round."""
    points = boundary_points(shape, _POINT_MM)
    return _contacts(points, part, np.array(centre), margin_mm, turns=turns)


def _contacts(
    points: Floats, part: Polygon, centre: Floats, margin_mm: float, *, turns: bool
) -> Contacts:
    u0, v0, u1, v1 = part.bounds
    box = (points > (u0 - margin_mm, v0 - margin_mm)) & (points < (u1 + margin_mm, v1 + margin_mm))
    points = points[box.all(axis=1)]
    gaps, normals = gaps_to(part, points)
    near = gaps < margin_mm
    points, gaps, normals = points[near], gaps[near], normals[near]
    touch = points - gaps[:, None] * normals - centre
    rows = [normals[:, 0], normals[:, 1]]
    if turns:
        rows.append(normals[:, 1] * touch[:, 0] - normals[:, 0] * touch[:, 1])
    rows.append(np.ones(len(points)))
    return Contacts(points, normals, gaps, np.column_stack(rows), centre)


def _settle(
    shape: Any,
    points: Floats,
    part: Polygon,
    centre: Floats,
    angle_deg: float,
    limits: tuple[float, float],
) -> Placed:
    """Move and turn a part by small steps until the room all round is greatest."""
    turns = limits[1] > limits[0]
    radius = max(math.hypot(*corner) for corner in part.exterior.coords)
    here = moved(part, centre, angle_deg)
    room = _room(shape, points, here)
    step = 30.0
    for _ in range(40):
        contacts = _contacts(points, here, centre, max(room, 0.0) + 2 * step + 10, turns=turns)
        if len(contacts.gaps) == 0:
            break
        lowest, highest = np.radians(limits[0] - angle_deg), np.radians(limits[1] - angle_deg)
        turn = min(step / radius, max(highest, -lowest, 0.0)) if turns else 0.0
        reach = np.array([step, step, max(turn, 1e-9), 1e4] if turns else [step, step, 1e4])
        gain = np.array([0.0, 0.0, 0.0, 1.0] if turns else [0.0, 0.0, 1.0])
        x, _, _ = best_per_world(contacts.rows, contacts.gaps[None], gain, reach)
        new_angle = angle_deg
        if turns:
            new_angle = float(np.clip(angle_deg + math.degrees(x[0, 2]), *limits))
        new_centre = centre + x[0, :2]
        there = moved(part, new_centre, new_angle)
        found = _room(shape, points, there)
        if found > room + 1e-4:
            slow = found - room < 0.02 and step < 2
            centre, angle_deg, here, room = new_centre, new_angle, there, found
            if slow:
                break
        else:
            step /= 3
            if step < 0.05:
                break
    return Placed(here, (float(centre[0]), float(centre[1])), angle_deg, room)


def _room(shape: Any, points: Floats, part: Polygon) -> float:
    """Room all round a placed part, mm; negative where it is over."""
    if shape.covers(part):
        return float(shapely.distance(shape.boundary, part))
    over = shapely.contains_xy(part, points)
    deepest = 0.0
    if over.any():
        deepest = float(np.max(shapely.distance(shapely.points(points[over]), part.boundary)))
    # corners of the part that stick out, and parts wholly off the region
    corners = shapely.points(shapely.get_coordinates(part.segmentize(50.0)))
    out = shapely.distance(corners, shape)
    return -max(deepest, float(np.max(out, initial=0.0)), 1e-6)
