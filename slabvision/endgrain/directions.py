"""How strongly lines run in each direction, in cells of the picture.

The picture is averaged along short lines of every direction; where lines run that way contrast
stays, elsewhere it averages out (slant stacks, Taner & Koehler 1969). A gradient structure tensor
(Bigün & Granlund 1987) keeps one mean direction per place; here rings, rays and saw marks that
cross stay apart, and noise is averaged down before it can count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.evenness import evened
from slabvision.endgrain.pyramid import Pyramid
from slabvision.opencv import cv2

__all__ = ["ANGLES", "Directions", "directions_of", "turn_level"]

Floats = NDArray[np.float64]
Image = NDArray[np.float32]

ANGLES = 24
"""Directions that are tried, evenly over 180 degrees."""
LINE = 25
"""Length of the lines, pixels of the coarsest level."""
RING_PX = 7.0
"""Contrast over more than about six times this, pixels of the coarsest level, is not a ring's."""
CELLS = 1200
"""About so many cells over the wood."""
EVERYWHERE = 0.25
"""A direction that this share of the wood lacks is not everywhere."""
SAW = 0.8
"""Share of what runs in one direction everywhere that is put down to the saw."""


@dataclass(frozen=True)
class Directions:
    """What runs which way: one row per cell of wood.

    Attributes
    ----------
    centre : ndarray, shape (N, 2)
        Row and column in the photo's pixels.
    lines : ndarray, shape (N, ANGLES)
        Share of the contrast that stays along each direction, beyond what stays along most
        others and beyond what runs that way everywhere. Column k stands for a *normal* at
        ``k * 180 / ANGLES`` degrees from +column towards +row.
    every : ndarray, shape (N, ANGLES)
        The same with what runs one way everywhere.
    cell : ndarray of int, shape (N, 2)
        Row and column in the grid.
    grid : tuple of int
        Rows and columns of the grid.
    """

    centre: Floats
    lines: Floats
    every: Floats
    cell: NDArray[np.int64]
    grid: tuple[int, int]

    def at(self, angle: Floats, rows: NDArray[np.int64] | slice = slice(None)) -> Floats:
        """Return lines whose normal has an angle (radians), shape (..., N), interpolated."""
        place = angle * (ANGLES / np.pi)
        low = np.floor(place)
        part = place - low
        k = low.astype(np.int64)
        lines = self.lines[rows]
        row = np.arange(lines.shape[0])
        return np.asarray(lines[row, k % ANGLES] * (1 - part) + lines[row, (k + 1) % ANGLES] * part)


def turn_level(shape: tuple[int, ...], degrees: float) -> tuple[Floats, tuple[int, int]]:
    """Return the matrix that turns a picture so that a direction lies level, and its new size."""
    rows, cols = shape
    centre = ((cols - 1) / 2, (rows - 1) / 2)
    turn = cv2.getRotationMatrix2D(centre, degrees, 1.0)
    a = np.deg2rad(degrees)
    # Multiples of four: shrinking by whole numbers is many times as fast.
    width = (int(np.ceil(abs(cols * np.cos(a)) + abs(rows * np.sin(a)))) + 2 + 3) // 4 * 4
    height = (int(np.ceil(abs(rows * np.cos(a)) + abs(cols * np.sin(a)))) + 2 + 3) // 4 * 4
    turn[0, 2] += (width - 1) / 2 - centre[0]
    turn[1, 2] += (height - 1) / 2 - centre[1]
    return np.asarray(turn), (width, height)


def _kept(rest: Image, degrees: float, small: tuple[int, int]) -> Image:
    """Return the energy that stays when the picture is averaged along a direction, shrunk."""
    turn, size = turn_level(rest.shape, degrees)
    level = cv2.warpAffine(rest, turn, size, flags=cv2.INTER_LINEAR)
    level = cv2.blur(level, (LINE, 1), borderType=cv2.BORDER_CONSTANT)
    level *= level
    # Shrunk before it is turned back: pixel centres of both pictures are mapped onto each other.
    shrunk = (max(1, size[0] // 4), max(1, size[1] // 4))
    level = cv2.resize(level, shrunk, interpolation=cv2.INTER_AREA)
    into = np.array([shrunk[0] / size[0], shrunk[1] / size[1]])
    out_of = np.array([rest.shape[1] / small[0], rest.shape[0] / small[1]])
    back = np.empty((2, 3))
    back[:, :2] = into[:, None] * turn[:, :2] * out_of[None, :]
    offset = turn[:, 2] + turn[:, :2] @ (0.5 * out_of - 0.5)
    back[:, 2] = into * (offset + 0.5) - 0.5
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(level, back, small, flags=flags), dtype=np.float32)


def directions_of(pyramid: Pyramid, *, edge_px: float = 0.0) -> Directions:
    """Find how strongly lines run in each direction, in cells of the coarsest level.

    Parameters
    ----------
    pyramid : Pyramid
        Picture and wood at several sizes.
    edge_px : float
        Band along the outline, in the photo's pixels, that is left out: the outline's own edge is
        the strongest line of all.
    """
    grey, scale = pyramid.levels[0], pyramid.scales[0]
    keep = pyramid.inside[0]
    if edge_px > 0:
        size = 2 * max(1, round(edge_px * scale)) + 1
        keep = cv2.erode(
            keep, np.ones((size, size), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=255
        )
    inside = (keep > 0).astype(np.float32)
    rows, cols = grey.shape
    cell = max(4.0, float(np.sqrt(max(float(inside.sum()), 1.0) / CELLS)))
    grid = (max(1, round(rows / cell)), max(1, round(cols / cell)))
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 0.8)
    rest = evened(smooth, inside, RING_PX)

    def cells(image: Image) -> Image:
        small = cv2.resize(image, grid[::-1], interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.GaussianBlur(small, (0, 0), 0.7), dtype=np.float32)

    wood = cells(inside)
    r, c = np.nonzero(wood > 0.5)
    centre = (np.stack([r, c], axis=1) + 0.5) * np.array([rows / grid[0], cols / grid[1]])
    at = np.stack([r, c], axis=1)
    if r.size == 0:
        none = np.empty((0, ANGLES))
        return Directions(np.empty((0, 2)), none, none, at, grid)
    total = cells(rest * rest)[r, c]
    # Half a grey level of contrast and less is no line.
    floor = 0.02 * float(np.median(total)) + 1e-3
    small = (max(1, cols // 4), max(1, rows // 4))
    lines = np.empty((r.size, ANGLES))
    for k in range(ANGLES):
        along = k * 180.0 / ANGLES
        # A line's normal lies a quarter turn from it.
        column = (k + ANGLES // 2) % ANGLES
        lines[:, column] = cells(_kept(rest, along, small))[r, c] / (total + floor)
    every = np.clip(lines - np.quantile(lines, 0.3, axis=1, keepdims=True), 0, None)
    lines = np.clip(every - SAW * np.quantile(every, EVERYWHERE, axis=0), 0, None)
    return Directions(centre / scale - 0.5, lines, every, at, grid)
