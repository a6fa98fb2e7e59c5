"""Find straight, parallel saw marks and take them out of the picture.

Saw marks share one direction all over the wood; rings have it only where they happen to run that
way. So a direction is a saw's if lines run that way also where rings round the present centre run
another way. What the average along it holds is subtracted: rings, which soon leave the line, are
not in it. Rays that run side by side all over a piece cut far from the pith go the same way, and
rings are the easier to see without them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.directions import ANGLES, Directions, turn_level
from slabvision.endgrain.evenness import evened, slow
from slabvision.endgrain.pyramid import Pyramid
from slabvision.opencv import cv2

__all__ = ["SawMarks", "without_saw_marks"]

Floats = NDArray[np.float64]
Image = NDArray[np.float32]

LENGTH = 0.16
"""Length of the average along a line, share of the wood's long side."""
APART_DEG = 15.0
"""Rings that run this far from a line are not what it shows."""
LEAST_APART = 0.1
"""Share of the wood that must lie so, or nothing can be said."""
LEAST_SHARE = 0.35
"""Lines there, as a share of the strongest lines of the wood, from which on they are marks."""


@dataclass(frozen=True)
class SawMarks:
    """Direction of saw marks that were taken out.

    Attributes
    ----------
    direction_deg : float
        Along the marks, from +column towards +row, 0 to 180.
    share : float
        Share of the contrast that they hold where rings run another way.
    """

    direction_deg: float
    share: float


def _suspect(directions: Directions, centre: Floats) -> SawMarks | None:
    """Return the direction in which most runs where rings run another way, if it is enough."""
    away = centre - directions.centre
    normal = np.rad2deg(np.arctan2(away[:, 0], away[:, 1]))
    strongest = float(directions.every.max(axis=1).mean())
    best = None
    for k in range(ANGLES):
        here = k * 180.0 / ANGLES
        along = (here + 90.0) % 180.0
        apart = np.abs((normal - here + 90.0) % 180.0 - 90.0) > APART_DEG
        if apart.mean() < LEAST_APART:
            continue
        share = float(np.median(directions.every[apart, k]))
        if share > LEAST_SHARE * strongest and (best is None or share > best.share):
            best = SawMarks(along, share)
    return best


def _along(rest: Image, inside: Image, degrees: float, length: int) -> Image:
    """Average along a direction inside the wood."""
    turn, size = turn_level(rest.shape, degrees)
    value = cv2.warpAffine(rest, turn, size, flags=cv2.INTER_LINEAR)
    area = cv2.warpAffine(inside, turn, size, flags=cv2.INTER_LINEAR)
    value = cv2.blur(value, (length, 1), borderType=cv2.BORDER_CONSTANT)
    area = cv2.blur(area, (length, 1), borderType=cv2.BORDER_CONSTANT)
    mean = value / (area + np.float32(1e-2))
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    back = cv2.warpAffine(mean, turn, rest.shape[::-1], flags=flags)
    return np.asarray(back * inside, dtype=np.float32)


def _sharpened(rest: Image, inside: Image, degrees: float, length: int) -> float:
    """Return the direction near ``degrees`` whose lines hold most, to half a degree."""
    best, most = degrees, -1.0
    for step in (2.0, 1.0, 0.5):
        around = best
        for trial in (around - step, around, around + step):
            if trial == around and most >= 0:
                continue
            held = float((_along(rest, inside, trial, length) ** 2).sum())
            if held > most:
                best, most = trial, held
    return best


def without_saw_marks(
    pyramid: Pyramid, directions: Directions, centre: Floats, long_side: float
) -> tuple[Pyramid, SawMarks] | None:
    """Return the picture without its straight marks, and which those were; None without any.

    Parameters
    ----------
    pyramid : Pyramid
        Picture and wood at several sizes.
    directions : Directions
        What runs which way in it.
    centre : ndarray, shape (2,)
        What is believed to be the pith before saw marks are known, pixels of the view.
    long_side : float
        Of the wood, pixels of the view.
    """
    found = _suspect(directions, centre)
    if found is None:
        return None
    insides = [(wood > 0).astype(np.float32) for wood in pyramid.inside]
    lengths = [max(31, round(LENGTH * long_side * scale)) | 1 for scale in pyramid.scales]
    rest = evened(pyramid.levels[0].astype(np.float32), insides[0], 8.0)
    degrees = _sharpened(rest, insides[0], found.direction_deg, lengths[0])
    levels = []
    for k, (grey, inside) in enumerate(zip(pyramid.levels, insides, strict=True)):
        sigma = 12.0 * pyramid.scales[k] / pyramid.scales[0]
        fine = (grey - slow(grey * inside, sigma) / (slow(inside, sigma) + 1e-3)) * inside
        spread = float(np.sqrt((fine**2).sum() / (inside.sum() + 1.0)))
        # Clipped, so that a check does not rule a line right across.
        lines = _along(np.clip(fine, -3 * spread, 3 * spread), inside, degrees, lengths[k])
        levels.append(np.clip(grey - lines, 0, 255).astype(np.uint8))
    clean = Pyramid(tuple(levels), pyramid.scales, pyramid.inside)
    return clean, SawMarks(degrees % 180.0, found.share)
