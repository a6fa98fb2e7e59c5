"""Dark thin lines that run along a face: how likely each place is part of a check."""

from __future__ import annotations

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.face_look import SEEN
from slabvision.segment.face_view import View, light_of_pixels
from slabvision.segment.network import answers, stored
from slabvision.segment.unet import largest_of_four
from slabvision.segment.window import Floats32, Mask

__all__ = ["SIGNS", "odds_of_checks", "signs_of_checks"]

SIGNS = (
    "the net", "narrow ridge", "narrow against usual", "coloured", "warm", "one side darker",
    "broad ridge", "broad against usual", "dark",
)  # fmt: skip
"""What speaks for a check at a place; last axis of :func:`signs_of_checks`."""
_AROUND = 61
_NARROW, _BROAD = 3, 6
"""Pixels of the view from the middle of a line to the wood beside it."""
_LEAST_USUAL = 0.004
_MOST = 12.0
_OFF = -6.0


def signs_of_checks(view: View, look: Floats32) -> Floats32:
    """Return what speaks for a check at each place, shape (h, w, 9), columns :data:`SIGNS`.

    A check is darker than the wood on *both* sides of it, and stands out from how much that is
    usual in the grain round it.

    Parameters
    ----------
    view : View
    look : ndarray, shape (h, w, 6)
        As :func:`slabvision.segment.face_look.look_of` returns it.
    """
    red, green, blue = cv2.split(light_of_pixels(view))
    light, warmth = (
        cv2.GaussianBlur(plane, (7, 3), sigmaX=1.5, sigmaY=0.6)
        for plane in ((red + green + blue) / 3, red - blue)
    )
    share = cv2.blur(view.wood.astype(np.float32), (_AROUND,) * 2) + np.float32(0.02)

    def against_usual(ridge: Floats32) -> Floats32:
        usual = cv2.blur(np.maximum(ridge, 0) * view.wood, (_AROUND,) * 2) / share
        return np.asarray(ridge / (usual + np.float32(_LEAST_USUAL)))

    check = look[..., SEEN.index("check")]
    net = cv2.dilate(np.log((check + 1e-4) / (1.0001 - check)), np.ones((3, 1), np.uint8))
    above, below = _beside(light, _NARROW)
    narrow = largest_of_four(np.minimum(above, below) - light)
    one_sided = _mean(np.minimum(np.abs(above - below), 0.5))
    warmer = warmth - sum(_beside(warmth, _NARROW)) / 2
    broad = largest_of_four(np.minimum(*_beside(light, _BROAD)) - cv2.blur(light, (1, 3)))
    signs = np.stack([
        net, narrow, against_usual(narrow), _mean(np.abs(warmer)), _mean(warmer), one_sided,
        broad, against_usual(broad), -largest_of_four(-light),
    ], axis=2)  # fmt: skip
    return np.asarray(np.clip(signs, -_MOST, _MOST), dtype=np.float32)


def _beside(plane: Floats32, reach: int) -> tuple[Floats32, Floats32]:
    """Return the plane moved down and up by so many rows; its rim is repeated."""
    wide = cv2.copyMakeBorder(plane, reach, reach, 0, 0, cv2.BORDER_REPLICATE)
    return wide[: -2 * reach], wide[2 * reach :]


def _mean(plane: Floats32) -> Floats32:
    """Return the mean of each place's 2 x 2 pixels."""
    size = plane.shape[1] // 2, plane.shape[0] // 2
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA))


def odds_of_checks(signs: Floats32, wood: Mask) -> Floats32:
    """Return log odds that each place of the wood is a check, off the wood next to none.

    A small network learned from rendered faces, see DEVELOPERS.md; it was shown checks far more
    often than they are, so its nothing lies where a place is worth a look.
    """
    odds = np.full(wood.shape, _OFF, np.float32)
    odds[wood] = answers(signs[wood], stored("check_lines"))[:, 0]
    return odds
