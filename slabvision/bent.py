"""What bow and cup do to a photo: bent wood lies where the plane does not show it.

Wood that stands proud of the fitted plane is nearer to the camera, so it looks larger, and in an
oblique view it is seen further away than it lies. The plane is fitted to the reference, which lies
on the bent wood itself: what a flat plane through the reference takes up is no error.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.estimate import named_normals
from slabvision.plane import Plane
from slabvision.record import PhotoEntry, mark_points

__all__ = ["bend_of"]

Floats: TypeAlias = NDArray[np.float64]


def bend_of(
    entry: PhotoEntry,
    plane: Plane,
    bounds: tuple[float, float, float, float],
    *,
    bow_u_mm: float,
    cup_u_mm: float,
) -> Callable[[Floats], Floats]:
    """Return how far bow and cup take places of a face, in every draw.

    Parameters
    ----------
    entry : PhotoEntry
        Its marks on the face say what the plane has taken up already.
    plane : Plane
        Anchored to the slab: u along it, v across.
    bounds : (u0, v0, u1, v1)
        Of the outline, mm.
    bow_u_mm, cup_u_mm : float
        Standard uncertainty of how far the middle stands off the ends, and off the edges; which
        way is not known.

    Returns
    -------
    callable
        From (N, 2) mm to (draws, N, 2) mm, to be added.

    Notes
    -----
    Bow and cup are parabolas along and across (the first deflection of a strip that dries
    unevenly; common practice, no source).
    """
    on_face = [mark_points(mark) for mark in entry.marks if mark.place != "ground"]
    places = plane.to_mm(np.vstack(on_face)) if on_face else np.empty((0, 2))
    through = _taken_up(_unit(places, bounds))
    key = entry.sha256
    sizes = np.stack([
        bow_u_mm * named_normals(f"bow:{key}", plane.draws),
        cup_u_mm * named_normals(f"cup:{key}", plane.draws),
    ], axis=1)  # fmt: skip

    def bend(points: Floats) -> Floats:
        unit = _unit(points, bounds)
        below = _parabolas(unit) - _flat(unit) @ through
        return np.asarray((sizes @ below.T)[..., None] * plane.lean(points))

    return bend


def _unit(points: Floats, bounds: Sequence[float]) -> Floats:
    """Return places as shares of half the length and half the width, -1 to 1."""
    u0, v0, u1, v1 = bounds
    return np.asarray(
        (2 * np.asarray(points) - (u0 + u1, v0 + v1)) / (max(u1 - u0, 1e-9), max(v1 - v0, 1e-9))
    )


def _parabolas(unit: Floats) -> Floats:
    """Return how far bow and cup of 1 mm put places below the mean plane, (N, 2) mm."""
    return np.asarray(unit**2 - 1 / 3)


def _flat(unit: Floats) -> Floats:
    return np.column_stack([np.ones(len(unit)), unit])


def _taken_up(unit: Floats) -> Floats:
    """Return the plane through places on bent wood, (3, 2): for bow and for cup.

    Along a single tape it is level across: the smallest slopes that fit.
    """
    if not len(unit):
        return np.zeros((3, 2))
    return np.asarray(np.linalg.lstsq(_flat(unit), _parabolas(unit), rcond=1e-3)[0])
