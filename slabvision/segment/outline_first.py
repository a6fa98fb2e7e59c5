"""The first looks for a slab: the chance of wood all over the shrunk photo, and one piece of it."""

from __future__ import annotations

from itertools import product
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_cells import CELLS_SIDE, PIXELS, WANTED, Bark, cells_of, mirrored
from slabvision.segment.outline_look import Small, around, colour_bins, look_of, shrink
from slabvision.segment.outline_net import load_nets
from slabvision.segment.outline_pieces import chance_of, corrected, log_odds, one_piece
from slabvision.segment.outline_star import star_piece
from slabvision.segment.unet import CELL, chances, load_unets, scores
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["LEAST_SHARE", "Shrunk", "shrunk", "slab_chance", "slab_piece"]

LEAST_SHARE = 0.004
"""A piece under this share of the photo is no slab."""
_MOST_ODDS = 1.5
_LOOK_SIDE = 300
"""Pixels on the longer side of the photo shrunk for the perceptrons, which need most time."""
_SHARES = 0.2, 0.8
"""Of the perceptrons' word and of the convolutional net's."""
_SURER = 1.43
"""Log odds are so many times their mean: more than a mean, less than a sum of both looks."""
_CLICK_ODDS = 60.0
"""Log odds that one pixel may say, and that a clicked one says."""


class Shrunk(NamedTuple):
    """A photo in the three sizes that a slab is looked for in.

    Attributes
    ----------
    piece : Small
        The size of the answer.
    look, cells : Small
        For the perceptrons and for the convolutional net.
    """

    piece: Small
    look: Small
    cells: Small


def shrunk(image: NDArray[Any]) -> Shrunk:
    """Return a photo in the sizes that a slab is looked for in."""
    return Shrunk(shrink(image), shrink(image, _LOOK_SIDE), shrink(image, CELLS_SIDE))


def slab_chance(small: Shrunk, inside: Floats, outside: Floats, bark: Bark) -> Floats32:
    """Return the chance of the wanted wood for every pixel of the shrunk photo.

    Parameters
    ----------
    small : Shrunk
    inside, outside : ndarray, shape (N, 2)
        Clicks in the coordinates of ``small.piece``.
    bark : {"out", "in"}
    """
    wanted = WANTED[bark]
    rows, cols = small.piece.lab.shape[:2]
    odds = np.zeros((rows, cols), np.float32)
    for share, seen, look in zip(
        _SHARES, (small.look, small.cells), (_by_look, _by_cells), strict=True
    ):
        factor = np.array([rows, cols]) / seen.lab.shape[:2]
        near = [(c + 0.5) / factor - 0.5 for c in (inside, outside)]
        chance = cv2.resize(
            look(seen, near[0], near[1], wanted), (cols, rows), interpolation=cv2.INTER_LINEAR
        )
        # Each knows what the other misses: a mean of log odds, as sure as both are apart.
        odds += np.float32(_SURER * share) * log_odds(chance)
    return corrected(chance_of(odds), small.piece.lab, inside, outside)


def _by_look(small: Small, inside: Floats, outside: Floats, wanted: list[int]) -> Floats32:
    """Return the chance that the perceptrons give, each pixel by its own features."""
    nets = load_nets()
    bins = colour_bins(small)
    look = look_of(small, bins, inside, outside)
    rows, cols, _ = look.shape
    first = nets["first"].chances(look.reshape(rows * cols, -1)).reshape(rows, cols, -1)
    wood = corrected(first[..., 1] + first[..., 2], small.lab, inside, outside)
    both = np.concatenate([look, first, around(wood, small, bins)], axis=2)
    second = nets["second"].chances(both.reshape(rows * cols, -1)).reshape(rows, cols, -1)
    # Both answers count alike: the second sees further, the first was learned more firmly.
    return np.asarray(0.5 * (first[..., wanted] + second[..., wanted]).sum(axis=2), np.float32)


def _by_cells(small: Small, inside: Floats, outside: Floats, wanted: list[int]) -> Floats32:
    """Return the chance that a convolutional net gives, mean of the photo and its mirrors.

    Clicks are heard by the net that hears them better, see DEVELOPERS.md.
    """
    clicked = len(inside) > 0 or len(outside) > 0
    net = load_unets("outline_unet")["clicked" if clicked else "first"]
    cells = cells_of(small, inside, outside)
    looks = []
    for down, over in product((False, True), repeat=2):
        score = scores(net, mirrored(cells, down=down, over=over))
        looks.append(score[:: -1 if down else 1, :: -1 if over else 1])
    mean = np.asarray(np.mean(looks, axis=0), np.float32)
    size = (mean.shape[1] * PIXELS // CELL, mean.shape[0] * PIXELS // CELL)
    rows, cols = small.lab.shape[:2]
    score = cv2.resize(mean, size, interpolation=cv2.INTER_LINEAR)[:rows, :cols]
    return np.asarray(chances(score)[..., wanted].sum(axis=2))


def slab_piece(chance: Floats32, lab: Floats32, inside: Floats, outside: Floats) -> Mask:
    """Return the slab in the shrunk photo as one piece; every click is on its right side."""
    rough = one_piece(chance, inside, outside)
    if rough.mean() < LEAST_SHARE:
        return rough
    odds = np.clip(log_odds(chance), -_MOST_ODDS, _MOST_ODDS)
    limit = np.array(chance.shape) - 1
    at = [np.clip(np.rint(c), 0, limit).astype(np.intp) for c in (inside, outside)]
    for points, value in zip(at, (_CLICK_ODDS, -_CLICK_ODDS), strict=True):
        for row, col in points:
            cv2.circle(odds, (int(col), int(row)), 3, value, -1)
    piece = star_piece(odds, lab, rough)
    fits = piece[at[0][:, 0], at[0][:, 1]].all() and not piece[at[1][:, 0], at[1][:, 1]].any()
    return piece if fits else rough
