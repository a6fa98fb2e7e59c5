"""The live-edge part: a length of slab that keeps both natural edges, or one.

Length at least L, width between two limits everywhere, no keep-out of a defect in it, ends square
to its centre line. Edge trims do not apply to an edge that is kept; end trims do.

With both edges kept the part is the slab itself between two cuts, measured at stations along the
grain. With one edge kept the other side is a straight saw cut: of all lines that leave the width
within its limits and stay on clear wood, the one with the most room is the answer to a linear
program at each place along the slab.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon

from slabvision.clear.grain import Grain, mid_line
from slabvision.clear.region import ClearRegion
from slabvision.clear.shapes import EDGES, Edge, sides
from slabvision.clear.spare import Contacts, best_per_world, freed
from slabvision.clear.worlds import Sized, Worlds
from slabvision.estimate import Estimate

__all__ = ["EdgeCut", "LiveEdgePart", "live_edge_cut"]

Floats: TypeAlias = NDArray[np.float64]

_STATION_MM = 5.0
_SLIDE_MM = 10.0


@dataclass(frozen=True)
class LiveEdgePart:
    """A part that keeps its natural edges, mm.

    Attributes
    ----------
    length_mm : float
        Between its two square ends.
    least_width_mm, most_width_mm : float
        Its width stays between these everywhere.
    keep : {"both", "one", "none"}
        How many live edges it keeps.
    """

    length_mm: float
    least_width_mm: float
    most_width_mm: float
    keep: Literal["both", "one", "none"] = "both"
    name: str = "live-edge part"

    def __post_init__(self) -> None:
        if not 10 <= self.length_mm <= 20_000:
            raise ValueError(f"length is {self.length_mm:g} mm; 10 to 20000 is allowed")
        if not 0 < self.least_width_mm <= self.most_width_mm <= 20_000:
            raise ValueError(
                f"widths are {self.least_width_mm:g} to {self.most_width_mm:g} mm; the least must "
                "be over 0 and not above the most"
            )
        if self.keep not in ("both", "one", "none"):
            raise ValueError(f"keep is {self.keep!r}; both, one or none")


@dataclass(frozen=True, eq=False)
class EdgeCut:
    """A live-edge part on the face: where it is cut and what decides.

    Attributes
    ----------
    polygon : Polygon
        mm.
    spare_mm : Sized
        The least of: length left at each end, width over the least, width under the most,
        clearance of the saw cut.
    tight : ndarray, shape (2,)
        The place that decides, mm.
    limit : str
        What decides there.
    marks : tuple of (str, ndarray)
        Points to strike.
    angle_deg : float
        Direction of its centre line.
    """

    polygon: Polygon
    spare_mm: Sized
    tight: Floats
    limit: str
    marks: tuple[tuple[str, Floats], ...]
    angle_deg: float


@dataclass(frozen=True, eq=False)
class _Stations:
    """The slab at even stations along its mid-line: edges and what is in the way."""

    grain: Grain
    s: Floats
    top: Floats
    bottom: Floats
    from_top: Floats  # t of the first thing in the way, going in from the top edge
    from_bottom: Floats
    lo: float  # where the end trims stop
    hi: float


def _stations(region: ClearRegion) -> _Stations:
    face, trims = region.face, region.trims
    four = sides(face.outline)
    grain = mid_line_of(region)
    left = grain.shape_to_st(four.left).bounds[2]
    right = grain.shape_to_st(four.right).bounds[0]
    lo = left + (0.0 if "left" in face.open_ends else trims.left)
    hi = right - (0.0 if "right" in face.open_ends else trims.right)
    count = max(int((hi - lo) / _STATION_MM), 1)
    s = lo + (np.arange(count) + 0.5) * (hi - lo) / count
    step = (hi - lo) / count
    outline = grain.shape_to_st(face.outline)
    _, t0, _, t1 = outline.bounds
    shapely.prepare(outline)
    low, high = np.full_like(s, t0 - 1), np.full_like(s, t1 + 1)
    lines = shapely.linestrings(np.stack([s, s], axis=1), np.stack([low, high], axis=1))
    across = shapely.intersection(lines, outline)
    top, bottom = np.zeros(count), np.zeros(count)
    for i, cut in enumerate(across):
        # where an edge doubles back, the piece on the mid-line is the wood of the part
        pieces = [p.bounds for p in shapely.get_parts(cut) if p.length > 0]
        near = min(pieces, key=lambda b: max(b[1], -b[3], 0.0))
        top[i], bottom[i] = near[1], near[3]
    blocked = grain.shape_to_st(shapely.intersection(region.defect_keep_outs, face.outline))
    strips = shapely.box(s - step / 2, t0 - 1, s + step / 2, t1 + 1)
    hit = shapely.bounds(shapely.intersection(strips, blocked))
    first = np.where(np.isnan(hit[:, 1]), np.inf, np.maximum(hit[:, 1], top))
    last = np.where(np.isnan(hit[:, 3]), -np.inf, np.minimum(hit[:, 3], bottom))
    return _Stations(
        grain, s, top, bottom,
        np.minimum(first, bottom - trims.bottom), np.maximum(last, top + trims.top), lo, hi,
    )  # fmt: skip


def mid_line_of(region: ClearRegion) -> Grain:
    """Return the mid-line of the slab, whatever line its grain follows."""
    if region.grain.source.startswith("mid-line"):
        return region.grain
    return mid_line(sides(region.face.outline))


def live_edge_cut(region: ClearRegion, part: LiveEdgePart, worlds: Worlds) -> EdgeCut | None:
    """Return the best place for a live-edge part that keeps both edges or one.

    Returns
    -------
    EdgeCut or None
        None where the slab is too short to try. ``spare_mm`` is negative where it does not fit.
    """
    stations = _stations(region)
    if part.keep == "both":
        return _both(region, part, stations, worlds)
    cuts = [_one(region, part, stations, edge, worlds) for edge in EDGES]
    found = [cut for cut in cuts if cut is not None]
    return max(found, key=lambda cut: cut.spare_mm.value) if found else None


def _runs(open_: NDArray[np.bool_], at: _Stations) -> list[tuple[float, float]]:
    """Return the stretches (from, to) along which every station is open, mm."""
    padded = np.concatenate([[False], open_, [False]])
    change = np.flatnonzero(padded[1:] != padded[:-1])
    half = (at.s[1] - at.s[0]) / 2 if len(at.s) > 1 else (at.hi - at.lo) / 2
    return [
        (float(at.s[i] - half), float(at.s[j - 1] + half))
        for i, j in zip(change[::2], change[1::2], strict=True)
    ]


def _both(region: ClearRegion, part: LiveEdgePart, at: _Stations, worlds: Worlds) -> EdgeCut | None:
    width = at.bottom - at.top
    clear = ~np.isfinite(at.from_top) | (at.from_top >= at.bottom - region.trims.bottom - 1e-9)
    best: tuple[float, float, float, float, float] | None = None
    for a, b in _runs(clear, at):
        length = part.length_mm
        starts = np.arange(a, b - length, _STATION_MM) if b - a > length else np.array([])
        starts = np.append(starts, (a + b - length) / 2)
        for start in starts:
            inside = (at.s >= max(start, a)) & (at.s <= min(start + length, b))
            if not inside.any():
                continue
            spare = min(
                b - a - length,
                width[inside].min() - part.least_width_mm,
                part.most_width_mm - width[inside].max(),
            )
            # of places with the same to spare, the one furthest from both ends of the stretch
            middling = min(start - a, b - start - length)
            if best is None or (spare, middling) > best[:2]:
                best = (float(spare), float(middling), float(start), a, b)
    if best is None:
        return None
    _, _, start, a, b = best
    inside = (at.s >= start) & (at.s <= start + part.length_mm)
    if not inside.any():
        return None
    s, top, bottom = at.s[inside], at.top[inside], at.bottom[inside]
    uv_top, uv_bottom = at.grain.to_uv(np.c_[s, top]), at.grain.to_uv(np.c_[s, bottom])
    count = len(s)
    # limits: width over the least, under the most, length left
    gaps = np.concatenate([
        bottom - top - part.least_width_mm, part.most_width_mm - (bottom - top),
        [b - a - part.length_mm],
    ])  # fmt: skip
    points, normals, pair = _with_ends(region, at.grain, uv_top, uv_bottom, a, b)
    joined = np.zeros((2 * count + 1, len(points)))
    joined[:count, :count] = joined[:count, count : 2 * count] = np.eye(count)
    joined[count : 2 * count] = -joined[:count]
    joined[-1, pair] = 1.0
    rows = np.ones((2 * count + 1, 1))
    stop, nearer = _stretch_limit(region, at, a, b)
    names = ["width, under the least"] * count + ["width, over the most"] * count + [stop]
    places = np.vstack([(uv_top + uv_bottom) / 2] * 2 + [points[pair[nearer]]])
    spare, tight = _sized(region, worlds, points, normals, gaps, rows, np.array([1e5]), joined, 0)
    shape_st = shapely.box(start, at.top.min() - 50, start + part.length_mm, at.bottom.max() + 50)
    whole = at.grain.shape_to_uv(shapely.segmentize(shape_st, 20.0))
    polygon = _piece(shapely.intersection(whole, region.face.outline), places[0])
    marks = tuple(
        (f"cut {i + 1} at {region.face.names[edge]}", at.grain.to_uv(np.array([[place, t]]))[0])
        for i, place in enumerate((start, start + part.length_mm))
        for edge, t in (
            ("top", float(np.interp(place, at.s, at.top))),
            ("bottom", float(np.interp(place, at.s, at.bottom))),
        )
    )
    angle = at.grain.direction_deg(start, start + part.length_mm)
    return EdgeCut(polygon, spare, places[tight], names[tight], marks, angle)


def _with_ends(
    region: ClearRegion, grain: Grain, uv_a: Floats, uv_b: Floats, a: float, b: float
) -> tuple[Floats, Floats, NDArray[np.intp]]:
    """Join edge points, opposite points and the two ends of a stretch, with outward normals."""
    ends, ways = grain.at(np.array([a, b]))
    across = uv_b - uv_a
    across = across / np.maximum(np.linalg.norm(across, axis=1), 1e-9)[:, None]
    points = np.vstack([uv_a, uv_b, ends])
    normals = np.vstack([-across, across, [-ways[0], ways[1]]])
    return points, normals, np.array([len(points) - 2, len(points) - 1])


def _stretch_limit(region: ClearRegion, at: _Stations, a: float, b: float) -> tuple[str, int]:
    """Name what ends a stretch and at which end; a defect rather than the slab's own end."""
    stops = [_end_limit(region, at, a, "left"), _end_limit(region, at, b, "right")]
    own = [stop in region.face.names.values() for stop in stops]
    which = 1 if own[0] and not own[1] else 0
    return stops[which], which


def _end_limit(region: ClearRegion, at: _Stations, s: float, side: str) -> str:
    limit = at.lo if side == "left" else at.hi
    if abs(s - limit) < _STATION_MM:
        return region.face.names[side]
    line = LineString(at.grain.to_uv(np.array([[s, at.top.min()], [s, at.bottom.max()]])))
    near = [
        (float(r.shape.distance(line)), r.name)
        for r in region.removals
        if not r.name.startswith("trim at ")
    ]
    return min(near, default=(0.0, "a defect"))[1]


def _sized(
    region: ClearRegion,
    worlds: Worlds,
    points: Floats,
    normals: Floats,
    gaps: Floats,
    rows: Floats,
    reach: Floats,
    joined: Floats,
    room_at: int,
) -> tuple[Sized, int]:
    """Return the spare room with its interval, and the index of the limit that decides."""
    contacts = Contacts(points, normals, gaps, rows, points.mean(axis=0))
    gain = np.zeros(len(reach))
    gain[room_at] = 1.0
    room = freed(contacts, gain, reach, region, worlds, joined=joined)
    best = float(room.best[room_at])
    left = gaps - rows @ room.drawn
    tight = int(np.argmin(left + 1e-3 * np.abs(gaps)))
    return (
        Sized(
            Estimate(best, room.draws[:, room_at], "mm"),
            {cause: d[:, room_at] for cause, d in room.parts.items()},
        ),
        tight,
    )


def _piece(shape: Any, inside: Floats) -> Polygon:
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
    at = shapely.Point(inside)
    nearest: Polygon = min(parts, key=lambda p: (p.distance(at), -p.area))
    return nearest


# One live edge ---------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Line:
    """A saw line for one place along the slab, in the frame of the part's own centre line."""

    room: float
    start: float
    a: float
    b: float
    x: Floats  # (offset, slope, room)
    edge: Floats  # (N, 2) kept edge, (x, y) with y away from it
    way: Floats
    origin: Floats
    sign: float


def _one(
    region: ClearRegion, part: LiveEdgePart, at: _Stations, edge: Edge, worlds: Worlds
) -> EdgeCut | None:
    sign = 1.0 if edge == "top" else -1.0
    kept, stop = (at.top, at.from_top) if edge == "top" else (at.bottom, at.from_bottom)
    depth = (stop - kept) * sign
    uv_edge = at.grain.to_uv(np.c_[at.s, kept])
    uv_stop = at.grain.to_uv(np.c_[at.s, stop])
    best: _Line | None = None
    for a, b in _runs(depth >= part.least_width_mm, at) or [(at.lo, at.hi)]:
        if b - a < part.length_mm:
            starts = np.array([(a + b - part.length_mm) / 2])
        else:
            starts = np.append(
                np.arange(a, b - part.length_mm, 4 * _SLIDE_MM), (a + b - part.length_mm) / 2
            )
        for _ in range(2):
            for start in starts:
                found = _line(part, at, uv_edge, uv_stop, depth, float(start), a, b, sign, best)
                if found is not None and (best is None or found.room > best.room):
                    best = found
            if best is None or (best.a, best.b) != (a, b):
                break
            near = best.start + np.arange(-3, 4) * _SLIDE_MM
            starts = near[(near >= a) & (near <= b - part.length_mm)]
    if best is None:
        return None
    return _one_cut(region, part, at, edge, best, uv_edge, uv_stop, worlds)


def _frame(at: _Stations, start: float, length: float, sign: float) -> tuple[Floats, Floats]:
    ends = at.grain.at(np.array([start, start + length]))[0]
    way = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    turn = np.array([way, sign * np.array([-way[1], way[0]])])  # rows: x and y of the frame
    return turn, (ends[0] + ends[1]) / 2


def _line(
    part: LiveEdgePart,
    at: _Stations,
    uv_edge: Floats,
    uv_stop: Floats,
    depth: Floats,
    start: float,
    a: float,
    b: float,
    sign: float,
    best: _Line | None,
) -> _Line | None:
    inside = (at.s >= max(start, a)) & (at.s <= min(start + part.length_mm, b))
    if inside.sum() < 2:
        return None
    ends = b - a - part.length_mm
    bound = min(ends, (float(depth[inside].min()) - part.least_width_mm) / 2)
    if best is not None and bound <= best.room:
        return None
    turn, origin = _frame(at, start, part.length_mm, sign)
    edge, stop = (uv_edge[inside] - origin) @ turn.T, (uv_stop[inside] - origin) @ turn.T
    rows, gaps = _saw_limits(part, edge, stop)
    reach = np.array([5e3, 2.0, 1e4])
    x, _, _ = best_per_world(rows, gaps[None], np.array([0.0, 0.0, 1.0]), reach)
    return _Line(min(float(x[0, 2]), ends), start, a, b, x[0], edge, turn, origin, sign)


def _saw_limits(part: LiveEdgePart, edge: Floats, stop: Floats) -> tuple[Floats, Floats]:
    """Limits on (offset, slope, room): y = offset + slope x over the least, under the most."""
    one_e, one_s = np.ones(len(edge)), np.ones(len(stop))
    rows = np.vstack([
        np.column_stack([-one_e, -edge[:, 0], one_e]),
        np.column_stack([one_e, edge[:, 0], one_e]),
        np.column_stack([one_s, stop[:, 0], one_s]),
    ])  # fmt: skip
    gaps = np.concatenate([
        -edge[:, 1] - part.least_width_mm, edge[:, 1] + part.most_width_mm, stop[:, 1],
    ])  # fmt: skip
    return rows, gaps


def _one_cut(
    region: ClearRegion,
    part: LiveEdgePart,
    at: _Stations,
    edge: Edge,
    line: _Line,
    uv_edge: Floats,
    uv_stop: Floats,
    worlds: Worlds,
) -> EdgeCut:
    inside = (at.s >= max(line.start, line.a)) & (at.s <= min(line.start + part.length_mm, line.b))
    turn, origin = line.way, line.origin
    uv_e, uv_s = uv_edge[inside], uv_stop[inside]
    flat_e, flat_s = (uv_e - origin) @ turn.T, (uv_s - origin) @ turn.T
    rows3, gaps = _saw_limits(part, flat_e, flat_s)
    count = len(uv_e)
    # freedoms: offset and slope of the saw line, room
    rows = np.vstack([rows3, [0.0, 0.0, 1.0]])
    gaps = np.append(gaps, line.b - line.a - part.length_mm)
    points, _, pair = _with_ends(region, at.grain, uv_e, uv_s, line.a, line.b)
    inward = turn[1]
    normals = np.vstack([np.tile(-inward, (count, 1)), np.tile(inward, (count, 1)),
                         [-turn[0], turn[0]]])  # fmt: skip
    eye = np.eye(count)
    joined = np.zeros((3 * count + 1, len(points)))
    joined[:count, :count] = eye
    joined[count : 2 * count, :count] = -eye
    joined[2 * count : 3 * count, count : 2 * count] = eye
    joined[-1, pair] = 1.0
    end, nearer = _stretch_limit(region, at, line.a, line.b)
    names = ["width, under the least", "width, over the most", "the saw cut"]
    names = [name for name in names for _ in range(count)] + [end]
    places = np.vstack([uv_e, uv_e, uv_s, points[pair[nearer]]])
    reach = np.array([5e3, 2.0, 1e5])
    spare, tight = _sized(region, worlds, points, normals, gaps, rows, reach, joined, 2)
    limit = names[tight]
    if limit == "the saw cut":
        spot = shapely.Point(places[tight])
        near = [(float(r.shape.distance(spot)), r.name) for r in region.removals]
        near.append((region.face.outline.exterior.distance(spot), "the other edge"))
        limit = min(near)[1]
    half = part.length_mm / 2
    offset, slope = line.x[0], line.x[1]
    low = min(flat_e[:, 1].min(), offset - abs(slope) * half) - 200.0
    corners = np.array([[-half, low], [half, low], [half, offset + slope * half],
                        [-half, offset - slope * half]])  # fmt: skip
    quad = Polygon(corners @ turn + origin)
    polygon = _piece(shapely.intersection(quad, region.face.outline), uv_e[count // 2])
    other = "saw line"
    edge_y = np.interp([-half, half], flat_e[:, 0], flat_e[:, 1])
    marks = tuple(
        (f"cut {i + 1} at {name}", np.array([x, y]) @ turn + origin)
        for i, x in enumerate((-half, half))
        for name, y in (
            (region.face.names[edge], float(edge_y[i])),
            (other, float(offset + slope * x)),
        )
    )
    angle = float(np.degrees(np.arctan2(turn[0, 1], turn[0, 0])))
    return EdgeCut(polygon, spare, places[tight], limit, marks, angle)
