"""A whole face cut out of its photo and shrunk, and what its points look like."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.matter import MATTERS, likelihoods
from slabvision.segment.ridge import dark_ridge
from slabvision.segment.window import Floats, Floats32, Mask, as_unit, grey

__all__ = ["View", "grain_bend", "lab_of", "likely_matter", "line_response", "view_of"]

_LONG_SIDE_PX = 1600
"""A face is looked at with its longer side shrunk to this; checks at up to twice as much."""
_STRIP_ROWS, _MARGIN_ROWS = 320, 48
_RIM_PX = 3
_LINE_SIGMAS = (1.0, 1.6, 2.5)
_LINE_PX = 31
_LINE_TURNS_DEG = (-30, -20, -10, 0, 10, 20, 30)
"""Checks run along the face, within 30 degrees; saw marks mostly across it."""
_CALM_PX = 60
_GRAIN_PX = 5.0


class View(NamedTuple):
    """A face cut out of its photo and shrunk.

    Attributes
    ----------
    pixels : ndarray, shape (h, w, 3)
    lines : ndarray, shape (h, w)
        How much each point looks like part of a dark line along the face, in units of how much
        the wood round it does.
    wood : ndarray of bool, shape (h, w)
        Inside the outline, its rim left out.
    corner : (int, int)
        Where the cut-out begins in the photo (row, col).
    size : (int, int)
        Rows and columns of the cut-out in the photo.
    scale : float
        Shrunk pixels per photo pixel.
    along : ndarray, shape (2,)
        Unit direction (row, col) of the face's long axis.
    """

    pixels: NDArray[Any]
    lines: Floats32
    wood: Mask
    corner: tuple[int, int]
    size: tuple[int, int]
    scale: float
    along: Floats


def view_of(image: NDArray[Any], outline: Floats) -> View:
    """Cut a face out of its photo and shrink it."""
    shape = np.array(image.shape[:2])
    low = np.clip(np.floor(outline.min(axis=0)), 0, shape - 1).astype(int)
    high = np.clip(np.ceil(outline.max(axis=0)) + 1, low + 1, shape).astype(int)
    window = image[low[0] : high[0], low[1] : high[1]]
    if window.ndim == 2:
        window = np.repeat(window[..., None], 3, axis=2)
    scale = min(1.0, _LONG_SIDE_PX / max(window.shape[:2]))
    rows, cols = (max(1, round(side * scale)) for side in window.shape[:2])
    small = cv2.resize(np.ascontiguousarray(window), (cols, rows), interpolation=cv2.INTER_AREA)
    points = (outline - low + 0.5) * (rows / window.shape[0], cols / window.shape[1]) - 0.5
    wood = np.zeros((rows, cols), np.uint8)
    cv2.fillPoly(wood, [np.rint(points[:, ::-1]).astype(np.int32)], 1)
    wood = cv2.erode(np.pad(wood, 1), np.ones((2 * _RIM_PX + 1,) * 2, np.uint8))[1:-1, 1:-1]
    off = points - points.mean(axis=0)
    along = np.linalg.svd(off, full_matrices=False)[2][0]
    fine = min(1.0, 2 * scale)
    if fine < 1:
        size = (round(window.shape[1] * fine), round(window.shape[0] * fine))
        window = cv2.resize(window, size, interpolation=cv2.INTER_AREA)
    lines = line_response(grey(window), wood > 0, along)
    corner, full = (int(low[0]), int(low[1])), tuple(int(v) for v in high - low)
    return View(small, lines, wood > 0, corner, (full[0], full[1]), scale, along)


def line_response(light: Floats32, wood: Mask, along: Floats) -> Floats32:
    """Return how much each point looks like part of a dark line along a direction.

    The ridge response (see :func:`slabvision.segment.ridge.dark_ridge`) at full sharpness,
    averaged along short lines of several directions, over its usual size round there.

    Parameters
    ----------
    light : ndarray, shape (H, W)
        The face as sharp as it is looked at.
    wood : ndarray of bool, shape (h, w)
        The face shrunk; what is returned has this shape.
    along : ndarray, shape (2,)
        Unit direction, (row, col).
    """
    height, width = wood.shape
    ridge = np.minimum(dark_ridge(light, _LINE_SIGMAS), 0.15)
    if ridge.shape != wood.shape:
        ridge = cv2.dilate(ridge, np.ones((2, 2), np.uint8))
        ridge = cv2.resize(ridge, (width, height), interpolation=cv2.INTER_AREA)
    ridge = ridge * wood
    box = (2 * _CALM_PX + 1,) * 2
    share = cv2.blur(wood.astype(np.float32), box)
    usual = cv2.blur(ridge, box) / np.maximum(share, 0.05)
    best = np.zeros_like(ridge)
    base = float(np.degrees(np.arctan2(along[0], along[1])))
    for turn in _LINE_TURNS_DEG:
        best = np.maximum(best, cv2.filter2D(ridge, cv2.CV_32F, _line_kernel(base + turn)))
    return np.asarray(best / (usual + 0.002) * wood, dtype=np.float32)


def _line_kernel(angle_deg: float) -> Floats32:
    half = _LINE_PX // 2
    kernel = np.zeros((_LINE_PX, _LINE_PX), np.float32)
    row, col = half * np.sin(np.radians(angle_deg)), half * np.cos(np.radians(angle_deg))
    one = (round(half - col), round(half - row))
    other = (round(half + col), round(half + row))
    cv2.line(kernel, one, other, 1, 1)
    return np.asarray(kernel / kernel.sum())


def likely_matter(view: View) -> Floats32:
    """Return how likely each point of a view is each matter, strip by strip to save memory."""
    rows = view.pixels.shape[0]
    answer = np.zeros((*view.pixels.shape[:2], len(MATTERS)), dtype=np.float32)
    answer[..., MATTERS.index("ground")] = 1
    for top in range(0, rows, _STRIP_ROWS):
        bottom = min(top + _STRIP_ROWS, rows)
        wood = np.flatnonzero(view.wood[top:bottom].any(axis=0))
        if wood.size == 0:
            continue
        above, below = max(top - _MARGIN_ROWS, 0), min(bottom + _MARGIN_ROWS, rows)
        left, right = max(int(wood[0]) - _MARGIN_ROWS, 0), int(wood[-1]) + 1 + _MARGIN_ROWS
        seen = likelihoods(view.pixels[above:below, left:right])
        kept = seen[top - above : bottom - above]
        answer[top:bottom, left : left + kept.shape[1]] = kept
    return answer


def grain_bend(view: View) -> Floats32:
    """Return how far the grain turns from its usual direction round there, 0 to 1.

    Structure tensor (Bigun and Granlund 1987, ICCV) against the mean one of a wide surround;
    grain bends round knots, not round stains or chalk.
    """
    light = grey(view.pixels)
    gy, gx = cv2.Sobel(light, cv2.CV_32F, 0, 1), cv2.Sobel(light, cv2.CV_32F, 1, 0)
    double = np.dstack([gx * gx - gy * gy, 2 * gx * gy]) * view.wood[..., None]
    near = cv2.GaussianBlur(double, (0, 0), _GRAIN_PX)
    far = cv2.blur(double, (2 * _CALM_PX + 1,) * 2)
    size = np.linalg.norm(near, axis=2) * np.linalg.norm(far, axis=2)
    turn = 1 - (near * far).sum(axis=2) / np.maximum(size, 1e-9)
    return np.asarray(turn / 2 * view.wood, dtype=np.float32)


def lab_of(view: View) -> Floats32:
    """Return the view in CIE L*a*b*."""
    return np.asarray(cv2.cvtColor(as_unit(view.pixels), cv2.COLOR_RGB2LAB))
