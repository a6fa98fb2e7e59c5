"""What the convolutional net looks at: the photo shrunk, in cells of pixels, with the clicks."""

from __future__ import annotations

from typing import Literal, TypeAlias

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.outline_look import Small
from slabvision.segment.window import Floats, Floats32

__all__ = [
    "CELLS_SIDE",
    "PIXELS",
    "WANTED",
    "Bark",
    "cells_of",
    "clicked",
    "in_cells",
    "in_other_light",
    "mirrored",
]

Bark: TypeAlias = Literal["out", "in"]
WANTED: dict[Bark, list[int]] = {"out": [1], "in": [1, 2]}
"""Which of the classes that nets answer (ground, face, bark, side) are wanted wood."""
CELLS_SIDE = 384
"""Pixels on the longer side of the photo shrunk for this net."""
PIXELS = 4
"""Pixels of a cell in each direction."""
_COLOURS = 3 * PIXELS * PIXELS
"""Channels of a cell that are its pixels' colours; texture, place and clicks follow."""
_MIDDLE = np.array([0.5, 0, 0], np.float32)
_DOWN, _OVER = _COLOURS + 3, _COLOURS + 4
_SAID = _COLOURS + 5
_NEAR, _FAR = 1.2, 9.0
"""How far a click is seen in cells, sharply and dimly."""


def in_cells(picture: Floats32, rows: int, cols: int) -> Floats32:
    """Return a picture with ``rows`` x ``cols`` pixels of each cell as its channels."""
    down, over, count = picture.shape[0] // rows, picture.shape[1] // cols, picture.shape[2]
    parts = picture.reshape(down, rows, over, cols, count).swapaxes(1, 2)
    return np.asarray(parts.reshape(down, over, rows * cols * count))


def cells_of(small: Small, inside: Floats, outside: Floats) -> Floats32:
    """Return what the first net looks at, shape (h / 4, w / 4, 57).

    Every pixel's colour; texture; where the photo is and where in it; the clicks.
    """
    height, width = small.lab.shape[:2]
    below, beside = -height % PIXELS, -width % PIXELS
    lab = cv2.copyMakeBorder(small.lab, 0, below, 0, beside, cv2.BORDER_REPLICATE)
    rough = cv2.copyMakeBorder(small.rough, 0, below, 0, beside, cv2.BORDER_REPLICATE)
    down, over = (height + below) // PIXELS, (width + beside) // PIXELS
    y = ((np.arange(down, dtype=np.float32) + 0.5) * PIXELS / height * 2 - 1)[:, None]
    x = ((np.arange(over, dtype=np.float32) + 0.5) * PIXELS / width * 2 - 1)[None, :]
    photo = (y <= 1) & (x <= 1)
    place = np.stack([photo, y + 0 * x, x + 0 * y], axis=2).astype(np.float32)
    seen = in_cells(lab - _MIDDLE, PIXELS, PIXELS) * 2
    texture = cv2.resize(rough, (over, down), interpolation=cv2.INTER_AREA)
    said = np.zeros((down, over, 4), np.float32)
    return clicked(np.concatenate([seen, texture, place, said], axis=2), inside, outside)


def clicked(cells: Floats32, inside: Floats, outside: Floats) -> Floats32:
    """Return cells with other clicks, (row, col) in the pixels of the shrunk photo."""
    out = cells.copy()
    for k, clicks in enumerate((inside, outside)):
        out[..., _SAID + 2 * k : _SAID + 2 * k + 2] = _near(clicks, *cells.shape[:2])
    return out


def mirrored(cells: Floats32, *, down: bool, over: bool) -> Floats32:
    """Return what would be looked at in the mirrored photo, upside down or left to right."""
    rows, cols, _ = cells.shape
    turns = tuple(np.s_[::-1] if turn else np.s_[:] for turn in (down, over))
    out = np.ascontiguousarray(cells[turns])
    seen = out[..., :_COLOURS].reshape(rows, cols, PIXELS, PIXELS, 3)
    out[..., :_COLOURS] = seen[:, :, turns[0], turns[1]].reshape(rows, cols, _COLOURS)
    for channel, turn in ((_DOWN, down), (_OVER, over)):
        if turn:
            out[..., channel] *= -1
    return out


def in_other_light(cells: Floats32, gain: Floats32, shift: Floats32) -> Floats32:
    """Return cells of the photo in other light: each colour times ``gain``, plus ``shift``."""
    out = cells.copy()
    rows, cols, _ = cells.shape
    seen = out[..., :_COLOURS].reshape(rows, cols, PIXELS * PIXELS, 3)
    out[..., :_COLOURS] = (seen * gain + 2 * (_MIDDLE * (gain - 1) + shift)).reshape(
        rows, cols, _COLOURS
    )
    out[..., _COLOURS : _COLOURS + 2] += np.float32(0.25 * np.log(gain[0]))
    return out


def _near(clicks: Floats, down: int, over: int) -> Floats32:
    """Return how near each cell is to a click, sharply and dimly, shape (down, over, 2)."""
    out = np.zeros((down, over, 2), np.float32)
    r, c = np.arange(down)[:, None], np.arange(over)[None, :]
    for row, col in (np.asarray(clicks).reshape(-1, 2) + 0.5) / PIXELS - 0.5:
        apart = np.square(r - row) + np.square(c - col)
        for k, sigma in enumerate((_NEAR, _FAR)):
            np.maximum(out[..., k], np.exp(-apart / (2 * sigma**2)), out=out[..., k])
    return out
