"""Outlines of slabs drawn at random for tests, and the hand that redraws them (invented)."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import Polygon

__all__ = ["drawn", "edge", "slab_outline", "slab_pair"]


def edge(rng: np.random.Generator, x: np.ndarray) -> np.ndarray:
    """Bumps of a live edge: two scales of Gaussian noise, mm."""
    out = np.zeros(len(x))
    scales = ((rng.uniform(4, 10), rng.uniform(40, 90)),
              (rng.uniform(5, 18), rng.uniform(150, 300)))  # fmt: skip
    for size, length in scales:
        out += _noise(rng, x, size, length)
    return out


def _noise(rng: np.random.Generator, x: np.ndarray, size: float, length: float) -> np.ndarray:
    step = x[1] - x[0]
    reach = int(6 * length / step)
    kernel = np.exp(-((np.arange(-reach, reach + 1) * step / length) ** 2))
    kernel /= np.sqrt((kernel**2).sum())
    return np.asarray(size * np.convolve(rng.standard_normal(len(x) + 2 * reach), kernel, "valid"))


def slab_outline(seed: int, length: float = 2400.0) -> Polygon:
    """One face, u from 0 to the length, v about 0."""
    return slab_pair(seed, length)[0]


def slab_pair(
    seed: int, length: float | None = None, *, apart_mm: float = 3.0, taper_mm: float = 3.0
) -> tuple[Polygon, Polygon]:
    """Faces A and B of one slab in one frame; B's edges lie a flare further out.

    The flare is mostly the same at both edges (a log is nearly round); ``apart_mm`` and
    ``taper_mm`` are the standard deviations by which the edges differ, and the ends.
    """
    rng = np.random.default_rng(seed)
    length = float(rng.uniform(1500, 3200)) if length is None else length
    x = np.arange(-60.0, length + 60, 4.0)
    along = 2 * x / length - 1
    top, bottom = (rng.uniform(220, 400) + rng.uniform(-30, 30) * along + edge(rng, x)
                   for _ in range(2))  # fmt: skip
    sweep = rng.normal(0, 25) * (1 - along**2)
    common = rng.normal(0, 20)
    flares = [
        common + rng.normal(0, apart_mm) + rng.normal(0, taper_mm) * along
        + _noise(rng, x, rng.uniform(1, 4), rng.uniform(80, 200))
        for _ in range(2)
    ]  # fmt: skip
    ends = [(rng.normal(0, 8), rng.normal(0, 0.02)) for _ in range(2)]
    out = []
    for flare in ((np.zeros_like(x), np.zeros_like(x)), flares):
        body = Polygon(np.vstack([
            np.column_stack([x, sweep - top - flare[0]]),
            np.column_stack([x, sweep + bottom + flare[1]])[::-1],
        ]))  # fmt: skip
        (a, ka), (b, kb) = ends
        cut = Polygon([(a - 900 * ka, -900), (length + b - 900 * kb, -900),
                       (length + b + 900 * kb, 900), (a + 900 * ka, 900)])  # fmt: skip
        whole = shapely.intersection(body, cut)
        out.append(max(shapely.get_parts(whole), key=lambda part: part.area))
    return out[0], out[1]


def drawn(
    rng: np.random.Generator,
    shape: Polygon,
    offset_mm: float = 1.2,
    wobble_mm: float = 1.6,
    correlation_mm: float = 75.0,
    step_mm: float = 8.0,
) -> Polygon:
    """The outline as a hand draws it: a slow offset and a correlated wobble."""
    count = max(int(shape.length / step_mm), 16)
    at = np.arange(count) * shape.length / count
    points = shapely.get_coordinates(shapely.line_interpolate_point(shape.exterior, at))
    way = np.roll(points, -2, axis=0) - np.roll(points, 2, axis=0)
    way /= np.linalg.norm(way, axis=1)[:, None]
    sign = 1.0 if shapely.is_ccw(shape.exterior) else -1.0
    outward = sign * np.column_stack([way[:, 1], -way[:, 0]])
    lag = np.minimum(np.arange(count), count - np.arange(count)) * shape.length / count
    power = np.maximum(np.fft.rfft(np.exp(-0.5 * (lag / correlation_mm) ** 2)).real, 0)
    wobble = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * np.sqrt(power), n=count)
    off = rng.normal(0, offset_mm) + wobble_mm * wobble
    made = Polygon(points + off[:, None] * outward)
    if made.is_valid:
        return made
    return max(shapely.get_parts(made.buffer(0)), key=lambda part: part.area)
