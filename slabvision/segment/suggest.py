"""Suggest defects over a whole face, surest first; learn from what a person does with them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from slabvision.segment.face_look import SEEN
from slabvision.segment.face_view import View, labels_in_photo, view_of
from slabvision.segment.learner import VisitLearner
from slabvision.segment.network import stored
from slabvision.segment.proposals import Candidate, Candidates, candidates
from slabvision.segment.trees import boosted
from slabvision.segment.window import Floats, Floats32, Mask, as_pixels

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "LEAST_CONFIDENCE",
    "BadOutlineError",
    "Pieces",
    "confidence_of",
    "look_over",
    "piece_under",
    "suggest_defects",
    "surest_apart",
]

LEAST_CONFIDENCE = 0.6
"""What is less sure is not shown: nine in ten shown are right on the faces of suggest_table."""
_END_SHARE = 0.02
"""A check that begins within this share of the face's length from an end is an end check."""
_SHARED = 0.3
"""A piece of which a surer one holds this share is the same thing again."""
_POSSIBLE = 0.02
_KIND = {
    "knot": "sound_knot", "rot": "rot", "bark": "bark_inclusion", "other": "hole",
}  # fmt: skip


class BadOutlineError(ValueError):
    """The outline of a face cannot be used."""


class Pieces(NamedTuple):
    """Pieces of a face that could be defects and do not overlap.

    Attributes
    ----------
    labels : ndarray of int32, shape (h, w)
        Number of the piece at each point of the view, 1 to N; 0 where there is none.
    features : ndarray, shape (N, F)
        What speaks for each; columns are :data:`slabvision.segment.proposals.FEATURES`.
    lines : ndarray of bool, shape (N,)
        Whether it was found as a check.
    """

    labels: NDArray[np.int32]
    features: Floats32
    lines: NDArray[np.bool_]


def suggest_defects(
    pixels: Any,
    outline: ArrayLike,
    learner: VisitLearner | None = None,
    *,
    mm_per_px: float | None = None,
) -> tuple[NDArray[np.uint16], pd.DataFrame]:
    """Return places on a face that look like defects, for a person to accept or reject.

    Proposals, not findings: some are wrong and some defects are missed. A person looks at each,
    and at the rest of the face.

    Parameters
    ----------
    pixels : ndarray, shape (H, W) or (H, W, 3)
        The photo, RGB or grey; uint8, uint16 or floats from 0 to 1.
    outline : array-like of float, shape (N, 2)
        Outline of the sawn face, (row, col); nothing outside it is proposed.
    learner : VisitLearner, optional
        What this visit taught so far.
    mm_per_px : float, optional
        Scale of the photo in the middle of the face, where it is known: defects were learned as
        large as they are on whole slabs, so a short piece photographed from near is shrunk.

    Returns
    -------
    labels : ndarray of uint16, shape (H, W)
        Number of the proposal at each pixel, 0 where there is none.
    table : DataFrame
        ``number``, ``kind`` (a key of :data:`slabvision.defects.KINDS`) and ``confidence`` (0 to
        1), surest first; row k is number k + 1.

    Raises
    ------
    BadPixelsError, BadOutlineError
        The picture or the outline cannot be used.
    ValueError
        The scale is not above 0.

    Notes
    -----
    A small convolutional net looks over the face, turned along the columns and shrunk, and says
    for each place how likely it is wood, a knot, rot, bark, a check or another defect. Places
    that hang together are pieces. Boosted trees say from each piece's size, shape, place, colour
    and surroundings how likely a person would call it a defect. Both learned from rendered faces.
    """
    image = as_pixels(pixels)
    view, pieces = look_over(image, outline, mm_per_px=mm_per_px)
    confidence = confidence_of(pieces, learner)
    order = np.argsort(-confidence, kind="stable")
    order = order[confidence[order] >= LEAST_CONFIDENCE]
    number = np.zeros(len(confidence) + 1, np.uint16)
    number[order + 1] = np.arange(1, order.size + 1)
    labels = labels_in_photo(view, number[pieces.labels], image.shape[:2])
    return labels, _table(view, pieces, order, confidence)


def _table(view: View, pieces: Pieces, order: NDArray[np.intp], confidence: Floats) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame({
        "number": np.arange(1, order.size + 1),
        "kind": [_kind_of(view, pieces, int(k)) for k in order],
        "confidence": confidence[order],
    })  # fmt: skip


def look_over(
    image: NDArray[Any], outline: ArrayLike, *, mm_per_px: float | None = None
) -> tuple[View, Pieces]:
    """Return the shrunken face and the pieces of it that could be defects, likely or not.

    Raises
    ------
    BadOutlineError
        Not an outline, or not one in the photo.
    """
    points = np.asarray(outline, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3:
        raise BadOutlineError(
            f"the outline has shape {points.shape}; at least 3 (row, col) points are needed"
        )
    if not np.isfinite(points).all():
        raise BadOutlineError("the outline has points that are not numbers; outline the face again")
    if mm_per_px is not None and not (np.isfinite(mm_per_px) and mm_per_px > 0):
        raise ValueError(f"mm_per_px is {mm_per_px}; a scale above 0 is needed, or None")
    height, width = image.shape[:2]
    low, high = points.min(axis=0), points.max(axis=0)
    if high[0] < 0 or high[1] < 0 or low[0] > height - 1 or low[1] > width - 1:
        raise BadOutlineError(
            f"the outline (rows {low[0]:.0f} to {high[0]:.0f}, columns {low[1]:.0f} to "
            f"{high[1]:.0f}) lies outside the photo of {height} rows and {width} columns"
        )
    view = view_of(image, points, mm_per_px=mm_per_px)
    found = candidates(view)
    kept = surest_apart(found, _logistic(boosted(found.features, stored("suggest"))))
    labels = np.zeros(view.wood.shape, np.int32)
    for number, k in reversed(list(enumerate(kept, start=1))):
        piece = found.pieces[k]
        labels[piece.window][piece.mask] = number
    lines = np.array([found.pieces[k].line for k in kept], np.bool_)
    return view, Pieces(labels, found.features[kept], lines)


def piece_under(view: View, pieces: Pieces, mask: Mask, corner: tuple[int, int]) -> int:
    """Return the number of the piece that a mask of the photo covers most of, 0 where none.

    Parameters
    ----------
    view, pieces
        As :func:`look_over` returns them.
    mask : ndarray of bool, shape (h, w)
    corner : (int, int)
        Where its first pixel lies in the photo, (row, col).
    """
    spots = np.argwhere(mask)[:, ::-1] + corner[::-1]
    places = np.rint(spots @ view.turn[:, :2].T + view.turn[:, 2]).astype(int)
    places = np.clip(places, 0, np.array(pieces.labels.shape[::-1]) - 1)
    counts = np.bincount(pieces.labels[places[:, 1], places[:, 0]], minlength=1)
    counts[0] = 0
    return int(counts.argmax())


def surest_apart(found: Candidates, confidence: Floats) -> list[int]:
    """Return the pieces that are no weaker copy of a surer one, surest first."""
    kept: list[int] = []
    for k in np.argsort(-confidence, kind="stable"):
        if confidence[k] < _POSSIBLE:
            break
        if not any(_same(found.pieces[k], found.pieces[other]) for other in kept):
            kept.append(int(k))
    return kept


def _same(piece: Candidate, other: Candidate) -> bool:
    low = np.maximum(piece.corner, other.corner)
    high = np.minimum(
        np.add(piece.corner, piece.mask.shape), np.add(other.corner, other.mask.shape)
    )
    if (high <= low).any():
        return False
    parts = []
    for one in (piece, other):
        start, stop = low - one.corner, high - one.corner
        parts.append(one.mask[start[0] : stop[0], start[1] : stop[1]])
    both = np.count_nonzero(parts[0] & parts[1])
    return bool(both > _SHARED * np.count_nonzero(piece.mask))


def _logistic(log_odds: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(log_odds, -30, 30))))


def confidence_of(pieces: Pieces, learner: VisitLearner | None = None) -> Floats:
    """Return how likely a person accepts each piece, 0 to 1."""
    log_odds = boosted(pieces.features, stored("suggest"))
    if learner is not None:
        log_odds = log_odds + learner.shift(pieces.features)
    return _logistic(log_odds)


def _kind_of(view: View, pieces: Pieces, k: int) -> str:
    if pieces.lines[k]:
        cols = np.flatnonzero((pieces.labels == k + 1).any(axis=0))
        length = view.wood.shape[1]
        near = _END_SHARE * length
        at_end = cols[0] < near or cols[-1] > length - near
        return "end_check" if at_end else "surface_check"
    chance = {kind: pieces.features[k, SEEN.index(seen) - 1] for seen, kind in _KIND.items()}
    return max(chance, key=lambda kind: chance[kind])
