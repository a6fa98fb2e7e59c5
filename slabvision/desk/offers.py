"""Slabs as the buying desk sees them: clear wood, thickness, rings, landed cost."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slabvision.estimate import Estimate

if TYPE_CHECKING:
    from slabvision.clear.region import ClearRegion, Trims
    from slabvision.clear.shapes import FaceShape
    from slabvision.clear.worlds import Worlds
    from slabvision.desk.wanted import Costs, WantedPart
    from slabvision.faces_match import Match
    from slabvision.findings import Findings
    from slabvision.trade.rings import RingProfile

__all__ = ["Offer", "offer_of"]

_UNKNOWN_SHRINKAGE = 0.03
"""Added across the grain where moisture or species is not known (common practice, no source)."""
_UNKNOWN_WARP_MM = 12.7
"""Taken for flattening where nobody measured the bow: 1/2 in (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Offer:
    """One slab for sale.

    Attributes
    ----------
    name : str
        Its tag, else its folder's name.
    face : FaceShape
        Parts are laid out in its frame.
    other : FaceShape or None
        The other face, where it was photographed and laid on this one by ``match``.
    cost : float
        Landed, in the yard's currency.
    thickness_mm : float
        Lower end of the mean thickness; NaN where it was not read.
    scale_u : float
        Relative standard uncertainty of lengths on the face.
    edge_u_mm : float
        Standard uncertainty of a drawn edge.
    ring_angle_deg : Estimate or None
        Mean over the width; None where no end was read.
    across : float
        Factor by which a size across the grain must be cut larger now.
    weight_kg : float
        Upper end; NaN where not determined.
    loss : callable or None
        Upper end of what flattening takes from a part of a length and width, mm.
    """

    name: str
    face: FaceShape
    cost: float
    thickness_mm: float = math.nan
    species: str = ""
    log: str = ""
    scale_u: float = 0.0
    edge_u_mm: float = 0.0
    ring_angle_deg: Estimate | None = None
    across: float = 1.0
    weight_kg: float = math.nan
    trims: Trims | None = None
    wet_face: bool = False
    loss: Any = None
    worlds: Worlds | None = None
    folder: str = ""
    notes: tuple[str, ...] = ()
    other: FaceShape | None = None
    other_wet: bool = False
    match: Match | None = None
    regions: dict[tuple[tuple[str, str], ...], ClearRegion] = field(default_factory=dict)

    def region(self, treatments: Mapping[str, str]) -> ClearRegion:
        """Return what is clear for a part that treats defects so; made once.

        Clear through both faces where the other one was laid on this one.
        """
        from slabvision.faces import through_region

        key = tuple(sorted(treatments.items()))
        if key not in self.regions:
            region = self._of_face(self.face, treatments, self.wet_face)
            if self.other is not None and self.match is not None:
                below = self._of_face(self.other, treatments, self.other_wet)
                region = through_region(region, below, self.match)
            self.regions[key] = region
        return self.regions[key]

    def _of_face(self, face: FaceShape, treatments: Mapping[str, str], wet: bool) -> ClearRegion:
        from slabvision.clear.region import Trims, clear_region

        return clear_region(
            face,
            treatments=dict(treatments),  # type: ignore[arg-type]
            trims=self.trims or Trims.usual(),
            species=self.species,
            thickness_mm=None if math.isnan(self.thickness_mm) else self.thickness_mm,
            wet_face=wet,
        )

    def margin_mm(self, size_mm: float) -> float:
        """Return the room a part of a size needs all round for its fit to be sure (95 %)."""
        return 1.96 * math.hypot(self.scale_u * size_mm / 2, self.edge_u_mm)

    @property
    def length_mm(self) -> float:
        """Length of the face, mm."""
        u0, _, u1, _ = self.face.outline.bounds
        return float(u1 - u0)

    @property
    def width_mm(self) -> float:
        """Width of the face at its widest, mm."""
        _, v0, _, v1 = self.face.outline.bounds
        return float(v1 - v0)


def offer_of(findings: Findings, costs: Costs, rings: RingProfile | None = None) -> Offer | str:
    """Return a measured slab as an offer, or why it cannot be one."""
    from slabvision.tables import asking_total
    from slabvision.trade.landed_cost import Fee, landed_cost
    from slabvision.units import BOARD_FOOT_MM3, FT2_MM2

    face, book = findings.best, findings.record.notebook
    if face is None:
        return "no face could be measured"
    if not face.keep_outs_mm2.determined:
        return face.keep_outs_mm2.estimate.reason
    total, why = asking_total(findings)
    if total is None:
        return why
    fees = [Fee("price", total, taxed=True)]
    if costs.haul_per_slab:
        fees.append(Fee("haul", costs.haul_per_slab))
    if costs.fill_per_slab:
        fees.append(Fee("fill", costs.fill_per_slab))
    notes = []
    for what, amount, per, quantity, unit, size in (
        ("kiln", costs.kiln_per_board_foot, "board foot", findings.gross_mm3.estimate, "bf",
         BOARD_FOOT_MM3),
        ("flattening", costs.flattening_per_square_foot, "square foot",
         face.gross_area_mm2.estimate, "ft2", FT2_MM2),
    ):  # fmt: skip
        if amount and quantity.determined:
            count = Estimate(quantity.value / size, quantity.draws / size, unit)
            fees.append(Fee(what, amount, per, count))  # type: ignore[arg-type]
        elif amount:
            notes.append(f"{what} left out of the cost: {quantity.reason}")
    flat = book.flatness
    if flat.bow_mm is None and flat.cup_mm is None and flat.twist_mm is None:
        notes.append("bow, cup and twist not measured: 1/2 in is taken off for flattening")
    both = findings.both
    if both is None:
        notes.append(f"laid out on {face.face} alone: turn the slab over before any cut")
    if rings is None:
        notes.append("ring angle not read: movement is taken as wide as any angle makes it")
    cost = landed_cost(fees, tax_pct=costs.tax_percent).total
    worlds = face.view.worlds
    area = face.keep_outs_mm2
    seen = area.parts.get("plane", np.zeros(2)) + area.parts.get("flatness", np.zeros(2))
    scale_u = float(np.std(seen)) / max(area.estimate.value, 1.0) / 2
    thick = findings.thickness_mm.estimate
    weight = findings.trade.numbers["weight_kg"]
    across, said = _across(findings, rings)
    return Offer(
        name=book.tag or Path(findings.folder).name,
        face=face.view.shape,
        cost=cost.value,
        thickness_mm=thick.interval[0] if thick.determined else math.nan,
        species=findings.trade.words.get("species_taken_as", book.species) or book.species,
        log=book.log_number,
        scale_u=scale_u,
        edge_u_mm=float(np.std(worlds.offset("arris"))),
        ring_angle_deg=None if rings is None else _mean_angle(rings),
        across=across,
        weight_kg=weight.interval[1] if weight.determined else math.nan,
        trims=face.region.trims,
        wet_face=face.view.entry.wet_face,
        loss=_loss_of(findings),
        worlds=worlds,
        folder=findings.folder,
        notes=(*notes, *said),
        other=None if both is None else both.other.view.shape,
        other_wet=both is not None and both.other.view.entry.wet_face,
        match=None if both is None else both.match,
        regions={(): face.region if both is None else both.region},
    )


def _mean_angle(rings: RingProfile) -> Estimate:
    angles, u = np.array(rings.angles_deg), np.array(rings.angles_u_deg)
    return Estimate.normal(float(angles.mean()), float(u.mean()), "deg", name=rings.name)


def _across(findings: Findings, rings: RingProfile | None) -> tuple[float, tuple[str, ...]]:
    from slabvision.trade.movement import size_to_cut_mm
    from slabvision.trade.species import resolve_species

    numbers, book = findings.trade.numbers, findings.record.notebook
    mc, target = numbers["moisture_mean_pct"], numbers["target_moisture_pct"]
    if not mc.determined or not book.species:
        why = "moisture or species not known: 3 % is added across the grain"
        return 1.0 + _UNKNOWN_SHRINKAGE, (why,)
    size = size_to_cut_mm(resolve_species(book.species), 1.0, mc, target, rings=rings)
    if not size.determined:
        return 1.0 + _UNKNOWN_SHRINKAGE, (size.reason,)
    return max(size.interval[1], 1.0), ()


def _loss_of(findings: Findings) -> Any:
    """Return what flattening takes from a part of a length and width, mm."""
    from slabvision.trade.flattening import Part, flatten
    from slabvision.trade_facts import thickness_readings, warp_of

    face, draws = findings.best, findings.thickness_mm.estimate.draws.size
    warp, readings = warp_of(findings.record, draws), thickness_readings(findings.record, draws)
    if warp is None or not readings or face is None or not face.length_mm.determined:
        return lambda length, width: _UNKNOWN_WARP_MM
    long, wide = face.length_mm.estimate.value, face.max_width_mm.estimate.value

    @cache
    def loss(length: float, width: float) -> float:
        part_long, part_wide = min(length, long), min(width, wide)
        start, side = (long - part_long) / 2, (wide - part_wide) / 2
        part = Part(start, start + part_long, side, side + part_wide)
        taken = flatten(warp, readings, long, wide, part=part).loss_mm
        return taken.interval[1] if taken.determined else math.inf

    return loss


def both(mm: float) -> str:
    """Write a length in millimetres and inches."""
    from slabvision.units import inches_text

    return f"{mm:.0f} mm ({inches_text(mm, sixteenths=1)})"


def suits(offer: Offer, part: WantedPart, length_mm: float, width_mm: float) -> str:
    """Return why a slab cannot hold a part whatever its outline; empty where it can."""
    from slabvision.trade.species import resolve_species

    if part.species:
        titles = {resolve_species(name).title for name in part.species}
        if offer.species not in titles | set(part.species):
            return f"species is {offer.species or 'not stated'}, wanted {' or '.join(part.species)}"
    if math.isnan(offer.thickness_mm):
        return "thickness was not read"
    loss = offer.loss(round(length_mm), round(width_mm)) if offer.loss else 0.0
    left = offer.thickness_mm - loss
    if left < part.thickness:
        return (
            f"thickness: {both(max(left, 0.0))} left once a part of this size is flat, "
            f"{both(part.thickness - left)} short of {both(part.thickness)}"
        )
    low, high = part.ring_angle_deg
    if (low, high) != (0.0, 90.0):
        if offer.ring_angle_deg is None:
            return "ring angle not read: photograph the ends"
        lo, hi = offer.ring_angle_deg.interval
        if hi < low or lo > high:
            out = low - hi if hi < low else lo - high
            return (
                f"ring angle {offer.ring_angle_deg.value:.0f}° ({lo:.0f} to {hi:.0f}), "
                f"{out:.0f}° outside {low:.0f} to {high:.0f}"
            )
        if lo < low or hi > high:
            return (
                f"ring angle too close: {offer.ring_angle_deg.value:.0f}° ({lo:.0f} to {hi:.0f}) "
                f"against {low:.0f} to {high:.0f}"
            )
    return ""
