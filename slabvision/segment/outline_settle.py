"""Settle a rough outline on the edge of the wood."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.outline_edge import (
    MARGIN,
    REACH,
    STATION,
    Ribbon,
    edge_features,
    lay_ribbon,
    wood_left,
)
from slabvision.segment.outline_look import LONG_SIDE
from slabvision.segment.outline_net import load_nets
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["best_course", "settle"]

_PASSES = 2
"""Rounds: the second ribbon lies along the first one's answer."""
_STIFF = 1.5
_HARD = 1e4


def best_course(
    wood: Floats, seen: Mask, *, closed: bool, stiffness: float, barred: Mask | None = None
) -> Floats:
    """Return the offset index of the edge at each station: wood before it, none after.

    Dynamic programming over the ribbon (Amini, Weymouth and Jain 1990, "Using dynamic
    programming for solving variational problems in vision", PAMI 12; boundary editing in a band:
    Li, Sun, Tang and Shum 2004, "Lazy snapping", SIGGRAPH), the cost of an offset being the
    evidence on both of its sides.

    Parameters
    ----------
    wood : ndarray, shape (S, K)
        Chance of wood.
    seen : ndarray of bool, shape (S, K)
        Unseen offsets say nothing.
    closed : bool
        Whether the last station is beside the first.
    stiffness : float
        Cost of a step sideways.
    barred : ndarray of bool, shape (S, K + 1), optional
        Edges (before offset k) that a click forbids.
    """
    chance = np.clip(wood, 0.02, 0.98)
    odds = np.where(seen, np.log(chance) - np.log1p(-chance), 0.0)
    # Cost of an edge before offset k: wood left outside plus ground taken in.
    total = np.concatenate([np.zeros((len(odds), 1)), np.cumsum(-odds, axis=1)], axis=1)
    if barred is not None:
        total[barred] += _HARD
    if closed:
        third = max(1, len(total) // 3)
        long = np.concatenate([total[-third:], total, total[:third]])
        return _course(long, stiffness)[third : third + len(total)] - 0.5
    return _course(total, stiffness) - 0.5


def _course(cost: Floats, stiffness: float) -> Floats:
    count, wide = cost.shape
    moves = np.arange(-3, 4)
    price = stiffness * np.abs(moves) ** 1.5
    came = np.zeros((count, wide), np.int8)
    total = cost[0].copy()
    for s in range(1, count):
        padded = np.pad(total, 3, constant_values=np.inf)
        options = np.lib.stride_tricks.sliding_window_view(padded, 7) + price
        pick = options.argmin(axis=1)
        came[s] = moves[pick]
        total = options[np.arange(wide), pick] + cost[s]
    out = np.empty(count, np.intp)
    out[-1] = int(total.argmin())
    for s in range(count - 1, 0, -1):
        out[s - 1] = out[s] + came[s, out[s]]
    return out.astype(np.float64)


def settle(
    image: NDArray[Any],
    shape: tuple[int, int],
    chance: Floats32,
    ring: Floats,
    clicks: tuple[Floats, Floats],
    *,
    bark: str,
) -> Floats:
    """Return the ring moved onto the edge of the wood, photo pixels; its runs along the frame stay.

    Parameters
    ----------
    image : ndarray
        The photo, shrunk to :data:`EDGE_SIDE` where it is larger.
    shape : (int, int)
        Of the photo itself.
    chance : ndarray, shape (h, w)
        The first look's answer.
    ring : ndarray, shape (N, 2)
        Rough outline; points on the frame lie exactly on it.
    clicks : (inside, outside)
        The edge stays on the right side of them.
    bark : {"out", "in"}
    """
    scale = max(shape) / max(image.shape[:2])
    ring = wood_left(ring)
    limit = np.array(shape, np.float64) - 1
    framed = ((ring <= 0) | (ring >= limit)).any(axis=1)
    if not framed.any():
        for _ in range(_PASSES):
            ring = _settled(image, scale, chance, ring, clicks, closed=True, bark=bark)
        return ring
    first = int(np.flatnonzero(framed)[0])
    ring, framed = np.roll(ring, -first, axis=0), np.roll(framed, -first)
    parts, at = [], 0
    while at < len(ring):
        end = at
        while end < len(ring) and framed[end] == framed[at]:
            end += 1
        if framed[at]:
            parts.append(ring[at:end])
        else:
            run = ring[at:end]
            if _length(run) > 12 * STATION * scale:
                for _ in range(_PASSES):
                    run = _settled(image, scale, chance, run, clicks, closed=False, bark=bark)
                run = _beyond(run, limit, 4 * max(shape) / LONG_SIDE)
            parts.append(run)
        at = end
    return np.concatenate(parts)


def _length(line: Floats) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum()) if len(line) > 1 else 0.0


def _beyond(run: Floats, limit: Floats, near: float) -> Floats:
    """Draw the ends of a run straight out over the frame that they came from."""
    out = run
    for last in (False, True):
        line = out[::-1] if last else out
        end = line[0]
        gaps = np.array([end[0], end[1], limit[0] - end[0], limit[1] - end[1]])
        side = int(gaps.argmin())
        if 0 < gaps[side] < near:
            back = line[min(len(line) - 1, 20)]
            way = end - back
            way /= max(float(np.hypot(*way)), 1e-9)
            out_of = np.array([(-1, 0), (0, -1), (1, 0), (0, 1)][side], float)
            if way @ out_of < 0.3:
                way = out_of
            extra = (end + way * (gaps[side] + 1) / float(way @ out_of))[None]
            out = np.concatenate([out, extra]) if last else np.concatenate([extra, out])
    return out


def _settled(
    image: NDArray[Any],
    scale: float,
    chance: Floats32,
    rough: Floats,
    clicks: tuple[Floats, Floats],
    *,
    closed: bool,
    bark: str,
) -> Floats:
    ribbon = lay_ribbon(image, scale, chance, rough, closed=closed)
    look = edge_features(ribbon)
    stations, wide, _ = look.shape
    chances = load_nets()["edge"].chances(look.reshape(stations * wide, -1))
    wanted = [1, 2] if bark == "in" else [1]
    wood = chances[:, wanted].sum(axis=1).reshape(stations, wide).astype(np.float64)
    seen = ribbon.seen[:, MARGIN:-MARGIN]
    barred = _barred(ribbon, clicks, wide)
    course = best_course(wood, seen, closed=closed, stiffness=_STIFF, barred=barred)
    off = (course - REACH) * ribbon.step
    return np.asarray(ribbon.points + off[:, None] * ribbon.outward)


def _barred(ribbon: Ribbon, clicks: tuple[Floats, Floats], wide: int) -> Mask:
    """Return which edges would leave a click on its wrong side."""
    out = np.zeros((len(ribbon.points), wide + 1), np.bool_)
    before = np.arange(wide + 1)
    for points, inside in zip(clicks, (True, False), strict=True):
        for click in points:
            apart = click - ribbon.points
            nearest = int(np.hypot(*apart.T).argmin())
            off = float(apart[nearest] @ ribbon.outward[nearest]) / ribbon.step + REACH
            if not 1 <= off <= wide - 1:
                continue
            here = (nearest + np.arange(-2, 3)) % len(out)
            out[here] |= before <= off + 1.5 if inside else before >= off - 0.5
    return out
