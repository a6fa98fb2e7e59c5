"""Outlines as masks and back, and what is wrong with one: no window."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.record import Outline

__all__ = ["crossing_words", "few_corners", "filled", "mask_of", "on_frame", "outline_of_mask"]


def filled(points: Any, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return which pixels' centres lie inside a polygon (even-odd), quick for whole photos.

    Parameters
    ----------
    points : array-like (N, 2)
        Corners (row, col), not repeated at the end.
    shape : (rows, cols)

    Examples
    --------
    >>> filled([(-0.5, -0.5), (-0.5, 1.5), (0.5, 1.5), (0.5, -0.5)], (2, 3)).tolist()
    [[True, True, False], [False, False, False]]
    """
    ring = np.asarray(points, float).reshape(-1, 2)
    out = np.zeros((shape[0], shape[1] + 1), np.uint8)
    for (row_a, col_a), (row_b, col_b) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        if row_a == row_b:
            continue
        low, high = sorted((row_a, row_b))
        rows = np.arange(max(0, int(np.ceil(low))), min(shape[0], int(np.ceil(high))))
        cols = col_a + (rows - row_a) * (col_b - col_a) / (row_b - row_a)
        first = np.clip(np.ceil(cols), 0, shape[1]).astype(int)
        out[rows, first] ^= 1  # inside begins or ends here; one edge crosses a row once
    np.bitwise_xor.accumulate(out, axis=1, out=out)
    return out[:, :-1].view(np.bool_)


def mask_of(outline: Outline | None, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return the inside of an outline as a mask of the photo."""
    if outline is None:
        return np.zeros(shape, np.bool_)
    return filled(outline.points, shape)


def outline_of_mask(
    mask: NDArray[np.bool_], tolerance_px: float = 1.0
) -> NDArray[np.float64] | None:
    """Return the outline of the largest painted piece, its holes filled, (N, 2).

    Corners that leave the edge by less than ``tolerance_px`` are left out.
    """
    import shapely

    from slabvision.contours import mask_polygons

    pieces = shapely.get_parts(mask_polygons(mask, (0, 0)))
    if not len(pieces):
        return None
    largest = max(pieces, key=lambda piece: shapely.Polygon(piece.exterior).area)
    ring = shapely.simplify(shapely.Polygon(largest.exterior), tolerance_px)
    return np.asarray(ring.exterior.coords)[:-1]


def few_corners(points: Any, tolerance_px: float = 0.5) -> NDArray[np.float64]:
    """Return an outline with the corners left out that move it by less than ``tolerance_px``.

    Fewer corners can be dragged by hand, and are shown sooner.
    """
    import shapely

    ring = shapely.simplify(shapely.Polygon(np.asarray(points, float)), tolerance_px)
    if ring.geom_type != "Polygon" or ring.is_empty:
        return np.asarray(points, float)
    return np.asarray(ring.exterior.coords)[:-1]


def on_frame(points: Sequence[tuple[float, float]], shape: tuple[int, int]) -> bool:
    """Whether an outline runs along the photo's frame: two points or more lie on it."""
    at = np.array(points)
    limit = np.array(shape) - 1
    return int(((at <= 2) | (at >= limit - 2)).any(axis=1).sum()) >= 2


def crossing_words(outline: Outline) -> str:
    """Say where an outline crosses itself; empty when it does not."""
    import shapely

    shape = shapely.Polygon(outline.points)
    if shape.is_valid:
        return ""
    why = str(shapely.is_valid_reason(shape))
    place = why[why.find("[") + 1 : why.find("]")].split() if "[" in why else []
    at = f" at row {float(place[0]):.0f}, column {float(place[1]):.0f}" if place else ""
    return f"The outline crosses itself{at}: move its corners apart there."
