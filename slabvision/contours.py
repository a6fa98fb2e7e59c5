"""Polygons of masks, along pixel edges.

A contour through pixel centres makes a 3 px wide check 2 px wide; one along the outer pixel
edges keeps every pixel's area. Pixel (r, c) is the square from (r - 0.5, c - 0.5) to
(r + 0.5, c + 0.5), so vertices lie at half-integers and the polygon's area is exactly the
number of pixels.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from shapely import MultiPolygon

__all__ = ["mask_polygons", "mask_rings"]


def mask_rings(mask: NDArray[np.bool_]) -> list[NDArray[np.float64]]:
    """Return the closed rings along the pixel edges of a mask.

    Parameters
    ----------
    mask : ndarray of bool, shape (H, W)

    Returns
    -------
    list of ndarray, each (N, 2)
        Vertices (row, col), not repeated at the end; only corners are kept. Outer rings have
        positive signed area in (col, row) order, holes negative. Pixels that touch at a corner
        only belong to different rings (4-connected).

    Examples
    --------
    >>> mask_rings(np.array([[True, True]]))[0].tolist()
    [[-0.5, -0.5], [-0.5, 1.5], [0.5, 1.5], [0.5, -0.5]]
    """
    if mask.ndim != 2:
        raise ValueError(f"mask has shape {mask.shape}; (H, W) is needed")
    padded = np.pad(mask.astype(bool), 1)
    width = padded.shape[1] + 1
    starts: list[NDArray[np.intp]] = []
    ends: list[NDArray[np.intp]] = []

    def collect(hit: NDArray[np.bool_], start: tuple[int, int], end: tuple[int, int]) -> None:
        rows, cols = np.nonzero(hit)
        starts.append((rows + start[0]) * width + cols + start[1])
        ends.append((rows + end[0]) * width + cols + end[1])

    # Edges run with the wood on their right hand as drawn: along the top to the right, down the
    # right side, back along the bottom, up the left side. Lattice point (i, j) is the upper left
    # corner of padded pixel (i, j).
    inside, above = padded[1:], padded[:-1]
    collect(inside & ~above, (1, 0), (1, 1))  # top edge of the pixel below the line
    collect(above & ~inside, (1, 1), (1, 0))  # bottom edge of the pixel above it
    right, left = padded[:, 1:], padded[:, :-1]
    collect(left & ~right, (0, 1), (1, 1))  # right side
    collect(right & ~left, (1, 1), (0, 1))  # left side
    start, end = np.concatenate(starts), np.concatenate(ends)
    return _link(start, end, width)


def _link(start: NDArray[np.intp], end: NDArray[np.intp], width: int) -> list[NDArray[np.float64]]:
    step = end - start
    order = np.argsort(start, kind="stable")
    sorted_start = start[order]
    first = np.searchsorted(sorted_start, end, side="left")
    count = np.searchsorted(sorted_start, end, side="right") - first
    following = order[first]
    # Where two pixels touch at a corner two edges leave it: turn right, so that they stay apart.
    doubled = np.flatnonzero(count == 2)
    if doubled.size:
        other = order[first[doubled] + 1]
        clockwise = {1: width, width: -1, -1: -width, -width: 1}
        wanted = np.array([clockwise[int(s)] for s in step[doubled]])
        following[doubled] = np.where(step[other] == wanted, other, following[doubled])
    successor = following.tolist()
    corner = (step != step[following]).tolist()
    seen = bytearray(len(successor))
    rings = []
    for at in range(len(successor)):
        if seen[at]:
            continue
        path = []
        edge = at
        while not seen[edge]:
            seen[edge] = 1
            if corner[edge]:
                path.append(edge)
            edge = successor[edge]
        for points in _simple(end[path].tolist()):
            at_corner = np.asarray(points)
            ring = np.stack([at_corner // width - 1.5, at_corner % width - 1.5], axis=1)
            # Start each ring at its first corner in reading order, so that results do not
            # depend on how the edges were collected.
            begin = int(np.lexsort((ring[:, 1], ring[:, 0]))[0])
            rings.append(np.roll(ring, -begin, axis=0))
    return rings


def _simple(path: list[int]) -> list[list[int]]:
    """Split a ring that meets itself at a corner into rings that do not.

    A hole that touches the outside at a corner would else be walked round on the outer ring,
    which no polygon may do; as a ring of its own it may touch the outer one there.
    """
    if len(set(path)) == len(path):
        return [path]
    rings: list[list[int]] = []
    stack: list[int] = []
    place: dict[int, int] = {}
    for corner in path:
        if corner in place:
            cut = place[corner]
            rings.append(stack[cut:])
            for gone in stack[cut + 1 :]:
                del place[gone]
            del stack[cut + 1 :]
        else:
            place[corner] = len(stack)
            stack.append(corner)
    return [*rings, stack]


def mask_polygons(mask: NDArray[np.bool_], offset: tuple[float, float] = (0, 0)) -> MultiPolygon:
    """Return a mask as shapely polygons in (row, col), holes kept; area = number of pixels.

    Parameters
    ----------
    mask : ndarray of bool, shape (H, W)
    offset : (row, col)
        Position of the mask's first pixel in the photo, for a mask cut out of one.
    """
    import shapely

    rings = mask_rings(mask)
    if not rings:
        return shapely.MultiPolygon()
    shift = np.asarray(offset, dtype=float)
    outer: list[Any] = []
    holes: list[Any] = []
    for ring in rings:
        row, col = ring[:, 0], ring[:, 1]
        signed = float(np.dot(col, np.roll(row, -1)) - np.dot(row, np.roll(col, -1)))
        (outer if signed > 0 else holes).append(ring + shift)
    shells = [shapely.Polygon(ring) for ring in outer]
    inside: list[list[Any]] = [[] for _ in shells]
    if holes:
        tree = shapely.STRtree(shells)
        for hole in holes:
            # The middle of the hole's first edge, moved a quarter pixel into the wood around it.
            probe = shapely.Polygon(hole).exterior.interpolate(0.5)
            owners = tree.query(probe, predicate="intersects")
            inside[min((int(i) for i in owners), key=lambda i: shells[i].area)].append(hole)
    return shapely.MultiPolygon(
        [shapely.Polygon(s.exterior.coords, h) for s, h in zip(shells, inside, strict=True)]
    )
