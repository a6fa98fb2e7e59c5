"""Tell a blurred photo from a sharp one, so that it can be taken again while the slab is there.

At a step edge that the lens has blurred by a Gaussian of standard deviation sigma, blurring once
more lowers the gradient by a ratio that depends on sigma alone, whatever the contrast; solving
for sigma gives the blur in pixels (S. Zhuo and T. Sim, "Defocus map estimation from a single
image", Pattern Recognition 44, 2011, 1852-1858, equations 4 to 7). Only the strongest edges are
asked, because there noise matters least; thin dark lines read as a little sharper than they are,
and a camera that moved along the strongest edges goes unnoticed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Sharpness", "is_blurred", "sharpness"]

_SOFT_PX, _SOFTER_PX = 1.5, 3.0
"""First and second blur that are compared; the first keeps noise and JPEG blocks down."""
_STRONGEST = 0.01
_MIN_EDGES = 60
_MAX_PX = 12.0
_LIMIT_PX = 5.0
"""In a picture 4000 pixels long: about 5 mm on a face seen from 3 m, wider than most checks."""
_LIMIT_SIDE_PX = 4000.0
_LEAST_LIMIT_PX = 3.5
"""Scanned and shrunk pictures are often this soft; they are not sent back."""


@dataclass(frozen=True)
class Sharpness:
    """How blurred a photo is.

    Attributes
    ----------
    blur_px : float
        Standard deviation of the blur at the strongest edges, median, pixels; NaN where there
        are too few edges to tell.
    limit_px : float
        From where a photo of this size is better taken again.
    """

    blur_px: float
    limit_px: float

    @property
    def blurred(self) -> bool:
        """Whether the photo is plainly blurred; a doubtful one counts as sharp."""
        return self.blur_px > self.limit_px


def is_blurred(pixels: NDArray[Any]) -> bool:
    """Tell whether a photo, RGB or grey, is plainly blurred."""
    return sharpness(pixels).blurred


def sharpness(pixels: NDArray[Any]) -> Sharpness:
    """Measure the blur of a photo at its strongest edges.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3) or (H, W)
        RGB or grey.
    """
    from slabvision.opencv import cv2

    image = np.asarray(pixels)
    if image.dtype != np.uint8 or image.ndim not in (2, 3) or image.shape[2:] not in ((), (3,)):
        raise ValueError(
            f"pixels have shape {image.shape} and type {image.dtype}; (H, W, 3) or (H, W) of "
            "uint8 is needed"
        )
    limit = max(_LEAST_LIMIT_PX, _LIMIT_PX * max(image.shape[:2]) / _LIMIT_SIDE_PX)
    unknown = Sharpness(float("nan"), limit)
    if min(image.shape[:2]) < 48:
        return unknown
    grey = image if image.ndim == 2 else cv2.cvtColor(np.ascontiguousarray(image), 7)  # RGB2GRAY

    def slopes(blur_px: float) -> tuple[Any, Any]:
        soft = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), blur_px)
        across = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=1)
        down = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=1)
        return across, down

    across, down = slopes(_SOFT_PX)
    steep = cv2.magnitude(across, down)
    edge = round(4 * _SOFTER_PX)
    steep[:edge], steep[-edge:], steep[:, :edge], steep[:, -edge:] = 0, 0, 0, 0
    row, col = _crests(steep)
    if row.size < _MIN_EDGES:
        return unknown
    across_softer, down_softer = slopes(_SOFTER_PX)
    along = np.hypot(across[row, col], down[row, col])
    softer = np.hypot(across_softer[row, col], down_softer[row, col])
    ratio2 = (along / np.maximum(softer, 1e-6)) ** 2
    blur2 = np.full(ratio2.shape, _MAX_PX**2)
    known = ratio2 > 1.001
    blur2[known] = (_SOFTER_PX**2 - ratio2[known] * _SOFT_PX**2) / (ratio2[known] - 1)
    blur = np.sqrt(np.clip(blur2, 0.0, _MAX_PX**2))

    return Sharpness(float(np.median(blur)), limit)


def _crests(steep: NDArray[np.float32]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the strongest edges' crests: steepest of their neighbourhood."""
    from slabvision.opencv import cv2

    level = float(np.quantile(steep[::3, ::3], 1 - _STRONGEST))
    # A crest is as high as the highest within two pixels along its row or along its column.
    row_top = cv2.dilate(steep, np.ones((1, 5), np.uint8))
    column_top = cv2.dilate(steep, np.ones((5, 1), np.uint8))
    crest = (steep >= max(level, 1.0)) & ((steep >= row_top) | (steep >= column_top))
    row, col = np.nonzero(crest)
    return row, col
