"""Which pieces fit together on one slab: candidate placements, conflicts, and a MILP over them.

Candidates stand on a grid over the clear region, pushed against its edges, and laid against one
another; each has the room all round that its fit needs to be sure. Two candidates conflict when
less than a saw's kerf lies between them. All candidates over one point exclude one another at
once (a clique), which keeps the relaxation tight; pairs no point shows are added one by one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from slabvision.clear.parts import LiveEdgePart
from slabvision.desk.pieces import Piece, rough, template

if TYPE_CHECKING:
    from slabvision.desk.offers import Offer

__all__ = ["Candidate", "SlabPacking"]

Floats = NDArray[np.float64]

_EVEN: Mapping[int, float] = MappingProxyType({})
CANDIDATES = 90
"""Placements kept for each kind of piece on a slab."""
_GRID = 1200


@dataclass(frozen=True, eq=False)
class Candidate:
    """One place for one piece."""

    piece: int
    polygon: Any
    angle_deg: float


def _moved(shape: Any, places: Floats) -> Any:
    """Return a polygon at every place, shape (N, 2) mm."""
    ring = shapely.get_coordinates(shape.exterior)
    return shapely.polygons(ring[None] + places[:, None, :])


def _covered(region: Any, shape: Any, places: Floats) -> NDArray[np.bool_]:
    if len(places) == 0:
        return np.zeros(0, dtype=np.bool_)
    return np.asarray(shapely.covers(region, _moved(shape, places)))


def _pushed(region: Any, shape: Any, places: Floats, way: Floats, reach: float) -> Floats:
    """Push places along a direction until the next step would leave the clear wood."""
    low, high = np.zeros(len(places)), np.full(len(places), reach)
    for _ in range(7):
        middle = (low + high) / 2
        fine = _covered(region, shape, places + middle[:, None] * way)
        low, high = np.where(fine, middle, low), np.where(fine, high, middle)
    return np.asarray(places + np.asarray(low)[:, None] * way)


def _places(region: Any, shape: Any, along: Floats, keep: int) -> Floats:
    """Return where a shape lies on clear wood: on a grid, and pushed into the corners."""
    u0, v0, u1, v1 = region.bounds
    a0, b0, a1, b1 = shape.bounds
    wide, high = (u1 - u0) - (a1 - a0), (v1 - v0) - (b1 - b0)
    if wide < -1e-6 or high < -1e-6:
        return np.zeros((0, 2))
    wide, high = max(wide, 0.0), max(high, 0.0)
    step = max(min(a1 - a0, b1 - b0) / 5, 8.0, np.sqrt((wide + 1) * (high + 1) / _GRID))
    us = u0 - a0 + np.linspace(0, wide, max(int(wide / step) + 1, 1 if wide == 0 else 2))
    vs = v0 - b0 + np.linspace(0, high, max(int(high / step) + 1, 1 if high == 0 else 2))
    grid = np.stack(np.meshgrid(us, vs, indexing="ij"), axis=-1).reshape(-1, 2)
    grid = grid[_covered(region, shape, grid)]
    if len(grid) == 0:
        return grid
    across = np.array([-along[1], along[0]])
    some = grid[np.linspace(0, len(grid) - 1, min(len(grid), keep)).astype(int)]
    corners = []
    for first, second in ((-along, -across), (-along, across), (along, -across), (along, across)):
        pushed = _pushed(region, shape, some, second, step)
        corners.append(_pushed(region, shape, pushed, first, step))
    return np.concatenate([*corners, grid])


def _tight(clear: Any, shape: str, outline: Any, margin: float, angle: float) -> Floats:
    """Return places for a round or rectangle that a search on a grid missed, (N, 2) mm.

    Its middle may lie wherever clear wood shrunk by half the part, and the margin, still is.
    """
    from slabvision.clear.keepouts import sum_with_box

    u0, v0, u1, v1 = outline.bounds
    if shape == "round":
        room = shapely.buffer(clear, -((u1 - u0) / 2 + margin))
    elif shape == "rectangle":
        level = affinity.rotate(clear, -angle, origin=(0, 0))
        frame = shapely.box(*level.bounds)
        around = frame.buffer(u1 - u0 + 2 * margin, join_style="mitre").difference(level)
        blocked = sum_with_box(around, (u1 - u0) / 2 + margin, (v1 - v0) / 2 + margin)
        room = affinity.rotate(frame.difference(blocked), angle, origin=(0, 0))
    else:
        return np.zeros((0, 2))
    parts = [part for part in shapely.get_parts(room) if part.area > 0]
    middles = [part.representative_point().coords[0] for part in parts]
    return np.array(middles, dtype=np.float64).reshape(-1, 2)


def _thinned(places: Floats, keep: int) -> Floats:
    """Keep the places that lie furthest from one another, the first ones first."""
    rounded = np.round(places / 2.0).astype(int)
    _, first = np.unique(rounded, axis=0, return_index=True)
    places = places[np.sort(first)]
    if len(places) <= keep:
        return places
    chosen = [int(np.argmin(places.sum(axis=1))), int(np.argmax(places.sum(axis=1)))]
    away = np.min([np.linalg.norm(places - places[c], axis=1) for c in chosen], axis=0)
    while len(chosen) < keep:
        nxt = int(np.argmax(away))
        chosen.append(nxt)
        away = np.minimum(away, np.linalg.norm(places - places[nxt], axis=1))
    return places[chosen]


@dataclass(eq=False)
class SlabPacking:
    """The candidates of one slab and what fits of them together; made as it is asked for.

    Attributes
    ----------
    offer : Offer
    pieces : sequence of Piece
    kerf_mm : float
    """

    offer: Offer
    pieces: Sequence[Piece]
    kerf_mm: float
    keep: int = CANDIDATES
    _found: dict[int, list[Candidate]] = field(default_factory=dict)
    _models: dict[tuple[int, ...], tuple[list[Candidate], Any]] = field(default_factory=dict)
    _answers: dict[tuple[tuple[int, int], ...], list[Candidate] | None] = field(
        default_factory=dict
    )

    def candidates(self, index: int) -> list[Candidate]:
        """Return the placements of one kind of piece."""
        if index not in self._found:
            self._found[index] = self._make(index)
        return self._found[index]

    def _make(self, index: int) -> list[Candidate]:
        piece, offer = self.pieces[index], self.offer
        region = offer.region(piece.part.treatments)
        clear = region.with_keep_outs
        if clear.is_empty or clear.area < piece.area_mm2:
            return []
        part = rough(piece, offer)
        if isinstance(part, LiveEdgePart):
            return self._live(index, part)
        outline = template(part)
        size = max(outline.bounds[2] - outline.bounds[0], outline.bounds[3] - outline.bounds[1])
        margin = offer.margin_mm(size)
        axis = region.grain.direction_deg(0.0, region.grain.length_mm)
        turns = [0.0]
        if piece.part.shape != "round":
            if piece.part.off_grain_deg >= 90:
                turns.append(90.0)
            if piece.part.shape == "outline":
                turns.append(180.0)
        shapely.prepare(clear)
        found = self._turned(index, piece, outline, margin, axis, turns)
        if not found and piece.part.shape != "round":
            # A tight part often goes in a little askew, as far as its grain allows.
            allowed = min(piece.part.off_grain_deg, 10.0)
            askew = [way * step for step in (2.0, 4.0, 6.0, 8.0, 10.0) for way in (1, -1)]
            turns = [turn for turn in askew if abs(turn) <= allowed]
            found = self._turned(index, piece, outline, margin, axis, turns)
        return found

    def _turned(
        self,
        index: int,
        piece: Piece,
        outline: Any,
        margin: float,
        axis: float,
        turns: Sequence[float],
    ) -> list[Candidate]:
        """Return placements at some turns from the slab's axis, degrees."""
        region = self.offer.region(piece.part.treatments)
        clear = region.with_keep_outs
        out: list[Candidate] = []
        for turn in turns:
            angle = axis + turn
            shape = affinity.rotate(outline, angle, origin=(0, 0))
            room = shape.buffer(margin, join_style="mitre") if margin > 0 else shape
            along = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
            places = _places(clear, room, along, self.keep // 4)
            if len(places) == 0:
                places = _tight(clear, piece.part.shape, outline, margin, angle)
            places = self._beside(clear, room, places, along, outline)
            places = _thinned(places, max(self.keep // len(turns), 1))
            if piece.part.shape != "round" and piece.part.off_grain_deg < 90 and len(places):
                half = (outline.bounds[2] - outline.bounds[0]) / 2
                s = region.grain.to_st(places)[:, 0]
                local = np.array([region.grain.direction_deg(x - half, x + half) for x in s])
                places = places[np.abs(local - angle) <= piece.part.off_grain_deg]
            if len(places):
                out += [Candidate(index, p, angle) for p in _moved(shape, places)]
        return out

    def _beside(self, clear: Any, room: Any, places: Floats, along: Floats, outline: Any) -> Floats:
        """Add places where a piece lies against another of the same kind, a kerf apart."""
        if len(places) == 0:
            return places
        across = np.array([-along[1], along[0]])
        a0, b0, a1, b1 = outline.bounds
        first = places[: self.keep]
        ways = (along * (a1 - a0 + self.kerf_mm), across * (b1 - b0 + self.kerf_mm))
        more = [first + sign * n * way for way in ways for sign in (1, -1) for n in (1, 2)]
        beside = np.concatenate(more)
        return np.concatenate([places, beside[_covered(clear, room, beside)]])

    def _live(self, index: int, part: LiveEdgePart) -> list[Candidate]:
        """Return stretches of the slab with both edges; with one edge kept, the best cut."""
        from slabvision.clear.parts import best_placement

        piece, offer = self.pieces[index], self.offer
        region = offer.region(piece.part.treatments)
        if part.keep == "one":
            found = best_placement(region, part, offer.worlds)
            fits = found is not None and found.verdict == "fits"
            return [Candidate(index, found.polygon, found.angle_deg)] if fits and found else []
        margin = offer.margin_mm(part.length_mm)
        outline, trims = offer.face.outline, region.trims
        avoid = region.defect_keep_outs
        u0, v0, u1, v1 = outline.bounds
        start = u0 + (0 if "left" in offer.face.open_ends else trims.left) + margin
        stop = u1 - (0 if "right" in offer.face.open_ends else trims.right) - margin
        out: list[Candidate] = []
        for u in np.arange(start, stop - part.length_mm + 1e-6, 25.0):
            box = shapely.box(u, v0 - 1, u + part.length_mm, v1 + 1)
            body = shapely.intersection(outline, box)
            stations = np.linspace(u, u + part.length_mm, max(int(part.length_mm / 25), 2))
            low, high = np.full(len(stations), v0 - 1), np.full(len(stations), v1 + 1)
            ends = np.stack(
                [np.column_stack([stations, low]), np.column_stack([stations, high])], axis=1
            )
            widths = np.asarray(
                shapely.length(shapely.intersection(body, shapely.linestrings(ends)))
            )
            if widths[1:-1].size and (
                widths[1:-1].min() < part.least_width_mm + 2 * margin
                or widths[1:-1].max() > part.most_width_mm - 2 * margin
            ):
                continue
            if body.geom_type == "Polygon" and not avoid.intersects(body):
                out.append(Candidate(index, body, 0.0))
        return out[:: max(len(out) // self.keep, 1)][: self.keep]

    # What fits together ----------------------------------------------------------------------

    def place(self, counts: Mapping[int, int]) -> list[Candidate] | None:
        """Return placements of so many pieces of each kind, or None where they do not fit.

        Raises
        ------
        TimeoutError
            It could not be told in time; that counts as not fitting, without proof.
        """
        asked = tuple(sorted((i, k) for i, k in counts.items() if k > 0))
        if asked not in self._answers:
            self._answers[asked] = self._placed(dict(asked))
        return self._answers[asked]

    def _placed(self, asked: dict[int, int]) -> list[Candidate] | None:
        """Answer by what is quickest: none left over, the relaxation says no, or the search."""
        many = sum(asked.values())
        quick = self.greedy(asked)
        if len(quick) == many:
            return quick
        if self.bound(asked, dict.fromkeys(asked, 1.0)) < many - 1e-6:
            return None
        return self._solve(asked, seconds=1.0)[0]

    def most(
        self, counts: Mapping[int, int], *, seconds: float = 5.0, bonus: Mapping[int, float] = _EVEN
    ) -> tuple[list[Candidate], float]:
        """Return pieces of the greatest worth that fit together, up to the counts.

        Parameters
        ----------
        counts : mapping of int to int
            At most so many of each kind.
        seconds : float
            Then the best so far is returned.
        bonus : mapping of int to float
            Worth of one piece of a kind; 1 for each where left out.

        Returns
        -------
        list of Candidate
        float
            No packing of these candidates is worth more.
        """
        asked = {i: k for i, k in counts.items() if k > 0 and self.candidates(i)}
        if not asked:
            return [], 0.0
        worth = {i: bonus.get(i, 1.0) for i in asked}
        found, bound = self._solve(asked, worth=worth, seconds=seconds)
        return found or [], bound

    def bound(self, counts: Mapping[int, int], worth: Mapping[int, float]) -> float:
        """Return what no packing is worth more than, by the linear relaxation: quick and close."""
        from scipy.optimize import linprog
        from scipy.sparse import csr_matrix, vstack

        asked = {i: k for i, k in sorted(counts.items()) if k > 0 and self.candidates(i)}
        if not asked:
            return 0.0
        every, conflicts = self._model(tuple(asked))
        owner = np.array([c.piece for c in every])
        kinds = csr_matrix(np.array([(owner == i).astype(float) for i in asked]))
        most = np.concatenate([np.ones(conflicts.shape[0]), list(asked.values())])
        price = -np.array([worth[i] for i in owner])
        found = linprog(price, A_ub=vstack([conflicts, kinds]), b_ub=most, bounds=(0, 1))
        if not found.success:
            return float(sum(k * worth[i] for i, k in asked.items()))
        return float(-found.fun)

    def greedy(self, counts: Mapping[int, int]) -> list[Candidate]:
        """Return a quick packing: large pieces first, each where it is least in the way."""
        asked = {i: k for i, k in sorted(counts.items()) if k > 0 and self.candidates(i)}
        if not asked:
            return []
        every, rows = self._model(tuple(asked))
        clash = np.asarray((rows.T @ rows).todense()) > 0
        owner = np.array([c.piece for c in every])
        free = np.ones(len(every), dtype=np.bool_)
        out: list[Candidate] = []
        for i in sorted(asked, key=lambda i: -self.pieces[i].area_mm2):
            for _ in range(asked[i]):
                able = np.flatnonzero(free & (owner == i))
                if able.size == 0:
                    break
                at = int(able[np.argmin((clash[able] & free).sum(axis=1))])
                free &= ~clash[at]
                free[at] = False
                out.append(every[at])
        return out

    def _model(self, kinds: tuple[int, ...]) -> tuple[list[Candidate], Any]:
        """Return the candidates of some kinds of piece and the rows of their conflicts."""
        if kinds not in self._models:
            every = [c for i in kinds for c in self.candidates(i)]
            self._models[kinds] = every, conflict_rows([c.polygon for c in every], self.kerf_mm)
        return self._models[kinds]

    def _solve(
        self,
        counts: dict[int, int],
        *,
        worth: Mapping[int, float] | None = None,
        seconds: float = 2.0,
    ) -> tuple[list[Candidate] | None, float]:
        from scipy.optimize import Bounds, LinearConstraint, milp
        from scipy.sparse import csr_matrix, vstack

        exactly = worth is None
        if not counts:
            return [], 0.0
        if exactly and any(len(self.candidates(i)) < k for i, k in counts.items()):
            return None, 0.0
        every, conflicts = self._model(tuple(sorted(counts)))
        owner = np.array([c.piece for c in every])
        kinds = csr_matrix(np.array([(owner == i).astype(float) for i in counts]))
        limit = np.array(list(counts.values()), dtype=float)
        low = limit if exactly else np.zeros(len(counts))
        rows = vstack([conflicts, kinds]).tocsr()
        lower = np.concatenate([np.full(conflicts.shape[0], -np.inf), low])
        upper = np.concatenate([np.ones(conflicts.shape[0]), limit])
        cost = np.zeros(len(every))
        if worth is not None:
            cost = -np.array([worth[i] for i in owner])
        found = milp(
            cost,
            constraints=LinearConstraint(rows, lower, upper),
            integrality=np.ones(len(every)),
            bounds=Bounds(0, 1),
            options={"time_limit": seconds},
        )
        if found.x is None:
            if exactly and found.status == 1:
                raise TimeoutError
            return None, sum(k * (worth or {}).get(i, 1.0) for i, k in counts.items())
        bound = -found.mip_dual_bound if found.mip_dual_bound is not None else np.inf
        return [every[k] for k in np.flatnonzero(found.x > 0.5)], float(bound)


def conflict_rows(polygons: Sequence[Any], kerf_mm: float) -> Any:
    """Return sparse rows over the polygons, each of which may hold one of them at most."""
    from scipy.sparse import csr_matrix

    grown = shapely.buffer(np.array(polygons, dtype=object), max(kerf_mm / 2 - 0.02, 0.0) - 0.01)
    tree = shapely.STRtree(grown)
    points = shapely.centroid(grown)
    at, owner = tree.query(points, predicate="within")
    count = len(polygons)
    cliques = csr_matrix((np.ones(len(at)), (at, owner)), shape=(count, count))
    shared = (cliques.T @ cliques).tocsr()
    one, two = tree.query(grown, predicate="intersects")
    pairs = one < two
    one, two = one[pairs], two[pairs]
    if len(one):  # indexing by nothing would give a sparse nothing
        unseen = np.asarray(shared[one, two]).ravel() == 0
        one, two = one[unseen], two[unseen]
    index = np.repeat(np.arange(len(one)), 2)
    columns = np.column_stack([one, two]).ravel()
    extra = csr_matrix((np.ones(len(columns)), (index, columns)), shape=(len(one), count))
    from scipy.sparse import vstack

    return vstack([cliques, extra]).tocsr()
