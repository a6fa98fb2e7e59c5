"""The usual click protocol: the next click lies at the deepest point of the largest error.

Xu et al. 2016 (CVPR, "Deep interactive object selection"); the number of clicks until the region
overlaps the truth by 85 or 90 % (NoC@85, NoC@90), 20 where it never does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2

Mask = NDArray[np.bool_]
Point = tuple[int, int]
Segment = Callable[[list[Point], list[Point]], Mask]
MOST_CLICKS = 20


def overlap(a: Mask, b: Mask) -> float:
    """Intersection over union."""
    either = np.count_nonzero(a | b)
    return np.count_nonzero(a & b) / either if either else 1.0


def deepest(region: Mask) -> tuple[Point, float]:
    """Deepest point of the largest piece of a region, and its depth; the frame is a border."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        region.astype(np.uint8), connectivity=8
    )
    if count < 2:
        return (0, 0), 0.0
    largest = 1 + int(stats[1:, 4].argmax())
    left, top, wide, high = stats[largest, :4]
    piece = labels[top : top + high, left : left + wide] == largest
    depth = cv2.distanceTransform(np.pad(piece, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    row, col = np.unravel_index(int(depth.argmax()), depth.shape)
    return (top + int(row), left + int(col)), float(depth.max())


def next_click(mask: Mask, truth: Mask) -> tuple[Point, bool]:
    """Where the protocol clicks next, and whether it says inside."""
    missed, wrongly = truth & ~mask, mask & ~truth
    sizes = []
    for error in (missed, wrongly):
        _, _, stats, _ = cv2.connectedComponentsWithStats(error.astype(np.uint8), connectivity=8)
        sizes.append(int(stats[1:, 4].max()) if len(stats) > 1 else 0)
    inside = sizes[0] >= sizes[1]
    return deepest(missed if inside else wrongly)[0], inside


@dataclass(frozen=True)
class Session:
    """Overlap after each click, and seconds each took."""

    overlaps: tuple[float, ...]
    seconds: tuple[float, ...]

    def clicks(self, target: float) -> int:
        """Clicks needed for an overlap; 20 where it was never reached."""
        for k, value in enumerate(self.overlaps):
            if value >= target:
                return k + 1
        return MOST_CLICKS


def click_through(segment: Segment, truth: Mask, target: float = 0.9) -> Session:
    """Play the protocol until the target or 20 clicks."""
    rows, cols = np.flatnonzero(truth.any(axis=1)), np.flatnonzero(truth.any(axis=0))
    box = np.array([rows[0], rows[-1] + 1, cols[0], cols[-1] + 1])
    first, _ = deepest(truth[box[0] : box[1], box[2] : box[3]])
    inside: list[Point] = [(first[0] + int(box[0]), first[1] + int(box[2]))]
    outside: list[Point] = []
    overlaps, seconds = [], []
    while True:
        start = perf_counter()
        mask = segment(inside, outside)
        seconds.append(perf_counter() - start)
        rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
        whole = box.copy()
        if rows.size:
            whole = np.array([min(box[0], rows[0]), max(box[1], rows[-1] + 1),
                              min(box[2], cols[0]), max(box[3], cols[-1] + 1)])  # fmt: skip
        window = np.s_[whole[0] : whole[1], whole[2] : whole[3]]
        overlaps.append(overlap(mask[window], truth[window]))
        if overlaps[-1] >= target or len(overlaps) >= MOST_CLICKS:
            return Session(tuple(overlaps), tuple(seconds))
        at, says_inside = next_click(mask[window], truth[window])
        click = (at[0] + int(whole[0]), at[1] + int(whole[2]))
        (inside if says_inside else outside).append(click)
