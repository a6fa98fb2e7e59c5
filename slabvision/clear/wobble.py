"""What a hand's wobble did to the drawn arris, told apart from the edge itself.

Extremes are biased by it: a largest circle is held by the innermost of many wobbly places. Each
side of an outline is split into waves. Where the side's own strength at a wave length is no more
than a hand's wobble, the waves are the hand's and are taken out; where it is far more, they are the
tree's and stay. In between they are shrunk (after Wiener's filter, with the strength taken from the
neighbouring waves of the side itself). What stays uncertain is drawn for every world.

Between two clicks a hand is rougher than the smooth law that serves for areas
(:mod:`slabvision.boundary`): the wobble's correlation is taken to fall exponentially, with the same
integral. DEVELOPERS.md has the bias that is left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon

from slabvision.boundary import Hand
from slabvision.clear.shapes import SIDES, sides
from slabvision.estimate import named_rng

__all__ = ["SideWobble", "side_wobbles"]

Floats: TypeAlias = NDArray[np.float64]

_TREND = 4
"""Level, slope, sweep and belly of a side (a cubic) are its own; wobble cannot be told there."""
_PLAINLY_ITS_OWN = 0.6
"""Waves of which so much is the edge's own are left as drawn. Shrinking those too smooths the tree
away: on three drawn live-edged slabs it turned -0.2 % of the largest rectangle into +0.25 %."""


@dataclass(frozen=True, eq=False)
class SideWobble:
    """The wobble of one side of an outline.

    Attributes
    ----------
    line : LineString
        The side as drawn, mm.
    step_mm : float
        Spacing of the nodes; the first lies half a step from the line's start.
    known : ndarray, shape (nodes,)
        From the drawn to the likelier edge, outwards, mm.
    left : ndarray, shape (draws, nodes)
        What stays unknown, in every draw, outwards, mm.
    """

    line: LineString
    step_mm: float
    known: Floats
    left: Floats

    def at(self, points: Floats) -> tuple[Floats, Floats]:
        """Return ``known`` (N,) and ``left`` (draws, N) at the places nearest to points."""
        along = shapely.line_locate_point(self.line, shapely.points(points)) / self.step_mm - 0.5
        along = np.clip(along, 0.0, len(self.known) - 1.0)
        low = np.minimum(np.floor(along).astype(np.intp), len(self.known) - 2)
        part = along - low
        return (
            self.known[low] * (1 - part) + self.known[low + 1] * part,
            self.left[:, low] * (1 - part) + self.left[:, low + 1] * part,
        )


def side_wobbles(
    outline: Polygon, hand: Hand, mm_per_px: float, *, key: str, draws: int
) -> tuple[SideWobble, ...]:
    """Return the wobble of the four sides of an outline.

    Parameters
    ----------
    outline : Polygon
        As drawn, mm.
    hand : Hand
    mm_per_px : float
    key : str
        Names the random draws.
    draws : int
    """
    four = sides(outline)
    middle = np.array([outline.centroid.x, outline.centroid.y])
    return tuple(
        _side(getattr(four, name), middle, hand, mm_per_px, f"{key}:{name}", draws)
        for name in SIDES
    )


def _side(
    line: LineString, middle: Floats, hand: Hand, mm_per_px: float, key: str, draws: int
) -> SideWobble:
    from scipy.fft import dct, idct

    nodes = int(np.clip(np.ceil(8 * line.length / hand.correlation_mm), 12, 2048))
    step = line.length / nodes
    at = (np.arange(nodes) + 0.5) * step
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    chord = points[-1] - points[0]
    way = chord / max(float(np.hypot(*chord)), 1e-9)
    across = np.array([-way[1], way[0]])
    outward = 1.0 if (points.mean(axis=0) - middle) @ across > 0 else -1.0
    x, y = (points - points[0]) @ way, (points - points[0]) @ across * outward
    own = y - np.polyval(
        np.polyfit(x / max(np.ptp(x), 1.0), y, _TREND - 1), x / max(np.ptp(x), 1.0)
    )
    waves = dct(own, norm="ortho")
    frequency = np.arange(nodes) / (2 * line.length)
    reach = math.sqrt(2 * math.pi) * hand.correlation_mm / 2
    noise = 1.0 / (1.0 + (2 * np.pi * frequency * reach) ** 2)
    noise *= nodes * hand.wobble(mm_per_px) ** 2 / float(noise.sum())
    keep = np.clip(1.0 - noise / np.maximum(_strength(waves), 1e-12), 0.0, 1.0)
    keep[:_TREND] = 1.0
    known = idct(waves * (np.minimum(keep / _PLAINLY_ITS_OWN, 1.0) - 1.0), norm="ortho")
    white = named_rng(f"wobble-side:{key}").standard_normal((draws, nodes))
    left = idct(white * np.sqrt(keep * noise), axis=1, norm="ortho")
    return SideWobble(line, step, np.asarray(known), np.asarray(left))


def _strength(waves: Floats) -> Floats:
    """Mean power of each wave and its neighbours within half an octave, four at least."""
    total = np.concatenate([[0.0], np.cumsum(waves**2)])
    k = np.arange(len(waves))
    lo = np.maximum(np.minimum(np.floor(k / 1.4).astype(int), k - 4), 0)
    hi = np.minimum(np.maximum(np.ceil(k * 1.4).astype(int) + 1, k + 5), len(waves))
    return np.asarray((total[hi] - total[lo]) / (hi - lo))
