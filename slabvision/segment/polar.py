"""A photo seen from a click: the near finely, the far coarsely, as a log-polar picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.window import Floats, Floats32, Mask, as_unit

__all__ = ["ANGLES", "LOG_STEP", "Frame", "Pyramid", "look_round"]

ANGLES = 96
"""Directions looked in from the click."""
LOG_STEP = 0.05
"""Samples of radius are 5 % apart."""
_LEAST_SIDE_PX = 8
_MOST_LEVELS = 8


@dataclass(frozen=True)
class Frame:
    """Where a log-polar picture is seen from and how far it reaches.

    Attributes
    ----------
    middle : ndarray, shape (2,)
        (row, col).
    inner, outer : float
        First and last radius, pixels.
    """

    middle: Floats
    inner: float
    outer: float

    @property
    def radii(self) -> Floats:
        """Radii of the samples, pixels, growing by equal factors."""
        number = max(24, int(np.ceil(np.log(self.outer / self.inner) / LOG_STEP)) + 1)
        return np.asarray(self.inner * np.exp(LOG_STEP * np.arange(number)))

    def polar(self, point: Floats) -> tuple[float, float]:
        """Angle (in steps of direction, 0 to ANGLES) and radius (pixels) of a point."""
        row, col = point - self.middle
        angle = np.arctan2(row, col) * (ANGLES / (2 * np.pi)) % ANGLES
        return float(angle), float(np.hypot(row, col))


class Pyramid:
    """A window of the photo round a point, blurred and shrunk by halves.

    Parameters
    ----------
    image : ndarray, shape (H, W) or (H, W, 3)
    middle : ndarray, shape (2,)
        (row, col).
    reach : float
        Half the window's side, pixels; nothing beyond it is touched.
    """

    def __init__(self, image: NDArray[Any], middle: Floats, reach: float) -> None:
        height, width = image.shape[:2]
        self.top = int(np.clip(middle[0] - reach, 0, height - 1))
        self.left = int(np.clip(middle[1] - reach, 0, width - 1))
        bottom = int(np.clip(middle[0] + reach + 2, self.top + 1, height))
        right = int(np.clip(middle[1] + reach + 2, self.left + 1, width))
        window = image[self.top : bottom, self.left : right]
        if window.ndim == 2:
            window = np.repeat(window[..., None], 3, axis=2)
        self.levels: list[NDArray[Any]] = [window]  # a view: the photo is not copied
        while min(self.levels[-1].shape[:2]) >= _LEAST_SIDE_PX and len(self.levels) < _MOST_LEVELS:
            self.levels.append(cv2.pyrDown(self.levels[-1]))

    def sample(self, rows: Floats, cols: Floats, footprint: float) -> NDArray[Any]:
        """Colours at positions (photo pixels), each averaged over about ``footprint`` pixels."""
        level = int(np.clip(np.round(np.log2(max(footprint, 1.0))), 0, len(self.levels) - 1))
        scale = 2.0**-level
        return np.asarray(
            cv2.remap(
                self.levels[level],
                ((cols - self.left) * scale).astype(np.float32),
                ((rows - self.top) * scale).astype(np.float32),
                interpolation=cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
        )


def look_round(pyramid: Pyramid, frame: Frame, shape: tuple[int, ...]) -> tuple[Floats32, Mask]:
    """Return the log-polar picture in CIE L*a*b*, and where it lies in a photo of this shape.

    Returns
    -------
    seen : ndarray, shape (ANGLES, radii, 3)
    known : ndarray of bool, shape (ANGLES, radii)
    """
    radii = frame.radii
    angle = np.arange(ANGLES)[:, None] * (2 * np.pi / ANGLES)
    rows = frame.middle[0] + radii * np.sin(angle)
    cols = frame.middle[1] + radii * np.cos(angle)
    known = (rows > -0.5) & (cols > -0.5) & (rows < shape[0] - 0.5) & (cols < shape[1] - 0.5)
    seen = np.empty((ANGLES, radii.size, 3), dtype=pyramid.levels[0].dtype)
    levels = np.round(np.log2(np.maximum(radii * (2 * np.pi / ANGLES) * 0.7, 1))).astype(int)
    for level in np.unique(levels):
        ring = levels == level
        seen[:, ring] = pyramid.sample(rows[:, ring], cols[:, ring], 2.0**level)
    return np.asarray(cv2.cvtColor(as_unit(seen), cv2.COLOR_RGB2LAB)), np.asarray(known)
