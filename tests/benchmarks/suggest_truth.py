"""Which pieces of a rendered face are right, and which defects were found."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.face_view import View
from slabvision.segment.proposals import Candidate
from slabvision.segment.verdicts import LEAST_OVERLAP, agreeing, close_to
from tests.benchmarks.rendered_faces import KINDS
from tests.benchmarks.rendered_yards import YardFace

CHECKS = ("end_check", "surface_check", "through_check", "shake", "pith")
LONG_MM = 50.0
LEAST_PX = 60
STANDS_OUT = 3.0
"""Spreads of the lines beside it by which a check is darker, for one who knows where it lies."""
_DARK = 8
"""Light below this, of 255, is noise."""


class Truth(NamedTuple):
    """One defect on the shrunken face.

    Attributes
    ----------
    group : str
    mask, seen : ndarray of bool
        Where it lies, and that without the ends of a check that are too thin to be seen.
    counts : bool
        The bars ask for it, and light falls there.
    stands_out : bool
        Of a check: whether one who knows where it lies can tell it from lines beside it.
    """

    group: str
    mask: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    counts: bool
    stands_out: bool = True


def darker_than_beside(light: NDArray[np.float32], points: NDArray[np.intp]) -> float:
    """Return how much darker the places of a line are than the same places moved aside.

    In spreads of those: the line is laid 10 to 60 px aside, either way, across its long axis, and
    each time taken where it is darkest within a pixel. So much a plain matched filter sees that
    need not search; what also weighs colour or bends may see a little more.

    Parameters
    ----------
    light : ndarray, shape (H, W)
        Logarithm of the light.
    points : ndarray, shape (N, 2)
        (row, col).
    """
    across = np.linalg.eigh(np.cov(points.T))[1][:, 0] if len(points) > 2 else np.array([1.0, 0.0])
    last = np.array(light.shape) - 1

    def darkest(aside: float) -> float:
        moved = [points + (aside + near) * across for near in (-1, -0.5, 0, 0.5, 1)]
        at = [np.clip(np.rint(each), 0, last).astype(np.intp) for each in moved]
        return min(float(light[each[:, 0], each[:, 1]].mean()) for each in at)

    beside = np.array([darkest(side * far) for far in range(10, 61, 5) for side in (-1, 1)])
    return float((beside.mean() - darkest(0)) / max(beside.std(), 1e-3))


def truths_of(face: YardFace, view: View) -> list[Truth]:
    """Defects of a face as they lie on the view."""
    shape = np.array(view.wood.shape)
    light = np.log(face.pixels.mean(axis=2, dtype=np.float32) + _DARK)
    found = []
    for number, kind in face.kinds.items():
        points = np.argwhere(face.labels == number)
        places = np.column_stack([points[:, ::-1], np.ones(len(points))]) @ view.turn.T
        at = np.clip(np.rint(places[:, ::-1]).astype(int), 0, shape - 1)
        clear = ~face.faint[points[:, 0], points[:, 1]]
        mask, seen = np.zeros(tuple(shape), bool), np.zeros(tuple(shape), bool)
        for here, which in ((mask, at), (seen, at[clear])):
            here[which[:, 0], which[:, 1]] = True
            here &= view.wood
        if not seen.any():
            continue
        check = kind in CHECKS
        group = "check" if check else KINDS.get(kind, "other")
        counts = (check and kind != "pith" and face.lengths_mm[number] > LONG_MM) or (
            group in ("knot", "bark", "rot") and np.count_nonzero(mask) > LEAST_PX
        )
        in_light = face.shadow[points[:, 0], points[:, 1]].mean() < 0.5
        counts = bool(counts and in_light)
        plain = not (check and counts) or darker_than_beside(light, points[clear]) >= STANDS_OUT
        found.append(Truth(group, mask, seen, counts, plain))
    return found


def right(pieces: list[Candidate], truths: list[Truth]) -> NDArray[np.bool_]:
    """For each piece whether a person would accept it, by what is true."""
    if not truths:
        return np.zeros(len(pieces), np.bool_)
    shape = truths[0].mask.shape
    checks = np.zeros(shape, bool)
    numbers = np.zeros(shape, np.int32)
    for k, truth in enumerate(truths, start=1):
        if truth.group == "check":
            checks |= truth.mask
        else:
            numbers[truth.mask] = k
    return agreeing(pieces, numbers, checks)


def found(pieces: list[Candidate], truths: list[Truth]) -> list[bool]:
    """For each truth whether a piece found it; a check when half of what shows is covered."""
    if not truths:
        return []
    covered = np.zeros(truths[0].mask.shape, bool)
    for piece in pieces:
        if piece.line:
            covered[piece.window] |= piece.mask
    covered = close_to(covered)
    answer = []
    for truth in truths:
        if truth.group == "check":
            answer.append(bool(covered[truth.seen].mean() >= 0.5))
            continue
        area = np.count_nonzero(truth.mask)
        best = 0.0
        for piece in pieces:
            both = np.count_nonzero(truth.mask[piece.window] & piece.mask)
            if both and not piece.line:
                best = max(best, both / (area + np.count_nonzero(piece.mask) - both))
        answer.append(best >= LEAST_OVERLAP)
    return answer
