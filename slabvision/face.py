"""One face of a slab: from marks, outline and painted defects to sizes with their budgets.

Outlines and label images are turned into polygons in pixels once (their topology is then
fixed); the polygons' vertices are carried through the plane in every draw.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from slabvision.boundary import HAND, Hand
from slabvision.contours import mask_polygons
from slabvision.defects import ZONES, defect_kind
from slabvision.estimate import Estimate
from slabvision.findings import Budget, DefectFindings, WidthFindings
from slabvision.record import Defect, Outline, PhotoEntry

if TYPE_CHECKING:
    from shapely import MultiPolygon, Polygon

    from slabvision.plane import Plane

__all__ = ["CrossingOutlineError", "Drawn", "DrawnDefect", "area_budget", "drawn_on", "on_slab"]

Floats = NDArray[np.float64]
_CHUNK = 400_000
"""Points carried through all draws at once: bounds memory, about 60 MB."""
_ON_EDGE_MM = 0.05
"""How near a border runs to a drawn edge to be that edge (overlay rounding is far smaller)."""


class CrossingOutlineError(ValueError):
    """An outline crosses itself: what lies inside it is not defined."""


@dataclass(frozen=True)
class DrawnDefect:
    """A defect of the table with its polygons in pixels."""

    defect: Defect
    shape: MultiPolygon


@dataclass(frozen=True)
class Drawn:
    """What a person drew on one photo of a face, as polygons in (row, col) pixels."""

    entry: PhotoEntry
    arris: Polygon
    open: bool
    widest: Polygon | None
    defects: tuple[DrawnDefect, ...]
    not_seen: MultiPolygon
    zones: dict[str, MultiPolygon]


def outline_polygon(outline: Outline, name: str) -> Polygon:
    """Return an outline as a valid polygon in pixels, or say where it crosses itself."""
    import shapely

    shape = shapely.Polygon(outline.points)
    if not shape.is_valid or shape.area <= 0:
        why = shapely.is_valid_reason(shape)
        place = why[why.find("[") + 1 : why.find("]")].split() if "[" in why else []
        at = f" at row {float(place[0]):.0f}, column {float(place[1]):.0f}" if place else ""
        raise CrossingOutlineError(
            f"the {name} outline crosses itself or has no inside{at}; move its points apart there"
        )
    return shape


def drawn_on(entry: PhotoEntry, labels: NDArray[np.uint16], zones: NDArray[np.uint8]) -> Drawn:
    """Return what was drawn on a photo of a face as polygons in pixels.

    Parameters
    ----------
    entry : PhotoEntry
        With an arris outline.
    labels, zones : ndarray, shape (H, W)
        Label images of the photo.

    Raises
    ------
    CrossingOutlineError
        With the place of the crossing.
    """
    import shapely

    if entry.arris is None:
        raise ValueError(f"{entry.file}: no outline")
    pieces = dict(_label_polygons(labels))
    seen_numbers = [d for d in entry.defects if d.number in pieces]
    zone_shapes = dict(_label_polygons(zones))
    by_key = {z.key: zone_shapes[z.value] for z in ZONES.values() if z.value in zone_shapes}
    hidden = [shape for key, shape in by_key.items() if not ZONES[key].seen]
    return Drawn(
        entry=entry,
        arris=outline_polygon(entry.arris, "arris"),
        open=entry.arris.open,
        widest=outline_polygon(entry.widest, "widest") if entry.widest else None,
        defects=tuple(DrawnDefect(d, pieces[d.number]) for d in seen_numbers),
        not_seen=polygons(shapely.union_all(hidden)) if hidden else shapely.MultiPolygon(),
        zones={key: shape for key, shape in by_key.items() if ZONES[key].seen},
    )


def _label_polygons(labels: NDArray[Any]) -> Iterator[tuple[int, MultiPolygon]]:
    if not labels.any():
        return
    from scipy.ndimage import find_objects

    rows = np.flatnonzero(labels.any(axis=1))
    cols = np.flatnonzero(labels.any(axis=0))
    box = (slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1))
    cut = labels[box]
    for index, where in enumerate(find_objects(cut), start=1):
        if where is not None:
            corner = (rows[0] + where[0].start, cols[0] + where[1].start)
            yield index, mask_polygons(cut[where] == index, corner)


def polygons(shape: Any) -> MultiPolygon:
    """Keep the polygons of any shapely result."""
    import shapely

    parts = [g for g in shapely.get_parts(shape) if g.geom_type == "Polygon" and g.area > 0]
    return shapely.MultiPolygon(parts)


def to_mm(plane: Plane, shape: Any) -> Any:
    """Carry a shapely geometry from pixels to the face, mm."""
    import shapely

    return shapely.transform(shape, plane.to_mm)


def to_pixels(plane: Plane, shape: Any) -> Any:
    """Carry a shapely geometry from the face back to pixels."""
    import shapely

    return shapely.transform(shape, plane.to_pixels)


# Areas ----------------------------------------------------------------------------------------


def plane_area(plane: Plane, shape_px: Any) -> Estimate:
    """Return the area of polygons in pixels, mm², with the plane's uncertainty alone.

    The value is exact for every vertex; the draws carry a version simplified to one pixel and
    are scaled to the value, which changes the relative spread by far less than a percent of it.
    """
    import shapely

    value = float(to_mm(plane, shape_px).area)
    simple = shapely.simplify(shape_px, 1.0)
    if simple.is_empty or simple.area < 0.5 * shape_px.area:
        simple = shape_px
    rings = _rings(simple)
    total = np.zeros(0)
    for ring, sign in rings:
        area = sign * _ring_area_draws(plane, ring)
        total = area if total.size == 0 else total + area
    nominal = sum(sign * abs(_shoelace(plane.to_mm(ring))) for ring, sign in rings)
    if nominal <= 0:
        raise ValueError("a shape without area has no measurable area")
    return Estimate(value, total * (value / nominal), "mm2")


def _rings(shape: Any) -> list[tuple[Floats, float]]:
    import shapely

    rings = []
    for polygon in shapely.get_parts(shape):
        rings.append((np.asarray(polygon.exterior.coords)[:-1], 1.0))
        rings.extend((np.asarray(hole.coords)[:-1], -1.0) for hole in polygon.interiors)
    return rings


def _shoelace(points: Floats) -> float:
    u, v = points[..., 0], points[..., 1]
    return 0.5 * float(np.sum(u * np.roll(v, -1) - v * np.roll(u, -1)))


def _ring_area_draws(plane: Plane, ring: Floats) -> Floats:
    many = max(2, _CHUNK // plane.draws)
    if len(ring) > many:
        # Chunked with one point of overlap; the shoelace sum is a sum over edges.
        closed = np.concatenate([ring, ring[:1]])
        pieces = [closed[i : i + many + 1] for i in range(0, len(ring), many)]
        twice = sum(_edge_sum(plane.to_mm_draws(piece)) for piece in pieces)
    else:
        twice = _edge_sum(plane.to_mm_draws(np.concatenate([ring, ring[:1]])))
    return np.abs(np.asarray(twice)) / 2


def _edge_sum(points: Floats) -> Floats:
    u, v = points[..., 0], points[..., 1]
    return np.asarray(np.sum(u[:, :-1] * v[:, 1:] - v[:, :-1] * u[:, 1:], axis=1))


@dataclass(frozen=True)
class Context:
    """What every budget of one face needs."""

    plane: Plane
    key: str
    """Names this photo's own random draws."""
    mm_per_px: float
    lift: Floats
    """Relative change of scale from bow and cup, one number per draw."""
    hand: Hand = HAND


def area_budget(context: Context, shape_px: Any, edges: dict[str, float]) -> Budget:
    """Return an area, mm², with plane, boundary and flatness kept apart.

    Parameters
    ----------
    context : Context
    shape_px : shapely geometry
        In pixels.
    edges : dict of str to float
        Length of edge, mm, drawn in one go each: an outline, a defect. A positive length is an
        edge whose outward error adds area, a negative one takes it away.
    """
    if shape_px.is_empty:
        zero = np.zeros(context.plane.draws)
        return Budget(Estimate(0.0, zero, "mm2"), {})
    area = plane_area(context.plane, shape_px)
    boundary = np.zeros(area.draws.size)
    for name, edge_mm in edges.items():
        change = context.hand.area_draws(
            f"{context.key}:{name}", abs(edge_mm), context.mm_per_px, area.draws.size
        )
        boundary = boundary + np.sign(edge_mm) * change
    parts = {
        "plane": area.draws - area.value,
        "boundary": boundary,
        "flatness": 2 * context.lift * area.value,
    }
    whole = Budget.sum_of(area.value, "mm2", parts)
    # An area below nothing is not a possible world; only thin shapes come near it.
    return Budget(Estimate(area.value, np.maximum(whole.estimate.draws, 0.0), "mm2"), parts)


def edge_lengths(
    plane: Plane, clear_px: MultiPolygon, drawn: Drawn, avoided: list[DrawnDefect]
) -> dict[str, float]:
    """Return how much of a clear region's border each drawn edge makes up, mm.

    The outline's error adds area where it goes outwards, a defect's takes area away.
    """
    border = to_mm(plane, clear_px.boundary)
    edges = {}
    for name, sign, shape in [
        ("arris", 1.0, drawn.arris),
        *((f"defect {d.defect.number}", -1.0, d.shape) for d in avoided),
    ]:
        near = to_mm(plane, shape).boundary.buffer(_ON_EDGE_MM)
        length = float(border.intersection(near).length)
        if length > 0:
            edges[name] = sign * length
    return edges


def add(one: Budget, two: Budget) -> Budget:
    """Return the sum of two areas, causes of the same name added."""
    parts = dict(one.parts)
    for cause, deviation in two.parts.items():
        parts[cause] = parts.get(cause, 0.0) + deviation
    return Budget(one.estimate + two.estimate, parts)


def length_budget(context: Context, draws: Floats, value: float, places: int, name: str) -> Budget:
    """Return a length between drawn places, mm: ``places`` of its ends are drawn edges."""
    n = draws.size
    boundary = np.zeros(n)
    for place in range(places):
        boundary = boundary + context.hand.point_draws(
            f"{context.key}:{name}:{place}", context.mm_per_px, n
        )
    return Budget.sum_of(
        value,
        "mm",
        {"plane": draws - value, "boundary": boundary, "flatness": context.lift * value},
    )


def apart(context: Context, pairs_px: Floats, name: str, places: int = 2) -> list[Budget]:
    """Return the distances between pairs of places, mm.

    Parameters
    ----------
    pairs_px : ndarray, shape (P, 2, 2)
        Pairs of (row, col).
    """
    if len(pairs_px) == 0:
        return []
    flat = pairs_px.reshape(-1, 2)
    best = context.plane.to_mm(flat).reshape(-1, 2, 2)
    drawn = context.plane.to_mm_draws(flat).reshape(context.plane.draws, -1, 2, 2)
    values = np.linalg.norm(best[:, 1] - best[:, 0], axis=1)
    spread = np.linalg.norm(drawn[:, :, 1] - drawn[:, :, 0], axis=2)
    return [
        length_budget(context, spread[:, i], float(values[i]), places, f"{name}:{i}")
        for i in range(len(values))
    ]


# The face in its own frame ---------------------------------------------------------------------


def on_slab(plane: Plane, arris_px: Polygon, end_a: tuple[float, float] | None) -> Plane:
    """Return the plane re-anchored: u runs along the slab from end A, v across it.

    The long axis is the long side of the smallest enclosing rectangle. End A is the end nearer
    to ``end_a``; without it the left end of the photo, or the upper one where the slab stands.
    """
    import shapely

    box = shapely.minimum_rotated_rectangle(to_mm(plane, arris_px))
    corners = np.asarray(box.exterior.coords)[:4]
    if np.linalg.norm(corners[1] - corners[0]) < np.linalg.norm(corners[2] - corners[1]):
        corners = np.roll(corners, -1, axis=0)
    ends = np.array([(corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2])
    ends_px = plane.to_pixels(ends)
    if end_a is not None:
        first = int(np.argmin(np.linalg.norm(ends_px - np.asarray(end_a), axis=1)))
    else:
        rows, cols = np.abs(ends_px[1] - ends_px[0])
        first = int(np.argmin(ends_px[:, 1] if cols >= rows else ends_px[:, 0]))
    # Anchored half way: the frame's own error then is smallest over the slab.
    middle = ends_px.mean(axis=0)
    return plane.aligned(middle, ends_px[1 - first])


def widths(context: Context, drawn: Drawn, role: str, every_mm: float) -> tuple[WidthFindings, ...]:
    """Return the width every ``every_mm`` from end A, outermost edge to outermost edge."""
    import shapely

    outline = to_mm(context.plane, drawn.arris)
    u0, v0, u1, v1 = outline.bounds
    stations, pairs = [], []
    for station in np.arange(every_mm, u1 - u0, every_mm):
        line = shapely.LineString([(u0 + station, v0 - 1), (u0 + station, v1 + 1)])
        cut = shapely.intersection(outline, line)
        if cut.is_empty:
            continue
        _, low, _, high = cut.bounds
        if high > low:
            stations.append(float(station))
            pairs.append([(u0 + station, low), (u0 + station, high)])
    if not pairs:
        return ()
    flat = context.plane.to_pixels(np.asarray(pairs).reshape(-1, 2)).reshape(-1, 2, 2)
    budgets = apart(context, flat, "width")
    return tuple(
        WidthFindings(drawn.entry.file, role, station, budget)
        for station, budget in zip(stations, budgets, strict=True)
    )


def slab_length(context: Context, drawn: Drawn) -> Budget:
    """Return the length from end to end along the slab, mm."""
    points = np.asarray(drawn.arris.exterior.coords)[:-1]
    u = context.plane.to_mm(points)[:, 0]
    pair = points[[int(np.argmin(u)), int(np.argmax(u))]]
    best = context.plane.to_mm(pair)[:, 0]
    drawn_u = context.plane.to_mm_draws(pair)[:, :, 0]
    return length_budget(
        context, drawn_u[:, 1] - drawn_u[:, 0], float(best[1] - best[0]), 2, "length"
    )


def defect_findings(
    context: Context, drawn: Drawn, treatments: dict[str, str]
) -> tuple[DefectFindings, ...]:
    """Return every painted defect in real units.

    Length and width are the sides of the enclosing rectangle along the slab (EN 1310:1997,
    4.6, names the enclosing rectangle); a traced check's length is that of its centre line.
    """
    u0 = to_mm(context.plane, drawn.arris).bounds[0]
    return tuple(
        _one_defect(context, drawn.entry.file, each, treatments, u0) for each in drawn.defects
    )


def _one_defect(
    context: Context, photo: str, each: DrawnDefect, treatments: dict[str, str], u0: float
) -> DefectFindings:
    import shapely

    defect, kind = each.defect, defect_kind(each.defect.kind)
    shape = to_mm(context.plane, each.shape)
    name = f"defect {defect.number}"
    area = area_budget(context, each.shape, {name: float(shape.length)})
    low_u, low_v, high_u, high_v = shape.bounds
    middle_v = (low_v + high_v) / 2
    if len(defect.centre_line) >= 2:
        length = _line_length(context, np.asarray(defect.centre_line, float), name)
    elif kind.line:
        box = np.asarray(shapely.minimum_rotated_rectangle(shape).exterior.coords)[:4]
        sides = np.linalg.norm(np.roll(box, -1, axis=0) - box, axis=1)
        start = box if sides[0] >= sides[1] else np.roll(box, -1, axis=0)
        ends = np.array([(start[0] + start[3]) / 2, (start[1] + start[2]) / 2])
        length = apart(context, context.plane.to_pixels(ends)[None], f"{name}:length")[0]
    else:
        ends = np.array([(low_u, middle_v), (high_u, middle_v)])
        length = apart(context, context.plane.to_pixels(ends)[None], f"{name}:length")[0]
    middle_u = (low_u + high_u) / 2
    if kind.line:
        wide = _check_width(context, defect, area, length)
    else:
        sides_v = np.array([(middle_u, low_v), (middle_u, high_v)])
        wide = apart(context, context.plane.to_pixels(sides_v)[None], f"{name}:width")[0]
    thin = kind.line and wide.estimate.value < 1.6
    return DefectFindings(
        photo=photo,
        number=defect.number,
        kind=defect.kind,
        title=kind.title,
        depth=defect.depth,
        treatment=treatments.get(defect.kind, kind.treatment),
        area_mm2=area,
        length_mm=length,
        width_mm=wide,
        width_words="under 1/16 in" if thin else "",
        station_mm=float(middle_u - u0),
        across_mm=float(middle_v),
        tool=defect.tool,
        note=defect.note,
    )


def _line_length(context: Context, line: Floats, name: str) -> Budget:
    step = max(1, len(line) // 60)
    kept = np.concatenate([line[:-1:step], line[-1:]])
    full = context.plane.to_mm(line)
    value = float(np.linalg.norm(np.diff(full, axis=0), axis=1).sum())
    some = context.plane.to_mm(kept)
    nominal = float(np.linalg.norm(np.diff(some, axis=0), axis=1).sum())
    moved = context.plane.to_mm_draws(kept)
    draws = np.linalg.norm(np.diff(moved, axis=1), axis=2).sum(axis=1) * (value / nominal)
    return length_budget(context, draws, value, 2, f"{name}:length")


def _check_width(context: Context, defect: Defect, area: Budget, length: Budget) -> Budget:
    """Mean width of a thin, long defect: traced widths, else area over length, mm."""
    n = context.plane.draws
    if defect.widths_px:
        value = float(np.mean(defect.widths_px)) * context.mm_per_px
    else:
        value = area.estimate.value / max(length.estimate.value, 1e-6)
    # Both sides of a thin dark line are read with about half a pixel each.
    spread = context.hand.point_draws(f"{context.key}:check {defect.number}", context.mm_per_px, n)
    edge = 0.5 * context.mm_per_px * spread / np.std(spread)
    budget = Budget.sum_of(value, "mm", {"boundary": edge})
    return Budget(Estimate(value, np.maximum(budget.estimate.draws, 0.0), "mm"), budget.parts)
