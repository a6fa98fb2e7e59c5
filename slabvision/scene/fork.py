"""A second stem: the crotch where it leaves the first, the bark shut in there, the figured grain.

Both stems grow rings of their own; wherever they meet, a point belongs to the ring that reached
it first. Below the fork the rings flow together; above it bark was caught between the stems.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slabvision.scene.fill import Array
from slabvision.scene.noise import Waves, waves

__all__ = ["Fork", "draw_fork"]

_BLEND_MM = 9.0
"""How widely rings of two stems flow together."""


@dataclass(frozen=True)
class Fork:
    """A stem that leaves the first at a narrow angle.

    Attributes
    ----------
    x : float
        Where its axis leaves the first pith, mm along the log.
    root : (float, float)
        The first pith's (y, z) there.
    angle : float
        Between the two axes, radians.
    azimuth : float
        Direction of the second stem in the cross-section, radians.
    born_mm : float
        Age radius of the first stem when the second began.
    share : float
        Its ring width as a share of the first's.
    bark_mm, bark_from_mm : float
        Half thickness of the bark between the stems, and the age radius from which it was shut in.
    ripple : Waves
        Irregularity of that bark.
    """

    x: float
    root: tuple[float, float]
    angle: float
    azimuth: float
    born_mm: float
    share: float
    bark_mm: float
    bark_from_mm: float
    ripple: Waves

    def _axes(self, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
        """Return place along the second axis, offset up the stem in the fork's plane, and aside."""
        c, s = np.cos(self.azimuth), np.sin(self.azimuth)
        px, py, pz = x - self.x, y - self.root[0], z - self.root[1]
        out, aside = py * c + pz * s, pz * c - py * s
        ct, st = np.cos(self.angle), np.sin(self.angle)
        return px * ct + out * st, px * st - out * ct, aside

    def age(self, x: Array, y: Array, z: Array) -> Array:
        """Return the age radius that the second stem's own rings would have."""
        t, up, aside = self._axes(x, y, z)
        d = np.sqrt(up * up + aside * aside + np.minimum(t, 0.0) ** 2)
        return np.asarray(self.born_mm + 0.02 * np.maximum(t, 0.0) + d / self.share)

    def join(self, first: Array, x: Array, y: Array, z: Array) -> Array:
        """Return the age radius of the two stems together."""
        gap = first - self.age(x, y, z)
        return np.asarray(first - 0.5 * (gap + np.sqrt(gap * gap + _BLEND_MM**2)))

    def off_seam(self, first: Array, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """Return the distance from the surface where the stems meet, and how far up the crotch."""
        t, up, _ = self._axes(x, y, z)
        gap = np.abs(first - self.age(x, y, z)) / (1.0 + 1.0 / self.share)
        return gap, np.minimum(up, t)

    def bark_between(self, first: Array, x: Array, y: Array, z: Array) -> Array:
        """Return the distance outside the bark that the stems shut in, mm, roughly."""
        gap, crotch = self.off_seam(first, x, y, z)
        thick = self.bark_mm * np.clip(1.0 + 0.45 * self.ripple(x, y, z), 0.1, 2.5)
        inner = self.bark_from_mm + 14.0 * self.ripple(0.4 * x, 0.4 * y, 0.4 * z)
        return np.asarray(np.maximum(np.maximum(gap - thick, 0.5 * (inner - first)), -crotch))


def draw_fork(rng: np.random.Generator, x: float, root: tuple[float, float], radius: float) -> Fork:
    """Draw a fork; the stems lie nearly flat, as a sawyer turns them."""
    return Fork(
        x=x,
        root=root,
        angle=float(np.radians(rng.uniform(20.0, 32.0))),
        azimuth=float(rng.choice([0.0, np.pi])) + float(rng.normal(0.0, 0.2)),
        born_mm=float(rng.uniform(4.0, 40.0)),
        share=float(rng.uniform(0.55, 0.9)),
        bark_mm=float(rng.uniform(2.5, 7.0)),
        bark_from_mm=float(rng.uniform(0.3, 0.6)) * radius,
        ripple=waves(rng, 14, (12.0, 12.0, 12.0), (120.0, 90.0, 90.0), 1.0),
    )
