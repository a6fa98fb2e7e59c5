"""One slab's trade figures together: notebook values and measured sizes in, columns out.

What a table, a report or a panel shows beside the areas. Nothing here reads a record or a photo:
whoever has them hands over sizes and what was written down.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from slabvision.estimate import DRAWS, Estimate
from slabvision.trade.board_feet import RuleInputError, SlabSizes, tally
from slabvision.trade.flattening import ThicknessReading, Warp, flatten
from slabvision.trade.meter import MeterReading, summarize_readings
from slabvision.trade.moisture import destination, points_to_lose
from slabvision.trade.movement import movement
from slabvision.trade.quantity import Number, value_of
from slabvision.trade.rings import RingProfile
from slabvision.trade.species import resolve_species
from slabvision.trade.tag import compare_tag
from slabvision.trade.tally_rules import tally_rule
from slabvision.trade.weight import lifting, weight

__all__ = ["SlabFacts", "SlabTrade", "slab_trade"]


@dataclass(frozen=True)
class SlabFacts:
    """What is known of one slab.

    Attributes
    ----------
    sizes : SlabSizes, optional
        Length, widths along the slab, thickness, outline area.
    volume_mm3 : float or Estimate, optional
        Gross volume.
    species, log : str
        As stated.
    stand_in : str
        Species chosen by the person for an unknown one; empty when none.
    readings : tuple of MeterReading
    stated_moisture_pct, stated_board_feet : float, optional
        The yard's figures.
    rule : str
        Name of the rule behind the tag; empty when not said.
    rings : RingProfile, optional
    warp : Warp, optional
        None when nobody measured it.
    thickness_readings : tuple of ThicknessReading
    place : str
        Key of the destination.
    """

    sizes: SlabSizes | None = None
    volume_mm3: Number | None = None
    species: str = ""
    log: str = ""
    stand_in: str = ""
    readings: tuple[MeterReading, ...] = ()
    stated_moisture_pct: float | None = None
    stated_board_feet: float | None = None
    rule: str = ""
    rings: RingProfile | None = None
    warp: Warp | None = None
    thickness_readings: tuple[ThicknessReading, ...] = ()
    place: str = "interior"


@dataclass(frozen=True)
class SlabTrade:
    """One slab's trade figures.

    Attributes
    ----------
    numbers : mapping of str to Estimate
        By column: ``rule_board_feet`` (bf), ``moisture_mean_pct``, ``target_moisture_pct``,
        ``points_to_lose_pct`` (%), ``weight_kg`` (kg), ``width_change_mm``,
        ``thickness_change_mm``, ``flat_thickness_mm`` (mm). Not determined, with the reason, where
        an input is missing.
    words : mapping of str to str
        By column: ``species_taken_as``, ``tag_check``, ``moisture_check``, ``lifting``.
    by_source : tuple of (str, float)
        The width's change by every published source, mm.
    notes : tuple of str
        What must stand beside the figures.
    """

    numbers: Mapping[str, Estimate]
    words: Mapping[str, str]
    by_source: tuple[tuple[str, float], ...]
    notes: tuple[str, ...]


def slab_trade(facts: SlabFacts, *, draws: int = DRAWS) -> SlabTrade:
    """Return every trade figure the facts allow; what is missing is said, never guessed.

    Weight and movement use the readings' mean moisture, or the stated moisture when there is no
    usable reading (and say so).

    Raises
    ------
    ValueError
        The rule, the destination or the stand-in is not known.
    """
    notes: list[str] = []
    wood = resolve_species(facts.species, stand_in=facts.stand_in or None, tree=facts.log)
    thick = facts.sizes.thickness_mm if facts.sizes is not None else None
    seen = summarize_readings(
        facts.readings, thickness_mm=thick, stated_pct=facts.stated_moisture_pct, draws=draws
    )
    mc = seen.mean_pct
    if not mc.determined and facts.stated_moisture_pct is not None:
        mc = Estimate.normal(facts.stated_moisture_pct, 2.0, "%", name="stated moisture",
                             draws=draws)  # fmt: skip
        notes.append(
            "moisture as stated by the seller, taken to 4 points either way (common practice)"
        )
    target = destination(facts.place).target_pct(draws=draws)
    numbers: dict[str, Estimate] = {
        "moisture_mean_pct": seen.mean_pct,
        "target_moisture_pct": target,
        "points_to_lose_pct": points_to_lose(mc, target).points,
    }
    words = {
        "species_taken_as": wood.title,
        "moisture_check": next((t for t in seen.texts if t.startswith("stated")), ""),
    }
    numbers["rule_board_feet"], words["tag_check"], said = _by_tag(facts, draws)
    notes += said
    numbers["weight_kg"] = Estimate.undetermined("no volume: measure thickness", "kg", draws=draws)
    words["lifting"] = ""
    if facts.volume_mm3 is not None and mc.determined:
        heavy = weight(wood, facts.volume_mm3, mc)
        numbers["weight_kg"], words["lifting"] = heavy.kg, lifting(heavy.kg).text
        notes += heavy.remarks
    elif facts.volume_mm3 is not None:
        numbers["weight_kg"] = Estimate.undetermined(mc.reason, "kg", draws=draws)
    by_source: tuple[tuple[str, float], ...] = ()
    for column in ("width_change_mm", "thickness_change_mm"):
        numbers[column] = Estimate.undetermined(_NO_WIDTH, "mm", draws=draws)
    if facts.sizes is not None and mc.determined:
        width = max(facts.sizes.widths_mm, key=value_of)
        moved = movement(wood, width, mc, target, thickness_mm=thick, rings=facts.rings)
        numbers["width_change_mm"] = moved.width_change_mm
        numbers["thickness_change_mm"] = moved.thickness_change_mm
        by_source = tuple((s.source, s.width_change_mm) for s in moved.by_source)
        notes += [moved.equation, moved.disagreement, *moved.remarks]
    elif facts.sizes is not None:
        for column in ("width_change_mm", "thickness_change_mm"):
            numbers[column] = Estimate.undetermined(mc.reason, "mm", draws=draws)
    numbers["flat_thickness_mm"] = _flat(facts, draws)
    notes += [t for t in seen.texts if not t.startswith("stated")]
    return SlabTrade(
        MappingProxyType(numbers), MappingProxyType(words), by_source,
        tuple(dict.fromkeys(n for n in notes if n)),
    )  # fmt: skip


_NO_WIDTH = "no width: outline the face, with something of known size along it and across it"


def _by_tag(facts: SlabFacts, draws: int) -> tuple[Estimate, str, list[str]]:
    """Return the figure by the tag's rule, the comparison in words, and remarks."""
    if facts.sizes is None:
        return Estimate.undetermined(_NO_WIDTH, "bf", draws=draws), "", []
    if not facts.rule:
        reason = "the tag's rule is not known: ask where the width is taken and what is rounded"
        return Estimate.undetermined(reason, "bf", draws=draws), "", []
    rule = tally_rule(facts.rule)
    if rule.unit != "bf":
        reason = f"rule {rule.name!r} does not give board feet"
        return Estimate.undetermined(reason, "bf", draws=draws), "", []
    try:
        result = tally(rule, facts.sizes)
    except RuleInputError as error:
        return Estimate.undetermined(str(error), "bf", draws=draws), "", []
    said = list(result.remarks)
    if facts.stated_board_feet is None:
        return result.figures, f"by the rule {rule.name!r} {result.statement}", said
    return result.figures, compare_tag(facts.stated_board_feet, result).text, said


def _flat(facts: SlabFacts, draws: int) -> Estimate:
    if facts.warp is None:
        reason = "bow, cup and twist not measured: lay a straightedge and winding sticks on it"
        return Estimate.undetermined(reason, "mm", draws=draws)
    if facts.sizes is None or not facts.thickness_readings:
        return Estimate.undetermined("no thickness read at stations", "mm", draws=draws)
    length = value_of(facts.sizes.length_mm)
    width = max(value_of(w) for w in facts.sizes.widths_mm)
    return flatten(facts.warp, facts.thickness_readings, length, width).thickness_mm
