"""What the trade's arithmetic is told about a slab: notebook values and measured sizes."""

from __future__ import annotations

from dataclasses import replace

from slabvision.estimate import DRAWS, Estimate
from slabvision.findings import Budget, FaceFindings
from slabvision.record import MoistureReading, SlabRecord
from slabvision.trade.board_feet import SlabSizes
from slabvision.trade.flattening import ThicknessReading, Warp
from slabvision.trade.meter import MeterReading
from slabvision.trade.rings import RingProfile
from slabvision.trade.slab_trade import SlabFacts, SlabTrade, slab_trade
from slabvision.trade.tally_rules import RULES

__all__ = ["sizes_of", "thickness_readings", "trade_of", "warp_of"]


def trade_of(
    record: SlabRecord,
    face: FaceFindings,
    thickness: Budget,
    gross_mm3: Budget,
    rings: RingProfile | None = None,
) -> SlabTrade:
    """Return every trade figure that the notebook and the measured face allow.

    Parameters
    ----------
    record : SlabRecord
    face : FaceFindings
        The face the slab's row speaks of.
    thickness, gross_mm3 : Budget
    rings : RingProfile, optional
        Ring angles across the width, from the ends.
    """
    book = record.notebook
    draws = face.as_seen_mm2.estimate.draws.size
    rule = book.claim.rule
    said: tuple[str, ...] = ()
    if rule and rule not in RULES:
        said = (f"the tag's rule {rule!r} is not known; slabvision trade rules lists them",)
        rule = ""
    facts = SlabFacts(
        sizes=sizes_of(face, thickness),
        volume_mm3=gross_mm3.estimate if gross_mm3.determined else None,
        species=book.species,
        readings=tuple(_reading(r) for r in book.moisture),
        stated_moisture_pct=book.claim.moisture_percent,
        stated_board_feet=book.claim.board_feet,
        rule=rule,
        rings=rings,
        warp=warp_of(record, draws),
        thickness_readings=thickness_readings(record, draws),
    )
    found = slab_trade(facts, draws=draws)
    return replace(found, notes=said + found.notes)


def sizes_of(face: FaceFindings, thickness: Budget) -> SlabSizes | None:
    """Return the sizes a tally rule works on; None where length or widths are missing."""
    if not face.length_mm.determined or not face.widths:
        return None
    if not all(w.width_mm.determined for w in face.widths):
        return None
    length = face.length_mm.estimate
    return SlabSizes(
        length_mm=length,
        widths_mm=tuple(w.width_mm.estimate for w in face.widths),
        thickness_mm=thickness.estimate if thickness.determined else None,
        stations=tuple(min(w.station_mm / length.value, 1.0) for w in face.widths),
        area_mm2=face.gross_area_mm2.estimate if face.gross_area_mm2.determined else None,
        bark="in" if face.bark == "in" else "out" if face.bark == "out" else "not said",
    )


def _reading(reading: MoistureReading) -> MeterReading:
    kind = reading.meter.lower()
    return MeterReading(
        reading_pct=reading.percent,
        depth_mm=reading.depth_mm,
        station_mm=reading.station_mm,
        wet=reading.surface_wet,
        meter="dielectric" if "pinless" in kind or "dielectric" in kind else "resistance",
        wood_temp_c=reading.temperature_c,
    )


_GAP_U_MM = 0.8
"""Standard uncertainty of a gap read under a straightedge or between winding sticks (common
practice, no source)."""


def thickness_readings(record: SlabRecord, draws: int = DRAWS) -> tuple[ThicknessReading, ...]:
    """Return the notebook's thicknesses whose station is known, mm, each with its own error."""
    key = record.photos[0].sha256 if record.photos else "slab"
    return tuple(
        ThicknessReading(
            Estimate.normal(r.mm, r.u_mm, "mm", name=f"thickness {i}:{key}", draws=draws),
            r.station_mm,
        )
        for i, r in enumerate(record.notebook.thickness)
        if r.station_mm is not None
    )


def warp_of(record: SlabRecord, draws: int = DRAWS) -> Warp | None:
    """Return bow, cup and twist as measured, mm; None where nobody measured any of them."""
    flat = record.notebook.flatness
    if flat.bow_mm is None and flat.cup_mm is None and flat.twist_mm is None:
        return None
    key = record.photos[0].sha256 if record.photos else "slab"
    bow, cup, twist = (
        Estimate.normal(gap or 0.0, _GAP_U_MM, "mm", name=f"{what}:{key}", draws=draws)
        for what, gap in (("bow", flat.bow_mm), ("cup", flat.cup_mm), ("twist", flat.twist_mm))
    )
    return Warp(bow, cup, twist)
