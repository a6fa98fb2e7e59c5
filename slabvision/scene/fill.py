"""Polygons into pixel grids: which pixel centres lie inside, and how much of each is covered."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["Array", "coverage", "dense", "inside", "rings_of"]

Array: TypeAlias = NDArray[Any]
Rings: TypeAlias = Sequence[Array]


def rings_of(geometry: Any) -> list[Array]:
    """Return every ring (outer and holes) of a shapely geometry as (N, 2) arrays."""
    rings: list[Array] = []
    if geometry.is_empty:
        return rings
    for part in getattr(geometry, "geoms", [geometry]):
        if hasattr(part, "geoms"):
            rings.extend(rings_of(part))
        elif part.geom_type == "Polygon":
            rings.append(np.asarray(part.exterior.coords, dtype=np.float64)[:-1, :2])
            rings.extend(
                np.asarray(hole.coords, dtype=np.float64)[:-1, :2] for hole in part.interiors
            )
    return rings


def dense(ring: Array, step: float = 10.0) -> Array:
    """Return a closed ring with points at most ``step`` apart: lenses bend straight edges."""
    a = np.asarray(ring, np.float64)
    b = np.roll(a, -1, axis=0)
    count = np.maximum(np.ceil(np.linalg.norm(b - a, axis=1) / step), 1).astype(np.int64)
    which = np.repeat(np.arange(len(a)), count)
    t = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)) / count[which]
    return np.asarray(a[which] + t[:, None] * (b - a)[which])


def _window(rings: Rings, shape: tuple[int, int]) -> tuple[int, int, int, int] | None:
    every = np.concatenate([np.asarray(ring, dtype=np.float64) for ring in rings])
    every = every[np.isfinite(every).all(axis=1)]
    if len(every) < 3:
        return None
    r0, c0 = np.floor(every.min(axis=0)).astype(int)
    r1, c1 = np.ceil(every.max(axis=0)).astype(int) + 1
    r0, c0 = max(int(r0), 0), max(int(c0), 0)
    r1, c1 = min(int(r1), shape[0]), min(int(c1), shape[1])
    return (r0, r1, c0, c1) if r0 < r1 and c0 < c1 else None


def _crossings(rings: Iterable[Array], rows: Array) -> tuple[Array, Array, Array]:
    """Return, for scan lines at ``rows`` (evenly spaced, rising), index, column and sense."""
    start, step = float(rows[0]), float(rows[1] - rows[0]) if len(rows) > 1 else 1.0
    lines, columns, senses = [], [], []
    for ring in rings:
        a = np.asarray(ring, dtype=np.float64)
        b = np.roll(a, -1, axis=0)
        down = b[:, 0] > a[:, 0]
        low = np.where(down[:, None], a, b)
        high = np.where(down[:, None], b, a)
        # A line at the lower end counts, one at the upper end does not: no vertex twice.
        first = np.ceil((low[:, 0] - start) / step)
        last = np.ceil((high[:, 0] - start) / step)
        first = np.clip(first, 0, len(rows)).astype(np.int64)
        count = np.clip(last, 0, len(rows)).astype(np.int64) - first
        edges = np.flatnonzero(count > 0)
        if edges.size == 0:
            continue
        n = count[edges]
        which = np.repeat(edges, n)
        offset = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n, n)
        line = np.repeat(first[edges], n) + offset
        t = (start + line * step - low[which, 0]) / (high[which, 0] - low[which, 0])
        lines.append(line)
        columns.append(low[which, 1] + t * (high[which, 1] - low[which, 1]))
        senses.append(np.where(down[which], 1.0, -1.0))
    if not lines:
        return np.empty(0, int), np.empty(0), np.empty(0)
    return np.concatenate(lines), np.concatenate(columns), np.concatenate(senses)


def inside(rings: Rings, shape: tuple[int, int]) -> tuple[Array, tuple[slice, slice]]:
    """Return which pixel centres lie inside (even-odd rule), for the window that matters.

    Parameters
    ----------
    rings : sequence of (N, 2) arrays
        Outer rings and holes, (row, col).
    shape : (int, int)
        Size of the whole picture.

    Returns
    -------
    mask : ndarray of bool
        The window's pixels.
    window : (slice, slice)
        Where the window lies in the picture.
    """
    box = _window(rings, shape) if rings else None
    if box is None:
        return np.zeros((0, 0), bool), (slice(0, 0), slice(0, 0))
    r0, r1, c0, c1 = box
    line, column, _ = _crossings(rings, np.arange(r0, r1, dtype=np.float64))
    toggles = np.zeros((r1 - r0, c1 - c0 + 1), np.uint8)
    at = np.clip(np.ceil(column - c0), 0, c1 - c0).astype(np.int64)
    flat = np.bincount(line * (c1 - c0 + 1) + at, minlength=toggles.size)
    toggles[:] = (flat & 1).astype(np.uint8).reshape(toggles.shape)
    mask = np.bitwise_xor.accumulate(toggles, axis=1)[:, :-1].astype(bool)
    return mask, (slice(r0, r1), slice(c0, c1))


def coverage(
    rings: Rings, shape: tuple[int, int], *, lines: int = 4
) -> tuple[Array, tuple[slice, slice]]:
    """Return the share of each pixel that a polygon covers (0 to 1), for its window.

    Exact along the row, ``lines`` scan lines per pixel down the column. Rings must not cross
    one another; holes run the other way round or the same way (the sense is not used).
    """
    box = _window(rings, shape) if rings else None
    if box is None:
        return np.zeros((0, 0), np.float32), (slice(0, 0), slice(0, 0))
    r0, r1, c0, c1 = box
    width = c1 - c0
    step = 1.0 / lines
    scan = r0 - 0.5 + step * (np.arange((r1 - r0) * lines) + 0.5)
    line, column, _ = _crossings(rings, scan)
    order = np.lexsort((column, line))
    line, column = line[order], column[order]
    # Even-odd: crossings of a line alternate between going in and going out.
    first = np.concatenate([[True], line[1:] != line[:-1]]) if line.size else np.empty(0, bool)
    position = np.arange(line.size)
    rank = position - np.maximum.accumulate(np.where(first, position, 0))
    sign = np.where(rank % 2 == 0, step, -step)
    x = np.clip(column - c0 + 0.5, 0.0, width)
    cell = np.minimum(np.floor(x).astype(np.int64), width - 1)
    part = x - cell
    row = line // lines
    size = (r1 - r0) * (width + 1)
    delta = np.bincount(row * (width + 1) + cell, weights=sign * (1 - part), minlength=size)
    delta += np.bincount(row * (width + 1) + cell + 1, weights=sign * part, minlength=size)
    cover = np.cumsum(delta.reshape(r1 - r0, width + 1).astype(np.float32), axis=1)[:, :width]
    return np.clip(cover, 0.0, 1.0), (slice(r0, r1), slice(c0, c1))
