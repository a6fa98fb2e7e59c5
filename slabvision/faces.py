"""Both faces of a slab: face B laid on face A, and what is clear through.

Face B is seen from the other side, so it is laid on mirrored; the live edge is the fingerprint
(:mod:`slabvision.faces_match`), named spots marked on both photos help. Clear through is what is
clear on both. Where face B lies is itself uncertain: that is a contribution of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon

from slabvision.clear.region import OTHER_FACE, ClearRegion, Taken, less_other_face
from slabvision.clear.shapes import FaceShape, polygons_only
from slabvision.clear.worlds import Sized, Worlds, nearest_source, sources_of
from slabvision.estimate import Estimate
from slabvision.faces_fit import Landmark, Priors
from slabvision.faces_match import Match, NotTheSameSlabError, lay_on
from slabvision.faces_places import same_places

__all__ = [
    "ClearThrough",
    "Landmark",
    "Match",
    "NotTheSameSlabError",
    "clear_through",
    "depths",
    "landmarks_of",
    "match_faces",
    "through_region",
]

Floats: TypeAlias = NDArray[np.float64]

_LEAST_SCALE_U = 0.0025
"""However well two planes are known, a lens and a drawn outline differ by so much (common practice,
no source)."""


@dataclass(frozen=True, eq=False)
class ClearThrough:
    """What is clear on both faces.

    Attributes
    ----------
    shape : MultiPolygon
        In face A's frame, mm.
    area_mm2 : Sized
        With the causes plane, boundary, flatness and match.
    match : Match
        How face B was laid on face A.
    """

    shape: MultiPolygon
    area_mm2: Sized
    match: Match


def landmarks_of(
    on_a: Mapping[str, tuple[float, float]], on_b: Mapping[str, tuple[float, float]]
) -> tuple[Landmark, ...]:
    """Return the spots of the same name on both faces, mm in each face's frame.

    Examples
    --------
    >>> [m.on_b for m in landmarks_of({"bolt": (1, 2), "fork": (3, 4)}, {"bolt": (5, 6)})]
    [(5, 6)]
    """
    return tuple(Landmark(on_a[name], on_b[name]) for name in on_a if name in on_b)


def match_faces(
    a: ClearRegion,
    b: ClearRegion,
    landmarks: tuple[Landmark, ...] = (),
    *,
    worlds: tuple[Worlds, Worlds] | None = None,
    draws: int,
    key: str,
) -> Match:
    """Lay face B on face A, mirrored.

    Parameters
    ----------
    a, b : ClearRegion
        Each in its own frame.
    landmarks : tuple of Landmark
    worlds : (Worlds, Worlds), optional
        Of A and of B: they say how well the two photos agree in scale. Without them 1 % is taken.
    draws : int
    key : str
        Names the random draws.

    Raises
    ------
    NotTheSameSlabError
        Why the two outlines cannot be, or cannot be shown to be, one slab.
    """
    priors = None if worlds is None else _scales_known(a.face, worlds[0], b.face, worlds[1])
    return lay_on(
        a.face, b.face, mirrored=True, landmarks=landmarks, priors=priors, draws=draws, key=key
    )


def _scales_known(a: FaceShape, worlds_a: Worlds, b: FaceShape, worlds_b: Worlds) -> Priors:
    """Return how far the scales of two photos may differ, along and across, by their planes."""
    sizes = []
    for face, worlds in ((a, worlds_a), (b, worlds_b)):
        u0, v0, u1, v1 = face.outline.bounds
        u, v = (u0 + u1) / 2, (v0 + v1) / 2
        cross = np.array([[u0, v], [u1, v], [u, v0], [u, v1]])
        size = np.ones((worlds.draws, 2))
        for moved in (worlds.moved(cross), worlds.bent(cross)):
            run = np.linalg.norm(moved[:, [1, 3]] - moved[:, [0, 2]], axis=2)
            size = size * run / (u1 - u0, v1 - v0)
        sizes.append(size)
    along, across = np.hypot(np.std(np.log(sizes[0] / sizes[1]), axis=0), _LEAST_SCALE_U)
    return Priors(scale_along=float(along), scale_across=float(across))


def clear_through(
    a: ClearRegion, worlds_a: Worlds, b: ClearRegion, worlds_b: Worlds, match: Match
) -> ClearThrough:
    """Return what is clear, with keep-outs, on both faces.

    Parameters
    ----------
    a, b : ClearRegion
        Each in its own frame.
    worlds_a, worlds_b : Worlds
        How each lies in every draw.
    match : Match
        Of B on A.
    """
    carried = match.to_a(b.with_keep_outs)
    shape = polygons_only(shapely.intersection(a.with_keep_outs, carried))
    value = float(shape.area)
    boundary, moved = np.zeros(worlds_a.draws), np.zeros(worlds_a.draws)
    if not shape.is_empty:
        ends, outward = _pieces(shape)
        middle = ends.mean(axis=1)
        points: Any = shapely.points(middle)
        from_b = shapely.distance(points, carried.boundary) < shapely.distance(
            points, a.with_keep_outs.boundary
        )
        boundary = _drawn(a, worlds_a, ends[~from_b], None)
        boundary = boundary + _drawn(b, worlds_b, ends[from_b], match)
        if from_b.any():
            shift = match.wander(middle[from_b])
            moved = np.einsum("kni,ni->k", shift, outward[from_b])
    parts = {
        "plane": worlds_a.plane_area(shape) - value,
        "boundary": boundary,
        "flatness": worlds_a.bent_area(shape) - value,
        "match": moved,
    }
    whole = Sized.summed(value, "mm2", parts)
    draws = np.maximum(whole.estimate.draws, 0.0)
    return ClearThrough(shape, Sized(Estimate(value, draws, "mm2"), parts), match)


def through_region(a: ClearRegion, b: ClearRegion, match: Match) -> ClearRegion:
    """Return face A's region less all that face B takes: what parts are laid out on.

    Where face B is the narrower one its edge counts as a trim: a squared part needs the wood on
    both faces, a live-edge part keeps the sloping edge.
    """
    name = b.face.face
    beyond = polygons_only(shapely.difference(a.face.outline, match.to_a(b.face.outline)))
    taken: list[Taken] = []
    if not beyond.is_empty:
        source = f"{OTHER_FACE}arris"
        taken.append((f"trim at the edge of face {name}", source, beyond, beyond))
    for removal in b.removals:
        shape, seen = (
            shapely.intersection(match.to_a(s), a.face.outline)
            for s in (removal.shape, removal.as_seen)
        )
        if shape.area > 0:
            said = f"{removal.name}, face {name}"
            taken.append((said, f"{OTHER_FACE}{removal.source}", shape, seen))
    return less_other_face(a, taken, match.wander)


def depths(a: FaceShape, b: FaceShape, match: Match) -> dict[str, frozenset[int]]:
    """Return the numbers of defects that go through: alike, and in one place on both faces.

    Two surface checks over each other are left out: that each is shallow is what they are called.

    Returns
    -------
    dict of str to frozenset of int
        By the names of the two faces.
    """
    carried = {d.number: match.to_a(d.geometry) for d in b.defects}
    deep = [[d for d in face.defects if d.kind != "surface_check"] for face in (a, b)]
    pairs = same_places(deep[0], deep[1], carried, match.u_mm)
    return {a.face: frozenset(i for i, _ in pairs), b.face: frozenset(j for _, j in pairs)}


def _pieces(shape: MultiPolygon) -> tuple[Floats, Floats]:
    """Return the straight pieces of a border, (N, 2, 2), and their outward normals times length."""
    ends, normals = [], []
    for polygon in shapely.get_parts(shapely.simplify(shape, 0.8)):
        for ring in (polygon.exterior, *polygon.interiors):
            points = shapely.get_coordinates(ring)
            along = np.diff(points, axis=0)
            hole = ring is not polygon.exterior
            way = 1.0 if bool(shapely.is_ccw(ring)) != hole else -1.0
            ends.append(np.stack([points[:-1], points[1:]], axis=1))
            normals.append(way * np.stack([along[:, 1], -along[:, 0]], axis=1))
    return np.concatenate(ends), np.concatenate(normals)


def _drawn(region: ClearRegion, worlds: Worlds, ends: Floats, match: Match | None) -> Floats:
    """Return what the hand adds to the area along pieces of border that a face's edges made."""
    change = np.zeros(worlds.draws)
    if len(ends) == 0:
        return change
    found = sources_of(region)
    if match is not None:
        found = [(source, match.to_a(line)) for source, line in found]
    index = nearest_source(found, ends.mean(axis=1))
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    for number, (source, _) in enumerate(found):
        edge = float(length[index == number].sum())
        change = change + worlds.area_change(source, edge if source == "arris" else -edge)
    return change
