"""Ellipses seen from a click in them: their borders, and how far a point lies inside."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from slabvision.segment.window import Floats

__all__ = ["ANGLES", "bank", "borders", "jittered", "losses", "within"]

ANGLES = 96
"""Directions looked in from the click."""

_ASPECTS = (1.0, 1.6, 2.6, 4.2, 7.0)
_TURNS = 10
_WAYS = 6
_OFFSETS = (0.3, 0.6)
_JITTER = (0.12, 0.12, 0.15, 0.1)
"""How far the search round a likely ellipse goes: place, log aspect, turn in radians."""
_FURTHEST_OFF = 0.8


@lru_cache(maxsize=1)
def bank() -> Floats:
    """Return the ellipses looked at first, shape (N, 4).

    Each is ``(row, col, log aspect, turn)``: where the click lies, seen from the ellipse's middle
    after the ellipse was squeezed to a circle of radius 1; how much longer than wide; turned how
    far (radians). Its area is pi.
    """
    found = []
    for aspect in _ASPECTS:
        for turn in range(_TURNS) if aspect > 1 else (0,):
            spots = [(0.0, 0.0)]
            for share in _OFFSETS:
                spots += [
                    (share * np.sin(k * 2 * np.pi / _WAYS), share * np.cos(k * 2 * np.pi / _WAYS))
                    for k in range(_WAYS)
                ]
            found += [(*spot, np.log(aspect), turn * np.pi / _TURNS) for spot in spots]
    return np.array(found)


def losses(shapes: Floats) -> Floats:
    """Return what speaks against ellipses before any look at the picture.

    The first click is usually near the middle and most defects are not very long: both cost.
    """
    return np.asarray(0.1 * np.square(shapes[:, :2]).sum(axis=1) + 0.06 * shapes[:, 2] ** 2)


def _to_circle(shapes: Floats) -> Floats:
    """Matrices that squeeze ellipses to circles of radius 1."""
    cos, sin = np.cos(shapes[:, 3]), np.sin(shapes[:, 3])
    long = np.exp(0.5 * shapes[:, 2])
    rows = np.stack([cos / long, sin / long], axis=1), np.stack([-sin * long, cos * long], axis=1)
    return np.stack(rows, axis=1)


def borders(shapes: Floats) -> Floats:
    """Return the log radius per direction from the click; shape (N, ANGLES)."""
    angle = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    ray = np.column_stack([np.sin(angle), np.cos(angle)])
    v = np.einsum("nij,kj->nki", _to_circle(shapes), ray)
    o = shapes[:, :2]
    square = np.square(v).sum(axis=2)
    along = np.einsum("nki,ni->nk", v, o)
    room = 1 - np.square(o).sum(axis=1)
    root = np.sqrt(np.maximum(along**2 + square * room[:, None], 0))
    return np.asarray(np.log(np.maximum((root - along) / square, 1e-3)))


def within(shapes: Floats, log_sizes: Floats, point: Floats) -> Floats:
    """Return about how far a point lies inside each ellipse, pixels; negative outside.

    Exact in the middle of an ellipse and near its border (first order), between them between.

    Parameters
    ----------
    shapes : ndarray, shape (N, 4)
    log_sizes : ndarray, shape (N, M) or (1, M)
        Log radius (pixels) of the circle of the same area.
    point : ndarray, shape (2,)
        (row, col) from the click the ellipses are seen from, pixels.

    Returns
    -------
    ndarray, shape (N, M)
    """
    squeeze = _to_circle(shapes)
    size = np.exp(log_sizes)
    there = (squeeze @ point)[:, None] / size[..., None] + shapes[:, None, :2]
    far = np.maximum(np.sqrt(np.square(there).sum(axis=2)), 1e-6)
    slope = np.einsum("nji,nmj->nmi", squeeze, there) / far[..., None]
    share = np.where(far > 1e-3, np.minimum(far, 1.0), 0.0)
    narrow = np.exp(-0.5 * shapes[:, 2])[:, None]
    steep = np.maximum(np.sqrt(np.square(slope).sum(axis=2)), 1 / narrow * 1e-3)
    return np.asarray((1 - far) * size * (share / steep + (1 - share) * narrow))


def jittered(
    shapes: Floats, log_sizes: Floats, width: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Return ellipses near the given ones."""
    near = shapes + width * rng.normal(0, 1, shapes.shape) * _JITTER
    off = np.hypot(near[:, 0], near[:, 1])
    near[:, :2] *= np.minimum(1, _FURTHEST_OFF / np.maximum(off, 1e-6))[:, None]
    near[:, 2] = np.abs(near[:, 2])
    return near, log_sizes + width * rng.normal(0, 0.1, log_sizes.shape)
