"""Areas on the face of masks in the picture, along their pixel edges."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.view import Views

__all__ = ["mask_areas"]

Floats: TypeAlias = NDArray[np.float64]

_BLOCKS = 24
"""Blocks along the longer side of the mask's box, for the draws."""


def mask_areas(
    mask: NDArray[np.bool_], best: Views, worlds: Views, *, least: float
) -> tuple[float, Floats]:
    """Return the area of a mask on the face in the best view and in every draw, mm².

    The best view sums the exact area inside the pixel edges (Green's theorem over the edges).
    The draws reuse it block by block, scaled by how the local scale differs between each draw
    and the best view at the block's centre of mass; that ratio is smooth.

    Parameters
    ----------
    mask : ndarray of bool, shape (H, W)
    best : Views
        One view.
    worlds : Views
        The draws.
    least : float
        How close to the horizon sights are cut.
    """
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    top, left = int(rows[0]), int(cols[0])
    cut = mask[top : rows[-1] + 1, left : cols[-1] + 1]
    value = _edge_area(cut, top, left, best)
    count, row, col = _blocks(cut)
    row, col = row + top, col + left
    here = count * _density(best, row, col)[0]
    share = here / here.sum()
    with np.errstate(all="ignore"):
        ratio = _density(worlds, row, col) / _density(best, row, col)
    ratio = np.where(np.isfinite(ratio), ratio, np.nanmax(ratio))
    return value, value * (ratio @ share)


def _edge_area(cut: NDArray[np.bool_], top: int, left: int, view: Views) -> float:
    padded = np.pad(cut, 1).astype(np.int8)
    down = np.diff(padded, axis=1)  # +1: wood begins to the right of this vertical edge
    across = np.diff(padded, axis=0)  # +1: wood begins below this horizontal edge
    rows, cols = np.nonzero(down)
    way = down[rows, cols].astype(np.float64)
    # Padded pixel (i, j) is pixel (i - 1, j - 1); the edge right of padded column j lies at
    # j - 0.5 in the cut.
    y, x = rows.astype(np.float64) - 1.0 + top, cols.astype(np.float64) - 0.5 + left
    total = _crossed(view, x, y - 0.5, x, y + 0.5, -way)
    rows, cols = np.nonzero(across)
    way = across[rows, cols].astype(np.float64)
    y, x = rows.astype(np.float64) - 0.5 + top, cols.astype(np.float64) - 1.0 + left
    return total + _crossed(view, x - 0.5, y, x + 0.5, y, way)


def _crossed(view: Views, x0: Floats, y0: Floats, x1: Floats, y1: Floats, way: Floats) -> float:
    """Half the signed cross products of edges seen from the middle of the region."""
    u0, v0 = view.on_plane(x0, y0)
    u1, v1 = view.on_plane(x1, y1)
    return 0.5 * float(way @ (u0[0] * v1[0] - v0[0] * u1[0]))


def _blocks(cut: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Count of pixels, and their mean row and column, in each block that has any."""
    side = max(1, -(-max(cut.shape) // _BLOCKS))
    row_starts, col_starts = np.arange(0, cut.shape[0], side), np.arange(0, cut.shape[1], side)
    by_row = np.add.reduceat(cut, col_starts, axis=1, dtype=np.float64)
    number = np.arange(cut.shape[0], dtype=np.float64)[:, None]
    count = np.add.reduceat(by_row, row_starts, axis=0)
    row = np.add.reduceat(by_row * number, row_starts, axis=0)
    weighted = np.add.reduceat(cut * np.arange(cut.shape[1]), col_starts, axis=1, dtype=np.float64)
    col = np.add.reduceat(weighted, row_starts, axis=0)
    full = count > 0
    return count[full], row[full] / count[full], col[full] / count[full]


def _density(views: Views, row: Floats, col: Floats) -> Floats:
    """Square millimetres per pixel, (K, N)."""
    _, (xx, xy, yx, yy) = views.local(col, row)
    return np.abs(xx * yy - xy * yx)
