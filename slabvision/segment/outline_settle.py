"""Settle a rough outline on the edge of the wood."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_cells import WANTED, Bark
from slabvision.segment.outline_edge import (
    EDGE_SIDE,
    Ribbon,
    clicks_along,
    edge_look,
    lay_ribbon,
    wood_left,
)
from slabvision.segment.outline_pieces import log_odds
from slabvision.segment.outline_votes import (
    MOST_ODDS,
    Course,
    Settled,
    box_round,
    by_frame,
    courses_near,
    drawn,
    grid_of,
    piece_of_votes,
    reaching_frame,
    ring_of_votes,
    votes,
)
from slabvision.segment.unet import chances, load_unets, scores
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["Looked", "edge_chances", "pictures_of", "settle", "settle_near"]

_COARSE = (3.0, 2.0, 1.0, 1.0)
"""How long the steps are in each round; the next ribbon lies along the last one's answer."""
_UNSURE, _FIRST_ODDS = 1.0, 5.0
"""Log odds of ground by the first looks: up to here nothing, and at most so much, by the frame."""
_EVERYWHERE = 0.25
"""How much the first looks count beside the ribbon's votes: rings along a rim look like edges."""
_CLICK_PX = 4
_ROUND_IT = 48
"""Stations looked at beyond both ends, so that a ring has none."""
_ROOM = 32
"""Places of the grid round those where the edge may move, that are voted on as well."""


class Looked(NamedTuple):
    """What an edge is settled by.

    Attributes
    ----------
    pictures : mapping of float to ndarray
        The photo in several sizes, see :func:`pictures_of`.
    shape : (int, int)
        Of the photo itself.
    clicks : (inside, outside)
        Photo pixels; the edge stays on the right side of them.
    chance : ndarray, shape (h, w)
        Of the wanted wood, as the first looks gave it over the whole photo.
    bark : {"out", "in"}
    """

    pictures: Mapping[float, NDArray[Any]]
    shape: tuple[int, int]
    clicks: tuple[Floats, Floats]
    chance: Floats32
    bark: Bark


def pictures_of(image: NDArray[Any]) -> dict[float, NDArray[Any]]:
    """Return a photo in the sizes that rounds look at, by how long their steps are."""
    pictures: dict[float, NDArray[Any]] = {}
    for coarse in sorted(set(_COARSE)):
        scale = min(1.0, EDGE_SIDE / coarse / max(image.shape[:2]))
        pictures[coarse] = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return pictures


def settle(looked: Looked, ring: Floats) -> Settled:
    """Return a rough outline moved onto the edge of the wood.

    The photo is straightened along the ring and judged there by the net for the edge; every
    place of that ribbon votes for where it lies in the photo, so that corners, where ribbons
    overlap, stay corners.

    Parameters
    ----------
    looked : Looked
    ring : ndarray, shape (N, 2)
        Rough outline, photo pixels.
    """
    size, factor = grid_of(looked.shape)
    looks = _looks(looked)
    ring = wood_left((ring + 0.5) / factor - 0.5)
    piece = rough = drawn(ring, size)
    field = np.zeros(size, np.float32)
    for k, coarse in enumerate(_COARSE):
        if k:
            ring = ring_of_votes(field, piece)
        ribbons = [_voted(looked, Course(ring, True), coarse)]
        field = reaching_frame(votes(ribbons, piece, factor) + looks, rough)
        _hear(field, looked)
        piece = piece_of_votes(field, piece)
    return Settled(field, piece)


def settle_near(looked: Looked, before: Settled, rough: Mask, near: Mask) -> Settled:
    """Return an outline that is settled anew where it may move, and elsewhere as it was.

    Parameters
    ----------
    looked : Looked
    before : Settled
    rough : ndarray of bool, shape (h, w)
        Rough piece on the grid.
    near : ndarray of bool, shape (h, w)
        Where on the grid the edge may move.
    """
    _, factor = grid_of(looked.shape)
    box = box_round(near, _ROOM)
    looks = _looks(looked, box)
    piece = reached = np.where(near, rough, before.piece)
    field = np.where(near, np.where(rough, MOST_ODDS, -MOST_ODDS), before.field)
    for coarse in _COARSE:
        courses = courses_near(field, piece, near)
        if not courses:
            break
        ribbons = [_voted(looked, course, coarse) for course in courses]
        now = votes(ribbons, piece, factor, box) + looks
        field[box][near[box]] = now[near[box]]
        field = reaching_frame(field, reached)
        _hear(field, looked)
        piece = piece_of_votes(field, piece)
    return Settled(field, piece)


def _looks(looked: Looked, box: tuple[slice, slice] = np.s_[:, :]) -> Floats32:
    """Return what the first looks say in a part of the grid, where and as much as they count."""
    size, _ = grid_of(looked.shape)
    chance = cv2.resize(looked.chance, size[::-1], interpolation=cv2.INTER_LINEAR)[box]
    odds = log_odds(chance, 1e-3)
    looks = _EVERYWHERE * np.clip(odds, -MOST_ODDS, MOST_ODDS)
    looks -= np.clip(-odds - _UNSURE, 0, _FIRST_ODDS) * by_frame(size)[box]
    return np.asarray(looks)


def _voted(looked: Looked, course: Course, coarse: float) -> tuple[Ribbon, Floats32]:
    """Return the photo straightened along a course, and the chance of wanted wood there."""
    picture = looked.pictures[coarse]
    _, factor = grid_of(looked.shape)
    scale = max(looked.shape) / max(picture.shape[:2])
    line = (course.points + 0.5) * factor - 0.5
    ribbon = lay_ribbon(picture, scale, line, closed=course.closed, coarse=coarse)
    return ribbon, edge_chances(ribbon, *looked.clicks)[..., WANTED[looked.bark]].sum(axis=2)


def _hear(field: Floats32, looked: Looked) -> None:
    """Let votes say what clicks say, where they lie."""
    _, factor = grid_of(looked.shape)
    for points, value in zip(looked.clicks, (MOST_ODDS, -MOST_ODDS), strict=True):
        for row, col in np.rint((points + 0.5) / factor - 0.5).astype(int):
            cv2.circle(field, (int(col), int(row)), _CLICK_PX, value, -1)


def edge_chances(ribbon: Ribbon, inside: Floats, outside: Floats) -> Floats32:
    """Return the chances of ground, face, bark and side in a ribbon, (S, 2 * REACH, 4)."""
    net = load_unets("outline_unet")["edge"]
    lab, seen = ribbon.lab, ribbon.seen
    round_it = np.arange(-_ROUND_IT, len(lab) + _ROUND_IT)
    at = round_it % len(lab) if ribbon.closed else np.clip(round_it, 0, len(lab) - 1)
    said = clicks_along(ribbon, inside, outside)[at[::2] // 2]
    score = scores(net, edge_look(lab[at], seen[at], said))
    return chances(score[_ROUND_IT:-_ROUND_IT])
