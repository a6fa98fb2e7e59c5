"""The ground a region grows on: a small grid round the clicks and what speaks for each point."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.matter import MATTERS, likelihoods
from slabvision.segment.polar import ANGLES, Pyramid
from slabvision.segment.window import Floats, Floats32, Mask, as_unit

__all__ = ["FEATURES", "Ground", "Said", "depth_in", "evidence"]

_HALF_SIDE = 80
"""Half of the grid's side, points."""
_MOST_COUNTED = 5.0
"""Clicks beyond this many change nothing more in how evidence is weighed."""


class Said(NamedTuple):
    """A click on the grid and what it says.

    Attributes
    ----------
    at : (int, int)
        Grid point.
    inside : bool
    depth : float
        How far it lay on the wrong side of the border before it was said, grid points; 0 where
        it only confirms.
    """

    at: tuple[int, int]
    inside: bool
    depth: float


class Ground:
    """Grid of points round the first click, and the look of the wood at each.

    Parameters
    ----------
    pyramid : Pyramid
        The photo round the click.
    shape : tuple
        The photo's.
    middle : ndarray, shape (2,)
        The click (row, col).
    extent : float
        Half the side of the grid, pixels.
    """

    def __init__(
        self, pyramid: Pyramid, shape: tuple[int, ...], middle: Floats, extent: float
    ) -> None:
        self.step = max(1.0, extent / _HALF_SIDE)
        self.half = int(np.ceil(extent / self.step))
        self.middle = middle
        axis = np.arange(-self.half, self.half + 1) * self.step
        off_rows, off_cols = np.meshgrid(axis, axis, indexing="ij")
        rows, cols = middle[0] + off_rows, middle[1] + off_cols
        self.valid: Mask = np.asarray(
            (rows > -0.5) & (cols > -0.5) & (rows < shape[0] - 0.5) & (cols < shape[1] - 0.5)
        )
        self.log_radius = np.log(np.maximum(np.hypot(off_rows, off_cols), 0.5))
        self.angle = np.arctan2(off_rows, off_cols) * (ANGLES / (2 * np.pi)) % ANGLES
        seen = pyramid.sample(rows, cols, self.step)
        lab = np.asarray(cv2.cvtColor(as_unit(seen), cv2.COLOR_RGB2LAB))
        calm, wide = cv2.GaussianBlur(lab, (0, 0), 0.8), cv2.GaussianBlur(lab, (0, 0), 2.5)
        rough = cv2.GaussianBlur(np.square(lab[..., 0] - wide[..., 0]), (0, 0), 2.5)
        self.look: Floats32 = np.dstack([calm, wide, 3 * np.log(rough + 0.5)]).astype(np.float32)
        self.matter = likelihoods(seen)

    def at(self, point: Floats) -> tuple[int, int]:
        """Nearest grid point of a (row, col) in the photo; beyond the grid's rim if it is."""
        row, col = np.rint((point - self.middle) / self.step).astype(int) + self.half
        return int(row), int(col)

    def holds(self, at: tuple[int, int]) -> bool:
        """Whether a grid point is on the grid."""
        return min(at) >= 0 and max(at) <= 2 * self.half

    def taken_over(self, values: Floats32, other: Ground) -> Floats32:
        """Values on another grid round the same click, here; its rim goes on beyond it."""
        axis = (
            np.arange(-self.half, self.half + 1) * (self.step / other.step) + other.half
        ).astype(np.float32)
        x, y = np.meshgrid(axis, axis)
        return np.asarray(
            cv2.remap(values, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        )

    def inwards(self, line: Floats) -> Floats32:
        """How far inside a closed line each point lies, in steps of 15 % of radius; -8 to 8."""
        around = np.append(line, line[0])
        k = self.angle.astype(int) % ANGLES
        share = self.angle - np.floor(self.angle)
        border = around[k] * (1 - share) + around[k + 1] * share
        deep = np.clip((border - self.log_radius) / 0.15, -8, 8)
        return np.asarray(deep, dtype=np.float32)


def depth_in(mask: Mask) -> Floats32:
    """Distance of each True point to the nearest False one, grid points."""
    return np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5))


def _contrast(look: Floats32, fore: Floats32, back: Floats32) -> Floats32:
    """Log likelihood ratio of two normal distributions fitted with the given weights."""
    flat = look.reshape(-1, look.shape[-1])
    fits = []
    for weight in (fore.ravel(), back.ravel()):
        total = float(weight.sum()) + 1e-6
        mean = weight @ flat / total
        off = flat - mean
        fits.append((mean, (off * weight[:, None]).T @ off / total))
    pooled = (fits[0][1] + fits[1][1]) / 2
    answer = []
    for mean, cover in fits:
        whole = 0.5 * cover + 0.5 * pooled + 4.0 * np.eye(len(mean))
        root = np.linalg.cholesky(np.linalg.inv(whole)).astype(np.float32)
        off = (flat - mean) @ root
        answer.append(-0.5 * np.square(off).sum(axis=1) - 0.5 * np.linalg.slogdet(whole)[1])
    ratio = np.clip(answer[0] - answer[1], -8, 8)
    return np.asarray(ratio.reshape(look.shape[:2]), dtype=np.float32)


FEATURES = (
    "inside the first shape", "inside the bent shape", "inside the region so far",
    "corrections near",
    "colour like region", "the same over 1.5 points", "the same over 4", "colour like clicks",
    "lightness off clicks", "colour off clicks", "lightness off ring", "colour off ring",
    "roughness off ring", "matter like clicks", "matter like ring", "matter like clicks, not ring",
    *(f"is {matter}" for matter in MATTERS), *(f"click is {matter}" for matter in MATTERS),
    "near inside click", "near outside click", "contrast", "clicks", "size",
)  # fmt: skip
"""What :func:`evidence` returns, in this order."""


def evidence(
    ground: Ground, shapes: tuple[Floats, Floats], said: list[Said], before: Mask | None
) -> Floats32:
    """Return what speaks for and against each grid point being in the region; shape (n, n, F).

    Parameters
    ----------
    ground : Ground
    shapes : (ndarray, ndarray)
        Log radius per angle: the first ellipse, and as bent by the clicks.
    said : list of Said
        All clicks so far, the first one first.
    before : ndarray of bool or None
        The region before the last click.
    """
    deep0, deep = ground.inwards(shapes[0]), ground.inwards(shapes[1])
    start = (deep > 0 if before is None else before) & ground.valid
    size = max(float(np.sqrt(start.sum() / np.pi)), 2.0)
    outside = depth_in(~start)
    n = start.shape[0]
    yy, xx = np.mgrid[:n, :n].astype(np.float32)
    near = {side: np.full((n, n), 9.0 * size, np.float32) for side in (True, False)}
    discs = {side: np.zeros((n, n), bool) for side in (True, False)}
    push = np.zeros((n, n), np.float32)
    for k, click in enumerate(said):
        away = np.hypot(yy - click.at[0], xx - click.at[1])
        near[click.inside] = np.minimum(near[click.inside], away)
        reach = max(0.7 * click.depth, 1.5) if click.depth > 0 or k else 0.35 * size
        discs[click.inside] |= away <= reach
        if k:
            sign = 1.0 if click.inside else -1.0
            push += sign * np.exp(-0.5 * np.square(away / max(0.8 * click.depth, 1.5)))
    ring = ((outside > 0) & (outside < 1.2 * size + 3) & ground.valid).astype(np.float32)
    ring[discs[False]] = 1.5
    ring[discs[True]] = 0
    if not ring.any():
        ring = np.maximum(ring, (outside == outside.max()).astype(np.float32))
    fore = 0.5 * start.astype(np.float32) + discs[True]
    fore[discs[False]] = 0
    seeds = (discs[True] & ground.valid).astype(np.float32)
    look = ground.look
    like = _contrast(look, fore, ring)
    total_ring = float(ring.sum())
    mean_in = (look * seeds[..., None]).sum(axis=(0, 1)) / max(float(seeds.sum()), 1e-6)
    mean_out = (look * ring[..., None]).sum(axis=(0, 1)) / total_ring
    off_in, off_out = look[..., 3:6] - mean_in[3:6], look[..., 3:6] - mean_out[3:6]
    gap = float(np.sqrt(np.square(mean_in[3:6] - mean_out[3:6]).sum())) / 10
    if before is None:
        signed = deep / 8
    else:
        signed = np.clip(depth_in(start) - outside, -2 * size, 2 * size) / size
    sure = max(float(seeds.sum()), 1e-6)
    matter_in = (ground.matter * seeds[..., None]).sum(axis=(0, 1)) / sure
    matter_out = (ground.matter * ring[..., None]).sum(axis=(0, 1)) / total_ring
    root = np.sqrt(ground.matter)
    like_in = np.log(root @ np.sqrt(matter_in) + 1e-3)
    like_out = np.log(root @ np.sqrt(matter_out) + 1e-3)
    planes = [
        deep0, deep, signed, push,
        like, cv2.GaussianBlur(like, (0, 0), 1.5), cv2.GaussianBlur(like, (0, 0), 4.0),
        _contrast(look, seeds, ring),
        off_in[..., 0] / 10, (np.abs(off_in[..., 1]) + np.abs(off_in[..., 2])) / 5,
        off_out[..., 0] / 10, (np.abs(off_out[..., 1]) + np.abs(off_out[..., 2])) / 5,
        (look[..., 6] - mean_out[6]) / 3,
        like_in, like_out, cv2.GaussianBlur((like_in - like_out).astype(np.float32), (0, 0), 2.0),
        *np.moveaxis(np.log(ground.matter + 1e-3), 2, 0),
        *(np.full((n, n), share) for share in matter_in),
        np.log(near[True] / size + 0.1), np.log(near[False] / size + 0.1),
        np.full((n, n), gap), np.full((n, n), min(float(len(said) - 1), _MOST_COUNTED)),
        np.full((n, n), np.log(size / ground.half)),
    ]  # fmt: skip
    return np.dstack([np.asarray(p, dtype=np.float32) for p in planes])
