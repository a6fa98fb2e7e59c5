"""The ground a region lies on: a window of the photo, and the region as a smooth field on it."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.polar import ANGLES, Pyramid
from slabvision.segment.window import Floats, Floats32, Mask, as_unit

__all__ = ["Blob", "Click", "Ground", "Hump", "depth_in", "lift", "signed"]

_MOST_POINTS = 20_000
_FINEST = 0.5
"""Small regions are looked at this finely, pixels."""
_REACH = 1.3
"""How far a correction reaches, in its depths."""
_SHARE = 0.8
"""A click lies this share of the error's depth on the right side afterwards."""
_ROUNDS = 2


class Click(NamedTuple):
    """A click: (row, col) from the first one, what it says, how wrong the border was there."""

    point: Floats
    inside: bool
    depth: float


class Hump(NamedTuple):
    """A smooth rise or fall of a field round a click: (row, col), height and reach in pixels."""

    middle: Floats
    height: float
    reach: float

    def on(self, ground: Ground, field: Floats32) -> Floats32:
        """Return a field with the hump on it."""
        rise = self.height * np.exp(-0.5 * ground.square_from(self.middle) / self.reach**2)
        return np.asarray(field + rise, dtype=np.float32)


def lift(click: Click, value: float) -> Hump | None:
    """Return what puts a field of this value at a click right; None where it is right."""
    depth = max(click.depth, 1.0)
    sign = 1.0 if click.inside else -1.0
    gap = sign * _SHARE * depth - value
    return Hump(click.point, gap, _REACH * depth) if gap * sign > 0 else None


class Blob:
    """A closed border round the first click, dented and bulged by later clicks.

    About the signed distance to the border, pixels, above 0 inside: each click adds a smooth
    hump that lifts the field at the click to what the click says.

    Parameters
    ----------
    border : ndarray, shape (ANGLES,)
        Log radius per direction, pixels.
    clicks : list of Click
    """

    def __init__(self, border: Floats, clicks: list[Click]) -> None:
        angle = np.arange(ANGLES) * (2 * np.pi / ANGLES)
        radius = np.exp(border)
        self.corners = np.column_stack([radius * np.sin(angle), radius * np.cos(angle)])
        self._xy = self.corners[:, None, ::-1].astype(np.float32)
        self.humps: list[Hump] = []
        for _ in range(_ROUNDS):
            for click in clicks:
                hump = lift(click, self.at(click.point))
                if hump is not None:
                    self.humps.append(hump)

    def at(self, point: Floats) -> float:
        """Return the field at one point, (row, col) from the first click."""
        value = cv2.pointPolygonTest(self._xy, (float(point[1]), float(point[0])), True)
        for hump in self.humps:
            off = float(np.square(point - hump.middle).sum())
            value += hump.height * np.exp(-0.5 * off / hump.reach**2)
        return float(value)

    def on(self, ground: Ground) -> Floats32:
        """Return the field on a ground."""
        radius = np.append(np.hypot(*self.corners.T), np.hypot(*self.corners[0]))
        rows, cols = ground.rows[:, None], ground.cols[None]
        angle = np.arctan2(rows, cols) % (2 * np.pi) * (ANGLES / (2 * np.pi))
        border = np.interp(angle, np.arange(ANGLES + 1), radius)
        flat = np.square(rows) + np.square(cols) < np.square(border)
        field = np.asarray(signed(flat) * np.float32(ground.step))
        for hump in self.humps:
            field = hump.on(ground, field)
        return field


def depth_in(mask: Mask) -> Floats32:
    """Distance of each True point to the nearest False one, points."""
    return np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5))


def signed(mask: Mask) -> Floats32:
    """Signed distance to the border of a mask, points; above 0 inside, 0 between two points."""
    if not mask.any() or mask.all():
        return np.full(mask.shape, 9.0 if mask.all() else -9.0, dtype=np.float32)
    return np.asarray(np.where(mask, depth_in(mask) - 0.5, 0.5 - depth_in(~mask)))


class Ground:
    """A window of the photo, shrunk where it is large.

    Parameters
    ----------
    pyramid : Pyramid
        The photo round the first click.
    shape : tuple
        The photo's.
    first : ndarray, shape (2,)
        The first click, (row, col).
    box : tuple of float
        Least and greatest row and col, pixels; cut at the photo's frame.
    """

    def __init__(
        self,
        pyramid: Pyramid,
        shape: tuple[int, ...],
        first: Floats,
        box: tuple[float, float, float, float],
    ) -> None:
        low = np.maximum(np.floor([box[0], box[2]]), 0)
        high = np.minimum(np.ceil([box[1], box[3]]) + 1, shape[:2])
        self.low, self.high = low.astype(int), high.astype(int)
        size = np.maximum(self.high - self.low, 1)
        self.step = max(_FINEST, float(np.sqrt(size.prod() / _MOST_POINTS)))
        rows, cols = (int(v) for v in np.maximum(np.floor((size - 1) / self.step) + 1, 1))
        self.shape = rows, cols
        self.first = first
        self.corner = self.low + ((size - 1) % self.step) / 2
        self.rows = self.corner[0] + self.step * np.arange(rows) - first[0]
        self.cols = self.corner[1] + self.step * np.arange(cols) - first[1]
        there = np.meshgrid(self.rows + first[0], self.cols + first[1], indexing="ij")
        self.seen: NDArray[Any] = pyramid.sample(there[0], there[1], self.step)
        lab = np.asarray(cv2.cvtColor(as_unit(self.seen), cv2.COLOR_RGB2LAB))
        self.light: Floats32 = cv2.GaussianBlur(lab[..., 0], (0, 0), 0.8)

    def at(self, point: Floats) -> tuple[int, int]:
        """Nearest point of the ground to a (row, col) from the first click."""
        row, col = np.rint((point + self.first - self.corner) / self.step).astype(int)
        return int(np.clip(row, 0, self.shape[0] - 1)), int(np.clip(col, 0, self.shape[1] - 1))

    def square_from(self, point: Floats) -> Floats:
        """Squared distance of each point to a (row, col) from the first click, pixels."""
        rows, cols = self.rows - point[0], self.cols - point[1]
        return np.asarray(np.square(rows)[:, None] + np.square(cols))

    def at_pixels(self, field: Floats32) -> Floats32:
        """Return a field at the photo's pixels of the window."""
        rows, cols = (
            (np.arange(a, b) - corner) / self.step
            for a, b, corner in zip(self.low, self.high, self.corner, strict=True)
        )
        x, y = np.meshgrid(cols.astype(np.float32), rows.astype(np.float32))
        return np.asarray(cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
