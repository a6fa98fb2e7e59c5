"""Randomness with a shape: smooth fields of any number of coordinates, and grain-like pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slabvision.opencv import cv2
from slabvision.scene.fill import Array

__all__ = ["Waves", "blur_noise", "enlarge", "smoothstep", "waves"]


@dataclass(frozen=True)
class Waves:
    """A sum of cosines of a linear form of the coordinates: smooth, endless, exactly known.

    Attributes
    ----------
    vectors : ndarray, shape (n, d)
        Angular wave numbers, radians per unit of each coordinate.
    phases, amplitudes : ndarray, shape (n,)
        Phase in radians and height of each cosine.
    """

    vectors: Array
    phases: Array
    amplitudes: Array

    def __add__(self, other: Waves) -> Waves:
        """Return the sum of two fields of the same coordinates."""
        return Waves(
            np.vstack([self.vectors, other.vectors]),
            np.concatenate([self.phases, other.phases]),
            np.concatenate([self.amplitudes, other.amplitudes]),
        )

    def __call__(self, *coordinates: Array) -> Array:
        """Return the field at broadcast coordinates."""
        total: Array = np.zeros(np.broadcast_shapes(*(np.shape(c) for c in coordinates)))
        for vector, phase, amplitude in zip(
            self.vectors, self.phases, self.amplitudes, strict=True
        ):
            angle = phase
            for k, c in zip(vector, coordinates, strict=True):
                if k:
                    angle = angle + k * c
            total = total + amplitude * np.cos(angle)
        return total


def waves(
    rng: np.random.Generator,
    count: int,
    shortest: tuple[float, ...],
    longest: tuple[float, ...],
    amplitude: float,
) -> Waves:
    """Draw waves whose length along each coordinate lies between two limits.

    ``amplitude`` is the root-mean-square height of the whole field. Long waves are higher.
    """
    low, high = np.asarray(shortest, float), np.asarray(longest, float)
    scale = rng.uniform(0, 1, count)  # one draw: a wave that is long is long in every direction
    lengths = low[None] * (high / low)[None] ** scale[:, None]
    direction = rng.normal(size=lengths.shape)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    heights = 0.35 + scale
    heights *= amplitude * np.sqrt(2.0) / np.linalg.norm(heights)
    return Waves(2 * np.pi * direction / lengths, rng.uniform(0, 2 * np.pi, count), heights)


def blur_noise(
    rng: np.random.Generator, shape: tuple[int, int], sigma: tuple[float, float]
) -> Array:
    """Return float32 noise of mean 0 and spread 1, smooth over ``sigma`` (row, col) pixels."""
    factors = [max(1, int(s / 2.5)) for s in sigma]
    small = tuple(-(-n // f) + 8 for n, f in zip(shape, factors, strict=True))
    noise = rng.standard_normal(small, dtype=np.float32)
    rest = [s / f for s, f in zip(sigma, factors, strict=True)]
    rest = [s if s > 0.2 else 0.01 for s in rest]
    if max(rest) > 0.05:
        noise = cv2.GaussianBlur(
            noise,
            (0, 0),
            sigmaX=rest[1],
            sigmaY=rest[0],
            borderType=cv2.BORDER_REFLECT,
        )
    if max(factors) > 1:
        size = (small[1] * factors[1], small[0] * factors[0])
        noise = cv2.resize(noise, size, interpolation=cv2.INTER_CUBIC)
    noise = noise[: shape[0], : shape[1]]
    # Spread 1 over endless ground, not over this window: a patch looks as part of the whole would.
    spread = _kept(rest[0]) * _kept(rest[1])
    return np.asarray(noise * np.float32(1.0 / spread), dtype=np.float32)


def _kept(sigma: float) -> float:
    """Return the spread that white noise of spread 1 keeps after a blur in one direction."""
    if sigma <= 0.01:
        return 1.0
    k = np.exp(-0.5 * (np.arange(-40, 41) / sigma) ** 2)
    return float(np.linalg.norm(k) / k.sum())


def enlarge(coarse: Array, factor: int, shape: tuple[int, int]) -> Array:
    """Enlarge a coarse field smoothly; its samples sit in the middle of factor × factor blocks.

    ``coarse`` carries one block of border on every side. Linear in between, then averaged
    over a block, so straight fields stay straight and the result has no kinks.
    """
    size = (coarse.shape[1] * factor, coarse.shape[0] * factor)
    big = cv2.resize(coarse.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    if factor > 1:
        odd = factor + (factor + 1) % 2  # an odd window is centred
        big = cv2.blur(big, (odd, odd), borderType=cv2.BORDER_REFLECT)
    return np.asarray(big[factor : factor + shape[0], factor : factor + shape[1]])


def smoothstep(low: float, high: float, x: Array) -> Array:
    """Return 0 below ``low``, 1 above ``high``, and a smooth rise between."""
    t = np.asarray((x - low) * (1.0 / (high - low)))
    np.clip(t, 0.0, 1.0, out=t)
    rise = 3.0 - 2.0 * t
    t *= t
    t *= rise
    return t
