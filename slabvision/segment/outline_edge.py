"""Look along a rough outline: the photo straightened in a ribbon, and what is seen there."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_cells import in_cells
from slabvision.segment.window import Floats, Floats32, Mask, as_unit

__all__ = [
    "EDGE_SIDE",
    "REACH",
    "STATION",
    "Ribbon",
    "clicks_along",
    "edge_look",
    "evenly",
    "lay_ribbon",
    "ribbon_places",
    "wood_left",
]

EDGE_SIDE = 2000
"""The edge is settled in steps of the photo's longer side over this."""
REACH = 48
"""Steps (pixels of that photo) that are looked at on either side of the rough outline."""
STATION = 3.0
"""Steps between stations."""
_MIDDLE = np.array([0.5, 0, 0], np.float32)
_NEAR, _FAR = 4.0, 40.0
"""How far a click is seen along a ribbon, sharply and dimly, steps."""
_ROUND = 16
"""A net that halves three times wants stations in multiples of this many."""


class Ribbon(NamedTuple):
    """A picture straightened along an outline: stations down, offsets across (outward positive).

    Attributes
    ----------
    lab : ndarray of float32, shape (S, 2 * REACH, 3)
    seen : ndarray of bool, shape (S, 2 * REACH)
        Whether it lies in the photo.
    points, outward : ndarray, shape (S, 2)
        Stations and unit normals, photo pixels.
    step : float
        Photo pixels per step.
    closed : bool
    """

    lab: Floats32
    seen: Mask
    points: Floats
    outward: Floats
    step: float
    closed: bool


def evenly(points: Floats, spacing: float, *, closed: bool, multiple: int = 1) -> Floats:
    """Return points at equal steps along a line or a ring, a multiple of so many."""
    if closed:
        points = np.concatenate([points, points[:1]])
    long = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = multiple * max(1 if multiple > 3 else 4, round(float(long[-1]) / spacing / multiple))
    want = np.linspace(0, long[-1], count, endpoint=not closed)
    return np.column_stack([np.interp(want, long, points[:, k]) for k in (0, 1)])


def _calm(points: Floats, sigma: float, closed: bool) -> Floats:
    from scipy.ndimage import gaussian_filter1d

    if closed:
        return np.asarray(gaussian_filter1d(points, sigma, axis=0, mode="wrap"))
    pad = min(len(points) - 1, int(4 * sigma) + 1)
    long = np.concatenate(
        [2 * points[0] - points[pad:0:-1], points, 2 * points[-1] - points[-2 : -pad - 2 : -1]]
    )
    return np.asarray(gaussian_filter1d(long, sigma, axis=0)[pad : pad + len(points)])


def lay_ribbon(
    image: NDArray[Any], scale: float, rough: Floats, *, closed: bool, coarse: float = 1.0
) -> Ribbon:
    """Straighten a photo along a rough outline.

    Parameters
    ----------
    image : ndarray
        The photo, shrunk to :data:`EDGE_SIDE` where it is larger; RGB or grey.
    scale : float
        Photo pixels per pixel of ``image``.
    rough : ndarray, shape (N, 2)
        Outline in photo pixels, wood on its left as seen along it with rows down (counter-
        clockwise on the screen), so that ``outward`` points off the wood.
    closed : bool
    coarse : float
        How much longer than usual the steps are.
    """
    height, width = image.shape[:2]
    step = coarse * scale * max(height, width) / EDGE_SIDE
    line = evenly(rough, STATION * step, closed=closed)
    line = _calm(line, 3.0, closed)
    line = evenly(line, STATION * step, closed=closed, multiple=_ROUND)
    tangent = np.roll(line, -1, 0) - np.roll(line, 1, 0) if closed else np.gradient(line, axis=0)
    tangent = _calm(tangent, 4.0, closed)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    outward = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    at = ribbon_places(line, outward, step)
    x, y = (((at[..., k] + 0.5) / scale - 0.5).astype(np.float32) for k in (1, 0))
    strip = as_unit(cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    if strip.ndim == 2:
        strip = cv2.cvtColor(strip, cv2.COLOR_GRAY2RGB)
    lab = cv2.cvtColor(strip, cv2.COLOR_RGB2LAB) / np.float32(100)
    limit = np.array([height, width]) * scale - 0.5
    seen = np.asarray(((at >= -0.5) & (at <= limit)).all(axis=2))
    return Ribbon(lab, seen, line, outward, step, closed)


def ribbon_places(points: Floats, outward: Floats, step: float) -> Floats:
    """Return where the offsets of a ribbon lie in the photo, shape (S, 2 * REACH, 2)."""
    across = (np.arange(2 * REACH) - REACH + 0.5) * step
    return np.asarray(points[:, None] + across[:, None] * outward[:, None])


def edge_look(lab: Floats32, seen: Mask, said: Floats32) -> Floats32:
    """Return what the second net looks at, shape (S / 2, REACH, 23).

    Colours, what is in the photo, how far out it lies, and the clicks (see
    :func:`clicks_along`).
    """
    there = seen[..., None].astype(np.float32)
    cells = in_cells(np.concatenate([2 * (lab - _MIDDLE) * there, there], axis=2), 2, 2)
    out = np.linspace(-1, 1, cells.shape[1], dtype=np.float32)
    place = np.stack([out, np.square(out), np.abs(out)], axis=1)
    place = np.broadcast_to(place, (len(cells), *place.shape))
    return np.concatenate([cells, place, said], axis=2)


def clicks_along(ribbon: Ribbon, inside: Floats, outside: Floats) -> Floats32:
    """Return how near each cell of a ribbon is to clicks, shape (S / 2, REACH, 4).

    Inside sharply and dimly, then outside; photo pixels in, the last odd station left out.
    """
    places = ribbon_places(ribbon.points, ribbon.outward, ribbon.step)
    rows = len(places) // 2
    cells = places[: 2 * rows].reshape(rows, 2, REACH, 2, 2).mean(axis=(1, 3))
    out = np.zeros((rows, REACH, 4), np.float32)
    for side, clicks in enumerate((inside, outside)):
        for click in clicks:
            apart = np.square((cells - click) / ribbon.step).sum(axis=2)
            for k, sigma in enumerate((_NEAR, _FAR)):
                near = out[..., 2 * side + k]
                np.maximum(near, np.exp(-apart / (2 * sigma**2)), out=near)
    return out


def wood_left(ring: Floats) -> Floats:
    """Return a closed ring of (row, col) so turned that ``lay_ribbon``'s outward points off it."""
    row, col = ring[:, 0], ring[:, 1]
    twice = float(np.sum(col * np.roll(row, -1) - np.roll(col, -1) * row))
    return ring if twice < 0 else ring[::-1]
