"""What a pixel of a shrunk photo looks like: colour, texture, grain, likeness to the middle."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_ways import ways
from slabvision.segment.window import Floats, Floats32, as_unit

__all__ = ["LONG_SIDE", "Small", "around", "colour_bins", "look_of", "looks_back", "shrink"]

LONG_SIDE = 400
"""The slab is looked for in the photo shrunk to this many pixels on its longer side."""

_BINS = (10, 8, 8, 4)
"""Bins of a colour histogram: lightness, red-green, blue-yellow, roughness."""
_SHADELESS_BINS = (12, 14, 4)
"""The same without lightness: both chromas against lightness, contrast."""


class Small(NamedTuple):
    """A photo shrunk for a first look.

    Attributes
    ----------
    lab : ndarray of float32, shape (h, w, 3)
        CIELAB divided by 100.
    rough : ndarray of float32, shape (h, w, 2)
        Logarithm of fine and of medium texture, taken at twice the size.
    scale : float
        Photo pixels per pixel here.
    """

    lab: Floats32
    rough: Floats32
    scale: float


def _blur(image: NDArray[Any], sigma: float) -> Floats32:
    """Gaussian; wide ones are taken from a picture shrunk by two, four, eight."""
    height, width = image.shape[:2]
    factor = 1
    while sigma / factor > 5 and min(height, width) // (2 * factor) > 16:
        factor *= 2
    if factor == 1:
        return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REFLECT))
    small = cv2.resize(image, (width // factor, height // factor), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / factor, borderType=cv2.BORDER_REFLECT)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR))


def shrink(pixels: NDArray[Any], side: int = LONG_SIDE) -> Small:
    """Return the photo as the first look wants it, its longer side that long."""
    rows, cols = pixels.shape[:2]
    scale = max(max(rows, cols) / side, 1e-6)
    size = (max(8, round(cols / scale)), max(8, round(rows / scale)))
    double = (2 * size[0], 2 * size[1])
    way = cv2.INTER_AREA if scale > 1 else cv2.INTER_LINEAR
    large = as_unit(cv2.resize(pixels, double, interpolation=way))
    if large.ndim == 2:
        large = cv2.cvtColor(large, cv2.COLOR_GRAY2RGB)
    colour = cv2.resize(large, size, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(colour, cv2.COLOR_RGB2LAB) / np.float32(100)
    light = cv2.cvtColor(large, cv2.COLOR_RGB2GRAY)
    calm = cv2.GaussianBlur(light, (0, 0), 1.0)
    bands = (np.abs(light - calm), np.abs(calm - cv2.GaussianBlur(light, (0, 0), 3.0)))
    rough = [cv2.resize(band, size, interpolation=cv2.INTER_AREA) for band in bands]
    logs = np.log(np.stack(rough, axis=2) + np.float32(3e-3)) * np.float32(0.25) + 1
    return Small(lab, logs, scale)


def _shadeless(lab: Floats32) -> Floats32:
    """Return colour as shadows leave it: chroma against lightness."""
    return np.asarray(lab[..., 1:] / (np.maximum(lab[..., :1], 0) + np.float32(0.12)))


def colour_bins(small: Small) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return each pixel's bin in two histograms: with lightness, and as shadows leave it."""
    calm = _blur(small.lab, 1.0)
    rough = _blur(small.rough[..., 0], 2.0)
    hue = _shadeless(_blur(small.lab, 2.0))
    contrast = rough - np.float32(0.25) * np.log(np.maximum(calm[..., 0], 0) + np.float32(0.05))
    with_light = (
        (calm[..., 0], 0.0, 1.0),
        (calm[..., 1], -0.3, 0.4),
        (calm[..., 2], -0.3, 0.6),
        (rough, -0.5, 0.6),
    )
    without = ((hue[..., 0], -0.4, 0.7), (hue[..., 1], -0.4, 1.0), (contrast, -0.2, 1.0))
    return _binned(with_light, _BINS), _binned(without, _SHADELESS_BINS)


def _binned(
    channels: tuple[tuple[NDArray[Any], float, float], ...], counts: tuple[int, ...]
) -> NDArray[np.intp]:
    out = np.zeros(channels[0][0].shape, np.intp)
    for count, (values, low, high) in zip(counts, channels, strict=True):
        step = np.clip((values - low) / (high - low) * count, 0, count - 1).astype(np.intp)
        out = out * count + step
    return out


def _likeness(
    bins: tuple[NDArray[np.intp], NDArray[np.intp]], inside: Floats32, outside: Floats32
) -> list[Floats32]:
    """Return both likenesses at three scales."""
    parts = []
    for each, counts in zip(bins, (_BINS, _SHADELESS_BINS), strict=True):
        like = looks_back(each, counts, inside, outside)
        parts += [_blur(like, sigma) for sigma in (1.0, 4.0, 14.0)]
    return parts


def looks_back(
    bins: NDArray[np.intp], counts: tuple[int, ...], inside: Floats32, outside: Floats32
) -> Floats32:
    """Return how much more often each pixel's look occurs inside than outside, -1 to 1.

    Weighted histograms, smoothed over neighbouring bins, projected back (Swain and Ballard 1991,
    "Color indexing", IJCV 7).
    """
    from scipy.ndimage import gaussian_filter

    total = int(np.prod(counts))
    both = []
    for weight in (inside, outside):
        seen = np.bincount(bins.ravel(), weight.ravel(), total).reshape(counts)
        seen = gaussian_filter(seen, 0.8, mode="constant").ravel()
        both.append((seen + 1e-6) / (seen.sum() + 1e-6 * total))
    ratio = np.log(both[0] + 2e-5) - np.log(both[1] + 2e-5)
    return np.asarray(np.tanh(ratio / 2)[bins], np.float32)


def _frame_places(shape: tuple[int, int]) -> tuple[Floats32, Floats32]:
    rows, cols = shape
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None] * np.ones(cols, np.float32)
    x = np.linspace(-1, 1, cols, dtype=np.float32)[None, :] * np.ones((rows, 1), np.float32)
    return y, x


def look_of(
    small: Small,
    bins: tuple[NDArray[np.intp], NDArray[np.intp]],
    inside: Floats | None = None,
    outside: Floats | None = None,
) -> Floats32:
    """Return the features of every pixel, shape (h, w, F).

    Colour at five scales, also as shadows leave it, roughness at three, the direction and strength
    of grain at two (structure tensor: Bigun and Granlund 1987), likeness of the colour to the
    middle of the picture rather than to its rim, the difference from both, the ways to both, and
    the place in the frame.
    """
    lab, rough = small.lab, small.rough
    parts: list[Floats32] = [lab]
    parts += [_blur(lab, sigma) for sigma in (1.5, 3.5, 8.0, 20.0)]
    parts += [_blur(rough, sigma) for sigma in (1.0, 3.5, 10.0)]
    light = lab[..., 0]
    down = cv2.Sobel(light, cv2.CV_32F, 0, 1, ksize=3)
    over = cv2.Sobel(light, cv2.CV_32F, 1, 0, ksize=3)
    tensor = np.stack([down * down - over * over, 2 * down * over, down * down + over * over], 2)
    for sigma in (3.0, 9.0):
        t = _blur(tensor, sigma)
        parts.append(t[..., :2] / (t[..., 2:] + np.float32(1e-4)))
        parts.append(np.hypot(t[..., 0], t[..., 1])[..., None] / (t[..., 2:] + np.float32(1e-4)))
    y, x = _frame_places(light.shape)
    rim = (np.maximum(np.abs(y), np.abs(x)) > 0.86).astype(np.float32)
    middle = np.exp(-((y / 0.35) ** 2) - (x / 0.5) ** 2).astype(np.float32)
    parts += _likeness(bins, middle, rim)
    calm = parts[2]
    parts += [_shadeless(parts[1]), _shadeless(parts[3])]
    shade = np.float32(0.25) * np.log(np.maximum(parts[3][..., :1], 0) + np.float32(0.05))
    parts.append(parts[6] - shade)
    for where in (rim > 0, middle > 0.5):
        usual = np.median(calm[where], axis=0)
        parts.append(calm - usual)
    parts.append(np.stack([y, x, y * y, x * x], 2))
    parts.append(ways(small.lab, inside, outside))
    return np.concatenate([p if p.ndim == 3 else p[..., None] for p in parts], axis=2)


def around(
    chance: Floats32, small: Small, bins: tuple[NDArray[np.intp], NDArray[np.intp]]
) -> Floats32:
    """Return what a first answer says around every pixel, shape (h, w, G).

    The answer itself, blurred and looked up at a distance in eight directions (auto-context: Tu
    and Bai 2010, PAMI 32), and the likeness of colours under that answer.
    """
    chance = chance.astype(np.float32)
    parts = [chance, _blur(chance, 3.0), _blur(chance, 10.0), _blur(chance, 30.0)]
    parts += _likeness(bins, chance * chance, np.square(1 - chance))
    rows, cols = chance.shape
    for distance, wide in ((24, parts[1]), (80, parts[2])):
        padded = cv2.copyMakeBorder(
            wide, distance, distance, distance, distance, cv2.BORDER_REPLICATE
        )
        d = distance
        for dr, dc in ((-d, 0), (d, 0), (0, -d), (0, d), (-d, -d), (-d, d), (d, -d), (d, d)):
            r, c = d + round(dr * (0.7 if dc else 1)), d + round(dc * (0.7 if dr else 1))
            parts.append(padded[r : r + rows, c : c + cols])
    return np.stack(parts, axis=2)
