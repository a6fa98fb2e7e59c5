"""One more click on an outline: it moves the edge near it and leaves the rest as it was."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.outline_pieces import chance_of, corrected, log_odds
from slabvision.segment.outline_votes import Settled, grid_of, piece_of_votes
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = [
    "Click",
    "Heard",
    "depth_of",
    "elsewhere_as_before",
    "heard",
    "may_move",
    "only",
    "with_clicks",
]

_NEAR = 2.0
"""How far round a click what is seen is weighed anew (standard deviation), in its depth."""
_ALONG, _ACROSS = 8.0, 1.5
"""What is missed is often a strip: along the edge shown before it is weighed anew farther, as far
off that edge as this; both in the depth of the click."""
_AS_BEFORE = 2.0
"""Log odds that the piece shown before has farther away."""
_PUSH = 5.0
"""Log odds of the click's own word, as far round it as the error was deep."""
_LEAST_CUT_PX = 4
_CUT = 0.6
"""Radius of what is cut off or added where the edge would not move, in the click's depth."""
_VOTE = 4.0
_ROUND_IT, _ROOM = 2.0, 24
"""The edge is looked at round a click so many depths and so many places more."""


class Click(NamedTuple):
    """A click (photo pixels, where nothing else is said) and whether the slab is there."""

    row: float
    col: float
    inside: bool

    @property
    def point(self) -> Floats:
        """Where it is, (row, col)."""
        return np.array([self.row, self.col])


class Heard(NamedTuple):
    """What is known of a shrunk photo after a click.

    Attributes
    ----------
    odds : ndarray of float32, shape (h, w)
        Log odds of wood by what is seen; kept for the next click.
    chance : ndarray of float32, shape (h, w)
        Chance of the slab with the piece shown before, for this click only.
    """

    odds: Floats32
    chance: Floats32


def only(clicks: tuple[Click, ...], *, inside: bool) -> Floats:
    """Return the points of the clicks of one kind, shape (N, 2)."""
    return np.array([c.point for c in clicks if c.inside == inside]).reshape(-1, 2)


def depth_of(settled: Settled, click: Click, shape: tuple[int, int]) -> float:
    """Return how deep on the wrong side of an outline a click lies, photo pixels; 0 if right."""
    row, col, factor = _place(settled, click, shape)
    if bool(settled.piece[row, col]) == click.inside:
        return 0.0
    side = (~settled.piece if click.inside else settled.piece).astype(np.uint8)
    deep = cv2.distanceTransform(np.pad(side, 1), cv2.DIST_L2, 5)[1 + row, 1 + col]
    return float(deep) * factor


def heard(
    odds: Floats32, lab: Floats32, before: Mask, clicks: tuple[Click, ...], depth: float
) -> Heard:
    """Return what is known after the last of some clicks.

    Parameters
    ----------
    odds : ndarray, shape (h, w)
        Log odds of wood known before.
    lab : ndarray, shape (h, w, 3)
        The shrunk photo.
    before : ndarray of bool, shape (h, w)
        The piece shown before.
    clicks : tuple of Click
        In pixels of the shrunk photo.
    depth : float
        How deep the last one lay on the wrong side, in the same.

    Notes
    -----
    A click corrects an error that is about as wide as the click lies deep in it; what is farther
    away was seen and not complained of. There the piece before is believed, here the photo is
    weighed anew: the click speaks for what is like it and connected
    (:func:`slabvision.segment.outline_pieces.corrected`), and never against it.
    """
    near = only(clicks, inside=True), only(clicks, inside=False)
    told = log_odds(corrected(chance_of(odds), lab, *near))
    last, deep = clicks[-1], depth + 1
    told = np.maximum(told, odds) if last.inside else np.minimum(told, odds)
    far2 = np.square(np.arange(odds.shape[0]) - last.row)[:, None]
    far2 = far2 + np.square(np.arange(odds.shape[1]) - last.col)
    rim2 = sum(
        np.square(cv2.distanceTransform(side.astype(np.uint8), cv2.DIST_L2, 5))
        for side in (before, ~before)
    )
    along = far2 / (2 * (_ALONG * deep) ** 2) + rim2 / (2 * (_ACROSS * deep) ** 2)
    here = np.exp(-np.minimum(far2 / (2 * (_NEAR * deep) ** 2), along)).astype(np.float32)
    seen = np.asarray((1 - here) * odds + here * told, np.float32)
    pushed = seen + (1 - here) * np.where(before, _AS_BEFORE, -_AS_BEFORE)
    pushed += (_PUSH if last.inside else -_PUSH) * np.exp(-far2 / (2 * deep**2))
    return Heard(seen, chance_of(pushed))


def elsewhere_as_before(
    before: Settled, after: Settled, click: Click, depth: float, shape: tuple[int, int]
) -> Settled:
    """Return an outline that differs from the one before in the piece that holds the click only.

    Where the edge did not move to the click's other side, a disc is cut off or added.
    """
    row, col, factor = _place(before, click, shape)
    change = before.piece ^ after.piece
    _, pieces = cv2.connectedComponents(change.astype(np.uint8), connectivity=8)
    number = pieces[row, col]
    if not number:
        return _cut(before, click, shape, _CUT * depth / factor)
    here = pieces == number
    round_it = cv2.dilate(here.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return Settled(
        np.where(round_it, after.field, before.field), np.where(here, after.piece, before.piece)
    )


def may_move(
    before: Settled, rough: Mask, click: Click, depth: float, shape: tuple[int, int]
) -> Mask:
    """Return where on the grid the edge may move for a click: round it, and what changed with it.

    Parameters
    ----------
    before : Settled
    rough : ndarray of bool, shape (h, w)
        The rough piece after the click, on the grid.
    click, depth, shape
        As for :func:`elsewhere_as_before`.
    """
    row, col, factor = _place(before, click, shape)
    change = (rough ^ before.piece).astype(np.uint8)
    change = cv2.morphologyEx(change, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    cv2.circle(change, (col, row), round(_ROUND_IT * depth / factor) + _ROOM, 1, -1)
    _, pieces = cv2.connectedComponents(change, connectivity=8)
    wide = np.ones((2 * _ROOM + 1,) * 2, np.uint8)
    return np.asarray(cv2.dilate((pieces == pieces[row, col]).astype(np.uint8), wide) > 0)


def with_clicks(settled: Settled, clicks: tuple[Click, ...], shape: tuple[int, int]) -> Settled:
    """Return an outline with every click on its right side."""
    for click in clicks:
        if depth_of(settled, click, shape) > 0:
            settled = _cut(settled, click, shape, 0.0)
    return settled


def _cut(settled: Settled, click: Click, shape: tuple[int, int], radius: float) -> Settled:
    """Cut a disc off, or add one, and a way to it from the other side of the edge."""
    row, col, _ = _place(settled, click, shape)
    field, vote = settled.field.copy(), _VOTE if click.inside else -_VOTE
    other = settled.piece if click.inside else ~settled.piece
    if other.any():
        spots = np.argwhere(other)
        nearest = spots[np.square(spots - (row, col)).sum(axis=1).argmin()]
        wide = 2 * _LEAST_CUT_PX + 1
        cv2.line(field, (col, row), (int(nearest[1]), int(nearest[0])), vote, wide)
    cv2.circle(field, (col, row), max(round(radius), _LEAST_CUT_PX), vote, -1)
    return Settled(field, piece_of_votes(field, settled.piece))


def _place(settled: Settled, click: Click, shape: tuple[int, int]) -> tuple[int, int, float]:
    """Return a click's place on the grid of votes, and photo pixels per place."""
    _, factor = grid_of(shape)
    at = np.rint((click.point + 0.5) / factor - 0.5)
    row, col = np.clip(at, 0, np.array(settled.piece.shape) - 1).astype(int)
    return int(row), int(col), float(factor.mean())
