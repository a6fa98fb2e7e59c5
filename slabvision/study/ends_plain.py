"""The plain way, to compare with: a structure tensor, and the centre by least squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.study.ends_pictures import KnownEnd

__all__ = ["PlainReading", "read_plainly", "round_the_true_pith"]

Floats = NDArray[np.float64]

SIGMA = 5.0
"""Window of the tensor, pixels."""


@dataclass(frozen=True, eq=False)
class PlainReading:
    """Ring directions (degrees, (N,)) at the known points, and the pith (row, col)."""

    tangent_deg: Floats
    pith: Floats


def read_plainly(end: KnownEnd) -> PlainReading:
    """Read ring directions by a structure tensor (Bigün & Granlund 1987) at full resolution.

    The pith is the point with the least sum of squared distances from all normals, each weighted
    by its coherence and contrast.
    """
    from skimage.feature import structure_tensor

    grey = end.pixels[..., :3].astype(float).mean(axis=2)
    rr, rc, cc = structure_tensor(grey, sigma=SIGMA, order="rc")  # type: ignore[no-untyped-call]
    angle = 0.5 * np.arctan2(2 * rc, cc - rr)  # of the gradient, from +column towards +row
    at = np.round(end.points).astype(int)
    tangent = np.rad2deg(angle[at[:, 0], at[:, 1]]) + 90.0
    where = np.argwhere(end.mask[::6, ::6]) * 6
    r, c = where[:, 0], where[:, 1]
    trace = rr[r, c] + cc[r, c]
    weight = np.hypot(rr[r, c] - cc[r, c], 2 * rc[r, c]) / (trace + 1e-9) * np.sqrt(trace)
    side = np.stack([np.cos(angle[r, c]), -np.sin(angle[r, c])], axis=1)
    matrix = np.einsum("n,ni,nj->ij", weight, side, side)
    right = np.einsum("n,ni,nj,nj->i", weight, side, side, where.astype(float))
    return PlainReading(tangent % 180.0, np.linalg.lstsq(matrix, right, rcond=None)[0])


def round_the_true_pith(end: KnownEnd) -> Floats:
    """Return directions (N,) of circles round the true pith at the known points, degrees."""
    away = end.points - end.pith
    return np.asarray((np.rad2deg(np.arctan2(away[:, 0], away[:, 1])) + 90.0) % 180.0)
