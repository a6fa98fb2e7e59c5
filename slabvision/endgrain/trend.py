"""The general run of the rings: one smooth direction per cell, near the circles round a centre.

Circles alone explain few ends: rings are lobed, and where a stem was oval or forked they swing
from side to side. Here the directions of many cells are put together from coarse to fine, in
each place as turned from the circle that passes there: first over a wide part of the wood, then
over less and less of it, each average near what the wider one said (normalized convolution,
Knutsson & Westin 1993, over distributions instead of values). Where nothing is seen the circle
stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.centre import circles_worth, find_centres, refine_centre, softened
from slabvision.endgrain.directions import Directions
from slabvision.opencv import cv2

__all__ = ["Trend", "best_trend", "follow"]

Floats = NDArray[np.float64]

MOST_DEG = 54.0
"""Rings turn at most so far from the circle."""
STEP_DEG = 6.0
"""Step between the turns that are tried."""
SPREADS = ((10.0, 12.0), (5.0, 10.0), (2.5, 8.0), (1.5, 8.0))
"""Each average: its width in cells, and how far it may lie from the wider one before, degrees."""
SHARP = 3.0
"""How far a direction that stands out is believed."""
TURNS = 2
"""A centre is improved at most so often."""
SAME = 0.03
"""Centres nearer to each other than this share of the wood's long side are one."""
FAR = 5.0
"""So many long sides away a pith counts for half: a board is cut from a log."""
CURVED = 0.3
"""What it counts that rings curve and rays run straight, not the other way round."""
STRONGEST = 8.0
"""Curvature beyond this, one over the wood's long side, is a jump and no curve."""


@dataclass(frozen=True)
class Trend:
    """The general run of the rings.

    Attributes
    ----------
    turned : ndarray, shape (rows, cols)
        Of the grid of cells: the angle of the ring to the circle, radians.
    u : ndarray, shape (rows, cols)
        Its standard uncertainty, radians.
    worth : float
        Lines that run with it or square to it, against chance.
    cell_px : ndarray, shape (2,)
        Rows and columns of a cell, pixels.
    """

    turned: Floats
    u: Floats
    worth: float
    cell_px: Floats

    @property
    def rms(self) -> float:
        """Root mean square angle to the circle over the grid, radians."""
        return float(np.sqrt((self.turned**2).mean()))

    def at(self, row: Floats, col: Floats) -> tuple[Floats, Floats]:
        """Return the angle to the circle and its u (radians) at pixels of the picture."""
        y = ((row + 0.5) / self.cell_px[0] - 0.5).astype(np.float32)
        x = ((col + 0.5) / self.cell_px[1] - 0.5).astype(np.float32)
        both = np.stack([self.turned, self.u], axis=-1).astype(np.float32)
        found = cv2.remap(both, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        found = np.asarray(found, dtype=np.float64).reshape(*np.shape(row), 2)
        return found[..., 0], found[..., 1]


def follow(directions: Directions, centre: Floats, shape: tuple[int, int]) -> Trend:
    """Follow the rings near the circles round a centre.

    Parameters
    ----------
    directions : Directions
        What runs which way.
    centre : ndarray, shape (2,)
        Row and column.
    shape : tuple of int
        Rows and columns of the picture.
    """
    away = centre - directions.centre
    circle = np.arctan2(away[:, 0], away[:, 1])  # of the normal
    turn = np.deg2rad(np.arange(-MOST_DEG, MOST_DEG + 1, STEP_DEG))
    rings = np.stack([directions.at(circle + one) for one in turn], axis=1)
    typical = float(directions.lines.mean()) + 1e-9
    told = rings / typical
    rows, cols = directions.grid
    at = directions.cell[:, 0], directions.cell[:, 1]
    wood = np.zeros((rows, cols), dtype=np.float32)
    wood[at] = 1.0
    planes = np.zeros((rows, cols, turn.size), dtype=np.float32)
    planes[at] = told
    guess, var = np.zeros((rows, cols)), np.zeros((rows, cols))
    for width, free in SPREADS:
        # What lies a little off the wood takes part, so that the field goes on past its edge.
        area = cv2.GaussianBlur(wood, (0, 0), width) + np.float32(1e-3)
        mean = cv2.GaussianBlur(planes, (0, 0), width) / area[..., None]
        away = turn - guess[..., None]
        log = SHARP * mean - 0.5 * (away / np.deg2rad(free)) ** 2
        likely = np.exp(log - log.max(axis=-1, keepdims=True))
        likely /= likely.sum(axis=-1, keepdims=True)
        guess = (likely * turn).sum(axis=-1)
        own = (likely * (turn - guess[..., None]) ** 2).sum(axis=-1)
        # What is not seen here keeps the error of the wider average.
        var = own + np.minimum(own / np.deg2rad(free) ** 2, 1.0) ** 2 * var
    angle = circle + guess[at]
    along = directions.at(angle) + 0.8 * directions.at(angle + np.pi / 2)
    size = np.array([shape[0] / rows, shape[1] / cols])
    return Trend(guess, np.sqrt(var), float(along.mean()) / typical, size)


def best_trend(
    directions: Directions,
    long_side: float,
    shape: tuple[int, int],
    *,
    hint: Floats | None = None,
) -> tuple[Floats, Trend]:
    """Return the centre whose circles, bent to follow the rings, explain most, and their run.

    Rays cross rings squarely, so every picture can be read with the two exchanged, round another
    centre. Three things tell them apart: a pith is rarely far away, unbent circles and straight
    rays explain more round the right one, and of two families of lines that cross squarely rings
    are the curved one.

    Parameters
    ----------
    directions : Directions
        What runs which way.
    long_side : float
        Of the wood, pixels.
    shape : tuple of int
        Rows and columns of the picture.
    hint : ndarray, shape (2,), optional
        Where the pith is said to be.
    """
    points = directions.centre
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    soft, strength = softened(directions), directions.lines.max(axis=1)
    best: tuple[float, Floats, Trend] | None = None
    tried: list[Floats] = []
    for _, start in find_centres(directions, long_side, hint=hint):
        centre = start
        for turn in range(TURNS + 1):
            if any(np.hypot(*(centre - one)) < SAME * long_side for one in tried):
                break
            tried.append(centre)
            trend = follow(directions, centre, shape)
            round_it = float(circles_worth(centre[None], soft, middle, long_side)[0])
            far = float(np.hypot(*(centre - middle))) / (FAR * long_side)
            score = 0.5 * np.log(round_it * trend.worth / (1 + far**2) + 1e-9)
            score += CURVED * _curved(trend, centre, directions, long_side)
            if best is None or score > best[0]:
                best = (float(score), centre, trend)
            if hint is not None or turn == TURNS:
                break
            away = centre - points
            angle = np.arctan2(away[:, 0], away[:, 1]) + trend.at(points[:, 0], points[:, 1])[0]
            normals = np.stack([np.sin(angle), np.cos(angle)], axis=1)
            centre, _, _ = refine_centre(
                centre, points, normals, strength, cut_deg=60.0, soft_px=0.1 * long_side
            )
    assert best is not None
    return best[1], best[2]


def _curved(trend: Trend, centre: Floats, directions: Directions, long_side: float) -> float:
    """Return how far rings curve more than what crosses them squarely, -1 to 1."""
    row, col = np.indices(trend.turned.shape)
    y = (row + 0.5) * trend.cell_px[0] - 0.5
    x = (col + 0.5) * trend.cell_px[1] - 0.5
    normal = np.arctan2(centre[0] - y, centre[1] - x) + trend.turned
    doubled = np.exp(2j * normal)  # undirected
    down = np.imag(np.gradient(doubled, axis=0) / doubled) / (2 * trend.cell_px[0])
    right = np.imag(np.gradient(doubled, axis=1) / doubled) / (2 * trend.cell_px[1])
    at = directions.cell[:, 0], directions.cell[:, 1]

    def square(along: Floats) -> float:
        limited = np.clip(along[at] * long_side, -STRONGEST, STRONGEST)
        return float(np.mean(limited**2))

    rings = square(down * np.cos(normal) - right * np.sin(normal))
    rays = square(down * np.sin(normal) + right * np.cos(normal))
    return (rings - rays) / (rings + rays + 0.05)
