"""The picture at the few sizes at which rings are looked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2

__all__ = ["Pyramid", "build_pyramid", "grey_of"]

TONE = np.array([[0.0, 0.35, 0.65]])
"""Weights of red, green and blue."""
WOOD_PX = (2.2e5, 1.1e6)
"""Pixels of wood at each size, coarse to fine: a disc some 530 and 1,180 pixels across."""


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
        255 where wood is.
    """

    levels: tuple[NDArray[np.uint8], ...]
    scales: tuple[float, ...]
    inside: tuple[NDArray[np.uint8], ...]


def grey_of(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the tone (0 to 255) in which rings stand out: mostly blue, some green.

    Latewood, heartwood and pores are browner than the wood between them, which shows most in blue;
    stain and shadows are grey and show in all channels alike. Green steadies the noise of blue.
    """
    if pixels.ndim == 2:
        return np.ascontiguousarray(pixels)
    return np.asarray(cv2.transform(pixels[..., :3], TONE))


def build_pyramid(grey: NDArray[np.uint8], mask: NDArray[np.bool_] | None) -> Pyramid:
    """Shrink the picture to the few sizes at which rings are looked for.

    Sizes go by the area of the wood, so that a long thin end keeps its rings.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, cols)
        Tone.
    mask : ndarray of bool or None
        Where wood is; everywhere if not given.
    """
    rows, cols = grey.shape
    area = float(grey.size) if mask is None else max(1.0, float(np.count_nonzero(mask)))
    scales: list[float] = []
    for target in WOOD_PX:
        scale = min(1.0, float(np.sqrt(target / area)))
        if not scales or scale > scales[-1] * 1.2:
            scales.append(scale)
    wood = None if mask is None else mask.view(np.uint8) * np.uint8(255)
    levels: list[NDArray[np.uint8]] = []
    inside: list[NDArray[np.uint8]] = []
    finer = grey
    for scale in scales[::-1]:  # each from the finer one: the photo is gone through once
        size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
        small = grey if scale == 1.0 else cv2.resize(finer, size, interpolation=cv2.INTER_AREA)
        levels.insert(0, small)
        finer = small
        if wood is None:
            inside.insert(0, np.full(small.shape, 255, dtype=np.uint8))
        else:
            inside.insert(0, cv2.resize(wood, size, interpolation=cv2.INTER_NEAREST))
    return Pyramid(tuple(levels), tuple(scales), tuple(inside))
