"""The largest circle on a clear region."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point, Polygon

from slabvision.clear.region import ClearRegion
from slabvision.clear.spare import Contacts, best_per_world, boundary_points, edge_arrays, freed
from slabvision.clear.worlds import Sized, Worlds
from slabvision.estimate import Estimate

__all__ = ["Circle", "circle_size", "largest_circle"]

Floats: TypeAlias = NDArray[np.float64]

_ROUGH_MM = 0.5


@dataclass(frozen=True)
class Circle:
    """A circle on the face, mm."""

    centre: tuple[float, float]
    diameter_mm: float

    @property
    def polygon(self) -> Polygon:
        """The circle as a polygon of 256 sides inside it."""
        return Point(self.centre).buffer(self.diameter_mm / 2, quad_segs=64)


def largest_circle(shape: Any) -> Circle | None:
    """Return the largest circle inside polygons with holes, mm.

    Square cells are split as long as one could hold the centre of a circle larger than the
    best found by half a millimetre; the best is then moved to where it touches three places.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
        Clear region, mm.

    Returns
    -------
    Circle or None
        None where the region is empty.

    Examples
    --------
    >>> circle = largest_circle(shapely.box(0, 0, 2000, 600))
    >>> round(circle.diameter_mm, 6)
    600.0
    """
    if shape.is_empty:
        return None
    lines = shape.boundary
    shapely.prepare(lines)
    shapely.prepare(shape)
    u0, v0, u1, v1 = shape.bounds
    half = min(u1 - u0, v1 - v0) / 4
    gu, gv = np.meshgrid(np.arange(u0 + half, u1 + half, 2 * half),
                         np.arange(v0 + half, v1 + half, 2 * half))  # fmt: skip
    cells = np.column_stack([gu.ravel(), gv.ravel()])
    best, centre = 0.0, cells[0]
    while len(cells):
        points = shapely.points(cells)
        radius = shapely.distance(points, lines)
        inside = shapely.contains_xy(shape, cells)
        radius = np.where(inside, radius, -radius)
        top = int(np.argmax(radius))
        if radius[top] > best:
            best, centre = float(radius[top]), cells[top]
            centre, best = _touching(lines, shape, centre, best)
        worth = radius + half * np.sqrt(2) > best + _ROUGH_MM
        half /= 2
        quarters = np.array([[-1, -1], [1, -1], [-1, 1], [1, 1]]) * half
        cells = (cells[worth, None] + quarters).reshape(-1, 2)
    if best <= 0:
        return None
    return Circle((float(centre[0]), float(centre[1])), 2 * best)


def _touching(lines: Any, shape: Any, centre: Floats, radius: float) -> tuple[Floats, float]:
    """Move a centre uphill until the circle is held by the boundary."""
    a, b = edge_arrays(shape)
    for _ in range(30):
        near = _nearest(a, b, centre)
        gap = np.linalg.norm(near - centre, axis=1)
        close = gap < radius * 1.5 + 20.0
        rows = np.column_stack(
            [(near[close] - centre) / np.maximum(gap[close], 1e-9)[:, None], np.ones(close.sum())]
        )
        reach = np.array([radius / 4 + 1.0, radius / 4 + 1.0, 2 * radius + 100.0])
        x, _, _ = best_per_world(rows, gap[close][None], np.array([0.0, 0.0, 1.0]), reach)
        moved, step = centre, x[0, :2]
        for _ in range(12):
            trial = centre + step
            found = float(shapely.distance(Point(trial), lines))
            if found > radius and shapely.contains_xy(shape, *trial):
                moved = trial
                break
            step = step / 2
        if moved is centre:
            break
        gain, centre, radius = found - radius, moved, found
        if gain < 1e-4:
            break
    return centre, radius


def _nearest(a: Floats, b: Floats, point: Floats) -> Floats:
    way = b - a
    length2 = np.maximum(np.sum(way**2, axis=1), 1e-18)
    part = np.clip(np.sum((point - a) * way, axis=1) / length2, 0.0, 1.0)
    return np.asarray(a + part[:, None] * way)


def circle_contacts(shape: Any, circle: Circle) -> Contacts:
    """Return where a circle could touch, with move and room (radius) as freedoms."""
    centre, radius = np.array(circle.centre), circle.diameter_mm / 2
    points = boundary_points(shape, max(radius / 100, 2.0))
    away = points - centre
    distance = np.linalg.norm(away, axis=1)
    close = distance < radius * 1.05 + 30.0
    normals = away[close] / np.maximum(distance[close], 1e-9)[:, None]
    return Contacts(
        points[close],
        normals,
        distance[close] - radius,
        np.column_stack([normals, np.ones(close.sum())]),
        centre,
    )


def circle_size(region: ClearRegion, circle: Circle, worlds: Worlds) -> Sized:
    """Return the diameter of a region's largest circle with its interval, mm.

    In each draw the circle moves to where it fits best there. The value is freed of the part
    by which a hand's wobble makes every largest circle read small.
    """
    contacts = circle_contacts(region.with_keep_outs, circle)
    reach = np.array([circle.diameter_mm / 4 + 30.0] * 2 + [circle.diameter_mm])
    gain = np.array([0.0, 0.0, 1.0])
    room = freed(contacts, gain, reach, region, worlds)
    return Sized(
        Estimate(
            circle.diameter_mm + 2 * room.best[2],
            np.maximum(circle.diameter_mm + 2 * room.draws[:, 2], 0.0),
            "mm",
        ),
        {cause: 2 * deviation[:, 2] for cause, deviation in room.parts.items()},
    )
