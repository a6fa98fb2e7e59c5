"""Draws as a person would: clicks that miss, outlines that run a little wide and wobble.

Kept apart from :mod:`slabvision.boundary`, which says how sure a drawn edge is: the same two
causes, but another law (a moving average of white noise over 50 to 100 mm instead of a
squared-exponential) so that the intervals are not checked against themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["DrawingHand", "clicked", "drawn_line"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class DrawingHand:
    """One person's hand.

    Attributes
    ----------
    click_px : float
        Standard deviation of a click, px in each direction.
    offset_mm, wobble_mm : float
        Standard deviations of the slow offset and of the wobble of a drawn edge, mm.
    reach_mm : tuple of float
        The wobble is correlated over a length from this range.
    """

    click_px: float = 1.5
    offset_mm: float = 1.0
    wobble_mm: float = 1.2
    reach_mm: tuple[float, float] = (50.0, 100.0)


def clicked(points: Floats, hand: DrawingHand, rng: np.random.Generator) -> Floats:
    """Return points as clicked by a hand, (N, 2) px."""
    points = np.asarray(points, dtype=float)
    return points + rng.normal(0.0, hand.click_px, points.shape)


def drawn_line(
    ring: Floats,
    mm_per_px: float,
    hand: DrawingHand,
    rng: np.random.Generator,
    *,
    every_mm: float = 25.0,
) -> Floats:
    """Return a closed line as drawn by a hand.

    Parameters
    ----------
    ring : ndarray of float, shape (N, 2)
        True closed line in px, not repeated at the end.
    mm_per_px : float
        Scale of the photo.
    hand : DrawingHand
    rng : Generator
    every_mm : float
        Distance between the vertices that the person sets.

    Returns
    -------
    ndarray of float, shape (M, 2)
    """
    closed = np.vstack([ring, ring[:1]])
    pieces = np.linalg.norm(np.diff(closed, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(pieces)])
    count = max(12, int(along[-1] * mm_per_px / every_mm))
    at = np.linspace(0, along[-1], count, endpoint=False)
    # Corners are set where they are: a person clicks them, and nothing else beside them.
    reach = 0.4 * every_mm / mm_per_px
    corners = _corners(closed, along, reach)
    if corners.size:
        gap = np.abs(at[:, None] - corners[None])
        at = at[np.minimum(gap, along[-1] - gap).min(axis=1) > 1.5 * reach]
    keep = np.sort(np.concatenate([at, corners]))
    points = np.stack([np.interp(keep, along, closed[:, i]) for i in (0, 1)], axis=1)
    tangent = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    if _signed_area(ring) > 0:
        normal = -normal
    out_mm = rng.normal(0, hand.offset_mm) + hand.wobble_mm * _wobble(
        keep * mm_per_px, along[-1] * mm_per_px, rng.uniform(*hand.reach_mm), rng
    )
    return np.asarray(points + normal * (out_mm / mm_per_px)[:, None])


def _corners(closed: Floats, along: Floats, reach: float) -> Floats:
    """Return where along the line it turns by more than 50 degrees within ``reach`` each way."""
    total = along[-1]
    at = np.unique(np.concatenate([along[:-1], np.arange(0, total, reach / 4)]))

    def point(where: Floats) -> Floats:
        return np.stack([np.interp(where % total, along, closed[:, i]) for i in (0, 1)], axis=1)

    before, after = point(at) - point(at - reach), point(at + reach) - point(at)
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.abs(np.arctan2(cross, (before * after).sum(axis=1)))
    chosen: list[float] = []
    for k in np.argsort(-turn, kind="stable"):
        if turn[k] <= np.radians(50):
            break
        gap = np.abs(at[k] - np.array(chosen)) if chosen else np.array([np.inf])
        if np.minimum(gap, total - gap).min() > 3 * reach or not chosen:
            chosen.append(float(at[k]))
    return np.sort(np.array(chosen))


def _signed_area(ring: Floats) -> float:
    row, col = ring[:, 0], ring[:, 1]
    return float(np.dot(row, np.roll(col, -1)) - np.dot(col, np.roll(row, -1)))


def _wobble(at_mm: Floats, total_mm: float, reach_mm: float, rng: np.random.Generator) -> Floats:
    """Unit-variance wobble: white noise each 5 mm under a moving average, closed in itself."""
    count = max(8, int(total_mm / 5.0))
    width = max(1, min(count, round(reach_mm / 5.0)))
    white = rng.standard_normal(count)
    kernel = np.zeros(count)
    kernel[:width] = 1 / np.sqrt(width)
    smooth = np.fft.irfft(np.fft.rfft(white) * np.fft.rfft(kernel), n=count)
    grid = np.linspace(0, total_mm, count, endpoint=False)
    return np.asarray(np.interp(at_mm, grid, smooth, period=total_mm))
