"""What has to be cut from slabs: wanted parts as pieces at their rough size."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely import Polygon, affinity

from slabvision.desk.offers import both

if TYPE_CHECKING:
    from slabvision.clear.parts import Part
    from slabvision.desk.offers import Offer
    from slabvision.desk.wanted import Shop, Wanted, WantedPart

__all__ = ["Piece", "pieces_of", "rough", "shop_refuses"]


@dataclass(frozen=True, eq=False)
class Piece:
    """One kind of piece and how many of it are wanted.

    Attributes
    ----------
    name : str
    part : WantedPart
    count : int
        A glued-up top counts its strips.
    length_mm, width_mm : float
        Finished, before allowances; of a round both are the diameter.
    """

    name: str
    part: WantedPart
    count: int
    length_mm: float
    width_mm: float

    @property
    def area_mm2(self) -> float:
        """Finished area: no rough piece is smaller."""
        if self.part.shape == "round":
            return math.pi / 4 * self.length_mm**2
        if self.part.shape == "outline":
            return float(_outline(self.part).area)
        return self.length_mm * self.width_mm


def _outline(part: WantedPart) -> Polygon:
    scale = 25.4 if part.outline_unit == "in" else 1.0
    return Polygon(np.array(part.outline) * scale)


def pieces_of(wanted: Wanted) -> tuple[Piece, ...]:
    """Return the pieces of all parts; a glued-up top becomes strips of equal width."""
    out = []
    for part in wanted.part:
        match part.shape:
            case "round":
                size = float(part.diameter or 0.0)
                out.append(Piece(part.name, part, part.count, size, size))
            case "rectangle":
                out.append(
                    Piece(part.name, part, part.count, part.length or 0.0, part.width or 0.0)
                )
            case "glued-up":
                strip = (part.width or 0.0) / part.strips + part.joint
                name = f"strip of {part.name}"
                out.append(Piece(name, part, part.count * part.strips, part.length or 0.0, strip))
            case "live edge":
                out.append(
                    Piece(part.name, part, part.count, part.length or 0.0, part.least_width or 0.0)
                )
            case "outline":
                u0, v0, u1, v1 = _outline(part).bounds
                out.append(Piece(part.name, part, part.count, u1 - u0, v1 - v0))
    return tuple(out)


def rough(piece: Piece, offer: Offer) -> Part:
    """Return a piece as it is cut now from this slab: shrinkage across, allowance all round."""
    from slabvision.clear.parts import LiveEdgePart, OutlinePart, RectPart, RoundPart

    part, more = piece.part, 2 * piece.part.allowance
    match part.shape:
        case "round":
            return RoundPart(piece.length_mm * offer.across + more, name=piece.name)
        case "live edge":
            return LiveEdgePart(
                piece.length_mm + more,
                (part.least_width or 0.0) * offer.across,
                (part.most_width or 0.0) * offer.across,
                keep=part.keep,
                name=piece.name,
            )
        case "outline":
            wide = affinity.scale(_outline(part), 1.0, offer.across, origin=(0, 0))
            grown = wide.buffer(part.allowance, join_style="mitre")
            return OutlinePart(Polygon(grown.exterior), part.off_grain_deg, name=piece.name)
        case _:
            return RectPart(
                piece.length_mm + more,
                piece.width_mm * offer.across + more,
                part.off_grain_deg,
                name=piece.name,
            )


def template(shape: Part) -> Polygon:
    """Return a part's rough outline about its middle, its length along x."""
    from slabvision.clear.parts import RectPart, RoundPart

    if isinstance(shape, RoundPart):
        # corners outside the circle, so that the polygon is never smaller than the part
        radius = shape.diameter_mm / 2 / math.cos(math.pi / 48)
        return Polygon(shapely.Point(0, 0).buffer(radius, quad_segs=12).exterior)
    if isinstance(shape, RectPart):
        half = np.array([shape.length_mm, shape.width_mm]) / 2
        return shapely.box(*-half, *half)
    outline: Any = shape.outline if hasattr(shape, "outline") else None
    if outline is None:
        raise TypeError("a live-edge part has no outline of its own")
    u0, v0, u1, v1 = outline.bounds
    return Polygon(affinity.translate(outline, -(u0 + u1) / 2, -(v0 + v1) / 2).exterior)


def shop_refuses(piece: Piece, shop: Shop) -> str:
    """Return which of the shop's limits a piece breaks, and by how much; empty for none."""
    lesser = min(piece.length_mm, piece.width_mm)
    if shop.flattening_bed_width is not None and lesser > shop.flattening_bed_width:
        return (
            f"flattening bed: {both(lesser)} across, {both(lesser - shop.flattening_bed_width)} "
            f"over {both(shop.flattening_bed_width)}"
        )
    top = lesser
    if piece.part.shape == "glued-up":
        top = min(piece.length_mm, piece.part.width or 0.0)
    if shop.door_height is not None and top > shop.door_height:
        return (
            f"door: lesser side {both(top)}, {both(top - shop.door_height)} over "
            f"{both(shop.door_height)}"
        )
    return ""


def slab_too_long(offer: Offer, shop: Shop) -> str:
    """Return which limit the slab itself breaks; empty for none."""
    for what, limit in (("kiln", shop.kiln_length), ("truck bed", shop.truck_bed_length)):
        if limit is not None and offer.length_mm > limit:
            return (
                f"{what}: slab {both(offer.length_mm)} long, {both(offer.length_mm - limit)} "
                f"over {both(limit)}"
            )
    return ""
