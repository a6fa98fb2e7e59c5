"""The face of a slab as polygons in millimetres, and its four sides.

Everything lies in the face's frame: ``u`` along the slab, ``v`` across it. Drawn with ``u`` to the
right and ``v`` downwards, the side of least ``u`` is *left*, of least ``v`` *top*. People see names
for them ("end A", "top edge"), which a caller may replace ("butt end").
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon

from slabvision.defects import ZONES, Depth, defect_kind

__all__ = [
    "EDGES",
    "ENDS",
    "SIDES",
    "BadOutlineError",
    "DefectShape",
    "Edge",
    "End",
    "FaceShape",
    "Sides",
    "check_outline",
    "long_axis",
    "polygons_only",
    "sides",
]

Floats: TypeAlias = NDArray[np.float64]
End: TypeAlias = Literal["left", "right"]
Edge: TypeAlias = Literal["top", "bottom"]
Side: TypeAlias = Literal["left", "right", "top", "bottom"]

ENDS: tuple[End, End] = ("left", "right")
EDGES: tuple[Edge, Edge] = ("top", "bottom")
SIDES: tuple[Side, ...] = ("left", "right", "top", "bottom")

_NAMES = MappingProxyType(
    {"left": "end A", "right": "end B", "top": "top edge", "bottom": "bottom edge"}
)

_SLIVER_MM2 = 1.0
"""Crumbs of polygon overlay below this are rounding, not wood."""


class BadOutlineError(ValueError):
    """An outline cannot be used; ``place_mm`` says where, ``None`` when it is the whole."""

    def __init__(self, message: str, place_mm: tuple[float, float] | None = None) -> None:
        super().__init__(message)
        self.place_mm = place_mm


@dataclass(frozen=True)
class DefectShape:
    """One defect of a face.

    Attributes
    ----------
    number : int
        Its number in the record.
    kind : str
        Key in :data:`slabvision.defects.KINDS`.
    shape : MultiPolygon
        What was painted, mm; may be empty where only a line was traced.
    centre_line : LineString, optional
        Traced line of a check, mm.
    length_mm : float, optional
        Length that is meant (a traced check's); otherwise it is taken from the shape.
    depth : {"face", "through", "unknown"}
        How deep it goes, as far as is known.
    treatment : {"avoid", "accept", "fill"}, optional
        What is done with this one, against the purchase's rule for its kind.
    """

    number: int
    kind: str
    shape: MultiPolygon | Polygon
    centre_line: LineString | None = None
    length_mm: float | None = None
    depth: Depth = "unknown"
    treatment: Literal["avoid", "accept", "fill"] | None = None

    def __post_init__(self) -> None:
        defect_kind(self.kind)
        object.__setattr__(self, "shape", _sound(self.shape, f"defect {self.number}"))
        if self.shape.is_empty and self.centre_line is None:
            raise BadOutlineError(
                f"defect {self.number} ({self.kind}) has neither a painted shape nor a line"
            )

    @property
    def title(self) -> str:
        """What it is called, for instance ``"end check 3"``."""
        return f"{defect_kind(self.kind).title} {self.number}"

    @property
    def geometry(self) -> Any:
        """The painted shape together with the traced line."""
        if self.centre_line is None:
            return self.shape
        if self.shape.is_empty:
            return self.centre_line
        return shapely.union(self.shape, self.centre_line)


@dataclass(frozen=True)
class FaceShape:
    """One face of a slab in millimetres.

    Attributes
    ----------
    outline : Polygon
        Where the face ends (the arris unless the caller says otherwise); ``u`` along the slab.
        Openings in the slab may be given as holes.
    defects : tuple of DefectShape
        What lies on it.
    not_seen : MultiPolygon
        Parts that are covered (tape, sticker, boot, mud): never clear.
    zones : mapping of str to MultiPolygon
        What lies under the defects (sapwood, stain, ...), by key of ``ZONES``.
    pith_line : LineString, optional
        A drawn pith line; it then says which way the grain runs.
    open_ends : frozenset of {"left", "right"}
        Ends that the photo's frame cuts: the slab goes on there, unseen.
    names : mapping of str to str
        What the ends and edges are called.
    face : str
        ``"A"`` or ``"B"``.

    Raises
    ------
    BadOutlineError
        The outline crosses itself or has no area; the place is named, nothing is repaired.
    """

    outline: Polygon
    defects: tuple[DefectShape, ...] = ()
    not_seen: MultiPolygon | Polygon = field(default_factory=MultiPolygon)
    zones: Mapping[str, MultiPolygon | Polygon] = field(default_factory=dict)
    pith_line: LineString | None = None
    open_ends: frozenset[End] = frozenset()
    names: Mapping[str, str] = field(default_factory=dict)
    face: str = "A"

    def __post_init__(self) -> None:
        check_outline(self.outline)
        object.__setattr__(self, "not_seen", _sound(self.not_seen, "not seen"))
        zones = {}
        for key, shape in self.zones.items():
            if key not in ZONES:
                raise KeyError(f"zone {key!r} is not known; one of {', '.join(ZONES)}")
            zones[key] = _sound(shape, f"zone {key}")
        object.__setattr__(self, "zones", MappingProxyType(zones))
        for name in (*self.open_ends, *self.names):
            if name not in SIDES:
                raise ValueError(f"side {name!r} is not known; one of {', '.join(SIDES)}")
        object.__setattr__(self, "names", MappingProxyType({**_NAMES, **self.names}))
        numbers = [defect.number for defect in self.defects]
        if len(set(numbers)) != len(numbers):
            raise ValueError(f"two defects share a number: {sorted(numbers)}")


def check_outline(outline: Polygon, *, what: str = "outline") -> None:
    """Refuse an outline that has no area or crosses itself, naming the place in mm."""
    if outline.geom_type != "Polygon":
        raise BadOutlineError(f"{what} is a {outline.geom_type}; one closed polygon is needed")
    if not np.isfinite(shapely.get_coordinates(outline)).all():
        raise BadOutlineError(f"{what} has points that are not numbers; draw it again")
    if not shapely.is_valid(outline):
        reason = str(shapely.is_valid_reason(outline))
        found = re.search(r"\[\s*(\S+)\s+(\S+?)\s*\]", reason)
        place = (float(found[1]), float(found[2])) if found else None
        at = f" near u = {place[0]:.0f} mm, v = {place[1]:.0f} mm" if place else ""
        does = "crosses itself" if "intersection" in reason.lower() else "is not one closed line"
        raise BadOutlineError(
            f"{what} {does}{at} ({reason.split('[')[0].lower()}): move the points there; "
            "nothing was changed",
            place,
        )
    if outline.is_empty or outline.area < 100.0:
        raise BadOutlineError(f"{what} has an area of {outline.area:.3g} mm2; at least 1 cm2")


_AS_WIDE_AS_LONG = 1.1
"""Spread along over spread across below which second moments say little about a direction."""


def long_axis(outline: Polygon) -> Floats:
    """Return the direction of a slab: of the long principal axis of its area.

    Parameters
    ----------
    outline : Polygon
        With or without holes.

    Returns
    -------
    ndarray, shape (2,)
        Unit vector; its first component is not negative.

    Notes
    -----
    The second moments of a polygon follow from its corners by Green's theorem. Every edge has its
    share in the axis, so that a hand's wobble averages out of it. The smallest enclosing rectangle
    would hang on two corners: drawn a millimetre otherwise it turns by a degree or more, and a
    metre-wide slab's length with it by 18 mm. Only a slab about as wide as long is laid along that
    rectangle, for there the moments have no direction.

    Examples
    --------
    >>> long_axis(shapely.box(0, 0, 2000, 600)).tolist()
    [1.0, 0.0]
    """
    turned = shapely.orient_polygons(outline)  # holes run the other way round and take away
    middle = shapely.get_coordinates(outline.centroid)[0]
    xx = yy = xy = 0.0
    for ring in shapely.get_rings(turned):
        x, y = (shapely.get_coordinates(ring) - middle).T
        x0, y0, x1, y1 = x[:-1], y[:-1], x[1:], y[1:]
        cross = x0 * y1 - x1 * y0
        xx += float(cross @ (x0 * x0 + x0 * x1 + x1 * x1)) / 12
        yy += float(cross @ (y0 * y0 + y0 * y1 + y1 * y1)) / 12
        xy += float(cross @ (x0 * y1 + 2 * x0 * y0 + 2 * x1 * y1 + x1 * y0)) / 24
    moments, axes = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    if moments[1] < _AS_WIDE_AS_LONG**2 * moments[0]:
        box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(outline))[:3]
        pair = np.diff(box, axis=0)
        way = pair[int(np.argmax(np.linalg.norm(pair, axis=1)))]
    else:
        way = axes[:, 1]
    way = way / np.linalg.norm(way)
    return np.asarray(-way if way[0] < 0 or (way[0] == 0 and way[1] < 0) else way) + 0.0


def _sound(shape: Any, what: str) -> MultiPolygon:
    """Painted regions may touch themselves at a corner; anything worse is refused."""
    if not shapely.is_valid(shape):
        mended = shapely.make_valid(shape)
        kept = polygons_only(mended, 0.0)
        painted = sum(
            Polygon(part.exterior).area - sum(Polygon(hole).area for hole in part.interiors)
            for part in getattr(shape, "geoms", [shape])
        )
        if abs(kept.area - abs(painted)) > 0.005 * max(kept.area, 1.0):
            reason = str(shapely.is_valid_reason(shape))
            raise BadOutlineError(f"the shape of {what} crosses itself: {reason.lower()}")
        return kept
    return polygons_only(shape, 0.0)


def polygons_only(shape: Any, sliver_mm2: float = _SLIVER_MM2) -> MultiPolygon:
    """Return the polygons of any overlay result, without crumbs below ``sliver_mm2``."""
    parts = shapely.get_parts(shapely.get_parts(np.atleast_1d(shape)))
    keep = (shapely.get_type_id(parts) == 3) & (shapely.area(parts) > sliver_mm2)
    return MultiPolygon(list(parts[keep]))


@dataclass(frozen=True)
class Sides:
    """The four sides of an outline as lines, mm, and the corners between them.

    Attributes
    ----------
    top, bottom : LineString
        The edges, from the left end to the right end.
    left, right : LineString
        The ends, from the top edge to the bottom edge.
    """

    left: LineString
    right: LineString
    top: LineString
    bottom: LineString


def sides(outline: Polygon) -> Sides:
    """Split an outline into its two ends and two edges.

    The corner between two sides is the point that lies furthest towards it at 45 degrees. Of
    all ways to cut the line into four that is the one whose ends face most along the slab
    and whose edges face most across it (the sum over the sides of outward normal times
    length depends on the four corners alone, and each corner maximises its own share).
    """
    ring = shapely.get_coordinates(outline.exterior)[:-1]
    if not shapely.is_ccw(outline.exterior):
        ring = ring[::-1]  # top is walked from left to right, then the right end downwards
    u, v = ring[:, 0], ring[:, 1]
    corners = [
        int(np.argmin(u + v)),  # top left
        int(np.argmax(u - v)),  # top right
        int(np.argmax(u + v)),  # bottom right
        int(np.argmin(u - v)),  # bottom left
    ]
    if len(set(corners)) < 4:
        raise BadOutlineError(
            "outline has no four corners (a wedge or a sliver): two ends and two edges are needed"
        )

    def walk(start: int, stop: int) -> Floats:
        stop = stop if stop > start else stop + len(ring)
        return np.asarray(ring[np.arange(start, stop + 1) % len(ring)])

    top, right, bottom, left = (walk(corners[i], corners[(i + 1) % 4]) for i in range(4))
    lengths = [LineString(side) for side in (top, right, bottom, left)]
    if sum(line.length for line in lengths) > 1.001 * outline.exterior.length:
        raise BadOutlineError("outline has no four corners in order; is u along the slab?")
    return Sides(
        top=lengths[0],
        right=lengths[1],
        bottom=LineString(bottom[::-1]),
        left=LineString(left[::-1]),
    )
