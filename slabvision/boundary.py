"""How far a drawn edge is from the wood's edge, and what that does to an area or a length.

A hand that follows an edge errs in two ways: a slow offset (the whole line a little inside or
outside, because of where the person thinks a rounded edge ends) and a wobble that is correlated
over a hand's breadth. White noise from vertex to vertex would average out of an area and make
it look surer than it is.

The sizes are common practice, no source; the validation study draws its hands from the same
two-part model with its own sizes and counts how often the intervals hold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.estimate import named_normals

__all__ = ["HAND", "Hand"]


@dataclass(frozen=True)
class Hand:
    """Standard uncertainties of a drawn edge.

    Attributes
    ----------
    offset_px, offset_mm : float
        Slow offset: what the picture's sharpness leaves open, and what the wood leaves open.
    wobble_px, wobble_mm : float
        Correlated wobble.
    correlation_mm : float
        Length over which the wobble is correlated (squared-exponential).
    """

    offset_px: float = 1.0
    offset_mm: float = 0.8
    wobble_px: float = 1.5
    wobble_mm: float = 0.8
    correlation_mm: float = 75.0

    def offset(self, mm_per_px: float) -> float:
        """Return the standard uncertainty of the slow offset, mm."""
        return math.hypot(self.offset_px * mm_per_px, self.offset_mm)

    def wobble(self, mm_per_px: float) -> float:
        """Return the standard uncertainty of the wobble at one place, mm."""
        return math.hypot(self.wobble_px * mm_per_px, self.wobble_mm)

    def offset_draws(self, name: str, mm_per_px: float, draws: int) -> NDArray[np.float64]:
        """Return the slow offset of one drawn edge in every draw, mm, outwards positive."""
        return self.offset(mm_per_px) * named_normals(f"offset:{name}", draws)

    def area_draws(
        self, name: str, edge_mm: float, mm_per_px: float, draws: int
    ) -> NDArray[np.float64]:
        """Return what an edge of this length adds to the area inside it, mm², in every draw.

        The offset adds offset times length. The wobble adds its integral along the edge, whose
        variance for a squared-exponential correlation of length c is
        ``sigma² · length · c · sqrt(2 pi)`` while the edge is long against c.
        """
        slow = self.offset_draws(name, mm_per_px, draws) * edge_mm
        reach = min(self.correlation_mm * math.sqrt(2 * math.pi), edge_mm)
        wobble = self.wobble(mm_per_px) * math.sqrt(edge_mm * reach)
        return np.asarray(slow + wobble * named_normals(f"wobble:{name}", draws))

    def point_draws(self, name: str, mm_per_px: float, draws: int) -> NDArray[np.float64]:
        """Return how far one place of an edge is out, mm, in every draw."""
        size = math.hypot(self.offset(mm_per_px), self.wobble(mm_per_px))
        return size * named_normals(f"place:{name}", draws)


HAND = Hand()
"""A person who draws with care on a photo zoomed until the edge is plain."""
