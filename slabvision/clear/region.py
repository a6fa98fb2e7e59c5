"""What is clear on a face: as seen, and with keep-outs and trims; and what takes how much."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon

from slabvision.clear.grain import Grain, local_grain
from slabvision.clear.keepouts import grown, sum_with_box
from slabvision.clear.shapes import (
    EDGES,
    ENDS,
    DefectShape,
    End,
    FaceShape,
    polygons_only,
    sides,
)
from slabvision.defects import ZONES, KeepOut, Treatment, defect_kind, keep_out
from slabvision.units import MM_PER_IN

__all__ = [
    "OTHER_FACE",
    "ClearRegion",
    "Removal",
    "Taken",
    "Trims",
    "clear_region",
    "less_other_face",
]

Floats: TypeAlias = NDArray[np.float64]
Taken: TypeAlias = tuple[str, str, Any, Any]
"""Name, source, shape with keep-out, shape as seen: what becomes a :class:`Removal`."""

OTHER_FACE = "other face "
"""Sources of what the other face takes begin so."""
END_TRIM_COATED_MM = 2 * MM_PER_IN
END_TRIM_BARE_MM = 4 * MM_PER_IN
EDGE_TRIM_MM = 0.25 * MM_PER_IN
"""Common practice, no source: an end with nothing visible is cut back 2 in when it was coated,
4 in when bare; a live edge of a squared part 1/4 in behind the arris."""


@dataclass(frozen=True)
class Trims:
    """What is cut off all round, mm: each end along the local grain, each edge square to it."""

    left: float = 0.0
    right: float = 0.0
    top: float = 0.0
    bottom: float = 0.0

    def __post_init__(self) -> None:
        for side in (*ENDS, *EDGES):
            value = getattr(self, side)
            if not 0 <= value < 10_000:
                raise ValueError(f"trim at {side} is {value:g} mm; 0 to 10000 is allowed")

    @classmethod
    def usual(cls, *, coated: Collection[End] = ()) -> Trims:
        """Return the usual trims: 4 in at a bare end, 2 in at a coated one, 1/4 in at edges."""
        left, right = (END_TRIM_COATED_MM if end in coated else END_TRIM_BARE_MM for end in ENDS)
        return cls(left, right, EDGE_TRIM_MM, EDGE_TRIM_MM)


@dataclass(frozen=True)
class Removal:
    """One thing that takes wood away.

    Attributes
    ----------
    name : str
        As people call it: ``"end check 3"``, ``"trim at end A"``, ``"not seen"``.
    source : str
        Whose drawn edge bounds it: ``"arris"``, ``"defect 3"``, ``"not seen"``, ``"zone sapwood"``.
    shape : MultiPolygon
        What is taken, with its keep-out, within the outline, mm.
    as_seen : MultiPolygon
        What was painted of it, within the outline, mm; empty for trims.
    alone_mm2 : float
        Area of ``shape``.
    counted_mm2 : float
        Its share when everything is taken in the order of the list, nothing twice: these sum
        to what is missing from the outline.
    frees_mm2 : float
        What would come back if this alone were left.
    """

    name: str
    source: str
    shape: MultiPolygon
    as_seen: MultiPolygon
    alone_mm2: float
    counted_mm2: float
    frees_mm2: float


@dataclass(frozen=True, eq=False)
class ClearRegion:
    """Clear wood on a face (or through both), polygons in mm.

    Attributes
    ----------
    face : FaceShape
        What it was made from.
    grain : Grain
        Local grain.
    as_seen : MultiPolygon
        Outline less what is avoided as painted and less what was not seen.
    with_keep_outs : MultiPolygon
        Also less keep-outs and trims: what can be cut.
    as_seen_if_unseen_clear, if_unseen_clear : MultiPolygon
        The same two if everything that is covered were clear.
    removals : tuple of Removal
        What takes how much, in the order it is counted.
    fills : tuple of DefectShape
        Defects that count as clear because they will be filled.
    stamp : str
        ``"one face seen"``, or ``"clear through"`` for a region of both faces.
    in_view_only : bool
        The frame cuts the slab: areas are clear *in view*, not of the slab.
    wander : callable, optional
        How far what the other face takes lies off in every draw: (N, 2) mm to (draws, N, 2) mm.
    swell : mapping of source to (along, across)
        By how much more than a drawn edge what is kept out round it moves, per mm.
    """

    face: FaceShape
    grain: Grain
    as_seen: MultiPolygon
    with_keep_outs: MultiPolygon
    as_seen_if_unseen_clear: MultiPolygon
    if_unseen_clear: MultiPolygon
    removals: tuple[Removal, ...]
    fills: tuple[DefectShape, ...] = ()
    stamp: str = "one face seen"
    trims: Trims = field(default_factory=Trims)
    wander: Callable[[Floats], Floats] | None = None
    swell: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def area_mm2(self) -> float:
        """Clear area with keep-outs, mm²."""
        return float(self.with_keep_outs.area)

    @property
    def as_seen_mm2(self) -> float:
        """Clear area as seen, mm²."""
        return float(self.as_seen.area)

    @property
    def if_unseen_clear_mm2(self) -> float:
        """Clear area with keep-outs if everything covered were clear, mm²."""
        return float(self.if_unseen_clear.area)

    @property
    def gross_mm2(self) -> float:
        """Area inside the outline, mm²."""
        return float(self.face.outline.area)

    @property
    def in_view_only(self) -> bool:
        """Whether the photo's frame cuts the slab."""
        return bool(self.face.open_ends)

    @property
    def not_seen_mm2(self) -> float:
        """Covered part of the face, mm²."""
        return float(shapely.intersection(self.face.outline, self.face.not_seen).area)

    @property
    def defect_keep_outs(self) -> Any:
        """Everything taken except trims: what a live-edge part has to stay clear of."""
        return shapely.union_all(
            [r.shape for r in self.removals if not r.name.startswith("trim at ")]
        )


def clear_region(
    face: FaceShape,
    *,
    treatments: Mapping[str, Treatment] | None = None,
    keep_outs: Mapping[str, KeepOut] | None = None,
    trims: Trims | None = None,
    avoid_zones: Collection[str] = (),
    species: str | None = None,
    thickness_mm: float | None = None,
    wet_face: bool = False,
    grain: Grain | None = None,
) -> ClearRegion:
    """Return what is clear on a face, mm, and what takes how much.

    Parameters
    ----------
    face : FaceShape
    treatments : mapping of kind to {"avoid", "accept", "fill"}, optional
        What this purchase does with a kind, instead of the kind's own default.
    keep_outs : mapping of kind to KeepOut, optional
        This person's own keep-outs.
    trims : Trims, optional
        Cut back at each end and edge; none unless given (``Trims.usual()``).
    avoid_zones : collection of str
        Zones that are not wanted (``"sapwood"`` after live insects).
    species, thickness_mm, wet_face
        Choose the default keep-outs, see :func:`slabvision.defects.keep_out`.
    grain : Grain, optional
        Local grain, if known already.

    Returns
    -------
    ClearRegion

    Examples
    --------
    A check 300 mm long and 4 mm wide in the middle of a 2000 x 600 mm face, kept 1 in away along
    the grain and 1/4 in across:

    >>> check = DefectShape(1, "surface_check", shapely.box(800, 300, 1100, 304))
    >>> region = clear_region(FaceShape(shapely.box(0, 0, 2000, 600), (check,)))
    >>> region.as_seen_mm2, round(region.gross_mm2 - region.area_mm2, 1)
    (1198800.0, 5858.4)
    """
    trims = trims or Trims()
    grain = grain or local_grain(face)
    for key in treatments or {}:
        defect_kind(key)
    for key in keep_outs or {}:
        defect_kind(key)
    taken: list[Taken] = []
    swell: dict[str, tuple[float, float]] = {}
    fills: list[DefectShape] = []
    for defect in face.defects:
        treatment = defect.treatment or (treatments or {}).get(
            defect.kind, defect_kind(defect.kind).treatment
        )
        if treatment not in ("avoid", "accept", "fill"):
            raise ValueError(f"treatment of {defect.kind} is {treatment!r}; avoid, accept or fill")
        if treatment == "fill":
            fills.append(defect)
        if treatment != "avoid":
            continue
        keep = keep_out(
            defect.kind,
            species=species,
            thickness_mm=thickness_mm,
            wet_face=wet_face,
            overrides=dict(keep_outs) if keep_outs else None,
        )
        shape = grown(defect, keep, grain, face.outline)
        u0, v0, u1, v1 = defect.geometry.bounds
        swell[f"defect {defect.number}"] = keep.swell(u1 - u0, v1 - v0)
        taken.append((defect.title, f"defect {defect.number}", shape, defect.shape))
    for key in avoid_zones:
        if key not in ZONES:
            raise KeyError(f"zone {key!r} is not known; one of {', '.join(ZONES)}")
        under = face.zones.get(key)
        if under is not None and not under.is_empty:
            taken.append((ZONES[key].title, f"zone {key}", under, under))
    taken += _trimmed(face, grain, trims)
    if not face.not_seen.is_empty:
        taken.append(("not seen", "not seen", face.not_seen, face.not_seen))
    return replace(_assembled(face, grain, taken, tuple(fills), trims), swell=swell)


def less_other_face(
    region: ClearRegion, taken: Sequence[Taken], wander: Callable[[Floats], Floats]
) -> ClearRegion:
    """Return a face's region less what the other face takes, carried to this one's frame.

    Parameters
    ----------
    region : ClearRegion
        Of this face.
    taken : sequence of Taken
        Of the other face; each source begins with :data:`OTHER_FACE`.
    wander : callable
        How far it lies off in every draw.
    """
    own: list[Taken] = [(r.name, r.source, r.shape, r.as_seen) for r in region.removals]
    both = _assembled(
        region.face, region.grain, own + list(taken), region.fills, region.trims, "clear through"
    )
    return replace(both, wander=wander, swell=region.swell)


def _trimmed(face: FaceShape, grain: Grain, trims: Trims) -> list[Taken]:
    four = sides(face.outline)
    out = []
    for end, way in (("left", 1.0), ("right", -1.0)):
        depth = getattr(trims, end)
        if depth == 0 or end in face.open_ends:
            continue  # where the frame cuts the slab there is no end to trim
        st = shapely.get_coordinates(grain.shape_to_st(getattr(four, end)))
        # the end line goes on square to the grain, for edges that flare beyond its corners
        line = shapely.LineString(np.vstack([st[0] - (0, 500.0), st, st[-1] + (0, 500.0)]))
        # swept inwards along the grain, from a hair outside so that nothing is left
        swept = shapely.transform(
            sum_with_box(line, (depth + 1.0) / 2, 0.0),
            partial(np.add, np.array((way * (depth - 1.0) / 2, 0.0))),
        )
        shape = polygons_only(grain.shape_to_uv(swept), 0.0)
        out.append((f"trim at {face.names[end]}", "arris", shape, MultiPolygon()))
    for edge in EDGES:
        depth = getattr(trims, edge)
        if depth == 0:
            continue
        shape = polygons_only(shapely.buffer(getattr(four, edge), depth, quad_segs=16), 0.0)
        out.append((f"trim at {face.names[edge]}", "arris", shape, MultiPolygon()))
    return out


def _assembled(
    face: FaceShape,
    grain: Grain,
    taken: list[Taken],
    fills: tuple[DefectShape, ...],
    trims: Trims,
    stamp: str = "one face seen",
) -> ClearRegion:
    outline = face.outline
    shapes = np.array(
        [polygons_only(shapely.intersection(shape, outline), 0.0) for _, _, shape, _ in taken],
        dtype=object,
    )
    seen = [
        polygons_only(shapely.intersection(bare, outline), 0.0) if not bare.is_empty else bare
        for *_, bare in taken
    ]
    unseen = [source.removeprefix(OTHER_FACE) == "not seen" for _, source, *_ in taken]

    def less(parts: list[Any]) -> MultiPolygon:
        return polygons_only(shapely.difference(outline, shapely.union_all(parts)))

    removals = []
    for i, (name, source, _, _) in enumerate(taken):
        others = [shapes[j] for j in range(len(taken)) if j != i and _meet(shapes[i], shapes[j])]
        frees = shapely.difference(shapes[i], shapely.union_all(others)).area
        earlier = [shapes[j] for j in range(i) if _meet(shapes[i], shapes[j])]
        counted = shapely.difference(shapes[i], shapely.union_all(earlier)).area
        areas = (float(shapes[i].area), float(counted), float(frees))
        removals.append(Removal(name, source, shapes[i], seen[i], *areas))
    return ClearRegion(
        face=face,
        grain=grain,
        as_seen=less(seen),
        with_keep_outs=less(list(shapes)),
        as_seen_if_unseen_clear=less([s for s, hid in zip(seen, unseen, strict=True) if not hid]),
        if_unseen_clear=less([s for s, hid in zip(shapes, unseen, strict=True) if not hid]),
        removals=tuple(removals),
        fills=fills,
        stamp=stamp,
        trims=trims,
    )


def _meet(a: Any, b: Any) -> bool:
    p, q = a.bounds, b.bounds
    return bool(p[0] < q[2] and q[0] < p[2] and p[1] < q[3] and q[1] < p[3])
