"""A slab too long for one photo: two overlapping photos become one face.

Places that show in both photos (marks, nails, corners of the printed board) carry the second
photo's frame to the first's. Each photo keeps its own plane: in every draw both are carried with
the errors of that draw, so the far end knows how well the two hang together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon

from slabvision.clear.shapes import DefectShape, End, FaceShape, polygons_only
from slabvision.clear.worlds import Worlds
from slabvision.estimate import named_rng

__all__ = ["CannotJoinError", "Joined", "join_photos"]

Floats: TypeAlias = NDArray[np.float64]

_TOUCH_MM = 6.0
"""Painted pieces of one defect that meet at the seam this near are one."""

_EDGES_APART_MM = 15.0


class CannotJoinError(ValueError):
    """Two photos cannot be made one face."""


@dataclass(frozen=True, eq=False)
class Joined:
    """One face from two photos.

    Attributes
    ----------
    face : FaceShape
        In the first photo's frame, mm.
    worlds : Worlds
        How its points lie in every draw; key and hand are the first photo's.
    matrix : ndarray, shape (2, 3)
        Carries the second photo's (u, v, 1) to the face's (u, v).
    residual_mm : float
        Root mean square distance between the shared places as the two photos have them.
    scale : float
        Second photo to first, as the shared places have it: 1 when the planes agree.
    seam_mm : float
        Where along ``u`` the photos meet.
    overlap_mm : float
        How far they overlap.
    far_end_u_mm : float
        Standard uncertainty of the second photo's far end against the first photo.
    """

    face: FaceShape
    worlds: Worlds
    matrix: Floats
    residual_mm: float
    scale: float
    seam_mm: float
    overlap_mm: float
    far_end_u_mm: float


def join_photos(
    first: FaceShape,
    worlds_first: Worlds,
    second: FaceShape,
    worlds_second: Worlds,
    shared: Sequence[tuple[tuple[float, float], tuple[float, float]]],
    *,
    mark_u_mm: float = 2.0,
) -> Joined:
    """Join two overlapping photos of one face.

    Parameters
    ----------
    first, second : FaceShape
        Each in its own frame, mm; the ends at which they meet are open.
    worlds_first, worlds_second : Worlds
    shared : sequence of ((u, v), (u, v))
        Two or more places that show in both photos: in the first's frame, in the second's.
    mark_u_mm : float
        Standard uncertainty of one place in one photo.

    Raises
    ------
    CannotJoinError
        Too few places or too close together, photos that disagree in scale or place, no overlap.
    """
    if len(shared) < 2:
        raise CannotJoinError(
            f"{len(shared)} shared place(s); mark at least two that show in both photos, "
            "far apart across and along, or lay the printed board where both see it"
        )
    if worlds_first.draws != worlds_second.draws:
        raise ValueError(
            f"{worlds_first.draws} and {worlds_second.draws} draws: they do not share their worlds"
        )
    a = np.array([pair[0] for pair in shared], dtype=np.float64)
    b = np.array([pair[1] for pair in shared], dtype=np.float64)
    spread = math.sqrt(float(np.sum((a - a.mean(axis=0)) ** 2)))
    if spread < 100.0:
        raise CannotJoinError(
            f"the shared places lie within {spread:.0f} mm of one another: the turn between the "
            "photos stays unknown; mark places at least 150 mm apart"
        )
    prior = _scale_u(first, worlds_first, second, worlds_second)
    from_marks = mark_u_mm * math.sqrt(2) / spread
    trust = prior**2 / (prior**2 + from_marks**2) if prior > 0 else 0.0
    matrix, scale = _similarity(a[None], b[None], trust)
    _agree(a, b, matrix[0], scale[0], math.hypot(prior, from_marks), mark_u_mm)
    best = matrix[0]
    noise = named_rng(f"join:{worlds_first.key}:{worlds_second.key}").standard_normal(
        (2, worlds_first.draws, len(a), 2)
    )
    matrices, _ = _similarity(
        worlds_first.moved(a) + mark_u_mm * noise[0],
        worlds_second.moved(b) + mark_u_mm * noise[1],
        trust,
    )
    carried = _carried(second, best)
    ends = _which_side(first, carried)
    low, high = (first, carried) if ends == ("right", "left") else (carried, first)
    start, stop = high.outline.bounds[0], low.outline.bounds[2]
    if stop - start < 20.0:
        raise CannotJoinError(
            f"the photos do not overlap (a gap of {start - stop:.0f} mm): the pieces between them "
            "cannot be made up"
            if stop < start
            else "the photos overlap by less than 20 mm"
        )
    seam = (start + stop) / 2
    _edges_agree(low, high, (start, stop))
    face = _one_face(low, high, seam, (start, stop), first)
    inverse = np.linalg.inv(best[:, :2])
    far = face.outline.bounds[2 if ends == ("right", "left") else 0]
    corner = (np.array([[far, float(face.outline.centroid.y)]]) - best[:, 2]) @ inverse.T
    there = _apply(matrices, worlds_second.moved(corner))[:, 0]
    straight = worlds_first.moved(np.array([[far, float(face.outline.centroid.y)]]))[:, 0]
    worlds = replace(
        worlds_first,
        warp=_warp(worlds_first, worlds_second, best, matrices, (start, stop), low is first),
    )
    off = b @ best[:, :2].T + best[:, 2] - a
    return Joined(
        face=face,
        worlds=worlds,
        matrix=best,
        residual_mm=float(np.sqrt(np.mean(np.sum(off**2, axis=1)))),
        scale=float(scale[0]),
        seam_mm=float(seam),
        overlap_mm=float(stop - start),
        far_end_u_mm=float(np.sqrt(np.mean(np.var(there - straight, axis=0).sum()))),
    )


# The transform ----------------------------------------------------------------------------------


def _similarity(a: Floats, b: Floats, trust: float) -> tuple[Floats, Floats]:
    """Least-squares turn, shift and (as far as trusted) scale from b to a, for every draw.

    Closed form of Umeyama (1991) in the plane, with complex numbers; no mirroring.
    """
    za, zb = a[..., 0] + 1j * a[..., 1], b[..., 0] + 1j * b[..., 1]
    ma, mb = za.mean(axis=1, keepdims=True), zb.mean(axis=1, keepdims=True)
    cross = np.sum((za - ma) * np.conj(zb - mb), axis=1)
    found = np.abs(cross) / np.sum(np.abs(zb - mb) ** 2, axis=1)
    turn = cross / np.abs(cross) * found**trust
    shift = ma[:, 0] - turn * mb[:, 0]
    matrix = np.empty((len(a), 2, 3))
    matrix[:, 0, 0], matrix[:, 0, 1] = turn.real, -turn.imag
    matrix[:, 1, 0], matrix[:, 1, 1] = turn.imag, turn.real
    matrix[:, 0, 2], matrix[:, 1, 2] = shift.real, shift.imag
    return matrix, found


def _apply(matrices: Floats, points: Floats) -> Floats:
    return np.asarray(
        np.einsum("kij,knj->kni", matrices[:, :, :2], points) + matrices[:, None, :, 2]
    )


def _scale_u(first: FaceShape, worlds_a: Worlds, second: FaceShape, worlds_b: Worlds) -> float:
    """Return how well the planes know the second photo's scale against the first's (1 sigma)."""
    ratios = [
        np.sqrt(worlds.plane_area(face.outline) / face.outline.area)
        for face, worlds in ((first, worlds_a), (second, worlds_b))
    ]
    return float(np.std(ratios[0] / ratios[1]))


def _agree(
    a: Floats, b: Floats, matrix: Floats, scale: float, scale_u: float, mark_u: float
) -> None:
    allowed = 4 * scale_u + 0.002
    if abs(math.log(scale)) > allowed:
        raise CannotJoinError(
            f"the two photos disagree in scale by {abs(scale - 1):.1%} between the shared places; "
            f"{allowed:.1%} is allowed: a reference length mistyped, or a place marked wrongly"
        )
    off = np.linalg.norm(b @ matrix[:, :2].T + matrix[:, 2] - a, axis=1)
    reach = np.linalg.norm(a - a.mean(axis=0), axis=1)
    limit = 4 * np.hypot(mark_u * math.sqrt(2), scale_u * reach) + 2.0
    worst = int(np.argmax(off - limit))
    if off[worst] > limit[worst]:
        raise CannotJoinError(
            f"shared place {worst + 1} lies {off[worst]:.0f} mm apart in the two photos; "
            f"{limit[worst]:.0f} mm is allowed: mark it again"
        )


# The face -----------------------------------------------------------------------------------------


def _carried(face: FaceShape, matrix: Floats) -> FaceShape:
    def move(points: Floats) -> Floats:
        return np.asarray(points @ matrix[:, :2].T + matrix[:, 2])

    def shape(of: Any) -> Any:
        return None if of is None else shapely.transform(of, move)

    turned = matrix[0, 0] < 0
    other: dict[End, End] = {"left": "right", "right": "left"}
    return FaceShape(
        outline=shape(face.outline),
        defects=tuple(
            replace(d, shape=shape(d.shape), centre_line=shape(d.centre_line)) for d in face.defects
        ),
        not_seen=shape(face.not_seen),
        zones={key: shape(value) for key, value in face.zones.items()},
        pith_line=shape(face.pith_line),
        open_ends=frozenset(other[e] if turned else e for e in face.open_ends),
        face=face.face,
    )


def _which_side(first: FaceShape, second: FaceShape) -> tuple[End, End]:
    after = second.outline.centroid.x > first.outline.centroid.x
    meet: tuple[End, End] = ("right", "left") if after else ("left", "right")
    for face, end, name in ((first, meet[0], "first"), (second, meet[1], "second")):
        if end not in face.open_ends:
            raise CannotJoinError(
                f"the {name} photo shows the slab's whole end where the photos should meet; say "
                "that the frame cuts the outline there, or match the faces instead"
            )
    return meet


def _edges_agree(low: FaceShape, high: FaceShape, overlap: tuple[float, float]) -> None:
    """Refuse photos whose outlines run apart where both show the slab."""
    inset = (overlap[1] - overlap[0]) / 10
    _, v0, _, v1 = low.outline.union(high.outline).bounds
    box = shapely.box(overlap[0] + inset, v0 - 1, overlap[1] - inset, v1 + 1)
    line = shapely.segmentize(shapely.intersection(low.outline.boundary, box), 5.0)
    points: Any = shapely.points(shapely.get_coordinates(line))
    if not len(points):
        return
    apart = float(np.median(shapely.distance(points, high.outline.boundary)))
    if apart > _EDGES_APART_MM:
        raise CannotJoinError(
            f"where both photos show the slab their outlines lie {apart:.0f} mm apart in the "
            f"median; up to {_EDGES_APART_MM:.0f} mm is allowed: a shared place marked wrongly, "
            "or a board that was moved between the photos"
        )


def _one_face(
    low: FaceShape, high: FaceShape, seam: float, overlap: tuple[float, float], first: FaceShape
) -> FaceShape:
    u0, v0, _, v1 = low.outline.union(high.outline).bounds
    u1 = max(low.outline.bounds[2], high.outline.bounds[2])
    left = shapely.box(u0 - 1, v0 - 1, seam, v1 + 1)
    right = shapely.box(seam, v0 - 1, u1 + 1, v1 + 1)

    def half(shape: Any, side: Any) -> MultiPolygon:
        return polygons_only(shapely.intersection(shape, side), 0.0)

    # a step of the outlines at the seam is closed over half a millimetre, never smoothed away
    outline = shapely.union_all([half(low.outline, left), half(high.outline, right)])
    parts = polygons_only(outline.buffer(0.5).buffer(-0.5))
    whole = max(shapely.get_parts(parts), key=lambda part: part.area)
    if whole.area < 0.98 * parts.area:
        raise CannotJoinError("the two outlines do not meet at the seam: look at their edges there")
    # what one photo hides the other may show
    both = shapely.box(overlap[0], v0 - 1, overlap[1], v1 + 1)
    hidden = shapely.union_all(
        [
            half(low.not_seen, left).difference(both),
            half(high.not_seen, right).difference(both),
            low.not_seen.intersection(high.not_seen).intersection(both),
        ]
    )
    zones = {
        key: polygons_only(
            shapely.union_all(
                [
                    half(low.zones.get(key, MultiPolygon()), left),
                    half(high.zones.get(key, MultiPolygon()), right),
                ]
            ),
            0.0,
        )
        for key in {*low.zones, *high.zones}
    }
    piths = [p for p in (low.pith_line, high.pith_line) if p is not None]
    return FaceShape(
        outline=whole,
        defects=_defects(low, high, left, right, seam),
        not_seen=polygons_only(hidden, 0.0),
        zones=zones,
        pith_line=_one_line(piths),
        open_ends=frozenset(
            end for end, face in (("left", low), ("right", high)) if end in face.open_ends
        ),
        names=first.names,
        face=first.face,
    )


def _one_line(lines: list[LineString]) -> LineString | None:
    if not lines:
        return None
    points = np.vstack([shapely.get_coordinates(line) for line in lines])
    return LineString(points[np.argsort(points[:, 0], kind="stable")])


def _defects(
    low: FaceShape, high: FaceShape, left: Any, right: Any, seam: float
) -> tuple[DefectShape, ...]:
    """Return the defects of each photo on its side of the seam; what crosses it is one."""
    clash = {d.number for d in low.defects} & {d.number for d in high.defects}
    after = max((d.number for d in low.defects), default=0) if clash else 0
    pieces: list[list[DefectShape]] = []
    for face, side, plus in ((low, left, 0), (high, right, after)):
        here = []
        for defect in face.defects:
            cut = _cut(defect, side)
            if cut is not None:
                here.append(replace(cut, number=defect.number + plus))
        pieces.append(here)
    out, taken = [], set()
    for one in pieces[0]:
        for two in pieces[1]:
            meets = two.number not in taken and one.kind == two.kind
            if meets and _meet_at(one, two, seam):
                one = _as_one(one, two)
                taken.add(two.number)
        out.append(one)
    return tuple(out + [two for two in pieces[1] if two.number not in taken])


def _cut(defect: DefectShape, side: Any) -> DefectShape | None:
    shape = polygons_only(shapely.intersection(defect.shape, side), 0.0)
    line: Any = None
    if defect.centre_line is not None:
        kept = shapely.intersection(defect.centre_line, side)
        lines = [p for p in shapely.get_parts(kept) if p.geom_type == "LineString"]
        line = max(lines, key=lambda part: part.length) if lines else None
    if shape.is_empty and line is None:
        return None
    whole = defect.geometry.difference(side)
    length = defect.length_mm if whole.is_empty or (whole.length < 1) else None
    return replace(defect, shape=shape, centre_line=line, length_mm=length)


def _meet_at(one: DefectShape, two: DefectShape, seam: float) -> bool:
    a, b = one.geometry, two.geometry
    near = abs(a.bounds[2] - seam) < _TOUCH_MM and abs(b.bounds[0] - seam) < _TOUCH_MM
    return bool(near and a.distance(b) < _TOUCH_MM)


def _as_one(one: DefectShape, two: DefectShape) -> DefectShape:
    lines = [d.centre_line for d in (one, two) if d.centre_line is not None]
    return replace(
        one,
        shape=polygons_only(shapely.union(one.shape, two.shape), 0.0),
        centre_line=_one_line(lines) if len(lines) == 2 else (lines[0] if lines else None),
        length_mm=None,
    )


def _warp(
    worlds_a: Worlds,
    worlds_b: Worlds,
    best: Floats,
    matrices: Floats,
    overlap: tuple[float, float],
    first_is_low: bool,
) -> Callable[[Floats], Floats]:
    """Return the joined face's points in every draw: each photo on its side, a ramp between."""
    inverse = np.linalg.inv(best[:, :2])

    def warp(points: Floats) -> Floats:
        own = (points - best[:, 2]) @ inverse.T
        from_a = worlds_a.moved(points)
        from_b = _apply(matrices, worlds_b.moved(own))
        share = np.clip((points[:, 0] - overlap[0]) / (overlap[1] - overlap[0]), 0.0, 1.0)
        weight = share if first_is_low else 1.0 - share
        return np.asarray(from_a + weight[None, :, None] * (from_b - from_a))

    return warp
