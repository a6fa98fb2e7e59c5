"""What each point of a face seems to be: wood, knot, rot, bark, hole, check, stain, ground."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.network import answers, stored
from slabvision.segment.polar import ANGLES, Frame, Pyramid
from slabvision.segment.window import Floats, Floats32, as_unit

__all__ = ["MATTERS", "likelihoods", "matter_at", "matter_features", "matter_round", "usual_colour"]

MATTERS = ("wood", "knot", "rot", "bark", "hole", "check", "stain", "ground")
"""What a point can be; the order of the network's outputs."""

_BLURS = (0.8, 2.0, 5.0, 12.0)
_SURROUND_SHRINK = 12
_SURROUND_WINDOW = 9


def usual_colour(lab: Floats32) -> Floats32:
    """Usual colour of a wide neighbourhood: medians of a shrunken picture, enlarged again."""
    from scipy.ndimage import median_filter

    height, width = lab.shape[:2]
    size = (max(width // _SURROUND_SHRINK, 1), max(height // _SURROUND_SHRINK, 1))
    small = cv2.resize(lab, size, interpolation=cv2.INTER_AREA)
    calm = median_filter(small, (_SURROUND_WINDOW, _SURROUND_WINDOW, 1), mode="nearest")
    calm = cv2.GaussianBlur(calm, (0, 0), 1.5)
    return np.asarray(cv2.resize(calm, (width, height), interpolation=cv2.INTER_LINEAR))


def matter_features(pixels: NDArray[Any]) -> Floats32:
    """Return features per point, shape (H, W, F), each of about unit spread.

    Colour against the surroundings at four scales, the surroundings themselves, roughness at two
    scales, curvature (dark and bright lines and spots) at three, direction of the grain.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3)
        Any picture type, or float32 from 0 to 1.
    """
    lab = np.asarray(cv2.cvtColor(as_unit(np.ascontiguousarray(pixels)), cv2.COLOR_RGB2LAB))
    around = usual_colour(lab)
    off = lab - around
    blurred = [_blur(off, sigma) for sigma in _BLURS]
    planes: list[NDArray[Any]] = []
    for part in blurred:
        planes += [part[..., 0] / 8, part[..., 1] / 4, part[..., 2] / 4]
    planes += [(around[..., 0] - 55) / 15, (around[..., 1] - 8) / 6, (around[..., 2] - 20) / 8]
    light = off[..., 0]
    for calm, sigma in ((blurred[1], 2.5), (blurred[2], 6.0)):
        rough = _blur(np.square(light - calm[..., 0]), sigma)
        planes.append(np.log(np.sqrt(np.maximum(rough, 0)) + 0.4))
    for part, sigma in zip(blurred, (1.2, 2.5, 5.0), strict=False):
        high, low = _curvature(part[..., 0], sigma)
        planes += [high / 6, low / 6]
    gy = cv2.Sobel(blurred[1][..., 0], cv2.CV_32F, 0, 1, ksize=3) / 8
    gx = cv2.Sobel(blurred[1][..., 0], cv2.CV_32F, 1, 0, ksize=3) / 8
    xx, yy, xy = (_blur(product, 5.0) for product in (gx * gx, gy * gy, gx * gy))
    total = xx + yy + 0.05
    planes += [
        (yy - xx) / total,
        np.sqrt(np.square(xx - yy) + 4 * xy * xy) / total,
        np.log(np.sqrt(np.maximum(total, 0.01))),
    ]
    return np.asarray(np.clip(np.dstack(planes), -6, 6), dtype=np.float32)


def _blur(image: Any, sigma: float) -> Any:
    """Gaussian blur; wide ones on a shrunken picture."""
    shrink = 1 if sigma < 4 else 2 if sigma < 8 else 4
    height, width = image.shape[:2]
    if shrink == 1 or min(height, width) < 4 * shrink:
        return cv2.GaussianBlur(image, (0, 0), sigma)
    small = cv2.resize(image, (width // shrink, height // shrink), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / shrink)
    return cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)


def _curvature(light: Floats32, sigma: float) -> tuple[Floats32, Floats32]:
    """Larger and smaller eigenvalue of the Hessian, times a scale squared."""
    scale = np.float32(sigma**2 / 4)
    rr = cv2.Sobel(light, cv2.CV_32F, 0, 2, ksize=3) * scale
    cc = cv2.Sobel(light, cv2.CV_32F, 2, 0, ksize=3) * scale
    rc = cv2.Sobel(light, cv2.CV_32F, 1, 1, ksize=3) * scale
    half, spread = (rr + cc) / 2, np.sqrt(np.square((rr - cc) / 2) + rc * rc)
    return half + spread, half - spread


def likelihoods(pixels: NDArray[Any]) -> Floats32:
    """Return how likely each point is each of :data:`MATTERS`; shape (H, W, len(MATTERS)).

    A small network trained on rendered faces, see DEVELOPERS.md.
    """
    out = answers(matter_features(pixels), stored("matter"))
    out -= out.max(axis=2, keepdims=True)
    np.exp(out, out=out)
    return np.asarray(out / out.sum(axis=2, keepdims=True))


def matter_at(pyramid: Pyramid, point: Floats) -> Floats32:
    """Return how likely each of :data:`MATTERS` is at a (row, col) of the photo."""
    axis = np.arange(-_NEAR_HALF, _NEAR_HALF + 1)
    rows, cols = np.meshgrid(point[0] + axis, point[1] + axis, indexing="ij")
    chance = likelihoods(pyramid.sample(rows, cols, 1.0))
    spot = slice(_NEAR_HALF - 1, _NEAR_HALF + 2)
    return np.asarray(chance[spot, spot].mean(axis=(0, 1)))


_NEAR_HALF = 30
_ROUND_STEPS = (1.0, 4.0, 12.0)
_ROUND_HALF = 60


def matter_round(pyramid: Pyramid, frame: Frame) -> Floats32:
    """Return a log-polar picture of what is no clean wood and of what is like the click.

    Returns
    -------
    ndarray, shape (ANGLES, radii, 2)
        How likely a point is a defect of any kind, and how like the click's own its matter is
        (Bhattacharyya coefficient), 0 to 1.
    """
    axis = np.arange(-_ROUND_HALF, _ROUND_HALF + 1)
    rows, cols = np.meshgrid(axis, axis, indexing="ij")
    radii = frame.radii
    angle = np.arange(ANGLES)[:, None] * (2 * np.pi / ANGLES)
    answer = np.zeros((ANGLES, radii.size, 2), dtype=np.float32)
    click: Floats32 | None = None
    inner = 0.0
    for step in _ROUND_STEPS:
        ring = radii >= inner
        inner = 0.9 * _ROUND_HALF * step
        seen = pyramid.sample(frame.middle[0] + rows * step, frame.middle[1] + cols * step, step)
        chance = likelihoods(seen)
        if click is None:
            spot = slice(_ROUND_HALF - 1, _ROUND_HALF + 2)
            click = np.sqrt(chance[spot, spot].mean(axis=(0, 1)))
        wood = chance[..., MATTERS.index("wood")] + chance[..., MATTERS.index("ground")]
        planes = np.dstack([1 - wood, np.sqrt(chance) @ click]).astype(np.float32)
        y = (radii[ring] * np.sin(angle) / step + _ROUND_HALF).astype(np.float32)
        x = (radii[ring] * np.cos(angle) / step + _ROUND_HALF).astype(np.float32)
        answer[:, ring] = cv2.remap(planes, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return answer
