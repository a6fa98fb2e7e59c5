"""Local ring direction in cells of the picture, at several scales.

The gradient structure tensor (Bigün & Granlund 1987; Kass & Witkin 1987) summed over cells: the
gradient of each scale of a picture pyramid is taken with the Scharr operator, whose direction is
less biased than Sobel's (Scharr 2000), and its products are averaged over cells right away, so
that everything after this step works on a few thousand numbers, however large the photo is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2

__all__ = ["Cells", "Pyramid", "build_pyramid", "cells_of", "grey_of"]

Floats = NDArray[np.float64]
Image = NDArray[np.float32]

TONE = np.array([[0.0, 0.35, 0.65]])
"""Weights of red, green and blue."""
GRID = 120
"""Cells along the long side of the wood."""
LONG_SIDES = (700, 1400, 2800)
"""Long side of the wood, pixels, at each scale of the pyramid, coarse to fine."""


@dataclass(frozen=True)
class Pyramid:
    """The picture at a few sizes, coarse to fine.

    Attributes
    ----------
    levels : tuple of ndarray of uint8
        Grey pictures.
    scales : tuple of float
        Size of each level relative to the photo (1 = the photo itself).
    inside : tuple of ndarray of uint8
        255 where wood is, clear of its outline.
    """

    levels: tuple[NDArray[np.uint8], ...]
    scales: tuple[float, ...]
    inside: tuple[NDArray[np.uint8], ...]


@dataclass(frozen=True)
class Cells:
    """Local directions: one row per cell and scale.

    Attributes
    ----------
    centre : ndarray, shape (N, 2)
        Row and column in the photo's pixels.
    normal : ndarray, shape (N, 2)
        Unit vector (row, col) across the rings.
    weight : ndarray, shape (N,)
        Coherence and contrast, 0 to 1.
    level : ndarray of int, shape (N,)
        Scale of the pyramid it was seen at.
    cell : ndarray of int, shape (N, 2)
        Row and column of the cell in the grid.
    cell_px : float
        Side of a cell in the photo's pixels.
    grid : tuple of int
        Rows and columns of the grid.
    """

    centre: Floats
    normal: Floats
    weight: Floats
    level: NDArray[np.int64]
    cell: NDArray[np.int64]
    cell_px: float
    grid: tuple[int, int]


def grey_of(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the tone (0 to 255) in which rings stand out: mostly blue, some green.

    Latewood, heartwood and pores are browner than the wood between them, which shows most in blue;
    stain and shadows are grey and show in all channels alike. Green steadies the noise of blue.
    """
    if pixels.ndim == 2:
        return np.ascontiguousarray(pixels)
    return np.asarray(cv2.transform(pixels[..., :3], TONE))


def build_pyramid(
    grey: NDArray[np.uint8], mask: NDArray[np.bool_] | None, span: float | None = None
) -> Pyramid:
    """Shrink the picture to the few sizes at which rings are looked for.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, cols)
        Luma.
    mask : ndarray of bool or None
        Where wood is.
    span : float
        Long side of the wood in pixels; the long side of the picture if not given.
    """
    rows, cols = grey.shape
    long_side = float(span if span is not None else max(rows, cols))
    scales: list[float] = []
    for target in LONG_SIDES:
        scale = min(1.0, target / long_side)
        if not scales or scale > scales[-1] * 1.3:
            scales.append(scale)
    levels, inside = [], []
    for scale in scales:
        size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
        small = grey if scale == 1.0 else cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
        levels.append(small)
        if mask is None:
            inside.append(np.full(small.shape, 255, dtype=np.uint8))
        else:
            m = mask.astype(np.uint8) * 255
            if scale != 1.0:
                m = cv2.resize(m, size, interpolation=cv2.INTER_NEAREST)
            inside.append(m)
    return Pyramid(tuple(levels), tuple(scales), tuple(inside))


def _tensor(level: NDArray[np.uint8], blur: float) -> tuple[Image, Image, Image]:
    smooth = cv2.GaussianBlur(level, (0, 0), blur) if blur > 0 else level
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    # Dividing by the magnitude weighs pixels by contrast, not by its square: a check or an ink
    # stroke is as wide as a ring's edge but many times as steep.
    size = cv2.magnitude(gx, gy) + 8.0
    xx = gx * gx / size
    yy = gy * gy / size
    xy = gx * gy / size
    return xx, yy, xy


def cells_of(pyramid: Pyramid, *, edge_px: float = 0.0) -> Cells:
    """Average the structure tensor over cells at each scale of the pyramid.

    Parameters
    ----------
    pyramid : Pyramid
        Picture and wood at several sizes.
    edge_px : float
        Band along the outline, in the photo's pixels, that is left out: the outline's own edge is
        the strongest gradient of all.
    """
    rows, cols = (n / pyramid.scales[0] for n in pyramid.levels[0].shape)
    inside = pyramid.inside[0] > 0
    where = np.nonzero(inside)
    long_side = max(np.ptp(where[0]), np.ptp(where[1])) / pyramid.scales[0] if where[0].size else 1
    cell_px = max(4.0, long_side / GRID)
    grid = (max(1, round(rows / cell_px)), max(1, round(cols / cell_px)))
    parts = []
    for index, (level, scale, wood) in enumerate(
        zip(pyramid.levels, pyramid.scales, pyramid.inside, strict=True)
    ):
        keep = wood
        if edge_px > 0:
            size = 2 * max(1, round(edge_px * scale)) + 1
            square = np.ones((size, size), np.uint8)
            keep = cv2.erode(wood, square, borderType=cv2.BORDER_CONSTANT, borderValue=255)
        share = (keep > 0).astype(np.float32)
        sums = []
        for product in _tensor(level, 1.0):
            product *= share
            sums.append(cv2.resize(product, grid[::-1], interpolation=cv2.INTER_AREA))
        seen = cv2.resize(share, grid[::-1], interpolation=cv2.INTER_AREA)
        xx, yy, xy = (cv2.GaussianBlur(s, (0, 0), 1.0) for s in sums)
        area = cv2.GaussianBlur(seen, (0, 0), 1.0)
        trace = xx + yy
        spread = np.hypot(xx - yy, 2 * xy)
        coherence = spread / (trace + 1e-6)
        angle = 0.5 * np.arctan2(2 * xy, xx - yy)  # of the gradient, from +col towards +row
        good = (seen > 0.5) & (trace > 0)
        if not good.any():
            continue
        energy = trace / np.maximum(area, 1e-3)
        typical = float(np.median(energy[good]))
        weight = coherence**2 * energy / (energy + typical + 1e-6)
        r, c = np.nonzero(good)
        step = np.array([rows / grid[0], cols / grid[1]])
        centre = (np.stack([r, c], axis=1) + 0.5) * step - 0.5
        a = angle[good]
        parts.append(
            (
                centre,
                np.stack([np.sin(a), np.cos(a)], axis=1),
                weight[good],
                np.full(a.size, index),
                np.stack([r, c], axis=1),
            )
        )
    if not parts:
        empty = np.empty((0, 2))
        none = np.empty(0, dtype=np.int64)
        return Cells(empty, empty, np.empty(0), none, none.reshape(0, 2), cell_px, grid)
    stacked = [np.concatenate(list(column)) for column in zip(*parts, strict=True)]
    return Cells(
        stacked[0].astype(np.float64),
        stacked[1].astype(np.float64),
        stacked[2].astype(np.float64),
        stacked[3].astype(np.int64),
        stacked[4].astype(np.int64),
        cell_px,
        grid,
    )
