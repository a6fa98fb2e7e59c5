"""What the view adds to the uncertainty of an angle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.view import View
from slabvision.estimate import named_rng

__all__ = ["TILT_U_DEG", "tilts", "view_u_deg"]

Floats = NDArray[np.float64]

TILT_U_DEG = 10.0
"""Spread (half-normal) of the tilt of a hand-held, roughly square photo; from memory, no source."""

_DIRECTIONS = np.arange(0.0, 181.0, 7.5)


def tilts(draws: int) -> tuple[Floats, Floats]:
    """Return possible tilts of a hand-held photo.

    Returns
    -------
    stretch : ndarray, shape (draws,)
        What was shortened is this much longer.
    axis : ndarray, shape (draws, 2)
        Unit vector (row, col) along which it was.
    """
    rng = named_rng("end grain: tilt of the photo")
    tilt = np.deg2rad(TILT_U_DEG) * np.abs(rng.standard_normal(draws))
    axis = rng.uniform(0, np.pi, draws)
    stretch = 1.0 / np.cos(np.minimum(tilt, np.deg2rad(60.0)))
    return stretch, np.stack([np.sin(axis), np.cos(axis)], axis=1)


def view_u_deg(view: View, along: Floats, at: Floats, tangent: Floats) -> Floats:
    """Return the standard uncertainty of ring angles that comes from the view, degrees.

    Parameters
    ----------
    view : View
        With a plane its own draws are used; without one, a tilt nobody measured: a plane seen
        at a tilt shrinks along one direction by the cosine of the tilt.
    along : ndarray, shape (2,)
        Face direction (row, col) in the flat picture.
    at : ndarray, shape (2,)
        Middle of the wood in the flat picture; the view is taken as affine there.
    tangent : ndarray, shape (N,)
        Ring directions in the flat picture, radians.
    """
    trial = np.deg2rad(_DIRECTIONS)
    vectors = np.stack([np.sin(trial), np.cos(trial)], axis=1)
    if view.plane is None:
        shrink, n = tilts(400)

        def turned(v: Floats) -> Floats:
            part = v @ n.T  # (directions, draws)
            out = v[:, None, :] + (shrink - 1.0)[None, :, None] * part[..., None] * n[None]
            return np.asarray(np.arctan2(out[..., 0], out[..., 1]))

        face = turned(along[None])[0]
        rings = turned(vectors)
    else:
        length = 0.05 * max(view.grey.shape)
        ends = np.concatenate([at - length * vectors, at + length * vectors])
        face_ends = np.stack([at - length * along, at + length * along])
        points = view.to_photo(np.concatenate([ends, face_ends]))
        worlds = np.asarray(view.plane.to_mm_draws(points), dtype=np.float64)
        count = trial.size
        arrow = worlds[:, count : 2 * count] - worlds[:, :count]
        rings = np.arctan2(arrow[..., 1], arrow[..., 0]).T
        face_arrow = worlds[:, -1] - worlds[:, -2]
        face = np.arctan2(face_arrow[:, 1], face_arrow[:, 0])
    # Undirected angles between ring and face; their spread about their own mean direction.
    doubled = np.exp(2j * (rings - face[None, :]))
    mean = doubled.mean(axis=1, keepdims=True)
    off = np.angle(doubled / (mean / np.abs(mean))) / 2.0
    square_only = np.sqrt((off**2).mean(axis=1))
    where = np.rad2deg(tangent) % 180.0
    return np.asarray(np.rad2deg(np.interp(where, _DIRECTIONS, square_only)))
