"""One face of a slab: from outline, painted defects and plane to sizes with their budgets.

Outlines and label images become polygons once, on the face in millimetres; their topology is
then fixed, and their vertices are carried to every draw.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from slabvision.bent import bend_of
from slabvision.boundary import HAND
from slabvision.contours import mask_polygons
from slabvision.defects import ZONES, defect_kind
from slabvision.estimate import Estimate, named_normals
from slabvision.findings import Budget, DefectFindings, WidthFindings
from slabvision.record import Defect, Outline, PhotoEntry

if TYPE_CHECKING:
    from shapely import MultiPolygon, Polygon

    from slabvision.clear.shapes import FaceShape
    from slabvision.clear.worlds import Worlds
    from slabvision.plane import Plane

__all__ = ["CrossingOutlineError", "FaceInView", "area_budget", "face_in_view", "sized"]

Floats = NDArray[np.float64]


class CrossingOutlineError(ValueError):
    """An outline crosses itself: what lies inside it is not defined."""


@dataclass(frozen=True, eq=False)
class FaceInView:
    """A face on its plane.

    Attributes
    ----------
    entry : PhotoEntry
        What was marked on the photo.
    plane : Plane
        Anchored half way along the slab: u runs from end A, v across.
    shape : FaceShape
        Outline (arris), defects and zones in millimetres on the plane.
    widest : Polygon or None
        The widest silhouette, mm.
    worlds : Worlds
        How points and edges lie in every draw.
    in_photo : Polygon or None
        Which part of the face the entry's photo shows, mm; None: all of it.
    """

    entry: PhotoEntry
    plane: Plane
    shape: FaceShape
    widest: Polygon | None
    worlds: Worlds
    in_photo: Polygon | None = None

    def to_pixels(self, shape_mm: Any) -> Any:
        """Carry a shapely geometry from the face back into the photo, (row, col)."""
        import shapely

        if self.in_photo is not None:
            shape_mm = shapely.intersection(shape_mm, self.in_photo)
        return shapely.transform(shape_mm, self.plane.to_pixels)


def face_in_view(
    entry: PhotoEntry,
    plane: Plane,
    labels: NDArray[np.uint16],
    zones: NDArray[np.uint8],
    *,
    bow_u_mm: float,
    cup_u_mm: float,
) -> FaceInView:
    """Return what was drawn on a photo of a face, in millimetres.

    Parameters
    ----------
    entry : PhotoEntry
        With an arris outline.
    plane : Plane
        As fitted; it is re-anchored to the slab here.
    labels, zones : ndarray, shape (H, W)
        Label images of the photo.
    bow_u_mm, cup_u_mm : float
        How far the middle may stand off the ends and off the edges, standard uncertainty.

    Raises
    ------
    CrossingOutlineError
        With the place of the crossing in the photo.
    slabvision.plane.PlaneError
        Something drawn lies beyond the horizon.
    """
    import shapely

    from slabvision.clear.shapes import DefectShape, FaceShape, polygons_only
    from slabvision.clear.worlds import Worlds

    if entry.arris is None:
        raise ValueError(f"{entry.file}: no outline")
    arris = _outline_px(entry.arris, "arris")
    widest = _outline_px(entry.widest, "widest") if entry.widest else None
    plane = _on_slab(plane, arris, entry.end_a)

    def to_mm(shape: Any) -> Any:
        return shapely.transform(shape, plane.to_mm)

    pieces = dict(_label_polygons(labels))
    table = {d.number: d for d in entry.defects if d.number in pieces}
    zone_shapes = {value: to_mm(shape) for value, shape in _label_polygons(zones)}
    by_key = {z.key: zone_shapes[z.value] for z in ZONES.values() if z.value in zone_shapes}
    hidden = [shape for key, shape in by_key.items() if not ZONES[key].seen]
    outline = to_mm(arris)
    low, high = ("end A", "end B")
    shape = FaceShape(
        outline=outline,
        defects=tuple(
            DefectShape(
                number,
                defect.kind,
                to_mm(pieces[number]),
                centre_line=_centre_line(defect, to_mm),
                depth=defect.depth,
            )
            for number, defect in table.items()
        ),
        not_seen=polygons_only(shapely.union_all(hidden), 0.0),
        zones={key: zone for key, zone in by_key.items() if ZONES[key].seen},
        pith_line=to_mm(shapely.LineString(entry.pith_line)) if len(entry.pith_line) > 1 else None,
        open_ends=_open_ends(entry, outline, plane),
        names={"left": low, "right": high, "top": "edge 1", "bottom": "edge 2"},
        face=entry.role.removeprefix("face "),
    )
    scale = float(plane.mm_per_px(np.asarray(arris.centroid.coords[0])))
    worlds = Worlds(
        warp=lambda mm: plane.to_mm_draws(plane.to_pixels(mm)),
        hand=HAND,
        mm_per_px=scale,
        key=entry.sha256,
        bend=bend_of(entry, plane, outline.bounds, bow_u_mm=bow_u_mm, cup_u_mm=cup_u_mm),
        draws=plane.draws,
    )
    return FaceInView(entry, plane, shape, to_mm(widest) if widest else None, worlds)


def _outline_px(outline: Outline, name: str) -> Polygon:
    """Return an outline as a valid polygon in pixels, or say where it crosses itself."""
    import shapely

    shape = shapely.Polygon(outline.points)
    if not shape.is_valid or shape.area <= 0:
        why = str(shapely.is_valid_reason(shape))
        place = why[why.find("[") + 1 : why.find("]")].split() if "[" in why else []
        at = f" at row {float(place[0]):.0f}, column {float(place[1]):.0f}" if place else ""
        raise CrossingOutlineError(
            f"the {name} outline crosses itself or has no inside{at}; move its points apart there"
        )
    return shape


def _label_polygons(labels: NDArray[Any]) -> Iterator[tuple[int, MultiPolygon]]:
    """Give every number of a label image with its polygons in pixels."""
    from scipy.ndimage import find_objects

    rows = np.flatnonzero(labels.any(axis=1))
    if rows.size == 0:
        return
    cols = np.flatnonzero(labels.any(axis=0))
    cut = labels[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    for number, where in enumerate(find_objects(cut), start=1):
        if where is not None:
            corner = (rows[0] + where[0].start, cols[0] + where[1].start)
            yield number, mask_polygons(cut[where] == number, corner)


def _centre_line(defect: Defect, to_mm: Any) -> Any:
    import shapely

    if len(defect.centre_line) < 2:
        return None
    return to_mm(shapely.LineString(defect.centre_line))


def _on_slab(plane: Plane, arris_px: Polygon, end_a: tuple[float, float] | None) -> Plane:
    """Return the plane re-anchored: u runs along the slab from end A, v across it.

    End A is the end nearer to ``end_a``; without it the left end of the photo, or the upper one
    where the slab stands.
    """
    import shapely

    from slabvision.clear.shapes import long_axis

    outline = shapely.transform(arris_px, plane.to_mm)
    along, middle = long_axis(outline), shapely.get_coordinates(outline.centroid)[0]
    reach = (shapely.get_coordinates(outline) - middle) @ along
    ends = middle + np.outer([reach.min(), reach.max()], along)
    ends_px = plane.to_pixels(ends)
    if end_a is not None:
        first = int(np.argmin(np.linalg.norm(ends_px - np.asarray(end_a), axis=1)))
    else:
        rows, cols = np.abs(ends_px[1] - ends_px[0])
        first = int(np.argmin(ends_px[:, 1] if cols >= rows else ends_px[:, 0]))
    # Anchored half way: the frame's own error then is smallest over the slab.
    return plane.aligned(ends_px.mean(axis=0), ends_px[1 - first])


def _open_ends(entry: PhotoEntry, outline: Polygon, plane: Plane) -> frozenset[Any]:
    """Return which ends the frame cuts: those with outline points on the frame."""
    if entry.arris is None or not entry.arris.open:
        return frozenset()
    points = np.asarray(entry.arris.points)
    limit = np.array(entry.shape) - 1
    on_frame = ((points <= 2) | (points >= limit - 2)).any(axis=1)
    middle = (outline.bounds[0] + outline.bounds[2]) / 2
    u = plane.to_mm(points[on_frame] if on_frame.any() else points)[:, 0]
    return frozenset({"left" if x < middle else "right" for x in u})


# Budgets --------------------------------------------------------------------------------------


def sized(size: Any) -> Budget:
    """Return a size of :mod:`slabvision.clear` as a budget."""
    return Budget(size.estimate, size.parts)


def area_budget(worlds: Worlds, shape: Any, edges: Mapping[str, float]) -> Budget:
    """Return the area of a shape on the face, mm², with plane, boundary and flatness kept apart.

    Parameters
    ----------
    worlds : Worlds
    shape : shapely geometry
        In millimetres.
    edges : mapping of str to float
        Length of border, mm, drawn in one go each: an outline, a defect.
    """
    value = float(shape.area)
    boundary = np.zeros(worlds.draws)
    for source, edge_mm in edges.items():
        boundary = boundary + worlds.area_change(source, edge_mm)
    parts = {
        "plane": worlds.plane_area(shape) - value,
        "boundary": boundary,
        "flatness": worlds.bent_area(shape) - value,
    }
    whole = Budget.sum_of(value, "mm2", parts)
    # An area below nothing is not a possible world; only thin shapes come near it.
    return Budget(Estimate(value, np.maximum(whole.estimate.draws, 0.0), "mm2"), parts)


def _small_area(worlds: Worlds, shape: Any, source: str) -> Budget:
    """Return the area of a defect, mm²: scaled in every draw as the box round it is."""
    u0, v0, u1, v1 = shape.bounds
    box = np.array([(u0 - 1, v0 - 1), (u1 + 1, v0 - 1), (u1 + 1, v1 + 1), (u0 - 1, v1 + 1)])

    def scale(moved: Floats) -> Floats:
        one, other = moved[:, 2] - moved[:, 0], moved[:, 3] - moved[:, 1]
        twice = np.abs(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])
        return np.asarray(twice / 2 / ((u1 - u0 + 2) * (v1 - v0 + 2)))

    value = float(shape.area)
    parts = {
        "plane": value * (scale(worlds.moved(box)) - 1),
        "boundary": worlds.area_change(source, _drawn_length(shape, worlds)),
        "flatness": value * (scale(worlds.bent(box)) - 1),
    }
    whole = Budget.sum_of(value, "mm2", parts)
    return Budget(Estimate(value, np.maximum(whole.estimate.draws, 0.0), "mm2"), parts)


def _drawn_length(shape: Any, worlds: Worlds) -> float:
    """Return the length of a painted edge, mm, without the stairs of its pixels."""
    import shapely

    return float(shapely.simplify(shape, 0.75 * worlds.mm_per_px).length)


def _line_budget(worlds: Worlds, line: Floats, value: float, boundary: Floats) -> Budget:
    """Return the length of a line through places (N, 2) mm whose best value is ``value``."""

    def run(moved: Floats) -> Floats:
        steps = np.linalg.norm(np.diff(moved, axis=-2), axis=-1)
        return np.asarray(steps.sum(axis=-1) * (value / nominal))

    nominal = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    parts = {
        "plane": run(worlds.moved(line)) - value,
        "boundary": boundary,
        "flatness": run(worlds.bent(line)) - value,
    }
    return Budget.sum_of(value, "mm", parts)


def _places(worlds: Worlds, source: str, count: int) -> Floats:
    """Return how far ``count`` places of one drawn edge are out together, mm: (draws,)."""
    if worlds.hand is None:
        return np.zeros(worlds.draws)
    spots = [
        worlds.hand.point_draws(f"{worlds.key}:{source}:{i}", worlds.mm_per_px, worlds.draws)
        for i in range(count)
    ]
    return np.asarray(np.sum(spots, axis=0))


def _apart(worlds: Worlds, ends: Floats, source: str) -> Budget:
    """Return the distance between two drawn places, ends (2, 2) mm."""
    value = float(np.linalg.norm(ends[1] - ends[0]))
    return _line_budget(worlds, ends, value, _places(worlds, source, 2))


def slab_length(view: FaceInView) -> Budget:
    """Return the length from end to end along the slab, mm.

    The outermost of many wobbly places lies too far out: how much further it goes when the hand's
    wobble comes on top once more is taken off (the basic bootstrap of Davison and Hinkley,
    *Bootstrap Methods and their Application*, 1997, section 5.2).
    """
    worlds, outline = view.worlds, view.shape.outline
    points = np.asarray(outline.exterior.coords)[:-1]
    pair = points[[int(np.argmin(points[:, 0])), int(np.argmax(points[:, 0]))]]
    drawn = float(pair[1, 0] - pair[0, 0])
    reach = 2 * drawn - _reach_with_wobble(outline, worlds)
    value = float(np.median(reach))
    # along u, not from point to point: the two may be corners on opposite edges
    moved, bent = worlds.moved(pair)[..., 0], worlds.bent(pair)[..., 0]
    parts = {
        "plane": moved[:, 1] - moved[:, 0] - drawn,
        "boundary": reach - value + 2 * worlds.offset("arris"),
        "flatness": bent[:, 1] - bent[:, 0] - drawn,
    }
    return Budget.sum_of(value, "mm", parts)


def _reach_with_wobble(outline: Polygon, worlds: Worlds) -> Floats:
    """Return how long an outline is along u when it is drawn again with a wobble, (draws,) mm.

    The points that a person set move, and only those: between two clicks on a sawn end there is
    no wobble.
    """
    import shapely

    wobble, step = worlds.wobble("length", outline.exterior.length)
    points = shapely.get_coordinates(outline.exterior)[:-1]
    reach = np.zeros(worlds.draws)
    for way, end in ((-1.0, outline.bounds[0]), (1.0, outline.bounds[2])):
        near = points[way * (points[:, 0] - end) > -_NEAR_END_MM]
        along = shapely.line_locate_point(outline.exterior, shapely.points(near)) / step
        low = np.floor(along).astype(np.intp)
        part = along - low
        low %= wobble.shape[1]
        out = wobble[:, low] * (1 - part) + wobble[:, (low + 1) % wobble.shape[1]] * part
        reach += np.max(way * near[:, 0] + out, axis=1)
    return reach


_NEAR_END_MM = 40.0
"""No wobble brings a place so far behind the outermost one to the front."""


def widths(view: FaceInView, every_mm: float) -> tuple[WidthFindings, ...]:
    """Return the width every ``every_mm`` from end A, outermost edge to outermost edge."""
    import shapely

    outline = view.shape.outline
    u0, v0, u1, v1 = outline.bounds
    found = []
    for station in np.arange(every_mm, u1 - u0, every_mm):
        across = shapely.LineString([(u0 + station, v0 - 1), (u0 + station, v1 + 1)])
        cut = shapely.intersection(outline, across)
        if cut.is_empty or cut.length == 0:
            continue
        _, low, _, high = cut.bounds
        ends = np.array([(u0 + station, low), (u0 + station, high)])
        budget = _apart(view.worlds, ends, f"width {station:.0f}")
        found.append(WidthFindings(view.entry.file, view.entry.role, float(station), budget))
    return tuple(found)


def defect_findings(view: FaceInView, treatments: Mapping[str, str]) -> tuple[DefectFindings, ...]:
    """Return every painted defect in real units.

    Length and width are the sides of the enclosing rectangle along the slab (EN 1310:1997,
    4.6, names the enclosing rectangle); a traced check's length is that of its centre line.
    """
    table = {defect.number: defect for defect in view.entry.defects}
    return tuple(
        _one_defect(view, table[each.number], each, treatments) for each in view.shape.defects
    )


def _one_defect(
    view: FaceInView, defect: Defect, each: Any, treatments: Mapping[str, str]
) -> DefectFindings:
    kind, shape, worlds = defect_kind(defect.kind), each.shape, view.worlds
    name = f"defect {defect.number}"
    area = _small_area(worlds, shape, name)
    low_u, low_v, high_u, high_v = shape.bounds
    middle_u, middle_v = (low_u + high_u) / 2, (low_v + high_v) / 2
    if each.centre_line is not None:
        length = _line_length(worlds, np.asarray(each.centre_line.coords), name)
    else:
        ends = _long_axis(shape) if kind.line else np.array([(low_u, middle_v), (high_u, middle_v)])
        length = _apart(worlds, ends, f"{name} length")
    if kind.line:
        wide = _check_width(worlds, defect, area, length)
    else:
        sides = np.array([(middle_u, low_v), (middle_u, high_v)])
        wide = _apart(worlds, sides, f"{name} width")
    return DefectFindings(
        photo=view.entry.file,
        number=defect.number,
        kind=defect.kind,
        title=kind.title,
        depth=defect.depth,
        treatment=treatments.get(defect.kind, kind.treatment),
        area_mm2=area,
        length_mm=length,
        width_mm=wide,
        width_words="under 1/16 in" if kind.line and wide.estimate.value < _SIXTEENTH_MM else "",
        station_mm=float(middle_u - view.shape.outline.bounds[0]),
        tool=defect.tool,
        note=defect.note,
    )


_SIXTEENTH_MM = 25.4 / 16


def _long_axis(shape: Any) -> Floats:
    """Return the two ends of the middle line of the smallest enclosing rectangle, mm."""
    import shapely

    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))[:4]
    if np.linalg.norm(box[1] - box[0]) < np.linalg.norm(box[2] - box[1]):
        box = np.roll(box, -1, axis=0)
    return np.array([(box[0] + box[3]) / 2, (box[1] + box[2]) / 2])


def _line_length(worlds: Worlds, line: Floats, name: str) -> Budget:
    step = max(1, len(line) // 60)
    kept = np.concatenate([line[:-1:step], line[-1:]])
    value = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    return _line_budget(worlds, kept, value, _places(worlds, f"{name} length", 2))


def _check_width(worlds: Worlds, defect: Defect, area: Budget, length: Budget) -> Budget:
    """Mean width of a thin, long defect: traced widths, else area over length, mm."""
    if defect.widths_px:
        value = float(np.mean(defect.widths_px)) * worlds.mm_per_px
    else:
        value = area.estimate.value / max(length.estimate.value, 1e-6)
    # Both sides of a thin dark line together are read to about half a pixel.
    error = (
        0.5
        * worlds.mm_per_px
        * named_normals(f"{worlds.key}:width of check {defect.number}", worlds.draws)
    )
    budget = Budget.sum_of(value, "mm", {"boundary": error})
    return Budget(Estimate(value, np.maximum(budget.estimate.draws, 0.0), "mm"), budget.parts)
