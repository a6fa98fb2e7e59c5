"""What a finished face says of every piece on it: painted as a defect, or left as wood."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.face_view import View
from slabvision.segment.proposals import Candidate
from slabvision.segment.suggest import Pieces
from slabvision.segment.window import Mask

__all__ = ["LEAST_OVERLAP", "agreeing", "close_to", "face_verdicts"]

_NEAR_PX = 3
"""Of the view: a line so near a painted check is that check."""
LEAST_OVERLAP = 0.3
"""Of a piece and the defect that it is (intersection over union)."""
_LEAST_SHARE = 0.5
"""Of a line that lies near painted checks."""


def close_to(mask: Mask) -> Mask:
    """Return a mask of the view and what lies within 3 px of it."""
    size = (2 * _NEAR_PX + 1,) * 2
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones(size, np.uint8)) > 0)


def agreeing(pieces: Sequence[Candidate], numbers: NDArray[Any], checks: Mask) -> Mask:
    """Return for each piece whether it is what was painted.

    Parameters
    ----------
    pieces : sequence of Candidate
    numbers : ndarray of int, shape (h, w)
        Number of the painted defect at each place of the view, checks left out; 0 where none is.
    checks : ndarray of bool, shape (h, w)
        Where checks are painted.

    Returns
    -------
    ndarray of bool, shape (N,)
        True for a line of which half lies within 3 px of checks, and for any other piece that
        overlaps one defect by 30 % (intersection over union).
    """
    near = close_to(checks)
    sizes = np.bincount(numbers.ravel())
    answer = np.zeros(len(pieces), np.bool_)
    for k, piece in enumerate(pieces):
        if piece.line:
            answer[k] = near[piece.window][piece.mask].mean() > _LEAST_SHARE
            continue
        both = np.bincount(numbers[piece.window][piece.mask], minlength=len(sizes))
        either = sizes + np.count_nonzero(piece.mask) - both
        overlaps = both[1:] / np.maximum(either[1:], 1)
        answer[k] = overlaps.max(initial=0) >= LEAST_OVERLAP
    return answer


def face_verdicts(view: View, pieces: Pieces, labels: NDArray[Any], lines: Collection[int]) -> Mask:
    """Return whether a person painted each piece of a face, shown or not.

    Parameters
    ----------
    view, pieces
        As :func:`slabvision.segment.suggest.look_over` returns them.
    labels : ndarray of int, shape (H, W)
        Number of the painted defect at each pixel of the photo, 0 where none is.
    lines : collection of int
        Numbers of those that are checks, or as thin and long.

    Returns
    -------
    ndarray of bool, shape (N,)
        One verdict a piece, in the order of ``pieces.features``.
    """
    from scipy.ndimage import find_objects

    spots = np.argwhere(labels)
    places = spots[:, ::-1] @ view.turn[:, :2].T + view.turn[:, 2]
    at = np.rint(places[:, ::-1]).astype(np.intp)
    within = ((at >= 0) & (at < view.wood.shape)).all(axis=1)
    (rows, cols), painted = at[within].T, labels[tuple(spots[within].T)]
    thin = np.isin(painted, list(lines))
    numbers, checks = np.zeros(view.wood.shape, np.intp), np.zeros(view.wood.shape, np.bool_)
    numbers[rows[~thin], cols[~thin]] = painted[~thin]
    checks[rows[thin], cols[thin]] = True
    found = []
    windows = find_objects(pieces.labels, max_label=len(pieces.lines))
    for k, (window, line) in enumerate(zip(windows, pieces.lines, strict=True), start=1):
        if window is None:  # wholly under surer ones
            found.append(Candidate(np.zeros((1, 1), np.bool_), (0, 0), False))
            continue
        corner = (window[0].start, window[1].start)
        found.append(Candidate(pieces.labels[window] == k, corner, bool(line)))
    return agreeing(found, numbers, checks)
