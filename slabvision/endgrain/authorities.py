"""Names for how a board was sawn, by authority: they disagree, so the angle comes first.

Angles are between the growth rings and the wide face on the end grain, degrees: 0 = rings
parallel to the face, 90 = rings square to it. A name is only ever given with the authority that
uses it. ``read`` says how well the source is known: ``"text"`` (its own text was read),
``"quoted"`` (as others quote it) or ``"memory"`` (not checked against its text).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SAWING_AUTHORITIES", "Authority", "SawnClass", "authority_named"]


@dataclass(frozen=True)
class SawnClass:
    """One name and its range of ring angles.

    Attributes
    ----------
    name : str
        The authority's word.
    from_deg, to_deg : float
        Ring angle, ``from_deg`` included, ``to_deg`` not (90 is always included).
    """

    name: str
    from_deg: float
    to_deg: float

    def holds(self, angle_deg: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return which angles carry this name."""
        top = angle_deg <= 90.0 if self.to_deg >= 90.0 else angle_deg < self.to_deg
        return (angle_deg >= self.from_deg) & top


@dataclass(frozen=True)
class Authority:
    """Who draws the lines where.

    Attributes
    ----------
    key : str
        Short name used in tables and on the command line.
    title : str
        Who says so.
    source : str
        Where it is written.
    read : {"text", "quoted", "memory"}
        How well the source is known.
    classes : tuple of SawnClass
        In order of the angle; together they cover 0 to 90 degrees.
    note : str
        What else it says.
    """

    key: str
    title: str
    source: str
    read: str
    classes: tuple[SawnClass, ...]
    note: str = ""


def _classes(*named: tuple[str, float, float]) -> tuple[SawnClass, ...]:
    return tuple(SawnClass(*one) for one in named)


SAWING_AUTHORITIES: dict[str, Authority] = {
    one.key: one
    for one in (
        Authority(
            "wood-handbook",
            "Wood Handbook (USDA Forest Service)",
            "Forest Products Laboratory, Wood Handbook, GTR-190 (2010); text at Fig. 16-6 for the "
            "idea, the limit of 45 degrees as quoted",
            "quoted",
            _classes(("flat grain (plainsawn)", 0, 45), ("vertical grain (quartersawn)", 45, 90)),
            "Calls 30 to 60 degrees 'bastard sawn' as well (from memory), which overlaps both.",
        ),
        Authority(
            "aws-2009",
            "Architectural Woodwork Standards, 1st edition",
            "AWI/AWMAC/WI, Architectural Woodwork Standards (2009), Appendix B, p. 449",
            "text",
            _classes(("plain sawn", 0, 30), ("rift sawn", 30, 60), ("quarter sawn", 60, 90)),
            "Plain sawn is 'typically' 30 degrees or less.",
        ),
        Authority(
            "flooring",
            "Flooring trade usage",
            "Glossary of flooring terms, entry 'quarter-sawn' (45 to 90 degrees)",
            "text",
            _classes(("plain sawn", 0, 45), ("quarter sawn", 45, 90)),
        ),
        Authority(
            "construction-dictionary",
            "A dictionary of architecture and construction",
            "Entry 'flat-grained': rings under 45 degrees to the face; 'bastard-sawn' and 'plain "
            "sawn' are given as the same thing",
            "text",
            _classes(("flat-grained (bastard-sawn, plain sawn)", 0, 45), ("edge-grained", 45, 90)),
            "'Bastard' here is under 45 degrees, not the 30 to 60 of others.",
        ),
        Authority(
            "producer-45-75",
            "A North American hardwood producer's catalogue",
            "Red oak catalogue, p. 16",
            "text",
            _classes(("plain sawn", 0, 45), ("rift sawn", 45, 75), ("quarter sawn", 75, 90)),
            "Its whole rift band counts as quarter sawn where the only limit is 45 degrees.",
        ),
        Authority(
            "yard-30-60",
            "A lumber yard's glossary",
            "Glossary of a retail yard: 0-30, 30-60, 60-90 degrees",
            "text",
            _classes(("flat sawn", 0, 30), ("rift sawn", 30, 60), ("quarter sawn", 60, 90)),
        ),
        Authority(
            "nhla-quartered",
            "NHLA, quartered lumber",
            "NHLA Rules for the Measurement and Inspection of Hardwood Lumber: 80 % of the "
            "required cuttings show radial grain at 45 degrees or less to the face",
            "memory",
            _classes(("not quartered", 0, 45), ("quartered", 45, 90)),
            "The rule counts required cuttings; the share given here counts width.",
        ),
    )
}
"""Authorities by key. EN 844, EN 13556 and BS 565 name classes too; their limits were not found
in text that could be read, so they are not here."""


def authority_named(key: str) -> Authority:
    """Return an authority by its key.

    Raises
    ------
    ValueError
        If there is none of that name; lists those there are.
    """
    try:
        return SAWING_AUTHORITIES[key]
    except KeyError:
        known = ", ".join(SAWING_AUTHORITIES)
        raise ValueError(f"no sawing authority {key!r}; choose one of: {known}") from None
