"""Look once more along the border of what was found, in tiles as fine as the region is thin."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.grow_field import best_cut, field_of, logit
from slabvision.segment.grow_look import SIDE, Said, Window, depth_at, signed
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["Sheet", "Through", "in_tiles", "sheet_of"]

Through = Callable[[Window, Mask, list[Said]], Floats32]
"""Given a window, the region so far and the clicks, in places: the chance of each place."""

_THICK = 30.0
"""How many places thick a region is looked at in the end."""
_FINEST = 1.0
"""Pixels per place at least."""
_WORTH = 0.75
"""Steps are not taken anew unless they become this much shorter."""
_STRIDE = 64
_RIM = 8
"""Places round a tile whose answer is not heard: nothing is seen beyond."""
_MOST = 12
_AROUND = 16
"""Places kept round the region."""
_BORDER = 6.0
"""A tile is looked at where it holds a border, so many places within its rim."""


class Sheet(NamedTuple):
    """A region on a grid of places over the photo.

    Attributes
    ----------
    start : ndarray, shape (2,)
        Where the first place's middle lies in the photo, (row, col).
    step : float
        Pixels per place.
    chance, field : ndarray, shape (h, w)
        Chance of each place; above 0 in the region.
    """

    start: Floats
    step: float
    chance: Floats32
    field: Floats32


def sheet_of(window: Window, chance: Floats32, field: Floats32) -> Sheet:
    """Return a window looked through as a sheet."""
    return Sheet(window.middle - (SIDE - 1) / 2 * window.step, window.step, chance, field)


def in_tiles(coarse: Sheet, said: list[Said], look: Through) -> Sheet:
    """Return a region looked at in fine tiles, or as it is where it is thick or small already.

    Where tiles overlap the log odds of both count, less towards a tile's rim.

    Parameters
    ----------
    coarse : Sheet
    said : list of Said
        All clicks, photo pixels.
    look : callable
    """
    rough = _finer(coarse)
    if rough is None:
        return coarse
    corners = _corners(rough.field)
    weight = np.full(rough.field.shape, 1e-3, np.float32)
    odds = weight * logit(rough.chance)
    hill = np.minimum(np.arange(1, SIDE + 1), np.arange(SIDE, 0, -1)) - _RIM
    heard = np.clip(np.minimum.outer(hill, hill), 0, None).astype(np.float32)
    for corner in corners:
        start = rough.start + corner * rough.step
        window = Window(start + (SIDE - 1) / 2 * rough.step, SIDE * rough.step)
        before = _moved(rough.field, rough, start, rough.step, (SIDE, SIDE)) > 0
        seen = logit(look(window, before, [_heard(s, window, before) for s in said]))
        first = np.maximum(corner, 0)
        last = np.minimum(corner + SIDE, rough.field.shape)
        there = np.s_[first[0] : last[0], first[1] : last[1]]
        own = np.s_[first[0] - corner[0] : last[0] - corner[0],
                    first[1] - corner[1] : last[1] - corner[1]]  # fmt: skip
        odds[there] += heard[own] * seen[own]
        weight[there] += heard[own]
    chance = (1 / (1 + np.exp(-odds / weight))).astype(np.float32)
    places = [Said((s.point - rough.start) / rough.step, s.inside, s.depth / rough.step)
              for s in said]  # fmt: skip
    return Sheet(rough.start, rough.step, chance, field_of(chance, best_cut(chance)[0], places))


def _finer(coarse: Sheet) -> Sheet | None:
    """Return the part of a sheet that holds the region in finer steps, None where not worth it."""
    deep = float(signed(coarse.field > 0).max())
    step = max(_FINEST, 2 * deep * coarse.step / _THICK)
    rows, cols = np.nonzero(coarse.field > 0)
    low, high = (np.array([f(rows), f(cols)]) for f in (np.min, np.max))
    while step < _WORTH * coarse.step:
        size = np.ceil((high - low + 1) * coarse.step / step).astype(int) + 2 * _AROUND
        shape = (int(size[0]), int(size[1]))
        start = coarse.start + (low - 0.5) * coarse.step + (0.5 - _AROUND) * step
        field = _moved(coarse.field, coarse, start, step, shape)
        if len(_corners(field)) <= _MOST:
            chance = _moved(coarse.chance, coarse, start, step, shape, beyond=0.0)
            return Sheet(start, step, chance, field)
        step *= 1.15
    return None


def _heard(click: Said, window: Window, before: Mask) -> Said:
    """Return a click in places of a tile, as deep as the region before it is wrong there."""
    place = window.places(click.point)
    depth = 0.0
    if ((place > -0.5) & (place < SIDE - 0.5)).all():
        row, col = np.clip(np.rint(place), 0, SIDE - 1).astype(int)
        if bool(before[row, col]) != click.inside:
            depth = depth_at(before, place)
    return Said(place, click.inside, depth)


def _moved(
    values: Floats32, here: Sheet, start: Floats, step: float, shape: tuple[int, int],
    beyond: float = -9.0,
) -> Floats32:  # fmt: skip
    """Return values on a sheet's grid on another grid."""
    scale = step / here.step
    row, col = (start - here.start) / here.step
    return np.asarray(cv2.warpAffine(
        values, np.array([[scale, 0, col], [0, scale, row]]), shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_CONSTANT,
        borderValue=beyond,
    ))  # fmt: skip


def _corners(field: Floats32) -> list[NDArray[np.intp]]:
    """Return the first places of the tiles that hold a border."""
    far = np.abs(signed(field > 0))
    starts = []
    for n in field.shape:
        count = max(1, int(np.ceil((n - SIDE) / _STRIDE)) + 1)
        starts.append(np.rint((n - SIDE) / 2 + (np.arange(count) - (count - 1) / 2) * _STRIDE))
    found = []
    for corner in np.array(np.meshgrid(*starts, indexing="ij")).reshape(2, -1).T.astype(np.intp):
        low, high = np.maximum(corner + _RIM, 0), np.maximum(corner + SIDE - _RIM, 0)
        part = far[low[0] : high[0], low[1] : high[1]]
        if part.size and float(part.min()) < _BORDER:
            found.append(corner)
    return found
