"""Pieces of a face that could be defects, and what speaks for each."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.face_view import View, grain_bend, lab_of, likely_matter
from slabvision.segment.matter import MATTERS, usual_colour
from slabvision.segment.window import Floats32, Mask

__all__ = ["FEATURES", "Candidate", "Candidates", "candidates"]

_LEAST_PX = 20
_LARGEST_SHARE = 0.15
"""Of the face; what is larger is no piece."""
_MATTER_LEVELS = ((0.3, 0.55), (0.6, 0.85))
_DARK_LEVELS = ((4.0, 9.0), (9.0, 16.0))
"""Possible and sure: share of other matter than wood; L* a blurred point is darker than usual."""
_LINE_LEVELS = ((1.7, 2.6), (2.4, 4.0))
_LINE_LEAST_PX = 14
_RING_PX = 8
_CHECK, _WOOD, _GROUND = (MATTERS.index(key) for key in ("check", "wood", "ground"))


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
    """Return all pieces of a view that could be defects, from several views of it."""
    chances = likely_matter(view)
    lab = lab_of(view)
    dark = cv2.GaussianBlur(usual_colour(lab)[..., 0] - lab[..., 0], (0, 0), 1.5) * view.wood
    other = 1 - chances[..., _WOOD] - chances[..., _GROUND] - 0.5 * chances[..., _CHECK]
    other = cv2.GaussianBlur(other, (0, 0), 1.2) * view.wood
    found: list[Candidate] = []
    for level in _LINE_LEVELS:
        found += _pieces(_linked(view.lines, level), view.wood, line=True)
    for field, levels in ((other, _MATTER_LEVELS), (dark, _DARK_LEVELS)):
        for level in levels:
            found += _pieces(_hysteresis(field, level), view.wood, line=False)
    return Candidates(found, _described(view, chances, lab, dark, found))


def _hysteresis(field: Floats32, level: tuple[float, float]) -> NDArray[np.uint8]:
    """Points above the lower level that hang together with one above the higher."""
    count, labels = cv2.connectedComponents((field > level[0]).astype(np.uint8), connectivity=8)
    keep = np.zeros(count, bool)
    keep[labels[field > level[1]]] = True
    keep[0] = False
    return np.asarray(keep[labels], dtype=np.uint8)


def _linked(lines: Floats32, level: tuple[float, float]) -> NDArray[np.uint8]:
    """Lines thinned to where they are strongest, across."""
    crest = lines >= 0.8 * cv2.dilate(lines, np.ones((7, 7), np.uint8))
    return _hysteresis(np.where(crest, lines, 0).astype(np.float32), level)


def _pieces(mask: NDArray[np.uint8], wood: Mask, line: bool) -> list[Candidate]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    most = _LARGEST_SHARE * np.count_nonzero(wood)
    found = []
    for k in range(1, count):
        left, top, wide, high, area = stats[k]
        enough = np.hypot(wide, high) >= _LINE_LEAST_PX if line else area >= _LEAST_PX
        if enough and area <= most:
            here = labels[top : top + high, left : left + wide] == k
            found.append(Candidate(here, (int(top), int(left)), line))
    return found


def _described(
    view: View, chances: Floats32, lab: Floats32, dark: Floats32, pieces: list[Candidate]
) -> Floats32:
    bend = grain_bend(view)
    away = cv2.distanceTransform(np.pad(view.wood, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    across = np.array([-view.along[1], view.along[0]])
    rim = np.argwhere(view.wood[::8, ::8]) * 8 @ view.along
    ends = (float(rim.min()), float(rim.max())) if rim.size else (0.0, 1.0)
    usual = np.median(lab[view.wood], axis=0) if view.wood.any() else np.zeros(3)
    rows = np.zeros((len(pieces), len(FEATURES)), np.float32)
    for k, piece in enumerate(pieces):
        box = tuple(
            slice(max(s.start - _RING_PX, 0), min(s.stop + _RING_PX, side))
            for s, side in zip(piece.window, view.wood.shape, strict=True)
        )
        here = np.zeros(view.wood[box].shape, bool)
        row, col = piece.corner[0] - box[0].start, piece.corner[1] - box[1].start
        here[row : row + piece.mask.shape[0], col : col + piece.mask.shape[1]] = piece.mask
        near = cv2.dilate(here.astype(np.uint8), np.ones((2 * _RING_PX - 1,) * 2, np.uint8)) > 0
        ring = near & ~here & view.wood[box]
        ring = ring if ring.any() else near
        points = np.argwhere(piece.mask).astype(float) + piece.corner
        u, v = points @ view.along, points @ across
        spans = float(np.ptp(u)) + 1, float(np.ptp(v)) + 1
        cover = np.cov(points.T) + 0.1 * np.eye(2) if len(points) > 1 else np.eye(2)
        size, axes = np.linalg.eigh(cover)
        inside, beside = lab[box][here], lab[box][ring]
        off = inside.mean(axis=0) - beside.mean(axis=0)
        deep = cv2.distanceTransform(np.pad(here, 1).astype(np.uint8), cv2.DIST_L2, 3).max()
        chance, response = chances[box][here], view.lines[box][here]
        to_end = min(u.min() - ends[0], ends[1] - u.max()) / max(ends[1] - ends[0], 1.0)
        rows[k] = [
            *chance.mean(axis=0), float(1 - chance[:, _WOOD].min()), np.log(len(points)),
            np.log(spans[0]), np.log(spans[1]), np.log(spans[0] / spans[1]),
            np.log(np.sqrt(size[1] / size[0])), abs(float(axes[:, 1] @ view.along)),
            len(points) / (4 * np.pi * np.sqrt(size[0] * size[1])), np.log(deep), *(off / 10),
            np.log(beside[:, 0].std() + 1), np.log(inside[:, 0].std() + 1),
            (inside[:, 0].min() - beside[:, 0].mean()) / 20, *((inside.mean(axis=0) - usual) / 10),
            *((beside.mean(axis=0) - usual) / 10), dark[box][here].mean() / 10,
            np.log(away[box][here].min() + 1), np.log(away[box][here].max() + 1), to_end,
            chances[box][ring][:, _WOOD].mean(), bend[box][ring].mean(), bend[box][here].mean(),
            response.mean(), response.max(), view.lines[box][ring].mean(), float(piece.line),
        ]  # fmt: skip
    return rows


FEATURES = (
    *(f"is {matter}" for matter in MATTERS), "surest", "area", "length along", "width across",
    "slenderness", "elongation", "lies along", "fill", "thickness", "lightness off", "a* off",
    "b* off", "ring's unrest", "own unrest", "darkest", "lightness off face", "a* off face",
    "b* off face", "ring's lightness off face", "ring's a* off face", "ring's b* off face",
    "darker than usual", "nearest to rim", "farthest from rim", "from the end", "wood round it",
    "grain bends round it", "grain bends in it", "line", "line at most", "lines round it",
    "found as a line",
)  # fmt: skip
"""Columns of :attr:`Candidates.features`."""
