"""Settle a rough outline on the edge of the wood."""

from __future__ import annotations

from typing import Any, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_edge import (
    EDGE_SIDE,
    Ribbon,
    clicks_along,
    edge_look,
    lay_ribbon,
    ribbon_places,
    wood_left,
)
from slabvision.segment.outline_pieces import log_odds
from slabvision.segment.unet import chances, load_unets, scores
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = [
    "Settled",
    "by_frame",
    "edge_chances",
    "grid_of",
    "reaching_frame",
    "ring_of",
    "ring_of_votes",
    "settle",
    "votes",
]

_COARSE = (3.0, 2.0, 1.0, 1.0)
"""How long the steps are in each round; the next ribbon lies along the last one's answer."""
_GRID = 2
"""Steps of a ribbon to a pixel of the picture in which its places vote."""
_CALM = 1.2
"""How far a vote reaches, pixels of that picture (standard deviation)."""
_BY_FRAME = 0.02
"""Share of the photo's longer side that is near the frame."""
_MOST_ODDS = 4.0
_UNSURE, _FIRST_ODDS = 1.0, 5.0
"""Log odds of ground by the first looks: up to here nothing, and at most so much, by the frame."""
_EVERYWHERE = 0.25
"""How much the first looks count beside the ribbon's votes: rings along a rim look like edges."""
_FRAME_SHARE = 0.15
"""Share of the photo's longer side from the frame up to which they count at all."""
_CLICK_PX = 4
_LEAST_ARC = 60
"""Points of a part of a ring that is worth looking at alone."""
_ROUND_IT = 48
"""Stations looked at beyond both ends, so that a ring has none."""


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


def grid_of(shape: tuple[int, int]) -> tuple[tuple[int, int], Floats]:
    """Return the size of the grid that votes lie on, and photo pixels per place of it."""
    pixel = _GRID * max(shape) / EDGE_SIDE
    size = (max(4, round(shape[0] / pixel)), max(4, round(shape[1] / pixel)))
    return size, np.array(shape) / size


def settle(
    image: NDArray[Any],
    shape: tuple[int, int],
    ring: Floats,
    clicks: tuple[Floats, Floats],
    chance: Floats32,
    *,
    bark: str,
    near: Mask | None = None,
) -> Settled:
    """Return the ring moved onto the edge of the wood.

    The photo is straightened along the ring and judged there by the net for the edge; every
    place of that ribbon votes for where it lies in the photo, so that corners, where ribbons
    overlap, stay corners.

    Parameters
    ----------
    image : ndarray
        The photo, shrunk to :data:`EDGE_SIDE` where it is larger.
    shape : (int, int)
        Of the photo itself.
    ring : ndarray, shape (N, 2)
        Rough outline.
    clicks : (inside, outside)
        The edge stays on the right side of them.
    chance : ndarray, shape (h, w)
        Of the wanted wood, as the first looks gave it over the whole photo.
    bark : {"out", "in"}
    near : ndarray of bool, optional
        Where on the grid the edge is looked at; elsewhere the rough outline is believed.
    """
    size, factor = grid_of(shape)
    wanted = [1, 2] if bark == "in" else [1]
    piece = rough = _filled((ring + 0.5) / factor - 0.5, size)
    odds = log_odds(cv2.resize(chance, size[::-1], interpolation=cv2.INTER_LINEAR), 1e-3)
    looks = _EVERYWHERE * np.clip(odds, -_MOST_ODDS, _MOST_ODDS)
    looks -= np.clip(-odds - _UNSURE, 0, _FIRST_ODDS) * by_frame(size)
    field = np.zeros(size, np.float32)
    for coarse in _COARSE:
        factor_of = min(1.0, EDGE_SIDE / coarse / max(image.shape[:2]))
        small = cv2.resize(image, None, fx=factor_of, fy=factor_of, interpolation=cv2.INTER_AREA)
        scale = max(shape) / max(small.shape[:2])
        line = wood_left(ring)
        part = None if near is None else _arc(line, near, factor)
        ribbon = lay_ribbon(
            small, scale, line if part is None else part, closed=part is None, coarse=coarse
        )
        wood = edge_chances(ribbon, *clicks)[..., wanted].sum(axis=2)
        field = reaching_frame(votes(ribbon, wood, piece, factor) + looks, rough)
        for points, value in zip(clicks, (_MOST_ODDS, -_MOST_ODDS), strict=True):
            for row, col in np.rint((points + 0.5) / factor - 0.5).astype(int):
                cv2.circle(field, (int(col), int(row)), _CLICK_PX, value, -1)
        at, piece = ring_of_votes(field, piece)
        ring = (at + 0.5) * factor - 0.5
    return Settled(field, piece)


def _arc(ring: Floats, near: Mask, factor: Floats) -> Floats | None:
    """Return the one part of a ring that lies in a mask; None where it is all, short or several."""
    at = np.rint((ring + 0.5) / factor - 0.5).astype(np.intp)
    at = np.clip(at, 0, np.array(near.shape) - 1)
    within = near[at[:, 0], at[:, 1]]
    starts = np.flatnonzero(within & ~np.roll(within, 1))
    if len(starts) != 1 or np.count_nonzero(within) < _LEAST_ARC:
        return None
    return np.roll(ring, -int(starts[0]), axis=0)[: np.count_nonzero(within)]


def ring_of(settled: Settled, shape: tuple[int, int]) -> Floats:
    """Return the ring of an outline in photo pixels, its points on the frame exactly there."""
    _, factor = grid_of(shape)
    ring = (ring_of_votes(settled.field, settled.piece)[0] + 0.5) * factor - 0.5
    limit = np.array(shape, np.float64) - 1
    ring = np.where(ring < factor, 0.0, ring)
    return np.asarray(np.where(ring > limit - factor, limit, ring))


def by_frame(size: tuple[int, int]) -> Floats32:
    """Return how much the first looks are heard: by the frame a ribbon sees half of what it must.

    There the edge's net cannot tell bare ground from wood that the frame cuts off.
    """
    row, col = (np.arange(n, dtype=np.float32) for n in size)
    deep = np.minimum.outer(np.minimum(row, size[0] - 1 - row), np.minimum(col, size[1] - 1 - col))
    return np.asarray(np.clip(1 - deep / (_FRAME_SHARE * max(size)), 0, 1), np.float32)


def edge_chances(ribbon: Ribbon, inside: Floats, outside: Floats) -> Floats32:
    """Return the chances of ground, face, bark and side in a ribbon, (S, 2 * REACH, 4).

    Clicks are heard by the net that hears them better, see DEVELOPERS.md.
    """
    clicked = len(inside) > 0 or len(outside) > 0
    net = load_unets("outline_unet")["edge_clicked" if clicked else "edge"]
    lab, seen = ribbon.lab, ribbon.seen
    round_it = np.arange(-_ROUND_IT, len(lab) + _ROUND_IT)
    at = round_it % len(lab) if ribbon.closed else np.clip(round_it, 0, len(lab) - 1)
    said = clicks_along(ribbon, inside, outside)[at[::2] // 2]
    score = scores(net, edge_look(lab[at], seen[at], said))
    return chances(score[_ROUND_IT:-_ROUND_IT])


def votes(ribbon: Ribbon, wood: Floats32, piece: Mask, factor: Floats) -> Floats32:
    """Return log odds of wood in a picture, from a ribbon's; beyond it the piece says so.

    Parameters
    ----------
    ribbon : Ribbon
    wood : ndarray, shape (S, K)
        Chance of wood at each place of the ribbon.
    piece : ndarray of bool, shape (h, w)
    factor : ndarray, shape (2,)
        Photo pixels per pixel of the picture.
    """
    known = np.clip(wood, 0.018, 0.982)
    odds = (np.log(known) - np.log1p(-known))[ribbon.seen]
    places = ribbon_places(ribbon.points, ribbon.outward, ribbon.step)[ribbon.seen]
    at = np.rint((places + 0.5) / factor - 0.5).astype(np.intp)
    at = np.clip(at, 0, np.array(piece.shape) - 1)
    flat = at[:, 0] * piece.shape[1] + at[:, 1]
    calm = _CALM * ribbon.step / float(factor.mean()) * _GRID
    sums, counts = (
        cv2.GaussianBlur(
            np.bincount(flat, weight, piece.size).reshape(piece.shape).astype(np.float32),
            (0, 0),
            calm,
        )
        for weight in (odds, None)
    )
    beyond = np.where(piece, _MOST_ODDS, -_MOST_ODDS).astype(np.float32)
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


def ring_of_votes(field: Floats32, before: Mask) -> tuple[Floats, Mask]:
    """Return the ring round the piece where votes are for wood, and the piece itself.

    Of several pieces the one that shares most with the piece before; its holes are filled. Along
    the frame the ring runs half a pixel beyond it.
    """
    from scipy.ndimage import binary_fill_holes
    from skimage.measure import find_contours

    _, labels = cv2.connectedComponents((field > 0).astype(np.uint8), connectivity=4)
    shares = np.bincount(labels[before], minlength=int(labels.max()) + 1)
    shares[0] = 0
    if not shares.any():
        return _ring_of(before), before
    piece = np.asarray(binary_fill_holes(labels == shares.argmax()))
    least = np.float32(1e-3)
    only = np.where(piece, np.maximum(field, least), np.minimum(field, -least))
    padded = np.pad(only, 1, constant_values=-_MOST_ODDS)
    found = cast(Any, find_contours)(padded, 0.0, fully_connected="low")
    return np.asarray(max(found, key=_area)[:-1] - 1), piece


def _area(ring: Floats) -> float:
    row, col = ring[:, 0], ring[:, 1]
    return abs(float(np.sum(col * np.roll(row, -1) - np.roll(col, -1) * row)))


def _ring_of(piece: Mask) -> Floats:
    found, _ = cv2.findContours(piece.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(max(found, key=len)[:, 0, ::-1], np.float64)


def _filled(ring: Floats, shape: tuple[int, int]) -> Mask:
    drawn = np.zeros(shape, np.uint8)
    cv2.fillPoly(drawn, [np.round(ring[:, ::-1] * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    return np.asarray(drawn > 0)
