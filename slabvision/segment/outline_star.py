"""The best closed course round a middle point: one piece, held by edges and by what lies inside."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["Frame", "best_star", "frame_of", "star_piece"]

_RAYS = 288
_LEVELS = 168
_FARTHEST = 2.8
_EDGE_WORTH_PX = 10.0
"""An edge all along weighs as much as so many pixels of ground with odds of e to 1."""
_BEND = 4.0
_MOVES = 7


class Frame(NamedTuple):
    """A middle point and two axes: the ellipse that fits a piece, (row, col) pixels."""

    middle: Floats
    axes: Floats
    """Columns: half axes as vectors."""


def frame_of(weight: Floats32 | Mask) -> Frame:
    """Return the ellipse with the moments of a weighted piece."""
    rows, cols = np.nonzero(weight)
    w = np.asarray(weight, np.float64)[rows, cols]
    points = np.column_stack([rows, cols]).astype(np.float64)
    middle = np.average(points, axis=0, weights=w)
    off = points - middle
    spread = (off * w[:, None]).T @ off / w.sum()
    values, vectors = np.linalg.eigh(spread)
    return Frame(middle, vectors * (1.73 * np.sqrt(np.maximum(values, 4.0))))


def _edges(lab: Floats32) -> list[Floats32]:
    calm = cv2.GaussianBlur(lab, (0, 0), 1.2)
    return [
        np.asarray(cv2.Sobel(calm, cv2.CV_32F, dx, dy, ksize=3) / 8) for dx, dy in ((0, 1), (1, 0))
    ]


def best_star(odds: Floats32, lab: Floats32, frame: Frame) -> tuple[Floats, float]:
    """Return the closed course (N, 2) round a middle point that costs least, and its cost.

    Every ray from the middle leaves the piece once (star-convexity: Veksler 2008, "Star shape
    prior for graph-cut image segmentation", ECCV), so that the optimum is a shortest path over
    rays and distances, found by dynamic programming; rays run in the piece's own ellipse, so that
    a long slab is as round as a short one.

    Parameters
    ----------
    odds : ndarray, shape (h, w)
        Log odds of wood, limited.
    lab : ndarray, shape (h, w, 3)
    frame : Frame
    """
    height, width = odds.shape
    angle = np.linspace(0, 2 * np.pi, _RAYS, endpoint=False)
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    ray = unit @ frame.axes.T
    rho = np.linspace(0, _FARTHEST, _LEVELS)
    rows = (frame.middle[0] + ray[:, :1] * rho).astype(np.float32)
    cols = (frame.middle[1] + ray[:, 1:] * rho).astype(np.float32)

    def look(image: Floats32) -> Floats32:
        seen = cv2.remap(image, cols, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(seen)

    there = (rows >= 0) & (cols >= 0) & (rows <= height - 1) & (cols <= width - 1)
    area = rho * (rho[1] - rho[0]) * (2 * np.pi / _RAYS) * abs(np.linalg.det(frame.axes))
    gain = np.where(there, look(odds), -6.0) * area
    # Edges across the course: gradient along the normal of the stretched circle.
    normal = unit @ np.linalg.inv(frame.axes)
    normal /= np.hypot(*normal.T)[:, None]
    down, over = (look(part) for part in _edges(lab))
    across = down * normal[:, :1, None] + over * normal[:, 1:, None]
    edge = np.tanh(np.sqrt(np.square(across).sum(axis=2)) / 0.035)
    tangent = np.column_stack([-np.sin(angle), np.cos(angle)]) @ frame.axes.T
    arc = np.hypot(*tangent.T)[:, None] * rho * (2 * np.pi / _RAYS)
    edge = np.where(there, edge, 0.55)
    cost = -np.cumsum(gain, axis=1) - _EDGE_WORTH_PX * edge * arc
    cost[:, 0] = 0.0
    typical = float(np.mean(arc[:, _LEVELS // 3]))
    start = np.concatenate([cost[-_RAYS // 4 :], cost, cost[: _RAYS // 4]])
    level = _path(start, _BEND * typical)[_RAYS // 4 : _RAYS // 4 + _RAYS]
    index = np.arange(_RAYS)
    # A course that ends at the frame goes out over it.
    beyond = np.minimum(level + 1, _LEVELS - 1)
    level = np.where(there[index, beyond], level, beyond)
    points = np.column_stack([rows[index, level], cols[index, level]]).astype(np.float64)
    return points, float(cost[index, level].sum())


def _path(cost: Floats, bend: float) -> np.ndarray:
    count, wide = cost.shape
    moves = np.arange(-_MOVES, _MOVES + 1)
    price = bend * np.abs(moves)
    came = np.zeros((count, wide), np.int8)
    total = cost[0].copy()
    everywhere = np.arange(wide)
    padded = np.full(wide + 2 * _MOVES, np.inf)
    near = np.lib.stride_tricks.sliding_window_view(padded, 2 * _MOVES + 1)
    for s in range(1, count):
        padded[_MOVES : _MOVES + wide] = total
        options = near + price
        pick = options.argmin(axis=1)
        came[s] = moves[pick]
        total = options[everywhere, pick] + cost[s]
    out = np.empty(count, np.intp)
    out[-1] = int(total.argmin())
    for s in range(count - 1, 0, -1):
        out[s - 1] = out[s] + came[s, out[s]]
    return out


def star_piece(odds: Floats32, lab: Floats32, piece: Mask) -> Mask:
    """Return the piece that the best course encloses, begun from a rough piece."""
    frame = frame_of(piece)
    out = piece
    for _ in range(2):
        ring, _ = best_star(odds, lab, frame)
        drawn = np.zeros(odds.shape, np.uint8)
        at = np.round(ring[:, ::-1] * 16).astype(np.int32)
        cv2.fillPoly(drawn, [at], 1, cv2.LINE_8, 4)
        if not drawn.any():
            return out
        out = drawn > 0
        frame = frame_of(out)
    return np.asarray(out)
