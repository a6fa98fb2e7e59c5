"""An outline in votes: the grid they lie on, and the ring round the piece they are for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_edge import EDGE_SIDE, Ribbon, ribbon_places
from slabvision.segment.outline_pieces import filled
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = [
    "MOST_ODDS",
    "Course",
    "Settled",
    "box_round",
    "by_frame",
    "courses_near",
    "drawn",
    "grid_of",
    "piece_of_votes",
    "reaching_frame",
    "ring_of",
    "ring_of_votes",
    "votes",
]

MOST_ODDS = 4.0
"""Log odds of what nobody looks at, and of a click."""
_GRID = 2
"""Steps of a ribbon to a pixel of the picture in which its places vote."""
_CALM = 1.2
"""How far a vote reaches, pixels of that picture (standard deviation)."""
_BY_FRAME = 0.02
"""Share of the photo's longer side that is near the frame."""
_FRAME_SHARE = 0.15
"""Share of the photo's longer side from the frame up to which the first looks are heard more."""
_LEAST_ARC = 60
"""Points of a part of a ring that is worth looking at alone."""
_LEAST_VOTE = np.float32(1e-3)


class Settled(NamedTuple):
    """An outline in votes.

    Attributes
    ----------
    field : ndarray of float32, shape (h, w)
        Votes for wood (log odds) on the grid of :func:`grid_of`.
    piece : ndarray of bool, shape (h, w)
        The slab: one piece of what the votes are for.
    """

    field: Floats32
    piece: Mask


class Course(NamedTuple):
    """A ring round a piece, or a part of it, (N, 2) places of the grid, wood on its left."""

    points: Floats
    closed: bool


def grid_of(shape: tuple[int, int]) -> tuple[tuple[int, int], Floats]:
    """Return the size of the grid that votes lie on, and photo pixels per place of it."""
    pixel = _GRID * max(shape) / EDGE_SIDE
    size = (max(4, round(shape[0] / pixel)), max(4, round(shape[1] / pixel)))
    return size, np.array(shape) / size


def by_frame(size: tuple[int, int]) -> Floats32:
    """Return how much the first looks are heard: by the frame a ribbon sees half of what it must.

    There the edge's net cannot tell bare ground from wood that the frame cuts off.
    """
    row, col = (np.arange(n, dtype=np.float32) for n in size)
    deep = np.minimum.outer(np.minimum(row, size[0] - 1 - row), np.minimum(col, size[1] - 1 - col))
    return np.asarray(np.clip(1 - deep / (_FRAME_SHARE * max(size)), 0, 1), np.float32)


def votes(
    ribbons: Sequence[tuple[Ribbon, Floats32]],
    piece: Mask,
    factor: Floats,
    box: tuple[slice, slice] = np.s_[:, :],
) -> Floats32:
    """Return log odds of wood in a part of the grid, from ribbons; beyond them the piece says so.

    Parameters
    ----------
    ribbons : sequence of (Ribbon, ndarray of shape (S, K))
        Ribbons of one step, and the chance of wood at each of their places.
    piece : ndarray of bool, shape (h, w)
        On the whole grid.
    factor : ndarray, shape (2,)
        Photo pixels per place of the grid.
    box : (slice, slice)
        The part.
    """
    flat, odds = [], []
    last = np.array(piece.shape) - 1
    piece = piece[box]
    corner = [each.start or 0 for each in box]
    for ribbon, wood in ribbons:
        places = ribbon_places(ribbon.points, ribbon.outward, ribbon.step)[ribbon.seen]
        at = np.rint((places + 0.5) / factor - 0.5).astype(np.intp)
        at = np.clip(at, 0, last) - corner
        here = ((at >= 0) & (at < piece.shape)).all(axis=1)
        at = at[here]
        flat.append(at[:, 0] * piece.shape[1] + at[:, 1])
        known = np.clip(wood[ribbon.seen][here], 0.018, 0.982)
        odds.append(np.log(known) - np.log1p(-known))
    where = np.concatenate(flat)
    calm = _CALM * ribbons[0][0].step / float(factor.mean()) * _GRID
    sums, counts = (
        cv2.GaussianBlur(
            np.bincount(where, weight, piece.size).reshape(piece.shape).astype(np.float32),
            (0, 0),
            calm,
        )
        for weight in (np.concatenate(odds), None)
    )
    beyond = np.where(piece, MOST_ODDS, -MOST_ODDS).astype(np.float32)
    weak = np.float32(0.02)
    return np.asarray((sums + weak * beyond) / (counts + weak))


def reaching_frame(field: Floats32, rough: Mask) -> Floats32:
    """Return votes where wood near the frame reaches it wherever the rough piece did.

    Along the frame there is little to see beyond the wood, so that votes are weak there.
    """
    out = field.copy()
    deep = min(round(_BY_FRAME * max(field.shape)), min(field.shape) // 4)
    for turn in range(4):
        strip, reached = np.rot90(out, turn), np.rot90(rough, turn)[0]
        cut = reached & (strip[deep] > 0)
        strip[:deep, cut] = np.maximum(strip[:deep, cut], 1)
    return out


def piece_of_votes(field: Floats32, before: Mask) -> Mask:
    """Return the piece that votes are for, without holes; the one before where there is none.

    Of several pieces the one that shares most with the piece before.
    """
    _, labels = cv2.connectedComponents((field > 0).astype(np.uint8), connectivity=4)
    shares = np.bincount(labels[before], minlength=int(labels.max()) + 1)
    shares[0] = 0
    return filled(labels == shares.argmax()) if shares.any() else before


def ring_of_votes(field: Floats32, piece: Mask) -> Floats:
    """Return the ring round a piece where votes change; half a place beyond the frame."""
    box = box_round(piece, 1)
    return max((course.points for course in _courses(field, piece, box)), key=_area)


def courses_near(field: Floats32, piece: Mask, near: Mask) -> list[Course]:
    """Return the parts of the ring round a piece that lie in a mask; the ring where it all does.

    Parts of less than 60 points are left out.
    """
    if not near.any():
        return []
    box = box_round(near, 1)
    corner = (box[0].start, box[1].start)
    within = near[box]
    found = []
    for points, closed in _courses(field, piece, box):
        at = np.rint(points).astype(np.intp) - corner
        at = np.clip(at, 0, np.array(within.shape) - 1)
        inside = within[at[:, 0], at[:, 1]]
        if closed and inside.all():
            found.append(Course(points, True))
            continue
        if closed:  # begin where it enters
            turn = int(np.argmin(inside))
            points, inside = np.roll(points, -turn, axis=0), np.roll(inside, -turn)
        steps = np.diff(np.concatenate([[0], inside.astype(np.int8), [0]]))
        for start, stop in zip(np.flatnonzero(steps > 0), np.flatnonzero(steps < 0), strict=True):
            if stop - start >= _LEAST_ARC:
                found.append(Course(points[start:stop], False))
    return found


def box_round(mask: Mask, room: int) -> tuple[slice, slice]:
    """Return the part of a grid that holds a mask, which is not empty, and so much round it."""
    spans = []
    for axis in (1, 0):
        at = np.flatnonzero(mask.any(axis=axis))
        spans.append(slice(max(int(at[0]) - room, 0), int(at[-1]) + 1 + room))
    return spans[0], spans[1]


def _courses(field: Floats32, piece: Mask, box: tuple[slice, slice]) -> Iterator[Course]:
    """Yield where votes change round a piece in a part of the grid, wood on the left.

    Beyond the photo's frame is no wood; elsewhere courses end where the part does.
    """
    from skimage.measure import find_contours

    part, least = field[box], _LEAST_VOTE
    part = np.where(piece[box], np.maximum(part, least), np.minimum(part, -least))
    beyond = [
        (int(span.start == 0), int(span.stop >= count))
        for span, count in zip(box, field.shape, strict=True)
    ]
    padded = np.pad(part, beyond, constant_values=-MOST_ODDS)
    corner = [span.start - before for span, (before, _) in zip(box, beyond, strict=True)]
    for line in cast(Any, find_contours)(padded, 0.0, fully_connected="low"):
        closed = bool((line[0] == line[-1]).all())
        yield Course(np.asarray((line[:-1] if closed else line)[::-1] + corner), closed)


def _area(ring: Floats) -> float:
    row, col = ring[:, 0], ring[:, 1]
    return abs(float(np.sum(col * np.roll(row, -1) - np.roll(col, -1) * row)))


def ring_of(settled: Settled, shape: tuple[int, int]) -> Floats:
    """Return the ring of an outline in photo pixels, its points on the frame exactly there."""
    _, factor = grid_of(shape)
    ring = (ring_of_votes(settled.field, settled.piece) + 0.5) * factor - 0.5
    limit = np.array(shape, np.float64) - 1
    ring = np.where(ring < factor, 0.0, ring)
    return np.asarray(np.where(ring > limit - factor, limit, ring))


def drawn(ring: Floats, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return the piece that a ring of places encloses."""
    out = np.zeros(shape, np.uint8)
    cv2.fillPoly(out, [np.round(ring[:, ::-1] * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    return np.asarray(out > 0)
