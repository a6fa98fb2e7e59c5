"""A slab whose sizes are known: from the rendered log, without rendering it.

Outline and defects are the exact polygons of :mod:`slabvision.scene`; the face bows, cups and
is unevenly thick by amounts of its own, which the renderer's flat slabs are not.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from slabvision.scene.condition import Region, Slab, crack_polygon
from slabvision.units import BOARD_FOOT_MM3

__all__ = ["CHECK_STEP_MM", "TrueFace", "taped_length", "true_face", "true_sizes"]

Floats: TypeAlias = NDArray[np.float64]

BOW_MM, CUP_MM = 4.0, 2.5
"""Standard deviations of bow and cup (common practice, no source)."""
WEDGE_MM, WAVE_MM = 1.0, 1.0
"""Standard deviations of how much thicker one end is than the middle, and of a wave along the
slab (a chain-saw mill's; common practice, no source)."""


@dataclass(frozen=True, eq=False)
class TrueFace:
    """One face.

    Attributes
    ----------
    role : str
        ``"face A"`` or ``"face B"``.
    outline : Polygon
        The arris in the face's own (u, v), mm.
    regions : tuple of Region
        Every defect, exact.
    thickness_mm : float
        Mean thickness over the face.
    bow_mm, cup_mm : float
        Rise of the middle over the ends, and over the edges.
    wedge_mm, wave_mm, wave_at : float
        Thickness along the slab: rise to one end, a wave, and where along itself it starts.
    """

    role: str
    outline: Any
    regions: tuple[Region, ...]
    thickness_mm: float
    bow_mm: float
    cup_mm: float
    wedge_mm: float
    wave_mm: float
    wave_at: float

    def _unit(self, uv: Floats) -> tuple[Floats, Floats]:
        """Return places as shares of half the length and half the width, -1 to 1."""
        u0, v0, u1, v1 = self.outline.bounds
        uv = np.atleast_2d(uv)
        return (2 * uv[:, 0] - u0 - u1) / (u1 - u0), (2 * uv[:, 1] - v0 - v1) / (v1 - v0)

    def depth_mm(self, uv: Floats) -> Floats:
        """Return how far the wood lies below its mean plane at (u, v) places, (N,) mm."""
        x, y = self._unit(uv)
        return np.asarray(self.bow_mm * (x * x - 1 / 3) + self.cup_mm * (y * y - 1 / 3))

    def lifted(self, uv: Floats, below_mm: float = 0.0) -> Floats:
        """Return (u, v, w) of places on the wood, ``below_mm`` under its surface."""
        return np.column_stack([uv, self.depth_mm(uv) + below_mm])

    def thickness_at(self, share: Floats) -> Floats:
        """Return the thickness at shares of the length from end A, mm."""
        return self.thickness_mm + self._uneven(share) - self._mean_uneven

    def _uneven(self, share: Floats) -> Floats:
        share = np.asarray(share)
        wave = np.sin(2 * math.pi * (share * 1.5 + self.wave_at))
        return np.asarray(self.wedge_mm * (2 * share - 1) + self.wave_mm * wave)

    @cached_property
    def _mean_uneven(self) -> float:
        """Mean over the face's area, so that ``thickness_mm`` is the mean."""
        u0, v0, u1, v1 = self.outline.bounds
        share = (np.arange(80) + 0.5) / 80
        u = u0 + share * (u1 - u0)
        ends = np.stack([np.stack([u, np.full(80, v)], axis=1) for v in (v0 - 1, v1 + 1)], axis=1)
        wide = shapely.length(shapely.intersection(shapely.linestrings(ends), self.outline))
        return float((wide * self._uneven(share)).sum() / wide.sum())


def true_face(slab: Slab, role: str, rng: np.random.Generator) -> TrueFace:
    """Take a face of a sawn slab and bend it."""
    bow, cup, wedge, wave = rng.normal(0, (BOW_MM, CUP_MM, WEDGE_MM, WAVE_MM))
    return TrueFace(
        role, slab.outline(role), slab.regions(role), slab.cut.thickness_mm,
        float(bow), float(cup), float(wedge), float(wave), float(rng.uniform()),
    )  # fmt: skip


CHECK_STEP_MM = 20.0
"""Places along a check, for the hand that traces it and for its true length: a crack's length has
no value without a step, it grows the finer one looks."""


def taped_length(line: Floats, every_mm: float = CHECK_STEP_MM) -> float:
    """Return the length of a check as a tape reads it, not round each step from fibre to fibre."""
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0.0, run[-1], max(2, round(run[-1] / every_mm) + 1))
    places = np.column_stack([np.interp(at, run, line[:, k]) for k in (0, 1)])
    return float(np.linalg.norm(np.diff(places, axis=0), axis=1).sum())


Turn: TypeAlias = Callable[[Any], Any]


def _along_u(outline: Any) -> Turn:
    """Return what turns geometries so that the slab lies along u."""
    from slabvision.clear.shapes import long_axis

    along = long_axis(outline)
    spin = np.array([[along[0], -along[1]], [along[1], along[0]]])
    return lambda shape: shapely.transform(shape, lambda points: points @ spin)


@functools.lru_cache(maxsize=4)
def true_sizes(face: TrueFace, painted: frozenset[int], *, thick: bool) -> dict[str, float]:
    """Return the true sizes of a face, mm, mm² and board feet.

    Parameters
    ----------
    face : TrueFace
    painted : frozenset of int
        Numbers of the defects that somebody saw.
    thick : bool
        Whether the slab counts as thick, by which some keep-outs go: a convention, no matter
        of truth.

    Notes
    -----
    What is clear *as seen* is worked out here with shapely alone, all defects taken off whether
    somebody saw them or not. The clear region with keep-outs, its circle and its rectangle come
    from the program's own functions, fed with the exact shapes of what was seen: they check how
    errors are carried. Whether a keep-out is large enough cannot be asked of slabs whose checks
    the project invented itself; that would be circular.
    """
    from slabvision.clear.circle import largest_circle
    from slabvision.clear.rectangle import along_grain
    from slabvision.clear.region import Trims, clear_region
    from slabvision.clear.shapes import FaceShape
    from slabvision.defects import KINDS, THICK_MM

    turned = _along_u(face.outline)
    outline = turned(face.outline)
    taken = shapely.union_all(
        [r.polygon for r in face.regions if KINDS[r.kind].treatment == "avoid"]
    )
    seen = [_seen(r, turned) for r in face.regions if r.number in painted]
    exact = FaceShape(outline=outline, defects=tuple(seen))
    region = clear_region(
        exact, trims=Trims.usual(), thickness_mm=THICK_MM + 1.0 if thick else THICK_MM - 1.0
    )
    circle = largest_circle(region.with_keep_outs)
    rectangle = along_grain(region.with_keep_outs, region.grain)
    u0, _, u1, _ = outline.bounds
    area = float(outline.area)
    return {
        "length": u1 - u0,
        "gross area": area,
        "clear area as seen": area - float(shapely.intersection(taken, face.outline).area),
        "clear area with keep-outs": region.area_mm2,
        "largest circle": circle.diameter_mm if circle else math.nan,
        "largest rectangle": rectangle.area_mm2 if rectangle else math.nan,
        "board feet": area * face.thickness_mm / BOARD_FOOT_MM3,
    }


def _seen(region: Region, turned: Turn) -> Any:
    """Return what can be seen of a defect, exact: of a check the part wide enough."""
    from slabvision.clear.shapes import DefectShape, polygons_only
    from slabvision.defects import KINDS

    shape, line = region.polygon, None
    seen = region.seen_line
    if KINDS[region.kind].line and len(seen) > 1:
        first = int(np.argmin(np.linalg.norm(region.line - seen[0], axis=1)))
        shape = crack_polygon(seen, region.widths[first : first + len(seen)])
        line = turned(shapely.LineString(seen))
    shape = polygons_only(shapely.simplify(turned(shape), 0.05), 0.0)
    return DefectShape(region.number, region.kind, shape, centre_line=line)
