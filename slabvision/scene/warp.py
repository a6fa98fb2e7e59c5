"""How a slab left its flatness as it dried: bow along it, cup across it, twist.

A board cups away from the heart because wood shrinks more along the rings than across them
(Wood Handbook, FPL-GTR-282, chapter 4, warp); bow and twist follow grain that runs out. The sizes
are invented. The slab is sheared: both faces rise by the same amount, thickness stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slabvision.estimate import named_rng
from slabvision.scene.fill import Array
from slabvision.scene.sawing import Cut

__all__ = ["Warp", "draw_warp"]


@dataclass(frozen=True)
class Warp:
    """Rise of the slab over a flat one; its mean and mean slopes are zero.

    Attributes
    ----------
    x, y : (float, float)
        Middle and half length along the log; middle and half width across it, mm.
    bow_mm, cup_mm : float
        Height of the arch along, and across; positive: the middle stands up (towards face A).
    twist_mm : float
        How far the fourth corner stands off the plane of the other three.
    """

    x: tuple[float, float]
    y: tuple[float, float]
    bow_mm: float
    cup_mm: float
    twist_mm: float

    @property
    def flat(self) -> bool:
        """Nothing rises anywhere."""
        return self.bow_mm == self.cup_mm == self.twist_mm == 0.0

    def rise(self, x: Array, y: Array) -> Array:
        """Return how far the wood at (x, y) of the log stands up, mm along z."""
        s = np.clip((x - self.x[0]) / self.x[1], -1.2, 1.2)
        t = np.clip((y - self.y[0]) / self.y[1], -1.2, 1.2)
        third = 1.0 / 3.0
        bent = self.bow_mm * (third - s * s) + self.cup_mm * (third - t * t)
        return np.asarray(bent + (0.25 * self.twist_mm) * s * t)


def draw_warp(seed: int, cut: Cut, given: tuple[float, float, float] | None = None) -> Warp:
    """Draw how a sawn slab warps; ``given`` (bow, cup, twist in mm) says it instead."""
    rng = named_rng("scene warp", seed)
    middle = (cut.x0 + cut.x1) / 2
    edges = [cut.rough_edge_y(middle, (cut.z_a + cut.z_b) / 2, side) for side in (-1, 1)]
    half = (edges[1] - edges[0]) / 2
    _, cz = (float(c) for c in cut.log.pith(middle))
    above = (cut.z_a + cut.z_b) / 2 - cz
    # Rings parallel to the face cup most; the heart side arches out, so the edges turn away.
    flat_sawn = abs(above) / float(np.hypot(above, 0.6 * half))
    cup = -float(np.sign(above)) * float(rng.uniform(0.5, 6.0)) * flat_sawn * (half / 350.0)
    bow = float(rng.normal(0.0, 3.0)) * ((cut.x1 - cut.x0) / 2300.0) ** 2
    twist = float(rng.normal(0.0, 4.0)) * (cut.x1 - cut.x0) / 2300.0
    if given is not None:
        if not all(abs(mm) <= 60.0 for mm in given):
            raise ValueError(f"warp_mm is {given}; bow, cup and twist of up to 60 mm can be drawn")
        bow, cup, twist = (float(mm) for mm in given)
    return Warp((middle, (cut.x1 - cut.x0) / 2), ((edges[0] + edges[1]) / 2, half), bow, cup, twist)
