"""Contrast without slow changes of tone, evened out over the wood."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2

__all__ = ["evened", "slow"]

Image = NDArray[np.float32]


def slow(image: Image, sigma: float) -> Image:
    """Return a wide blur of an image (sigma in pixels)."""
    # A wide blur of a picture shrunk first is as good and many times as fast.
    factor = max(1, int(sigma / 3))
    size = (max(2, image.shape[1] // factor), max(2, image.shape[0] // factor))
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / factor)
    back = cv2.resize(small, image.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(back, dtype=np.float32)


def evened(picture: Image, inside: Image, sigma: float) -> Image:
    """Return the picture less its blur, over its local spread, clipped at 2.5; 0 off the wood.

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, cols)
        Grey levels.
    inside : ndarray of float32, shape (rows, cols)
        1 on the wood, else 0.
    sigma : float
        Of the blur, pixels; the spread is taken over one and a half times that.
    """
    area = slow(inside, sigma) + np.float32(1e-3)
    # About zero, so that the little added to the area does not leave a share of the tone.
    picture = picture - np.float32((picture * inside).sum() / (inside.sum() + 1.0))
    rest = (picture - slow(picture * inside, sigma) / area) * inside
    spread = np.sqrt(slow(rest * rest, 1.5 * sigma) / (slow(inside, 1.5 * sigma) + 1e-3))
    wood = inside > 0
    floor = 0.5 * float(np.median(spread[wood][::7])) + 0.5 if wood.any() else 1.0
    return np.asarray(np.clip(rest / (spread + floor), -2.5, 2.5), dtype=np.float32)
