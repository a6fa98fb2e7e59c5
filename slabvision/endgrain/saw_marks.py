"""Find straight, parallel saw marks and take them out of the picture.

Saw marks share one direction all over the wood; rings have it only where they happen to run that
way. So a direction is a saw's if averaging along it keeps contrast (nearly) everywhere, and what
that average holds is subtracted: rings, which leave the line, are not in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.tensor import Pyramid
from slabvision.opencv import cv2

__all__ = ["SawMarks", "without_saw_marks"]

Image = NDArray[np.float32]

PIECE = 640
"""Side of the piece that is searched, pixels."""
LENGTH = 0.4
"""Length of the average along a line, share of that piece."""
SHARE = 0.08
"""Share of fine contrast that the average along a line must keep where rings run another way."""
SHARE_ALIKE = 0.2
"""The same where the rings, as far as is known, run nearly along the line everywhere."""


@dataclass(frozen=True)
class SawMarks:
    """Direction of saw marks that were taken out.

    Attributes
    ----------
    direction_deg : float
        Along the marks, from +column towards +row.
    sure : float
        Contrast they hold, in units of what it takes to call them saw marks.
    """

    direction_deg: float
    sure: float


def _candidates(grey: NDArray[np.uint8], wood: NDArray[np.uint8]) -> list[float]:
    """Return directions (degrees) in which unusually many edges run, most first."""
    # In floating point: whole grey levels make small gradients run along 0, 45 and 90 degrees.
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.0)
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    keep = cv2.erode(wood, np.ones((9, 9), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    inside = keep > 0
    size, angle = cv2.cartToPolar(gx[inside], gy[inside], angleInDegrees=True)
    if size.size < 1000:
        return []
    low, cap = np.percentile(size[::13], (30, 90))
    weight = np.clip(size.ravel() - low, 0, cap - low)
    along = (np.round(angle.ravel() + 90.0).astype(np.int64)) % 180
    histogram = np.bincount(along, weights=weight, minlength=180)
    wrapped = np.concatenate([histogram[-20:], histogram, histogram[:20]])
    narrow = np.convolve(wrapped, np.ones(3) / 3, "same")
    ring = np.ones(25)
    ring[7:18] = 0  # 7 to 12 degrees on either side
    wide = np.convolve(wrapped, ring / ring.sum(), "same")
    excess = (narrow / (wide + 1e-9))[20:200]
    turned = np.stack([np.roll(excess, k) for k in range(-6, 7)])
    peaks = np.nonzero((excess >= turned.max(axis=0)) & (excess > 1.08))[0]
    return [float(k) for k in peaks[np.argsort(-excess[peaks])][:3]]


def _line_average(image: Image, inside: Image, degrees: float, length: int) -> tuple[Image, Image]:
    """Average along a direction inside the wood; returns average and how much wood it met."""
    rows, cols = image.shape
    centre = ((cols - 1) / 2, (rows - 1) / 2)
    turn = cv2.getRotationMatrix2D(centre, degrees, 1.0)
    a = np.deg2rad(degrees)
    width = int(np.ceil(abs(cols * np.cos(a)) + abs(rows * np.sin(a)))) + 2
    height = int(np.ceil(abs(rows * np.cos(a)) + abs(cols * np.sin(a)))) + 2
    turn[0, 2] += (width - 1) / 2 - centre[0]
    turn[1, 2] += (height - 1) / 2 - centre[1]
    size = (width, height)
    value = cv2.warpAffine(image * inside, turn, size, flags=cv2.INTER_LINEAR)
    area = cv2.warpAffine(inside, turn, size, flags=cv2.INTER_LINEAR)
    value = cv2.blur(value, (length, 1), borderType=cv2.BORDER_CONSTANT)
    area = cv2.blur(area, (length, 1), borderType=cv2.BORDER_CONSTANT)
    mean = value / (area + np.float32(1e-2))
    back = (cols, rows)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return (
        np.asarray(cv2.warpAffine(mean, turn, back, flags=flags)),
        np.asarray(cv2.warpAffine(area, turn, back, flags=flags)),
    )


def _kept_share(
    mean: Image, area: Image, rest: Image, inside: Image, length: int, other: Image, far: bool
) -> float:
    """Return the share of contrast that an average along a line keeps, against its threshold.

    Judged where rings round the present centre run another way (``other``), if there is such wood;
    where they run that way everywhere, only round a centre so far off that it may be the saw's
    lines that point to it. 1 means just enough to be saw marks.
    """
    factor = 16
    size = (max(1, rest.shape[1] // factor), max(1, rest.shape[0] // factor))

    def local(image: Image) -> Image:
        small = cv2.resize(image * inside, size, interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.GaussianBlur(small, (0, 0), 1.5))

    wood = local(np.ones_like(inside))
    # Averaging n independent pixels keeps 1/n (pixels near each other are not independent).
    chance = 4.0 / np.maximum(local(area) / (wood + 1e-6) * length, 4.0)
    share = local(mean * mean) / (local(rest * rest) + 1e-6) - chance
    deep = wood > 0.6
    if not deep.any():
        return 0.0
    apart = deep & (cv2.resize(other, size, interpolation=cv2.INTER_AREA) > 0.5)
    if np.count_nonzero(apart) > 0.12 * np.count_nonzero(deep):
        return float(np.median(share[apart])) / SHARE
    return float(np.median(share[deep])) / SHARE_ALIKE if far else 0.0


def _rest(picture: Image, inside: Image) -> Image:
    """Return fine contrast inside the wood, clipped so that a check does not rule a line."""
    area = cv2.GaussianBlur(inside, (0, 0), 20.0) + np.float32(1e-3)
    rest = (picture - cv2.GaussianBlur(picture * inside, (0, 0), 20.0) / area) * inside
    scatter = float(np.sqrt((rest**2).sum() / inside.sum())) + 1e-3
    return np.asarray(np.clip(rest, -3 * scatter, 3 * scatter), dtype=np.float32)


def _judge(
    picture: Image, inside: Image, degrees: float, length: int, centre: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the best direction near ``degrees`` and how surely it is a saw's (1 = just so)."""
    rest = _rest(picture, inside)
    row, col = np.indices(picture.shape, dtype=np.float32)
    a = np.deg2rad(degrees)
    away = (row - centre[0], col - centre[1])
    # Rings run across the radius: the sine between ring and line is the cosine to the radius.
    sine = np.abs(away[0] * np.sin(a) + away[1] * np.cos(a)) / (np.hypot(*away) + 1e-6)
    other = (sine > np.sin(np.deg2rad(20.0))).astype(np.float32)
    middle = (np.array(picture.shape) - 1) / 2
    far = float(np.hypot(*(centre - middle))) > 1.2 * length / LENGTH
    best = (degrees, -1.0)
    for step in (0.0, 1.0, -1.0, 0.5, -0.5):
        if step and best[1] < (0.4 if abs(step) == 1.0 else 1.0):
            break
        trial = (degrees if abs(step) == 1.0 else best[0]) + step
        mean, met = _line_average(rest, inside, trial, length)
        share = _kept_share(mean, met, rest, inside, length, other, far)
        if share > best[1]:
            best = (trial, share)
    return best


def without_saw_marks(
    pyramid: Pyramid, centre: NDArray[np.float64]
) -> tuple[Pyramid, tuple[SawMarks, ...]]:
    """Return the picture without straight saw marks, and what was taken out.

    Parameters
    ----------
    pyramid : Pyramid
        Picture and wood at several sizes.
    centre : ndarray, shape (2,)
        What is believed to be the pith before saw marks are known, in the photo's pixels.
    """
    index = min(1, len(pyramid.levels) - 1)
    grey, wood = pyramid.levels[index], pyramid.inside[index]
    where = np.nonzero(wood)
    if where[0].size < 5000:
        return pyramid, ()
    low = np.array([where[0].min(), where[1].min()])
    high = np.array([where[0].max(), where[1].max()]) + 1
    box = np.s_[low[0] : high[0], low[1] : high[1]]
    # Saw marks are all over: a piece from the middle is enough to know them by.
    middle = (low + high) // 2
    near = np.maximum(low, middle - PIECE // 2)
    end = np.minimum(high, middle + PIECE // 2)
    piece = np.s_[near[0] : end[0], near[1] : end[1]]
    found = _candidates(grey[piece], wood[piece])
    marks: list[SawMarks] = []
    picture = grey[box].astype(np.float32)
    inside = (wood[box] > 0).astype(np.float32)
    part = np.s_[near[0] - low[0] : end[0] - low[0], near[1] - low[1] : end[1] - low[1]]
    length = int(max(60, LENGTH * max(end - near))) | 1
    here = centre * pyramid.scales[index] - near
    for start in (*found, *found[:1]):  # the strongest twice: what the first time left
        degrees, sure = _judge(picture[part], inside[part], start, length, here)
        if sure < 1.0:
            continue
        mean, _ = _line_average(_rest(picture, inside), inside, degrees, length)
        picture -= mean * inside
        marks.append(SawMarks(degrees % 180.0, sure))
    if not marks:
        return pyramid, ()
    taken = np.zeros(grey.shape, np.float32)
    taken[box] = grey[box] - picture
    levels = list(pyramid.levels)
    for k, level in enumerate(levels):
        ratio = pyramid.scales[k] / pyramid.scales[index]
        whole = taken
        if ratio != 1.0:
            way = cv2.INTER_AREA if ratio < 1 else cv2.INTER_LINEAR
            whole = cv2.resize(taken, level.shape[::-1], interpolation=way)
        levels[k] = np.clip(level - whole, 0, 255).astype(np.uint8)
    return Pyramid(tuple(levels), pyramid.scales, pyramid.inside), tuple(marks)
