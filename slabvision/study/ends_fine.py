"""How fine rings may be: rendered ends shrunk until a ring is a few pixels wide, and saved again.

JPEG's blocks and a gradient's small window both draw directions towards rows and columns when
rings are fine. That pull is fitted: error over the sine of four times the true direction.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from slabvision.opencv import cv2
from slabvision.study.ends_pictures import KnownEnd, as_jpeg, rendered_end

__all__ = ["RING_PX", "FineRings", "fine_rings", "fine_table"]

RING_PX = (2.0, 2.5, 3.0, 4.0, 6.0, 8.0)
"""Mean widths of a ring that are tried, pixels."""
SLIPS_DEG = 10.0
"""Errors beyond this are slips, and say nothing about the pull of the grid."""


@dataclass(frozen=True)
class FineRings:
    """What was read at one width of ring.

    Attributes
    ----------
    ring_px : float
    read, refused : int
        Ends.
    median_deg, p90_deg : float
        Of the ends' own medians and 90th percentiles, the median.
    pull_deg : float
        How far directions between rows and columns are drawn to them (negative) or away.
    """

    ring_px: float
    read: int
    refused: int
    median_deg: float
    p90_deg: float
    pull_deg: float


def fine_rings(
    cases: int,
    seed: int = 1,
    progress: Callable[[str], None] = print,
    widths_px: tuple[float, ...] = RING_PX,
) -> tuple[FineRings, ...]:
    """Read rendered ends at several widths of ring.

    Parameters
    ----------
    cases : int
        Rendered ends; where rings are finer already an end is left out.
    seed : int
        Decides which.
    progress : callable
        Told in words what is being done.
    widths_px : tuple of float
        Mean widths of a ring that are tried.
    """
    ends = [rendered_end(1000 * seed + number) for number in range(cases)]
    found = []
    for ring_px in widths_px:
        found.append(_at(ring_px, [end for end in ends if end.ring_px >= ring_px]))
        progress(f"rings of {ring_px:g} px")
    return tuple(found)


def _at(ring_px: float, ends: list[KnownEnd]) -> FineRings:
    from slabvision.endgrain import NotReadable, read_end_grain

    medians, p90s, pulls, refused = [], [], [], 0
    for end in ends:
        rows, cols = end.mask.shape
        factor = ring_px / end.ring_px
        size = (round(cols * factor), round(rows * factor))
        small = cv2.resize(end.pixels, size, interpolation=cv2.INTER_AREA)
        mask = cv2.resize(end.mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        try:
            read = read_end_grain(as_jpeg(np.asarray(small), 85), mask=mask)
        except NotReadable:
            refused += 1
            continue
        points = (end.points + 0.5) * np.array([size[1] / rows, size[0] / cols]) - 0.5
        off = (read.ring_tangent_deg(points) - end.tangent_deg + 90.0) % 180.0 - 90.0
        medians.append(float(np.median(np.abs(off))))
        p90s.append(float(np.percentile(np.abs(off), 90)))
        near = np.abs(off) < SLIPS_DEG
        wave = np.sin(np.deg2rad(4.0 * end.tangent_deg[near]))
        pulls.append(float((off[near] * wave).sum() / ((wave**2).sum() + 1e-9)))
    middle = [float(np.median(each)) if each else float("nan") for each in (medians, p90s, pulls)]
    return FineRings(ring_px, len(medians), refused, *middle)


def fine_table(found: tuple[FineRings, ...]) -> str:
    """Return what was read as a Markdown table."""
    lines = [
        "| ring, px | read | refused | ring direction: median, ° | 90th percentile, ° | "
        "pull of rows and columns, ° |",
        "| ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    lines += [
        f"| {one.ring_px:g} | {one.read} | {one.refused} | {one.median_deg:.1f} | "
        f"{one.p90_deg:.1f} | {one.pull_deg:+.2f} |"
        for one in found
    ]
    return "\n".join(lines) + "\n"
