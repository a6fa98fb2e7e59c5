"""Walk a first guess of the pith inwards, ring by ring.

Rings are rarely concentric: the centre of all rings is not the pith. The innermost rings that can
be read decide. Each step unrolls the picture round the present guess out to a smaller radius,
stacks along trial slopes and solves again for the point the normals pass through.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.centre import refine_centre
from slabvision.endgrain.pyramid import Pyramid
from slabvision.endgrain.rings import flatten, polar_frame, slopes_of, unroll

__all__ = ["walk_inwards"]

Floats = NDArray[np.float64]

STEPS = (1.0, 0.6, 0.36, 0.22, 0.14, 0.1)
"""Outer radius of each step: share of the way from the nearest to the farthest wood."""
FIRST = 0.12
"""Standard deviation of the first guess, share of the farthest wood: rings are not concentric."""
DRIFT = 0.25
"""How far the centre of the rings moves from one radius to another, share of the difference."""
NEAR = 0.2
"""A pith farther off the wood than this share of the farthest wood has no innermost rings."""
REACH = 0.7
"""Slopes against the circle that are tried."""
REPEATS = 2
"""At most so many turns per step; one is enough once the centre stays put."""


def walk_inwards(
    pyramid: Pyramid, level: int, start: Floats, cov: Floats, wood: Floats
) -> tuple[Floats, Floats]:
    """Return the pith and its covariance (pixels squared).

    Parameters
    ----------
    pyramid : Pyramid
        Picture and wood.
    level : int
        Scale to read at.
    start, cov : ndarray
        First guess and its covariance.
    wood : ndarray, shape (N, 2)
        Points of the wood.
    """
    centre = np.asarray(start, dtype=np.float64)
    reach = float(np.percentile(np.hypot(*(wood - centre).T), 97))
    cov = cov + np.eye(2) * (FIRST * reach) ** 2
    last = None
    nearest = float(np.hypot(*(wood - centre).T).min())
    for share in STEPS if nearest < NEAR * reach else STEPS[:1]:
        for _ in range(REPEATS if nearest < NEAR * reach else 1):
            found = _step(pyramid, level, centre, cov, wood, share, last)
            if found is None:
                return centre, cov
            new, new_cov, outer = found
            moved = float(np.hypot(*(new - centre)))
            if moved > 0.5 * outer:
                return centre, cov
            centre = new
            if moved < 0.02 * outer:
                break
        cov, last = new_cov, outer
    return centre, cov


def _step(
    pyramid: Pyramid,
    level: int,
    centre: Floats,
    cov: Floats,
    wood: Floats,
    share: float,
    last: float | None,
) -> tuple[Floats, Floats, float] | None:
    """Solve for the pith from the rings out to one radius; None if too little is seen."""
    scale = pyramid.scales[level]
    distance = np.hypot(*(wood - centre).T)
    nearest = float(distance.min())
    outer = nearest + share * (float(np.percentile(distance, 97)) - nearest)
    near = wood[distance < outer]
    if near.shape[0] < 12:
        return None
    inner = max(outer / 10, nearest, 3.0 / scale)
    frame = polar_frame(
        centre, near, ring_px=max(4 / scale, outer / 40), min_radius_px=inner, arc_deg=2.0
    )
    picture, inside = unroll(frame, pyramid.levels[level], pyramid.inside[level], scale)
    rest = flatten(picture, inside, frame, outer / 10)
    half = np.deg2rad(15.0) if frame.closed else min(np.deg2rad(15.0), 30 * frame.dtheta)
    found = slopes_of(
        rest,
        inside,
        frame,
        half_arc=half,
        reach=0.8,
        step=0.1,
        node_rays=3,
        node_radii=6,
        most_taps=13,
    )
    theta, rho = np.meshgrid(found.theta, found.rho, indexing="ij")
    rows, cols = frame.points(theta, rho)
    across = theta - np.arctan(found.slope)
    points = np.stack([rows.ravel(), cols.ravel()], axis=1)
    normals = np.stack([np.sin(across).ravel(), np.cos(across).ravel()], axis=1)
    weights = found.weight.ravel()
    size = weights.size
    if weights.sum() < 0.01 * size:
        return None
    told = weights > 0
    points, normals, weights = points[told], normals[told], weights[told]
    # What the wider rings said still holds, but for how far rings drift as a tree grows; where
    # this step sees little (a strip shows its rings from one side) that keeps the centre in place.
    drift = DRIFT * max(0.0, (last if last is not None else outer) - outer)
    new, new_cov, trust = refine_centre(
        centre,
        points,
        normals,
        weights,
        cut_deg=35.0,
        soft_px=outer / 20,
        hold=cov + np.eye(2) * drift**2,
    )
    if float((weights * trust).sum() / size) < 0.01:
        return None
    return new, new_cov, outer
