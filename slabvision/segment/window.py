"""Look at a photo only where it matters: windows round clicks and ribbons along a line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from slabvision.opencv import cv2

__all__ = [
    "BadClickError",
    "BadPixelsError",
    "as_clicks",
    "as_pixels",
    "as_unit",
    "grey",
    "ribbon",
]

Floats: TypeAlias = NDArray[np.float64]
Floats32: TypeAlias = NDArray[np.float32]
Mask: TypeAlias = NDArray[np.bool_]
Clicks: TypeAlias = ArrayLike | Sequence[Sequence[float]]

MAX_SIDE_PX = 32_000
"""OpenCV addresses pixels with 16 bits when it resamples."""


class BadPixelsError(ValueError):
    """The array is not a photo that can be looked at."""


class BadClickError(ValueError):
    """A clicked point cannot be used."""


def as_pixels(pixels: Any) -> NDArray[Any]:
    """Check a photo's pixels and return them as an array of shape (H, W) or (H, W, 3).

    Nothing is copied when the array is fit already; an alpha channel is left out.

    Raises
    ------
    BadPixelsError
        Wrong shape, wrong type, empty, or a side over 32 000 px.
    """
    array = np.asarray(pixels)
    if array.ndim == 3 and array.shape[2] == 1:
        array = array[..., 0]
    if array.ndim not in (2, 3) or (array.ndim == 3 and array.shape[2] not in (3, 4)):
        raise BadPixelsError(
            f"pixels have shape {array.shape}; a photo has (height, width) or (height, width, 3)"
        )
    if min(array.shape[:2]) < 1 or max(array.shape[:2]) > MAX_SIDE_PX:
        raise BadPixelsError(
            f"the photo is {array.shape[1]} x {array.shape[0]} px; "
            f"1 to {MAX_SIDE_PX} px on each side can be handled"
        )
    if array.ndim == 3 and array.shape[2] == 4:
        array = array[..., :3]
    if array.dtype == np.bool_:
        array = array.astype(np.uint8) * np.uint8(255)
    if array.dtype not in (np.uint8, np.uint16, np.float32):
        if not np.issubdtype(array.dtype, np.floating):
            raise BadPixelsError(
                f"pixels are of type {array.dtype}; uint8, uint16 or floats from 0 to 1 are needed"
            )
        array = array.astype(np.float32)
    return array


def as_clicks(points: Clicks, shape: tuple[int, ...], *, what: str = "point") -> Floats:
    """Check clicked points and return them as floats of shape (N, 2), (row, col).

    Raises
    ------
    BadClickError
        Not (row, col) pairs, not finite, or outside the photo.
    """
    array = np.asarray(points, dtype=np.float64)
    if array.size == 0:
        return np.zeros((0, 2))
    if array.ndim == 1 and array.size == 2:
        array = array[None]
    if array.ndim != 2 or array.shape[1] != 2:
        raise BadClickError(
            f"{what}s have shape {array.shape}; (N, 2) pairs of row, col are needed"
        )
    rows, cols = shape[:2]
    for row, col in array:
        if not (-0.5 <= row <= rows - 0.5 and -0.5 <= col <= cols - 0.5):
            raise BadClickError(
                f"{what} (row {row:g}, col {col:g}) is outside the photo of "
                f"{rows} rows and {cols} columns"
            )
    return array


def _scale(dtype: np.dtype[Any]) -> float:
    return {np.dtype(np.uint8): 1 / 255, np.dtype(np.uint16): 1 / 65535}.get(dtype, 1.0)


def grey(pixels: NDArray[Any]) -> Floats32:
    """Return brightness from 0 to 1 (ITU-R BT.601 weights) of a window, as float32."""
    part = pixels
    if part.ndim == 3:
        part = cv2.cvtColor(np.ascontiguousarray(part), cv2.COLOR_RGB2GRAY)
    return np.asarray(part, dtype=np.float32) * np.float32(_scale(pixels.dtype))


def ribbon(pixels: NDArray[Any], rows: Floats, cols: Floats) -> Floats32:
    """Return brightness (0 to 1) at any positions, bilinear, edges repeated.

    Parameters
    ----------
    pixels : ndarray
        The whole photo; only the window that holds the positions is touched.
    rows, cols : ndarray of the same shape
        Where to look.
    """
    height, width = pixels.shape[:2]
    top = int(np.clip(np.floor(rows.min()), 0, height - 1))
    left = int(np.clip(np.floor(cols.min()), 0, width - 1))
    bottom = int(np.clip(np.ceil(rows.max()) + 2, top + 1, height))
    right = int(np.clip(np.ceil(cols.max()) + 2, left + 1, width))
    window = pixels[top:bottom, left:right]
    seen = cv2.remap(
        window,
        (cols - left).astype(np.float32),
        (rows - top).astype(np.float32),
        interpolation=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return grey(seen)


def as_unit(values: NDArray[Any]) -> Floats32:
    """Return values of any picture type as float32 from 0 to 1."""
    return np.asarray(values, dtype=np.float32) * np.float32(_scale(values.dtype))
