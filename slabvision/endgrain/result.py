"""What was read from one end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from slabvision.endgrain.evidence import Evidence
from slabvision.endgrain.field import RingField
from slabvision.endgrain.view import View

if TYPE_CHECKING:
    pass

__all__ = ["EndGrain"]

Floats = NDArray[np.float64]

TILT_U_DEG = 8.0
"""Standard deviation of the tilt of a hand-held photo of an end, from memory, no source."""


@dataclass(frozen=True, eq=False)
class EndGrain:
    """Rings of one sawn end."""

    view: View
    field: RingField
    along: Floats
    evidence: Evidence
    shape: tuple[int, ...]

    @property
    def pith(self) -> Floats:
        """Pith, (row, col) in the photo; may lie outside it."""
        return np.asarray(self.view.to_photo(self.field.frame.centre[None])[0])

    @property
    def pith_cov(self) -> Floats:
        """Covariance of the pith, pixels squared."""
        return self.field.pith_cov

    def ring_tangent_deg(self, points: ArrayLike) -> Floats:
        """Return ring directions in the photo (N,), 0 to 180 from +column towards +row."""
        flat = self.view.to_flat(_points(points))
        tangent, _, _ = self.field.at(flat)
        vector = np.stack([np.sin(tangent), np.cos(tangent)], axis=1)
        photo = self.view.direction_to_photo(flat, vector)
        return np.asarray(np.rad2deg(np.arctan2(photo[:, 0], photo[:, 1])) % 180.0)

    def ring_angle_deg(self, points: ArrayLike) -> Floats:
        """Return ring angles to the wide face (N,): 0 parallel, 90 square to it."""
        tangent, _, _ = self.field.at(self.view.to_flat(_points(points)))
        face = np.arctan2(self.along[0], self.along[1])
        turned = np.abs((np.rad2deg(tangent - face) + 90.0) % 180.0 - 90.0)
        return np.asarray(turned)

    def ring_angle_u_deg(self, points: ArrayLike) -> Floats:
        """Return standard uncertainties of the ring angles (N,), degrees."""
        _, u, _ = self.field.at(self.view.to_flat(_points(points)))
        return np.asarray(np.rad2deg(u))

    def seen(self, points: ArrayLike) -> NDArray[np.bool_]:
        """Return whether rings were seen at the points, not inferred from the centre."""
        _, _, seen = self.field.at(self.view.to_flat(_points(points)))
        return np.asarray(seen > 0.5)


def _points(points: ArrayLike) -> Floats:
    array = np.asarray(points, dtype=np.float64)
    if array.ndim == 1 and array.size == 2:
        array = array[None]
    if array.ndim != 2 or array.shape[1] != 2:
        raise ValueError(f"points have shape {array.shape}; (N, 2) rows and columns are needed")
    return array
