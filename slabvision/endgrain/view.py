"""The end as seen straight on: the photo itself, or the photo laid flat with a known plane.

Rings are judged in the flat picture (an oblique view turns circles into ellipses and changes every
angle); directions are carried back to the photo afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2

__all__ = ["PlaneLike", "View", "flat_view"]

Floats = NDArray[np.float64]

MAX_FLAT_PX = 3000
"""Longest side of a picture laid flat; rings too fine for it are too fine for the photo too."""


class PlaneLike(Protocol):
    """What is asked of a plane: pixels to millimetres and back (see ``slabvision.plane``)."""

    def to_mm(self, points: Floats) -> Floats:
        """Return (u, v) in mm, shape (N, 2), of pixels (row, col)."""

    def to_pixels(self, points: Floats) -> Floats:
        """Return pixels (row, col), shape (N, 2), of (u, v) in mm."""

    def to_mm_draws(self, points: Floats) -> Floats:
        """Return (u, v) in mm in each possible world, shape (draws, N, 2)."""


@dataclass(frozen=True)
class View:
    """The flat picture and how its points relate to the photo's.

    Attributes
    ----------
    grey : ndarray of uint8
        Luma of the flat picture.
    mask : ndarray of bool or None
        Wood in the flat picture.
    mm_per_px : float
        Scale of the flat picture; NaN without a plane.
    origin_mm : ndarray, shape (2,)
        (u, v) of the flat picture's pixel (0, 0).
    plane : PlaneLike or None
        The plane, if any; without one the flat picture is a part of the photo.
    corner : ndarray, shape (2,)
        Without a plane: row and column in the photo of the flat picture's pixel (0, 0).
    """

    grey: NDArray[np.uint8]
    mask: NDArray[np.bool_] | None
    mm_per_px: float
    origin_mm: Floats
    plane: PlaneLike | None
    corner: Floats

    def to_flat(self, points: Floats) -> Floats:
        """Return flat (row, col) of the photo's (row, col)."""
        if self.plane is None:
            return np.asarray(points, dtype=np.float64) - self.corner
        uv = np.asarray(self.plane.to_mm(points), dtype=np.float64)
        return (uv - self.origin_mm)[:, ::-1] / self.mm_per_px

    def on_wood(self, points: Floats) -> NDArray[np.bool_]:
        """Return which points (row, col) of the photo show the end's own wood, shape (N,)."""
        if self.mask is None:
            return np.ones(len(points), np.bool_)
        at = np.round(self.to_flat(points)).astype(int)
        inside = ((at >= 0) & (at < self.mask.shape)).all(axis=1)
        at = np.clip(at, 0, np.array(self.mask.shape) - 1)
        return np.asarray(inside & self.mask[at[:, 0], at[:, 1]])

    def to_photo(self, points: Floats) -> Floats:
        """Return the photo's (row, col) of flat (row, col)."""
        if self.plane is None:
            return np.asarray(points, dtype=np.float64) + self.corner
        uv = np.asarray(points, dtype=np.float64)[:, ::-1] * self.mm_per_px + self.origin_mm
        return np.asarray(self.plane.to_pixels(uv), dtype=np.float64)

    def direction_to_photo(self, points: Floats, directions: Floats) -> Floats:
        """Carry unit vectors (row, col) at flat points to the photo, as unit vectors."""
        if self.plane is None:
            return directions
        turned = self.to_photo(points + directions) - self.to_photo(points - directions)
        return np.asarray(turned / np.hypot(turned[:, 0], turned[:, 1])[:, None])


def flat_view(
    grey: NDArray[np.uint8], mask: NDArray[np.bool_] | None, plane: PlaneLike | None
) -> View:
    """Lay the photo flat.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, cols)
        Luma of the photo.
    mask : ndarray of bool, shape (rows, cols), or None
        Wood; the whole photo if not given.
    plane : PlaneLike or None
        The end's plane; ``None`` leaves the photo as it is.
    """
    if plane is None:
        if mask is None:
            return View(grey, None, float("nan"), np.zeros(2), None, np.zeros(2))
        # What lies off the wood costs time and says nothing.
        rows_of, cols_of = (np.flatnonzero(mask.any(axis=axis)) for axis in (1, 0))
        box = np.s_[rows_of[0] : rows_of[-1] + 1, cols_of[0] : cols_of[-1] + 1]
        corner = np.array([rows_of[0], cols_of[0]], dtype=np.float64)
        part = np.ascontiguousarray(grey[box])
        return View(part, np.ascontiguousarray(mask[box]), float("nan"), np.zeros(2), None, corner)
    rows, cols = grey.shape
    if mask is None:
        low, high = np.zeros(2), np.array([rows - 1.0, cols - 1.0])
    else:
        where = np.nonzero(mask)
        low = np.array([where[0].min(), where[1].min()], dtype=np.float64)
        high = np.array([where[0].max(), where[1].max()], dtype=np.float64)
    t = np.linspace(0, 1, 9)
    lattice = np.stack(np.meshgrid(t, t, indexing="ij"), axis=-1).reshape(-1, 2)
    corners = low + lattice * (high - low)
    uv = np.asarray(plane.to_mm(corners), dtype=np.float64)
    sizes = [
        np.linalg.norm(np.asarray(plane.to_mm(corners + one)) - uv, axis=1) for one in np.eye(2)
    ]
    step = np.minimum(sizes[0], sizes[1])
    origin = uv.min(axis=0)
    extent = uv.max(axis=0) - origin
    mm_per_px = float(np.percentile(step, 25))
    mm_per_px = max(mm_per_px, float(extent.max()) / MAX_FLAT_PX)
    size = np.maximum(2, np.ceil(extent / mm_per_px).astype(int) + 1)  # u (cols), v (rows)
    # A plane is smooth: ask it on a lattice and interpolate between.
    nodes = (min(65, int(size[1])), min(65, int(size[0])))
    v = np.linspace(0, size[1] - 1, nodes[0])
    u = np.linspace(0, size[0] - 1, nodes[1])
    at = np.stack(np.meshgrid(v, u, indexing="ij"), axis=-1).reshape(-1, 2)
    px = np.asarray(plane.to_pixels(at[:, ::-1] * mm_per_px + origin)).reshape(*nodes, 2)
    fine_r = ((np.arange(size[1])) / (size[1] - 1) * (nodes[0] - 1)).astype(np.float32)
    fine_c = ((np.arange(size[0])) / (size[0] - 1) * (nodes[1] - 1)).astype(np.float32)
    gx, gy = np.meshgrid(fine_c, fine_r)
    row = cv2.remap(px[..., 0].astype(np.float32), gx, gy, cv2.INTER_LINEAR)
    col = cv2.remap(px[..., 1].astype(np.float32), gx, gy, cv2.INTER_LINEAR)
    flat = cv2.remap(grey, col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    source = np.ones(grey.shape, np.uint8) if mask is None else mask.astype(np.uint8)
    wood = cv2.remap(source, col, row, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)
    return View(flat, wood > 0, mm_per_px, origin, plane, np.zeros(2))
