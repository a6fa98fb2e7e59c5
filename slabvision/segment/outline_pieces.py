"""From a chance of wood per pixel to one piece with a clean rim; clicks have the last word."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_ways import middle_spots, rim_spots, way_prices, ways_from
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["chance_of", "corrected", "filled", "log_odds", "one_piece", "rim"]

_SURE = 8.0
"""Log odds that a click lends to its surroundings."""
_REACH = 0.3
"""Share of the usual longest way at which a click's word has faded."""
_TRENCH_PX = 5
"""Half the width of a tape or sticker that is bridged, and of a tape's end that is cut off."""


def log_odds(chance: Floats32, least: float = 0.01) -> Floats32:
    """Return log odds, no chance taken for less than ``least`` nor for more than the rest."""
    known = np.clip(chance, least, 1 - least)
    return np.asarray(np.log(known) - np.log1p(-known), np.float32)


def chance_of(odds: Floats32) -> Floats32:
    """Return chances from log odds."""
    return np.asarray(1 / (1 + np.exp(-odds)), np.float32)


def corrected(chance: Floats32, lab: Floats32, inside: Floats, outside: Floats) -> Floats32:
    """Return the chance of wood after clicks: each speaks for what is like it and connected.

    A click's word fades with the geodesic distance from it, so that it fills an even region and
    stops at edges (Bai and Sapiro 2007, "A geodesic framework for fast interactive image
    segmentation", ICCV; Criminisi, Sharp and Blake 2008, "GeoS", ECCV). Where clicks of both
    kinds reach, the nearer one speaks; clicks of one kind are weighed against the rim or the
    middle of the photo.

    Parameters
    ----------
    chance : ndarray, shape (h, w)
    lab : ndarray, shape (h, w, 3)
    inside, outside : ndarray, shape (N, 2)
        Clicks in the coordinates of ``chance``.
    """
    if not len(inside) and not len(outside):
        return chance
    rows, cols = chance.shape
    half = (max(1, cols // 2), max(1, rows // 2))
    prices = way_prices(cv2.resize(lab, half, interpolation=cv2.INTER_AREA), 1.0, 2.0)
    limit = np.array(prices.shape) - 1
    at = [np.clip(np.rint((c + 0.5) / 2 - 0.5), 0, limit) for c in (inside, outside)]
    to_on, to_off = (
        ways_from(prices, points) if len(points) else np.full(prices.shape, np.inf) for points in at
    )
    nearer = np.minimum(to_on, to_off)
    nearer /= float(np.percentile(nearer, 90)) + 1e-6
    if not len(inside):
        to_on = ways_from(prices, middle_spots(prices.shape, np.zeros((0, 2)), at[1]))
    if not len(outside):
        to_off = ways_from(prices, rim_spots(prices.shape))
    share = to_off / (to_on + to_off + 1e-9)
    said = _SURE * np.tanh(4 * (share - 0.5)) * np.exp(-np.square(nearer / _REACH))
    said = cv2.resize(said.astype(np.float32), (cols, rows), interpolation=cv2.INTER_LINEAR)
    return chance_of(log_odds(chance, 1e-3) + said)


def _disc(radius: int) -> NDArray[np.uint8]:
    return np.asarray(
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    )


def _reshaped(mask: Mask) -> Mask:
    """Bridge trenches, then cut thin outgrowths off; nothing changes along the frame."""
    pad = 3 * _TRENCH_PX
    wide = cv2.copyMakeBorder(mask.astype(np.uint8), pad, pad, pad, pad, cv2.BORDER_REPLICATE)
    for how in (cv2.MORPH_CLOSE, cv2.MORPH_OPEN):
        wide = cv2.morphologyEx(wide, how, _disc(_TRENCH_PX))
    return np.asarray(wide[pad:-pad, pad:-pad] > 0)


def filled(mask: Mask) -> Mask:
    """Return a mask without holes: what no way along its neighbours joins to the frame."""
    wide = np.pad(mask.astype(np.uint8), 1)
    cv2.floodFill(wide, None, (0, 0), 2, flags=4)
    return np.asarray(wide[1:-1, 1:-1] != 2)


def one_piece(chance: Floats32, inside: Floats, outside: Floats) -> Mask:
    """Return the slab as one piece without holes: the clicked one, or the largest and most central.

    Pieces that were clicked separately are joined by a bridge.
    """
    rows, cols = chance.shape
    sure = cv2.GaussianBlur(chance, (0, 0), 1.2)
    mask = _reshaped(np.asarray(sure > 0.5))
    where = [np.rint(c).astype(np.intp) for c in (inside, outside)]
    where = [np.clip(w, 0, (rows - 1, cols - 1)) for w in where]
    for points, value in zip(where, (True, False), strict=True):
        dots = np.zeros(mask.shape, np.uint8)
        dots[points[:, 0], points[:, 1]] = 1
        mask[cv2.dilate(dots, _disc(3)) > 0] = value
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    if len(stats) < 2:
        return np.zeros(mask.shape, np.bool_)
    clicked = [int(k) for k in np.unique(labels[where[0][:, 0], where[0][:, 1]]) if k]
    if not clicked:
        y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
        weight = np.exp(-(y**2) - x**2) * chance
        scores = np.bincount(labels.ravel(), weight.ravel())
        scores[0] = 0
        clicked = [int(scores.argmax())]
    out = np.isin(labels, clicked)
    for a, b in pairwise(clicked):
        out |= _bridge(labels == a, labels == b)
    out = filled(out)
    for row, col in where[1]:
        if out[row, col]:  # an outside click in a hole: the hole is opened to the rim
            out[row, col] = False
    return out


def _bridge(one: Mask, other: Mask) -> Mask:
    """Return a strip that joins two pieces where they are nearest, as wide as they face."""
    from scipy.ndimage import distance_transform_edt

    to_one = distance_transform_edt(~one)
    to_other = distance_transform_edt(~other)
    gap = float(to_one[other].min())
    return np.asarray(to_one + to_other <= 1.05 * gap + 3)


def rim(mask: Mask, scale: tuple[float, float], shape: tuple[int, int]) -> Floats:
    """Return the ring round a piece in photo pixels, its points on the frame exactly there.

    Parameters
    ----------
    mask : ndarray of bool
        One piece.
    scale : (float, float)
        Photo pixels per pixel of the mask, down and across.
    shape : (int, int)
        Of the photo.
    """
    # Twice enlarged, so that the ring runs along the pixels' edges and not their centres.
    large = cv2.resize(mask.astype(np.uint8), None, fx=4, fy=4, interpolation=cv2.INTER_NEAREST)
    found, _ = cv2.findContours(large, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = max(found, key=len)[:, 0, ::-1].astype(np.float64)
    at = (ring + 0.5) / 4 * np.array(scale) - 0.5
    limit = np.array(shape, np.float64) - 1
    edge = np.array(scale)
    at = np.where(at < edge * 0.5, 0.0, at)
    return np.asarray(np.where(at > limit - edge * 0.5, limit, at))
