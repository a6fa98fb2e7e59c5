"""Count and area of every painted number while painting, fast enough to follow the brush.

The image is counted in tiles; each tile's pixels are weighed with the size of a pixel on the
face in its middle. No polygons and no intervals: those come with the findings.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2

Floats = NDArray[np.float64]

__all__ = ["PixelSizes", "Tally", "count_pixels", "per_kind"]

TILES = 16
"""Tiles along each side: over a sixteenth of a photo the scale changes by a few percent at most,
and evenly, so that the middle speaks for the tile."""


@dataclass(frozen=True, eq=False)
class PixelSizes:
    """mm² on the face of one pixel, in the middle of each tile, (TILES, TILES); nan: past the
    horizon."""

    mm2: NDArray[np.float64]

    @classmethod
    def of(cls, to_mm: Callable[[Floats], Floats], shape: tuple[int, int]) -> PixelSizes:
        """Return the sizes for a photo of this shape, from the map of its points to the face."""
        rows = (np.arange(TILES) + 0.5) * shape[0] / TILES
        cols = (np.arange(TILES) + 0.5) * shape[1] / TILES
        middles = np.stack(np.meshgrid(rows, cols, indexing="ij"), axis=-1).reshape(-1, 2)
        try:
            mm2 = _pixel_areas(to_mm, middles)
        except ValueError:  # some tile looks past the horizon of the face
            mm2 = np.full(len(middles), np.nan)
            for i, middle in enumerate(middles):
                with contextlib.suppress(ValueError):
                    mm2[i] = _pixel_areas(to_mm, middle[None])[0]
        return cls(mm2.reshape(TILES, TILES))

    def area(
        self, mask: NDArray[np.bool_], corner: tuple[int, int], shape: tuple[int, int]
    ) -> float:
        """Return the area of a mask that begins at ``corner`` of a photo of this shape, mm²."""
        rows, cols = np.nonzero(mask)
        i = np.clip((rows + corner[0]) * TILES // shape[0], 0, TILES - 1)
        j = np.clip((cols + corner[1]) * TILES // shape[1], 0, TILES - 1)
        return float(self.mm2[i, j].sum())


def _pixel_areas(to_mm: Callable[[Floats], Floats], middles: Floats) -> Floats:
    """Return the area on the face of the pixel at each point, mm²."""
    steps = np.array([[0.0, 0.5], [0.0, -0.5], [0.5, 0.0], [-0.5, 0.0]])
    corners = to_mm((middles[:, None] + steps).reshape(-1, 2)).reshape(-1, 4, 2)
    across, down = corners[:, 0] - corners[:, 1], corners[:, 2] - corners[:, 3]
    return np.asarray(np.abs(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0]))


@dataclass(frozen=True)
class Tally:
    """Pixels, and mm² where there is a reference, of every number in the image."""

    pixels: dict[int, int] = field(default_factory=dict)
    mm2: dict[int, float] | None = None


def count_pixels(labels: NDArray[np.uint16] | NDArray[np.uint8], sizes: PixelSizes | None) -> Tally:
    """Count every number of a label image, and weigh it where sizes are known.

    Takes about 20 ms for 48 million pixels.
    """
    height, width = labels.shape
    rows = np.linspace(0, height, TILES + 1).round().astype(int)
    cols = np.linspace(0, width, TILES + 1).round().astype(int)
    most = int(np.iinfo(labels.dtype).max) + 1
    total, area = np.zeros(most), np.zeros(most)
    for i in range(TILES):
        for j in range(TILES):
            tile = labels[rows[i] : rows[i + 1], cols[j] : cols[j + 1]]
            top = int(cv2.minMaxLoc(tile)[1]) + 1 if tile.size else 1
            if top == 1:  # nothing painted here, which is most of a slab
                continue
            counts = cv2.calcHist([tile], [0], None, [top], [0, top]).ravel().astype(float)
            total[:top] += counts
            if sizes is not None:
                seen = np.flatnonzero(counts[1:]) + 1
                area[seen] += counts[seen] * sizes.mm2[i, j]
    numbers = np.flatnonzero(total[1:]) + 1
    pixels = {int(n): int(total[n]) for n in numbers}
    return Tally(pixels, None if sizes is None else {int(n): float(area[n]) for n in numbers})


def per_kind(tally: Tally, kind_of: Mapping[int, str]) -> dict[str, tuple[int, float | None]]:
    """Return for each kind how many defects there are and their area, mm²."""
    found: dict[str, tuple[int, float | None]] = {}
    for number in tally.pixels:
        kind = kind_of.get(number)
        if kind is None:
            continue
        count, area = found.get(kind, (0, 0.0))
        more = None if tally.mm2 is None else tally.mm2[number]
        found[kind] = (count + 1, None if area is None or more is None else area + more)
    return found
