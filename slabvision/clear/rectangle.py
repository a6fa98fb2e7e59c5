"""The largest rectangle on a clear region: along the grain, or at any angle.

The whole region is searched on a raster first: at each angle, for heights 8 % apart, the longest
clear run. What looks best is made exact on the polygon: of all upright boxes that hold a given
seed and no point of the boundary, the one of greatest area is found by going through every pair
of an upper and a lower limit (each lets the sides reach a known distance). Angle and seed are then
refined together.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from slabvision.clear.circle import largest_circle
from slabvision.clear.grain import Grain
from slabvision.clear.raster import Raster, longest_runs, rasterised
from slabvision.clear.region import ClearRegion
from slabvision.clear.spare import Contacts, boundary_points, freed
from slabvision.clear.worlds import Sized, Worlds
from slabvision.estimate import Estimate

__all__ = [
    "Rectangle",
    "RectangleSize",
    "along_grain",
    "box_around",
    "largest_rectangle",
    "rectangle_size",
]

Floats: TypeAlias = NDArray[np.float64]
_Worth: TypeAlias = Callable[[float, float], float]
Score: TypeAlias = Callable[[Floats, Floats], Floats]
"""Worth of boxes of (length, width): area, or something else that grows with both."""

_POINT_MM = 4.0
_KEEP = 48
_POLISH = 10
_HOPE = 0.7
"""A raster box worth less than this part of the best one is not looked at again."""


@dataclass(frozen=True)
class Rectangle:
    """A rectangle on the face, mm.

    Attributes
    ----------
    centre : (float, float)
        (u, v), mm.
    length_mm, width_mm : float
        Length is the side in the direction of ``angle_deg``.
    angle_deg : float
        Direction of the length, from ``u`` towards ``v``; over -90 and up to 90.
    """

    centre: tuple[float, float]
    length_mm: float
    width_mm: float
    angle_deg: float

    @property
    def area_mm2(self) -> float:
        """Area, mm²."""
        return self.length_mm * self.width_mm

    @property
    def polygon(self) -> Polygon:
        """The rectangle as a polygon; corners in order round it."""
        half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2
        corners = half * (self.length_mm, self.width_mm)
        return Polygon(corners @ _turn(self.angle_deg).T + self.centre)

    def inset(self, mm: float) -> Rectangle:
        """Return the rectangle with every side moved in by ``mm``."""
        return Rectangle(
            self.centre, self.length_mm - 2 * mm, self.width_mm - 2 * mm, self.angle_deg
        )


def _turn(angle_deg: float) -> Floats:
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.array([[c, -s], [s, c]])


def _area(length: Floats, width: Floats) -> Floats:
    return length * width


def box_around(
    points: Floats, seed: Floats, score: Score = _area
) -> tuple[float, float, float, float, float]:
    """Return the best upright box that holds ``seed`` and no point, as (x0, y0, x1, y1, score).

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        All round the seed; points on the box's edge are allowed.
    seed : ndarray, shape (2,)
    score : callable
        Worth of arrays of (length along x, width along y); -inf is not allowed.

    Examples
    --------
    >>> ring = np.array([[0, 0], [4, 0], [9, 0], [9, 3], [9, 5], [4, 5], [0, 5], [0, 3]], float)
    >>> box_around(ring, np.array([4.5, 2.5]))
    (0.0, 0.0, 9.0, 5.0, 45.0)
    """
    x, y = (points - seed).T
    limits = []
    for way in (1.0, -1.0):
        half = y * way > 0
        far = y[half] * way
        order = np.argsort(far, kind="stable")
        far, side = far[order], x[half][order]
        right = np.minimum.accumulate(np.where(side > 0, side, np.inf))
        left = np.minimum.accumulate(np.where(side <= 0, -side, np.inf))
        right = np.concatenate([[np.inf], right[:-1]])
        left = np.concatenate([[np.inf], left[:-1]])
        # a point further out than one already met on its side limits nothing
        tells = np.where(side > 0, side < right, -side < left)
        limits.append((far[tells], right[tells], left[tells]))
    (up, up_right, up_left), (down, down_right, down_left) = limits
    # points exactly level with the seed bound both halves
    level = y == 0
    level_right = np.min(x[level & (x > 0)], initial=np.inf)
    level_left = np.min(-x[level & (x <= 0)], initial=np.inf)
    if len(up) == 0 or len(down) == 0:
        return (*map(float, (*seed, *seed)), -math.inf)  # type: ignore[return-value]
    right = np.minimum(np.minimum(up_right[:, None], down_right[None]), level_right)
    left = np.minimum(np.minimum(up_left[:, None], down_left[None]), level_left)
    length = left + right
    worth = score(length, up[:, None] + down[None])
    worth = np.where(np.isfinite(length), worth, -np.inf)
    i, j = np.unravel_index(int(np.argmax(worth)), worth.shape)
    return (
        float(seed[0] - left[i, j]),
        float(seed[1] - down[j]),
        float(seed[0] + right[i, j]),
        float(seed[1] + up[i]),
        float(worth[i, j]),
    )


@dataclass(frozen=True)
class _Trial:
    worth: float
    rectangle: Rectangle

    @classmethod
    def at(cls, points: Floats, centre: Floats, angle_deg: float, score: Score) -> _Trial:
        turn = _turn(angle_deg)
        x0, y0, x1, y1, worth = box_around(points @ turn, centre @ turn, score)
        middle = turn @ np.array([(x0 + x1) / 2, (y0 + y1) / 2])
        box = Rectangle((float(middle[0]), float(middle[1])), x1 - x0, y1 - y0, angle_deg)
        return cls(worth, box)


def largest_rectangle(
    shape: Any,
    *,
    angle_deg: float | None = None,
    least_width_mm: float = 0.0,
    within_deg: tuple[float, float] = (-90.0, 90.0),
    longest: bool = False,
) -> Rectangle | None:
    """Return the largest rectangle inside polygons with holes, mm.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
        Clear region, mm.
    angle_deg : float, optional
        Direction of the rectangle's length, from ``u`` towards ``v``; any direction if None.
    least_width_mm : float
        Narrower rectangles do not count.
    within_deg : (float, float)
        Range of directions when ``angle_deg`` is None.
    longest : bool
        Greatest length instead of greatest area.

    Returns
    -------
    Rectangle or None
        Wholly inside ``shape``; None where there is no room. At a given direction the length
        lies in that direction; otherwise the length is the longer side.

    Examples
    --------
    >>> found = largest_rectangle(shapely.box(0, 0, 2000, 600), angle_deg=0)
    >>> round(found.length_mm), round(found.width_mm)
    (2000, 600)
    """
    if shape.is_empty:
        return None

    def score(length: Floats, width: Floats) -> Floats:
        worth = length * (1.0 + 1e-6 * width) if longest else length * width
        return np.where(width >= least_width_mm - 1e-9, worth, -np.inf)

    circle = largest_circle(shape)
    if circle is None:
        return None
    span = math.hypot(shape.bounds[2] - shape.bounds[0], shape.bounds[3] - shape.bounds[1])
    # A square in the largest circle is there at any angle: nothing smaller need be looked at.
    floor_mm2 = circle.diameter_mm**2 / 2
    points = boundary_points(shape, _POINT_MM)
    plain = (lambda a, b: a * (1 + 1e-6 * b)) if longest else (lambda a, b: a * b)

    def search(angles: Floats, cells: float, keep: int) -> list[_Trial]:
        thin = max(least_width_mm, floor_mm2 / span, 1.0)
        raster = rasterised(shape, cell_mm=float(np.clip(thin / cells, 6.0, 16.0)))
        rough = _coarse(raster, angles, floor_mm2, least_width_mm, plain)
        exact = [
            _Trial.at(points, np.array(t.rectangle.centre), t.rectangle.angle_deg, score)
            for t in _apart(rough, keep)
        ]
        return sorted((t for t in exact if math.isfinite(t.worth)), key=lambda t: -t.worth)

    if angle_deg is not None:
        step, exact = 0.0, search(np.array([angle_deg]), 10.0, _KEEP)
    else:
        both = least_width_mm > 0 or longest  # then length and width cannot change places
        lo, hi = within_deg if both or within_deg != (-90.0, 90.0) else (0.0, 90.0)
        first = search(_spread(lo, hi, 8.0), 5.0, 4)
        if first and not longest:
            floor_mm2 = max(floor_mm2, 0.99 * first[0].worth)
        # a box turned by a quarter of its thinness keeps three quarters of its area
        thin = max(least_width_mm, floor_mm2 / span, 1.0)
        angles = _spread(lo, hi, math.degrees(float(np.clip(thin / span / 2, 0.006, 0.035))))
        step = float(angles[1] - angles[0]) if len(angles) > 1 else 0.0
        exact = sorted(first + search(angles, 8.0, _KEEP), key=lambda t: -t.worth)
    refined = [_refined(points, t, step, score) for t in _apart(exact, _POLISH)]
    refined.sort(key=lambda t: -t.worth)
    for trial in refined[:3]:
        inside = _inside(shape, trial.rectangle)
        if inside is not None:
            free = angle_deg is None and least_width_mm == 0 and not longest
            return _long_side_first(inside) if free else inside
    return None


def _spread(lo: float, hi: float, step: float) -> Floats:
    count = max(math.ceil((hi - lo) / step), 1)
    return np.asarray(lo + (np.arange(count) + 0.5) * (hi - lo) / count)


def _coarse(
    raster: Raster, angles: Floats, floor_mm2: float, least_width_mm: float, score: _Worth
) -> list[_Trial]:
    trials: list[_Trial] = []
    best = 0.0
    cell = raster.cell_mm

    def worth(rows: int, cols: int) -> float:
        # a raster box is short by up to two cells each way, about one in the mean
        return score((cols + 1) * cell, max((rows + 1) * cell, least_width_mm))

    def hopeful(rows: int, cols: int) -> bool:
        return worth(rows, cols) >= _HOPE * best

    for angle in angles:
        turned = raster.turned(float(angle))
        least = max(least_width_mm / cell - 2.0, floor_mm2 / cell**2 / turned.mask.shape[1])

        for rows, cols, row, col in longest_runs(turned.mask, least, hopeful):
            value = worth(rows, cols)
            if value < _HOPE * best:
                continue
            best = max(best, value)
            centre = turned.to_uv(np.array([col + cols / 2 - 0.5, row + rows / 2 - 0.5]))
            place = (float(centre[0]), float(centre[1]))
            box = Rectangle(place, (cols + 1) * cell, (rows + 1) * cell, float(angle))
            trials.append(_Trial(value, box))
    return sorted((t for t in trials if t.worth >= _HOPE * best), key=lambda t: -t.worth)


def _apart(trials: list[_Trial], count: int) -> list[_Trial]:
    """Keep the best trials that differ from one another in place, angle or shape."""
    kept: list[_Trial] = []
    for trial in trials:
        a = trial.rectangle
        for other in kept:
            b = other.rectangle
            turn = abs((a.angle_deg - b.angle_deg + 90) % 180 - 90)
            near = math.dist(a.centre, b.centre) < 0.15 * min(b.length_mm, b.width_mm) + 10.0
            alike = abs(math.log(a.length_mm * b.width_mm / (b.length_mm * a.width_mm))) < 0.3
            if turn < 1.5 and near and alike:
                break
        else:
            kept.append(trial)
            if len(kept) == count:
                break
    return kept


def _refined(points: Floats, trial: _Trial, step_deg: float, score: Score) -> _Trial:
    best = _Trial.at(points, np.array(trial.rectangle.centre), trial.rectangle.angle_deg, score)
    best = max(best, trial, key=lambda t: t.worth)
    step = step_deg / 2
    while step > 0.01:
        centre = np.array(best.rectangle.centre)
        tries = [
            _Trial.at(points, centre, best.rectangle.angle_deg + way * step, score)
            for way in (-1.0, 1.0)
        ]
        top = max(tries, key=lambda t: t.worth)
        if top.worth > best.worth:
            best = top
        else:
            step /= 2
    return best


def _inside(shape: Any, rectangle: Rectangle) -> Rectangle | None:
    """Draw the sides in by the hair by which corners pass between boundary points."""
    shapely.prepare(shape)
    hair = 1e-7 * max(rectangle.length_mm, rectangle.width_mm)
    if shape.covers(rectangle.inset(hair).polygon):
        return rectangle.inset(hair)
    lo, hi = hair, 4.0
    if hi >= min(rectangle.length_mm, rectangle.width_mm) / 2 or not shape.covers(
        rectangle.inset(hi).polygon
    ):
        return None
    for _ in range(16):
        middle = (lo + hi) / 2
        if shape.covers(rectangle.inset(middle).polygon):
            hi = middle
        else:
            lo = middle
    return rectangle.inset(hi)


def _long_side_first(r: Rectangle) -> Rectangle:
    if r.length_mm >= r.width_mm:
        angle = r.angle_deg
        length, width = r.length_mm, r.width_mm
    else:
        angle = r.angle_deg + 90
        length, width = r.width_mm, r.length_mm
    return Rectangle(r.centre, length, width, 90 - (90 - angle) % 180)


ALONG_GRAIN_DEG = 2.0
"""A part counts as cut along the grain while its length leaves it by no more than this: 1 in 28
(common practice, no source; a board's width would change by 18 mm over 2 m at half a degree, so
that a direction fixed by the drawn edges alone would decide its size)."""


def along_grain(shape: Any, grain: Grain) -> Rectangle | None:
    """Return the largest rectangle whose length runs along the grain within 2 degrees, mm.

    On a swept slab the direction is that of the grain's chord over the rectangle's own length:
    found in a few rounds, each about the direction of the last.
    """
    angle = grain.direction_deg(0.0, grain.length_mm)
    best: Rectangle | None = None
    for _ in range(4):
        found = largest_rectangle(
            shape, within_deg=(angle - ALONG_GRAIN_DEG, angle + ALONG_GRAIN_DEG)
        )
        if found is None:
            return best
        s = grain.to_st(np.array(found.centre)[None])[0, 0]
        chord = grain.direction_deg(s - found.length_mm / 2, s + found.length_mm / 2)
        best = found
        if abs(chord - found.angle_deg) <= ALONG_GRAIN_DEG + 0.01:
            break
        angle = chord
    return best


@dataclass(frozen=True, eq=False)
class RectangleSize:
    """Length and width, mm, and area, mm², of a rectangle with their intervals."""

    length_mm: Sized
    width_mm: Sized
    area_mm2: Sized


def rectangle_contacts(shape: Any, rectangle: Rectangle, *, turns: bool) -> Contacts:
    """Return where a rectangle could touch; freedoms: its four sides and, if any, its turn."""
    points = boundary_points(shape, 2.0)
    centre = np.array(rectangle.centre)
    turn = _turn(rectangle.angle_deg)
    local = (points - centre) @ turn
    half = np.array([rectangle.length_mm, rectangle.width_mm]) / 2
    beyond = np.abs(local) - half
    side = np.where(beyond[:, 0] > beyond[:, 1], 0, 1)
    gap = np.take_along_axis(beyond, side[:, None], axis=1)[:, 0]
    other = np.take_along_axis(beyond, 1 - side[:, None], axis=1)[:, 0]
    margin = 25.0 + 0.02 * float(half.max())
    near = (gap < margin) & (other < margin)
    local, side, gap, points = local[near], side[near], gap[near], points[near]
    sign = np.sign(np.take_along_axis(local, side[:, None], axis=1)[:, 0])
    column = 2 * side + (sign > 0)
    rows = np.zeros((len(points), 5 if turns else 4))
    rows[np.arange(len(points)), column] = 1.0
    if turns:  # turning the rectangle by a radian takes a side's gap by its arm
        rows[:, 4] = np.where(side == 0, -sign * local[:, 1], sign * local[:, 0])
    axis = np.where(side[:, None] == 0, turn[:, 0], turn[:, 1])
    return Contacts(points, sign[:, None] * axis, gap, rows, centre)


def rectangle_size(
    region: ClearRegion, rectangle: Rectangle, worlds: Worlds, *, turns: bool = False
) -> RectangleSize:
    """Return length, width and area of a region's largest rectangle with intervals.

    In each draw every side moves to where the boundary lies there; with ``turns`` the rectangle
    also turns by up to two degrees.
    """
    length, width = rectangle.length_mm, rectangle.width_mm
    contacts = rectangle_contacts(region.with_keep_outs, rectangle, turns=turns)
    gain = np.array([width, width, length, length, 0.0])[: 5 if turns else 4]
    reach = np.array([0.2 * length + 20] * 2 + [0.2 * width + 20] * 2 + [0.035])[: len(gain)]
    room = freed(contacts, gain, reach, region, worlds)

    def sized(base: float, first: int) -> Sized:
        grow = room.draws[:, first] + room.draws[:, first + 1]
        best = base + float(room.best[first] + room.best[first + 1])
        parts = {c: d[:, first] + d[:, first + 1] for c, d in room.parts.items()}
        return Sized(Estimate(best, np.maximum(base + grow, 0.0), "mm"), parts)

    long, wide = sized(length, 0), sized(width, 2)
    area = Sized(
        long.estimate * wide.estimate,
        {c: long.parts[c] * wide.value + wide.parts[c] * long.value for c in long.parts},
    )
    area = Sized(Estimate(area.value, area.estimate.draws, "mm2"), area.parts)
    return RectangleSize(long, wide, area)
