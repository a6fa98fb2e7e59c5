"""The one table of cautions: what can hurt whoever buys, carries and cuts a slab.

Not medical or legal advice. Every caution defers to local rules and to qualified people.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["CAUTIONS", "Caution", "caution", "cautions_for"]


@dataclass(frozen=True)
class Caution:
    """One caution.

    Attributes
    ----------
    key : str
    title : str
    short : str
        One line, for a panel or a table's foot.
    text : str
        A paragraph, for a report.
    defer : str
        Who decides.
    sources : tuple of str
        Published sources, or "common practice, no source".
    """

    key: str
    title: str
    short: str
    text: str
    defer: str
    sources: tuple[str, ...]


_PRACTICE = "common practice, no source"

CAUTIONS = (
    Caution(
        "metal",
        "Metal in wood from yards and streets",
        "Nails, wire, hooks and concrete hide in city trees: detect on both faces before any cut.",
        "Trees from yards and streets grow over nails, wire, hooks and concrete that no photo "
        "shows; a blue-black stain often marks iron. Go over both faces with a metal detector "
        "before any cut. A photograph cannot clear a slab of metal, nor can this program.",
        "Ask the mill or shop that cuts it; they may refuse it. The maker's rules for the machine "
        "and local safety rules decide.",
        (
            "Connecticut DEEP, urban wood (nails, concrete, detectors; mills refuse such logs)",
            "Purdue Extension FNR-93-W (costly and dangerous damage)",
            "Cesa, Lempicki and Knotts 1994, USDA Forest Service NA-TP-02-94",
            "Bratkovich 2001, USDA Forest Service NA-TP-06-01",
        ),
    ),
    Caution(
        "lifting",
        "Lifting and carrying",
        "51 lb (23 kg) is one person's limit under ideal conditions; use carts, hoists, forklifts.",
        "A large slab weighs several times what one person should lift: the revised NIOSH equation "
        "starts from 51 lb (23 kg) under ideal conditions, and reach, height, twisting, poor grip "
        "and repetition lower it. Green wood is heavier than the same slab dry. Plan carts, hoists "
        "or a forklift and keep feet and hands out from under; the upper end of a weight's "
        "interval is what must be carried.",
        "Employers' and local rules on manual handling decide; forklifts and cranes are for people "
        "who are qualified on them.",
        (
            "NIOSH Pub. 94-110, revised 2021, Applications Manual for the Revised NIOSH Lifting "
            "Equation",
            "OSHA sets no weight limit of its own",
        ),
    ),
    Caution(
        "strapping",
        "Loading and strapping",
        "Within payload and axle limits, flat on stickers, strapped over a bearer, not over air.",
        "Load heavy slabs low and against the headboard, flat on bearers that line up, strapped "
        "down over the bearers and across, and check the straps after a few miles. Rated payload "
        "and axle loads include people, tools and trailer; waxed, wet or icy faces slide.",
        "The vehicle's and the straps' ratings and the local law on securing loads decide.",
        (_PRACTICE,),
    ),
    Caution(
        "dust",
        "Wood dust",
        "Collect dust at the machine and wear a fitted respirator; some woods sensitise.",
        "Wood dust irritates skin, eyes and lungs, can bring on asthma (western redcedar, oak, "
        "mahogany and redwood are named) and hardwood dust can cause nasal cancer; fine dry dust "
        "explodes. Limits differ: OSHA 15 mg/m³ total and 5 respirable (particulates not otherwise "
        "regulated), NIOSH 1, ACGIH 1 (western redcedar 0.5), 8 h means.",
        "Local exposure limits apply; ask an occupational hygienist, and a doctor at any symptom.",
        (
            "OSHA, wood dust: evaluation page (OSHA, NIOSH and ACGIH 2007 limits)",
            "Ohio State University Extension on wood dust, reprint",
        ),
    ),
    Caution(
        "mould",
        "Spalted, decayed and mouldy wood",
        "Spalt and mould carry spores: wet-cut or extract, wear a respirator, discard soft wood.",
        "Fungi in decayed and mouldy wood can cause allergic alveolitis and organic dust toxic "
        "syndrome, less often asthma. Work spalted wood with extraction and a fitted respirator. "
        "Above about 20 % moisture decay goes on; soft wood has lost strength.",
        "People with lung or immune disease should ask their doctor first; local rules apply.",
        (
            "review of fungi in wood dust (abstract, secondary copy)",
            "sawmill workforce study of allergic alveolitis (University of Oxford, publication "
            "245603)",
            "Swedish Wood guidance (20 % moisture, secondary copy)",
        ),
    ),
    Caution(
        "stress",
        "Slabs that spring when cut",
        "Stress is let go by the cut: wedge the kerf, stand clear of the ends, take equal amounts.",
        "Growth and drying stress is released as wood is cut: a slab can pinch the blade, roll or "
        "open suddenly, most of all when it is cupped or holds the pith. Support both sides of the "
        "cut, keep wedges at hand, use a riving knife, take about equal amounts off both faces, "
        "rest and measure again.",
        "The machine's manual and local safety rules decide; the first rip of a wide slab is for "
        "someone who has done it.",
        ("from memory, unverified", _PRACTICE),
    ),
    Caution(
        "checks",
        "Checks run further than they look",
        "End checks can run 12 in and more beyond the visible tip, and close up on humid days.",
        "On a humid day checks close and may not be seen; in oak and walnut an end check may run "
        "12 in or more inside the piece. No standard allowance exists: the keep-outs used here are "
        "common practice. Treat the true tip as unknown until a cut shows clean wood.",
        "Where a part carries load, a qualified person judges the piece itself, not a photograph.",
        (
            "woodworking trade press on preventing end checks, causes of end checking, and end "
            "checks found at installation",
        ),
    ),
    Caution(
        "strength",
        "Figures are for buying, not for strength",
        "Clear area, thickness and movement here say nothing of load: ask where people rely on it.",
        "The figures help to choose and buy wood. They do not grade it and say nothing of the load "
        "a part can bear; decayed or cross-grained wood can fail without warning.",
        "Where a piece carries people or loads, a qualified person decides by the local code.",
        (_PRACTICE,),
    ),
)
"""In the order a slab meets them: cut, lift, haul, work."""

_TOPICS = {
    "board feet": ("strength",),
    "moisture": ("mould", "stress"),
    "movement": ("stress", "checks"),
    "weight": ("lifting",),
    "haul": ("lifting", "strapping"),
    "flattening": ("metal", "stress", "dust", "mould"),
    "cost": ("metal", "checks"),
    "clear wood": ("checks", "metal", "strength"),
    "report": tuple(c.key for c in CAUTIONS),
}


def caution(key: str) -> Caution:
    """Return one caution, or raise ``KeyError`` that lists the keys."""
    for each in CAUTIONS:
        if each.key == key:
            return each
    raise KeyError(f"caution {key!r} is not known; one of {', '.join(c.key for c in CAUTIONS)}")


def cautions_for(topics: Iterable[str]) -> tuple[Caution, ...]:
    """Return the cautions for what is about to be done, each once, in the table's order.

    >>> [c.key for c in cautions_for(["haul"])]
    ['lifting', 'strapping']
    """
    wanted: set[str] = set()
    for topic in topics:
        if topic not in _TOPICS:
            raise KeyError(f"topic {topic!r} is not known; one of {', '.join(_TOPICS)}")
        wanted |= set(_TOPICS[topic])
    return tuple(c for c in CAUTIONS if c.key in wanted)
