"""A check that gapes so wide that the ground shows through it: a region between two walls."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.width import Borders, normals, resample, smooth
from slabvision.segment.window import Floats, Mask, as_unit

__all__ = ["gap_borders", "gapes"]

_BESIDE_PX = (3.0, 8.0)
"""How far beyond a border the wood beside a check is looked at."""
_UNLIKE, _OF_DEPTH = 15.0, 0.8
"""Sides of a line that differ by so much (CIELAB), and by this share of how dark the line is, are
not both wood. Rendered and real thin checks reached 10 and a third, gaping ones 22 and 1.5."""
_MOST_STATIONS = 240
_REACH_SHARE = 0.35
"""A gap is looked for within this share of its length on either side."""
_MOST_REACH_PX = 200.0
_LIKELY_SHARE, _WOOD_SHARE = 0.15, 0.9
"""Of that reach: nearer is likely gap, farther is wood."""
_ENDS_SHARE = 0.05
_ROUNDS = 6
_CALM = 5
"""Stations whose middle width counts: splinters bridge a gap."""
_MIDDLE_CALM = 8.0
_MOUTH_SHARE, _NARROW, _WIDE = 0.12, 0.9, 1.3
"""By its mouth a gap is nearly as wide as it was just before."""


def gapes(image: NDArray[Any], line: Floats, borders: Borders) -> bool:
    """Return whether a traced dark line has wood on one side only, as the wall of a gap has."""
    across = np.arange(_BESIDE_PX[0], _BESIDE_PX[1] + 0.5)
    normal = normals(line)
    left, right, middle = (
        _usual(image, line, normal, off)
        for off in (
            borders.left[:, None] - across,
            borders.right[:, None] + across,
            np.zeros((len(line), 1)),
        )
    )
    unlike = float(np.median(np.linalg.norm(left - right, axis=1)))
    dark = float(np.median(np.minimum(left[:, 0], right[:, 0]) - middle[:, 0]))
    return unlike > max(_UNLIKE, _OF_DEPTH * dark)


def gap_borders(image: NDArray[Any], clicks: Floats) -> tuple[Floats, Borders] | None:
    """Return the middle of a gap and both its walls, or None where none is found.

    Parameters
    ----------
    image : ndarray
        The photo.
    clicks : ndarray, shape (K, 2)
        In order along the gap, its ends first and last.

    Returns
    -------
    line : ndarray, shape (N, 2)
        About a pixel apart.
    borders : Borders
        Pixels from the line.

    Notes
    -----
    The photo is straightened along the clicks and parted by colour (GrabCut: Rother, Kolmogorov
    and Blake 2004, SIGGRAPH), what lies between the clicks being gap and what lies far off wood;
    across every station the run nearest to the clicks is kept.
    """
    length = float(np.hypot(*np.diff(clicks, axis=0).T).sum())
    step = max(1.0, length / _MOST_STATIONS)
    line = resample(clicks, step)
    normal = normals(line)
    reach = min(_REACH_SHARE * length, _MOST_REACH_PX)
    half = round(reach / step)
    if half < 4 or len(line) < 8:
        return None
    across = np.arange(-half, half + 1, dtype=np.float64) * step
    gap = _parted(_strip(image, line, normal, across[None]), half)
    runs = [_run_near(row, half) for row in gap]
    known = np.array([run is not None for run in runs])
    if known.mean() < 0.5:
        return None
    at = np.arange(len(line))
    walls = across[np.array([run or (half, half) for run in runs])]
    known &= ~_lost_at_mouth(walls[:, 1] - walls[:, 0], known)
    left, right = (_calm(np.interp(at, at[known], walls[known, k])) for k in (0, 1))
    # The middle must run calmly: the walls are found and painted square to it.
    middle = smooth((left + right) / 2, _MIDDLE_CALM)
    fine = resample(line + middle[:, None] * normal)
    share = np.linspace(0, len(line) - 1, len(fine))
    sides = (np.interp(share, at, wall - middle) for wall in (left - step / 2, right + step / 2))
    return fine, Borders(*sides)


def _strip(image: NDArray[Any], line: Floats, normal: Floats, across: Floats) -> NDArray[Any]:
    """Return the photo's pixels beside a line, shape (stations, offsets, 3)."""
    at = (line[:, None] + across[..., None] * normal[:, None]).astype(np.float32)
    seen = cv2.remap(
        image, at[..., 1], at[..., 0], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(seen if seen.ndim == 3 else np.repeat(seen[..., None], 3, axis=2))


def _usual(image: NDArray[Any], line: Floats, normal: Floats, across: Floats) -> Floats:
    """Return the colour beside a line, calmed along it, CIELAB, shape (stations, 3)."""
    from scipy.ndimage import gaussian_filter1d

    lab = cv2.cvtColor(as_unit(_strip(image, line, normal, across)), cv2.COLOR_RGB2LAB)
    return np.asarray(gaussian_filter1d(lab.mean(axis=1), 5.0, axis=0), np.float64)


def _parted(strip: NDArray[Any], half: int) -> Mask:
    off = np.abs(np.arange(-half, half + 1))
    state = np.full(strip.shape[:2], cv2.GC_PR_BGD, np.uint8)
    state[:, off < _LIKELY_SHARE * half] = cv2.GC_PR_FGD
    state[:, off > _WOOD_SHARE * half] = cv2.GC_BGD
    end = max(1, round(_ENDS_SHARE * len(strip)))
    state[end:-end, off <= 1] = cv2.GC_FGD
    pixels = (255 * as_unit(strip)).astype(np.uint8)
    cv2.setRNGSeed(0)
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(pixels, state, None, *models, _ROUNDS, cv2.GC_INIT_WITH_MASK)
    return np.isin(state, (cv2.GC_FGD, cv2.GC_PR_FGD))


def _run_near(row: Mask, half: int) -> tuple[int, int] | None:
    """Return first and last of the run that holds or lies nearest to the middle."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(np.int8), [0]])))
    runs = list(zip(edges[::2].tolist(), (edges[1::2] - 1).tolist(), strict=True))
    if not runs:
        return None
    first, last = min(runs, key=lambda r: max(r[0] - half, half - r[1], 0))
    # A run that reaches the far wood shows the ground beyond the slab, not the gap.
    return None if first == 0 or last == 2 * half else (first, last)


def _lost_at_mouth(wide: Floats, known: Mask) -> Mask:
    """Return stations by the wider end that tell too little: there the ground lies open."""
    end = max(2, round(_MOUTH_SHARE * len(wide)))
    before = [float(np.median(part)) for part in (wide[end : 2 * end], wide[-2 * end : -end])]
    mouth = np.s_[:end] if before[0] > before[1] else np.s_[-end:]
    usual = max(before)
    lost = np.zeros(len(wide), np.bool_)
    lost[mouth] = (wide[mouth] < _NARROW * usual) | (wide[mouth] > _WIDE * usual)
    return lost if (known & ~lost).any() else np.zeros_like(lost)


def _calm(values: Floats) -> Floats:
    from scipy.ndimage import gaussian_filter1d, median_filter

    steady = median_filter(values, _CALM, mode="nearest")
    return np.asarray(gaussian_filter1d(steady, 1.0, mode="nearest"))
