"""A smooth field of ring direction from scattered, unequal evidence.

Normalized convolution (Knutsson & Westin 1993) from fine to coarse: where rings are seen the fine
average speaks, where they are not it hands over to a coarser one and at last to the centre model
(circles round the pith). Outliers are turned down by Tukey's biweight between passes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.rings import PolarFrame
from slabvision.opencv import cv2

__all__ = ["RingField", "smooth_slopes"]

Floats = NDArray[np.float64]


def _blur(image: Floats, sigma: tuple[float, float], closed: bool) -> Floats:
    rays = image.shape[0]
    pad = min(rays, int(np.ceil(4 * sigma[0]))) if closed else 0
    if pad:
        image = np.concatenate([image[-pad:], image, image[:pad]])
    out = cv2.GaussianBlur(
        image, (0, 0), sigmaX=sigma[1], sigmaY=sigma[0], borderType=cv2.BORDER_CONSTANT
    )
    return np.asarray(out[pad : pad + rays])


def smooth_slopes(
    slope: Floats,
    weight: Floats,
    *,
    scales: tuple[tuple[float, float], ...],
    closed: bool,
    floor: float,
    rounds: int = 3,
    cut: float = 0.25,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Smooth slopes at nodes; fall back on coarser averages and on zero where nothing is seen.

    Returns
    -------
    smooth : ndarray
        Slope.
    seen : ndarray
        Share of the finest average in it, 0 to 1.
    prior : ndarray
        Share of the centre model in it, 0 to 1.
    trust : ndarray
        Tukey weight of each node.
    """
    trust = np.ones_like(slope)
    smooth = slope
    for turn in range(rounds):
        w = weight * trust
        smooth = np.zeros_like(slope)
        prior = np.ones_like(slope)
        seen = np.zeros_like(slope)
        for sigma in scales[::-1]:  # coarse first, the finer one overrules it where it can
            area = _blur(w, sigma, closed)
            value = _blur(w * slope, sigma, closed)
            share = area / (area + floor)
            smooth = share * value / (area + 1e-12) + (1 - share) * smooth
            prior = prior * (1 - share)
            seen = share
        limit = cut * (2.0 if turn == 0 else 1.0)
        trust = np.clip(1 - ((slope - smooth) / limit) ** 2, 0, None) ** 2
    return smooth, seen, prior, trust


@dataclass(frozen=True)
class RingField:
    """Ring direction everywhere, in the flat picture.

    Attributes
    ----------
    frame : PolarFrame
        Polar frame round the pith.
    theta, rho : ndarray
        Angle and log radius of the nodes.
    slope, u, seen, trust : ndarray, shape (theta, rho)
        Tangent of the angle between ring and circle, its standard uncertainty (radians), the
        share that was seen (0 to 1), and whether the node's own rings agree with it.
    pith_cov : ndarray, shape (2, 2)
        Covariance of the centre, pixels squared.
    """

    frame: PolarFrame
    theta: Floats
    rho: Floats
    slope: Floats
    u: Floats
    seen: Floats
    trust: Floats
    pith_cov: Floats

    def _sample(self, grid: Floats, i: Floats, j: Floats) -> Floats:
        if self.frame.closed:
            pad = 2
            grid = np.concatenate([grid[-pad:], grid, grid[:pad]])
            i = i + pad
        low_i = np.clip(np.floor(i).astype(int), 0, grid.shape[0] - 2)
        low_j = np.clip(np.floor(j).astype(int), 0, grid.shape[1] - 2)
        a = np.clip(i - low_i, 0, 1)
        b = np.clip(j - low_j, 0, 1)
        return np.asarray(
            (1 - a) * ((1 - b) * grid[low_i, low_j] + b * grid[low_i, low_j + 1])
            + a * ((1 - b) * grid[low_i + 1, low_j] + b * grid[low_i + 1, low_j + 1])
        )

    def at(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        """Return tangent (radians, +column towards +row), u (radians) and seen share.

        Parameters
        ----------
        points : ndarray, shape (N, 2)
            Row and column in the flat picture.
        """
        theta, rho = self.frame.polar(points)
        i = (theta - self.theta[0]) / (self.theta[1] - self.theta[0])
        j = (rho - self.rho[0]) / (self.rho[1] - self.rho[0])
        slope = self._sample(self.slope, i, j)
        u = self._sample(self.u, i, j)
        seen = self._sample(self.seen, i, j)
        # Outside the frame nothing was seen.
        beyond = np.maximum(np.maximum(-j - 1, j - self.rho.size), 0.0)
        if not self.frame.closed:
            beyond = np.maximum(beyond, np.maximum(-i - 1, i - self.theta.size))
        seen = np.where(beyond > 0, 0.0, seen)
        u = u * (1 + 0.05 * np.minimum(beyond, 60.0))
        # The direction to an uncertain pith; close to it that is all there is.
        away = points - self.frame.centre
        r2 = (away**2).sum(axis=1) + 1e-9
        side = np.stack([away[:, 1], -away[:, 0]], axis=1)
        var = np.einsum("ni,ij,nj->n", side, self.pith_cov, side) / r2**2
        inner = np.clip((self.rho[0] - rho) / 0.5, 0, 1)
        u = np.sqrt(u**2 + np.minimum(var, 1.0) * np.maximum(1 - seen, inner))
        return theta + np.pi / 2 - np.arctan(slope), np.minimum(u, np.pi / np.sqrt(12)), seen
