"""The one table of defect kinds: terms, default keep-outs, colours and hatches.

Terms follow the published glossaries of the trade (NHLA and NLGA glossaries, NELMA rules,
EN 1310:1997; the mean of each is in ``source``). The keep-outs are common practice of slab
buyers and sawyers, no source: defaults that a person changes. "Along" is beyond each tip
following the local grain, "across" on each side.

Colours are chosen to stay apart for colour-blind readers and carry a hatch for grey prints.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from slabvision.units import MM_PER_IN

__all__ = [
    "KINDS",
    "ZONES",
    "DefectKind",
    "KeepOut",
    "Treatment",
    "Zone",
    "defect_kind",
    "keep_out",
    "zone",
]

Treatment = Literal["avoid", "accept", "fill"]
Depth = Literal["face", "through", "unknown"]

_IN = MM_PER_IN


@dataclass(frozen=True)
class KeepOut:
    """How far a defect's neighbourhood is left out, beyond what is painted.

    Attributes
    ----------
    along_mm, across_mm : float
        Fixed distances along the local grain (beyond each tip) and across it (each side).
    along_diameters, across_diameters : float
        The same in mean diameters ((length + width) / 2) of the defect, added to the fixed part.
    along_lengths : float
        The same in the defect's own length, held between ``along_min_mm`` and ``along_max_mm``.
    along_min_mm, along_max_mm : float
        Limits of the along part.
    across_widths : float
        Extra across in the defect's own width across the grain.
    to_both_ends : bool
        The keep-out runs the whole length of the slab.
    """

    along_mm: float = 0.0
    across_mm: float = 0.0
    along_diameters: float = 0.0
    across_diameters: float = 0.0
    along_lengths: float = 0.0
    along_min_mm: float = 0.0
    along_max_mm: float = float("inf")
    across_widths: float = 0.0
    to_both_ends: bool = False

    def along(self, length_mm: float, width_mm: float) -> float:
        """Keep-out along the grain beyond each tip, mm, for a defect of this size."""
        if self.to_both_ends:
            return float("inf")
        diameter = (length_mm + width_mm) / 2
        asked = self.along_mm + self.along_diameters * diameter + self.along_lengths * length_mm
        return min(max(asked, self.along_min_mm), self.along_max_mm)

    def across(self, length_mm: float, width_mm: float) -> float:
        """Keep-out across the grain on each side, mm, for a defect of this size."""
        diameter = (length_mm + width_mm) / 2
        return self.across_mm + self.across_diameters * diameter + self.across_widths * width_mm

    def swell(self, length_mm: float, width_mm: float) -> tuple[float, float]:
        """Return by how much the keep-out grows, along and across, per mm that an edge is off.

        A knot drawn 1 mm too large all round is 2 mm larger, and so is what its diameter asks.

        Examples
        --------
        >>> KeepOut(along_diameters=0.75, across_diameters=0.375).swell(50, 50)
        (1.5, 0.75)
        """
        if self.to_both_ends:
            return 0.0, 2 * (self.across_diameters + self.across_widths)
        here = self.along(length_mm, width_mm)
        free = self.along_min_mm < here < self.along_max_mm
        along = 2 * (self.along_diameters + self.along_lengths) if free else 0.0
        return along, 2 * (self.across_diameters + self.across_widths)


@dataclass(frozen=True)
class DefectKind:
    """One kind of defect.

    Attributes
    ----------
    key : str
        Stable name in records and tables.
    title : str
        The trade's term, as shown.
    meaning : str
        What to look for, one sentence.
    keep_out : KeepOut
        Common practice, no source.
    treatment : {"avoid", "accept", "fill"}
        What a purchase does with it unless the person says otherwise.
    color : str
        ``#rrggbb``.
    hatch : str
        Hatch for grey prints, in the signs of :mod:`matplotlib`.
    line : bool
        Thin and long: its length is meant, a traced centre line is kept.
    elliptic : bool, optional
        Whether a face cuts it in ellipses, as it does a branch; None where nothing can be said.
    source : str
        Where the term comes from.
    """

    key: str
    title: str
    meaning: str
    keep_out: KeepOut
    color: str
    hatch: str
    treatment: Treatment = "avoid"
    line: bool = False
    elliptic: bool | None = None
    source: str = "common practice, no source"


@dataclass(frozen=True)
class Zone:
    """A region that lies under defects; ``seen`` is False where the wood cannot be judged."""

    value: int
    key: str
    title: str
    color: str
    hatch: str
    seen: bool = True
    meaning: str = field(default="")


_HANDBOOK = "NLGA rules glossary 704"
_NHLA = "NHLA definitions (glossary)"
_NELMA = "NELMA rules 718"

_ALL = (
    DefectKind("end_check", "end check", "Drying crack that starts at an end.",
               KeepOut(along_mm=3 * _IN, across_mm=0.5 * _IN), "#d55e00", "//",
               line=True, source=_HANDBOOK),
    DefectKind("surface_check", "surface check", "Shallow drying crack on this face.",
               KeepOut(along_mm=1 * _IN, across_mm=0.25 * _IN), "#f0a050", "/",
               line=True, source=_HANDBOOK),
    DefectKind("through_check", "through check or split",
               "Crack that goes from one face to the other, or torn wood.",
               KeepOut(along_lengths=1.0, along_min_mm=3 * _IN, along_max_mm=12 * _IN,
                       across_mm=0.5 * _IN), "#a01010", "///", line=True,
               source=f"{_HANDBOOK}; split: {_NHLA}"),
    DefectKind("shake", "shake", "Separation along the grain, mostly between rings.",
               KeepOut(along_mm=12 * _IN, across_mm=1 * _IN), "#7a0177", "|||",
               line=True, source=_NHLA),
    DefectKind("pith", "pith or heart check", "The centre of the log, or a crack from it.",
               KeepOut(across_mm=1.5 * _IN, to_both_ends=True), "#5e3c99", "||",
               line=True, source=_NHLA),
    DefectKind("sound_knot", "sound knot", "Branch base, solid across its face.",
               KeepOut(along_diameters=0.75, across_diameters=0.375), "#0072b2", "o",
               elliptic=True, source=_NHLA),
    DefectKind("loose_knot", "loose, encased or unsound knot",
               "Branch base that is bark-ringed, loose or decayed.",
               KeepOut(along_diameters=1.0, across_mm=0.5 * _IN), "#1b3a8c", "O",
               elliptic=True, source=_NELMA),
    DefectKind("rot", "rot", "Wood softened by fungi; spalted wood that has gone punky is rot.",
               KeepOut(along_mm=6 * _IN, across_mm=1 * _IN), "#8c6d1f", "xx",
               elliptic=False, source=_NHLA),
    DefectKind("bark_inclusion", "bark inclusion", "Bark grown into the wood, or a bark pocket.",
               KeepOut(along_mm=2 * _IN, across_mm=0.5 * _IN), "#3d2b1f", "\\\\",
               elliptic=False, source=_NHLA),
    DefectKind("hole", "hole, void or hollow", "Missing wood.",
               KeepOut(along_mm=1 * _IN, across_mm=0.5 * _IN), "#000000", "..",
               source=_NHLA),
    DefectKind("metal", "metal or iron stain", "Metal seen, or the blue-black stain round it.",
               KeepOut(along_mm=6 * _IN, across_mm=2 * _IN), "#2a5f7a", "++", elliptic=False),
    DefectKind("worm_holes", "worm holes, pin and shot", "Holes under 1/4 in: counted.",
               KeepOut(), "#009e73", "..", treatment="accept", elliptic=True,
               source=_NHLA),
    DefectKind("grub_holes", "grub holes", "Insect holes of 1/4 in and over.",
               KeepOut(along_mm=1 * _IN, across_mm=0.5 * _IN), "#00684c", "oo",
               elliptic=True, source=_NHLA),
    DefectKind("felling_break", "felling break", "Break across the grain: no strength left.",
               KeepOut(along_mm=2 * _IN, across_mm=1 * _IN, across_widths=0.0), "#cc0066", "--",
               elliptic=False),
    DefectKind("loose_bark", "loose bark", "Bark that comes off in drying.",
               KeepOut(across_mm=0.25 * _IN), "#b08968", "\\", elliptic=False),
)  # fmt: skip

KINDS = MappingProxyType({kind.key: kind for kind in _ALL})
"""Every kind, by key, in the order lists show them."""

_ZONES = (
    Zone(1, "sapwood", "sapwood", "#f4e3b2", ""),
    Zone(2, "mineral_stain", "mineral stain", "#7a8b99", ""),
    Zone(3, "blue_stain", "blue stain", "#6b8fb3", ""),
    Zone(4, "sticker_stain", "sticker stain", "#a8998a", ""),
    Zone(5, "weathering", "grey weathering", "#bdbdbd", ""),
    Zone(6, "spalt", "firm spalt", "#c9b27c", ""),
    Zone(7, "figure", "crotch or curl figure", "#e6a8c9", ""),
    Zone(8, "planed_patch", "planed patch", "#ffe08a", ""),
    Zone(9, "reaction_wood", "reaction wood", "#d9a066", "", meaning="No narrow parts here."),
    Zone(100, "sticker", "sticker across the face", "#9e9e9e", "xxx", seen=False),
    Zone(101, "tape", "tape, rule or board", "#9e9e9e", "xxx", seen=False),
    Zone(102, "boot", "boot or other thing in front", "#9e9e9e", "xxx", seen=False),
    Zone(103, "wax", "wax or paint", "#9e9e9e", "xxx", seen=False),
    Zone(104, "mud", "mud, lichen or snow", "#9e9e9e", "xxx", seen=False),
    Zone(105, "shadow", "hard shadow", "#9e9e9e", "xxx", seen=False),
    Zone(106, "frame", "cut off by the photo's frame", "#9e9e9e", "xxx", seen=False),
)

ZONES = MappingProxyType({z.key: z for z in _ZONES})
"""Every zone, by key. Values from 100 up are *not seen*."""

_END_CHECKING = frozenset({"oak", "walnut", "beech", "madrone"})
THICK_MM = 2.5 * _IN
"""From this thickness on, slabs get longer keep-outs at end checks."""


def defect_kind(key: str) -> DefectKind:
    """Return a kind by its key, or raise ``KeyError`` that lists the keys."""
    try:
        return KINDS[key]
    except KeyError:
        raise KeyError(f"defect kind {key!r} is not known; one of {', '.join(KINDS)}") from None


def zone(value: int) -> Zone:
    """Return a zone by its number in the zone image."""
    for each in _ZONES:
        if each.value == value:
            return each
    raise KeyError(f"zone {value} is not known; one of {[z.value for z in _ZONES]}")


def keep_out(
    key: str,
    *,
    species: str | None = None,
    thickness_mm: float | None = None,
    wet_face: bool = False,
    overrides: dict[str, KeepOut] | None = None,
) -> KeepOut:
    """Return the keep-out of a kind for this slab.

    Parameters
    ----------
    key : str
        Kind of defect.
    species : str, optional
        As stated; oak, walnut, beech and madrone get 6 in at end checks instead of 3.
    thickness_mm : float, optional
        Slabs of 2.5 in and thicker get 6 in at end checks.
    wet_face : bool
        The face was wet in the photo: checks close, so a surface check's keep-out is doubled.
    overrides : dict, optional
        What this person uses instead, by kind.

    Notes
    -----
    Common practice, no source.

    Examples
    --------
    >>> round(keep_out("end_check", species="white oak").along_mm, 3)
    152.4
    """
    base = defect_kind(key).keep_out
    if overrides and key in overrides:
        return overrides[key]
    words = set((species or "").lower().replace("-", " ").split())
    thick = thickness_mm is not None and thickness_mm >= THICK_MM
    if key == "end_check" and (thick or words & _END_CHECKING):
        return KeepOut(along_mm=6 * _IN, across_mm=base.across_mm)
    if key == "surface_check" and wet_face:
        return KeepOut(along_mm=2 * base.along_mm, across_mm=2 * base.across_mm)
    return base
