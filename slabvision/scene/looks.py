"""What the wood of a species looks like, rough from the saw and air-dried.

The colours and sizes are invented to look right beside photographs; they are no botanical data.
Ring structure (ring-porous, diffuse-porous, softwood) and ray size follow common knowledge of
the trade, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

__all__ = ["Look", "look", "looks"]

RGB: TypeAlias = tuple[float, float, float]
Structure = Literal["ring-porous", "semi-ring-porous", "diffuse-porous", "softwood"]


@dataclass(frozen=True)
class Look:
    """Colours (sRGB, 0 to 255) and sizes (mm) of one species.

    Attributes
    ----------
    name : str
        Species as said in the yard.
    structure : str
        How pores lie in a ring; decides the profile of darkness across it.
    heart, heart_late, sap, sap_late : RGB
        Ground and latewood (or dark line) colours of heartwood and sapwood.
    ring_mm : float
        Mean ring width.
    ring_spread : float
        Spread of ring width as a share of it.
    late_share : float
        Share of a ring that is latewood.
    sap_mm : (float, float)
        Range of the sapwood's width.
    pores : float
        Strength of the pore lines, 0 to 1.
    pore_mm : float
        Length of a pore line on a flat face.
    rays : float
        Strength of ray flecks on quartered wood and of ray lines on ends, 0 to 1.
    ray_mm : (float, float)
        Size of a fleck along and across the grain.
    pigment : float
        Strength of broad darker bands that follow the rings.
    bark : RGB
        Colour of the bark.
    bark_mm : (float, float)
        Range of bark thickness.
    branches_per_m : float
        Branches that left the stem per metre of log.
    whorls : bool
        Branches stand in whorls, as in pines.
    """

    name: str
    structure: Structure
    heart: RGB
    heart_late: RGB
    sap: RGB
    sap_late: RGB
    ring_mm: float
    ring_spread: float = 0.35
    late_share: float = 0.35
    sap_mm: tuple[float, float] = (20.0, 45.0)
    pores: float = 0.5
    pore_mm: float = 5.0
    rays: float = 0.1
    ray_mm: tuple[float, float] = (2.0, 4.0)
    pigment: float = 0.3
    bark: RGB = (92, 80, 68)
    bark_mm: tuple[float, float] = (7.0, 16.0)
    branches_per_m: float = 5.0
    whorls: bool = False


_ALL = (
    Look("walnut", "semi-ring-porous", (126, 96, 72), (80, 57, 42), (204, 182, 148),
         (176, 150, 115), 4.6, 0.4, 0.3, (25, 55), 0.55, 6.0, 0.08, (1.5, 2.5), 0.75,
         (78, 68, 60), (10, 20), 5.0),
    Look("elm", "ring-porous", (178, 142, 103), (140, 104, 71), (212, 190, 154), (190, 163, 124),
         4.2, 0.4, 0.5, (18, 40), 0.75, 5.0, 0.12, (1.5, 3.0), 0.4, (104, 92, 78), (9, 18), 5.5),
    Look("plane", "diffuse-porous", (190, 150, 120), (166, 122, 93), (218, 192, 162),
         (202, 172, 139), 3.6, 0.35, 0.2, (30, 70), 0.15, 2.0, 0.95, (2.4, 4.0), 0.35,
         (148, 140, 116), (4, 8), 5.0),
    Look("oak", "ring-porous", (184, 151, 108), (150, 116, 77), (212, 192, 156), (192, 168, 128),
         3.0, 0.4, 0.55, (15, 30), 0.85, 8.0, 0.75, (5.0, 22.0), 0.25, (96, 88, 78), (10, 22),
         5.0),
    Look("ash", "ring-porous", (210, 184, 144), (172, 140, 99), (222, 202, 166), (194, 166, 124),
         3.8, 0.4, 0.5, (40, 110), 0.8, 6.0, 0.04, (1.0, 2.0), 0.2, (122, 114, 100), (7, 14),
         4.5),
    Look("cherry", "diffuse-porous", (182, 122, 84), (150, 92, 60), (220, 188, 148),
         (198, 160, 118), 3.2, 0.35, 0.2, (12, 28), 0.2, 2.0, 0.3, (1.5, 3.5), 0.45,
         (86, 66, 58), (4, 9), 5.5),
    Look("maple", "diffuse-porous", (206, 176, 138), (178, 142, 104), (226, 206, 174),
         (204, 176, 138), 3.0, 0.35, 0.14, (50, 140), 0.1, 1.5, 0.3, (1.0, 2.0), 0.25,
         (118, 110, 102), (4, 9), 5.0),
    Look("cedar", "softwood", (196, 142, 102), (150, 92, 62), (226, 200, 158), (196, 150, 104),
         3.6, 0.4, 0.32, (20, 50), 0.0, 1.0, 0.05, (1.0, 2.0), 0.35, (112, 84, 66), (5, 12), 7.5),
    Look("pine", "softwood", (218, 184, 132), (172, 114, 66), (232, 208, 162), (196, 144, 92),
         4.4, 0.45, 0.3, (40, 90), 0.0, 1.0, 0.05, (1.0, 2.0), 0.15, (126, 92, 72), (8, 18), 7.0,
         True),
)  # fmt: skip


def looks() -> tuple[str, ...]:
    """Return the names of the species looks that can be rendered."""
    return tuple(each.name for each in _ALL)


def look(name: str) -> Look:
    """Return one species look, or raise ``ValueError`` that lists the names."""
    for each in _ALL:
        if each.name == name:
            return replace(each)
    raise ValueError(f"look {name!r} is not known; one of {', '.join(looks())}")
