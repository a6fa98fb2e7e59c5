"""Pieces of a face that could be defects, and what speaks for each."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.check_lines import SIGNS, odds_of_checks, signs_of_checks
from slabvision.segment.face_look import SEEN, look_of
from slabvision.segment.face_view import View, light_of_places
from slabvision.segment.window import Floats32, Mask

__all__ = ["FEATURES", "Candidate", "Candidates", "candidates"]

_LEAST = 20
"""Places of a piece."""
_LARGEST_SHARE = 0.2
"""Of the face; what is larger is no piece."""
_BODY_LEVELS = ((0.12, 0.3), (0.3, 0.6), (0.55, 0.85))
_LINE_LEVELS = ((0.05, 0.12), (0.15, 0.35), (0.35, 0.7))
_LINKED_LEVELS = ((0.01, 0.02), (0.03, 0.08))
"""Possible and sure: how likely a place is a defect."""
_ODDS_LEVELS = ((0.0, 2.0), (1.0, 3.0))
"""The same for checks, log odds of their signs together."""
_ODDS_GAP = 9
_LINE_LEAST = 14
_GAP = 13
"""Places along the face over which a check goes on unseen."""
_LINK = 31
_LINK_TURNS_DEG = (-24, -16, -8, 0, 8, 16, 24)
"""Places of a short line, and how much checks turn away from the face's long axis."""
_RING = 8
_CHECK = SEEN.index("check")
_KINDS = tuple(range(1, _CHECK))


class Candidate(NamedTuple):
    """A piece: a small mask, where its corner lies on the view, and whether it is a line."""

    mask: Mask
    corner: tuple[int, int]
    line: bool

    @property
    def window(self) -> tuple[slice, slice]:
        """Where it lies on the view."""
        (row, col), (high, wide) = self.corner, self.mask.shape
        return slice(row, row + high), slice(col, col + wide)


class Candidates(NamedTuple):
    """Pieces that may overlap.

    Attributes
    ----------
    pieces : list of Candidate
    features : ndarray, shape (N, F)
        See :data:`FEATURES`.
    """

    pieces: list[Candidate]
    features: Floats32


def candidates(view: View) -> Candidates:
    """Return all pieces of a view that could be defects, at several levels of doubt."""
    look = look_of(view)
    found: list[Candidate] = []
    line = np.ascontiguousarray(look[..., _CHECK])
    joined = cv2.morphologyEx(line, cv2.MORPH_CLOSE, np.ones((1, _GAP), np.uint8))
    joined = np.maximum(cv2.GaussianBlur(joined, (0, 0), 0.7), joined * 0.8)
    for field, levels in ((joined, _LINE_LEVELS), (_linked(line), _LINKED_LEVELS)):
        for level in levels:
            found += _pieces(_hysteresis(field * view.wood, level), view.wood, line=True)
    signs = signs_of_checks(view, look)
    odds = odds_of_checks(signs, view.wood)
    joined = cv2.morphologyEx(odds, cv2.MORPH_CLOSE, np.ones((1, _ODDS_GAP), np.uint8))
    for level in _ODDS_LEVELS:
        mask = _hysteresis(joined, level) & view.wood
        found += _pieces(mask.astype(np.uint8), view.wood, line=True)
    body = look[..., 1:_CHECK].sum(axis=2)
    for level in _BODY_LEVELS:
        found += _pieces(_hysteresis(body, level), view.wood, line=False)
    for kind in _KINDS:
        found += _pieces(_hysteresis(look[..., kind], _BODY_LEVELS[1]), view.wood, line=False)
    return Candidates(found, _described(view, look, signs, odds, found))


def _hysteresis(field: Floats32, level: tuple[float, float]) -> NDArray[np.uint8]:
    """Points above the lower level that hang together with one above the higher."""
    count, labels = cv2.connectedComponents((field > level[0]).astype(np.uint8), connectivity=8)
    keep = np.zeros(count, bool)
    keep[labels[field > level[1]]] = True
    keep[0] = False
    return np.asarray(keep[labels], dtype=np.uint8)


def _linked(line: Floats32) -> Floats32:
    """Return the geometric mean of chances along the likeliest short line through each place.

    What is doubtful at each place but goes on along the face is a check sooner than a spot is.
    """
    near = cv2.dilate(line, np.ones((3, 1), np.uint8))
    logs = np.log(np.clip(near, 0.005, 0.9))
    best = np.full_like(logs, -np.inf)
    for turn in _LINK_TURNS_DEG:
        kernel = _short_line(turn)
        ahead, behind = kernel[:, _LINK // 2 :].copy(), kernel[:, : _LINK // 2 + 1]
        ahead[:, 0] = 0
        along = _summed(logs, ahead, 0) + _summed(logs, behind, _LINK // 2)
        np.maximum(best, along, out=best)
    return np.asarray(np.exp(best))


def _summed(field: Floats32, half: Floats32, middle: int) -> Floats32:
    """Return sums along half a short line; OpenCV is quick where a kernel is small."""
    rows = np.flatnonzero(half.any(axis=1))
    top, bottom = min(rows[0], _LINK // 2), max(rows[-1], _LINK // 2)
    kernel = half[top : bottom + 1]
    anchor = (middle, int(_LINK // 2 - top))
    return np.asarray(cv2.filter2D(field, cv2.CV_32F, kernel, anchor=anchor))


def _short_line(angle_deg: float) -> Floats32:
    half = _LINK // 2
    kernel = np.zeros((_LINK, _LINK), np.float32)
    row, col = half * np.sin(np.radians(angle_deg)), half * np.cos(np.radians(angle_deg))
    one, other = (round(half - col), round(half - row)), (round(half + col), round(half + row))
    cv2.line(kernel, one, other, 1, 1)
    return np.asarray(kernel / kernel.sum())


def _pieces(mask: NDArray[np.uint8], wood: Mask, line: bool) -> list[Candidate]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    most = _LARGEST_SHARE * np.count_nonzero(wood)
    found = []
    for k in range(1, count):
        left, top, wide, high, area = stats[k]
        enough = np.hypot(wide, high) >= _LINE_LEAST if line else area >= _LEAST
        if enough and area <= most:
            here = labels[top : top + high, left : left + wide] == k
            found.append(Candidate(here, (int(top), int(left)), line))
    return found


def _described(
    view: View, look: Floats32, signs: Floats32, odds: Floats32, pieces: list[Candidate]
) -> Floats32:
    stands_out = odds[view.wood] > 0
    lines = np.log(stands_out.mean() + 1e-4) if stands_out.size else 0.0
    light = light_of_places(view)
    away = cv2.distanceTransform(np.pad(view.wood, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    length = view.wood.shape[1]
    busy = np.log(look[view.wood].mean(axis=0)[1:] + 1e-4) if view.wood.any() else np.zeros(5)
    rows = np.zeros((len(pieces), len(FEATURES)), np.float32)
    for k, piece in enumerate(pieces):
        box = tuple(
            slice(max(s.start - _RING, 0), min(s.stop + _RING, side))
            for s, side in zip(piece.window, view.wood.shape, strict=True)
        )
        here = np.zeros(view.wood[box].shape, bool)
        row, col = piece.corner[0] - box[0].start, piece.corner[1] - box[1].start
        here[row : row + piece.mask.shape[0], col : col + piece.mask.shape[1]] = piece.mask
        near = cv2.dilate(here.astype(np.uint8), np.ones((2 * _RING - 1,) * 2, np.uint8)) > 0
        ring = near & ~here & view.wood[box]
        ring = ring if ring.any() else near
        points = np.argwhere(piece.mask).astype(float) + piece.corner
        v, u = points.T
        spans = float(np.ptp(u)) + 1, float(np.ptp(v)) + 1
        cover = np.cov(points.T) + 0.1 * np.eye(2) if len(points) > 1 else np.eye(2)
        size, axes = np.linalg.eigh(cover)
        deep = cv2.distanceTransform(np.pad(here, 1).astype(np.uint8), cv2.DIST_L2, 3).max()
        seen, lit, beside = look[box][here], light[box][here], light[box][ring]
        strongest = np.sort(seen[:, _CHECK] if piece.line else 1 - seen[:, 0] - seen[:, _CHECK])
        core = np.where(piece.mask, odds[piece.window], -np.inf)
        cols = np.flatnonzero(piece.mask.any(axis=0))
        middle = core.argmax(axis=0)[cols], cols
        along = np.sort(core[middle])
        shows = signs[piece.window][middle].mean(axis=0)
        off = lit.mean(axis=0) - beside.mean(axis=0)
        rows[k] = [
            *seen.mean(axis=0)[1:], strongest[-1], strongest[len(strongest) // 2],
            strongest[len(strongest) // 10], strongest.sum() / 100, np.log(len(points)),
            np.log(spans[0]), np.log(spans[1]), np.log(np.sqrt(size[1] / size[0])),
            abs(float(axes[1, 1])), len(points) / (4 * np.pi * np.sqrt(size[0] * size[1])),
            np.log(deep), *off, *lit.mean(axis=0), lit[:, 0].min() - beside[:, 0].mean(),
            lit[:, 0].std(), beside[:, 0].std(), *look[box][ring].mean(axis=0)[1:],
            np.log(away[box][here].min() + 1), np.log(away[box][here].max() + 1),
            min(u.min(), length - 1 - u.max()) / length, *busy, along.mean(),
            along[len(along) // 5], along.sum() / 100, (along > 0).mean(), *shows, lines,
            float(piece.line),
        ]  # fmt: skip
    return rows


FEATURES = (
    *(f"is {kind}" for kind in SEEN[1:]), "surest", "usually sure", "least sure", "sure places",
    "area", "length along", "width across", "elongation", "lies along", "fill", "thickness",
    "lighter than round it", "warmer than round it", "greener than round it", "lightness",
    "warmth", "greenness", "darkest", "own unrest", "ring's unrest",
    *(f"{kind} round it" for kind in SEEN[1:]), "nearest to rim", "farthest from rim",
    "from the end", *(f"{kind} on the face" for kind in SEEN[1:]),
    "usual odds of a check along it", "least odds along it", "summed odds along it",
    "share of it that is a check", *(f"its core: {sign}" for sign in SIGNS),
    "lines on the face", "found as a line",
)  # fmt: skip
"""Columns of :attr:`Candidates.features`."""
