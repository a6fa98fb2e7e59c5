"""Sawing a slab out of a log: its faces, ends and edges, outlines and volume."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from slabvision.estimate import named_rng
from slabvision.scene.fill import Array
from slabvision.scene.log import Log
from slabvision.scene.noise import Waves, waves

__all__ = ["CUTS", "Cut", "Frame", "saw"]

CUTS = ("flat", "rift", "quarter", "through pith")
"""Where the slab lies in the log, by the rings it shows at the middle of its end."""


@dataclass(frozen=True)
class Frame:
    """A sawn plane: its own (u, v) in mm, and the way to log coordinates.

    ``u`` runs to the right and ``v`` down as one looks at the plane from outside the wood.
    """

    origin: tuple[float, float, float]
    along: tuple[float, float, float]
    down: tuple[float, float, float]

    def to_log(self, u: Array, v: Array) -> tuple[Array, Array, Array]:
        """Return log coordinates (x, y, z) of points on the plane."""
        x, y, z = (
            o + np.asarray(u) * a + np.asarray(v) * d
            for o, a, d in zip(self.origin, self.along, self.down, strict=True)
        )
        return x, y, z

    def from_log(self, points: Array) -> Array:
        """Return (u, v) of log points (N, 3), dropped square onto the plane."""
        rest = np.asarray(points, np.float64) - np.asarray(self.origin)
        return np.column_stack([rest @ np.asarray(self.along), rest @ np.asarray(self.down)])

    def normal(self) -> Array:
        """Return the unit vector into the wood."""
        return np.cross(np.asarray(self.along), np.asarray(self.down))


@dataclass(frozen=True, eq=False)
class Cut:
    """A slab: the planes that cut it from the log.

    Attributes
    ----------
    log : Log
    x0, x1 : float
        Where the two ends are sawn, mm along the log at y = 0.
    z_a, z_b : float
        Heights of faces A (upper) and B (lower).
    skew : (float, float)
        How far off square each end is sawn, mm per mm across.
    bark : tuple of (side, x_from, x_to, thickness)
        Where bark is still on; side is +1 or -1 of y.
    """

    log: Log
    x0: float
    x1: float
    z_a: float
    z_b: float
    skew: tuple[float, float]
    bark: tuple[tuple[int, float, float, float], ...]
    bark_ripple: Waves
    y_origin: tuple[float, float] = field(default=(0.0, 0.0))

    @property
    def thickness_mm(self) -> float:
        """Distance between the faces."""
        return self.z_a - self.z_b

    def end_x(self, end: int, y: Array) -> Array:
        """Return x of the sawn end (0 butt, 1 top) at y."""
        return np.asarray((self.x0, self.x1)[end] + self.skew[end] * np.asarray(y))

    def frame(self, role: str) -> Frame:
        """Return the frame of ``face A``, ``face B``, ``end A``, ``end B`` or ``edge``."""
        if role == "face A":
            return Frame((self.x0, self.y_origin[0], self.z_a), (1, 0, 0), (0, -1, 0))
        if role == "face B":
            return Frame((self.x0, self.y_origin[1], self.z_b), (1, 0, 0), (0, 1, 0))
        if role in ("end A", "end B"):
            end = 0 if role == "end A" else 1
            k = self.skew[end]
            n = float(np.hypot(1.0, k))
            if end == 0:
                y = self.y_origin[0]
                return Frame((self.x0 + k * y, y, self.z_a), (-k / n, -1 / n, 0), (0, 0, -1))
            y = self.y_origin[1]
            return Frame((self.x1 + k * y, y, self.z_a), (k / n, 1 / n, 0), (0, 0, -1))
        if role == "edge":
            return Frame((self.x0, self.y_origin[1], self.z_a), (1, 0, 0), (0, 0, -1))
        raise ValueError(f"role {role!r} is not known; face A, face B, end A, end B or edge")

    # Outlines -----------------------------------------------------------------------------

    def edge_y(self, x: Array, z: Array | float, side: int, *, first: Array | None = None) -> Array:
        """Return y of the wood's surface (under the bark) at x and height z; side is +1 or -1.

        ``first`` is a guess, good to a few millimetres, that saves the search.
        """
        x = np.asarray(x, np.float64)
        z = np.broadcast_to(np.asarray(z, np.float64), x.shape)
        if len(x) < 40 and first is None:
            return self._search_edge(x, z, side)
        if first is None:
            # A search every few stations, then a short one round its answer everywhere.
            few = np.unique(np.append(np.arange(0, len(x), 6), len(x) - 1))
            first = np.interp(np.arange(len(x)), few, self._search_edge(x[few], z[few], side, 14))
        before = first + side * 2.0
        f_before = self._outside(x, before, z)
        y = first
        for _ in range(6):  # secant steps: the rings are nearly even there
            f = self._outside(x, y, z)
            change = f - f_before
            step = f * (y - before) / np.where(np.abs(change) > 1e-12, change, 1.0)
            before, f_before, y = y, f, y - np.clip(step, -4.0, 4.0)
            if np.abs(step).max() < 1e-7:
                break
        lost = np.flatnonzero((np.abs(step) > 1e-5) | (np.abs(y - first) > 9.0))
        if lost.size:
            y[lost] = self._search_edge(x[lost], z[lost], side)
        return np.asarray(y)

    def _outside(self, x: Array, y: Array, z: Array) -> Array:
        return np.asarray(self.log.age_radius(x, y, z) - self.log.radius_mm)

    def _search_edge(self, x: Array, z: Array, side: int, rounds: int = 26) -> Array:
        cy, _ = self.log.pith(x)
        widest = 1.7 if self.log.fork is None else 2.6
        reach = np.linspace(0.0, widest * self.log.radius_mm, round(28 * widest))
        inside = self._outside(x[None], cy[None] + side * reach[:, None], z[None]) < 0
        # The last way out: flutes may cross twice.
        last = np.where(inside.any(axis=0), inside.shape[0] - 1 - inside[::-1].argmax(axis=0), 0)
        low, high = reach[last], reach[np.minimum(last + 1, len(reach) - 1)]
        for _ in range(rounds):
            middle = (low + high) / 2
            out = self._outside(x, cy + side * middle, z) > 0
            low, high = np.where(out, low, middle), np.where(out, middle, high)
        return np.asarray(cy + side * (low + high) / 2)

    @cached_property
    def _edges(self) -> tuple[Array, Array, dict[int, Any]]:
        """Table of edges over (z, x) for rough questions."""
        x = np.arange(self.x0 - 40.0, self.x1 + 41.0, 16.0)
        z = np.linspace(self.z_b, self.z_a, 5)
        tables = {}
        for side in (1, -1):
            tables[side] = np.stack([self.edge_y(x, float(each), side) for each in z])
        return x, z, tables

    def rough_edge_y(self, x: float, z: float, side: int) -> float:
        """Return y of the wood's surface from a table, good to a millimetre or so."""
        return float(self._rough_edges_y(np.array([x]), z, side)[0])

    def _rough_edges_y(self, x: Array, z: float, side: int) -> Array:
        xs, zs, tables = self._edges
        i = (min(max(z, float(zs[0])), float(zs[-1])) - zs[0]) / (zs[1] - zs[0])
        k = int(min(i, len(zs) - 2))
        low, high = (np.interp(x, xs, tables[side][j]) for j in (k, k + 1))
        return np.asarray(low + (i - k) * (high - low))

    def bark_mm(self, x: Array, z: Array | float, side: int) -> Array:
        """Return the thickness of bark that is still on, mm, 0 where it fell off."""
        x = np.asarray(x, np.float64)
        total = np.zeros(np.broadcast_shapes(x.shape, np.shape(z)))
        for s, a, b, thick in self.bark:
            if s == side:
                ragged = 16.0 * self.bark_ripple(0.3 * x, np.asarray(z) * 0.8 - 300.0 * side)
                edge = np.clip((np.minimum(x - a, b - x) + ragged) / 12.0, 0.0, 1.0)
                rough = 1.0 + 0.3 * self.bark_ripple(x, np.asarray(z) + 500.0 * side)
                total = np.maximum(total, thick * np.sqrt(edge) * np.clip(rough, 0.35, 1.6))
        return total

    def section(self, z: float, *, bark: bool = False, step_mm: float = 2.0) -> Array:
        """Return the outline (N, 2) in log (x, y) of the slab's cut by the plane z."""
        key = (z, bark, step_mm)
        if key in self._sections:
            return self._sections[key]
        x = np.arange(self.x0 - 40.0, self.x1 + 40.0 + step_mm, step_mm)
        sides = []
        for side in (1, -1):
            y = self.edge_y(x, z, side, first=self._rough_edges_y(x, z, side))
            if bark:
                slope = np.gradient(y, step_mm)
                y = y + side * self.bark_mm(x, z, side) * np.sqrt(1 + np.minimum(slope**2, 1.0))
            sides.append(np.column_stack([x, y]))
        self._sections[key] = self._clip_ends(sides[0], sides[1])
        return self._sections[key]

    @cached_property
    def _sections(self) -> dict[tuple[float, bool, float], Array]:
        return {}

    def _clip_ends(self, upper: Array, lower: Array) -> Array:
        parts = []
        for line in (upper, lower):
            a = line[:, 0] - self.end_x(0, line[:, 1])
            b = line[:, 0] - self.end_x(1, line[:, 1])
            i = int(np.flatnonzero(a < 0)[-1])
            j = int(np.flatnonzero(b > 0)[0])
            first = line[i] + (line[i + 1] - line[i]) * (a[i] / (a[i] - a[i + 1]))
            last = line[j - 1] + (line[j] - line[j - 1]) * (b[j - 1] / (b[j - 1] - b[j]))
            parts.append(np.vstack([first, line[i + 1 : j], last]))
        return np.vstack([parts[0], parts[1][::-1]])

    def rail(self, z: float, side: int, *, count: int = 400, bark: bool = False) -> Array:
        """Return one live edge on the plane z from end to end, (count, 2) in log (x, y).

        Point k lies at the same share of the length on every plane.
        """
        key = (z, side, count, bark)
        if key in self._rails:
            return self._rails[key]
        share = np.linspace(0.0, 1.0, count)
        x = self.x0 + share * (self.x1 - self.x0)
        for _ in range(2):
            y = self._rough_edges_y(x, z, side)
            x = self.end_x(0, y) + share * (self.end_x(1, y) - self.end_x(0, y))
        y = self.edge_y(x, z, side, first=self._rough_edges_y(x, z, side))
        if bark:
            slope = np.clip(np.gradient(y, x), -1.0, 1.0)
            y = y + side * self.bark_mm(x, z, side) * np.sqrt(1 + slope**2)
        self._rails[key] = np.column_stack([x, y])
        return self._rails[key]

    @cached_property
    def _rails(self) -> dict[tuple[float, int, int, bool], Array]:
        return {}

    def outline(self, role: str, *, bark: bool = False) -> Any:
        """Return the shapely polygon of a face's arris in that face's (u, v), mm."""
        from shapely import Polygon

        z = self.z_a if role == "face A" else self.z_b
        points = self.section(z, bark=bark)
        frame = self.frame(role)
        return Polygon(frame.from_log(np.column_stack([points, np.full(len(points), z)])))

    def end_outline(self, role: str) -> Any:
        """Return the shapely polygon of an end in its (u, v), mm; v runs from face A to face B."""
        from shapely import Polygon

        end = 0 if role == "end A" else 1
        frame = self.frame(role)
        z = np.linspace(self.z_a, self.z_b, 61)
        sides = []
        for side in (1, -1):
            x = np.full_like(z, (self.x0, self.x1)[end])
            for _ in range(4):
                y = self.edge_y(x, z, side)
                x = self.end_x(end, y)
            sides.append(np.column_stack([x, y, z]))
        return Polygon(frame.from_log(np.vstack([sides[0], sides[1][::-1]])))

    def levels(self, count: int = 25) -> Array:
        """Return heights from face B up to face A."""
        return np.linspace(self.z_b, self.z_a, count)

    def volume_mm3(self, count: int = 13) -> float:
        """Return the volume of wood without bark, by Simpson's rule over cuts along the faces."""
        from scipy.integrate import simpson

        areas = [_area(self.section(float(z), step_mm=8.0)) for z in self.levels(count)]
        return float(simpson(areas, x=self.levels(count)))


def _area(points: Array) -> float:
    r, c = points[:, 0], points[:, 1]
    return float(abs(np.dot(r, np.roll(c, -1)) - np.dot(c, np.roll(r, -1))) / 2)


def _reach(log: Log, x: Array, side: float) -> float:
    """Return the least distance from the pith straight up (or down) to the bark, mm."""
    cy, cz = log.pith(x)
    near, far = np.zeros(len(x)), np.full(len(x), 1.7 * log.radius_mm)
    for _ in range(20):
        middle = (near + far) / 2
        out = log.age_radius(x, cy, cz + side * middle) > log.radius_mm
        near, far = np.where(out, near, middle), np.where(out, middle, far)
    return float(near.min())


def saw(
    seed: int,
    log: Log,
    *,
    cut: str | None = None,
    length_mm: float | None = None,
    thickness_mm: float | None = None,
) -> Cut:
    """Saw one slab from a log.

    Parameters
    ----------
    seed : int
        Decides whatever is not given.
    log : Log
        The solid.
    cut : str, optional
        One of :data:`CUTS`.
    length_mm, thickness_mm : float, optional
        Length 400 mm to the log's own less 200; thickness 20 to 160 mm.
    """
    rng = named_rng("scene saw", seed)
    if cut is not None and cut not in CUTS:
        raise ValueError(f"cut {cut!r} is not known; one of {', '.join(CUTS)}")
    thick = float(rng.choice([44.0, 52.0, 57.0, 64.0, 70.0, 83.0])) + float(rng.uniform(-2, 3))
    length = float(rng.uniform(1800.0, 2900.0))
    place = cut or str(rng.choice(CUTS, p=[0.5, 0.25, 0.15, 0.1]))
    share, side = rng.uniform(0, 1), float(rng.choice([-1.0, 1.0]))
    thick = thick if thickness_mm is None else float(thickness_mm)
    length = length if length_mm is None else float(length_mm)
    if not 20.0 <= thick <= 160.0:
        raise ValueError(f"thickness_mm is {thick:g}; 20 to 160 mm can be sawn")
    if not 400.0 <= length <= log.length_mm - 200.0:
        raise ValueError(f"length_mm is {length:g}; 400 to {log.length_mm - 200:g} mm can be sawn")
    x0 = float(rng.uniform(100.0, log.length_mm - length - 100.0))
    if log.fork is not None:  # the crotch is what such a slab is sawn for
        x0 = max(100.0, log.fork.x + float(rng.uniform(300.0, 700.0)) - length)
    mid = np.array([x0, x0 + length / 2, x0 + length])
    _, cz = log.pith(mid)
    radius = _reach(log, mid, side) if place != "through pith" else log.radius_mm
    bands = {"flat": (0.42, 0.62), "rift": (0.22, 0.4), "quarter": (0.06, 0.14)}
    if place == "through pith":
        middle = float(cz[1]) + (share - 0.5) * 0.5 * thick
    else:
        low, high = bands[place]
        off = (low + share * (high - low)) * radius + thick / 2
        middle = float(cz[1]) + side * off
    bark = []
    for edge in (1, -1):
        if rng.uniform() < 0.75:
            for _ in range(int(rng.integers(1, 4))):
                a = x0 + float(rng.uniform(-0.2, 0.8)) * length
                b = a + float(rng.uniform(0.15, 0.8)) * length
                bark.append((edge, a, b, float(rng.uniform(*log.look.bark_mm))))
    made = Cut(
        log=log, x0=x0, x1=x0 + length, z_a=middle + thick / 2, z_b=middle - thick / 2,
        skew=(float(rng.normal(0, 0.02)), float(rng.normal(0, 0.02))), bark=tuple(bark),
        bark_ripple=waves(rng, 14, (9.0, 9.0), (140.0, 90.0), 1.0),
    )  # fmt: skip
    stations = np.arange(made.x0, made.x1 + 20.0, 20.0)
    upper, lower = made.edge_y(stations, made.z_a, 1), made.edge_y(stations, made.z_b, -1)
    return replace(made, y_origin=(float(upper.max()), float(lower.min())))
