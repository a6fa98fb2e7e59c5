"""Where the wood is, and which way its wide face runs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2

__all__ = ["face_direction", "plain_background", "wood_from_cells"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


def plain_background(grey: NDArray[np.uint8]) -> Mask | None:
    """Return the wood where the picture's border is one even tone (a sheet, a cut-out), or None."""
    factor = max(1.0, max(grey.shape) / 700)
    small = cv2.resize(
        grey, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA
    ).astype(np.int16)
    edge = np.concatenate([small[0], small[-1], small[:, 0], small[:, -1]])
    tone = float(np.median(edge))
    # Even: three quarters of the border within a few grey levels of one tone.
    if float((np.abs(edge - tone) <= 6).mean()) < 0.7:
        return None
    like = (np.abs(small - tone) <= 10).astype(np.uint8)
    count, labels = cv2.connectedComponents(like)
    touching = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
    sizes = np.bincount(labels.ravel(), minlength=count)
    outside = np.isin(labels, [k for k in touching if k != 0 and sizes[k] > 0.01 * labels.size])
    clean = cv2.morphologyEx((~outside).astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    wood = largest(clean > 0)
    if not 0.03 < wood.mean() < 0.97:
        return None
    return np.asarray(
        cv2.resize(wood.astype(np.uint8), grey.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    )


def largest(mask: Mask) -> Mask:
    """Keep the largest connected part."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    if count < 2:
        return mask
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))


def wood_from_cells(
    agree: Floats, weight: Floats, cell: NDArray[np.int64], grid: tuple[int, int]
) -> Mask:
    """Return the cells of the largest region whose directions agree with one centre.

    Parameters
    ----------
    agree : ndarray, shape (N,)
        1 where a cell's normal points to the centre, else 0.
    weight : ndarray, shape (N,)
        How much each cell's direction is believed.
    cell : ndarray, shape (N, 2)
        Row and column in the grid.
    grid : tuple of int
        Rows and columns of the grid.
    """
    total = np.zeros(grid)
    good = np.zeros(grid)
    np.add.at(total, (cell[:, 0], cell[:, 1]), weight)
    np.add.at(good, (cell[:, 0], cell[:, 1]), weight * agree)
    total = cv2.GaussianBlur(total, (0, 0), 2.5)
    good = cv2.GaussianBlur(good, (0, 0), 2.5)
    busy = total > 0.25 * np.median(total[total > 1e-6]) if (total > 1e-6).any() else total > 0
    region = (good / (total + 1e-9) > 0.5) & busy
    region = largest(region)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
    closed = cv2.morphologyEx(region.astype(np.uint8), cv2.MORPH_CLOSE, disc)
    contours, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(grid, np.uint8)
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    filled = cv2.morphologyEx(
        filled, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    )
    return largest(filled > 0)


def face_direction(mask: Mask) -> Floats:
    """Return the unit vector (row, col) along the long axis of the wood.

    The long side of the smallest rectangle round the largest part: for a slab that is its wide
    face. Bark lost at one corner does not turn it as it would turn a principal axis.
    """
    factor = max(1.0, max(mask.shape) / 1000)
    small = cv2.resize(
        mask.astype(np.uint8), None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_NEAREST
    )
    contours, _ = cv2.findContours(
        largest(small > 0).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    if not contours:
        return np.array([0.0, 1.0])
    outline = max(contours, key=len)
    box = cv2.boxPoints(cv2.minAreaRect(outline)).astype(np.float64)
    sides = np.roll(box, -1, axis=0) - box
    side = sides[int(np.argmax(np.hypot(sides[:, 0], sides[:, 1])))]
    side = side / (np.hypot(*side) + 1e-9)
    direction = np.array([side[1], side[0]])
    return direction if direction[1] >= 0 else -direction
