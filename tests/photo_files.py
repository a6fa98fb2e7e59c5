"""Photo files made on the spot, with the metadata that a test needs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image


def picture(height: int = 60, width: int = 80) -> np.ndarray:
    """A picture whose four corners differ: red, green, blue and yellow on grey."""
    pixels = np.full((height, width, 3), 128, dtype=np.uint8)
    h, w = height // 3, width // 3
    pixels[:h, :w] = (200, 0, 0)
    pixels[:h, -w:] = (0, 200, 0)
    pixels[-h:, :w] = (0, 0, 200)
    pixels[-h:, -w:] = (200, 200, 0)
    return pixels


def exif(main: dict[int, Any] | None = None, camera: dict[int, Any] | None = None) -> Image.Exif:
    tags = Image.Exif()
    for key, value in (main or {}).items():
        tags[key] = value
    if camera:
        tags[0x8769] = dict(camera)
    return tags


def phone(
    size: tuple[int, int] = (4032, 3024), main: dict[int, Any] | None = None, **more: Any
) -> Image.Exif:
    """Metadata as an invented phone writes it; size is (width, height)."""
    camera = {
        0x9003: "2031:05:17 09:41:05",
        0x9011: "+02:00",
        0x920A: 5.7,
        0xA002: size[0],
        0xA003: size[1],
        0xA404: 1.0,
        0xA405: 26,
    } | {int(key[1:], 16): value for key, value in more.items()}
    return exif(
        {
            0x010F: "Musterfon",
            0x0110: "Musterfon P3",
            0x0131: "3.1.7",
            0x0132: "2031:05:17 09:41:05",
        }
        | (main or {}),
        {key: value for key, value in camera.items() if value is not None},
    )


def save(path: Path, pixels: np.ndarray | Image.Image, tags: Image.Exif | None = None, **how: Any):
    """Save by the suffix; HEIC through pillow-heif."""
    image = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    if tags is not None:
        how["exif"] = tags.tobytes()
    if path.suffix == ".heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
        how["quality"] = 90
    image.save(path, **how)
    return path
