"""A whole face cut out of its photo, turned so that it lies along the columns, and shrunk."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.window import Floats, Floats32, Mask, as_unit

__all__ = [
    "CELL_PX",
    "LONG_CELLS",
    "View",
    "cells_of_face",
    "labels_in_photo",
    "light_of_pixels",
    "light_of_places",
    "usual_light",
    "view_of",
]

CELL_PX = 4
"""Pixels of a cell, each way; a cell has 2 x 2 places that an answer is given for."""
LONG_CELLS = 800
"""A face is looked at with its longer side this many cells long, whatever the photo's size."""
_MOST_ENLARGED = 1.25
"""A photo that shows the face smaller is not enlarged further: there is no more to see."""
_FINEST_MM = 0.6
"""A pixel of the view is no smaller on the face, where that is known: so were those learned."""
_RIM = 3
"""Places along the outline that are not looked at: an outline is not exact."""
_DARKEST = 0.02
_AROUND_CELLS = 61
_AREA_BELOW = 0.8
_OPPONENT = np.array([[1, 2, -2], [1, 0, 4], [1, -2, -2]], np.float32)
"""Logarithms of red, green, blue to lightness, warmth and green against purple."""


@dataclass(frozen=True, eq=False)
class View:
    """A face turned so that its long axis lies along the columns.

    Attributes
    ----------
    pixels : ndarray of float32, shape (4 rows, 4 cols, 3)
        RGB, 0 to 1; rows and cols count cells.
    wood : ndarray of bool, shape (2 rows, 2 cols)
        Places inside the outline, its rim left out.
    turn : ndarray, shape (2, 3)
        From a point of the photo, (col, row, 1), to its place, (col, row).
    """

    pixels: Floats32
    wood: Mask
    turn: Floats

    @cached_property
    def usual(self) -> Floats32:
        """The usual light of each cell's surroundings, see :func:`usual_light`."""
        return usual_light(self.pixels, self.wood)


def view_of(
    image: NDArray[Any],
    outline: Floats,
    long_cells: int = LONG_CELLS,
    *,
    mm_per_px: float | None = None,
) -> View:
    """Cut a face out of its photo, turn and shrink it.

    Parameters
    ----------
    image : ndarray, shape (H, W) or (H, W, 3)
    outline : ndarray, shape (N, 2)
        (row, col); the face's long axis is that of its area.
    long_cells : int
        How many cells long the face becomes at most; what is short, or small in its photo,
        becomes shorter.
    mm_per_px : float, optional
        Scale of the photo on the face, where it is known.
    """
    points = np.clip(outline[:, ::-1], 0, np.array(image.shape[1::-1]) - 1.0)
    low, high = np.floor(points.min(axis=0)).astype(int), np.ceil(points.max(axis=0)).astype(int)
    window = image[low[1] : high[1] + 1, low[0] : high[0] + 1]
    moments = cv2.moments((points - low).astype(np.float32)[:, None, :])
    angle = 0.5 * np.arctan2(2 * moments["mu11"], moments["mu20"] - moments["mu02"])
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    turned = (points - low) @ turn.T
    start, span = turned.min(axis=0), np.maximum(np.ptp(turned, axis=0) + 1, 1.0)
    scale = min(long_cells * CELL_PX / span.max(), _MOST_ENLARGED)
    if mm_per_px is not None:
        scale = min(scale, mm_per_px / _FINEST_MM)
    cols, rows = np.maximum(np.ceil(span * scale / CELL_PX).astype(int), 1)
    shrink = scale if scale < _AREA_BELOW else 1.0
    if shrink < 1:  # turning alone would leave pixels out
        size = (max(round(window.shape[1] * shrink), 1), max(round(window.shape[0] * shrink), 1))
        window = cv2.resize(np.ascontiguousarray(window), size, interpolation=cv2.INTER_AREA)
    begun = turn @ np.full(2, 0.5 / shrink - 0.5) - start
    move = np.column_stack([turn * (scale / shrink), begun * scale])
    pixels = cv2.warpAffine(
        np.ascontiguousarray(window), move, (int(cols) * CELL_PX, int(rows) * CELL_PX),
        flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[..., None], 3, axis=2)
    half = scale / 2
    to_place = np.column_stack([turn * half, (-start - turn @ low) * half - 0.25])
    wood = np.zeros((2 * rows, 2 * cols), np.uint8)
    corners = np.column_stack([points, np.ones(len(points))]) @ to_place.T
    cv2.fillPoly(wood, [np.rint(corners).astype(np.int32)], 1)
    wood = cv2.erode(np.pad(wood, 1), np.ones((2 * _RIM + 1,) * 2, np.uint8))[1:-1, 1:-1]
    return View(as_unit(pixels), wood > 0, to_place)


def labels_in_photo(view: View, labels: NDArray[np.uint16], size: tuple[int, int]) -> Any:
    """Return an instance image of a view's places as one of the photo, (rows, cols) large."""
    return cv2.warpAffine(
        labels, view.turn, size[::-1], flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    )


def usual_light(pixels: Floats32, wood: Mask) -> Floats32:
    """Return the usual light of each cell's surroundings, in logarithms, shape (rows, cols, 3).

    What is as dark in the shade as its surroundings are is no dark spot.
    """
    rows, cols = wood.shape[0] // 2, wood.shape[1] // 2
    small = np.log(cv2.resize(pixels, (cols, rows), interpolation=cv2.INTER_AREA) + _DARKEST)
    here = cv2.resize(wood.astype(np.float32), (cols, rows), interpolation=cv2.INTER_AREA)
    box = (_AROUND_CELLS,) * 2
    share = cv2.blur(here, box, borderType=cv2.BORDER_CONSTANT)
    total = cv2.blur(small * here[..., None], box, borderType=cv2.BORDER_CONSTANT)
    middle = (small * here[..., None]).sum(axis=(0, 1)) / max(float(here.sum()), 1.0)
    return np.asarray((total + 0.02 * middle) / (share[..., None] + 0.02), dtype=np.float32)


def cells_of_face(pixels: Floats32, wood: Mask, usual: Floats32) -> Floats32:
    """Return what the net looks at, shape (rows, cols, 52).

    Each pixel's light and colour against the usual light round there; that light against the
    face's; where the face is.

    Parameters
    ----------
    pixels : ndarray of float32, shape (4 rows, 4 cols, 3)
    wood : ndarray of bool, shape (2 rows, 2 cols)
    usual : ndarray of float32, shape (rows, cols, 3)
        As :func:`usual_light` gives it.
    """
    rows, cols = usual.shape[:2]
    light = np.log(pixels + np.float32(_DARKEST)).reshape(rows, CELL_PX, cols, CELL_PX, 3)
    light -= usual[:, None, :, None]
    seen = (light @ _OPPONENT).swapaxes(1, 2).reshape(rows, cols, -1)
    here = wood.reshape(rows, 2, cols, 2).mean(axis=(1, 3), dtype=np.float32)[..., None]
    middle = (usual * here).sum(axis=(0, 1)) / max(float(here.sum()), 1.0)
    return np.concatenate([np.clip(seen, -6, 6), (usual - middle) @ _OPPONENT, here], axis=2)


def light_of_pixels(view: View) -> Floats32:
    """Return logarithms of RGB against the usual light round there, shape (2 h, 2 w, 3)."""
    size = view.pixels.shape[1::-1]
    usual = cv2.resize(view.usual, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.log(view.pixels + np.float32(_DARKEST)) - usual)


def light_of_places(view: View) -> Floats32:
    """Return lightness, warmth and greenness of each place against the usual light round there."""
    rows, cols = view.wood.shape
    usual = cv2.resize(view.usual, (cols, rows), interpolation=cv2.INTER_LINEAR)
    small = cv2.resize(view.pixels, (cols, rows), interpolation=cv2.INTER_AREA)
    return np.asarray((np.log(small + np.float32(_DARKEST)) - usual) @ _OPPONENT / 4)
