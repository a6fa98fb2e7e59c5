"""A clear region as a raster that can be turned, for coarse searches before exact ones."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["Raster", "Turned", "longest_runs", "rasterised"]

Floats: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.uint8]

_FINER = 3
"""The base raster is this much finer than the turned ones, so turning loses nothing."""
_HEIGHT_STEP = 1.08


@dataclass(frozen=True, eq=False)
class Turned:
    """The raster seen at an angle: columns along it, rows across.

    Attributes
    ----------
    mask : ndarray of uint8, shape (R, C)
        1 where all of a cell is clear.
    """

    mask: Mask
    angle_deg: float
    origin: Floats
    cell_mm: float

    def to_uv(self, column_row: Floats) -> Floats:
        """Convert (column, row) to face (u, v), mm; cell centres are whole numbers."""
        c, s = math.cos(math.radians(self.angle_deg)), math.sin(math.radians(self.angle_deg))
        x, y = column_row[..., 0] * self.cell_mm, column_row[..., 1] * self.cell_mm
        return np.stack([c * x - s * y, s * x + c * y], axis=-1) + self.origin


@dataclass(frozen=True, eq=False)
class Raster:
    """A base raster, finer than the cells that searches use."""

    base: Mask
    corner: Floats
    fine_mm: float
    cell_mm: float

    def turned(self, angle_deg: float) -> Turned:
        """Return the raster at an angle, with a clear-free border."""
        from slabvision.opencv import cv2

        rows, cols = self.base.shape
        c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
        box = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]]) * self.fine_mm
        x, y = box @ np.array([c, s]), box @ np.array([-s, c])
        x0, y0 = x.min() - self.cell_mm / 2, y.min() - self.cell_mm / 2
        wide = math.ceil((x.max() - x0) / self.cell_mm) + 1
        high = math.ceil((y.max() - y0) / self.cell_mm) + 1
        start = np.array([c * x0 - s * y0, s * x0 + c * y0])  # from the base's corner, mm
        k = self.cell_mm / self.fine_mm
        # destination (x, y) to source (x, y), in base pixels
        matrix = np.array(
            [
                [c * k, -s * k, start[0] / self.fine_mm],
                [s * k, c * k, start[1] / self.fine_mm],
            ]
        )
        mask = cv2.warpAffine(
            self.base,
            matrix,
            (wide, high),
            flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=0,
        )
        mask[:, 0] = mask[:, -1] = 0
        return Turned(mask, angle_deg, self.corner + start, self.cell_mm)


def rasterised(shape: Any, cell_mm: float) -> Raster:
    """Return polygons as a raster of clear (1) and not clear (0)."""
    from slabvision.opencv import cv2

    fine = cell_mm / _FINER
    u0, v0, u1, v1 = shape.bounds
    # never more than 16 million base pixels, whatever the region's size
    fine = max(fine, math.sqrt((u1 - u0) * (v1 - v0) / 16e6))
    corner = np.array([u0 - 2 * fine, v0 - 2 * fine])
    size = (math.ceil((v1 - v0) / fine) + 5, math.ceil((u1 - u0) / fine) + 5)
    base: Mask = np.zeros(size, dtype=np.uint8)
    shift = 6
    for part in shapely.get_parts(shape):
        rings = [part.exterior, *part.interiors]
        for ring, value in zip(rings, [1] + [0] * len(part.interiors), strict=True):
            xy = (shapely.get_coordinates(ring)[:-1] - corner) / fine
            whole = np.round(xy * 2**shift).astype(np.int32)
            cv2.fillPoly(base, [whole], value, shift=shift)
    for ring in shapely.get_parts(shapely.get_rings(shape)):
        xy = (shapely.get_coordinates(ring) - corner) / fine
        cv2.polylines(base, [np.round(xy * 2**shift).astype(np.int32)], True, 0, 1, 8, shift)
    # a cell is clear when all of it is: a check thinner than a cell must not slip between
    base = cv2.erode(base, np.ones((_FINER, _FINER), np.uint8))
    return Raster(base, corner, fine, cell_mm)


def longest_runs(
    mask: Mask, least_rows: float, worth_while: Callable[[int, int], bool]
) -> Iterator[tuple[int, int, int, int]]:
    """Yield for heights 8 % apart the longest clear box, as (rows, columns, row, column).

    Parameters
    ----------
    mask : ndarray of uint8, shape (R, C)
        First and last column not clear.
    least_rows : float
        Lower boxes are not looked for.
    worth_while : callable
        Whether a box of (rows, columns) is still of interest; heights at which even the longest
        run of the height before would not be are passed over.

    Yields
    ------
    tuple of int
        ``row`` and ``column`` are the first cell of the box.
    """
    high, wide = mask.shape
    row = np.arange(1, high + 1, dtype=np.int16)[:, None]
    blocked = np.maximum.accumulate(np.where(mask == 0, row, np.int16(0)), axis=0)
    depth = row - blocked  # clear cells from here upwards
    top = int(depth.max(initial=0))
    height, longest = max(math.ceil(least_rows), 1), wide
    while height <= top:
        if worth_while(height, longest):
            shut = np.flatnonzero(depth < height)
            gaps = np.diff(shut)
            at = int(np.argmax(gaps))
            longest = int(gaps[at]) - 1
            if longest < 1:
                return
            i, j = divmod(int(shut[at]) + 1, wide)
            yield height, longest, i - height + 1, j
        taller = max(height + 1, math.floor(height * _HEIGHT_STEP))
        height = top if height < top < taller else taller
