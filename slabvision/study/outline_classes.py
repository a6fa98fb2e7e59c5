"""What each pixel of a rendered scene shows: ground, face, bark, side, or nobody's guess."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.study.outline_scenes import OutlineScene
from slabvision.study.unet_training import UNKNOWN

__all__ = ["BARK", "FACE", "GROUND", "SIDE", "UNKNOWN", "Classes", "classes_of", "filled", "wide"]

Classes: TypeAlias = NDArray[np.uint8]

GROUND, FACE, BARK, SIDE = 0, 1, 2, 3
"""What a pixel shows; unknown where another slab leans over this one."""
_WIDE = 0.09
"""Share of the photo's longer side: what hides more than this across is no post."""
_COARSE = 8
"""Hidden places are told wide or narrow on a picture shrunk so much."""


def filled(shape: tuple[int, int], ring: NDArray[np.float64]) -> Classes:
    """Return 1 inside a ring (row, col) and 0 outside."""
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(ring[:, ::-1] * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    return mask


def classes_of(scene: OutlineScene) -> Classes:
    """Return what each pixel of a scene shows.

    A boot, a tape or the post of a rack is narrow: the slab goes on under it, and so does its
    face here, or else the slab would fall in pieces. Where another slab leans over it nobody can
    say.
    """
    shape = (scene.pixels.shape[0], scene.pixels.shape[1])
    out = np.zeros(shape, np.uint8)
    for ring, value in ((scene.widest, SIDE), (scene.bark, BARK), (scene.arris, FACE)):
        out[filled(shape, ring) > 0] = value
    if "rack" in scene.words:
        out[wide(scene.hidden) & (out > 0)] = UNKNOWN
    return out


def wide(hidden: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the parts of a mask that are too far across for a post or a boot."""
    size = tuple(max(1, n // _COARSE) for n in hidden.shape)
    small = cv2.resize(hidden.astype(np.uint8), size[::-1], interpolation=cv2.INTER_AREA)
    across = max(2, round(_WIDE * max(size)))
    calm = cv2.morphologyEx(small, cv2.MORPH_OPEN, np.ones((across, across), np.uint8))
    # A pixel more all round, for the shrunk picture does not end where the mask does.
    calm = cv2.dilate(calm, np.ones((3, 3), np.uint8))
    back = cv2.resize(calm, hidden.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return np.asarray((back > 0) & hidden)
