"""From the chance of each place to the region shown: the best overlap, every click right."""

from __future__ import annotations

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.grow_look import Said
from slabvision.segment.window import Floats32, Mask

__all__ = ["best_cut", "field_of", "logit"]

_CUTS = np.array([0.35, 0.4, 0.45, 0.5, 0.55, 0.6])
_HEIGHT = 1.0
_LEAST = 0.1
_REACH = 0.6
"""A click that is still wrong moves the border this share of its depth round it."""


def logit(chance: Floats32) -> Floats32:
    """Return log odds, within what a net can know."""
    p = np.clip(chance, 1e-4, 1 - 1e-4)
    return np.asarray(np.log(p / (1 - p)), dtype=np.float32)


def _overlap(chance: Floats32, cut: float) -> float:
    """Return the overlap (intersection over union) to be expected, places taken as independent."""
    inside = chance > cut
    both, total = float(chance[inside].sum()), float(chance.sum())
    return both / max(np.count_nonzero(inside) + total - both, 1e-6)


def best_cut(chance: Floats32) -> tuple[float, float]:
    """Return from which chance on a place counts as inside, and the overlap to be expected."""
    overlaps = [_overlap(chance, cut) for cut in _CUTS]
    best = int(np.argmax(overlaps))
    return float(_CUTS[best]), overlaps[best]


def field_of(chance: Floats32, cut: float, said: list[Said]) -> Floats32:
    """Return a field above 0 in the region: all pieces with a click inside, every click right."""
    field = logit(chance) - np.float32(np.log(cut / (1 - cut)))
    rows, cols = (np.arange(n) for n in field.shape)
    for _ in range(2):
        for click in said:
            row, col = np.rint(click.point).astype(int)
            if not (0 <= row < len(rows) and 0 <= col < len(cols)):
                continue
            sign = 1.0 if click.inside else -1.0
            gap = _HEIGHT * sign - float(field[row, col])
            if gap * sign > 0:
                apart = np.square(rows - row)[:, None] + np.square(cols - col)[None]
                reach = max(_REACH * click.depth, 1.0)
                field += np.float32(gap) * np.exp(-apart / (2 * reach**2)).astype(np.float32)
    for click in said:
        # Clicks so near each other that both fall on one place: the region stays.
        row, col = np.rint(click.point).astype(int)
        if click.inside and 0 <= row < len(rows) and 0 <= col < len(cols):
            field[row, col] = max(field[row, col], _LEAST)
    pieces = _pieces(field > 0, said)
    return np.where((field > 0) & ~pieces, -np.abs(field) - np.float32(0.1), field)


def _pieces(region: Mask, said: list[Said]) -> Mask:
    """Return the pieces of a region that hold a click inside."""
    _, labels = cv2.connectedComponents(region.astype(np.uint8), connectivity=8)
    keep = set()
    for click in said:
        row, col = np.rint(click.point).astype(int)
        if click.inside and 0 <= row < region.shape[0] and 0 <= col < region.shape[1]:
            keep.add(int(labels[row, col]))
    return np.asarray(np.isin(labels, list(keep - {0})))
