"""From a painted picture to the file a phone writes: lens, sensor, JPEG and metadata."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np

from slabvision.opencv import cv2
from slabvision.scene.camera import Lens
from slabvision.scene.fill import Array
from slabvision.scene.noise import blur_noise

__all__ = ["Film", "develop", "encode"]


@dataclass(frozen=True)
class Film:
    """How the phone renders light.

    Attributes
    ----------
    exposure : float
        Factor on all channels.
    white : (float, float, float)
        Factors on red, green, blue: white balance and the cast of a tarp.
    vignette : float
        Loss of light in the corners.
    blur_px, noise : float
        Sigma of the lens blur, and of the noise in mid grey (grey values).
    sharpen : float
        The phone's own sharpening.
    quality : int
        JPEG quality.
    """

    exposure: float
    white: tuple[float, float, float]
    vignette: float
    blur_px: float
    noise: float
    sharpen: float
    quality: int


_TILE = 128
"""Rows worked on at a time: small pieces stay in the processor's cache."""


_SOFTEST = 1.6
"""Greatest blur out of focus that is drawn, sigma in pixels."""


def develop(
    rng: np.random.Generator, light: Array, film: Film, defocus: Array | None = None
) -> Array:
    """Turn painted light (float32, 0 to 255) into the phone's uint8 picture.

    ``defocus`` is the blur of what is out of focus, see :meth:`Camera.defocus`.
    """
    rows, cols = light.shape[:2]
    out = np.empty((rows, cols, 3), np.uint8)
    blotch = [blur_noise(rng, (rows // 4 + 2, cols // 4 + 2), (0.8, 0.8)) for _ in range(2)]
    blotch = [cv2.resize(b, (cols, rows), interpolation=cv2.INTER_LINEAR) for b in blotch]
    c = ((np.arange(cols, dtype=np.float32) - cols / 2) / cols)[None, :]
    halo = 8
    if defocus is not None and defocus.max() > 0.2:
        share = np.minimum(defocus / _SOFTEST, 1.0) ** 2  # variances of blurs add
        share = cv2.resize(share.astype(np.float32), (cols, rows), interpolation=cv2.INTER_LINEAR)
    else:
        share = None
    for start in range(0, rows, _TILE):
        stop = min(start + _TILE, rows)
        low, high = max(start - halo, 0), min(stop + halo, rows)
        part = light[low:high].copy()
        r = ((np.arange(low, high, dtype=np.float32) - rows / 2) / rows)[:, None]
        gain = np.float32(film.exposure) * (1.0 - np.float32(2.0 * film.vignette) * (r * r + c * c))
        part *= gain[..., None]
        part *= np.array(film.white, np.float32)
        if film.blur_px > 0.05:
            part = cv2.GaussianBlur(part, (0, 0), sigmaX=film.blur_px)
        if share is not None:
            soft = cv2.GaussianBlur(part, (0, 0), sigmaX=_SOFTEST)
            soft -= part
            soft *= share[low:high, :, None]
            part += soft
        if film.sharpen > 0.01:
            soft = cv2.GaussianBlur(part, (0, 0), sigmaX=1.1)
            part = cv2.addWeighted(part, 1.0 + film.sharpen, soft, -film.sharpen, 0.0)
        part = part[start - low : start - low + stop - start]
        if film.noise > 0.05:
            # Brightness noise per pixel; colour noise in blotches, as phones leave it.
            grain = rng.standard_normal((stop - start, cols), dtype=np.float32)
            grain = cv2.GaussianBlur(grain, (0, 0), sigmaX=0.5) * np.float32(1.5 * film.noise)
            level = np.clip(part[..., 1], 0.0, 255.0)
            grain *= 0.55 + 0.45 * np.sqrt(level * np.float32(1 / 128.0))
            part[..., 1] += grain
            part[..., 0] += grain + np.float32(0.5 * film.noise) * blotch[0][start:stop]
            part[..., 2] += grain + np.float32(0.6 * film.noise) * blotch[1][start:stop]
        # A gentle shoulder keeps sunlit wood from burning out all at once.
        over = np.maximum(part - 200.0, 0.0)
        part -= over - 55.0 * (1.0 - np.exp(over * np.float32(-1 / 55.0)))
        out[start:stop] = np.clip(part + 0.5, 0.0, 255.0)
    return out


_TURN = {1: 0, 3: 2, 6: 1, 8: 3}
"""Quarter turns (against the clock) from upright to what the sensor stored, by Exif orientation."""


def encode(
    pixels: Array, *, lens: Lens | None, orientation: int, quality: int, taken: str, device: str
) -> bytes:
    """Write a JPEG as the phone would; without a lens, as a messenger would: no metadata."""
    from PIL import Image

    stored = np.ascontiguousarray(np.rot90(pixels, _TURN[orientation] if lens else 0))
    image = Image.fromarray(stored)
    out = io.BytesIO()
    if lens is None:
        image.save(out, "JPEG", quality=quality, subsampling=2)
        return out.getvalue()
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Example", device
    exif[0x0112] = orientation
    exif[0x0132] = taken
    camera = exif.get_ifd(0x8769)
    camera[0x9003] = taken
    camera[0x920A] = lens.focal_mm
    camera[0xA405] = round(lens.focal35_mm)
    camera[0xA002], camera[0xA003] = stored.shape[1], stored.shape[0]
    image.save(out, "JPEG", quality=quality, subsampling=2, exif=exif)
    return out.getvalue()
