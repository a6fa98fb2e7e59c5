"""A nearer look at the slab that the first looks found: the part of the photo that it fills."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_cells import PIXELS, WANTED, Bark, cells_of, in_cells
from slabvision.segment.outline_look import shrink
from slabvision.segment.outline_pieces import chance_of, log_odds
from slabvision.segment.unet import CELL, chances, load_unets, scores
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["MARGIN", "Part", "near_cells", "nearer_chance", "part_round"]

MARGIN = 0.15
"""Room round the slab, in its length."""
_PIXELS = 300_000
"""Of the part, shrunk for this look."""
_NARROWEST = 0.5
"""A part is no narrower than this share of its length, where the photo goes on beside it."""
_ODDS = 0.25
"""What log odds of the first looks are multiplied with where they are looked at."""
_SHARE = 0.5
"""Of this look's word; the first looks have the rest."""
_NONE: Floats = np.zeros((0, 2))


class Part(NamedTuple):
    """A part of a photo, in shares of its height and of its width: from ``low`` up to ``high``."""

    low: tuple[float, float]
    high: tuple[float, float]

    def of(self, shape: tuple[int, ...]) -> tuple[slice, slice]:
        """Return it in the pixels of a picture of that photo, at least four each way."""
        spans = []
        for low, high, count in zip(self.low, self.high, shape[:2], strict=True):
            start = max(min(round(low * count), count - 4), 0)
            spans.append(slice(start, max(round(high * count), start + 4)))
        return spans[0], spans[1]


def part_round(piece: Mask, margins: tuple[float, float, float, float] = (MARGIN,) * 4) -> Part:
    """Return the part of a photo that a piece fills, and room round it.

    Parameters
    ----------
    piece : ndarray of bool, shape (h, w)
        Not empty.
    margins : (above, left, below, right)
        In the length of its box; what goes beyond the frame is left out.
    """
    size = np.array(piece.shape, np.float64)
    spans = [np.flatnonzero(piece.any(axis=axis))[[0, -1]] + (0, 1) for axis in (1, 0)]
    low, high = np.array(spans, np.float64).T
    long = (high - low).max()
    low, high = low - long * np.array(margins[:2]), high + long * np.array(margins[2:])
    low, high = np.maximum(low, 0), np.minimum(high, size)
    lacks = np.maximum(_NARROWEST * (high - low).max() - (high - low), 0)
    low, high = low - lacks / 2, high + lacks / 2
    low, high = low - np.maximum(high - size, 0), high + np.maximum(-low, 0)
    # Whole pixels of the piece: what was found in them lies exactly in the part.
    low, high = np.floor(np.maximum(low, 0)) / size, np.ceil(np.minimum(high, size)) / size
    return Part((float(low[0]), float(low[1])), (float(high[0]), float(high[1])))


def near_cells(
    picture: NDArray[Any], chance: Floats32, cells: tuple[int, int] | None = None
) -> Floats32:
    """Return what the net for this look sees, shape (rows, cols, 57).

    Cells as the first net sees them, but instead of clicks what the first looks say.

    Parameters
    ----------
    picture : ndarray
        The part of the photo.
    chance : ndarray of float32
        Of the slab, by the first looks, in the same part; of any size.
    cells : (rows, cols), optional
        So many; if left out as many as this look wants, square in the photo.
    """
    height, width = picture.shape[:2]
    cell = PIXELS * np.sqrt(height * width / _PIXELS)
    rows, cols = cells or (max(2, round(height / cell)), max(2, round(width / cell)))
    twice = (2 * PIXELS * cols, 2 * PIXELS * rows)
    small = shrink(cv2.resize(picture, twice, interpolation=cv2.INTER_AREA), max(twice) // 2)
    out = cells_of(small, _NONE, _NONE)
    odds = cv2.resize(log_odds(chance), (CELL * cols, CELL * rows), interpolation=cv2.INTER_LINEAR)
    out[..., -CELL * CELL :] = in_cells(_ODDS * odds[..., None], CELL, CELL)
    return out


def nearer_chance(picture: NDArray[Any], chance: Floats32, piece: Mask, bark: Bark) -> Floats32:
    """Return the chance of wanted wood after a nearer look at the slab found first.

    Parameters
    ----------
    picture : ndarray
        The photo, not much smaller than the edge is settled on.
    chance : ndarray of float32, shape (h, w)
        By the first looks.
    piece : ndarray of bool, shape (h, w)
        The slab they found.
    bark : {"out", "in"}
    """
    part = part_round(piece)
    here = part.of(chance.shape)
    seen, known = picture[part.of(picture.shape)], chance[here]
    upright = known.shape[0] > known.shape[1]
    if upright:  # it learned from parts that lie across
        seen, known = (np.ascontiguousarray(np.rot90(each)) for each in (seen, known))
    score = scores(load_unets("outline_unet")["near"], near_cells(seen, known))
    found = chances(score)[..., WANTED[bark]].sum(axis=2)
    found = np.rot90(found, -1) if upright else found
    odds = log_odds(chance)
    near = cv2.resize(
        np.ascontiguousarray(log_odds(found)), odds[here].shape[::-1], interpolation=cv2.INTER_AREA
    )
    odds[here] = (1 - _SHARE) * odds[here] + _SHARE * near
    return chance_of(odds)
