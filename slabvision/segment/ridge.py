"""How much each pixel looks like the middle of a dark line, over several widths."""

from __future__ import annotations

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.window import Floats32

__all__ = ["RIDGE_SIGMAS", "dark_ridge"]

RIDGE_SIGMAS = (1.0, 1.6, 2.5, 4.0, 6.5, 10.0)
"""Scales in pixels; a dark bar answers strongest near sigma = width / (2 sqrt 3)."""


def _derivatives(image: Floats32, sigma: float) -> tuple[Floats32, Floats32, Floats32]:
    """Second derivatives along rows, along columns, and mixed."""
    radius = int(np.ceil(3.5 * sigma))
    x = np.arange(-radius, radius + 1, dtype=np.float64)
    g = np.exp(-(x**2) / (2 * sigma**2))
    g /= g.sum()
    first = -x / sigma**2 * g
    second = (x**2 / sigma**4 - 1 / sigma**2) * g
    second -= second.mean()  # a flat picture answers exactly 0
    first = first[::-1]  # OpenCV correlates

    def run(along_cols: np.ndarray, along_rows: np.ndarray) -> Floats32:
        return np.asarray(
            cv2.sepFilter2D(
                image, cv2.CV_32F, along_cols, along_rows, borderType=cv2.BORDER_REPLICATE
            )
        )

    return run(g, second), run(second, g), run(first, first)


def dark_ridge(image: Floats32, sigmas: tuple[float, ...] = RIDGE_SIGMAS) -> Floats32:
    """Return the strongest dark-line response per pixel over the scales, in grey levels.

    The larger eigenvalue of the Hessian of the blurred picture, times sigma squared so that
    scales compare (Lindeberg 1998, "Edge detection and ridge detection with automatic scale
    selection", IJCV 30), where it is positive: a dark line on brighter wood. A blob or a step
    edge answers less: the other eigenvalue is taken off (Sato et al. 1998, MedIA 2).

    Examples
    --------
    >>> image = np.full((21, 21), 0.8, dtype=np.float32)
    >>> image[:, 10] = 0.2
    >>> answer = dark_ridge(image)
    >>> bool(answer[10, 10] == answer[10].max()), float(answer[10, 2]) < 0.1 * float(answer[10, 10])
    (True, True)
    """
    best = np.zeros(image.shape, dtype=np.float32)
    for sigma in sigmas:
        rr, cc, rc = _derivatives_at(image, sigma)
        half = (rr + cc) * 0.5
        spread = np.sqrt(np.square((rr - cc) * 0.5) + np.square(rc))
        high, low = half + spread, half - spread
        answer = (high - np.abs(low) * 0.5) * np.float32(sigma**2)
        np.maximum(best, answer, out=best)
    return best


def _derivatives_at(image: Floats32, sigma: float) -> tuple[Floats32, Floats32, Floats32]:
    """Second derivatives; wide scales are taken from a picture shrunk two or four times."""
    shrink = 1 if sigma < 4 else 2 if sigma < 8 else 4
    if shrink == 1 or min(image.shape) < 8 * shrink:
        return _derivatives(image, sigma)
    height, width = image.shape
    small = cv2.resize(image, (width // shrink, height // shrink), interpolation=cv2.INTER_AREA)
    scale = np.float32(1 / shrink**2)
    a, b, c = (
        np.asarray(cv2.resize(part, (width, height), interpolation=cv2.INTER_LINEAR) * scale)
        for part in _derivatives(small, sigma / shrink)
    )
    return a, b, c
