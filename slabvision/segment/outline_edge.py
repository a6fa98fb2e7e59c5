"""Look along a rough outline: the photo straightened in a ribbon, and what is seen there."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.window import Floats, Floats32, Mask, as_unit

__all__ = [
    "EDGE_SIDE",
    "MARGIN",
    "REACH",
    "STATION",
    "Ribbon",
    "edge_features",
    "edge_places",
    "evenly",
    "lay_ribbon",
    "wood_left",
]

EDGE_SIDE = 2000
"""The edge is settled in steps of the photo's longer side over this."""
REACH = 26
"""Steps (pixels of that photo) that the edge may lie off the rough outline."""
MARGIN = 16
"""Steps beyond, looked at only."""
STATION = 2.0
"""Steps between stations."""
_BESIDE = (1, 3, 6, 11, 16)


class Ribbon(NamedTuple):
    """A picture straightened along an outline: stations down, offsets across (outward positive).

    Attributes
    ----------
    lab : ndarray of float32, shape (S, K, 3)
    chance : ndarray of float32, shape (S, K)
        First look's chance of wood there.
    seen : ndarray of bool, shape (S, K)
        Whether it lies in the photo.
    points, outward : ndarray, shape (S, 2)
        Stations and unit normals, photo pixels.
    step : float
        Photo pixels per step.
    closed : bool
    """

    lab: Floats32
    chance: Floats32
    seen: Mask
    points: Floats
    outward: Floats
    step: float
    closed: bool


def evenly(points: Floats, spacing: float, *, closed: bool) -> Floats:
    """Return points at equal steps along a line or a ring."""
    if closed:
        points = np.concatenate([points, points[:1]])
    long = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = max(4, round(float(long[-1]) / spacing))
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
    image: NDArray[Any], scale: float, chance: Floats32, rough: Floats, *, closed: bool
) -> Ribbon:
    """Straighten a photo along a rough outline.

    Parameters
    ----------
    image : ndarray
        The photo, shrunk to :data:`EDGE_SIDE` where it is larger; RGB or grey.
    scale : float
        Photo pixels per pixel of ``image``.
    chance : ndarray, shape (h, w)
        Chance of wood, any coarser size of the same photo.
    rough : ndarray, shape (N, 2)
        Outline in photo pixels, wood on its left as seen along it with rows down (counter-
        clockwise on the screen), so that ``outward`` points off the wood.
    closed : bool
    """
    height, width = image.shape[:2]
    step = scale * max(height, width) / EDGE_SIDE
    line = evenly(rough, STATION * step, closed=closed)
    line = evenly(_calm(line, 4.0, closed), STATION * step, closed=closed)
    tangent = np.roll(line, -1, 0) - np.roll(line, 1, 0) if closed else np.gradient(line, axis=0)
    tangent = _calm(tangent, 5.0, closed)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    outward = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    across = np.arange(-REACH - MARGIN, REACH + MARGIN + 1) * step
    rows = line[:, :1] + across * outward[:, :1]
    cols = line[:, 1:] + across * outward[:, 1:]

    def look(picture: NDArray[Any], factor_r: float, factor_c: float) -> NDArray[Any]:
        seen = cv2.remap(
            picture,
            ((cols + 0.5) / factor_c - 0.5).astype(np.float32),
            ((rows + 0.5) / factor_r - 0.5).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(seen)

    strip = as_unit(look(image, scale, scale))
    if strip.ndim == 2:
        strip = cv2.cvtColor(strip, cv2.COLOR_GRAY2RGB)
    lab = cv2.cvtColor(strip, cv2.COLOR_RGB2LAB) / np.float32(100)
    down, over = height * scale / chance.shape[0], width * scale / chance.shape[1]
    inside = (rows >= -0.5) & (cols >= -0.5)
    inside &= (rows <= height * scale - 0.5) & (cols <= width * scale - 0.5)
    return Ribbon(lab, look(chance, down, over), inside, line, outward, step, closed)


def _along(values: Floats32, sigma: float, closed: bool) -> Floats32:
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(
        gaussian_filter1d(values, sigma, axis=0, mode="wrap" if closed else "nearest", truncate=3)
    )


def edge_features(ribbon: Ribbon) -> Floats32:
    """Return what is seen round every station and offset, shape (S, 2 * reach + 1, F).

    Colours at five distances inwards and outwards, calmed along the outline by little and by
    much, as they are and against the usual wood and ground of this outline; texture; the first
    look's answer.
    """
    middle = slice(MARGIN, -MARGIN)
    count = ribbon.lab.shape[1]
    parts: list[Floats32] = []
    deep = ribbon.lab[:, :MARGIN].reshape(-1, 3)
    far = ribbon.lab[:, -MARGIN:].reshape(-1, 3)
    wood, ground = np.median(deep, axis=0), np.median(far, axis=0)
    for sigma in (1.0, 5.0):
        calm = _along(ribbon.lab, sigma, ribbon.closed)
        here = calm[:, middle]
        parts += [here - wood, here - ground] if sigma > 1 else [here]
        for d in _BESIDE:
            for sign in (-1, 1):
                at = slice(MARGIN + sign * d, count - MARGIN + sign * d)
                parts.append(calm[:, at] - here)
    light = ribbon.lab[..., 0]
    fine = np.abs(light - cv2.GaussianBlur(light, (0, 0), 1.5))
    fine = np.log(_along(cv2.blur(fine, (5, 1)), 3.0, ribbon.closed) + np.float32(3e-3)) / 4 + 1
    for d in (-10, -4, 0, 4, 10):
        parts.append(fine[:, MARGIN + d : count - MARGIN + d, None])
        parts.append(ribbon.chance[:, MARGIN + d : count - MARGIN + d, None])
    offset = np.linspace(-1, 1, count - 2 * MARGIN, dtype=np.float32)
    parts.append(np.broadcast_to(offset[None, :, None], (len(light), offset.size, 1)))
    return np.concatenate(parts, axis=2)


def edge_places(ribbon: Ribbon) -> Floats:
    """Return where the offsets that an edge may have lie in the photo, shape (S, K, 2)."""
    across = np.arange(-REACH, REACH + 1) * ribbon.step
    return np.asarray(ribbon.points[:, None] + across[:, None] * ribbon.outward[:, None])


def wood_left(ring: Floats) -> Floats:
    """Return a closed ring of (row, col) so turned that ``lay_ribbon``'s outward points off it."""
    row, col = ring[:, 0], ring[:, 1]
    twice = float(np.sum(col * np.roll(row, -1) - np.roll(col, -1) * row))
    return ring if twice < 0 else ring[::-1]
