"""Local grain: straightened coordinates that follow a swept slab.

``s`` runs along the mid-line between the live edges (or a drawn pith line), ``t`` is the distance
across it, positive towards larger ``v``. On a swept slab the long axis of the photo and the grain
part company by many degrees; keep-outs, end cuts and live-edge parts follow the grain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from slabvision.clear.shapes import FaceShape, Sides, sides

__all__ = ["Grain", "local_grain", "mid_line"]

Floats: TypeAlias = NDArray[np.float64]

_STRAIGHT_MM = 0.5
"""A mid-line that leaves its chord by less than this is a straight line: exact arithmetic."""
_NODE_MM = 10.0
_STATION_MM = 20.0
_LEAST_PITH = 0.25
"""A pith line shorter than this part of the slab does not say how the grain runs."""


@dataclass(frozen=True, eq=False)
class Grain:
    """A line along the grain and the coordinates it spans.

    Attributes
    ----------
    nodes : ndarray, shape (M, 2)
        Points of the line, mm, at ``spacing_mm``; it goes on straight beyond its tips.
    spacing_mm : float
        Distance between nodes along the line.
    source : str
        ``"mid-line between the edges"`` or ``"drawn pith line"``.
    """

    nodes: Floats
    spacing_mm: float
    source: str

    @property
    def length_mm(self) -> float:
        """Length of the line between its tips."""
        return self.spacing_mm * (len(self.nodes) - 1)

    @property
    def straight(self) -> bool:
        """Whether the line is one straight piece."""
        return len(self.nodes) == 2

    @property
    def line(self) -> LineString:
        """The line itself."""
        return LineString(self.nodes)

    def at(self, s: Floats) -> tuple[Floats, Floats]:
        """Return points and unit directions of the line at distances ``s`` along it."""
        s = np.asarray(s, dtype=np.float64)
        inside = np.clip(s, 0.0, self.length_mm)
        if self.straight:
            way = (self.nodes[1] - self.nodes[0]) / self.spacing_mm
            tangent = np.broadcast_to(way, (*s.shape, 2))
            return self.nodes[0] + s[..., None] * way, tangent
        spline = self._spline()
        tangent = spline(inside, 1)
        tangent /= np.hypot(tangent[..., 0], tangent[..., 1])[..., None]
        return spline(inside) + (s - inside)[..., None] * tangent, tangent

    def _spline(self) -> Any:
        from scipy.interpolate import CubicSpline

        found = self.__dict__.get("_kept")
        if found is None:
            at = np.arange(len(self.nodes)) * self.spacing_mm
            found = CubicSpline(at, self.nodes, bc_type="natural")
            self.__dict__["_kept"] = found
        return found

    def to_uv(self, st: Floats) -> Floats:
        """Convert straightened ``(s, t)`` to face ``(u, v)``, shape (N, 2), mm."""
        st = np.asarray(st, dtype=np.float64)
        point, tangent = self.at(st[..., 0])
        across = np.stack([-tangent[..., 1], tangent[..., 0]], axis=-1)
        return np.asarray(point + st[..., 1:2] * across)

    def to_st(self, uv: Floats) -> Floats:
        """Convert face ``(u, v)`` to straightened ``(s, t)``, shape (N, 2), mm."""
        uv = np.asarray(uv, dtype=np.float64)
        if self.straight:
            _, tangent = self.at(np.zeros(1))
            way = tangent[0]
            off = uv - self.nodes[0]
            return np.stack([off @ way, off @ np.array([-way[1], way[0]])], axis=-1)
        from scipy.spatial import cKDTree

        nearest = cKDTree(self.nodes).query(uv)[1]
        s = nearest * self.spacing_mm
        # beyond a tip the nearest node is the tip: the foot lies on the straight continuation
        for round_ in range(12):
            point, tangent = self.at(s)
            step = np.einsum("...i,...i", uv - point, tangent)
            if round_:  # far off the line on its hollow side a step can overshoot
                step = np.clip(step, -4 * self.spacing_mm, 4 * self.spacing_mm)
            s = s + step
            if np.max(np.abs(step), initial=0.0) < 1e-4:
                break
        point, tangent = self.at(s)
        off = uv - point
        t = tangent[..., 0] * off[..., 1] - tangent[..., 1] * off[..., 0]
        return np.stack([s, t], axis=-1)

    def shape_to_st(self, shape: Any) -> Any:
        """Convert a shapely geometry to straightened coordinates."""
        return self._map(shape, self.to_st)

    def shape_to_uv(self, shape: Any) -> Any:
        """Convert a shapely geometry from straightened coordinates to the face."""
        return self._map(shape, self.to_uv)

    def _map(self, shape: Any, convert: Any) -> Any:
        if not self.straight:
            shape = shapely.segmentize(shape, _NODE_MM)
        turned = shapely.transform(shape, convert)
        if not shapely.is_valid(turned):
            # on the hollow side of a bend a strip can fold over itself: all it covers counts
            turned = shapely.make_valid(turned, method="structure", keep_collapsed=False)
        return turned

    def direction_deg(self, s_from: float, s_to: float) -> float:
        """Direction of the chord of the line between two distances, degrees from ``u`` to ``v``."""
        a, b = self.at(np.array([s_from, s_to], dtype=np.float64))[0]
        return float(np.degrees(np.arctan2(b[1] - a[1], b[0] - a[0])))


def local_grain(face: FaceShape) -> Grain:
    """Return the line along which the grain of a face runs.

    The mid-line between the live edges, smoothed over about the slab's own width so that one
    bump at an edge does not turn it; a drawn pith line (or a traced pith) that covers a
    quarter of the length takes its place, continued parallel to the mid-line.
    """
    grain = mid_line(sides(face.outline))
    pith = face.pith_line
    if pith is None:
        traced = [d.centre_line for d in face.defects if d.kind == "pith" and d.centre_line]
        pith = max(traced, key=lambda line: line.length) if traced else None
    if pith is None or pith.length < _LEAST_PITH * grain.length_mm:
        return grain
    st = grain.to_st(shapely.get_coordinates(shapely.segmentize(pith, _STATION_MM)))
    st = st[np.argsort(st[:, 0], kind="stable")]
    if np.ptp(st[:, 0]) < _LEAST_PITH * grain.length_mm:
        return grain
    stations = np.arange(0.0, grain.length_mm + _STATION_MM, _STATION_MM)
    offset = _smoothed(st[:, 0], st[:, 1], np.clip(stations, st[0, 0], st[-1, 0]), 500.0)
    curve = grain.to_uv(np.column_stack([stations, offset]))
    return _as_grain(curve, "drawn pith line")


def mid_line(edges: Sides) -> Grain:
    """Return the smoothed line half way between the two edges."""
    top = shapely.get_coordinates(shapely.segmentize(edges.top, 5.0))
    bottom = shapely.get_coordinates(shapely.segmentize(edges.bottom, 5.0))
    ends = np.array([(top[0] + bottom[0]) / 2, (top[-1] + bottom[-1]) / 2])
    grain = _as_grain(ends, "mid-line between the edges")
    width = float(np.median(np.abs(grain.to_st(bottom)[:, 1]))) * 2
    for _ in range(3):
        a, b = grain.to_st(top), grain.to_st(bottom)
        lo = max(a[:, 0].min(), b[:, 0].min())
        hi = min(a[:, 0].max(), b[:, 0].max())
        if hi - lo < 50.0:
            return grain
        count = max(int((hi - lo) / _STATION_MM), 4)
        stations = np.linspace(lo, hi, count + 1)
        middle = (_profile(a, stations) + _profile(b, stations)) / 2
        offset = _smoothed(stations, middle, stations, max(width, 500.0))
        # the line reaches both ends, straight beyond where the two edges face one another
        curve = grain.to_uv(np.column_stack([stations, offset]))
        first, last = curve[0] - curve[1], curve[-1] - curve[-2]
        step = (hi - lo) / count
        before = curve[0] + first * (max(lo, 0.0) / step)
        after = curve[-1] + last * (max(grain.length_mm - hi, 0.0) / step)
        curve = np.vstack([before[None], curve, after[None]])
        grain = _as_grain(curve, "mid-line between the edges")
        if grain.straight:
            break
    return grain


def _profile(st: Floats, stations: Floats) -> Floats:
    """Mean offset of an edge at each station; an edge may double back on itself."""
    order = np.argsort(st[:, 0], kind="stable")
    s, t = st[order, 0], st[order, 1]
    half = (stations[1] - stations[0]) / 2
    total = np.concatenate([[0.0], np.cumsum(t)])
    lo = np.searchsorted(s, stations - half, "left")
    hi = np.searchsorted(s, stations + half, "right")
    mean = (total[hi] - total[lo]) / np.maximum(hi - lo, 1)
    # at the tips the window is one-sided: a slanted edge needs the value there, not the mean
    plain = np.interp(stations, s, t)
    mean[[0, -1]] = plain[[0, -1]]
    return np.asarray(np.where(hi > lo, mean, plain))


def _smoothed(x: Floats, y: Floats, at: Floats, scale_mm: float) -> Floats:
    """Least-squares cubic spline with pieces of about ``scale_mm``, evaluated at ``at``."""
    from scipy.interpolate import make_lsq_spline

    keep = np.concatenate([[True], np.diff(x) > 1e-6])
    x, y = x[keep], y[keep]
    pieces = int(np.clip(np.ptp(x) / scale_mm, 1, 8))
    pieces = min(pieces, max((len(x) - 4) // 3, 1))
    if len(x) < 5:
        return np.asarray(np.interp(at, x, y))
    inner = np.linspace(x[0], x[-1], pieces + 1)[1:-1]
    knots = np.concatenate([[x[0]] * 4, inner, [x[-1]] * 4])
    return np.asarray(make_lsq_spline(x, y, knots, k=3)(at))


def _as_grain(curve: Floats, source: str) -> Grain:
    """Resample a curve evenly; nearly straight ones become one straight piece."""
    chord = LineString([curve[0], curve[-1]])
    if np.max(shapely.distance(shapely.points(curve), chord)) < _STRAIGHT_MM:
        return Grain(np.array([curve[0], curve[-1]]), chord.length, source)
    line = LineString(curve)
    count = max(int(np.ceil(line.length / _NODE_MM)), 2)
    at = np.linspace(0.0, line.length, count + 1)
    nodes = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    return Grain(nodes, line.length / count, source)
