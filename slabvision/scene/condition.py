"""What became of a sawn slab: cracks, rot, bark and holes, and their exact regions on a plane."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeAlias

import numpy as np

from slabvision.estimate import named_rng
from slabvision.scene.faults import Blob, Crack, CrotchBark, KnotBody, PithBody, Trace
from slabvision.scene.fill import Array
from slabvision.scene.sawing import Cut, Frame
from slabvision.scene.warp import Warp

__all__ = ["SEEN_MM", "Lift", "Region", "Slab", "contoured", "crack_polygon"]

Lift: TypeAlias = Callable[[Array, Array], Array]

SEEN_MM = 0.3
"""A check thinner than this is not seen in a photo of a rough face (about half a pixel)."""

_LARGE_MM2 = 1e7
"""No face is larger: a blob's box that is (a worm hole almost along the face runs on for metres)
is looked at only where the face is."""
_ORDER = (
    "hole", "grub_holes", "worm_holes", "through_check", "end_check", "surface_check", "shake",
    "pith", "loose_knot", "sound_knot", "bark_inclusion", "metal", "rot",
)  # fmt: skip


@dataclass(frozen=True)
class Region:
    """One defect as it shows on one plane.

    Attributes
    ----------
    number : int
        Defect number, the same in every picture of the slab.
    kind : str
        A key of :data:`slabvision.defects.KINDS`.
    polygon : shapely geometry
        Its exact region in the plane's (u, v) mm, inside the arris, what lies on top taken out.
    area_mm2 : float
        Area of ``polygon``.
    length_mm : float
        Of a crack: the true length along its line, the part too thin to see included.
        Of anything else: the long side of the smallest enclosing rectangle.
    seen_length_mm : float
        Of a crack: the length where it is at least :data:`SEEN_MM` wide, first to last.
    line, widths : ndarray
        Of a crack: centre line (N, 2) in (u, v) and opening in mm along it.
    """

    number: int
    kind: str
    polygon: Any
    area_mm2: float
    length_mm: float
    seen_length_mm: float
    line: Array
    widths: Array

    @property
    def tips(self) -> Array:
        """The two ends of the centre line, (2, 2); empty where there is no line."""
        return self.line[[0, -1]] if len(self.line) else np.empty((0, 2))

    @property
    def seen_line(self) -> Array:
        """The part of the centre line between the first and last place wide enough to see."""
        wide = np.flatnonzero(self.widths >= SEEN_MM)
        return self.line[wide[0] : wide[-1] + 1] if wide.size else np.empty((0, 2))


def path_length(line: Array) -> float:
    """Return the length of a polyline."""
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum()) if len(line) > 1 else 0.0


def crack_polygon(line: Array, widths: Array) -> Any:
    """Return the polygon of a crack from its centre line and its opening along it."""
    from shapely import Polygon, make_valid

    step = np.gradient(line, axis=0)
    normal = np.column_stack([-step[:, 1], step[:, 0]])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    left, right = line + normal * widths[:, None] / 2, line - normal * widths[:, None] / 2
    shape = Polygon(np.vstack([left, right[::-1]]))
    return shape if shape.is_valid else _polygons(make_valid(shape))


def _polygons(shape: Any) -> Any:
    """Keep the areal parts of a geometry."""
    from shapely import MultiPolygon, Polygon

    parts = list(getattr(shape, "geoms", [shape]))
    flat: list[Any] = []
    for part in parts:
        flat.extend(part.geoms if part.geom_type == "MultiPolygon" else [part])
    kept = [p for p in flat if p.geom_type == "Polygon" and p.area > 1e-6]
    if not kept:
        return Polygon()
    return kept[0] if len(kept) == 1 else MultiPolygon(kept)


def blob_polygon(blob: Blob, frame: Frame, bounds: tuple[float, float, float, float]) -> Any:
    """Return the region where a plane cuts a blob, contoured on a fine grid, in (u, v) mm.

    Parameters
    ----------
    blob : Blob
    frame : Frame
        Of the plane.
    bounds : (float, float, float, float)
        u and v from, u and v to: a blob that reaches many metres beyond (a slanting worm
        hole) is not looked at there.
    """
    from shapely import Polygon

    x0, x1, y0, y1, z0, z1 = blob.box
    corners = np.array([[x, y, z] for x in (x0, x1) for y in (y0, y1) for z in (z0, z1)])
    depth = (corners - np.asarray(frame.origin)) @ frame.normal()
    if depth.min() > 0 or depth.max() < 0:
        return Polygon()
    low, high = frame.from_log(corners).min(axis=0), frame.from_log(corners).max(axis=0)
    if np.prod(high - low) > _LARGE_MM2:
        low, high = np.maximum(low, bounds[:2]), np.minimum(high, bounds[2:])
        if (low >= high).any():
            return Polygon()
    step = float(np.clip(np.sqrt(np.prod(high - low)) / 260.0, 0.2, 1.0))
    u = np.arange(low[0] - 2 * step, high[0] + 3 * step, step)
    v = np.arange(low[1] - 2 * step, high[1] + 3 * step, step)
    uu, vv = np.meshgrid(u, v)
    outside = blob.field(*frame.to_log(uu, vv))
    return contoured(outside, float(u[0]), float(v[0]), step)


def contoured(outside: Array, u0: float, v0: float, step: float) -> Any:
    """Return the region where a field on a grid is negative, contoured at zero, in (u, v) mm."""
    from shapely import Polygon
    from skimage import measure

    outside = np.array(outside, np.float64)
    outside[[0, -1], :] = np.maximum(outside[[0, -1], :], 1e-3)
    outside[:, [0, -1]] = np.maximum(outside[:, [0, -1]], 1e-3)
    shape: Any = Polygon()
    rings: list[Array] = measure.find_contours(outside, 0.0)  # type: ignore[no-untyped-call]
    for ring in rings:
        if len(ring) < 5:
            continue
        part = Polygon(np.column_stack([u0 + ring[:, 1] * step, v0 + ring[:, 0] * step]))
        shape = shape.symmetric_difference(part if part.is_valid else part.buffer(0))
    return _polygons(shape)


@dataclass(frozen=True, eq=False)
class Slab:
    """A sawn and dried slab: the cut and everything that is wrong with it.

    Attributes
    ----------
    cut : Cut
    cracks : tuple of Crack
    blobs : tuple of Blob
    warp : Warp
        Bow, cup and twist; seen on photos of faces, not on those of ends and edges.
    """

    seed: int
    cut: Cut
    cracks: tuple[Crack, ...]
    blobs: tuple[Blob, ...]
    warp: Warp

    def lift(self, role: str) -> Lift | None:
        """Return how deep a face's points lie below its mean plane, a function of (u, v)."""
        if self.warp.flat or not role.startswith("face"):
            return None
        x0, y0, _ = self.cut.frame(role).origin
        down = -1.0 if role == "face A" else 1.0  # face B is looked at from below
        return lambda u, v: down * self.warp.rise(u + x0, y0 + down * v)

    def outline(self, role: str) -> Any:
        """Return the polygon of a sawn plane in its (u, v) mm: arris, or end outline."""
        if role not in self._outlines:
            self._outlines[role] = (
                self.cut.outline(role) if role.startswith("face") else self.cut.end_outline(role)
            )
        return self._outlines[role]

    @cached_property
    def _outlines(self) -> dict[str, Any]:
        return {}

    @cached_property
    def _regions(self) -> dict[str, tuple[Region, ...]]:
        return {}

    @cached_property
    def _face_traces(self) -> dict[str, list[tuple[Crack, list[Trace]]]]:
        cut = self.cut
        y = np.array([-3000.0, 3000.0])
        ends = [(y, cut.end_x(k, y)) for k in (0, 1)]
        found: dict[str, list[tuple[Crack, list[Trace]]]] = {}
        for role, z in (("face A", cut.z_a), ("face B", cut.z_b)):
            found[role] = []
            for crack in self.cracks:
                traces = crack.on_plane(cut.log, z, np.array(ends[0]), np.array(ends[1]))
                found[role].append((crack, self._in_wood(role, traces)))
        return found

    def _in_wood(self, role: str, traces: list[Trace]) -> list[Trace]:
        """Cut traces off where they leave the wood through a live edge."""
        from shapely import contains_xy

        frame, wood, kept = self.cut.frame(role), self.outline(role).buffer(0.5), []
        for trace in traces:
            uv = frame.from_log(trace.points)
            inside = np.flatnonzero(contains_xy(wood, uv[:, 0], uv[:, 1]))
            if inside.size >= 4:
                run = slice(int(inside[0]), int(inside[-1]) + 1)
                kept.append(Trace(trace.points[run], trace.width[run]))
        return kept

    @cached_property
    def _through(self) -> frozenset[int]:
        both = [{c.number for c, traces in self._face_traces[r] if traces}
                for r in ("face A", "face B")]  # fmt: skip
        return frozenset(both[0] & both[1])

    def crack_kind(self, crack: Crack) -> str:
        """Return the kind of a crack from how it opens and whether both faces show it."""
        if crack.form in ("shake", "surface"):
            return {"shake": "shake", "surface": "surface_check"}[crack.form]
        if crack.form == "heart":
            return "pith"
        return "through_check" if crack.number in self._through else "end_check"

    def traces(self, role: str) -> list[tuple[Crack, list[Trace]]]:
        """Return every crack with its traces on a sawn plane."""
        if role.startswith("face"):
            return self._face_traces[role]
        end = 0 if role == "end A" else 1
        x_end = (self.cut.x0, self.cut.x1)[end]
        found = []
        for crack in self.cracks:
            trace = crack.on_end(self.cut.log, lambda y: self.cut.end_x(end, y), x_end)
            found.append((crack, [trace] if trace is not None else []))
        return found

    def regions(self, role: str) -> tuple[Region, ...]:
        """Return every defect's exact region on a sawn plane, none overlapping another."""
        if role not in self._regions:
            self._regions[role] = self._find_regions(role)
        return self._regions[role]

    def _find_regions(self, role: str) -> tuple[Region, ...]:
        from shapely import prepare

        frame, outline = self.cut.frame(role), self.outline(role)
        prepare(outline)
        raw: list[tuple[int, str, Any, Array, Array]] = []
        for crack, traces in self.traces(role):
            kind = self.crack_kind(crack)
            shapes, lines, widths = [], [], []
            for trace in traces:
                line = frame.from_log(trace.points)
                shapes.append(crack_polygon(line, trace.width))
                lines.append(line)
                widths.append(trace.width)
            if shapes:
                longest = int(np.argmax([path_length(line) for line in lines]))
                line, width = _within(lines[longest], widths[longest], outline)
                raw.append((crack.number, kind, _union(shapes), line, width))
        for blob in self.blobs:
            shape = blob_polygon(blob, frame, outline.bounds)
            if not shape.is_empty:
                kind = self._blob_kind(blob, shape, frame)
                raw.append((blob.number, kind, shape, np.empty((0, 2)), np.empty(0)))
        raw.sort(key=lambda item: (_ORDER.index(item[1]), item[0]))
        taken: Any = None
        found: list[Region] = []
        for number, kind, shape, line, width in raw:
            kept = _polygons(shape.intersection(outline))
            if kept.is_empty:
                continue
            if taken is not None and kept.intersects(taken):
                kept = _polygons(kept.difference(taken))
            if kept.area < 0.05:
                continue
            taken = kept if taken is None else taken.union(kept)
            found.append(_region(number, kind, kept, line, width))
        return tuple(sorted(found, key=lambda region: region.number))

    def _blob_kind(self, blob: Blob, shape: Any, frame: Frame) -> str:
        if not isinstance(blob.field, KnotBody):
            return blob.kind
        centre = np.array(shape.representative_point().coords[0])
        x, y, z = frame.to_log(centre[:1], centre[1:])
        t, _, _ = self.cut.log.along_branch(blob.field.branch, x, y, z)
        return "sound_knot" if float(t[0]) < blob.field.branch.dead_mm else "loose_knot"


def _union(shapes: list[Any]) -> Any:
    from shapely import union_all

    return shapes[0] if len(shapes) == 1 else union_all(shapes)


def _within(line: Array, width: Array, outline: Any) -> tuple[Array, Array]:
    """Cut a centre line off where it leaves the outline (a tip just beyond the sawn end)."""
    from shapely import contains_xy

    keep = contains_xy(outline, line[:, 0], line[:, 1])
    if keep.all() or not keep.any():
        return line, width
    first, last = int(np.argmax(keep)), len(keep) - int(np.argmax(keep[::-1]))
    return line[first:last], width[first:last]


def _region(number: int, kind: str, shape: Any, line: Array, width: Array) -> Region:
    if len(line):
        wide = np.flatnonzero(width >= SEEN_MM)
        seen = path_length(line[wide[0] : wide[-1] + 1]) if wide.size else 0.0
        length = path_length(line)
    else:
        box = np.asarray(shape.minimum_rotated_rectangle.exterior.coords)
        length = seen = float(np.linalg.norm(np.diff(box, axis=0), axis=1).max())
    return Region(number, kind, shape, float(shape.area), length, seen, line, width)


def knots(cut: Cut, first: int) -> list[Blob]:
    """Return the bodies of the branches that meet the slab."""
    found: list[Blob] = []
    log = cut.log
    for branch in log.branches:
        reach = float(branch.radius(np.array(branch.dead_mm))) + branch.bark_mm + 4.0
        cy, cz = branch.root
        dx, dy, dz = branch.direction
        span = [0.0, 3 * log.radius_mm]
        if abs(dz) > 1e-6:
            span = sorted(((cut.z_a + reach - cz) / dz, (cut.z_b - reach - cz) / dz))
        t0 = max(span[0] - 3 * reach, -2 * branch.base_mm)
        t1 = min(span[1] + 3 * reach, branch.end_mm + 2.0, 2.2 * log.radius_mm)
        if t1 <= t0:
            continue
        ends = np.array([[branch.x + t * dx, cy + t * dy, cz + t * dz] for t in (t0, t1)])
        low, high = ends.min(axis=0) - reach, ends.max(axis=0) + reach
        if high[0] < cut.x0 - 5 or low[0] > cut.x1 + 5:
            continue
        box = (low[0], high[0], low[1], high[1], low[2], high[2])
        found.append(Blob(first + len(found), "sound_knot", KnotBody(log, branch), box))
    return found


def crotch(cut: Cut, number: int) -> list[Blob]:
    """Return the bark between two stems where it meets the slab."""
    if cut.log.fork is None:
        return []
    body = CrotchBark(cut.log)
    x = np.arange(cut.log.fork.x, cut.x1 + 40.0, 10.0)
    cy, _ = cut.log.pith(cut.x1)
    y = float(cy) + np.arange(-1.2, 1.2, 0.02) * cut.log.radius_mm
    z = np.linspace(cut.z_b, cut.z_a, 5)
    near = np.argwhere(body(*np.meshgrid(x, y, z, indexing="ij")) < 8.0)
    if len(near) == 0:
        return []
    low, high = near.min(axis=0), near.max(axis=0)
    box = (float(x[low[0]]) - 15, float(x[high[0]]) + 15, float(y[low[1]]) - 15,
           float(y[high[1]]) + 15, cut.z_b - 2, cut.z_a + 2)  # fmt: skip
    return [Blob(number, "bark_inclusion", body, box)]


def pith_blob(cut: Cut, number: int, seed: int) -> Blob | None:
    """Return the pith where it lies within the slab."""
    rng = named_rng("scene pith", seed)
    x = np.linspace(cut.x0, cut.x1, 80)
    _, cz = cut.log.pith(x)
    radius = float(rng.uniform(1.8, 4.0))
    if not np.any((cz < cut.z_a + radius) & (cz > cut.z_b - radius)):
        return None
    cy, _ = cut.log.pith(x)
    box = (cut.x0 - 5, cut.x1 + 5, float(cy.min()) - 8, float(cy.max()) + 8,
           float(cz.min()) - 8, float(cz.max()) + 8)  # fmt: skip
    return Blob(number, "pith", PithBody(cut.log, radius), box)
