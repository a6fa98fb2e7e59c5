"""The worlds a face could be in: plane, hand and flatness, one of each per draw.

The polygons of a region are made once from the best values; in every draw their points are
carried to where they would lie in that world. Three causes are kept apart: the *plane* (pixel to
mm), the *boundary* (a hand's slow offset and correlated wobble at every drawn edge) and the
*flatness* (a bowed face lies nearer to the camera).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from slabvision.boundary import Hand
from slabvision.clear.region import ClearRegion
from slabvision.clear.shapes import FaceShape
from slabvision.estimate import DRAWS, Estimate, named_normals, named_rng

__all__ = ["ClearAreas", "Sized", "Worlds", "clear_areas", "source_edges"]

Floats: TypeAlias = NDArray[np.float64]
Warp: TypeAlias = Callable[[Floats], Floats]

_GRID = (13, 7)
_STAIRS_MM = 0.8
"""Painted shapes have the pixels' stairs, which make their edges a quarter longer than a hand
drew them; edges are measured without."""
_COARSE_MM = 3.0
"""How coarsely a region's edge is carried to the draws: only the draws' change of its area is
taken from it, so what is cut off counts for a percent of itself."""
_PIECE_MM = 40.0
"""How long pieces of an edge are, each of which moves as one."""
_FIT_MM = 0.05
"""The plane's draws are smooth over a face; a quartic that misses them by more is not used."""


@dataclass(frozen=True, eq=False)
class Sized:
    """A size with what each cause alone adds to it.

    Attributes
    ----------
    estimate : Estimate
        Everything together.
    parts : mapping of str to ndarray, shape (draws,)
        Deviation that ``"plane"``, ``"boundary"`` and ``"flatness"`` alone make.
    """

    estimate: Estimate
    parts: Mapping[str, Floats] = field(default_factory=dict)

    @property
    def value(self) -> float:
        """Best value."""
        return self.estimate.value

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval."""
        return self.estimate.interval

    @classmethod
    def summed(cls, value: float, unit: str, parts: Mapping[str, Floats]) -> Sized:
        """Return a value whose causes simply add."""
        draws = value + np.sum(list(parts.values()), axis=0)
        return cls(Estimate(value, draws, unit), dict(parts))


@dataclass(frozen=True, eq=False)
class Worlds:
    """How the points of one face lie in every draw.

    Attributes
    ----------
    warp : callable, optional
        Carries best-value points (N, 2), mm, to every draw: (draws, N, 2), mm. None: exact.
    hand : Hand, optional
        How well the edges were drawn. None: exactly.
    mm_per_px : float
        Scale of the photo, for the hand's share in pixels.
    key : str
        Names this photo's random draws; the same key gives the same worlds.
    bend : callable, optional
        How far bow and cup take points from where they would lie on a flat face: (N, 2), mm, to
        (draws, N, 2), mm. None: flat.
    draws : int
        Number of draws.
    """

    warp: Warp | None = None
    hand: Hand | None = None
    mm_per_px: float = 1.0
    key: str = "face"
    bend: Warp | None = None
    draws: int = DRAWS

    # The plane --------------------------------------------------------------------------------

    def moved(self, points: Floats) -> Floats:
        """Return points in every draw of the plane alone, shape (draws, N, 2), mm."""
        points = np.asarray(points, dtype=np.float64)
        if self.warp is None:
            return np.broadcast_to(points, (self.draws, *points.shape))
        moved = np.asarray(self.warp(points), dtype=np.float64)
        if moved.shape != (self.draws, *points.shape):
            raise ValueError(
                f"warp gave shape {moved.shape} for {len(points)} points; "
                f"({self.draws}, {len(points)}, 2) is needed"
            )
        return moved

    def smooth(self, bounds: tuple[float, float, float, float]) -> Warp:
        """Return a fast stand-in for :meth:`moved` inside ``bounds`` (u0, v0, u1, v1), mm."""
        if self.warp is None:
            return self.moved
        kept: dict[tuple[float, ...], Warp] = self.__dict__.setdefault("_smooth", {})
        if bounds not in kept:
            kept[bounds] = self._fitted(bounds)
        return kept[bounds]

    def _fitted(self, bounds: tuple[float, float, float, float]) -> Warp:
        u0, v0, u1, v1 = bounds
        gu, gv = np.meshgrid(np.linspace(u0, u1, _GRID[0]), np.linspace(v0, v1, _GRID[1]))
        grid = np.column_stack([gu.ravel(), gv.ravel()])
        scale = max(u1 - u0, v1 - v0, 1.0) / 2
        middle = np.array([(u0 + u1) / 2, (v0 + v1) / 2])

        def basis(points: Floats) -> Floats:
            x, y = ((points - middle) / scale).T
            return np.stack([x**i * y**j for i in range(6) for j in range(6 - i)], axis=-1)

        target = self.moved(grid) - grid
        flat = target.transpose(1, 0, 2).reshape(len(grid), -1)
        weights = np.linalg.pinv(basis(grid)) @ flat
        if np.max(np.abs(basis(grid) @ weights - flat)) > _FIT_MM:
            return self.moved

        def carried(points: Floats) -> Floats:
            points = np.asarray(points, dtype=np.float64)
            shift = (basis(points) @ weights).reshape(len(points), self.draws, 2)
            return np.asarray(points + shift.transpose(1, 0, 2))

        return carried

    def plane_area(self, shape: Any, carried: Warp | None = None) -> Floats:
        """Return the area of polygons in every draw of the plane alone, mm²."""
        if self.warp is None or shape.is_empty:
            return np.full(self.draws, float(shape.area))
        return self._carried_area(shape, carried or self.smooth(shape.bounds))

    def bent(self, points: Floats) -> Floats:
        """Return points in every draw of bow and cup alone, shape (draws, N, 2), mm."""
        points = np.asarray(points, dtype=np.float64)
        if self.bend is None:
            return np.broadcast_to(points, (self.draws, *points.shape))
        return np.asarray(points + self.bend(points))

    def bent_area(self, shape: Any) -> Floats:
        """Return the area of polygons in every draw of bow and cup alone, mm²."""
        if self.bend is None or shape.is_empty:
            return np.full(self.draws, float(shape.area))
        return self._carried_area(shape, self.bent)

    def _carried_area(self, shape: Any, carried: Warp) -> Floats:
        value = float(shape.area)
        total = np.zeros(self.draws)
        nominal = 0.0
        for polygon in shapely.get_parts(shapely.simplify(shape, _COARSE_MM)):
            for ring, sign in [(polygon.exterior, 1.0)] + [(h, -1.0) for h in polygon.interiors]:
                points = shapely.get_coordinates(ring)
                for start in range(0, len(points) - 1, 400):
                    piece = points[start : start + 401]
                    way = sign * (1.0 if shapely.is_ccw(ring) else -1.0)
                    total += way * _edge_sum(carried(piece))
                    nominal += way * float(_edge_sum(piece[None])[0])
        return np.asarray(value + (total - nominal) / 2)

    # The hand ---------------------------------------------------------------------------------

    def area_change(self, source: str, edge_mm: float) -> Floats:
        """Return what the hand adds to an area along ``edge_mm`` of one drawn edge, mm².

        Negative ``edge_mm``: the edge of something taken away.
        """
        if self.hand is None or edge_mm == 0:
            return np.zeros(self.draws)
        change = self.hand.area_draws(
            f"{self.key}:{source}", abs(edge_mm), self.mm_per_px, self.draws
        )
        return np.asarray(np.sign(edge_mm) * change)

    def offset(self, source: str) -> Floats:
        """Return the slow offset of one drawn edge in every draw, mm, outwards positive."""
        if self.hand is None:
            return np.zeros(self.draws)
        return self.hand.offset_draws(f"{self.key}:{source}", self.mm_per_px, self.draws)

    def diameter_wobble(self, source: str) -> Floats:
        """Return what the wobble adds to half the mean diameter of a drawn shape, mm."""
        if self.hand is None:
            return np.zeros(self.draws)
        size = self.hand.wobble(self.mm_per_px) / 2
        return np.asarray(size * named_normals(f"diameter:{self.key}:{source}", self.draws))

    def wobble(self, source: str, ring_mm: float) -> tuple[Floats, float]:
        """Return the wobble along one closed drawn edge in every draw.

        Returns
        -------
        ndarray, shape (draws, nodes)
            Outward displacement at evenly spaced nodes along the ring, mm.
        float
            Spacing of the nodes, mm.
        """
        if self.hand is None:
            return np.zeros((self.draws, 8)), ring_mm / 8
        length = self.hand.correlation_mm
        nodes = int(np.clip(np.ceil(3 * ring_mm / length), 8, 4096))
        spectrum = wobble_spectrum(ring_mm, nodes, length)
        rng = named_rng(f"wobble-field:{self.key}:{source}")
        white = np.fft.rfft(rng.standard_normal((self.draws, nodes)), axis=1)
        field_ = np.fft.irfft(white * np.sqrt(spectrum), n=nodes, axis=1)
        return self.hand.wobble(self.mm_per_px) * field_, ring_mm / nodes


def wobble_spectrum(ring_mm: float, nodes: int, correlation_mm: float) -> Floats:
    """Power at each frequency of ``rfft`` for a squared-exponential wobble of unit variance."""
    step = ring_mm / nodes
    lag = np.minimum(np.arange(nodes), nodes - np.arange(nodes)) * step
    covariance = np.exp(-0.5 * (lag / correlation_mm) ** 2)
    return np.maximum(np.fft.rfft(covariance).real, 0.0)


def _edge_sum(points: Floats) -> Floats:
    u, v = points[..., 0], points[..., 1]
    return np.asarray(np.sum(u[:, :-1] * v[:, 1:] - v[:, :-1] * u[:, 1:], axis=1))


# Areas ---------------------------------------------------------------------------------------


def sources_of(region: ClearRegion, *, as_seen: bool = False) -> list[tuple[str, Any]]:
    """Return the drawn edges that can bound a region: source and boundary line, mm."""
    found = [("arris", region.face.outline.boundary)]
    for removal in region.removals:
        shape = removal.as_seen if as_seen else removal.shape
        if not shape.is_empty:
            found.append((removal.source, shape.boundary))
    return found


def nearest_source(found: list[tuple[str, Any]], points: Floats) -> NDArray[np.intp]:
    """Return for each point the index of the drawn edge it lies on, shape (N,)."""
    pieces, owner = [], []
    for index, (_, line) in enumerate(found):
        for part in shapely.get_parts(line):
            ends = shapely.get_coordinates(part)
            pieces.append(np.stack([ends[:-1], ends[1:]], axis=1))
            owner.append(np.full(len(ends) - 1, index))
    lines: Any = shapely.linestrings(np.concatenate(pieces))
    tree = shapely.STRtree(lines)
    _, nearest = tree.query_nearest(shapely.points(points), all_matches=False)
    return np.asarray(np.concatenate(owner)[nearest])


def _bounding_pieces(region: ClearRegion, shape: Any, as_seen: bool) -> tuple[list[str], Floats]:
    """Return the straight pieces of a shape's edge, (N, 2) mm, and whose drawn edge each is."""
    found = [(source, shapely.simplify(line, _STAIRS_MM)) for source, line in
             sources_of(region, as_seen=as_seen)]  # fmt: skip
    shape = shapely.simplify(shape, _STAIRS_MM)
    lines = [shapely.get_coordinates(line) for line in shapely.get_parts(shape.boundary)]
    a = np.vstack([line[:-1] for line in lines])
    b = np.vstack([line[1:] for line in lines])
    return [found[int(index)][0] for index in nearest_source(found, (a + b) / 2)], b - a


def drawn_places(region: ClearRegion, points: Floats) -> Floats:
    """Return the places of drawn edges that points of a region's edge keep away from, (N, 2) mm.

    A trim of 4 in stays 4 in whatever the scale of the photo is: an edge that it makes moves with
    the drawn edge. What goes by a knot's own size is scaled with it and moves where it is.
    """
    out = np.array(points, dtype=np.float64)
    found = sources_of(region)
    nearest = nearest_source(found, out)
    drawn = {r.source: r.as_seen for r in region.removals} | {"arris": region.face.outline}
    for index in np.unique(nearest):
        source = found[int(index)][0]
        shape = drawn[source]
        if shape.is_empty or any(region.swell.get(source, ())):
            continue
        here = np.flatnonzero(nearest == index)
        lines = shapely.shortest_line(np.asarray(shapely.points(out[here])), shape.boundary)
        out[here] = shapely.get_coordinates(lines).reshape(-1, 2, 2)[:, 1]
    return out


def _kept_apart(region: ClearRegion, shape: Any, carried: Warp, draws: int) -> Floats:
    """Return what an area gains in every draw because trims and keep-outs are not stretched."""
    shape = shapely.orient_polygons(shapely.simplify(shape, _COARSE_MM))
    rings = shapely.get_rings(shapely.get_parts(shape))
    lines = [shapely.get_coordinates(shapely.segmentize(ring, _PIECE_MM)) for ring in rings]
    if not lines:
        return np.zeros(draws)
    middle = np.vstack([(line[:-1] + line[1:]) / 2 for line in lines])
    run = np.vstack([np.diff(line, axis=0) for line in lines])
    drawn = drawn_places(region, middle)
    far = np.linalg.norm(drawn - middle, axis=1) > 1.0
    middle, drawn, run = middle[far], drawn[far], run[far]
    outward = np.column_stack([run[:, 1], -run[:, 0]])  # times the piece's length
    slip = (carried(drawn) - drawn) - (carried(middle) - middle)
    return np.asarray(np.einsum("kni,ni->k", slip, outward))


def source_edges(region: ClearRegion, shape: Any, *, as_seen: bool = False) -> dict[str, float]:
    """Return how much of a shape's edge each drawn edge made, mm; taken things are negative."""
    if shape.is_empty:
        return {}
    edges: dict[str, float] = {}
    sources, pieces = _bounding_pieces(region, shape, as_seen)
    for source, piece in zip(sources, np.hypot(*pieces.T), strict=True):
        sign = 1.0 if source == "arris" else -1.0
        edges[source] = edges.get(source, 0.0) + sign * float(piece)
    return edges


def _swollen(region: ClearRegion, shape: Any, worlds: Worlds) -> Floats:
    """Return what the hand adds to an area because keep-outs go by what was drawn, mm².

    A knot drawn larger moves its own edge and asks for more all round: that comes on top.
    """
    change = np.zeros(worlds.draws)
    if not region.swell or shape.is_empty:
        return change
    weights: dict[str, float] = {}
    sources, pieces = _bounding_pieces(region, shape, False)
    for source, (du, dv) in zip(sources, pieces, strict=True):
        along, across = region.swell.get(source, (0.0, 0.0))
        # the normal of a piece is (dv, -du) over its length
        weight = (dv * dv * along + du * du * across) / max(float(np.hypot(du, dv)), 1e-9)
        weights[source] = weights.get(source, 0.0) + float(weight)
    for source, weight in weights.items():
        if weight:
            change -= weight * (worlds.offset(source) + worlds.diameter_wobble(source))
    return change


@dataclass(frozen=True, eq=False)
class ClearAreas:
    """Clear areas of a region, mm², each with its causes.

    Attributes
    ----------
    gross, as_seen, with_keep_outs, if_unseen_clear : Sized
        As in :class:`~slabvision.clear.region.ClearRegion`.
    """

    gross: Sized
    as_seen: Sized
    with_keep_outs: Sized
    as_seen_if_unseen_clear: Sized
    if_unseen_clear: Sized


def area_of(region: ClearRegion, shape: Any, worlds: Worlds, *, as_seen: bool = False) -> Sized:
    """Return the area of a shape bounded by a region's drawn edges, mm²."""
    value = float(shape.area)
    boundary = np.zeros(worlds.draws)
    for source, edge_mm in source_edges(region, shape, as_seen=as_seen).items():
        boundary = boundary + worlds.area_change(source, edge_mm)
    if not as_seen:
        boundary = boundary + _swollen(region, shape, worlds)
    carried = worlds.smooth(region.face.outline.bounds)
    plane, flat = worlds.plane_area(shape, carried), worlds.bent_area(shape)
    if not as_seen and worlds.warp is not None:
        plane = plane + _kept_apart(region, shape, carried, worlds.draws)
    parts = {"plane": plane - value, "boundary": boundary, "flatness": flat - value}
    whole = Sized.summed(value, "mm2", parts)
    # no possible world has less than nothing
    return Sized(Estimate(value, np.maximum(whole.estimate.draws, 0.0), "mm2"), parts)


def clear_areas(region: ClearRegion, worlds: Worlds) -> ClearAreas:
    """Return gross and clear areas of a face, mm², with intervals."""
    face: FaceShape = region.face
    return ClearAreas(
        gross=area_of(region, face.outline, worlds),
        as_seen=area_of(region, region.as_seen, worlds, as_seen=True),
        with_keep_outs=area_of(region, region.with_keep_outs, worlds),
        as_seen_if_unseen_clear=area_of(
            region, region.as_seen_if_unseen_clear, worlds, as_seen=True
        ),
        if_unseen_clear=area_of(region, region.if_unseen_clear, worlds),
    )
