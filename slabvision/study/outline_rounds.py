"""Rings for pictures to learn the outline from: a log's end, sawn across, rings round its pith.

A face has no closed rings, so a net that has seen faces only takes the first dark ring of an end
for the rim of the wood.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.window import Floats
from slabvision.study.outline_grounds import Picture

__all__ = ["round_ring", "with_rings"]

_TURNS = 360


def round_ring(rng: np.random.Generator, shape: tuple[int, int]) -> Floats:
    """Return the rim of a log's end, (row, col): nearly round, waved, by chance sawn along too.

    Its size is drawn; some reach beyond the frame.
    """
    t = np.linspace(0, 2 * np.pi, _TURNS, endpoint=False)
    radius = np.ones(_TURNS)
    for k in range(2, 20):
        radius += rng.normal(0, 0.1 / k) * np.cos(k * t + rng.uniform(0, 2 * np.pi))
    for _ in range(int(rng.integers(0, 4))):  # hollows between roots, dents, a stub of a branch
        near = (t - rng.uniform(0, 2 * np.pi) + np.pi) % (2 * np.pi) - np.pi
        radius += rng.normal(0, 0.08) * np.exp(-np.square(near / rng.uniform(0.08, 0.4)))
    if rng.uniform() < 0.2:  # sawn along the log as well: straight sides
        for _ in range(int(rng.integers(1, 3))):
            way = np.cos(t - rng.uniform(0, 2 * np.pi))
            radius = np.minimum(radius, rng.uniform(0.3, 0.85) / np.maximum(way, 1e-3))
    size = min(shape) * rng.uniform(0.28, 0.6)
    squash = np.exp(rng.normal(0, 0.1))
    middle = np.array(shape) / 2 + rng.normal(0, 0.07, 2) * shape
    row = middle[0] + size * radius * np.sin(t) * squash
    return np.column_stack([row, middle[1] + size * radius * np.cos(t) / squash])


def with_rings(
    rng: np.random.Generator, wood: Picture, rim: Floats, skin: NDArray[np.bool_]
) -> Picture:
    """Return wood's colours with the rings, the heart, the checks and the ink of a sawn end.

    Parameters
    ----------
    rng : Generator
    wood : ndarray, shape (H, W, 3)
    rim : ndarray, shape (N, 2)
        (row, col).
    skin : ndarray of bool, shape (H, W)
        Where the end is; what lies elsewhere means nothing.
    """
    plain, shape = wood, (wood.shape[0], wood.shape[1])
    middle = rim.mean(axis=0)
    pith = middle + rng.normal(0, 0.12, 2) * np.ptp(rim, axis=0) / 2
    away = rim - pith
    turn = np.arctan2(away[:, 0], away[:, 1])
    order = np.argsort(turn)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    y, x = y - pith[0], x - pith[1]
    angle = np.arctan2(y, x)
    reach = np.interp(angle, turn[order], np.hypot(*away[order].T), period=2 * np.pi)
    share = np.hypot(y, x) / np.maximum(reach, 1.0)
    # Rings bend more and more round the pith: near the rim they run along it.
    share = share + 0.02 * _waves(rng, angle) * share
    count = int(np.exp(rng.uniform(np.log(6), np.log(90))))
    widths = np.exp(rng.normal(0, 0.35, count) + rng.normal(0, 0.8) * np.linspace(0, 1, count))
    ends = np.concatenate([[0.0], np.cumsum(widths) / widths.sum()])
    ring = np.clip(np.searchsorted(ends, share.ravel()).reshape(shape) - 1, 0, count - 1)
    within = np.clip((share - ends[ring]) / np.diff(ends)[ring], 0, 1)
    dark = rng.uniform(0.05, 0.75) * rng.uniform(0.5, 1.0, count)[ring]
    if rng.uniform() < 0.5:  # the first years grew wide and pale
        young = rng.uniform(0.15, 0.6) + 0.03 * _waves(rng, angle)
        faint = 1 / (1 + np.exp(np.clip((share - young) / rng.uniform(0.005, 0.04), -30, 30)))
        dark = dark * (1 - rng.uniform(0.6, 1.0) * faint)
    late = within ** rng.uniform(1.0, 6.0)
    tone = 1 - dark * late
    if rng.uniform() < 0.4:
        wood = wood + (255 - wood) * rng.uniform(0.2, 0.7)
    hues = np.array([*rng.uniform(0.75, 1.1, 2), 1.0])
    out = np.asarray(wood, np.float64) * tone[..., None] ** hues
    if rng.uniform() < 0.5:
        edge = rng.uniform(0.25, 0.85) + 0.05 * _waves(rng, angle)
        heart = 1 / (1 + np.exp(np.clip((share - edge) / rng.uniform(0.01, 0.06), -30, 30)))
        tint = rng.uniform(0.45, 1.05) * np.exp(rng.normal(0, 0.07, 3))
        out = out * (1 - heart[..., None] * (1 - tint))
    if rng.uniform() < 0.3:  # rays, or stain along them
        rays = _waves(rng, angle, range(20, 90)) + 0.5 * _waves(rng, angle)
        where = rays * (share > rng.uniform(0.2, 0.7)) > rng.uniform(0.6, 1.4)
        out = out * np.where(cv2.blur(where.astype(np.float32), (3, 3)) > 0.5,
                             rng.uniform(0.4, 0.95), 1.0)[..., None]  # fmt: skip
    _crack(rng, out, pith, reach.max())
    if rng.uniform() < 0.25:
        at = pith + rng.normal(0, 0.3, 2) * np.ptp(rim, axis=0) / 2
        ink = np.zeros(shape, np.uint8)
        cv2.putText(ink, "".join(rng.choice(list("ABK1357"), 3)), (int(at[1]), int(at[0])),
                    cv2.FONT_HERSHEY_SIMPLEX, rng.uniform(0.4, 1.2), 255, int(rng.integers(1, 4)),
                    cv2.LINE_AA)  # fmt: skip
        out += (ink / 255)[..., None] * (rng.uniform(0, 120, 3) - out)
    return np.where(skin[..., None], out, plain)


def _waves(
    rng: np.random.Generator, angle: NDArray[np.float32], among: range = range(1, 12)
) -> NDArray[np.float64]:
    """Return a smooth random function of direction, spread about 1."""
    out = np.zeros(angle.shape)
    for k in among:
        out += rng.normal(0, 1 / np.sqrt(len(among))) * np.cos(k * angle + rng.uniform(0, 7))
    return out


def _crack(rng: np.random.Generator, out: Picture, pith: Floats, reach: float) -> None:
    """Draw checks from the rim or the pith, in place: dark wedges."""
    for _ in range(int(rng.poisson(2))):
        way = rng.uniform(0, 2 * np.pi)
        near, far = sorted(rng.uniform(0, 1, 2)) if rng.uniform() < 0.6 else (0.0, 1.0)
        wide = rng.exponential(0.012) * reach
        along, across = np.array([np.sin(way), np.cos(way)]), np.array([np.cos(way), -np.sin(way)])
        ends = [pith + along * reach * near, pith + along * reach * far]
        wedge = np.array([ends[0], ends[1] + wide * across, ends[1] - wide * across])
        tone = rng.uniform(0, 70) * np.array([1, 0.9, 0.8])
        cv2.fillPoly(out, [np.rint(wedge[:, ::-1] * 16).astype(np.int32)], tone, cv2.LINE_AA, 4)
        if wide < 1:
            cv2.line(out, *(tuple(int(v) for v in e[::-1]) for e in ends), tone, 1, cv2.LINE_AA)
